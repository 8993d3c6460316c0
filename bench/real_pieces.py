"""Are several pieces on one real photo found and told apart, each as a whole?

    python -m bench.real_pieces --photos DIR [--out counts.json] [--report FILE.md]
        [--pictures DIR]

Photos whose pieces are outlined by hand, all that can be seen of each
(``bench/real_outlines.toml``; the reader is that of ``bench/real_truth.py``, and right grades
are its too). Each is graded as the command line does it, with nothing stated and no tap.
Found, extra, grade and panoptic quality by the number of pieces: ``bench/by_number.py``.
``--pictures`` draws outlines (green) and finds (red; grey where told as no copper).

No network learns from these photos. Ten of the 24 are validation photos, whose marks set
limits (``models/recipe/data/real_split.csv``); the others set nothing.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import app  # noqa: F401 - first, since it says how many threads numpy takes

# isort: split
import cv2
import numpy as np
from numpy.typing import NDArray

from app.grading import Result, grade_photo
from app.request import Request
from bench.by_number import NO_COPPER, Counts, Told, counted, table
from bench.real_truth import STRANGE, UNSURE, MarkedPhoto, Mask, read_marks, truth_of
from bench.truth import overlaps
from rules.sheet import load_sheet

OUTLINES = Path(__file__).with_name("real_outlines.toml")

Colour = tuple[int, int, int]
TRUE: Colour = (60, 170, 40)
FOUND: Colour = (40, 40, 220)
NONE: Colour = (150, 150, 150)
"""Colours of outlines, BGR: true pieces, found ones, found and told as no copper."""


def main(argv: Sequence[str] | None = None) -> int:
    """Grade the photos and report."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=Path, default=Path("fixtures/real"))
    parser.add_argument("--out", type=Path, help="the counts of each photo, as JSON")
    parser.add_argument("--report", type=Path)
    parser.add_argument("--pictures", type=Path)
    options = parser.parse_args(argv)
    counts = {}
    for photo in read_marks(options.photos, marks=OUTLINES):
        result = grade_photo(options.photos / photo.file, Request(sheet=load_sheet("house")))
        if result.examination is None:
            raise SystemExit(f"{photo.file}: {[p.text for p in result.problems]}")
        seen = result.examination.photo
        laid = things(photo, (seen.height_px, seen.width_px))
        counts[photo.file] = judged(result, laid)
        if options.pictures:
            draw(result, laid, options.pictures / f"{Path(photo.file).stem}.jpg")
    text = table(list(counts.values()))
    sys.stdout.write(text)
    if options.out:
        rows = {file: one.as_row() for file, one in counts.items()}
        options.out.write_text(json.dumps(rows, indent=1), encoding="utf-8")
    if options.report:
        options.report.write_text(text, encoding="utf-8")
    return 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Things:
    """What is outlined on a photo.

    Attributes:
        numbers: ``(h, w)`` number of the piece that is seen at each place, 0 for none.
        unsure: ``(h, w)`` ground that nobody is sure of.
        right: Grades that are right for each piece by its number.
    """

    numbers: NDArray[np.uint8]
    unsure: Mask
    right: Mapping[int, frozenset[str]]


def things(photo: MarkedPhoto, shape: tuple[int, int]) -> Things:
    """Return the pieces of a photo, of ``shape`` (rows, columns).

    A later mark lies on the earlier ones. Marks of one name are one thing, whatever lies
    across it; it is a piece unless all of it is other metal, no metal or unsure.
    """
    owner = np.full(shape, -1)
    for index, mark in enumerate(photo.marks):
        owner[mark.mask(shape)] = index
    seen = [owner == index for index in range(len(photo.marks))]
    pieces = dict.fromkeys(
        mark.name
        for mark, mask in zip(photo.marks, seen, strict=True)
        if mark.kind not in (UNSURE, *STRANGE) and mask.any()
    )
    number = {name: index for index, name in enumerate(pieces, start=1)}
    of_mark = [number.get(mark.name, 0) for mark in photo.marks]
    numbers = np.array([*of_mark, 0], np.uint8)[owner]  # -1, where no mark is, is the last
    is_unsure = np.array([*(mark.kind == UNSURE for mark in photo.marks), photo.rest == UNSURE])
    right = {n: truth_of(numbers == n, photo, seen).grades for n in number.values()}
    return Things(numbers=numbers, unsure=is_unsure[owner], right=right)


def judged(result: Result, laid: Things) -> Counts:
    """Return what came of one graded photo."""
    height, width = laid.numbers.shape
    found = [piece.reading for piece in result.pieces]
    return counted(
        overlaps(laid.numbers, found, width, height, unsure=laid.unsure),
        [Told.of(piece.grading) for piece in result.pieces],
        right=laid.right,
    )


def draw(result: Result, laid: Things, path: Path) -> None:
    """Write the photo with the true outlines and what was found."""
    assert result.examination is not None
    canvas = np.ascontiguousarray(result.examination.photo.rgb[..., ::-1])
    wide = max(1, round(max(canvas.shape) / 600))
    for number in laid.right:
        _outline(canvas, laid.numbers == number, TRUE, wide=wide)
    for piece in result.pieces:
        assert piece.reading is not None
        x, y, w, h = piece.reading.region.box_px
        strange = Told.of(piece.grading).row in NO_COPPER
        colour = NONE if strange else FOUND
        _outline(canvas[y : y + h, x : x + w], piece.reading.region.mask, colour, wide=wide)
    path.parent.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(path), canvas)


def _outline(canvas: NDArray[np.uint8], mask: Mask, colour: Colour, *, wide: int) -> None:
    lines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(canvas, lines, -1, colour, wide)


if __name__ == "__main__":
    raise SystemExit(main())
