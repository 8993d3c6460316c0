"""The edge network's layers, against their definitions written out."""

from __future__ import annotations

import numpy as np
import pytest

from vision.types import Float32Array
from vision.width.edge_net import (
    SAMPLES,
    Layer,
    edge_logits,
    edge_scores,
    log_probabilities,
    shipped_networks,
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


def layer(kind: str, rows: int, columns: int, *, dilation: int = 1, seed: int = 0) -> Layer:
    rng = np.random.default_rng(seed)
    return Layer(
        kind=kind,
        dilation=dilation,
        weights=rng.normal(0, 0.3, (rows, columns)).astype(np.float32),
        bias=rng.normal(0, 0.3, columns).astype(np.float32),
    )


FIRST = layer("conv", 3 * 8, 4, seed=1)


def after_first(next_one: Layer) -> tuple[Float32Array, Float32Array]:
    """What goes into a layer and what comes out of it."""
    strip = strip_of(some_profiles(3))
    before = edge_logits(strip, (FIRST,), width_px=WIDTH_PX)
    return before, edge_logits(strip, (FIRST, next_one), width_px=WIDTH_PX)


# Discrete convolution with zeros outside, written out (common practice, no source).
@pytest.mark.parametrize(("taps", "dilation"), [(3, 1), (5, 2)])
@pytest.mark.parametrize("kind", ["conv", "block"])
def test_a_convolution_is_the_sum_over_its_taps(kind: str, taps: int, dilation: int) -> None:
    one = layer(kind, taps * 4, 4, dilation=dilation)
    before, got = after_first(one)
    for row, place in ((0, 0), (1, 77), (2, SAMPLES - 1)):
        expected = one.bias.copy()
        for tap in range(taps):
            at = place + (tap - taps // 2) * dilation
            if 0 <= at < SAMPLES:
                expected += before[row, at] @ one.weights[tap * 4 : (tap + 1) * 4]
        if kind == "block":
            expected += before[row, place]
        assert got[row, place] == pytest.approx(np.maximum(expected, 0), abs=1e-5)


def test_context_adds_the_same_to_every_profile_of_a_piece() -> None:
    one = layer("context", 4, 4)
    before, got = after_first(one)
    added = got - before
    assert added[0] == pytest.approx(added[2], abs=1e-5)
    assert added[1] == pytest.approx(before.mean(axis=0) @ one.weights + one.bias, abs=1e-5)
    assert np.abs(added).max() > 0.1


def test_what_went_down_comes_up_at_its_place() -> None:
    strip = strip_of(some_profiles(3))
    down, up = layer("down", 8, 6), layer("up", 6, 8)
    before = edge_logits(strip, (FIRST,), width_px=WIDTH_PX)
    got = edge_logits(strip, (FIRST, down, up), width_px=WIDTH_PX)
    assert got.shape == before.shape
    for k in (0, 41):
        pair = np.concatenate([before[1, 2 * k], before[1, 2 * k + 1]])
        low = np.maximum(pair @ down.weights + down.bias, 0)
        both = (low @ up.weights + up.bias).reshape(2, 4)
        assert got[1, 2 * k : 2 * k + 2] == pytest.approx(before[1, 2 * k : 2 * k + 2] + both,
                                                          abs=1e-5)  # fmt: skip


def test_without_context_profiles_know_nothing_of_each_other() -> None:
    profiles = some_profiles(3)
    layers = (FIRST, layer("down", 8, 6), layer("up", 6, 8), layer("score", 4, 2))
    together = edge_logits(strip_of(profiles), layers, width_px=WIDTH_PX)
    alone = edge_logits(strip_of(profiles[1:2]), layers, width_px=WIDTH_PX)
    assert together[1] == pytest.approx(alone[0], abs=1e-5)


def test_parts_of_a_piece_told_apart_know_nothing_of_each_other() -> None:
    # By construction: two halves looked at together are as each is alone. No outside source.
    profiles = some_profiles(6)
    halves = edge_scores(strip_of(profiles), width_px=WIDTH_PX, together=3)
    alone = [edge_scores(strip_of(p), width_px=WIDTH_PX) for p in (profiles[:3], profiles[3:])]
    assert halves == pytest.approx(np.concatenate(alone), abs=1e-4)
    whole = edge_scores(strip_of(profiles), width_px=WIDTH_PX)
    assert np.abs(halves - whole).max() > 0.01


def test_the_scores_are_the_mean_of_the_networks_log_probabilities() -> None:
    strip = strip_of(some_profiles(4))
    alone = [
        log_probabilities(edge_logits(strip, layers, width_px=WIDTH_PX))
        for layers in shipped_networks()
    ]
    assert len(alone) == 2
    assert np.abs(alone[0] - alone[1]).max() > 0.1
    assert edge_scores(strip, width_px=WIDTH_PX) == pytest.approx((alone[0] + alone[1]) / 2)


def test_the_shipped_networks_see_a_bright_bar() -> None:
    # A flat bright bar of the expected width on a dark table: edges by construction.
    profiles = np.full((8, SAMPLES, 3), 0.05, np.float32)
    inside = np.abs(window_offsets(WIDTH_PX)) < WIDTH_PX / 2
    profiles[:, inside] = [0.55, 0.3, 0.2]
    scores = edge_scores(strip_of(profiles), width_px=WIDTH_PX)
    found = window_offsets(WIDTH_PX)[scores.argmax(axis=1)]
    assert found[:, 0] == pytest.approx(-WIDTH_PX / 2, abs=0.6)
    assert found[:, 1] == pytest.approx(WIDTH_PX / 2, abs=0.6)
