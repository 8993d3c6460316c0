"""The edge network: what goes into it, how its profiles know of each other, what it says."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import log_softmax

from vision.types import Float32Array
from vision.width.edge_net import (
    SAMPLES,
    edge_scores,
    inputs,
    local_mean,
    log_probabilities,
    neighbours,
    spreads,
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


def test_the_network_is_asked_with_the_profiles_from_both_ends() -> None:
    asked = []

    def network(profiles: Float32Array, shares: Float32Array) -> Float32Array:
        asked.append((profiles, shares))
        return np.zeros((len(profiles), SAMPLES, 2), np.float32)

    strip = strip_of(some_profiles(6))
    scores = edge_scores(strip, width_px=WIDTH_PX, together=3, network=network)
    assert scores.shape == (6, SAMPLES, 2) and scores.dtype == np.float64
    seen, apart = inputs(strip.profiles, WIDTH_PX), neighbours(6, 3)
    assert asked[0][0] == pytest.approx(np.concatenate([seen, seen[:, ::-1]]))
    # Neither way of looking knows of the other.
    assert asked[0][1][:6, :6] == pytest.approx(apart) == asked[0][1][6:, 6:]
    assert not asked[0][1][:6, 6:].any() and not asked[0][1][6:, :6].any()


def test_a_piece_seen_from_the_other_side_has_its_edges_mirrored() -> None:
    # By symmetry; the network alone does not keep it.
    profiles = some_profiles(4)
    there = edge_scores(strip_of(profiles), width_px=WIDTH_PX)
    back = edge_scores(strip_of(profiles[:, ::-1]), width_px=WIDTH_PX)
    assert back == pytest.approx(there[:, ::-1, ::-1], abs=1e-4)


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


def test_the_spread_is_the_standard_deviation() -> None:
    # numpy's own, over a sample with these shares.
    at, counts = np.array([-2.0, -1.0, 0.5, 3.0]), np.array([2, 5, 1, 2])
    expected = np.std(np.repeat(at, counts))
    assert spreads(np.stack([counts / 10, [0, 1, 0, 0]]), at) == pytest.approx([expected, 0])


def test_probabilities_over_the_places_are_scipys_softmax() -> None:
    # scipy.special.log_softmax, an independent implementation; far from 0 it must not overflow.
    logits = np.random.default_rng(2).normal(0, 30, (3, 40, 2)) + 900
    assert log_probabilities(logits) == pytest.approx(log_softmax(logits, axis=1), abs=1e-9)


@pytest.mark.parametrize("truth", [3.0, 3.21, -7.4])
def test_a_peak_between_two_samples_is_placed_between_them(truth: float) -> None:
    at = np.arange(-20, 21) * 0.5
    p = np.exp(-0.5 * ((at - truth) / 0.6) ** 2)
    assert local_mean(p[None], at) == pytest.approx([truth], abs=0.02)


def test_a_lower_peak_elsewhere_does_not_draw_the_higher_one() -> None:
    at = np.arange(-20, 21) * 0.5
    p = np.exp(-0.5 * ((at - 5) / 0.6) ** 2) + 0.6 * np.exp(-0.5 * ((at + 5) / 0.6) ** 2)
    assert local_mean(p[None], at) == pytest.approx([5.0], abs=0.02)


def test_a_window_reaches_as_far_to_either_side_as_was_trained() -> None:
    at = window_offsets(WIDTH_PX)
    assert len(at) == SAMPLES
    assert (at[0], at[-1]) == (-1.5 * WIDTH_PX, 1.5 * WIDTH_PX)
    assert np.diff(at) == pytest.approx(3 * WIDTH_PX / (SAMPLES - 1))
