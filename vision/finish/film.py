"""What colour does copper get under a growing oxide film?

A film some tens of nanometres thick on a mirror of copper shows the colours of
Newton's orders: orange, claret, purple, silver, gold, magenta, blue. The colour
follows from the optical constants of copper and of the oxide and the Airy sum
of a single layer (Born & Wolf, Principles of Optics, 1.6.4). It holds for a
smooth film under about 300 nm; thicker, real cuprite is brown-black by
absorption and scattering, and green patina is not a film colour at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rules.errors import ContractError
from vision.types import FloatArray

ComplexArray = NDArray[np.complex128]
Oxide = Literal["cu2o", "cuo"]

THICKEST_NM = 300.0
"""Above this the specular model turns neutral grey while real cuprite is brown-black."""

# Linear sRGB from XYZ of D65, IEC 61966-2-1 (inverse of the 4-digit matrix).
_RGB_FROM_XYZ = np.linalg.inv(
    np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FilmColours:
    """Colours of films, each row one thickness, relative to a perfect mirror.

    Attributes:
        thickness_nm: ``(n,)`` film thickness.
        xyz: ``(n, 3)`` CIE XYZ under D65, 2 degree observer; a perfect mirror has Y = 1.
        linear_rgb: ``(n, 3)`` linear sRGB; may leave 0 to 1 (claret leaves sRGB).
        lab: ``(n, 3)`` CIELAB against the perfect mirror.
    """

    thickness_nm: FloatArray
    xyz: FloatArray
    linear_rgb: FloatArray
    lab: FloatArray


@lru_cache(maxsize=1)
def _table() -> dict[str, FloatArray]:
    text = files("vision").joinpath("data/optics_film.csv").read_text(encoding="utf-8")
    rows = [line for line in text.splitlines() if line and not line.startswith("#")]
    values = np.array([[float(v) for v in row.split(",")] for row in rows[1:]])
    return {name: values[:, i] for i, name in enumerate(rows[0].split(","))}


def optical_constants(material: str) -> ComplexArray:
    """Return ``n + ik`` of a material at 380 to 780 nm by 5 nm.

    Materials: cu, cu2o, cuo, cu90zn10, cu85zn15, cu70zn30, al, fe, ni, zn, pb.
    """
    table = _table()
    if f"{material}_n" not in table:
        raise ContractError(f"no optical constants of {material!r}", where="material")
    constants: ComplexArray = table[f"{material}_n"] + 1j * table[f"{material}_k"]
    return constants


def film_reflectance(
    thickness_nm: ArrayLike, *, oxide: Oxide = "cu2o", metal: str = "cu", angle_deg: float = 0.0
) -> FloatArray:
    """Return the spectral reflectance of an oxide film on a metal, ``(n, 81)``.

    Unpolarised light at ``angle_deg`` from the normal, in air; one row a thickness.
    """
    thickness = np.atleast_1d(np.asarray(thickness_nm, dtype=float))
    if (thickness < 0).any():
        raise ContractError("a film is at least 0 nm thick", where="thickness_nm")
    film, base = optical_constants(oxide), optical_constants(metal)
    sine = np.sin(np.radians(angle_deg))
    # Snell's law with complex indices: n cos(theta) = sqrt(n^2 - sin^2).
    q_air = np.sqrt(1.0 - sine**2)
    q_film, q_base = np.sqrt(film**2 - sine**2), np.sqrt(base**2 - sine**2)
    phase = np.exp(4j * np.pi * q_film[None] * thickness[:, None] / _table()["wavelength_nm"][None])
    power = np.zeros((len(thickness), film.size))
    for s_polarised in (True, False):
        if s_polarised:
            a, f, b = q_air, q_film, q_base
        else:
            a, f, b = 1.0 / q_air, film**2 / q_film, base**2 / q_base
        r_top, r_bottom = (a - f) / (a + f), (f - b) / (f + b)
        r = (r_top + r_bottom * phase) / (1.0 + r_top * r_bottom * phase)
        power += 0.5 * np.abs(r) ** 2
    return power


def metal_reflectance(metal: str) -> FloatArray:
    """Return the spectral reflectance of a clean metal at normal incidence, ``(81,)``."""
    n = optical_constants(metal)
    reflectance: FloatArray = np.abs((n - 1) / (n + 1)) ** 2
    return reflectance


def colours_of(reflectance: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return XYZ, linear sRGB and CIELAB of spectral reflectances ``(n, 81)`` under D65."""
    table = _table()
    weights = np.stack([table["xbar"], table["ybar"], table["zbar"]]) * table["d65"]
    weights = weights / weights[1].sum()
    xyz: FloatArray = np.atleast_2d(reflectance) @ weights.T
    ratio = xyz / weights.sum(axis=1)
    # CIE 15: cube root above (6/29)^3, a straight line below.
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    lab = np.stack(
        [116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1
    )
    return xyz, xyz @ _RGB_FROM_XYZ.T, lab


def film_colours(
    thickness_nm: ArrayLike, *, oxide: Oxide = "cu2o", metal: str = "cu", angle_deg: float = 0.0
) -> FilmColours:
    """Return the colours of oxide films of the given thicknesses on a metal.

    Raises:
        ContractError: A thickness is negative or above ``THICKEST_NM``, where the
            model does not hold.
    """
    thickness = np.atleast_1d(np.asarray(thickness_nm, dtype=float))
    if (thickness > THICKEST_NM).any():
        raise ContractError(
            f"the film model does not hold above {THICKEST_NM:.0f} nm", where="thickness_nm"
        )
    xyz, rgb, lab = colours_of(
        film_reflectance(thickness, oxide=oxide, metal=metal, angle_deg=angle_deg)
    )
    return FilmColours(thickness_nm=thickness, xyz=xyz, linear_rgb=rgb, lab=lab)


def metal_colour(metal: str) -> FilmColours:
    """Return the colour of a clean metal, as a film of 0 nm."""
    xyz, rgb, lab = colours_of(metal_reflectance(metal)[None])
    return FilmColours(thickness_nm=np.zeros(1), xyz=xyz, linear_rgb=rgb, lab=lab)
