"""Fit what corrects the confidence of grades read off photos.

    python -m bench.accuracy FOLDER --out rows.json
    python -m bench.calibrate rows.json [MORE.json ...] --name "what photos" [--write]

Temperature and lapse rate minimise the negative log likelihood of the true grades. The least
probability of a plausible grade is the split conformal one of each grade for itself (95 % at
a finite sample; Vovk, Gammerman and Shafer 2005, section 4.5). A piece is decided from the
least probability at which no kind of photo has more wrong among its decided than that kind is
asked (:data:`RISKS`). Temperature and lapse are also fitted on four fifths of the photos and
judged on the last, five times over, so that the figures printed are not those of the fit
itself. ``--write`` replaces ``rules/calibration.toml``.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.practice.statistics import share_of
from models.recipe.figures import calibration_error
from rules.confidence import DECIDE_P, Calibration, is_decided

Floats = NDArray[np.float64]

COVERED = 0.95
RISKS = {"advised": 0.01, "hard": 0.02}
"""Wrong grades among the decided that a person is asked to bear, by kind of photo."""

TELLING = 60
"""With fewer decided pieces a single miss says nothing of such a risk."""

LEAST_OF_A_GRADE = 19
"""With fewer pieces of a grade its own 95 % limit can't be told: 1 / (n + 1) is more."""

FOLDS = 5
FLOOR = 1e-4
"""Least probability in a logarithm: a share of draws is no better known."""

FILE = Path(__file__).parents[1] / "rules" / "calibration.toml"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Graded:
    """Pieces of known grade, as they were read.

    Attributes:
        p: ``(n, grades)`` shares of draws.
        truth: ``(n,)`` column of the true grade.
        grades: Ids of the columns.
        photos: Photo of each piece.
        kinds: Kind of each photo, one of :data:`RISKS`.
    """

    p: Floats
    truth: NDArray[np.int64]
    grades: tuple[str, ...]
    photos: tuple[str, ...]
    kinds: tuple[str, ...]

    def of(self, chosen: NDArray[np.bool_]) -> Graded:
        """Return some of the pieces."""
        at = np.flatnonzero(chosen)
        return Graded(
            p=self.p[at],
            truth=self.truth[at],
            grades=self.grades,
            photos=tuple(self.photos[i] for i in at),
            kinds=tuple(self.kinds[i] for i in at),
        )

    def with_p(self, p: Floats) -> Graded:
        """Return the same pieces, read otherwise."""
        return Graded(
            p=p, truth=self.truth, grades=self.grades, photos=self.photos, kinds=self.kinds
        )


