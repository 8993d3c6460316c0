"""What lies together and could not be parted from afar, looked at from closer by.

On a phone's photo the overview shows a bundle of wires as a few pixels each. What it takes for
pieces there is hardly one, or for none at all, and whoever laid down nothing else would be told
that nothing lies there. The same network parts them better in a view of the bundle alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from vision.pieces.fragments import Labels
from vision.pieces.outlines import LEAST_P, PIECE_P, WEAK_P, Parting, grown_from, parted
from vision.types import Box, Float32Array, FloatArray, Mask, Photo, SurfaceMap

CloserLook = Callable[[Box], SurfaceMap | None]
"""Returns the network's maps around a box of the photo; None where they would show no more."""

SEVERAL_P = 0.5
"""What is one whole piece with less may be several: they are looked at from closer by, and no width
is told of it, since whose it would be nobody knows."""

MOST_ISLANDS = 4
"""So many are looked at, those with most doubt first; 65 ms each on two cores."""

ISLAND_PX, DOUBTFUL_SHARE = 150, 0.2
"""Pixels of the overview that an island has at least, and the share of them in what may be
several, to be worth that. Both chosen. Parts of an island, looked at for themselves, found 10 more
of 244 on tables, and as many false ones."""

NEAR_LEAST_P = 0.15
"""As ``LEAST_P`` of outlines.py, from closer by. On 24 photos as advised 50 of 67 pieces are found
with 9 false ones, 44 with 6 where nothing is looked at again; from 0.3 on 48 with 8, from 0.5 on
46 with 8."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Nearer:
    """An island of the overview as a closer look parts it.

    Attributes:
        island: ``(h, w)`` its pixels on the overview.
        surface: The closer maps.
        piece: ``(h', w')`` of those, how likely each pixel is part of a piece of the island.
        labels: ``(h', w')`` number of the piece at each pixel, from 1; 0 none.
        one_p: How likely what has each number is one whole piece, also of what meets nothing: from
            afar it was in doubt.
    """

    island: Mask
    surface: SurfaceMap
    piece: Float32Array
    labels: Labels
    one_p: FloatArray


def looked_at_closer(
    photo: Photo, piece: Float32Array, parting: Parting, closer: CloserLook
) -> Iterator[Nearer]:
    """Yield what closer looks part better than the overview did.

    Args:
        photo: The photo.
        piece: ``(h, w)`` of the overview, how likely each pixel is part of a piece.
        parting: What came of it.
        closer: Looks at a part of the photo.
    """
    for island in _doubtful(parting, piece):
        near = _parted_near(photo, island, closer)
        if near is None:
            continue
        surface, own_piece, again = near
        if _mean_p(again) > _mean_p(parting, island):
            yield Nearer(
                island=island,
                surface=surface,
                piece=own_piece,
                labels=again.kept(NEAR_LEAST_P),
                one_p=again.whole_p,
            )


def _doubtful(parting: Parting, piece: Float32Array) -> list[Mask]:
    """Return where things lie together that were hardly parted, those with most doubt first."""
    together = grown_from(piece > PIECE_P, piece > WEAK_P)
    _, islands, stats, _ = cv2.connectedComponentsWithStats(together.view(np.uint8), connectivity=8)
    # What meets nothing and is kept was joined with nothing in doubt.
    several = (parting.one_p < SEVERAL_P) | (parting.whole_p < LEAST_P)
    doubtful = together & several[parting.labels]
    areas = stats[:, cv2.CC_STAT_AREA]
    doubts = np.bincount(islands[doubtful], minlength=len(stats))
    doubts[0] = 0
    worth = np.flatnonzero((areas >= ISLAND_PX) & (doubts > DOUBTFUL_SHARE * areas))
    order = sorted(worth.tolist(), key=lambda number: -int(doubts[number]))
    return [islands == number for number in order[:MOST_ISLANDS]]


def _parted_near(
    photo: Photo, island: Mask, closer: CloserLook
) -> tuple[SurfaceMap, Float32Array, Parting] | None:
    """Return the closer maps, where they show the island's pieces, and what came of that."""
    across, down = photo.width_px / island.shape[1], photo.height_px / island.shape[0]
    x, y, w, h = cv2.boundingRect(island.view(np.uint8))
    left, top = int(x * across), int(y * down)
    right = min(photo.width_px, int((x + w) * across) + 1)
    bottom = min(photo.height_px, int((y + h) * down) + 1)
    surface = closer((left, top, right - left, bottom - top))
    if surface is None:
        return None
    x, y, w, h = surface.box_px
    piece, gap = surface.outline
    # What else is in view stays as the overview has it.
    grown = cv2.dilate(island.view(np.uint8), np.ones((5, 5), np.uint8))
    rows = ((np.arange(piece.shape[0]) + 0.5) * h / piece.shape[0] + y) / down
    columns = ((np.arange(piece.shape[1]) + 0.5) * w / piece.shape[1] + x) / across
    own = grown[rows.astype(int)][:, columns.astype(int)] > 0
    piece = np.where(own, piece, np.float32(0))
    return surface, piece, parted(piece, gap, surface)


def _mean_p(parting: Parting, where: Mask | None = None) -> float:
    """Return how likely a pixel there belongs to one whole piece, on average; 0 where none does."""
    labels = parting.labels if where is None else parting.labels[where]
    return float(parting.whole_p[labels[labels > 0]].mean()) if labels.any() else 0.0
