"""What colour does copper get under a growing film of cuprite?

A film some tens of nanometres thick on a mirror of copper shows the colours of
Newton's orders: orange, claret, purple, silver, gold, magenta, blue. The colour
follows from the optical constants of copper and of the oxide and the Airy sum
of a single layer (Born & Wolf, Principles of Optics, 1.6.4). It holds for a
smooth film under about 300 nm; thicker, real cuprite is brown-black by
absorption and scattering, and green patina is not a film colour at all.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike

from rules.errors import ContractError
from vision.photo.colour import SRGB_TO_XYZ
from vision.types import FloatArray

THICKEST_NM = 300.0
"""Above this the specular model turns neutral grey while real cuprite is brown-black."""


@lru_cache(maxsize=1)
def _table() -> dict[str, FloatArray]:
    text = files("vision").joinpath("data/optics_film.csv").read_text(encoding="utf-8")
    rows = [line for line in text.splitlines() if line and not line.startswith("#")]
    values = np.array([[float(v) for v in row.split(",")] for row in rows[1:]])
    return {name: values[:, i] for i, name in enumerate(rows[0].split(","))}


def film_reflectance(thickness_nm: ArrayLike) -> FloatArray:
    """Return the reflectance of films of cuprite on copper, ``(n, 81)`` at 380 to 780 nm by 5.

    Straight on, in air; one row a thickness.

    Raises:
        ContractError: A thickness is negative or above ``THICKEST_NM``, where the
            model does not hold.
    """
    thickness = np.atleast_1d(np.asarray(thickness_nm, dtype=float))
    if not ((thickness >= 0) & (thickness <= THICKEST_NM)).all():
        raise ContractError(
            f"the film model holds from 0 to {THICKEST_NM:.0f} nm", where="thickness_nm"
        )
    table = _table()
    film, base = (table[f"{name}_n"] + 1j * table[f"{name}_k"] for name in ("cu2o", "cu"))
    phase = np.exp(4j * np.pi * film * thickness[:, None] / table["wavelength_nm"])
    top, bottom = (1 - film) / (1 + film), (film - base) / (film + base)
    reflectance: FloatArray = np.abs((top + bottom * phase) / (1 + top * bottom * phase)) ** 2
    return reflectance


def xyz_of(reflectance: FloatArray) -> FloatArray:
    """Return CIE XYZ of spectral reflectances ``(n, 81)`` under D65, 2 degree observer.

    A perfect mirror has Y = 1.
    """
    table = _table()
    weights = np.stack([table["xbar"], table["ybar"], table["zbar"]]) * table["d65"]
    xyz: FloatArray = reflectance @ (weights / weights[1].sum()).T
    return xyz


def film_rgb(thickness_nm: ArrayLike) -> FloatArray:
    """Return linear sRGB ``(n, 3)`` of these films; may leave 0 to 1 (claret leaves sRGB)."""
    return np.asarray(np.linalg.solve(SRGB_TO_XYZ, xyz_of(film_reflectance(thickness_nm)).T).T)
