"""How thick is one strand of a cable?

The bundle's width is never given as the strand's. A small network says what part of the
bundle one strand is, and how sure that is (:mod:`vision.width.strand.strip_look`); where it
sees seven wires, geometry says it better. Where it can't tell
(fine bunched strands, too few pixels), none is given: a third of the bundle is all that is known,
and the middle of so wide a range would pass for a measurement.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot, isfinite, log, pi, sqrt

import numpy as np

from rules.findings import Measurement, Unit
from vision.pieces.centreline import CentreLine, axis_line, centre_line
from vision.problems import problem_of
from vision.types import Float32Array, FloatArray, Photo, Problem, Region
from vision.width.budget import edges_u
from vision.width.profiles import quickly_at
from vision.width.strand.strip_look import (
    ACROSS_PX,
    SPAN_WIDTHS,
    StripLook,
    Windows,
    load_strip_model,
    look_at,
    windows_of,
)

LEAST_GROOVE_P = 0.1
"""Less likely than this a bundle, no strand is spoken of."""

LOOSEST_SHARE = 1 / 3
"""A strand is at most a third of the bundle: 7 wires are the fewest in common cable
(IEC 60228 class 2: at least 7 up to 35 mm², from memory; ASTM B8 class B: 7)."""

SEVEN_SHARE = pi / (6 + pi)
"""One wire of seven over the mean seen width of the bundle. Six wires of radius 1 run round one
at a distance of 2, so the outline reaches ``1 + 2 cos(t)``, ``t`` within 30 degrees of the side
(geometry of a concentric lay, ASTM B8): ``1 + 6 / pi`` in the mean."""

SEVEN_RANGE = (0.26, 0.45)
"""Shares that no other common cable has: 19 wires have 0.20 (the geometric mean of both is the
lower limit), two cores side by side 0.5."""

SEVEN_P = 0.9
"""The network must hold a share in that range for so likely: six of eight bare rendered cables of
seven wires pass, at 0.98 and more, and of 25 other cables none is above 0.42."""

SEVEN_SLACK_REL = 0.02
"""Standard uncertainty of that share: wires of a real cable don't touch all round, and a bent
cable flattens. Assumed; no source found. On those six the strand is off by 0.5 to 3.5 %, 1.6 %
in the median, scale and edges included; by the network's own share by 2.5 %."""

RESOLVED_U_LOG = 0.15
"""With more doubt of the logarithm of a strand's share than this, strands are not resolved."""

MOST_JACKET_P = 0.5
"""Likelier than this, the bundle's plastic is what is seen, and no strand of it."""

STRIP_ACROSS_PX = 120
STRIP_ALONG = 40
"""Grooves are read on a piece at most this many pixels wide and this many widths long ..."""

HALF_ACROSS_WIDTHS = 0.6
"""... on a strip that goes a little beyond it."""

CLOSE_PX = ACROSS_PX / SPAN_WIDTHS
"""From close by a strip is cut so wide: a pixel of a window is one of the photo then."""

CLOSE_FROM = 1.5
"""Pieces so many times wider are looked at from close by as well: fine turns of a winding lie
closer than the pixels of a window of the whole width. Chosen: such a pixel is then 1.5 of the
photo's, and turns of 3 px are about to be lost."""


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


def from_close_by(photo: Photo, strip: StraightStrip) -> StraightStrip | None:
    """Return the middle of a wide piece at the photo's own resolution, None of a narrow one."""
    width = strip.width_px * strip.step_px
    if width < CLOSE_FROM * CLOSE_PX:
        return None
    line = CentreLine(
        points_px=strip.points_px,
        tangents=np.column_stack([-strip.normals[:, 1], strip.normals[:, 0]]),
        radius_px=width / 2,
        step_px=strip.step_px,
    )
    return _laid_out(photo, line, CLOSE_PX)


def look_at_strip(photo: Photo, strip: StraightStrip) -> StripLook:
    """Return what the network says of a straightened piece."""
    close = from_close_by(photo, strip)
    return look_at(load_strip_model(), _windows(strip), None if close is None else _windows(close))


def _windows(strip: StraightStrip) -> Windows:
    return windows_of(strip.light, width_px=strip.width_px, step_px=strip.step_px)


def strand_of(look: StripLook, bundle: Measurement) -> Measurement | None:
    """Return one strand's diameter, None where no strands are seen or they can't be told apart.

    Args:
        look: What the network said of the straightened strip.
        bundle: Outer diameter of the piece, mm.
    """
    if look.groove_p < LEAST_GROOVE_P or look.of("jacket") > MOST_JACKET_P:
        return None
    if look.share_within(*SEVEN_RANGE) > SEVEN_P:
        return strand_of_seven(bundle)
    return strand_of_bundle(bundle, look) if look.u_log_share < RESOLVED_U_LOG else None


def strand_of_seven(bundle: Measurement) -> Measurement:
    """Return the diameter of one of seven wires from the bundle's seen width, by geometry.

    >>> round(strand_of_seven(Measurement.normal(3.0, 0.03, Unit.MILLIMETRE)).value, 2)
    1.03
    """
    value = SEVEN_SHARE * bundle.value
    parts = {"bundle": SEVEN_SHARE * bundle.u, "ratio": SEVEN_SLACK_REL * value}
    return Measurement.normal(value, hypot(*parts.values()), Unit.MILLIMETRE, budget=parts)


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
    scale_rel = sqrt(max(bundle.u**2 - edges_u(bundle) ** 2, 0.0)) / bundle.value
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
