"""What all tables are made with: skin, tints, dyes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from models.recipe.look.finishes import TABLE, Skin, plain
from models.recipe.look.noise import Field, Rng, unit


def tinted(field: Field, dark: NDArray[np.float64], light: NDArray[np.float64]) -> Field:
    """Return colours from dark to light by a field, ``(rows, columns, 3)`` linear."""
    w = unit(field)[..., None]
    out: Field = (dark * (1 - w) + light * w).astype(np.float32)
    return out


def table_skin(base: Field, *, rough: float | Field, height: Field | None = None) -> Skin:
    """Return the skin of a table: no piece, no metal, the colours given."""
    shape = (base.shape[0], base.shape[1])
    skin = plain(shape, colour=(0.5, 0.5, 0.5), label=TABLE)
    return replace(
        skin,
        base=np.clip(base, 0.005, 0.92).astype(np.float32),
        rough=np.broadcast_to(np.asarray(rough, np.float32), shape).copy(),
        height=np.zeros(shape, np.float32) if height is None else height.astype(np.float32),
    )


def table_dye(rng: Rng, low: float, high: float) -> NDArray[np.float64]:
    """A colour for a made thing: mostly muted, now and then strong."""
    pure = float(rng.choice([40.0, 14.0, 3.0], p=[0.45, 0.35, 0.2]))
    return rng.uniform(low, high) * rng.dirichlet((pure, pure, pure)) * 3
