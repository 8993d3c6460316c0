"""Colours of copper and its oxides against the reference tables."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from models.recipe.look import optics

DATA = Path(optics.__file__).parents[1] / "data"


def _csv(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8") as handle:
        return list(csv.DictReader(handle))


def film_reflectance(
    thickness_nm: float, *, wavelength_nm: float, film: complex, metal: complex
) -> float:
    """Return the reflectance of metal under one film, normal incidence, from air.

    Single-layer Fresnel sum (Born & Wolf, Principles of Optics, 1.6.4).
    """
    r01 = (1 - film) / (1 + film)
    r12 = (film - metal) / (film + metal)
    turn = np.exp(4j * np.pi * film * thickness_nm / wavelength_nm)
    return float(abs((r01 + r12 * turn) / (1 + r01 * r12 * turn)) ** 2)


@pytest.mark.parametrize("oxide", ["cu2o", "cuo"])
def test_film_reflectance_agrees_with_the_reference_table(oxide: str) -> None:
    # The table was computed from Johnson & Christy copper and Palik oxides and
    # checked against the package tmm; n and k at three wavelengths are beside it.
    metals = {row["material_source"]: row for row in _csv("metal_colours.csv")}
    copper_row = metals["Cu (Johnson & Christy 1972)"]
    film_row = metals["Cu2O bulk (Palik 1991)" if oxide == "cu2o" else "CuO bulk (Palik 1991)"]
    for row in _csv(f"{oxide}_film_colours.csv"):
        nm = float(row["thickness_nm"])
        if nm > 150:
            continue
        for wave in (450, 550, 650):
            n = [
                complex(float(r[f"n_{wave}"]), float(r[f"k_{wave}"]))
                for r in (film_row, copper_row)
            ]
            got = film_reflectance(nm, wavelength_nm=wave, film=n[0], metal=n[1])
            assert got == pytest.approx(float(row[f"R_{wave}"]), abs=2e-3)


def test_film_colours_are_those_of_the_table() -> None:
    row = next(r for r in _csv("cu2o_film_colours.csv") if r["thickness_nm"] == "10")
    coded = np.array([float(row[f"sRGB_{c}"]) for c in "RGB"]) / 255
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    got = optics.film_colour(np.array([10.0]), spread=0.0)[0]
    assert np.allclose(got, linear, atol=0.01)


def test_tarnish_darkens_from_copper_to_black_brown() -> None:
    colour, metallic = optics.tarnish_look(np.linspace(0, 1, 21))
    luminance = colour @ np.array([0.2126, 0.7152, 0.0722])
    assert (np.diff(luminance) < 1e-9).all()
    assert (np.diff(metallic) <= 1e-9).all()
    assert np.allclose(colour[0], optics.metal_colour("copper"), atol=0.03)
    assert (colour[:, 0] > colour[:, 2]).all(), "copper under oxide never turns blue"
