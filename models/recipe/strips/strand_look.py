"""Fit the odds that a look shows strands, and tell how right they are.

    python -m models.recipe.strips.strand_look FIT.npz [FIT.npz...] --test TEST.npz --out DATA_DIR

Looks come from ``models.recipe.strips.looks``. The odds are a logistic regression with a ridge,
both classes weighed alike, every piece the same whatever its number of looks; the ridge is
the one with the least log loss on pieces left out (eight folds). Close views were rendered
by ``models.recipe.render --split train --kind stranded,stranded,wire,tube --size 320x256
--samples 24 --views 9 --first-seed 800000``.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

from models.recipe.strips.looks import FORMS
from vision.width.grooves import NAMES, ODDS_FILE, clearness

RIDGES = (0.3, 1.0, 3.0, 10.0, 30.0)
FOLDS = 8
STRANDED = FORMS.index("stranded")


def loaded(paths: list[Path]) -> dict[str, np.ndarray]:
    """Return the looks at bare long pieces that can be told: no heaps, no insulation."""
    parts = [dict(np.load(path)) for path in paths]
    rows = {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}
    long = np.isin(rows["form"], [FORMS.index(f) for f in ("wire", "stranded", "tube")])
    kept = long & ~rows["heap"] & ~rows["hidden"] & np.isfinite(rows["numbers"]).all(axis=1)
    return {key: values[kept] for key, values in rows.items()}


def weights_of(rows: dict[str, np.ndarray]) -> np.ndarray:
    """Return weights that make pieces equal within a class and the classes equal."""
    stranded = rows["form"] == STRANDED
    _, piece, counts = np.unique(rows["name"], return_inverse=True, return_counts=True)
    weight = 1 / counts[piece]
    for side in (stranded, ~stranded):
        weight[side] *= 0.5 / weight[side].sum()
    return np.asarray(weight)


def standard(rows: dict[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and spread of each number over the pieces."""
    weight = weights_of(rows)[:, None]
    mean = (weight * rows["numbers"]).sum(axis=0)
    return mean, np.sqrt((weight * (rows["numbers"] - mean) ** 2).sum(axis=0)) + 1e-6


def design(rows: dict[str, np.ndarray], mean: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Return ``(n, len(NAMES) + 1)`` inputs of the log odds."""
    z = np.clip((rows["numbers"] - mean) / scale, -4, 4)
    clear = np.array([clearness(float(w)) for w in rows["width_px"]])
    return np.column_stack([z, np.ones(len(z))]) * clear[:, None]


def fitted(x: np.ndarray, y: np.ndarray, weight: np.ndarray, ridge: float) -> np.ndarray:
    """Return the coefficients of least weighted log loss with a ridge."""
    sign, free = np.where(y, 1.0, -1.0), np.append(np.ones(x.shape[1] - 1), 0.1)
    weight = weight / weight.sum()
    pieces = 1 / (weight**2).sum()  # as many even ones would weigh the same

    def loss(b: np.ndarray) -> tuple[float, np.ndarray]:
        margin = sign * (x @ b)
        pull = -sign / (1 + np.exp(np.clip(margin, -50, 50)))
        value = (weight * np.logaddexp(0, -margin)).sum() + ridge / pieces * (free * b * b).sum()
        return value, x.T @ (weight * pull) + 2 * ridge / pieces * free * b

    return np.asarray(minimize(loss, np.zeros(x.shape[1]), jac=True, method="L-BFGS-B").x)


def log_loss(odds: np.ndarray, y: np.ndarray, weight: np.ndarray) -> float:
    """Return the weighted mean log loss of log odds; 0.69 is a coin."""
    return float((weight * np.logaddexp(0, np.where(y, -odds, odds))).sum() / weight.sum())


def best_ridge(x: np.ndarray, rows: dict[str, np.ndarray]) -> float:
    """Return the ridge of least log loss on scenes left out."""
    y, weight = rows["form"] == STRANDED, weights_of(rows)
    # Views of one training scene share its pieces: the scene is the part before the view.
    scene = np.array([name.split(":")[0].split("_")[0] for name in rows["name"]])
    _, number = np.unique(scene, return_inverse=True)
    fold = np.random.default_rng(1).permutation(number.max() + 1)[number] % FOLDS
    losses = []
    for ridge in RIDGES:
        odds = np.zeros(len(y))
        for k in range(FOLDS):
            out = fold == k
            odds[out] = x[out] @ fitted(x[~out], y[~out], weight[~out], ridge)
        losses.append(log_loss(np.clip(odds, -5, 5), y, weight))
        print(f"ridge {ridge:g}: left-out log loss {losses[-1]:.3f}")
    return RIDGES[int(np.argmin(losses))]


def told(odds: np.ndarray, rows: dict[str, np.ndarray]) -> None:
    """Print how right the odds are by width."""
    y, weight = rows["form"] == STRANDED, weights_of(rows)
    for low, high in ((0, 8), (8, 14), (14, 30), (30, 1e9)):
        part = (rows["width_px"] >= low) & (rows["width_px"] < high)
        if not part.any():
            continue
        hit, false = odds[part & y] > 0, odds[part & ~y] > 0
        print(
            f"{low:g} to {high:g} px: strands called so {hit.sum()}/{hit.size}, solid called "
            f"strands {false.sum()}/{false.size}, log loss "
            f"{log_loss(odds[part], y[part], weight[part]):.3f}"
        )
    p = 1 / (1 + np.exp(-odds))
    for low in (0.0, 0.1, 0.3, 0.5, 0.7, 0.9):
        part = (p >= low) & (p < low + (0.1 if low in (0.0, 0.9) else 0.2) + 1e-9)
        share = (weight * y)[part].sum() / max(weight[part].sum(), 1e-12)
        print(f"said {p[part].mean() if part.any() else 0:.2f}: {share:.2f} of {part.sum()}")


def main() -> None:
    """Fit, tell and write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("fit", type=Path, nargs="+")
    parser.add_argument("--test", type=Path, nargs="*", default=[])
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    rows = loaded(options.fit)
    mean, scale = standard(rows)
    x, y = design(rows, mean, scale), rows["form"] == STRANDED
    print(f"fit on {len(y)} looks, {y.sum()} of strands")
    coefficients = fitted(x, y, weights_of(rows), best_ridge(x, rows))
    print({n: round(float(b), 2) for n, b in zip((*NAMES, "bias"), coefficients, strict=True)})
    told(np.clip(x @ coefficients, -5, 5), rows)
    if options.test:
        test = loaded(options.test)
        print(f"test on {len(test['form'])} looks")
        told(np.clip(design(test, mean, scale) @ coefficients, -5, 5), test)
    if options.out:
        np.savez(
            options.out / ODDS_FILE,
            names=np.array(NAMES), mean=mean, scale=scale,
            weights=coefficients[:-1], bias=coefficients[-1],
        )  # fmt: skip


if __name__ == "__main__":
    main()
