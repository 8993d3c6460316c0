"""The edge network: what goes into it, how its profiles know of each other, what it says."""

from __future__ import annotations

import numpy as np
import pytest

from vision.types import Float32Array
from vision.width.edge_net import (
    SAMPLES,
    edge_scores,
    inputs,
    log_probabilities,
    neighbours,
    width_log_probabilities,
    window_offsets,
)
from vision.width.profiles import Strip

WIDTH_PX = 20.0


def strip_of(profiles: Float32Array) -> Strip:
    n = len(profiles)
    return Strip(
        profiles=profiles,
        offsets_px=window_offsets(WIDTH_PX),
        points_px=np.zeros((n, 2)),
        normals=np.tile([0.0, 1.0], (n, 1)),
        step_px=3 * WIDTH_PX / (SAMPLES - 1),
    )


def some_profiles(rows: int) -> Float32Array:
    profiles = np.random.default_rng(4).uniform(0.01, 0.9, (rows, SAMPLES, 3)).astype(np.float32)
    profiles[0, :30] = np.nan
    return profiles


# The mean over parts of nearly equal size, written out (common practice, no source).
@pytest.mark.parametrize(("count", "together", "parts"), [(32, 8, 4), (29, 8, 4), (5, None, 1)])
def test_neighbours_take_the_mean_of_their_own_part(
    count: int, together: int | None, parts: int
) -> None:
    shares = neighbours(count, together)
    values = np.arange(count, dtype=np.float32)
    expected = [np.full(len(part), part.mean()) for part in np.split(values, cuts(count, parts))]
    assert shares @ values == pytest.approx(np.concatenate(expected), abs=1e-5)


def cuts(count: int, parts: int) -> list[int]:
    return [int(k * count / parts) for k in range(1, parts)]


def test_what_is_not_known_goes_in_as_nothing() -> None:
    profiles = some_profiles(3)
    seen = inputs(profiles, WIDTH_PX)
    assert seen.shape == (3, SAMPLES, 8)
    assert not seen[0, :30, :7].any()
    assert seen[0, 30:, 6].all()
    # Logarithms about the mean of what is known: the sum is zero by definition.
    assert seen[..., :3].sum(axis=(1, 2)) == pytest.approx(0.0, abs=1e-2)


def test_a_darker_photo_goes_in_alike() -> None:
    light = some_profiles(2)[1:] + 0.2
    bright, dark = (inputs(gain * light, WIDTH_PX)[..., :6] for gain in (1.0, 0.4))
    assert np.abs(bright - dark).max() < 0.05  # but for the floor of the logarithm


def test_the_network_is_asked_with_the_profiles_and_their_neighbours() -> None:
    asked = []

    def network(profiles: Float32Array, shares: Float32Array) -> Float32Array:
        asked.append((profiles, shares))
        return np.zeros((len(profiles), SAMPLES, 2), np.float32)

    strip = strip_of(some_profiles(6))
    scores = edge_scores(strip, width_px=WIDTH_PX, together=3, network=network)
    assert scores.shape == (6, SAMPLES, 2) and scores.dtype == np.float64
    assert asked[0][0] == pytest.approx(inputs(strip.profiles, WIDTH_PX))
    assert asked[0][1] == pytest.approx(neighbours(6, 3))


def test_parts_of_a_piece_told_apart_know_nothing_of_each_other() -> None:
    # By construction: two halves looked at together are as each is alone. No outside source.
    profiles = some_profiles(6)
    halves = edge_scores(strip_of(profiles), width_px=WIDTH_PX, together=3)
    alone = [edge_scores(strip_of(p), width_px=WIDTH_PX) for p in (profiles[:3], profiles[3:])]
    assert halves == pytest.approx(np.concatenate(alone), abs=1e-4)
    whole = edge_scores(strip_of(profiles), width_px=WIDTH_PX)
    assert np.abs(halves - whole).max() > 0.01


def test_the_shipped_network_sees_a_bright_bar() -> None:
    # A flat bright bar of the expected width on a dark table: edges by construction.
    profiles = np.full((8, SAMPLES, 3), 0.05, np.float32)
    inside = np.abs(window_offsets(WIDTH_PX)) < WIDTH_PX / 2
    profiles[:, inside] = [0.55, 0.3, 0.2]
    scores = edge_scores(strip_of(profiles), width_px=WIDTH_PX)
    found = window_offsets(WIDTH_PX)[scores.argmax(axis=1)]
    assert found[:, 0] == pytest.approx(-WIDTH_PX / 2, abs=0.6)
    assert found[:, 1] == pytest.approx(WIDTH_PX / 2, abs=0.6)


def test_the_width_is_the_distance_of_the_edges() -> None:
    # Two sure edges, 70 samples apart: by the definition of a correlation.
    scores = np.full((1, SAMPLES, 2), -40.0)
    scores[0, 50, 0] = scores[0, 120, 1] = 0.0
    widths = width_log_probabilities(log_probabilities(scores))
    assert widths.argmax(axis=1) == 70
    assert np.exp(widths).sum() == pytest.approx(1.0, abs=1e-6)
