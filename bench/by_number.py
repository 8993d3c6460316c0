"""How well pieces are found and graded, by how many lie on the photo.

Pure arithmetic on what a photo's pieces are and what was found: ``bench.accuracy`` (renders)
and ``bench.real_pieces`` (photos outlined by hand) ask for it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from math import inf
from typing import Any

import numpy as np

from bench.truth import Overlaps, match
from models.recipe.figures import bootstrap
from models.recipe.panoptic import MATCHED_IOU, Quality, quality
from rules.engine import Grading
from vision.types import FloatArray

NUMBERS = {"none": 0, "1": 1, "2-4": 4, "5-10": 10, "11-30": 30, "more": inf}
"""Up to how many true pieces are told together."""

NO_COPPER = frozenset({"no-metal", "no-copper"})
"""Rows of the house sheet that say of a piece that it is no copper."""

VOID_SHARE = 0.5
"""A found piece with more than this on ground that nobody is sure of is no extra one; the paper
on panoptic quality takes the threshold of matching (section 4.2)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the tool says of one found piece.

    Attributes:
        suggested: The grade, where one is suggested.
        borderline: Whether it is left open.
        row: The likeliest row of the sheet, the reason that a person reads first.
    """

    suggested: str | None
    borderline: bool
    row: str

    @classmethod
    def of(cls, grading: Grading) -> Told:
        """Return what a grading says."""
        return cls(
            suggested=grading.suggested,
            borderline=grading.borderline,
            row=grading.reasons[0].row,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """What came of one photo.

    Attributes:
        pieces: True pieces on it.
        found: Of them found, by an overlap of :data:`bench.truth.MATCH_IOU`.
        graded: Of the found those whose right grade is known.
        right: Of these with the right grade suggested.
        decided: Of these decided, that is suggested and not borderline.
        decided_right: Of the decided right.
        extra: Found pieces that meet no true one and are neither told as no copper nor on
            ground that nobody is sure of.
        strange: Found pieces that meet no true one and are told as no copper.
        quality: Panoptic quality, which asks for more overlap.
    """

    pieces: int
    found: int
    graded: int
    right: int
    decided: int
    decided_right: int
    extra: int
    strange: int
    quality: Quality

    def as_row(self) -> dict[str, Any]:
        """Return it as it stands in a file of rows."""
        return asdict(self)

    @classmethod
    def of_row(cls, row: dict[str, Any]) -> Counts:
        """Return what :meth:`as_row` gave."""
        return cls(**{**row, "quality": Quality(**row["quality"])})


def counted(
    over: Overlaps, told: Sequence[Told], *, right: Mapping[int, Collection[str | None]]
) -> Counts:
    """Return what came of one photo.

    Args:
        over: Found pieces over true ones.
        told: What is said of each found piece.
        right: By the number of a true piece the grades that are right; none where nobody knows.
    """
    strange = [one.row in NO_COPPER for one in told]
    skipped = ignored(over, strange=strange)
    matches = match(over)
    taken = {index for index, _ in matches.values()}
    graded = [
        (told[index], told[index].suggested in right[number])
        for number, (index, _) in matches.items()
        if right.get(number)
    ]
    decided = [is_right for one, is_right in graded if one.suggested and not one.borderline]
    return Counts(
        pieces=len(over.trues),
        found=len(matches),
        graded=len(graded),
        right=sum(is_right for _, is_right in graded),
        decided=len(decided),
        decided_right=sum(decided),
        extra=sum(not skip and i not in taken for i, skip in enumerate(skipped)),
        strange=sum(is_strange and i not in taken for i, is_strange in enumerate(strange)),
        quality=quality(over.iou, ignored=skipped),
    )


def ignored(overlaps: Overlaps, *, strange: Sequence[bool]) -> list[bool]:
    """Return which found pieces, if they match nothing, are no extra ones.

    Those on ground that nobody is sure of, and those that the tool itself tells as no copper
    and that lie mostly beside the true pieces: nobody is offered a grade of copper for them.

    Args:
        overlaps: Found pieces over true ones.
        strange: ``(found,)`` whether the tool tells each as no copper.
    """
    return [
        unsure > VOID_SHARE or (told and on_true <= MATCHED_IOU)
        for unsure, on_true, told in zip(
            overlaps.unsure.tolist(), overlaps.on_true.sum(axis=0).tolist(), strange, strict=True
        )
    ]


def table(photos: Sequence[Counts]) -> str:
    """Return the figures by the number of pieces, and those of all photos, as Markdown.

    The interval of the panoptic quality is a bootstrap over photos.
    """
    head = (
        "pieces on the photo", "photos", "pieces", "found", "extra a piece", "told as no copper",
        "grade right, of found", "decided", "wrong among decided", "PQ", "95 % interval", "SQ",
        "RQ",
    )  # fmt: skip
    lines = ["| " + " | ".join(head) + " |", "| --- " * len(head) + "|"]
    least = -1.0
    for name, most in NUMBERS.items():
        of = [p for p in photos if least < p.pieces <= most]
        lines += [_line(name, of)] if of else []
        least = most
    return "\n".join([*lines, _line("all", photos)]) + "\n"


def _line(name: str, of: Sequence[Counts]) -> str:
    def total(count: Callable[[Counts], int]) -> int:
        return sum(map(count, of))

    pieces, graded = total(lambda p: p.pieces), total(lambda p: p.graded)
    decided, extra = total(lambda p: p.decided), total(lambda p: p.extra)
    whole = sum((p.quality for p in of), Quality())
    cells = (
        name,
        str(len(of)),
        str(pieces),
        _share(total(lambda p: p.found), pieces),
        f"{extra / pieces:.2f} (n {extra})" if pieces else f"n {extra}",
        str(total(lambda p: p.strange)),
        _share(total(lambda p: p.right), graded),
        _share(decided, graded),
        _share(decided - total(lambda p: p.decided_right), decided),
        _percent(whole.pq) if pieces else "-",
        _interval(of) if pieces and len(of) > 1 else "-",
        _percent(whole.sq),
        _percent(whole.rq) if pieces else "-",
    )
    return "| " + " | ".join(cells) + " |"


def _interval(of: Sequence[Counts]) -> str:
    parts = [p.quality for p in of]
    counts = np.array([[q.iou_sum, q.asked] for q in parts])
    low, high = bootstrap(counts, _pq)
    return f"{100 * low:.0f} to {100 * high:.0f} %"


def _pq(counts: FloatArray) -> float:
    iou, asked = counts.sum(axis=0)
    return float(iou / asked) if asked else 0.0


def _share(part: int, of: int) -> str:
    return f"{100 * part / of:.0f} % (n {of})" if of else "-"


def _percent(value: float) -> str:
    return "-" if np.isnan(value) else f"{100 * value:.1f} %"
