"""Edges of wide pieces from close by: where it looks, what it reads, when it keeps off."""

from __future__ import annotations

import numpy as np
import pytest

from vision.types import Float32Array, FloatArray
from vision.width.edge_net import SAMPLES
from vision.width.near import HALF, near_edges, near_offsets
from vision.width.profiles import Strip

ROWS = 4


def drawn(offsets_px: FloatArray, *, left_px: float, right_px: float) -> Strip:
    """Profiles of a bright piece on a dark table, its edges blurred by half a pixel or so."""
    inside = 1 / (1 + np.exp(-(offsets_px - left_px) / 0.4))
    inside *= 1 / (1 + np.exp((offsets_px - right_px) / 0.4))
    light = (0.05 + 0.6 * inside)[None, :, None]
    return Strip(
        profiles=np.broadcast_to(light, (ROWS, SAMPLES, 3)).astype(np.float32),
        offsets_px=offsets_px,
        points_px=np.zeros((ROWS, 2)),
        normals=np.tile([0.0, 1.0], (ROWS, 1)),
        step_px=float(offsets_px[1] - offsets_px[0]),
    )


def steepest(profiles: Float32Array, shares: Float32Array) -> Float32Array:
    """Stands in for the network: edges are likely about where light changes most."""
    del shares
    rise = np.diff(profiles[..., 3], axis=1)
    rise[:, HALF - 1] = 0  # the halves do not belong together
    at = np.arange(SAMPLES)[:, None]
    near = np.exp(-0.5 * ((at - np.arange(SAMPLES - 1) - 0.5) / 0.7) ** 2)
    sides = [np.maximum(sign * rise, 0) @ near.T for sign in (1, -1)]
    return (4 * np.log(np.maximum(np.stack(sides, axis=2), 1e-9))).astype(np.float32)


# The drawn edges are the outside source.
@pytest.mark.parametrize("width_px", [45.0, 120.0, 240.0, 400.0])
def test_drawn_edges_are_found_to_a_tenth_of_a_pixel(width_px: float) -> None:
    left, right = -width_px / 2 + 0.31, width_px / 2 - 0.87
    strip = drawn(near_offsets(1.02 * width_px), left_px=left, right_px=right)
    before = np.tile([left - 0.8, right + 0.6], (ROWS, 1))
    near = near_edges(strip, before, width_px=1.02 * width_px, network=steepest)
    assert near.told.all()
    assert near.found_px[:, 0] == pytest.approx(left, abs=0.1)
    assert near.found_px[:, 1] == pytest.approx(right, abs=0.1)


def test_samples_lie_half_a_pixel_apart_where_that_is_enough() -> None:
    for width_px in (100.0, 180.0, 250.0):
        offsets = near_offsets(width_px)
        assert np.diff(offsets[:HALF]) == pytest.approx(50 / (HALF - 1))
        assert offsets[:HALF].mean() == pytest.approx(-width_px / 2)
        assert offsets[HALF:].mean() == pytest.approx(width_px / 2)


def test_what_lies_outside_of_the_windows_stays_as_it_was_found() -> None:
    strip = drawn(near_offsets(100.0), left_px=-50.0, right_px=50.0)
    before = np.array([[-50.0, 50.0], [-90.0, 50.0], [-50.0, 80.0], [-49.0, 51.0]])
    near = near_edges(strip, before, width_px=100.0, network=steepest)
    assert near.told.tolist() == [True, False, False, True]
    assert near.found_px[1:3] == pytest.approx(before[1:3])


def test_of_two_alike_edges_the_one_found_before_is_taken() -> None:
    offsets = near_offsets(100.0)
    piece = drawn(offsets, left_px=-50.0, right_px=50.0)
    shadow = drawn(offsets, left_px=-42.0, right_px=50.0)
    both = np.concatenate([piece.profiles[:2] + shadow.profiles[:2], piece.profiles[:2]])
    strip = drawn(offsets, left_px=-50.0, right_px=50.0)
    strip = Strip(
        profiles=both,
        offsets_px=offsets,
        points_px=strip.points_px,
        normals=strip.normals,
        step_px=strip.step_px,
    )
    for edge in (-50.0, -42.0):
        before = np.tile([edge, 50.0], (ROWS, 1))
        near = near_edges(strip, before, width_px=100.0, network=steepest)
        assert near.found_px[:2, 0] == pytest.approx(edge, abs=0.2)
