"""What does a photo with the flash add on whether something clear lies on the metal?

    python -m bench.flash DIR [--draws 3] [--out FILE]

DIR holds traced windows of pieces (``python -m models.recipe.flash.windows``, seeds that nothing
was learned from). Photos of each are drawn with and without the flash and weighed by the model
that ships: by the still's strip alone, by the flash's alone, by both. Intervals are 95 % by
drawing pieces again; what may be decided with 2 % wrong is read off one half of the pieces and
counted on the other, both ways round.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.recipe.figures import calibration_error
from models.recipe.flash.draws import Drawn, drawn
from vision.flash.model import THINGS, load_flash_model

Array = NDArray[Any]
INPUTS = ("still", "flash", "pair")
WRONG = 0.02
AGAIN = 400
CLEAR_R_OVER_G = 2.1
"""Red over green under a coat up to which it is called clear; of bare copper it is 1.5."""


def traced_in(folder: Path) -> list[dict[str, Any]]:
    """Return the traced windows of a folder."""
    files = sorted(folder.glob("w*.npz"))
    return [w for f in files for w in np.load(f, allow_pickle=True)["windows"]]


def decided(logit: Array, there: Array, piece: Array) -> tuple[float, float]:
    """Return which share may be decided at 2 % wrong, and how much of it is wrong."""
    half = (piece * 2654435761 % 2**32) < 2**31
    taken = np.zeros(len(logit), bool)
    for own in (half, ~half):
        other = np.flatnonzero(~own)
        order = other[np.argsort(-np.abs(logit[other]))]
        wrong = ((logit[order] > 0) != (there[order] > 0)).cumsum() / np.arange(1, len(order) + 1)
        fits = np.flatnonzero(wrong <= WRONG)
        if len(fits):
            taken |= own & (np.abs(logit) >= np.abs(logit[order[fits[-1]]]))
    right = (logit > 0) == (there > 0)
    return float(taken.mean()), float((~right[taken]).mean()) if taken.any() else 0.0


def interval(value: Callable[[Array], float], piece: Array) -> tuple[float, float]:
    """Return the 95 % interval of a number of rows, pieces drawn again."""
    rng = np.random.default_rng(3)
    of = {p: np.flatnonzero(piece == p) for p in np.unique(piece)}
    names = list(of)
    told = [
        value(np.concatenate([of[names[k]] for k in rng.integers(len(names), size=len(names))]))
        for _ in range(AGAIN)
    ]
    low, high = np.quantile(told, [0.025, 0.975])
    return float(low), float(high)


def kind_of(facts: dict[str, Any]) -> str:
    """Return which group of finish and gloss a window belongs to."""
    if facts["coat"] > 0.5:
        clear = facts["base"][0] / max(facts["base"][1], 1e-3) <= CLEAR_R_OVER_G
        gloss = "mirror" if facts["film"] < 0.03 else "glossy" if facts["film"] < 0.1 else "dull"
        return f"{'clear' if clear else 'coloured'} coat, {gloss}"
    return str(facts["finish"])


def line(name: str, logits: dict[str, Array], there: Array, piece: Array) -> str:
    """Return one row of the table: right, decided at 2 % wrong, calibration, for each input."""
    cells = [name, str(len(there)), str(len(np.unique(piece)))]
    for one in INPUTS:
        right = (logits[one] > 0) == (there > 0)
        low, high = interval(lambda k, r=right: float(r[k].mean()), piece)  # type: ignore[misc]
        cells.append(f"{100 * right.mean():.1f} ({100 * low:.0f} to {100 * high:.0f})")
    return "| " + " | ".join(cells) + " |"


def report(data: Drawn) -> str:
    """Return the tables, Markdown."""
    model = load_flash_model()
    told = dict(zip(INPUTS, model.weigh(data.plain, data.flash), strict=True))
    pieces = np.array([f["number"] for f in data.facts])
    lines = []
    for k, what in enumerate(THINGS):
        known = ~np.isnan(data.there[:, k])
        there, piece = data.there[known, k], pieces[known]
        logits = {name: out[known, k].astype(float) for name, out in told.items()}
        if what in model.trusted:
            added = np.clip(model.trusted[what] * (logits["pair"] - logits["still"]), -3, 3)
            logits["joined"] = logits["still"] + added
        lines += [f"\n{what}: {len(there)} pairs of {len(np.unique(piece))} pieces, "
                  f"{100 * there.mean():.0f} % have it\n",
                  "| | right % | decided % | of it wrong % | ECE | log score |",
                  "| --- | --- | --- | --- | --- | --- |"]  # fmt: skip
        for name, logit in logits.items():
            right = (logit > 0) == (there > 0)
            low, high = interval(lambda r, s=right: float(s[r].mean()), piece)  # type: ignore[misc]
            share, wrong = decided(logit, there, piece)
            error = calibration_error(1 / (1 + np.exp(-logit)), there)
            score = np.logaddexp(0, np.where(there > 0, -logit, logit)).mean()
            lines.append(
                f"| {name} | {100 * right.mean():.1f} ({100 * low:.1f} to {100 * high:.1f}) | "
                f"{100 * share:.0f} | {100 * wrong:.1f} | {error:.3f} | {score:.3f} |"
            )
    lines += ["\ncoating, right % by what the piece is\n",
              "| | pairs | pieces | still | flash | pair |",
              "| --- | --- | --- | --- | --- | --- |"]  # fmt: skip
    known = ~np.isnan(data.there[:, 0])
    facts = [f for f, k in zip(data.facts, known, strict=True) if k]
    logits = {name: out[known, 0] for name, out in told.items()}
    groups = {"kind": [kind_of(f) for f in facts],
              "flash": ["pulled down" if f["pulled_ev"] else "as it comes" for f in facts],
              "form": [f["form"] for f in facts]}  # fmt: skip
    for names in groups.values():
        for name in sorted(set(names)):
            own = np.array([n == name for n in names])
            lines.append(line(name, {i: v[own] for i, v in logits.items()},
                              data.there[known, 0][own], pieces[known][own]))  # fmt: skip
    lines.append("\ntarnish level of bare copper, root mean square error\n")
    day = np.array([f["light"] in ("window", "overcast", "sun", "low_sun", "sky_image")
                    for f in data.facts])  # fmt: skip
    for name, own in (("by day", day), ("other light", ~day)):
        use = own & ~np.isnan(data.level)
        errors = {
            i: np.sqrt(((out[use, 3] - data.level[use]) ** 2).mean()) for i, out in told.items()
        }
        told_errors = ", ".join(f"{i} {e:.3f}" for i, e in errors.items())
        lines.append(f"{name}: {use.sum()} pairs, {told_errors}")
    return "\n".join(lines)


def main() -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Judge what a photo with the flash adds.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--draws", type=int, default=3, help="pairs of photos a window")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    windows = traced_in(options.folder)
    data = drawn(windows, rng=np.random.default_rng(options.seed), times=options.draws)
    told = f"{len(windows)} windows, {len(data.plain)} pairs\n" + report(data)
    print(told)
    if options.out is not None:
        options.out.write_text(told + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
