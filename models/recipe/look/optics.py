"""Colours of copper, its oxides and other metals from measured optical constants.

Colours are linear sRGB reflectances at normal incidence, Y = 1 for a perfect
reflector. The tables in ``data/`` say where their n and k were measured
(Johnson & Christy, Palik, Querry, Rakic) and were computed with colour-science.
"""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from vision.finish.tarnish_scale import LEVELS  # one table for what is rendered and what is shown

Array = NDArray[np.float64]
DATA = Path(__file__).parents[1] / "data"

# IEC 61966-2-1, XYZ (D65, Y = 1) to linear sRGB.
XYZ_TO_RGB = np.array(
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)
D65_WHITE = np.array([0.95047, 1.0, 1.08883])

# Tin has no table of n and k over the visible range: a neutral grey at its reflectance, 0.718 at
# 632.8 nm by a table of optical constants and 0.828 at 730 nm (Golovashkin and Motulevich 1964), a
# little yellow as fresh tin is.
TIN = np.array([0.80, 0.79, 0.76])
# Lead-free and leaded solder, duller than tin.
SOLDER = np.array([0.72, 0.715, 0.70])
# Gold, normal incidence, from memory of Johnson & Christy; only a trap for brass.
GOLD = np.array([1.0, 0.78, 0.36])

# Diffuse colours of thick corrosion, linear, by eye from museum and street
# photographs: no measured table was found.
CUPRITE_BROWN = np.array([0.20, 0.095, 0.055])
DARK_BROWN = np.array([0.085, 0.050, 0.034])
BLACK_BROWN = np.array([0.030, 0.024, 0.020])
VERDIGRIS = np.array(
    [
        [0.16, 0.40, 0.30],  # malachite green
        [0.22, 0.52, 0.46],  # blue green
        [0.42, 0.64, 0.54],  # pale
        [0.14, 0.30, 0.20],  # dull olive
        [0.18, 0.46, 0.52],  # turquoise
    ]
)

# Where bare metal stops being called bright: a film over about 6 nm of cuprite
# (dE00 over 8 from bare) is seen as salmon by anyone; level 0.12 is that film.
BRIGHT_BELOW_LEVEL = 0.12


def rgb_of_xyz(xyz: Array) -> Array:
    """Return linear sRGB of XYZ with Y = 1 for white, clipped to 0.002..1."""
    clipped: Array = np.clip(xyz @ XYZ_TO_RGB.T, 0.002, 1.0)
    return clipped


def xyz_of_lab(lab: Array) -> Array:
    """Return XYZ (D65, Y = 1) of CIELAB."""
    fy = (lab[..., 0] + 16) / 116
    f = np.stack([fy + lab[..., 1] / 500, fy, fy - lab[..., 2] / 200], axis=-1)
    xyz: Array = np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29)) * D65_WHITE
    return xyz


def _rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8") as handle:
        return list(csv.DictReader(handle))


@cache
def film_table(oxide: str) -> tuple[Array, Array]:
    """Return thicknesses in nm and linear RGB of that oxide on copper."""
    rows = _rows(f"{oxide}_film_colours.csv")
    nm = np.array([float(r["thickness_nm"]) for r in rows])
    lab = np.array([[float(r["L"]), float(r["a"]), float(r["b"])] for r in rows])
    return nm, rgb_of_xyz(xyz_of_lab(lab))


@cache
def _spread_table(oxide: str, spread: float) -> tuple[Array, Array]:
    nm, rgb = film_table(oxide)
    wanted = np.linspace(0, 150, 301)
    draws = np.linspace(-2, 2, 17)
    weight = np.exp(-0.5 * draws**2)
    total = np.zeros((len(wanted), 3))
    for draw, w in zip(draws, weight, strict=True):
        thick = np.clip(wanted * (1 + spread * draw), 0, 150)
        total += w * np.stack([np.interp(thick, nm, rgb[:, c]) for c in range(3)], axis=-1)
    return wanted, total / weight.sum()


def film_colour(thickness_nm: Array, *, oxide: str = "cu2o", spread: float = 0.25) -> Array:
    """Return linear RGB of copper under an oxide film whose thickness varies.

    ``spread`` is the relative deviation of the thickness inside what one pixel
    sees: real films are never even, which is why scrap shows brown, not claret.
    """
    nm, rgb = _spread_table(oxide, spread)
    thick = np.clip(thickness_nm, 0, 150)
    return np.stack([np.interp(thick, nm, rgb[:, c]) for c in range(3)], axis=-1)


@cache
def metal_colour(name: str) -> Array:
    """Return linear RGB of a bare metal: copper, brass70, aluminium, steel, tin, gold ..."""
    starts = {
        "copper": "Cu (Johnson",
        "brass70": "Brass Cu70",
        "brass85": "Brass Cu85",
        "brass90": "Brass Cu90",
        "aluminium": "Al (Rakic",
        "steel": "Fe (Johnson",
        "nickel": "Ni (Johnson",
        "zinc": "Zn (Querry",
    }
    if name == "tin":
        return TIN
    if name == "solder":
        return SOLDER
    if name == "gold":
        return GOLD
    for row in _rows("metal_colours.csv"):
        if row["material_source"].startswith(starts[name]):
            xyz = np.array([float(row[c]) for c in "XYZ"]) / 100
            return rgb_of_xyz(xyz)
    raise KeyError(name)


def tarnish_look(level: Array) -> tuple[Array, Array]:
    """Return base colour ``(..., 3)`` and metallic share for tarnish levels 0..1.

    0 is fresh metal, 0.12 the last that is called bright (5.5 nm of cuprite),
    0.25 a light orange film, 0.5 the dull penny (red-brown cuprite over film),
    0.75 dark brown, 1 black-brown.
    """
    film = film_colour(np.interp(level, LEVELS[:, 0], LEVELS[:, 1]), spread=0.35)
    weight = np.interp(level, LEVELS[:, 0], LEVELS[:, 2])[..., None]
    metallic = np.interp(level, LEVELS[:, 0], LEVELS[:, 3])
    dark = np.clip((level - 0.5) / 0.25, 0, 1)[..., None]
    black = np.clip((level - 0.75) / 0.25, 0, 1)[..., None]
    brown = CUPRITE_BROWN * 1.6 * (1 - dark) + DARK_BROWN * 1.3 * dark
    brown = brown * (1 - black) + BLACK_BROWN * 1.2 * black
    return film * (1 - weight) + brown * weight, metallic


def blackbody_rgb(kelvin: float) -> Array:
    """Return linear sRGB of a Planck radiator, green = 1.

    Chromaticity by the cubic fit of Kim et al. 2002 (patent US 7024034), valid
    1667 to 25000 K.
    """
    t = 1e3 / kelvin
    if kelvin < 4000:
        x = -0.2661239 * t**3 - 0.2343589 * t**2 + 0.8776956 * t + 0.179910
    else:
        x = -3.0258469 * t**3 + 2.1070379 * t**2 + 0.2226347 * t + 0.240390
    if kelvin < 2222:
        y = -1.1063814 * x**3 - 1.34811020 * x**2 + 2.18555832 * x - 0.20219683
    elif kelvin < 4000:
        y = -0.9549476 * x**3 - 1.37418593 * x**2 + 2.09137015 * x - 0.16748867
    else:
        y = 3.0817580 * x**3 - 5.87338670 * x**2 + 3.75112997 * x - 0.37001483
    xyz = np.array([x / y, 1.0, (1 - x - y) / y])
    rgb = np.maximum(XYZ_TO_RGB @ xyz, 0.02)
    scaled: Array = rgb / rgb[1]
    return scaled
