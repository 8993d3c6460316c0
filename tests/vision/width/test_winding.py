"""Wound wire against single limbs, drawn; what is wound is known by construction."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from rules.findings import Form
from tests.vision.drawn_wire import (
    Bent,
    Look,
    Straight,
    draw,
    photo_of,
    region_of,
    scale_from_above,
)
from vision.pieces.centreline import centre_line
from vision.types import Photo, Region
from vision.width.diameter import measure_diameter
from vision.width.winding import axis_line, closes_on_itself, is_wound, stripes

ACROSS = Straight(length=330, angle_deg=11, centre=(200, 130))


def coil_from_the_side(*, pitch_px: float = 7.0, slant: float = 0.03) -> tuple[Photo, Region]:
    """A rod 44 px wide of turns side by side, each shaded round."""
    y, x = np.mgrid[0:260, 0:400].astype(np.float32)
    turn = np.abs(np.sin(np.pi * (x + slant * y) / pitch_px))
    rod = (np.abs(y - 130) < 22) & (np.abs(x - 200) < 150)
    grey = np.where(rod, 40 + 120 * turn, 215) + np.random.default_rng(3).normal(0, 2, x.shape)
    rgb = np.clip(grey[..., None] * [1.0, 0.75, 0.6], 0, 255).astype(np.uint8)
    return photo_of(rgb), region_of(rod)


def of_mask(mask: np.ndarray) -> tuple[Photo, Region]:
    return photo_of(np.where(mask[..., None] > 0, 120, 220).astype(np.uint8).repeat(3, 2)), (
        region_of(mask > 0)
    )


def wound(photo: Photo, region: Region) -> bool:
    line = centre_line(region.mask, offset_px=(region.box_px[0], region.box_px[1]))
    assert line is not None
    return is_wound(photo, line, region=region)


def test_a_short_coil_of_many_turns_is_no_tube_and_a_plain_one_may_be() -> None:
    y, x = np.mgrid[0:260, 0:400].astype(np.float32)
    along, across = (x - 200) * 0.8 + (y - 130) * 0.6, (y - 130) * 0.8 - (x - 200) * 0.6
    rod = (np.abs(across) < 45) & (np.abs(along) < 90)  # twice as long as wide
    noise = np.random.default_rng(3).normal(0, 2, x.shape)
    for turns, expected in ((True, True), (False, False)):
        shade = np.abs(np.sin(np.pi * along / 8)) if turns else np.sqrt(1 - (across / 60) ** 2 % 1)
        grey = np.where(rod, 40 + 120 * shade, 215) + noise
        rgb = np.clip(grey[..., None] * [1.0, 0.75, 0.6], 0, 255).astype(np.uint8)
        assert wound(photo_of(rgb), region_of(rod)) is expected


def test_turns_side_by_side_are_no_wire() -> None:
    photo, region = coil_from_the_side()
    assert wound(photo, region)
    reading = measure_diameter(photo, region, scale_from_above(), form=Form.WIRE)
    assert reading.diameter is None
    assert reading.problems[0].code == "piece_wound"
    assert "straight" in reading.problems[0].fix


def test_a_ring_of_turns_is_no_wire() -> None:
    mask = np.zeros((260, 400), np.uint8)
    cv2.ellipse(mask, (200, 130), (140, 90), 0, 0, 360, 1, 18)
    assert wound(*of_mask(mask))


def test_a_tangle_is_no_wire() -> None:
    mask = np.zeros((260, 400), np.uint8)
    for centre, radius in (((170, 130), 80), ((210, 120), 90), ((230, 140), 75), ((190, 125), 60)):
        cv2.circle(mask, centre, radius, 1, 7)
    assert wound(*of_mask(mask))


def test_a_single_limb_is_not_wound() -> None:
    for axis in (ACROSS, Bent(length=330, radius=120, centre=(200, 100))):
        for shiny in (False, True):
            assert not wound(*draw(axis, 26.0, Look(shiny=shiny), seed=3))


def test_wires_that_cross_are_not_wound() -> None:
    mask = np.zeros((260, 400), np.uint8)
    cv2.line(mask, (40, 60), (360, 200), 1, 14)
    cv2.line(mask, (60, 210), (330, 50), 1, 14)
    line = centre_line(mask > 0)
    assert line is not None
    assert not closes_on_itself(line)


def test_slanted_grooves_of_a_cable_are_not_turns() -> None:
    photo, region = coil_from_the_side(pitch_px=12.0, slant=1.2)
    line = centre_line(region.mask, offset_px=(region.box_px[0], region.box_px[1]))
    assert line is not None
    assert stripes(photo, line) < 0.4


def test_noise_does_not_repeat() -> None:
    mask = np.zeros((260, 400), bool)
    mask[110:150, 40:360] = True
    rgb = np.random.default_rng(4).integers(0, 255, (260, 400, 3), dtype=np.uint8)
    line = centre_line(mask)
    assert line is not None
    assert stripes(photo_of(rgb), line) < 0.4


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 90.0, 140.0])
def test_the_axis_is_that_of_the_tightest_rectangle(turn_deg: float) -> None:
    mask = np.zeros((260, 400), np.uint8)
    box = cv2.boxPoints(((200, 130), (120, 60), turn_deg))
    cv2.fillPoly(mask, [np.round(box).astype(np.int32)], (1,))
    line = axis_line(region_of(mask > 0))
    assert 2 * line.radius_px == pytest.approx(60, abs=2)
    assert line.length_px == pytest.approx(120, abs=2)
    assert line.points_px.mean(axis=0) == pytest.approx([200, 130], abs=1)
    angle_deg = np.degrees(np.arctan2(*line.tangents[0][::-1])) % 180
    assert abs((angle_deg - turn_deg + 90) % 180 - 90) < 2
