"""A part of a photo keeps everything in its place."""

from __future__ import annotations

import numpy as np

from rules.findings import What
from tests.vision.drawn_examination import findings, mm
from vision.picture.closeup import closeup
from vision.types import Examination, Photo, PieceReading, Region, Scale


def reading(x: int, y: int) -> PieceReading:
    outline = np.array([[x, y], [x + 60, y], [x + 60, y + 20], [x, y + 20]], float)
    return PieceReading(
        region=Region(
            box_px=(x, y, 60, 20), mask=np.ones((20, 60), bool), outline_px=outline, score=1.0
        ),
        findings=findings(diameter=mm(2.0, 0.1)),
        boxes_px={What.BRASS: ((x + 5, y + 5, 10, 10),)},
        measured_lines_px=np.array([[[x + 30, y], [x + 30, y + 20]]], float),
    )


def examination() -> Examination:
    rng = np.random.default_rng(2)
    card = np.array([[10.0, 10], [100, 10], [100, 70], [10, 70]])
    return Examination(
        photo=Photo(
            name="drawn",
            sha256="0" * 64,
            rgb=rng.integers(0, 255, (1200, 1600, 3), dtype=np.uint8),
        ),
        scale=Scale(
            reference="card",
            mm_from_px=np.eye(3),
            mm_per_px=1.0,
            u_rel=0.01,
            budget={},
            tilt_deg=0.0,
            residual_px=0.0,
            camera_mm=(0.0, 0.0, 300.0),
            outlines_px=(card,),
        ),
        pieces=(reading(800, 600), reading(1400, 100)),
    )


def test_what_was_found_stays_on_the_same_pixels() -> None:
    whole = examination()
    part = closeup(whole, whole.pieces[0].region.box_px)
    assert len(part.pieces) == 1, "the far piece is out of view"
    moved, old = part.pieces[0], whole.pieces[0]
    away = old.region.outline_px[0] - moved.region.outline_px[0]
    assert np.allclose(old.region.outline_px - away, moved.region.outline_px)
    assert np.allclose(old.measured_lines_px - away, moved.measured_lines_px)
    assert moved.region.box_px[:2] == (800 - away[0], 600 - away[1])
    assert moved.boxes_px[What.BRASS][0][:2] == (805 - away[0], 605 - away[1])
    x, y = moved.region.outline_px[0].astype(int)
    assert (part.photo.rgb[y, x] == whole.photo.rgb[600, 800]).all()


def test_a_reference_out_of_view_is_left_out_but_the_scale_stays() -> None:
    whole = examination()
    part = closeup(whole, whole.pieces[0].region.box_px)
    assert part.scale is not None
    assert part.scale.outlines_px == ()
    assert part.scale.mm_per_px == 1.0
    near = closeup(whole, (20, 20, 60, 40))
    assert near.scale is not None
    assert len(near.scale.outlines_px) == 1


def test_at_the_rim_the_part_ends_with_the_photo() -> None:
    part = closeup(examination(), (0, 0, 50, 50))
    assert part.photo.rgb.shape[0] <= 1200
    assert part.photo.rgb.shape[:2] >= (50, 50)
    whole = closeup(examination(), (0, 0, 1600, 1200))
    assert whole.photo.rgb.shape == (1200, 1600, 3)
