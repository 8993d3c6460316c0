"""Worn surfaces: what the seeded fields cover and how they spread."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.look.noise import clouds, mask, scratches, spots, unit

SHAPE = (120, 200)


def rng() -> np.random.Generator:
    return np.random.default_rng(7)


def test_clouds_are_standardised_and_follow_their_seed() -> None:
    field = clouds(SHAPE, rng=rng(), cell_px=(30, 30))
    assert field.shape == SHAPE
    assert field.mean() == pytest.approx(0, abs=1e-4)
    assert field.std() == pytest.approx(1, abs=1e-4)
    assert np.array_equal(field, clouds(SHAPE, rng=rng(), cell_px=(30, 30)))


def test_larger_cells_change_more_slowly() -> None:
    fine, coarse = (
        clouds(SHAPE, rng=rng(), cell_px=(cell, cell), octaves=1) for cell in (6.0, 40.0)
    )
    steps = [np.abs(np.diff(field, axis=1)).mean() for field in (fine, coarse)]
    assert steps[0] > 3 * steps[1]


def test_round_a_wire_the_first_column_meets_the_last() -> None:
    field = clouds(SHAPE, rng=rng(), cell_px=(30, 30), wrap_columns=True)
    inside = np.abs(np.diff(field, axis=1)).mean()
    assert np.abs(field[:, 0] - field[:, -1]).mean() < 3 * inside
    open_field = clouds(SHAPE, rng=rng(), cell_px=(30, 30))
    assert np.abs(open_field[:, 0] - open_field[:, -1]).mean() > 10 * inside


def test_unit_keeps_the_order_within_0_and_1() -> None:
    told = unit(np.array([-50.0, -1.0, 0.0, 1.0, 50.0], np.float32))
    assert told[2] == pytest.approx(0.5)
    assert (np.diff(told) > 0).all() and told.min() >= 0 and told.max() <= 1
    assert told + told[::-1] == pytest.approx(1)


@pytest.mark.parametrize("share", [0.1, 0.4, 0.9])
def test_a_mask_covers_the_share_that_was_asked_for(share: float) -> None:
    field = clouds((256, 256), rng=rng(), cell_px=(40, 40))
    assert (mask(field, share=share) > 0.5).mean() == pytest.approx(share, abs=0.02)
    assert not mask(field, share=0).any()
    assert mask(field, share=1).all()


def test_more_scratches_and_wider_spots_cover_more() -> None:
    few, many = (scratches(SHAPE, rng=rng(), count=n, length_px=30) for n in (3, 40))
    assert 0 < (few > 0).mean() < (many > 0).mean() < 1
    assert not scratches(SHAPE, rng=rng(), count=0, length_px=30).any()
    small, wide = (spots(SHAPE, rng=rng(), count=5, radius_px=r) for r in ((2, 3), (8, 12)))
    # Twelve to sixteen times the area of each; some lie over each other or the rim.
    assert (wide > 0.1).sum() > 4 * (small > 0.1).sum() > 0
    assert wide.max() <= 1
