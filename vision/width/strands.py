"""How thick is one strand of a cable?

The bundle's width is never given as the strand's. A small network says what part of the
bundle one strand is, and how sure that is (:mod:`vision.width.strip_look`); the rhythm of a
concentric lay's grooves sharpens that (:mod:`vision.width.lay`). Where it can't tell (fine
bunched strands, too few pixels), none is given: a third of the bundle is all that is known,
and the middle of so wide a range would pass for a measurement.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, hypot, isfinite, log, sqrt

import numpy as np

from rules.findings import Measurement, Unit
from vision.pieces.centreline import CentreLine, centre_line
from vision.problems import problem_of
from vision.types import Float32Array, FloatArray, Photo, Problem, Region
from vision.width.lay import share_likelihood
from vision.width.profiles import quickly_at
from vision.width.strip_look import (
    MOST_WINDOWS,
    StripLook,
    StripModel,
    bin_middles,
    look_at,
    windows_of,
)
from vision.width.winding import axis_line

LEAST_GROOVE_P = 0.1
"""Less likely than this a bundle, no strand is spoken of."""

LAY_SLACK_REL = 0.02
"""Standard uncertainty of "strand = fixed share of bundle": strands of a real cable
don't touch all round, and a bent cable flattens. Assumed; no source found."""

EDGE_PARTS = ("edges", "layout", "plain_run", "scatter")
"""Parts of a bundle's budget that say how well its edges were found
(:func:`vision.width.budget.combined`); the others are those of the scale and the camera."""

LOOSEST_SHARE = 1 / 3
"""A strand is at most a third of the bundle: 7 wires are the fewest in common cable
(IEC 60228 class 2: at least 7 up to 35 mm², from memory; ASTM B8 class B: 7)."""

RESOLVED_U_LOG = 0.15
"""With more doubt of the logarithm of a strand's share than this, strands are not resolved."""

MOST_JACKET_P = 0.5
"""Likelier than this, the bundle's plastic is what is seen, and no strand of it."""

STRIP_ACROSS_PX = 120
STRIP_ALONG = 40
"""Grooves are read on a piece at most this many pixels wide and this many widths long ..."""