def main(argv: Sequence[str] | None = None) -> int:
    """Fit, print the figures and, if asked, write the file."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("rows", type=Path, nargs="+", help="from bench.accuracy --out")
    parser.add_argument("--name", required=True, help="on what photos it is fitted")
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args(argv)
    rows = [row for file in asked.rows for row in json.loads(file.read_text(encoding="utf-8"))]
    pieces = graded(rows)
    fitted = fit(pieces)
    held = left_out(pieces)
    print(f"{len(pieces.p)} pieces of {len(set(pieces.photos))} photos")
    for kind in (*RISKS, None):
        own = np.array([kind in (None, k) for k in pieces.kinds])
        if own.any():
            print(f"\n{kind or 'all'}\n{table(pieces.of(own), held.of(own), fitted)}")
    print(fitted)
    if asked.write:
        FILE.write_text(as_toml(fitted, pieces, name=asked.name), encoding="utf-8")
    return 0


def graded(rows: Sequence[dict[str, Any]]) -> Graded:
    """Return the pieces that were found, are familiar and have a true grade.

    What is unfamiliar is never decided, so that no calibration is asked for it.
    """
    found = [r for r in rows if r["kind"] == "piece" and "raw_p" in r and r["true_grade"]]
    pieces = [row for row in found if not row["grade"]["guess"]]
    grades = tuple(sorted({grade for row in pieces for grade in row["raw_p"]}))
    return Graded(
        p=np.array([[row["raw_p"].get(g, 0.0) for g in grades] for row in pieces]),
        truth=np.array([grades.index(row["true_grade"]) for row in pieces]),
        grades=grades,
        photos=tuple(f"{row['mix']}/{row['photo']}" for row in pieces),
        kinds=tuple(row["mix"] for row in pieces),
    )


def fit(pieces: Graded) -> Calibration:
    """Return temperature, lapse rate and limits for these pieces."""
    t, lapse = temper(pieces)
    told = Calibration(temperature=t, lapse=lapse).applied(pieces.p)
    own = told[np.arange(len(told)), pieces.truth]
    by_grade = {
        grade: conformal(own[pieces.truth == column])
        for column, grade in enumerate(pieces.grades)
        if (pieces.truth == column).sum() >= LEAST_OF_A_GRADE
    }
    return Calibration(
        temperature=t,
        lapse=lapse,
        plausible_p=conformal(own),
        plausible_p_of=by_grade,
        decide_p=decide_limit(pieces.with_p(told)),
        photos=len(set(pieces.photos)),
    )


def temper(pieces: Graded) -> tuple[float, float]:
    """Return the temperature and lapse rate with the least negative log likelihood.

    The lapse is at least one in as many pieces as there are: rarer misses nobody saw.
    """
    least = round(1 / len(pieces.p), 4)
    grid = [
        (nll(Calibration(temperature=t, lapse=lapse).applied(pieces.p), pieces.truth), t, lapse)
        for t in np.round(np.exp(np.linspace(np.log(0.5), np.log(4.0), 43)), 3)
        for lapse in np.round(np.linspace(least, 0.3, 31), 4)
    ]
    _, t, lapse = min(grid)
    return float(t), float(lapse)


def conformal(own: Floats) -> float:
    """Return the limit that 95 in 100 true grades reach, by their probabilities.

    All but the floor((n + 1) (1 - covered)) least sure true grades lie at or above it; with
    too few to leave one out, all do.

    >>> conformal(np.array([0.2, 0.9] + [0.8] * 18))  # floor(21 * 0.05) = 1: the least one
    0.2
    """
    rank = int((len(own) + 1) * (1 - COVERED) + 1e-9)
    return round(float(np.sort(own)[rank - 1]), 4) if rank >= 1 else 0.0


def decide_limit(told: Graded) -> float:
    """Return the least probability from which on no kind of photo has too many wrong."""
    limit = 0.99
    for threshold in np.arange(0.98, 0.695, -0.01):
        if any(_too_wrong(told, kind, risk, float(threshold)) for kind, risk in RISKS.items()):
            break
        limit = float(threshold)
    return round(limit, 2)


def _too_wrong(told: Graded, kind: str, risk: float, threshold: float) -> bool:
    own = told.of(np.array([k == kind for k in told.kinds], bool))
    count, wrong = decided(own, threshold)
    # One miss of too few to tell is borne; two are not.
    return wrong > max(risk * count, 1 if count < TELLING else 0)


def left_out(pieces: Graded) -> Graded:
    """Return the pieces calibrated by fits that did not see their photo."""
    fold = {name: k % FOLDS for k, name in enumerate(sorted(set(pieces.photos)))}
    of = np.array([fold[name] for name in pieces.photos])
    held = pieces.p.copy()
    for k in range(FOLDS):
        if (of == k).any() and (of != k).any():
            t, lapse = temper(pieces.of(of != k))
            held[of == k] = Calibration(temperature=t, lapse=lapse).applied(pieces.p[of == k])
    return pieces.with_p(held)


def nll(p: Floats, truth: NDArray[np.int64]) -> float:
    """Return the mean negative log likelihood of the true grades."""
    return float(-np.log(np.maximum(p[np.arange(len(p)), truth], FLOOR)).mean())


def ece(pieces: Graded) -> float:
    """Return the expected calibration error of the first choice."""
    return calibration_error(pieces.p.max(axis=1), pieces.p.argmax(axis=1) == pieces.truth)


def decided(pieces: Graded, threshold: float) -> tuple[int, int]:
    """Return how many are not borderline by probability alone, and how many of those are wrong."""
    limits = Calibration(decide_p=threshold)
    sure = np.array([is_decided(row, limits) for row in pieces.p], bool)
    wrong = pieces.p.argmax(axis=1)[sure] != pieces.truth[sure] if sure.any() else np.zeros(0)
    return int(sure.sum()), int(wrong.sum())


def table(raw: Graded, held: Graded, fitted: Calibration) -> str:
    """Return the figures of one kind of photo, before and after."""
    lines = ["| | as they are | calibrated, on photos left out |", "| --- | --- | --- |"]
    scores = [(nll(one.p, one.truth), ece(one)) for one in (raw, held)]
    for index, name in enumerate(("negative log likelihood", "calibration error")):
        lines.append(f"| {name} | {scores[0][index]:.3f} | {scores[1][index]:.3f} |")
    for threshold in (DECIDE_P, fitted.decide_p):
        cells = []
        for one in (raw, held):
            count, wrong = decided(one, threshold)
            told = share_of(wrong, count)
            low, high = (0.0, 1.0) if told is None else (told.low95, told.high95)
            share = count / len(one.p)
            cells.append(
                f"{100 * share:.0f} % of {len(one.p)}; {wrong} of {count} wrong "
                f"({100 * low:.1f} to {100 * high:.1f} %)"
            )
        lines.append(f"| decided at {threshold} | {cells[0]} | {cells[1]} |")
    return "\n".join(lines)


def as_toml(fitted: Calibration, pieces: Graded, *, name: str) -> str:
    """Return the file that ships."""
    kinds = Counter(pieces.kinds)
    mix = ", ".join(f"{count} pieces {kind}" for kind, count in sorted(kinds.items()))
    by_grade = "".join(f"{grade} = {p}\n" for grade, p in fitted.plausible_p_of.items())
    return f"""# Corrects the confidence of pieces read off a photo; see confidence.py. Written by
# bench/calibrate.py, with the day and the photos it was fitted on.
temperature = {fitted.temperature}
lapse = {fitted.lapse}
plausible_p = {fitted.plausible_p}
decide_p = {fitted.decide_p}
photos = {fitted.photos}
mix = "{mix}"
date = "{datetime.now(UTC).date().isoformat()}"
source = "{name}"

# For each grade that had enough pieces of its own.
[plausible_p_of]
{by_grade}"""


if __name__ == "__main__":
    sys.exit(main())
