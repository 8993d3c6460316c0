"""The fitted class constants against fresh strips from the recipe that made them."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray

from models.recipe.fits.colour_families import CLASSES, LEVELS, Room, draw_room, draw_strip, sample
from vision.finish.film import film_colours
from vision.finish.judging import class_probabilities

FRESH_SEED = 977
"""Not a seed that the constants were fitted or their temperature chosen on."""


@lru_cache(maxsize=1)
def fresh() -> tuple[NDArray[np.float32], NDArray[np.int16], NDArray[np.float32]]:
    return sample(np.random.default_rng(FRESH_SEED), 250, per_strip=12)


def test_fresh_strips_are_told_apart() -> None:
    x, classes, _ = fresh()
    p = class_probabilities(x).p
    right = {
        name: float((p[classes == k].argmax(axis=1) == k).mean()) for k, name in enumerate(CLASSES)
    }
    assert np.mean(list(right.values())) > 0.7, right
    # Enamel on copper and oxide on copper share their colours; the rest must be clear.
    assert min(right[name] for name in ("bright", "green", "grey", "brass")) > 0.65, right


def test_probabilities_are_honest_on_fresh_strips() -> None:
    """Expected calibration error over ten bins, weighted by count."""
    x, classes, _ = fresh()
    p = class_probabilities(x).p
    sure, right = p.max(axis=1), p.argmax(axis=1) == classes
    bins = np.minimum((sure * 10).astype(int), 9)
    error = sum(
        (bins == b).mean() * abs(sure[bins == b].mean() - right[bins == b].mean())
        for b in range(10)
        if (bins == b).any()
    )
    # 250 strips of 12 pixels that share a light scatter by about 0.03 of themselves.
    assert error < 0.09


def test_the_tarnish_level_follows_the_strips() -> None:
    x, classes, levels = fresh()
    told = class_probabilities(x).level
    bare = classes <= 1
    assert np.corrcoef(told[bare], levels[bare])[0, 1] > 0.7
    assert np.sqrt(np.mean((told[bare] - levels[bare]) ** 2)) < 0.25


def test_a_white_on_the_table_shows_one_in_every_room() -> None:
    rng = np.random.default_rng(4)
    up = np.array([[0.0, 0.0, 1.0]])
    for _ in range(20):
        room = draw_room(rng)
        # Without the table, which lights nothing that lies on it.
        bare = Room(room.axes, room.peaks, room.sharpness, room.zenith, room.horizon, np.zeros(3))
        assert np.allclose(bare.irradiance(up), 1, atol=1e-9)


def test_the_same_seed_draws_the_same_strip() -> None:
    one, two = (draw_strip(np.random.default_rng(8), 1, 3) for _ in range(2))
    assert np.array_equal(one.rgb, two.rgb)
    assert np.array_equal(one.labels, two.labels)


def test_bright_ends_where_a_film_is_first_seen() -> None:
    """Level 0.12 is 5.5 nm of cuprite: about 8 dE from bare copper, seen by anyone."""
    nm = float(np.interp(0.12, LEVELS[:, 0], LEVELS[:, 1]))
    lab = film_colours([0.0, nm]).lab
    assert nm == pytest.approx(5.5)
    assert 7 < float(np.linalg.norm(lab[1] - lab[0])) < 16
