"""Learn what a flash adds, and write the file that ships.

    python -m models.recipe.flash.train --drawn DIR --traced DIR --out DIR

grows three sets of boosted trees by log score from pairs of shaded photos (``many.py``): on the
photo without the flash, on the one with it, and on both. What the flash adds is the last one's
log-odds less the first one's: the likelihood ratio of the second photo given the first. How far
that is to be trusted is fitted on traced windows (``windows.py``), which trained nothing.
"""

from __future__ import annotations

import argparse
import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.recipe.flash.draws import Drawn, drawn
from models.recipe.flash.many import unpacked
from models.recipe.flash.trees import write_trees
from vision.flash.looks import FEATURES
from vision.flash.model import THINGS, read_flash_model

INPUTS = ("still", "alone", "pair")
GROWN: dict[str, Any] = {
    "learning_rate": 0.05, "max_leaf_nodes": 24, "min_samples_leaf": 15, "l2_regularization": 5.0,
    "max_features": 0.3,
}  # fmt: skip
TREES = {"coating": 400, "tin": 60, "solder": 60, "level": 150, "doubt": 60}
"""On 11,554 shaded pieces and judged on 1,294 others a coat's log score by the pair was 0.423 with
300 trees of 12 leaves, 0.407 with 400 of 24; the networks of before gave 0.488 with as many."""

FOLDS = 3
MEAN_LOG_NORMAL = -0.635
"""Mean of the logarithm of the size of a standard normal number: -(Euler's gamma + ln 2) / 2."""

FEWEST_WITH = 60
"""Of a thing that so few traced pairs have, nothing is told: nobody could say how far to trust."""
LEAST_GAIN = 0.005
"""In log score on the traced pairs; of a thing on which the flash adds less, nothing is told."""


def inputs_of(data: Drawn, name: str) -> NDArray[np.float32]:
    """Return what a set of trees is given."""
    if name == "pair":
        return np.concatenate([data.plain, data.flash], axis=1)
    return data.plain if name == "still" else data.flash


def grown(data: Drawn, name: str, *, seed: int) -> Sequence[Any]:
    """Return what tells of each thing, of the level and of the logarithm of its doubt."""
    from sklearn.ensemble import HistGradientBoostingClassifier, HistGradientBoostingRegressor

    x = inputs_of(data, name)

    def of(what: str, kind: Any, rows: NDArray[np.bool_], y: NDArray[Any]) -> Any:  # noqa: ANN401
        return kind(max_iter=TREES[what], random_state=seed, **GROWN).fit(x[rows], y[rows])

    models = []
    for k, what in enumerate(THINGS):
        known = ~np.isnan(data.there[:, k])
        models.append(of(str(what), HistGradientBoostingClassifier, known, data.there[:, k]))
    bare = ~np.isnan(data.level)
    error = np.zeros(len(x))
    fold = np.random.default_rng(seed).integers(FOLDS, size=len(x))
    for k in range(FOLDS):
        level = of("level", HistGradientBoostingRegressor, bare & (fold != k), data.level)
        own = bare & (fold == k)
        error[own] = level.predict(x[own]) - data.level[own]
    doubt = np.log(np.abs(error) + 1e-3) - MEAN_LOG_NORMAL
    models.append(of("level", HistGradientBoostingRegressor, bare, data.level))
    models.append(of("doubt", HistGradientBoostingRegressor, bare, doubt))
    return models


def traced_in(folder: Path) -> list[dict[str, Any]]:
    """Return the traced windows of a folder."""
    files = sorted(folder.glob("w*.npz"))
    return [w for f in files for w in np.load(f, allow_pickle=True)["windows"]]


def fitted_scale(extra: NDArray[np.float32], still: NDArray[np.float32],
                 there: NDArray[np.float32]) -> float:  # fmt: skip
    """Return which share of the log ratio gives the best log score beside the still's odds.

    It is 0 where no share brings it down by ``LEAST_GAIN``.
    """
    known = ~np.isnan(there)
    scales = np.linspace(0, 1, 41)
    logits = still[known] + scales[:, None] * extra[known]
    score = np.logaddexp(0, np.where(there[known] > 0, -logits, logits)).mean(axis=1)
    return float(scales[score.argmin()]) if score[0] - score.min() >= LEAST_GAIN else 0.0


def described(out: Path, facts: dict[str, Any]) -> None:
    """Write ``flash.toml`` beside ``flash.onnx``."""
    trusted = "\n".join(f"{what} = {scale:.3f}" for what, scale in facts["trusted"].items())
    calibration = "\n".join(f"{name} = {value:.4g}" for name, value in facts["calibration"].items())
    content = (out / "flash.onnx").read_bytes()
    (out / "flash.toml").write_text(
        f'schema = "cuproscope.flash/1"\nfile = "flash.onnx"\n'
        f'sha256 = "{hashlib.sha256(content).hexdigest()}"\nmade = "{facts["made"]}"\n\n'
        f"[trusted]\n{trusted}\n\n[calibration]\n{calibration}\n",
        encoding="utf-8",
    )


def main() -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Learn what a flash adds.")
    parser.add_argument("--drawn", type=Path, required=True)
    parser.add_argument("--traced", type=Path, required=True)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    data = unpacked(list(options.drawn.glob("drawn*.npz")))
    models = {name: grown(data, name, seed=options.seed) for name in INPUTS}
    write_trees(options.out / "flash.onnx", models, features=FEATURES)
    facts: dict[str, Any] = {"trusted": {}, "calibration": {}, "made": ""}
    described(options.out, facts)
    traced = traced_in(options.traced)
    check = drawn(traced, rng=np.random.default_rng([options.seed, 1]), times=2)
    weigh = read_flash_model(folder=options.out).weigh
    said = dict(zip(INPUTS, weigh(check.plain, check.flash), strict=True))
    for name, own in models.items():  # the file tells what the trees tell
        wanted = own[0].decision_function(inputs_of(check, name))
        if np.abs(said[name][:, 0] - wanted).max() > 1e-3:
            raise ValueError(f"ONNX Runtime differs from scikit-learn on {name}")
    for k, what in enumerate(THINGS):
        if (check.there[:, k] == 1).sum() < FEWEST_WITH:
            print(f"{what}: too few traced pieces have it, left out")
            continue
        scale = fitted_scale(
            said["pair"][:, k] - said["still"][:, k], said["still"][:, k], check.there[:, k]
        )
        if scale > 0:
            facts["trusted"][str(what)] = scale
        print(f"{what}: {len(check.plain)} traced pairs, log ratio times {scale:.2f}")
    bare = ~np.isnan(check.level)
    error = said["pair"][bare, 3] - check.level[bare]
    z = error / np.exp(np.clip(said["pair"][bare, 4], -5, 0.5))
    facts["calibration"]["u_tarnish_scale"] = float(np.sqrt((z**2).mean()))
    facts["made"] = (
        f"{len(data.plain)} pairs of as many shaded pieces; "
        f"trust fitted on {len(check.plain)} pairs of {len(traced)} traced windows"
    )
    described(options.out, facts)
    print(facts["made"])
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
