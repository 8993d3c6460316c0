"""Which stretches of a piece are as thick as the piece is?

A piece is as thick all along, so its plain run is where most stretches agree: fittings,
crossings and ends fall out. What is left is looked at again alone.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision.types import FloatArray, Photo
from vision.width.edges import MIN_STRETCHES, Edges, Flags, edges_at, nearest

AGREE_REL = 0.04
"""Stretches within this of the mode belong to the plain run ..."""

AGREE_PX = 0.8
"""... or within this, where pixels are coarser."""

FITTING_LOG = 0.05
"""A fitting is thicker than its tube by this and more: twice a wall of 0.9 mm and the gap
on a 28 mm tube (EN 1254-1, from memory) are 7 % ..."""

NUT_LOG = 0.405
"""... and by this at most, half as thick again: what is thinner still is another piece, or the
conductor at a cable's end."""

FITTED_SUPPORT = 0.25
"""An elbow's arms may be short: nine of 22 rendered tubes in fittings showed tube on about a
third of their length or less, ends left out."""

LEAST_FITTED_MM = 5.0
"""Nothing thinner carries a fitting: tube in the trade starts at 6 mm (EN 1057)."""

MOST_OF_PIECE = 0.5
"""A run shorter than this share of the line must be explained by what the rest is. Of 114
measured renders five had one that nothing explained: in four the line ran from one piece on to
another across it, in one along a shadow; four of the five were off by 26 to 74 %."""

STRIPPED_SHARE, STRIPPED_LOG = 0.7, 0.1
"""A stripped end is as thick all along: of what is thinner than the run so much agrees within
this. In five of six rendered cables 0.71 to all of it did, in one with fanned strands 0.47."""


def look_again(photo: Photo, edges: Edges, run: Flags) -> Edges | None:
    """Return the edges of a run alone, looked for at its own width.

    The network takes a piece for equally thick all along: beside a fitting it sees the
    tube wider than it is.
    """
    line = edges.line
    own = run[nearest(line.points_px, edges.middles_px)]
    line = replace(line, points_px=line.points_px[own], tangents=line.tangents[own])
    start = float(np.median(edges.width_px[run]))
    return edges_at(photo, line, width_px=start, stretches=int(run.sum()))


def plain_run(diameters: FloatArray, *, tolerance_rel: float) -> Flags:
    """Return which stretches agree with the most common diameter.

    The mode is the peak of a Gaussian density over the diameters with half the
    tolerance as bandwidth; what lies within the tolerance of it is kept. On tube the
    thinner mode wins where all that is as much thinner as a tube is than its fitting makes a
    quarter of the support: elbows, nuts and sockets may be longer than what is seen of it.

    >>> plain_run(np.array([15.0, 15.1, 15.0, 15.0, 17.4, 17.4]), tolerance_rel=0.04).tolist()
    [True, True, True, True, False, False]
    """
    logs = np.log(np.maximum(diameters, 1e-9))
    away = np.abs(logs[:, None] - logs[None, :])
    density = np.exp(-0.5 * (away / (tolerance_rel / 3)) ** 2).sum(axis=1)
    near = away < tolerance_rel
    support = near.sum(axis=1)
    mode = int(np.argmax(density))
    is_peak = density >= np.where(away < tolerance_rel / 2, density[None, :], 0).max(axis=1)
    least = max(MIN_STRETCHES + 1, FITTED_SUPPORT * support[mode])
    # Beside a fitting the tube's own sides are read unevenly: all that is thinner speaks for it.
    fitted = (
        (logs < logs[mode] - FITTING_LOG)
        & (logs > logs[mode] - NUT_LOG)
        & (diameters >= LEAST_FITTED_MM)
    )
    thinner = is_peak & fitted & (fitted.sum() >= least)
    if thinner.any():
        mode = int(np.argmax(np.where(thinner, density, 0)))
    centre = np.median(logs[near[mode]])
    return np.asarray(np.abs(logs - centre) < tolerance_rel, dtype=bool)


def is_one_piece(diameters: FloatArray, run: Flags) -> bool:
    """Return whether all stretches may belong to one piece that is as thick as the run.

    They may where the run is most of it, where the rest is thicker as a tube's fitting
    is, or steadily thinner as a stripped end is.

    Args:
        diameters: Of each stretch, mm.
        run: Which of them the diameter is taken from.
    """
    if run.mean() >= MOST_OF_PIECE:
        return True
    logs = np.log(np.maximum(diameters, 1e-9))
    rest = logs[~run] - np.median(logs[run])
    if np.median(rest) > 0:
        return bool(np.median(diameters[run]) >= LEAST_FITTED_MM and np.median(rest) < NUT_LOG)
    agree = np.abs(rest[:, None] - rest[None, :]) < STRIPPED_LOG
    return bool(agree.mean(axis=1).max() >= STRIPPED_SHARE)
