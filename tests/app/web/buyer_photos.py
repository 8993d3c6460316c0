"""Records of wire with a known tarnish level."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from app.records import NewPhoto, NewPiece, PhotoRole, PieceRecord, Records
from rules.engine import grade
from rules.findings import Findings, Form
from rules.sheet import load_sheet
from tests.app.records.pieces import save_piece
from tests.vision.drawn_examination import findings, finish, mm

HOUSE = load_sheet("house")


PIXELS = np.full((40, 60, 3), 120, np.uint8)


def wire(tarnish: float) -> Findings:
    known = findings(Form.WIRE, diameter=mm(2.0, 0.03), strand=mm(2.0, 0.03))
    return replace(known, finish=finish(tarnish=tarnish))


def photo(tarnish: float, role: PhotoRole = PhotoRole.PLAIN, shade: int = 0) -> NewPhoto:
    return NewPhoto(
        rgb=PIXELS + np.uint8(shade), role=role, findings=wire(tarnish), reference="card"
    )


def saved(store: Records, *photos: NewPhoto) -> PieceRecord:
    known = photos[0].findings
    assert known is not None
    return save_piece(
        store, NewPiece(findings=known, grading=grade(known, HOUSE), sheet=HOUSE, photos=photos)
    )
