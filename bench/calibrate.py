"""Fit what corrects the confidence of grades read off photos.

    python -m bench.accuracy FOLDER --out rows.json
    python -m bench.calibrate rows.json [MORE.json ...] --name "what photos" [--write]

Temperature and lapse rate minimise the negative log likelihood of the true grades; the
threshold of plausible grades is the split conformal one (95 % at a finite sample). Both
are also fitted on four fifths of the photos and judged on the last, five times over, so
that the figures printed are not those of the fit itself. ``--write`` replaces
``rules/calibration.toml``.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.confidence import DECIDE_P, Calibration, is_decided

Floats = NDArray[np.float64]

COVERED = 0.95
RISK = 0.02
"""Wrong grades among the decided that a person is asked to bear."""

FOLDS = 5
FLOOR = 1e-4
"""Least probability in a logarithm: a share of draws is no better known."""

FILE = Path(__file__).parents[1] / "rules" / "calibration.toml"


def main(argv: Sequence[str] | None = None) -> int:
    """Fit, print the figures and, if asked, write the file."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("rows", type=Path, nargs="+", help="from bench.accuracy --out")
    parser.add_argument("--name", required=True, help="on what photos it is fitted")
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args(argv)
    pieces = [row for file in asked.rows for row in json.loads(file.read_text(encoding="utf-8"))]
    pieces = [r for r in pieces if r["kind"] == "piece" and "raw_p" in r and r["true_grade"]]
    p, truth, photos = as_arrays(pieces)
    fitted = fit(p, truth)
    print(f"{len(p)} pieces of {len(set(photos))} photos")
    print("| | as they are | calibrated, on photos left out |\n| --- | --- | --- |")
    held = left_out(p, truth, photos)
    raw = p
    for name, figure in (("negative log likelihood", nll), ("calibration error", ece)):
        print(f"| {name} | {figure(raw, truth):.3f} | {figure(held, truth):.3f} |")
    for threshold in (DECIDE_P, fitted.decide_p):
        for name, shares in (
            ("decided", [decided(one, threshold) for one in (raw, held)]),
            ("wrong among them", [wrong(one, truth, threshold) for one in (raw, held)]),
        ):
            print(f"| {name} at {threshold} | {shares[0]:.3f} | {shares[1]:.3f} |")
    print(fitted)
    if asked.write:
        FILE.write_text(as_toml(fitted, name=f"{asked.name}, {len(p)} pieces"), encoding="utf-8")
    return 0


def as_arrays(pieces: Sequence[dict[str, Any]]) -> tuple[Floats, NDArray[np.int64], list[str]]:
    """Return ``(n, grades)`` shares of draws, the true column and the photo of each piece."""
    grades = sorted({grade for row in pieces for grade in row["raw_p"]})
    p = np.array([[row["raw_p"].get(g, 0.0) for g in grades] for row in pieces])
    truth = np.array([grades.index(row["true_grade"]) for row in pieces])
    return p, truth, [row["photo"] for row in pieces]


def fit(p: Floats, truth: NDArray[np.int64]) -> Calibration:
    """Return temperature, lapse rate and conformal threshold for these pieces."""
    grid = [
        (nll(Calibration(temperature=t, lapse=lapse).applied(p), truth), t, lapse)
        for t in np.round(np.exp(np.linspace(np.log(0.5), np.log(4.0), 43)), 3)
        for lapse in np.round(np.linspace(0.0, 0.3, 31), 3)
    ]
    _, t, lapse = min(grid)
    told = Calibration(temperature=float(t), lapse=float(lapse)).applied(p)
    own = np.sort(told[np.arange(len(p)), truth])
    # All but the floor((n + 1) (1 - covered)) least sure true grades lie above it.
    rank = int((len(own) + 1) * (1 - COVERED))
    least = float(own[rank - 1]) if rank >= 1 else 0.0
    # The least threshold of those from which on no more than the risk is wrong, give or take
    # a standard error: a single miss among the surest sixty must not settle it.
    decide = 0.98
    for threshold in np.arange(0.97, 0.795, -0.01):
        share = wrong(told, truth, float(threshold))
        count = max(1.0, decided(told, float(threshold)) * len(told))
        if share - np.sqrt(share * (1 - share) / count) > RISK:
            break
        decide = float(threshold)
    return Calibration(
        temperature=float(t),
        lapse=float(lapse),
        plausible_p=round(least, 4),
        decide_p=round(decide, 2),
    )


def left_out(p: Floats, truth: NDArray[np.int64], photos: Sequence[str]) -> Floats:
    """Return calibrated probabilities of each piece by a fit that did not see its photo."""
    names = sorted(set(photos))
    fold = {name: k % FOLDS for k, name in enumerate(names)}
    of = np.array([fold[name] for name in photos])
    held = p.copy()
    for k in range(FOLDS):
        held[of == k] = fit(p[of != k], truth[of != k]).applied(p[of == k])
    return held


def nll(p: Floats, truth: NDArray[np.int64]) -> float:
    """Return the mean negative log likelihood of the true grades."""
    return float(-np.log(np.maximum(p[np.arange(len(p)), truth], FLOOR)).mean())


def ece(p: Floats, truth: NDArray[np.int64], bins: int = 15) -> float:
    """Return the expected calibration error of the first choice over equal-mass bins."""
    said, right = p.max(axis=1), p.argmax(axis=1) == truth
    parts = np.array_split(np.argsort(said), bins)
    gaps = [abs(said[part].mean() - right[part].mean()) * len(part) for part in parts if len(part)]
    return float(sum(gaps) / len(p))


def decided(p: Floats, threshold: float) -> float:
    """Return the share that is not borderline by probability alone."""
    return float(_sure(p, threshold).mean())


def wrong(p: Floats, truth: NDArray[np.int64], threshold: float) -> float:
    """Return how many of those are wrong."""
    sure = _sure(p, threshold)
    return float(np.mean(p.argmax(axis=1)[sure] != truth[sure])) if sure.any() else 0.0


def _sure(p: Floats, threshold: float) -> NDArray[np.bool_]:
    calibration = Calibration(decide_p=threshold)
    return np.array([is_decided(row, calibration) for row in p])


def as_toml(fitted: Calibration, *, name: str) -> str:
    """Return the file that ships."""
    return f"""# Corrects the confidence of pieces read off a photo; see confidence.py. Written by
# bench/calibrate.py, with the day and the photos it was fitted on.
temperature = {fitted.temperature}
lapse = {fitted.lapse}
plausible_p = {fitted.plausible_p}
decide_p = {fitted.decide_p}
date = "{datetime.now(UTC).date().isoformat()}"
source = "{name}"
"""


if __name__ == "__main__":
    sys.exit(main())
