"""Edges along a card's sides: faint ones, shadows beside them, and the card's shape."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.vision.drawn_places import corners_of
from tests.vision.flat_scenes import camera_over, encode
from vision.reference.card.sides import Line, _meet, lines_near, out_of_shape, shapes
from vision.reference.plane import Lens
from vision.types import Image

# A level quad of 10 px a mm, its first side along y = 200.
QUAD = np.array([[100.0, 200.0], [956.0, 200.0], [956.0, 739.8], [100.0, 739.8]])


def stripes(*levels: tuple[float, float], noise: float = 2.0, seed: int = 0) -> Image:
    """A photo whose rows take a new linear light at each ``(y, light)``, blurred by noise only."""
    rng = np.random.default_rng(seed)
    light = np.full((900, 1060, 3), levels[0][1])
    for y, level in levels[1:]:
        share = np.clip(np.arange(900) + 0.5 - y, 0, 1)[:, None, None]
        light = light * (1 - share) + level * share
    code = encode(light) * 255 + rng.normal(0, noise, light.shape)
    return np.clip(np.rint(code), 0, 255).astype(np.uint8)


def y_of(line: Line) -> float:
    return float(line.start[1] + line.end[1]) / 2


def test_a_step_smaller_than_the_noise_is_found() -> None:
    """0.80 to 0.79 of linear light is 1.4 codes; noise is 2 codes a pixel."""
    lines = lines_near(stripes((0, 0.80), (203, 0.79)), QUAD, 0, reach_mm=3.2)
    assert lines
    assert y_of(lines[0]) == pytest.approx(202.5, abs=1.5)
    assert (lines[0].toward < 0).all(), "it grows darker inward"


def test_bare_paper_shows_no_edge() -> None:
    found = [lines_near(stripes((0, 0.8), seed=seed), QUAD, 0, reach_mm=3.2) for seed in range(12)]
    assert sum(bool(lines) for lines in found) <= 1


def test_the_outer_border_of_a_shadow_is_no_side() -> None:
    """A shadow of 0.8 mm beside a white card on white paper."""
    lines = lines_near(stripes((0, 0.8), (195, 0.5), (203, 0.8)), QUAD, 0, reach_mm=3.2)
    assert y_of(lines[0]) == pytest.approx(202.5, abs=1.0)
    assert all(abs(y_of(line) - 194.5) > 3 for line in lines)


@pytest.mark.parametrize("tilt_deg", [0.0, 10.0, 25.0])
def test_a_cards_picture_is_in_shape_from_any_angle(tilt_deg: float) -> None:
    camera = camera_over(np.random.default_rng(2), tilt_deg=tilt_deg)
    lens = Lens(
        focal_px=camera.focal_px,
        u_log_focal=0.03,
        centre_px=((camera.width_px - 1) / 2, (camera.height_px - 1) / 2),
        u_centre_px=10.0,
    )
    card, long = corners_of(camera), corners_of(camera, (85.6 * 1.01, 53.98))
    assert out_of_shape(card[None], lens)[0] == pytest.approx(0, abs=1e-9)
    assert out_of_shape(long[None], lens)[0] == pytest.approx(np.log(1.01), abs=1e-9)


def test_of_clear_lines_those_that_make_a_card_count() -> None:
    """A clearer line a millimetre off a side, as printed on a card, makes another shape."""

    def line(n: int, off_px: float, clearness: float) -> Line:
        run = QUAD[(n + 1) % 4] - QUAD[n]
        inward = np.array([-run[1], run[0]]) / np.hypot(*run) * off_px
        start, end = QUAD[n] + 0.06 * run + inward, QUAD[(n + 1) % 4] - 0.06 * run + inward
        toward = np.full(3, 3**-0.5)
        return Line(start=start, end=end, toward=toward, clearness=clearness)

    lens = Lens(focal_px=1000.0, u_log_focal=0.1, centre_px=(530.0, 450.0), u_centre_px=30.0)
    choices = [
        [line(0, 10.0, 30.0), line(0, 0.0, 15.0)],
        *([line(n, 0.0, 20.0)] for n in (1, 2, 3)),
    ]
    corners, lines = shapes(choices, lens)[0]
    assert corners == pytest.approx(QUAD, abs=1e-6)
    assert lines[0].clearness == 15.0
    assert shapes([[], *choices[1:]], lens) == []


@settings(max_examples=40)
@given(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5), st.floats(0, 2 * np.pi), st.floats(300, 3000))
def test_a_projected_card_is_in_shape_and_a_square_is_not(
    slope_x: float, slope_y: float, turn: float, focal_px: float
) -> None:
    # A rectangle in space seen by a pinhole (Hartley and Zisserman 2004, chapter 6).
    lens = Lens(focal_px=focal_px, u_log_focal=0.02, centre_px=(500.0, 400.0), u_centre_px=10.0)

    normal = np.array([-slope_x, -slope_y, 1.0]) / np.linalg.norm([slope_x, slope_y, 1.0])
    across = np.cross([0.0, 1.0, 0.0], normal)
    across /= np.linalg.norm(across)
    down = np.cross(normal, across)
    c, s = np.cos(turn), np.sin(turn)
    long, short = c * across + s * down, -s * across + c * down

    def seen(width: float, height: float) -> np.ndarray:
        corners = np.array(
            [
                [0, 0, 300.0] + i * width / 2 * long + j * height / 2 * short
                for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))
            ]
        )
        return corners[:, :2] / corners[:, 2:] * focal_px + (500.0, 400.0)

    assert out_of_shape(seen(85.60, 53.98)[None], lens)[0] == pytest.approx(0.0, abs=1e-6)
    # A square is off by the log of a card's ratio.
    off = out_of_shape(seen(60.0, 60.0)[None], lens)[0]
    assert off == pytest.approx(np.log(85.60 / 53.98), abs=1e-6)


def test_lines_meet_where_algebra_says() -> None:
    # y = 2 x and y = 12 - x meet in (4, 8).
    met = _meet(*(np.array(p, float) for p in ([0, 0], [1, 2], [0, 12], [12, 0])))
    assert met == pytest.approx([4, 8])


def test_an_edge_is_told_from_a_soft_change_over_the_whole_side() -> None:
    # From 0.8 to 0.5 of the light within a pixel, and the same over 12 mm.
    sharp = lines_near(stripes((0, 0.8), (203, 0.5)), QUAD, 0, reach_mm=3.2)
    ramp = encode(np.interp(np.arange(900), [140, 260], [0.8, 0.5])) * 255
    soft = np.tile(np.rint(ramp).astype(np.uint8)[:, None, None], (1, 1060, 3))
    assert sharp
    assert sharp[0].clearness > 10 * max(
        (line.clearness for line in lines_near(soft, QUAD, 0, reach_mm=3.2)), default=0.0
    )
