"""What coins are coloured like: clean metals by their published constants, any lamp, glare."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vision.reference.coin.colours import (
    BURNT_LIGHT,
    COLOURS,
    Face,
    colour_of,
    colour_probabilities,
    table_warmth,
)
from vision.reference.coin.kinds import CoinColour

# Linear sRGB of clean metals at normal incidence, from n and k of Johnson & Christy 1972
# (copper), Querry 1985 (brass 70/30) and Johnson & Christy 1974 (nickel).
METALS = {
    CoinColour.COPPER: (0.93, 0.62, 0.52),
    CoinColour.GOLDEN: (0.91, 0.78, 0.42),
    CoinColour.WHITE: (0.69, 0.64, 0.58),
}
# Linear sRGB of a black body over that of daylight (Planck's law, CIE 1931 observer), about:
# a bulb of 2700 K whose warmth the phone has half taken out. From memory.
HALF_BALANCED_BULB = np.array([1.30, 1.0, 0.55])


def face(whole: tuple[float, float, float], *, centre: object = None, rim: object = None) -> Face:
    return Face(
        whole=np.array(whole),
        centre=np.array(whole if centre is None else centre),
        rim=np.array(whole if rim is None else rim),
        table=np.full(3, np.nan),
    )


@pytest.mark.parametrize("light", [(1.0, 1.0, 1.0), tuple(HALF_BALANCED_BULB)])
def test_copper_brass_and_white_metal_are_told_apart(light: tuple[float, float, float]) -> None:
    plain = [CoinColour.COPPER, CoinColour.GOLDEN, CoinColour.WHITE]
    lit = [tuple(np.array(c) * light) for c in METALS.values()]
    p = colour_probabilities([face(c) for c in lit])
    for row, colour in zip(p, METALS, strict=True):
        best = max(plain, key=lambda c: row[COLOURS.index(c)])
        assert best is colour


@pytest.mark.parametrize("light", [(1.0, 1.0, 1.0), tuple(HALF_BALANCED_BULB)])
def test_a_ring_of_another_metal_shows_in_any_light(light: tuple[float, float, float]) -> None:
    gold = tuple(np.array(METALS[CoinColour.GOLDEN]) * light)
    white = tuple(np.array(METALS[CoinColour.WHITE]) * light)
    mixed = tuple((np.array(gold) + white) / 2)
    p = colour_probabilities(
        [face(mixed, centre=white, rim=gold), face(mixed, centre=gold, rim=white)]
    )
    assert COLOURS[int(p[0].argmax())] is CoinColour.GOLDEN_RING
    assert COLOURS[int(p[1].argmax())] is CoinColour.WHITE_RING


def test_glare_is_left_out_and_a_burnt_out_face_tells_no_colour() -> None:
    metal = np.full((100, 3), 0.4)
    glared = metal.copy()
    glared[:60] = 1.0
    assert colour_of(glared) == pytest.approx(np.full(3, 0.4))
    glared[:80, 0] = BURNT_LIGHT + 0.01
    burnt = colour_of(glared)
    assert np.isnan(burnt).all()
    (p,) = colour_probabilities([Face(whole=burnt, centre=burnt, rim=burnt, table=burnt)])
    assert p == pytest.approx(np.full(len(COLOURS), 1 / len(COLOURS)))


def test_probabilities_add_up() -> None:
    p = colour_probabilities([face(c) for c in METALS.values()])
    assert p.sum(axis=1) == pytest.approx(1.0)


def test_half_the_light_shows_the_same_colour() -> None:
    faces = [face(c) for c in METALS.values()]
    dim = [face(tuple(np.array(c) / 2)) for c in METALS.values()]
    assert colour_probabilities(dim) == pytest.approx(colour_probabilities(faces), abs=1e-9)


def test_in_which_order_the_coins_lie_does_not_matter() -> None:
    faces = [face(c) for c in METALS.values()]
    there, back = colour_probabilities(faces), colour_probabilities(faces[::-1])
    assert back[::-1] == pytest.approx(there)


def test_one_more_coin_of_a_known_metal_makes_the_light_and_the_other_surer() -> None:
    lit = np.array(METALS[CoinColour.GOLDEN]) * HALF_BALANCED_BULB
    copper = np.array(METALS[CoinColour.COPPER]) * HALF_BALANCED_BULB
    alone = colour_probabilities([face(tuple(lit))])[0]
    beside = colour_probabilities([face(tuple(lit)), face(tuple(copper))])[0]
    golden = COLOURS.index(CoinColour.GOLDEN)
    assert beside[golden] > alone[golden]


@pytest.mark.parametrize(
    ("table", "expected"), [((0.6, 0.6, 0.6), 0.0), ((0.6 * 1.35, 0.6, 0.6 * 0.497), 1.0)]
)
def test_a_white_table_tells_how_warm_the_light_is(
    table: tuple[float, float, float], expected: float
) -> None:
    # A lamp adds 0.3 to the log of red over green and takes 0.7 off that of blue over green.
    seen = replace(face((0.5, 0.4, 0.3)), table=np.array(table))
    assert table_warmth([seen]) == pytest.approx(expected, abs=0.01)


def test_of_an_unknown_table_nothing_is_told() -> None:
    assert np.isnan(table_warmth([face((0.5, 0.4, 0.3))]))
    known = replace(face((0.5, 0.4, 0.3)), table=np.full(3, 0.5))
    assert table_warmth([face((0.5, 0.4, 0.3)), known]) == pytest.approx(0.0)
