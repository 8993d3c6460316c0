"""Film colours against tables computed outside the project, and against the D130 order."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000

from rules.errors import ContractError
from vision.finish.film import THICKEST_NM, colours_of, film_colours, film_reflectance, metal_colour
from vision.types import FloatArray

DATA = Path(__file__).parents[1] / "data"
# The tables were interpolated in the same way (linear in wavelength) and printed
# to 2 decimals; another interpolation would already cost up to 1 dE00.
TABLE_TOLERANCE_DE00 = 0.05


def table(name: str) -> tuple[FloatArray, FloatArray]:
    with (DATA / name).open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    thickness = np.array([float(row["thickness_nm"]) for row in rows])
    return thickness, np.array([[float(row[k]) for k in "Lab"] for row in rows])


def hue_deg(lab: FloatArray) -> FloatArray:
    return np.degrees(np.arctan2(lab[..., 2], lab[..., 1])) % 360


@pytest.mark.parametrize("oxide", ["cu2o", "cuo"])
def test_film_colours_agree_with_an_independent_table(oxide: str) -> None:
    thickness, lab = table(f"{oxide}_film_colours.csv")
    ours = film_colours(thickness, oxide=oxide).lab  # type: ignore[arg-type]
    assert deltaE_ciede2000(ours, lab).max() < TABLE_TOLERANCE_DE00


def test_colours_come_in_newtons_order() -> None:
    """Orange, claret, purple, silver, gold, magenta, blue: the order of D130 1b to 3b."""
    nm = {"orange": 10, "claret": 20, "purple": 25, "silver": 38, "gold": 65, "magenta": 100}
    lab = film_colours([*nm.values(), 125.0]).lab
    hue, chroma = hue_deg(lab), np.hypot(lab[:, 1], lab[:, 2])
    orange, claret, purple, silver, gold, magenta, blue = range(7)
    assert 45 < hue[orange] < 60
    assert 10 < hue[claret] < 30
    assert hue[purple] > 350
    assert chroma[silver] < 10
    assert 75 < hue[gold] < 90
    assert (hue[magenta] < 25) or (hue[magenta] > 340)
    assert 200 < hue[blue] < 280


def test_a_gold_film_on_copper_looks_like_brass_and_a_silver_one_like_tin() -> None:
    """Colour alone confuses them; whoever relies on it must know."""
    gold, silver = film_colours([62.0, 38.0]).lab
    brass, nickel = metal_colour("cu85zn15").lab[0], metal_colour("ni").lab[0]
    assert np.hypot(*(gold - brass)[1:]) < 3
    assert np.hypot(*(silver - nickel)[1:]) < 7.5


def test_yellow_brass_is_greener_than_any_film_below_the_blue() -> None:
    films = film_colours(np.arange(0.0, 116.0, 1.0)).lab
    assert metal_colour("cu70zn30").lab[0, 1] < 0 < films[:, 1].min()


@pytest.mark.parametrize("metal", ["cu", "al", "ni"])
def test_no_film_reflects_more_than_all_light(metal: str) -> None:
    power = film_reflectance(np.arange(0, 300, 7.0), metal=metal)
    assert power.min() >= 0
    assert power.max() <= 1


def test_tilting_moves_a_film_as_a_thinner_one() -> None:
    """Phase shrinks with the cosine in the film, so the colour goes back in the order."""
    upright, tilted = film_colours([60.0]).lab, film_colours([60.0], angle_deg=45).lab
    thinner = film_colours([57.0]).lab
    assert deltaE_ciede2000(tilted, thinner)[0] < deltaE_ciede2000(tilted, upright)[0]
    # README of the reference values: 45 degrees moves films by up to 6.3 dE00.
    assert deltaE_ciede2000(tilted, upright)[0] < 6.3


def test_a_perfect_mirror_is_white() -> None:
    _, rgb, lab = colours_of(np.ones((1, 81)))
    assert np.allclose(lab, [[100, 0, 0]], atol=1e-9)
    # The D65 sum at 5 nm misses sRGB's own white by under a tenth of a percent.
    assert np.allclose(rgb, 1, atol=2e-3)


def test_thickness_beyond_the_model_is_refused() -> None:
    with pytest.raises(ContractError):
        film_colours([THICKEST_NM + 1])
    with pytest.raises(ContractError):
        film_reflectance([-1.0])
