"""Where are both edges of a long piece, stretch by stretch?

Profiles across the centre line are averaged along short stretches; the network
(:mod:`vision.width.edge_net`) tells how likely each edge is where, and the outline where
to expect it. Each look moves the line to the middle between what it found.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.pieces.centreline import CentreLine, smoothed, unit_tangents
from vision.types import FloatArray, Photo
from vision.width.edge_net import (
    edge_scores,
    local_mean,
    log_probabilities,
    spreads,
    window_offsets,
)
from vision.width.near import NEAR_FROM_PX, near_edges, near_offsets
from vision.width.profiles import Strip, averaged, sample_at

Flags = NDArray[np.bool_]

MAX_STRETCHES = 20
"""Stretches a piece is cut into; more told no more of 91 rendered pieces by fair outlines and
90 by ones that took a shadow in. 16 were too few for the arms of an elbow."""

CONTEXT_STRETCHES = 5
"""So many neighbours tell each other what is steady, or the tube is drawn to its fitting's
width: 22 rendered tubes in fittings were off by 8.2 % in the median with all together, by
3.1 % with this and a second look at the run alone."""

CONTEXT_FROM_PX = 20.0
"""Thinner pieces carry no fitting that could be seen, and need all that is known of them."""

FIRST_STRETCHES = 5
"""The first look only finds the middle and about how wide the piece is."""

AGAIN_LOG = 0.08
"""It is taken again where it found another width than the outline has, by so much and more: 37 %
of 100 pieces by fair outlines; the widths of the others come out as well without."""

PROFILES_PER_STRETCH = 12  # chosen, not measured

MASK_DOUBT = (0.10, 1.5)
"""How far an outline's edge may be off: a share of the width and some px. Outlines take in
shadow and lose dull rims; the network alone takes a neighbour's edge for the piece's."""

FIRST_LOOK_DOUBT = (0.08, 1.0)
"""The same for the edges that the first look found, over the whole piece."""

PLAIN_SAMPLES = 1.2
"""Spread of the width, in samples of a profile, that the network gives a plain one: it was
taught edges as wide as 0.7 samples, and a width has two."""

MIN_STRETCHES = 3  # the fewest whose median one astray does not move

RIM_PX = 1.5
"""An edge so close to the photo's border is taken for the border, as in training."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edges:
    """Both edges of a piece, stretch by stretch.

    Attributes:
        left_px: ``(n, 2)`` photo points.
        right_px: ``(n, 2)`` photo points.
        doubts_px: ``(n,)`` standard deviation that the network leaves each width, beyond what
            it leaves a plain one: blur, shadow or table make several edges likely.
        line: The line, moved to the middle between them.
    """

    left_px: FloatArray
    right_px: FloatArray
    doubts_px: FloatArray
    line: CentreLine

    @property
    def width_px(self) -> FloatArray:
        """``(n,)`` width in the photo."""
        return np.asarray(np.linalg.norm(self.right_px - self.left_px, axis=1), dtype=np.float64)

    @property
    def middles_px(self) -> FloatArray:
        """``(n, 2)`` photo points half way between."""
        return (self.left_px + self.right_px) / 2

    def only(self, kept: Flags) -> Edges:
        """Return the chosen stretches."""
        return replace(
            self,
            left_px=self.left_px[kept],
            right_px=self.right_px[kept],
            doubts_px=self.doubts_px[kept],
        )


def find_edges(photo: Photo, line: CentreLine) -> Edges | None:
    """Return both edges along a line, looked for where its outline has them.

    One or two short looks, each from what was found before, then a full one.
    """
    outline_px = max(2 * line.radius_px, 3.0)
    first = _look(photo, line, outline_px, MASK_DOUBT, stretches=FIRST_STRETCHES)
    if first is None:
        return None
    if abs(np.log(first.width_px / outline_px)) > AGAIN_LOG:
        again = _look(photo, first.line, first.width_px, MASK_DOUBT, stretches=FIRST_STRETCHES)
        first = again or first
    last = _look(photo, first.line, first.width_px, FIRST_LOOK_DOUBT, stretches=MAX_STRETCHES)
    return None if last is None else _edges_of(photo, last)


def edges_at(photo: Photo, line: CentreLine, *, width_px: float, stretches: int) -> Edges | None:
    """Return both edges along all of a line, from one look at about this width.

    Args:
        photo: The photo.
        line: To its very ends.
        width_px: As a look at more of the piece found it.
        stretches: At most so many.
    """
    look = _look(photo, line, width_px, FIRST_LOOK_DOUBT, stretches=stretches, trimmed=False)
    return None if look is None else _edges_of(photo, look)


def _edges_of(photo: Photo, look: _Look) -> Edges:
    """Return what a look found; of a wide piece what a nearer look makes of it."""
    left, right = (look.strip.at(look.found_px[:, k]) for k in (0, 1))
    doubts = _doubts_px(np.stack([spreads(np.exp(look.logs[..., k]), look.strip.offsets_px)
                                  for k in (0, 1)], axis=1), look.strip.step_px)  # fmt: skip
    if look.width_px >= NEAR_FROM_PX:
        offsets = near_offsets(look.width_px)
        strip = _stretches(photo, look.line, offsets, look.stretches, trim=look.trim)
        before = np.stack([((side - strip.points_px) * strip.normals).sum(axis=1)
                           for side in (left, right)], axis=1)  # fmt: skip
        near = near_edges(strip, before, width_px=look.width_px, together=CONTEXT_STRETCHES)
        left, right = (strip.at(near.found_px[:, k]) for k in (0, 1))
        doubts = np.where(near.told, _doubts_px(near.spreads_px, strip.step_px), doubts)
    return Edges(
        left_px=left[look.both],
        right_px=right[look.both],
        doubts_px=doubts[look.both],
        line=look.line,
    )


