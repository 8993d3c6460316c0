"""Enamel, lacquer, paint and jackets."""

from __future__ import annotations

import numpy as np

from models.recipe.look import coats
from models.recipe.look import finishes as fin
from models.recipe.look.finishes import INSULATION


def test_enamel_and_lacquer_are_clear_coats_over_metal() -> None:
    metal = fin.copper((120, 40), rng=np.random.default_rng(1), mm=(40, 6), level=0.1,
                       patchy=0.02, rough=0.3)  # fmt: skip
    for skin in (
        coats.enamelled((120, 40), rng=np.random.default_rng(2), mm=(40, 6)),
        coats.lacquered(metal, rng=np.random.default_rng(3)),
    ):
        assert (skin.label == fin.COATED).all()
        assert (skin.coat == 1).all()
        assert fin.MIRROR <= skin.film.min() <= skin.film.max() <= fin.DULL
        assert skin.metallic.min() > 0.3


def test_paint_and_plastic_have_no_second_mirror() -> None:
    # One surface against air: a pigmented film has no clear film above it.
    for seed in range(8):
        rng = np.random.default_rng([75, seed])
        assert coats.painted((60, 30), rng=rng, mm=(20, 6)).coat.max() == 0
        skin = coats.jacket((60, 30), rng=rng, mm=(20, 6))
        assert (skin.label == fin.INSULATION).all()
        see_through = bool((skin.coat == 1).all())
        assert see_through or skin.coat.max() == 0


def test_matt_and_glossy_plastic_both_occur() -> None:
    rng = np.random.default_rng(4)
    rough = [coats.matt_or_glossy(rng) for _ in range(200)]
    assert min(rough) < 0.15
    assert max(rough) > 0.6


def test_a_clear_jacket_looks_of_copper_and_is_insulation() -> None:
    skin = coats.see_through((120, 60), rng=np.random.default_rng(5), mm=(40, 10))
    assert (skin.label == fin.INSULATION).all()
    mean = skin.base.mean(axis=(0, 1))
    assert mean[0] > mean[1] > mean[2]
    assert (skin.level == 0).all()


def test_plastic_comes_in_black_white_and_every_hue() -> None:
    rng = np.random.default_rng(43)
    drawn = np.array([coats.dye(rng) for _ in range(2000)])
    light = drawn @ np.array([0.2126, 0.7152, 0.0722])
    pure = 1 - drawn.min(axis=1) / drawn.max(axis=1)
    assert (light < 0.04).mean() > 0.15
    assert ((light > 0.5) & (pure < 0.3)).mean() > 0.10
    strong = drawn[pure > 0.6].argmax(axis=1)
    assert set(strong) == {0, 1, 2}


def test_a_jacket_is_insulation_all_over_however_it_looks() -> None:
    skins = [
        coats.jacket((120, 40), rng=np.random.default_rng([44, k]), mm=(60, 8)) for k in range(12)
    ]
    assert all((skin.label == INSULATION).all() for skin in skins)
    rough = [float(np.median(skin.rough)) for skin in skins]
    assert min(rough) < 0.3
    assert max(rough) > 0.5
