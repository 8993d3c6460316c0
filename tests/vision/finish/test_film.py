"""Film colours against a table computed outside the project, and against the D130 order."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000

from rules.errors import ContractError
from vision.finish.film import THICKEST_NM, film_reflectance, film_rgb, xyz_of
from vision.types import FloatArray

DATA = Path(__file__).parents[1] / "data"
# The table was interpolated in the same way (linear in wavelength) and printed
# to 2 decimals; another interpolation would already cost up to 1 dE00.
TABLE_TOLERANCE_DE00 = 0.05


def table(name: str) -> tuple[FloatArray, FloatArray]:
    with (DATA / name).open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    thickness = np.array([float(row["thickness_nm"]) for row in rows])
    return thickness, np.array([[float(row[k]) for k in "Lab"] for row in rows])


def film_lab(thickness_nm: object) -> FloatArray:
    """CIELAB against a perfect mirror (CIE 15: a cube root above (6/29)^3, below a line)."""
    thickness = np.asarray(thickness_nm, float)
    ratio = xyz_of(film_reflectance(thickness)) / xyz_of(np.ones((1, 81)))
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.stack(
        [116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1
    )


def test_film_colours_agree_with_an_independent_table() -> None:
    thickness, lab = table("cu2o_film_colours.csv")
    assert deltaE_ciede2000(film_lab(thickness), lab).max() < TABLE_TOLERANCE_DE00


def test_colours_come_in_newtons_order() -> None:
    """Orange, claret, purple, silver, gold, magenta, blue: the order of D130 1b to 3b."""
    nm = {"orange": 10, "claret": 20, "purple": 25, "silver": 38, "gold": 65, "magenta": 100}
    lab = film_lab([*nm.values(), 125.0])
    hue, chroma = np.degrees(np.arctan2(lab[:, 2], lab[:, 1])) % 360, np.hypot(lab[:, 1], lab[:, 2])
    orange, claret, purple, silver, gold, magenta, blue = range(7)
    assert 45 < hue[orange] < 60
    assert 10 < hue[claret] < 30
    assert hue[purple] > 350
    assert chroma[silver] < 10
    assert 75 < hue[gold] < 90
    assert (hue[magenta] < 25) or (hue[magenta] > 340)
    assert 200 < hue[blue] < 280


def test_no_film_reflects_more_than_all_light() -> None:
    power = film_reflectance(np.arange(0, 300, 7.0))
    assert power.min() >= 0
    assert power.max() <= 1


def test_a_perfect_mirror_is_white() -> None:
    """The D65 sum at 5 nm misses sRGB's own white (IEC 61966-2-1) by under a tenth of a percent."""
    assert xyz_of(np.ones((1, 81)))[0] == pytest.approx([0.9505, 1.0, 1.0890], rel=1e-3)


def test_claret_leaves_srgb() -> None:
    assert film_rgb([20.0]).min() < 0


@pytest.mark.parametrize("thickness_nm", [THICKEST_NM + 1, -1.0])
def test_thickness_beyond_the_model_is_refused(thickness_nm: float) -> None:
    with pytest.raises(ContractError):
        film_reflectance([thickness_nm])
