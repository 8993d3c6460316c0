"""Haze, verdigris, solder smears and what they say they are."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.look import coats, finishes, optics
from models.recipe.look import finishes as fin
from models.recipe.look.finishes import FINISHES, SOLDER, copper
from models.recipe.scene import truth
from vision.types import Surface


def bare(level: float, seed: int = 0) -> fin.Skin:
    return fin.copper((200, 60), rng=np.random.default_rng([73, seed]), mm=(40, 8), level=level,
                      patchy=0.02, rough=0.3)  # fmt: skip


def test_haze_dulls_browns_and_raises_the_level() -> None:
    film = bare(0.25)
    hazy = fin.hazed(film, rng=np.random.default_rng(1), amount=0.4)
    assert hazy.level.mean() == pytest.approx(film.level.mean() + 0.4 * fin.HAZE_LEVEL, abs=0.05)
    assert hazy.metallic.mean() < film.metallic.mean()
    assert hazy.rough.mean() > film.rough.mean()
    light = np.array([0.2126, 0.7152, 0.0722])
    assert (hazy.base @ light).mean() < (film.base @ light).mean()
    bright = fin.hazed(bare(0.02), rng=np.random.default_rng(1), amount=0.5)
    dim = bright.level > optics.BRIGHT_BELOW_LEVEL + 1e-5
    assert ((bright.label == fin.TARNISHED) == dim).all(), "label and level agree"


def test_haze_touches_nothing_but_copper() -> None:
    jacket = coats.jacket((80, 40), rng=np.random.default_rng(2))
    hazy = fin.hazed(jacket, rng=np.random.default_rng(3), amount=0.5)
    assert (hazy.base == jacket.base).all()
    assert (hazy.label == jacket.label).all()


def test_verdigris_is_vivid_and_weathered() -> None:
    pure = []
    for seed in range(40):
        rng = np.random.default_rng([74, seed])
        skin = fin.verdigris(bare(0.6), rng=rng, mm=(40, 8), share=0.6)
        green = skin.base[skin.label == fin.GREEN].mean(axis=0)
        assert green[1] > green[0] * 0.95, "never redder than green"
        pure.append(1 - green.min() / green.max())
    assert min(pure) < 0.35
    assert max(pure) > 0.55


def test_a_smear_of_solder_is_solder_where_it_is_and_nothing_elsewhere() -> None:
    skin = bare(0.3)
    wiped = fin.wiped(skin, rng=np.random.default_rng(5), mm=(40, 8), at=0.5, reach_mm=5.0)
    rows = np.nonzero((wiped.label == fin.SOLDER).any(axis=1))[0]
    assert len(rows)
    assert rows.min() > 0.25 * 200
    assert rows.max() < 0.75 * 200
    rest = wiped.label != fin.SOLDER
    assert (wiped.label[rest] == skin.label[rest]).all()
    assert 0.01 < 1 - rest.mean() < 0.3


@pytest.mark.parametrize("level", [0.03, 0.3, 0.8])
def test_label_and_level_of_copper_agree(level: float) -> None:
    skin = copper(
        (200, 40), rng=np.random.default_rng(4), mm=(40, 5), level=level, patchy=0.02, rough=0.3
    )
    bright = skin.level <= optics.BRIGHT_BELOW_LEVEL + 1e-6
    assert ((skin.label == FINISHES["bright"]) == bright).all()
    assert float(np.median(skin.level)) == pytest.approx(level, abs=0.05)


def test_label_numbers_are_the_order_of_the_surface_map() -> None:
    order = list(Surface)
    assert [str(order[k]) for k in FINISHES.values()] == list(FINISHES)
    assert order[truth.BRASS] is Surface.BRASS
    assert order[truth.SOLDER] is Surface.SOLDER


def test_a_dipped_end_is_solder_and_the_rest_stays_what_it_was() -> None:
    rng = np.random.default_rng(45)
    bare = finishes.copper((400, 40), rng=rng, mm=(80, 6), level=0.3, patchy=0.02, rough=0.3)
    skin = finishes.dipped(bare, rng=rng, mm=(80, 6), at=0.8)
    assert (skin.label[350:] == SOLDER).all()
    assert (skin.label[:280] == bare.label[:280]).all()
