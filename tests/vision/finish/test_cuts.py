"""Where to cut: beyond the fitting, across the piece, and only where a rest is left."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from rules.findings import Form, What
from tests.vision.drawn_examination import findings, mm
from vision.finish.cuts import BEYOND_RADII, cut_lines
from vision.types import PieceReading, Region

RADIUS = 15


def bar(
    *boxes: tuple[int, int, int, int],
    length: int = 600,
    brass: float = 0.9,
    solder: float = 0.0,
    kind: str = "brass",
) -> PieceReading:
    """A bar 30 px thick that lies from (100, 50) to the right."""
    mask = np.ones((2 * RADIUS, length), bool)
    corners = np.array(
        [[100, 50], [100 + length, 50], [100 + length, 50 + 2 * RADIUS], [100, 50 + 2 * RADIUS]]
    )
    return PieceReading(
        region=Region(
            box_px=(100, 50, length, 2 * RADIUS),
            mask=mask,
            outline_px=corners.astype(float),
            score=1.0,
        ),
        findings=findings(Form.TUBE, diameter=mm(15, 0.1), brass=brass, solder=solder),
        boxes_px={What(kind): boxes},
    )


def test_a_fitting_at_the_end_takes_one_cut_just_beyond_it() -> None:
    lines = cut_lines(bar((90, 40, 120, 50)))
    assert lines.shape == (1, 2, 2)
    assert lines[0, :, 0] == pytest.approx(
        210 + BEYOND_RADII * RADIUS, abs=7
    )  # steps are a quarter of the half-width
    y = sorted(lines[0, :, 1])
    assert y[0] < 50
    assert y[1] > 50 + 2 * RADIUS


def test_a_joint_in_the_middle_takes_two() -> None:
    lines = cut_lines(bar((380, 40, 60, 50), kind="solder", brass=0.0, solder=0.8))
    assert sorted(lines[:, 0, 0]) == pytest.approx(
        [380 - BEYOND_RADII * RADIUS, 440 + BEYOND_RADII * RADIUS], abs=7
    )


def test_two_joints_near_each_other_leave_nothing_between_them() -> None:
    lines = cut_lines(bar((300, 40, 40, 50), (380, 40, 40, 50)))
    assert len(lines) == 2
    assert min(lines[:, 0, 0]) < 300
    assert max(lines[:, 0, 0]) > 420


def test_a_rest_too_short_to_be_worth_it_is_not_cut() -> None:
    assert len(cut_lines(bar((100, 40, 560, 50)))) == 0


@pytest.mark.parametrize("piece", [bar(), bar((90, 40, 120, 50), brass=0.3)])
def test_nothing_is_cut_without_a_likely_fitting(piece: PieceReading) -> None:
    assert len(cut_lines(piece)) == 0


def test_a_slanting_piece_is_cut_square() -> None:
    canvas = np.zeros((500, 500), np.uint8)
    cv2.line(canvas, (60, 60), (440, 440), (1,), 30)
    x, y, w, h = cv2.boundingRect(canvas)
    piece = PieceReading(
        region=Region(
            box_px=(x, y, w, h),
            mask=canvas[y : y + h, x : x + w] > 0,
            outline_px=np.array([[60.0, 60], [440, 440], [60, 80]]),
            score=1.0,
        ),
        findings=findings(Form.TUBE, brass=0.9),
        boxes_px={What.BRASS: ((40, 40, 100, 100),)},
    )
    (line,) = cut_lines(piece)
    way = line[1] - line[0]
    assert abs(float(way @ np.array([1.0, 1.0]))) < 0.1 * float(np.hypot(*way))
