"""One piece laid on an empty table."""

from __future__ import annotations

import numpy as np

from models.recipe.look.noise import Rng
from models.recipe.pieces import kinds
from models.recipe.pieces.piece import Piece
from models.recipe.scene.ground import Ground
from models.recipe.scene.meshes import Mesh


def lay(kind: str, *, seed: int, finish: str | None = None) -> list[Piece]:
    """Return what a builder lays; a list of one for all but looms and rods."""
    rng = np.random.default_rng([70, seed])
    made = kinds.KINDS[kind](rng, Ground(half_mm=(150, 120), rng=rng), finish=finish)
    assert made is not None
    return made if isinstance(made, list) else [made]


def labels(piece: Piece) -> set[int]:
    """Return every surface that the piece shows somewhere."""
    return {int(v) for _, skin in piece.parts for v in np.unique(skin.label)}


def rings(points: np.ndarray, sides: int) -> np.ndarray:
    """Return a swept surface without its caps as ``(rings, sides + 1, 3)``."""
    whole = len(points) // (sides + 1) * (sides + 1)
    return points[:whole].reshape(-1, sides + 1, 3)


def ground(rng: Rng) -> Ground:
    """Return an empty table."""
    return Ground(half_mm=(150, 120), rng=rng)


def bodies(mesh: Mesh) -> list[np.ndarray]:
    """Return the points of each body that no face joins to another."""
    at = np.arange(len(mesh.points))
    while True:
        low = at.copy()
        least = at[mesh.faces].min(axis=1)
        for k in range(3):
            np.minimum.at(low, mesh.faces[:, k], least)
        low = low[low]
        if (low == at).all():
            break
        at = low
    return [mesh.points[at == root] for root in np.unique(at)]
