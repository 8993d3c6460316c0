"""Truth that the edge network learns: strips of masks drawn with known edges."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.edges.cutting import (
    CELLS,
    UNKNOWN_CODE,
    encoded,
    held_out,
    straightened,
    straightened_run,
)
from tests.vision.drawn_wire import photo_of

SIDE_PX = 400


def errors_px(width_px: float, *, seeds: int) -> list[float]:
    """Width errors of bars at any angle; a pixel is the bar's where its centre is in it."""
    y, x = np.mgrid[0:SIDE_PX, 0:SIDE_PX].astype(float)
    photo = photo_of(np.full((SIDE_PX, SIDE_PX, 3), 128, np.uint8))
    errors = []
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        angle, (cx, cy) = rng.uniform(0, np.pi), rng.uniform(190, 210, 2)
        across = (y - cy) * np.cos(angle) - (x - cx) * np.sin(angle)
        along = (y - cy) * np.sin(angle) + (x - cx) * np.cos(angle)
        own = (np.abs(across) < width_px / 2) & (np.abs(along) < 150)
        strip = straightened(photo, own, corner_px=(0, 0))
        assert strip is not None and strip.codes.shape[1:] == (CELLS, 3)
        widths = (strip.edges_widths[:, 1] - strip.edges_widths[:, 0]) * strip.width_px
        errors.append(float(np.nanmedian(widths)) - width_px)
    return errors


# The drawn width is the outside source.
@pytest.mark.parametrize("width_px", [6.3, 10.2, 25.0])
def test_widths_of_masks_have_no_bias(width_px: float) -> None:
    errors = errors_px(width_px, seeds=24)
    assert abs(np.mean(errors)) < 0.05
    assert np.std(errors) < 0.12


def test_edges_on_the_photos_border_are_no_edges() -> None:
    own = np.zeros((SIDE_PX, SIDE_PX), bool)
    own[:20, 20:-20] = True  # cut lengthwise by the photo's end
    photo = photo_of(np.full((SIDE_PX, SIDE_PX, 3), 128, np.uint8))
    assert straightened(photo, own, corner_px=(0, 0)) is None


def test_off_the_photo_has_its_own_code() -> None:
    light = np.array([[[0.0] * 3, [1.0] * 3, [np.nan] * 3]], np.float32)
    assert encoded(light)[0, :, 0].tolist() == [1, 255, UNKNOWN_CODE]


def test_all_views_of_a_scene_are_held_out_together() -> None:
    assert held_out("t900010_0") and held_out("t900010_3")
    assert not held_out("t900011_0")


def test_a_run_with_known_sides_has_them_exactly_where_it_is_seen() -> None:
    # The drawn sides are the outside source; one third lies under something else.
    y, x = np.mgrid[0:SIDE_PX, 0:SIDE_PX].astype(float)
    own = (np.abs(y - 200.3) < 5.2) & (x > 30) & (x < 370) & ~((x > 150) & (x < 250))
    at = np.linspace(30, 370, 60)
    limbs = np.column_stack([at, np.full(60, 195.1), at, np.full(60, 205.5)])
    photo = photo_of(np.full((SIDE_PX, SIDE_PX, 3), 128, np.uint8))
    strip = straightened_run(photo, own, limbs, corner_px=(0, 0))
    assert strip is not None
    widths = (strip.edges_widths[:, 1] - strip.edges_widths[:, 0]) * strip.width_px
    assert widths[np.isfinite(widths)] == pytest.approx(10.4, abs=1e-3)
    assert 0.2 < np.isnan(widths).mean() < 0.45
