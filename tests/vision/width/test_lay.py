"""Groove rhythm of twisted cable, against drawn concentric lays of exact geometry.

The geometry is the definition of a concentric lay (6 more wires in each layer, as in
ASTM B8 and IEC 60228 class 2); the drawn light is ours.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.width.lay import mean_silhouette, share_likelihood, strand_from_bundle


def drawn_lay(
    layers: int,
    *,
    diameter_px: float,
    lay_ratio: float,
    seed: int,
    hand: int = 1,
    length_diameters: float = 24,
) -> np.ndarray:
    """Draw a straightened strip of a concentric lay; 0 layers is one solid wire."""
    rng = np.random.default_rng(seed)
    columns = int(diameter_px * 1.2) | 1
    across = np.arange(columns) - (columns - 1) / 2
    along = np.arange(int(length_diameters * diameter_px))[:, None]
    shape = (len(along), columns)
    count = 6 * layers if layers else 1
    wire = diameter_px / (2 * layers + 1) / 2
    axis = 2 * layers * wire
    top, slope = np.full(shape, -np.inf), np.zeros(shape)
    for number in range(count):
        turn = 2 * np.pi * (hand * along / (lay_ratio * diameter_px) + number / count)
        offset = (across - axis * np.sin(turn)) / wire
        rise = np.sqrt(np.clip(1 - offset**2, 0, 1))
        height = np.where(np.abs(offset) < 1, axis * np.cos(turn) + wire * rise, -np.inf)
        slope = np.where(height > top, offset, slope)
        top = np.maximum(top, height)
    lamp = rng.uniform(-0.6, 0.6)
    facing = np.clip(
        slope * lamp + np.sqrt(np.clip(1 - slope**2, 0, 1)) * np.sqrt(1 - lamp**2), 0, 1
    )
    light = np.where(np.isfinite(top), 0.08 + 0.5 * facing + 0.4 * facing**20, 0.3)
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 1.0)
    return light + rng.normal(0, 0.01, shape).astype(np.float32)


@pytest.mark.parametrize("layers", [1, 2, 3])
def test_the_mean_outline_is_that_of_the_drawn_lay(layers: int) -> None:
    """Brute force over a turn of the helix: the outermost wire sets the outline."""
    turn = np.linspace(0, 2 * np.pi, 7200, endpoint=False)
    wires = turn[:, None] + 2 * np.pi * np.arange(6 * layers) / (6 * layers)
    half_width = (2 * layers * np.sin(wires) + 1).max(axis=1).mean()
    assert mean_silhouette(layers) == pytest.approx(half_width / (2 * layers + 1), rel=1e-6)
    assert strand_from_bundle(layers) == pytest.approx(1 / half_width, rel=1e-6)


LOG_SHARES = np.linspace(np.log(0.03), np.log(0.5), 100)


def likelihood(strip: np.ndarray, width_px: float, u_log: float = 0.03) -> np.ndarray:
    return share_likelihood(strip, width_px=width_px, log_shares=LOG_SHARES, u_log=u_log)


@pytest.mark.parametrize("layers", [1, 2, 3])
@pytest.mark.parametrize(
    ("diameter_px", "lay_ratio", "hand"), [(45, 9.0, 1), (45, 14.5, -1), (110, 12.0, 1)]
)
def test_grooves_favour_the_share_of_their_own_lay(
    layers: int, diameter_px: float, lay_ratio: float, hand: int
) -> None:
    strip = drawn_lay(layers, diameter_px=diameter_px, lay_ratio=lay_ratio, seed=layers, hand=hand)
    found = likelihood(strip, diameter_px * mean_silhouette(layers))
    best = float(np.exp(LOG_SHARES[int(np.argmax(found))]))
    assert best == pytest.approx(strand_from_bundle(layers), rel=0.03)
    assert found.max() > 8
    assert found.mean() == pytest.approx(1, abs=0.05)
    assert found.min() > 0.3, "a bunch of any fineness may beat in this rhythm too"


def test_a_doubtful_width_smears_the_share() -> None:
    strip = drawn_lay(2, diameter_px=45, lay_ratio=12, seed=2)
    heights = [likelihood(strip, 45.0, u_log).max() for u_log in (0.03, 0.06, 0.12)]
    assert heights == sorted(heights, reverse=True)
    assert heights[0] > 2.5 * heights[2]


@pytest.mark.parametrize("seed", range(6))
def test_a_solid_wire_favours_no_share(seed: int) -> None:
    solid = likelihood(drawn_lay(0, diameter_px=45, lay_ratio=12, seed=seed), 45.0)
    assert solid.max() < 6


def test_too_short_a_strip_favours_no_share() -> None:
    short = likelihood(drawn_lay(2, diameter_px=45, lay_ratio=12, seed=3)[:60], 45.0)
    assert np.all(short == 1)
