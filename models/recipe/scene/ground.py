"""Where things lie: finds free places on the table and how high a wire rests."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.recipe.scene.meshes import Array

CELL_MM = 1.0


class Ground:
    """A raster of how high the table is filled, ``half_mm`` to each side of the origin.

    Things keep ``gap_mm`` from each other; where it is 0, wires may cross. Where ``pile_mm``
    is set, anything may lie on what is no higher than that, but on what was ``kept`` free.
    """

    def __init__(
        self, *, half_mm: tuple[float, float], rng: np.random.Generator, gap_mm: float = 0.0
    ) -> None:
        self.half_mm = half_mm
        self.gap_mm = gap_mm
        self.pile_mm = 0.0
        self.lift_mm = 0.0
        self.under_mm = 0.0
        self.rng = rng
        reach = max(half_mm) + 120
        self.origin = reach
        n = int(2 * reach / CELL_MM) + 1
        self.height = np.zeros((n, n))
        self.closed = np.zeros((n, n), bool)
        self.kept = np.zeros((n, n), bool)

    def _cells(self, xy: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        k = np.clip(((xy + self.origin) / CELL_MM).round().astype(int), 0, len(self.height) - 1)
        return k[:, 1], k[:, 0]

    def _disc(self, xy: Array, radius: float) -> Array:
        """All points of discs about the points, thinned to the raster."""
        steps = np.arange(-radius, radius + 0.5 * CELL_MM, CELL_MM)
        dx, dy = np.meshgrid(steps, steps)
        keep = np.hypot(dx, dy) <= radius + 0.3 * CELL_MM
        offsets = np.stack([dx[keep], dy[keep]], axis=1)
        if len(offsets) == 0:
            offsets = np.zeros((1, 2))
        spread: Array = (xy[:, None] + offsets[None]).reshape(-1, 2)
        return spread

    def find(
        self, xy: Array, *, radius: float, may_cross: float = 0.0, tries: int = 40
    ) -> tuple[float, Array] | None:
        """Return an angle and a shift that lay the points in a free place, or None.

        ``may_cross`` is the greatest height that may be crossed.
        """
        if self.gap_mm > 0:
            may_cross, radius, tries = 0.0, radius + self.gap_mm, 2 * tries
        for attempt in range(tries):
            angle = self.rng.uniform(0, 2 * np.pi)
            slack = 1.0 + 0.02 * attempt
            shift = self.rng.uniform(-1, 1, 2) * np.array(self.half_mm) * 0.9
            c, s = np.cos(angle), np.sin(angle)
            moved = xy @ np.array([[c, s], [-s, c]]) + shift
            if np.any(np.abs(moved) > np.array(self.half_mm) * slack):
                continue
            rows, columns = self._cells(self._disc(moved[::2], radius + 1.0))
            blocked = self.kept if self.pile_mm else self.closed
            if blocked[rows, columns].any():
                continue
            under = float(self.height[rows, columns].max())
            if under > max(may_cross, self.pile_mm):
                continue
            self.lift_mm = self.under_mm = under if self.pile_mm else 0.0
            return angle, shift
        return None

    def pile(self, most_mm: float, *, keep: bool) -> None:
        """From now on let things lie on others; ``keep`` what is closed till now free."""
        self.pile_mm = most_mm
        if keep:
            self.kept = self.closed.copy()

    def lifted(self) -> tuple[float, float]:
        """Return how far the thing laid last must be lifted, and how high what is below it is.

        A wire that was bent over what is there (:meth:`rest`) needs no lifting.
        """
        told = self.lift_mm, self.under_mm
        self.lift_mm = self.under_mm = 0.0
        return told

    def rest(self, xy: Array, *, radius: float, stiff_mm: float) -> Array:
        """Return centre-line heights of a wire laid over what is there."""
        under = np.zeros(len(xy))
        for k in range(len(xy)):
            rows, columns = self._cells(self._disc(xy[k : k + 1], max(radius, CELL_MM)))
            under[k] = self.height[rows, columns].max()
        self.lift_mm, self.under_mm = 0.0, float(under.max())
        if under.max() <= 0:
            return np.full(len(xy), radius)
        step = float(np.linalg.norm(np.diff(xy, axis=0), axis=1).mean())
        window = max(1, int(stiff_mm / max(step, 1e-6)))
        padded = np.pad(under, window, mode="edge")
        top = np.array([padded[k : k + 2 * window + 1].max() for k in range(len(xy))])
        kernel = np.hanning(2 * window + 3)[1:-1]
        smooth = np.convolve(np.pad(top, window, mode="edge"), kernel / kernel.sum(), "valid")
        return radius + smooth

    def stamp(self, xy: Array, *, radius: float, top: float | Array, close: bool = False) -> None:
        """Fill the raster under discs about the points."""
        tops = np.broadcast_to(np.asarray(top, float), (len(xy),)) + self.lift_mm
        per = len(self._disc(xy[:1], radius))
        rows, columns = self._cells(self._disc(xy, radius))
        np.maximum.at(self.height, (rows, columns), np.repeat(tops, per))
        if close:
            self.closed[rows, columns] = True
