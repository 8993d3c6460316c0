"""Quality gates against drawn photos of known blur, light, glare and size."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.photo.colour import from_linear
from vision.photo.quality import (
    BLUR_LIMIT_PX,
    CLIPPED_SHARE_LIMIT,
    clipped_share,
    edge_blur_px,
    judge_quality,
    piece_width_px,
)
from vision.types import Photo, Region, Scale

SIZE = (420, 540)


def photo_of_bar(
    *,
    width_px: float = 60,
    angle_deg: float = 15.0,
    blur_px: float = 1.0,
    shake_px: tuple[float, float] = (0, 0),
    ground: float = 0.6,
    light: tuple[float, float, float] = (1, 1, 1),
    noise: float = 0.004,
    seed: int = 5,
) -> Photo:
    """A copper-coloured bar across the photo, anti-aliased and blurred in linear light."""
    height, width = SIZE
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    turn = np.radians(angle_deg)
    away = np.abs((y - height / 2) * np.cos(turn) - (x - width / 2) * np.sin(turn))
    cover = np.clip(width_px / 2 - away + 0.5, 0, 1)[..., None]
    linear = ground * (1 - cover) + np.array([0.35, 0.17, 0.10]) * cover
    linear = linear * np.array(light)
    if blur_px:
        linear = cv2.GaussianBlur(linear, (0, 0), blur_px)
    if any(shake_px):
        linear = cv2.GaussianBlur(
            linear, (0, 0), sigmaX=max(shake_px[0], 1e-3), sigmaY=max(shake_px[1], 1e-3)
        )
    linear = linear + np.random.default_rng(seed).normal(0, noise, linear.shape)
    return Photo(name="bar", sha256="0" * 64, rgb=from_linear(linear))


def region_of_bar(photo: Photo, width_px: float, angle_deg: float = 15.0) -> Region:
    height, width = photo.rgb.shape[:2]
    y, x = np.mgrid[0:height, 0:width]
    turn = np.radians(angle_deg)
    away = np.abs((y - height / 2) * np.cos(turn) - (x - width / 2) * np.sin(turn))
    return Region(
        box_px=(0, 0, width, height),
        mask=away <= width_px / 2,
        outline_px=np.array([[0.0, 0.0], [width - 1.0, 0.0], [0.0, height - 1.0]]),
        score=1.0,
    )


def scale(*, mm_per_px: float = 0.05, white: tuple[float, float, float] | None = None) -> Scale:
    return Scale(
        reference="card",
        mm_from_px=np.diag([mm_per_px, mm_per_px, 1.0]),
        mm_per_px=mm_per_px,
        u_rel=0.003,
        budget={},
        tilt_deg=2.0,
        residual_px=0.1,
        camera_mm=(0.0, 0.0, 300.0),
        outlines_px=(),
        white=None if white is None else np.array(white),
    )


def codes(photo: Photo, region: Region | None = None, found: Scale | None = None) -> set[str]:
    problems = judge_quality(photo, region=region, scale=found)
    assert all(p.text.endswith(".") and p.fix.endswith(".") for p in problems)
    return {p.code for p in problems}


@pytest.mark.parametrize("blur_px", [0.8, 1.5, 2.5, 4.0, 8.0])
@pytest.mark.parametrize("angle_deg", [0.0, 15.0, 60.0])
@pytest.mark.parametrize("noise", [0.001, 0.01])
def test_the_blur_of_a_drawn_edge_is_told(blur_px: float, angle_deg: float, noise: float) -> None:
    photo = photo_of_bar(blur_px=blur_px, angle_deg=angle_deg, noise=noise)
    told = edge_blur_px(photo, region_of_bar(photo, 60, angle_deg))
    assert told is not None
    assert told == pytest.approx(blur_px, rel=0.25, abs=0.3)


def test_more_blur_never_reads_sharper() -> None:
    told = [edge_blur_px(photo_of_bar(blur_px=b), None) for b in (0.6, 1, 1.5, 2, 3, 4, 5)]
    known = [blur for blur in told if blur is not None]
    assert len(known) == len(told)
    assert known == sorted(known)


@pytest.mark.parametrize("ground", [0.6, 0.02])
def test_a_sharp_photo_passes_and_a_smeared_one_is_told(ground: float) -> None:
    sharp = photo_of_bar(blur_px=1.2, ground=ground)
    assert codes(sharp, region_of_bar(sharp, 60)) == set()
    smeared = photo_of_bar(blur_px=1.5 * BLUR_LIMIT_PX, ground=ground)
    assert codes(smeared, region_of_bar(smeared, 60)) == {"blurred"}


@pytest.mark.parametrize("shake_px", [(8.0, 0.9), (0.9, 8.0)])
def test_a_shake_across_the_piece_is_told_and_one_along_it_costs_nothing(
    shake_px: tuple[float, float],
) -> None:
    photo = photo_of_bar(angle_deg=0, blur_px=0, shake_px=shake_px)
    found = codes(photo, region_of_bar(photo, 60, 0))
    assert found == ({"blurred"} if shake_px[1] > shake_px[0] else set())


def test_blur_as_wide_as_a_thin_strand_is_told_although_a_tube_would_pass() -> None:
    thin, thick = photo_of_bar(width_px=10, blur_px=3.5), photo_of_bar(width_px=90, blur_px=3.5)
    assert "blurred" in codes(thin, region_of_bar(thin, 10))
    assert "blurred" not in codes(thick, region_of_bar(thick, 90))


def test_a_photo_without_an_edge_tells_no_sharpness() -> None:
    flat = Photo(name="x", sha256="0" * 64, rgb=np.full((*SIZE, 3), 128, np.uint8))
    assert edge_blur_px(flat, None) is None
    assert codes(flat) == set()


def test_a_dark_photo_is_told_with_and_without_a_white() -> None:
    dark = photo_of_bar(light=(0.05, 0.05, 0.05), noise=0.0005)
    assert codes(dark) == {"too_dark"}
    assert codes(dark, found=scale(white=(0.05, 0.05, 0.05))) == {"too_dark"}


def test_an_overexposed_white_is_told() -> None:
    assert codes(photo_of_bar(), found=scale(white=(1.0, 1.0, 0.99))) == {"too_bright"}


@pytest.mark.parametrize(
    ("light", "found"), [((0.8, 0.0, 0.0), set()), ((0.0, 0.0, 0.8), {"too_dark"})]
)
def test_exposure_is_the_luminance_of_the_white(
    light: tuple[float, float, float], found: set[str]
) -> None:
    """IEC 61966-2-1: Y = 0.2126 R + 0.7152 G + 0.0722 B, so 0.170 of red and 0.058 of blue."""
    assert codes(photo_of_bar(), found=scale(white=light)) - {"colour_cast"} == found


def test_lamp_light_that_a_phone_leaves_passes_and_a_sodium_lamp_is_told() -> None:
    assert codes(photo_of_bar(), found=scale(white=(0.8, 0.65, 0.5))) == set()
    assert codes(photo_of_bar(), found=scale(white=(0.9, 0.5, 0.1))) == {"colour_cast"}


@pytest.mark.parametrize("share", [0.1, 0.2, 0.4, 0.7])
def test_glare_is_the_share_of_the_piece_that_lost_its_colour(share: float) -> None:
    photo = photo_of_bar(angle_deg=0, width_px=200)
    rgb = photo.rgb.copy()
    rgb[:, : round(share * SIZE[1])] = 255
    lit = Photo(name="x", sha256="0" * 64, rgb=rgb)
    region = region_of_bar(lit, 200, 0)
    assert clipped_share(lit.rgb, region) == pytest.approx(share, abs=0.01)
    assert ("glare" in codes(lit, region)) == (share > CLIPPED_SHARE_LIMIT)


def test_a_bright_table_is_no_glare_on_the_piece() -> None:
    photo = photo_of_bar(ground=1.0, width_px=80)
    assert clipped_share(photo.rgb, region_of_bar(photo, 78)) < 0.02


@pytest.mark.parametrize("width_px", [5.0, 9.0, 31.0, 80.0])
def test_width_of_a_piece_in_pixels(width_px: float) -> None:
    photo = photo_of_bar(width_px=width_px, angle_deg=0)
    assert piece_width_px(region_of_bar(photo, width_px, 0)) == pytest.approx(
        width_px, abs=1, rel=0.05
    )


def test_a_piece_too_few_pixels_wide_is_told() -> None:
    photo = photo_of_bar(width_px=6, blur_px=0.7)
    assert "too_far" in codes(photo, region_of_bar(photo, 6), scale(mm_per_px=0.2))


def test_a_wide_tube_may_be_far_away() -> None:
    photo = photo_of_bar(width_px=90)
    assert codes(photo, region_of_bar(photo, 90), scale(mm_per_px=0.3)) == set()


def test_without_a_piece_the_scale_alone_tells_that_16_gauge_is_too_small() -> None:
    """ASTM B258: 16 AWG is 1.291 mm; 8 px of it need 6.2 px per mm."""
    assert codes(photo_of_bar(), found=scale(mm_per_px=1 / 6.0)) == {"too_far"}
    assert codes(photo_of_bar(), found=scale(mm_per_px=1 / 6.4)) == set()


def test_an_empty_mask_is_a_problem_and_no_crash() -> None:
    photo = photo_of_bar()
    empty = Region(
        box_px=(10, 10, 40, 40),
        mask=np.zeros((40, 40), bool),
        outline_px=np.zeros((3, 2)),
        score=0.1,
    )
    assert "too_far" in codes(photo, empty)
