"""Average exported networks that went on from one another, weight by weight.

    python -m models.recipe.surface.soup --out DIR BEFORE:0.5 AFTER:0.5

Each ``DIR:SHARE`` holds ``surface.onnx`` and ``piece.onnx``. Networks fine-tuned from one
another lie in one basin of the loss, and their mean errs less than either where photos are
unlike the training's (Wortsman and others, 2022: Model soups, arXiv 2203.05482; Robust
fine-tuning of zero-shot models, arXiv 2109.01903). What the last folder tells of its training
is kept, with the shares beside it; how often each training showed what is averaged too.
"""

from __future__ import annotations

import argparse
import json
import tomllib
from collections.abc import Sequence
from math import exp, log
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.recipe.surface.export import PIECE_FILE
from vision.finish.surface import MODEL_FILE


def main(arguments: Sequence[str] | None = None) -> int:
    """Read the arguments and write the mean of both files."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("parts", nargs="+", metavar="DIR:SHARE")
    parser.add_argument("--out", type=Path, required=True)
    asked = parser.parse_args(arguments)
    told = [part.rpartition(":") for part in asked.parts]
    parts = [(Path(folder), float(share)) for folder, _, share in told]
    if abs(sum(share for _, share in parts) - 1) > 1e-6:
        parser.error("the shares must add up to 1")
    training = json.loads((parts[-1][0] / "training.json").read_text(encoding="utf-8"))
    asked.out.mkdir(parents=True, exist_ok=True)
    for name in (MODEL_FILE, PIECE_FILE):
        mean_of([folder / name for folder, _ in parts], [s for _, s in parts], asked.out / name)
    training["mean_of"] = [share for _, share in parts]
    training["learned_rates"] = mean_rates(
        [learned_rates(f) for f, _ in parts], [s for _, s in parts]
    )
    (asked.out / "training.json").write_text(json.dumps(training, indent=1) + "\n")
    return 0


def learned_rates(folder: Path) -> dict[str, dict[str, float]]:
    """Return how often a training showed what, from its own file or from what ships."""
    told = folder / "training.json"
    if told.exists():
        return dict(json.loads(told.read_text(encoding="utf-8"))["learned_rates"])
    metadata = (folder / MODEL_FILE).with_suffix(".toml").read_text(encoding="utf-8")
    return dict(tomllib.loads(metadata)["learned_rates"])


def mean_rates(
    rates: Sequence[dict[str, dict[str, float]]], shares: Sequence[float]
) -> dict[str, dict[str, float]]:
    """Return the rates that a mean of networks answers by: between theirs, in logits."""

    def mean(form: str, name: str) -> float:
        logits = [log(r[form][name] / (1 - r[form][name])) for r in rates]
        return round(1 / (1 + exp(-sum(s * x for s, x in zip(shares, logits, strict=True)))), 5)

    return {form: {name: mean(form, name) for name in rates[-1][form]} for form in rates[-1]}


def mean_of(files: Sequence[Path], shares: Sequence[float], out: Path) -> None:
    """Write the weighted mean of graphs that differ in their weights alone.

    Args:
        files: The graphs; names of their weights may differ, their order may not.
        shares: Weight of each.
        out: File to write, in the names of the first.

    Raises:
        ValueError: The graphs are of different layout.
    """
    import onnx

    onnx.save(mean_graph([onnx.load(str(file)) for file in files], shares), str(out))


def mean_graph(models: Sequence[Any], shares: Sequence[float]) -> Any:  # noqa: ANN401
    """Return the weighted mean of loaded graphs, which takes the place of the first."""
    import onnx

    if len({tuple(node.op_type for node in m.graph.node) for m in models}) != 1:
        raise ValueError("the graphs differ in more than their weights")
    values = [_in_order(model) for model in models]
    own = {initial.name: initial for initial in models[0].graph.initializer}
    for same in zip(*(v.items() for v in values), strict=True):
        weights = [weight for _, weight in same]
        if len({weight.shape for weight in weights}) != 1:
            raise ValueError(f"{same[0][0]}: the weights differ in shape")
        if weights[0].dtype.kind == "f":
            pairs = zip(shares, weights, strict=True)
            mean: NDArray[Any] = np.sum([s * w.astype(np.float64) for s, w in pairs], axis=0)
            kept = onnx.numpy_helper.from_array(mean.astype(weights[0].dtype), same[0][0])
            own[same[0][0]].CopyFrom(kept)
        elif any(not np.array_equal(weight, weights[0]) for weight in weights):
            raise ValueError(f"{same[0][0]}: whole numbers differ")
    return models[0]


def _in_order(model: Any) -> dict[str, NDArray[Any]]:  # noqa: ANN401
    """Return a graph's weights in the order in which its nodes use them."""
    import onnx

    values = {i.name: onnx.numpy_helper.to_array(i) for i in model.graph.initializer}
    used = dict.fromkeys(name for node in model.graph.node for name in node.input)
    return {name: values[name] for name in used if name in values}


if __name__ == "__main__":
    raise SystemExit(main())