HALF_ACROSS_WIDTHS = 0.6
"""... on a strip that goes a little beyond it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StraightStrip:
    """A long piece laid out straight.

    Attributes:
        light: ``(n, m, 3)`` linear light; rows along the piece, columns across it, both
            one step apart, the axis in the middle.
        width_px: Seen width of the piece in steps.
        step_px: Photo pixels a step.
        points_px: ``(n, 2)`` where on the photo the middle of each row lies.
        normals: ``(n, 2)`` unit vectors across the piece, towards later columns.
    """

    light: Float32Array
    width_px: float
    step_px: float
    points_px: FloatArray
    normals: FloatArray


def straightened(
    photo: Photo,
    region: Region,
    *,
    width_px: float | None = None,
    line: CentreLine | None = None,
) -> StraightStrip | None:
    """Return the middle of a long piece laid out straight, None where it is too short.

    Args:
        photo: The photo.
        region: The piece.
        width_px: Its seen width in photo pixels where it was measured.
        line: Its centre line where that is known already.
    """
    line = line or centre_line(region.mask, offset_px=region.box_px[:2])
    if line is None or line.length_px < 4 * line.radius_px:
        return None
    width = width_px if width_px is not None and isfinite(width_px) else 2 * line.radius_px
    return _laid_out(photo, line, width)


def along_axis(photo: Photo, region: Region) -> StraightStrip:
    """Return a piece laid out along its tightest rectangle, where it is too short for more.

    The network never learned from such strips, and still knows fittings and coils on them.
    """
    line = axis_line(region)
    return _laid_out(photo, line, 2 * line.radius_px)


def _laid_out(photo: Photo, line: CentreLine, width: float) -> StraightStrip:
    step = max(1.0, width / STRIP_ACROSS_PX)
    along = np.arange(0, line.length_px, step) / line.step_px
    spare = max(0, len(along) - int(STRIP_ALONG * width / step)) // 2
    along = along[spare : len(along) - spare]
    index = np.arange(len(line.points_px))

    def resampled(values: FloatArray) -> FloatArray:
        columns = [np.interp(along, index, column) for column in np.atleast_2d(values.T)]
        return np.asarray(np.stack(columns, axis=-1))

    normals = resampled(line.normals)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    half = int(np.ceil(HALF_ACROSS_WIDTHS * width / step))
    offsets = np.arange(-half, half + 1) * step
    points = resampled(line.points_px)
    at = points[:, None] + offsets[:, None] * normals[:, None]
    return StraightStrip(
        light=quickly_at(photo, at, step_px=step),
        width_px=width / step,
        step_px=step,
        points_px=points,
        normals=normals,
    )


def look_at_strip(
    strip: StraightStrip, model: StripModel, *, most: int = MOST_WINDOWS
) -> StripLook:
    """Return what the network says of a straightened piece.

    Args:
        strip: The piece.
        model: From :func:`vision.width.strip_look.load_strip_model`.
        most: Look at so many windows of it at most.
    """
    windows = windows_of(strip.light, width_px=strip.width_px, step_px=strip.step_px, most=most)
    return look_at(model, windows)


@dataclass(frozen=True, slots=True, kw_only=True)
class StrandReading:
    """What the surface of a long piece says about strands.

    Attributes:
        groove_p: Probability that the piece is a bundle of strands, by its look alone,
            had it been a toss-up before.
        strand_diameter: Of one strand, None where the piece shows no grooves or they can't
            be told apart.
    """

    groove_p: float
    strand_diameter: Measurement | None


def read_strands(
    strip: Float32Array, *, width_px: float, bundle: Measurement | None, look: StripLook
) -> StrandReading:
    """Return what a straightened strip of a long piece says about its strands.

    Args:
        strip: ``(n, m, 3)`` linear light of a long piece along it (one row a pixel) and
            across it (one column a pixel, axis in the middle).
        width_px: Seen width of the piece in the same pixels.
        bundle: Outer diameter of the piece in mm, None without a scale.
        look: What the network said of the same strip.
    """
    strand: Measurement | None = None
    bare = look.groove_p >= LEAST_GROOVE_P and look.of("jacket") <= MOST_JACKET_P
    if bundle is not None and bare and look.u_log_share < RESOLVED_U_LOG:
        strand = strand_of_bundle(bundle, with_lay(look, strip, width_px, bundle))
    return StrandReading(groove_p=look.groove_p, strand_diameter=strand)


def with_lay(
    look: StripLook, strip: Float32Array, width_px: float, bundle: Measurement
) -> StripLook:
    """Return the look with its shares weighed by the rhythm of the grooves.

    Args:
        look: What the network said; only what it holds for possible is sharpened.
        strip: The strip it looked at.
        width_px: Width of the piece in its columns.
        bundle: Outer diameter: its doubt smears the share that a lay has of it.
    """
    likelihood = share_likelihood(
        contrast_channel(strip),
        width_px=width_px,
        log_shares=bin_middles(),
        u_log=hypot(LAY_SLACK_REL, (_edges_u(bundle) or bundle.u) / bundle.value),
    )
    share_p = look.share_p * likelihood
    return replace(look, share_p=share_p / share_p.sum())


def _edges_u(bundle: Measurement) -> float:
    """Return the doubt of where the bundle's edges lie; 0 where the budget tells nothing of it."""
    return hypot(*(bundle.budget.get(name, 0.0) for name in EDGE_PARTS))


def contrast_channel(strip: Float32Array) -> Float32Array:
    """Return the channel whose light varies most against its mean: grooves are dark in all."""
    mean = np.maximum(strip.mean(axis=(0, 1)), 1e-4)
    return np.asarray(strip[..., int(np.argmax(strip.std(axis=(0, 1)) / mean))], np.float32)


def not_resolved(bundle: Measurement) -> Problem:
    """Say that no strand is given, and what is known of it all the same."""
    most_mm = LOOSEST_SHARE * bundle.value
    return problem_of("strands_not_resolved", most_mm=most_mm)


def strand_of_bundle(bundle: Measurement, look: StripLook) -> Measurement:
    """Return one strand's diameter from the bundle's and what the network says of its share.

    Value and interval are the histogram's median and quantiles times the bundle; the two
    doubts join as independent ones, relative (JCGM 100, 5.1.6). The share is that of the
    width as it was measured: a bundle read too wide shows finer strands, and the network
    learned from such. So what the edges add to the bundle's doubt is in the histogram.
    """
    share = look.share_at(0.5)
    value = bundle.value * share
    scale_rel = sqrt(max(bundle.u**2 - _edges_u(bundle) ** 2, 0.0)) / bundle.value
    parts = {"bundle": scale_rel * value, "ratio": look.u_log_share * value}

    def reach(quantile: float) -> float:
        return hypot(log(look.share_at(quantile) / share), 1.96 * scale_rel)

    return Measurement(
        value=value,
        u=hypot(*parts.values()),
        unit=Unit.MILLIMETRE,
        low95=value * exp(-reach(0.025)),
        high95=value * exp(reach(0.975)),
        budget=parts,
    )
