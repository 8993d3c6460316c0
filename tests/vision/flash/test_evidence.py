"""What a pair of strips tells of bare and of coated metal.

Strips are shaded by formula (:mod:`models.recipe.flash.shaded`), on surfaces that no training
drew: the same everywhere.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.recipe.flash.draws import strip_of
from models.recipe.flash.lamp import Shot
from rules.findings import What
from tests.models.flash.test_shaded import skin_of, window
from vision.flash.evidence import MOST_LOG_RATIO, NOTES, evidence
from vision.flash.looks import FEATURES, brightest_rows, looks, section
from vision.flash.model import THINGS, FlashModel, load_flash_model
from vision.flash.types import LitStrip, StripPair
from vision.photo.colour import from_linear
from vision.types import Float32Array


def strips(*, coat: float, rough: float = 0.6, film: float = 0.03) -> StripPair:
    """A pair of one wire: by daylight, and with a flash eight times as strong, 2 EV down."""
    made = window(skin_of(coat=coat, rough=rough, film=film))
    rng = np.random.default_rng(1)

    def lit(light: Float32Array, white: Float32Array) -> LitStrip:
        photo = from_linear(np.clip(light, 0, 1).astype(np.float32))
        return strip_of(Shot(rgb=photo, white=white), made["own"], white=True, rng=rng)

    whites = made["ambient_white"] / np.pi, made["lamp_white"] / np.pi
    plain = 0.8 * made["ambient"] / whites[0]
    flash = 0.25 * (made["ambient"] / whites[0] + 8 * made["lamp"] / whites[1]) / 9
    return StripPair(plain=lit(plain, np.full(3, 0.8)), flash=lit(flash, np.full(3, 0.25)))


def model(*, still: float, pair: float, u: tuple[float, float] = (0.2, 0.1)) -> FlashModel:
    """A model that says the same of every strip."""

    def told(logit: float, level: float, u: float) -> Float32Array:
        return np.array([[logit, logit, logit, level, np.log(u)]], np.float32)

    return FlashModel(
        weigh=lambda *_: (told(still, 0.2, u[0]), told(0, 0, 1), told(pair, 0.4, u[1])),
        trusted={What.COATING: 0.5},
        u_tarnish_scale=1.0,
    )


SURFACES = ((0.6, 0.03), (0.5, 0.05), (0.4, 0.05), (0.35, 0.1), (0.3, 0.02))


# The same metal without and under a clear coat without any tint (Healey 1989); over smooth metal
# the core stays copper-coloured, and little is claimed.
def test_a_coat_speaks_more_for_a_coat_than_the_same_metal_bare() -> None:
    told = np.array(
        [
            [
                evidence(strips(coat=c, rough=rough, film=film)).log_ratio[What.COATING]
                for c in (1.0, 0.0)
            ]
            for rough, film in SURFACES
        ]
    )
    assert (told[:, 0] > told[:, 1]).all()
    assert (told[:, 0] - told[:, 1]).mean() > 0.3
    assert told[:, 1].mean() < 0


def test_what_the_pair_says_beyond_the_still_is_the_likelihood_ratio() -> None:
    told = evidence(strips(coat=0.0), model=model(still=-0.5, pair=1.5))
    assert told.log_ratio == {What.COATING: pytest.approx(1.0)}
    assert told.note == NOTES["coat"]


@pytest.mark.parametrize("pair", [90.0, -90.0])
def test_no_pair_speaks_stronger_than_it_may(pair: float) -> None:
    told = evidence(strips(coat=0.0), model=model(still=0.0, pair=pair))
    assert abs(told.log_ratio[What.COATING]) <= MOST_LOG_RATIO


# 0.2 ± 0.2 and what is told, weighted by 1 / u², give 0.4 ± 0.1 (JCGM 100, H.5):
# 1/0.01 - 1/0.04 is 75, so u is 0.1155; (0.4 * 100 - 0.2 * 25) / 75 is 0.4667.
def test_the_level_that_is_told_makes_the_pairs_of_the_stills() -> None:
    level = evidence(strips(coat=0.0), model=model(still=0, pair=0)).tarnish
    assert level is not None
    assert level.value == pytest.approx(0.4667, abs=1e-4)
    assert level.u == pytest.approx(75**-0.5)


def test_a_pair_that_knows_no_more_of_the_level_tells_nothing() -> None:
    told = evidence(strips(coat=0.0), model=model(still=0, pair=0, u=(0.1, 0.11)))
    assert told.tarnish is None


def test_a_strip_without_a_usable_pixel_says_nothing() -> None:
    pair = strips(coat=0.0)
    dark = replace(pair.flash, light=np.full_like(pair.flash.light, np.nan))
    told = evidence(replace(pair, flash=dark))
    assert (told.log_ratio, told.note) == ({}, NOTES["none"])


# Healey 1989: a coat's core has the lamp's colour, a metal's the metal's own.
def test_a_paler_core_is_told_only_where_it_is_one() -> None:
    notes = [evidence(strips(coat=coat), model=model(still=-2, pair=2)).note for coat in (1.0, 0.0)]
    assert notes == [NOTES["pale"], NOTES["coat"]]


def test_core_and_ring_lie_where_the_lamp_is_mirrored() -> None:
    pair = strips(coat=1.0)
    told = evidence(pair)
    (core,), (ring,) = told.core, told.ring
    columns = np.nanmean(pair.flash.light[..., 1], axis=0)
    assert core[0] - 1 <= columns.argmax() <= core[0] + core[2] + 1
    assert ring[2] > core[2]


def test_the_looked_at_rows_are_those_of_the_highlight() -> None:
    light = np.full((400, 20, 3), 0.1, np.float32)
    light[300:320, 8:12] = 0.9
    strip = LitStrip(light=light, clipped=np.zeros((400, 20), bool), white_known=True)
    rows = brightest_rows(strip)
    assert rows.start < 300
    assert rows.stop > 320
    assert rows.stop - rows.start == 60


def test_numbers_do_not_depend_on_how_fine_or_how_bright_a_strip_is() -> None:
    flash = strips(coat=1.0).flash
    unknown = replace(flash, white_known=False)
    finer = LitStrip(light=np.repeat(np.repeat(unknown.light, 4, axis=0), 4, axis=1),
                     clipped=np.repeat(np.repeat(unknown.clipped, 4, axis=0), 4, axis=1),
                     white_known=False)  # fmt: skip
    brighter = replace(unknown, light=1.5 * unknown.light)
    numbers = looks(section(unknown, slice(None)))
    assert numbers is not None
    assert numbers.shape == (FEATURES,)
    for other in (section(finer, slice(None)), brighter):
        same = looks(other)
        assert same is not None
        assert np.median(np.abs(same - numbers)) < 0.05


def test_the_shipped_model_tells_of_coating_and_takes_what_looks_give() -> None:
    shipped = load_flash_model()
    assert What.COATING in shipped.trusted
    told = shipped.weigh(*[np.zeros((2, FEATURES), np.float32)] * 2)
    assert [part.shape for part in told] == [(2, len(THINGS) + 2)] * 3