def _doubts_px(spreads_px: FloatArray, step_px: float) -> FloatArray:
    """Return what ``(n, 2)`` spreads of edges leave a width beyond what plain ones do."""
    of_width, plain = np.hypot(*spreads_px.T), PLAIN_SAMPLES * step_px
    return np.asarray(np.sqrt(np.maximum(of_width**2 - plain**2, 0)), dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Look:
    """One look at the edges: where they were found, and the line moved to their middle.

    The line was cut into ``stretches``, ``trim`` points at either end left out.
    """

    strip: Strip
    stretches: int
    trim: int
    logs: FloatArray
    found_px: FloatArray
    both: Flags
    width_px: float
    line: CentreLine


def _look(
    photo: Photo,
    line: CentreLine,
    width_px: float,
    outline_doubt: tuple[float, float],
    *,
    stretches: int,
    trimmed: bool = True,
) -> _Look | None:
    """Look for both edges where this width has them, give or take the doubt."""
    trim = int(min(round(width_px / line.step_px), len(line.points_px) // 5)) * trimmed
    strip = _stretches(photo, line, window_offsets(width_px), stretches, trim=trim)
    if len(strip.profiles) < MIN_STRETCHES:
        return None
    together = CONTEXT_STRETCHES if width_px >= CONTEXT_FROM_PX else None
    # What a nearer look follows on need not be seen from both ends.
    both_ends = not (width_px >= NEAR_FROM_PX and stretches > FIRST_STRETCHES)
    said = edge_scores(strip, width_px=width_px, together=together, both_ends=both_ends)
    doubt_px = outline_doubt[0] * width_px + outline_doubt[1]
    logs = log_probabilities(said + expectation(strip.offsets_px, width_px, doubt_px=doubt_px))
    found = np.stack([local_mean(np.exp(logs[..., k]), strip.offsets_px) for k in (0, 1)], axis=1)
    both = (found[:, 1] > found[:, 0]) & _is_on(photo, strip, found)
    if both.sum() < MIN_STRETCHES:
        return None
    width = float(np.median(found[both, 1] - found[both, 0]))
    return _Look(
        strip=strip,
        stretches=stretches,
        trim=trim,
        logs=logs,
        found_px=found,
        both=both,
        width_px=width,
        line=_recentred(line, strip, found, both, width / 2),
    )


def _is_on(photo: Photo, strip: Strip, found: FloatArray) -> Flags:
    """Return where both edges lie inside the photo, so that its border is neither of them."""
    ends = np.stack([strip.at(found[:, k]) for k in (0, 1)], axis=1)
    most = np.array([photo.width_px, photo.height_px]) - 1 - RIM_PX
    return np.asarray(((ends > RIM_PX) & (ends < most)).all(axis=(1, 2)), dtype=bool)


def expectation(offsets_px: FloatArray, width_px: float, *, doubt_px: float) -> FloatArray:
    """Return ``(m, 2)``: how far left and right edge are expected where the outline has
    them, in logs up to a constant. Student's t with two degrees of freedom: a far better
    edge elsewhere still wins, an equal one beside the piece does not.
    """
    away = offsets_px[:, None] - np.array([-width_px / 2, width_px / 2])
    return np.asarray(-1.5 * np.log1p((away / doubt_px) ** 2 / 2), dtype=np.float64)


def _stretches(
    photo: Photo,
    line: CentreLine,
    offsets_px: FloatArray,
    stretches: int,
    *,
    trim: int,
) -> Strip:
    """Return the straightened piece without its ends, averaged along short stretches."""
    every = max(1, int(np.ceil(len(line.points_px) / (PROFILES_PER_STRETCH * stretches))))
    chosen = slice(trim, len(line.points_px) - trim, every)
    thinned = replace(
        line,
        points_px=line.points_px[chosen],
        tangents=line.tangents[chosen],
        step_px=line.step_px * every,
    )
    return averaged(sample_at(photo, thinned, offsets_px=offsets_px), stretches)


def _recentred(
    line: CentreLine, strip: Strip, found: FloatArray, both: Flags, radius_px: float
) -> CentreLine:
    """Return the line moved to the middle between the found edges."""
    middle = np.mean(found, axis=1)
    rows = np.nonzero(both)[0]
    # A stretch that went astray is held to its neighbours before the line follows it.
    kept = np.abs(middle[rows] - _running_median(middle[rows], 5)) < 0.25 * radius_px + 0.5
    rows = rows[kept] if kept.sum() >= MIN_STRETCHES else rows
    to_line = nearest(strip.points_px[rows], line.points_px)
    shift = np.interp(np.arange(len(line.points_px)), to_line, middle[rows])
    sigma = max(1.0, 1.5 * radius_px / line.step_px)
    points = line.points_px + smoothed(shift, sigma)[:, None] * line.normals
    return replace(line, points_px=points, tangents=unit_tangents(points), radius_px=radius_px)


def nearest(points: FloatArray, among: FloatArray) -> NDArray[np.intp]:
    """Return which of ``(m, 2)`` points lies nearest to each of ``(n, 2)``."""
    away = np.linalg.norm(points[:, None] - among, axis=2)
    return np.asarray(away.argmin(axis=1), dtype=np.intp)


def _running_median(values: FloatArray, size: int) -> FloatArray:
    half = size // 2
    padded = np.pad(values, half, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, size)
    return np.asarray(np.median(windows, axis=1), dtype=np.float64)
