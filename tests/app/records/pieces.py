"""Pieces for the tests of the records."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.records import NewPhoto, NewPiece, PieceRecord, PlaceOnPhoto, Records
from rules.engine import Grading, grade
from rules.findings import Findings
from rules.sheet import load_sheet
from tests.rules.pieces import piece

HOUSE = load_sheet("house")
FINDINGS = piece(u_level=0.1, level=0.3, magnet="free")
GRADING = grade(FINDINGS, HOUSE, draws=500)
PLACE = PlaceOnPhoto(
    box_px=(3, 4, 30, 20),
    outline_px=((3.25, 4.5), (33.0, 4.0), (33.0, 24.0)),
    brass_boxes_px=((5, 6, 7, 8),),
    measured_lines_px=(((1.0, 2.0), (3.0, 4.0)),),
)


def picture(seed: int = 0, *, height: int = 40, width: int = 60) -> NDArray[np.uint8]:
    """A picture of soft noise, another for each seed."""
    rng = np.random.default_rng(seed)
    return rng.integers(0, 256, (height, width, 3), dtype=np.uint8)


def photo(seed: int = 0, **said: Any) -> NewPhoto:
    said = {"rgb": picture(seed), "name": f"{seed}.jpg", "place": PLACE, **said}
    return NewPhoto(findings=FINDINGS, reference="card", **said)


def new_piece(*seeds: int, **said: Any) -> NewPiece:
    """A piece with one photo for each seed."""
    said = {"findings": FINDINGS, "grading": GRADING, "sheet": HOUSE, **said}
    return NewPiece(photos=tuple(photo(seed) for seed in seeds), **said)


def save_piece(records: Records, piece: NewPiece) -> PieceRecord:
    """Save one piece alone."""
    (saved,) = records.save_pieces([piece])
    return saved


def graded(findings: Findings) -> Grading:
    return grade(findings, HOUSE, draws=500)


def stored_files(records: Records) -> set[str]:
    """Hashes of the photos whose files are there."""
    return {path.stem for path in records.photos.folder.rglob("*") if path.is_file()}
