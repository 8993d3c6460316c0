"""How thick is one strand of a cable?

The bundle's width is never given as the strand's. Where the grooves of a concentric
lay are read (:mod:`vision.lay`), the strand is a fixed part of the bundle. Where
they are not (fine bunched strands, too few pixels), the bundle still sets a bound,
and the bound is what is said.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite, sqrt

import cv2
import numpy as np

from rules.findings import Measurement, Unit
from vision.centreline import centre_line
from vision.lay import Lay, read_lay, strand_from_bundle
from vision.profiles import sample_profiles
from vision.types import Float32Array, FloatArray, Photo, Problem, Region

GROOVE_COHERENCE = 0.30
"""From here the rhythm of a lay is taken as read. Drawn solid wires stay under 0.08,
drawn cables of 40 px and more lie above 0.6 (tests/vision/test_lay.py)."""

RUNNER_UP_RATIO = 2.0
"""The second best number of layers must be this much weaker."""

MIN_STRAND_PX = 3.5
"""Grooves closer than this are blurred away by a phone's sharpening and JPEG."""

LAY_SLACK_REL = 0.02
"""Standard uncertainty of "strand = fixed share of bundle": strands of a real cable
don't touch all round, and a bent cable flattens. Assumed; no source found."""

LOOSEST_SHARE = 1 / 3
"""A strand is at most a third of the bundle: 7 wires are the fewest in common cable
(IEC 60228 class 2: at least 7 up to 35 mm², from memory; ASTM B8 class B: 7)."""

FINEST_SHARE = 0.03
"""About 800 strands, the finest welding cable. Common practice, no source."""

TEXTURE_ANGLE_DEG = (4.0, 40.0)
"""Strands cross the cable's axis under the lay angle: 7 to 24 degrees for lays of 7 to
20 diameters, more in bunched cord. Drawing marks of solid wire run at 0."""


STRIP_ACROSS_PX = 120
STRIP_ALONG = 40
"""Grooves are read on a strip this many pixels wide and this many widths long."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StraightStrip:
    """A long piece laid out straight.

    Attributes:
        light: ``(n, m, 3)`` linear light; rows along the piece, columns across it, both
            one step apart, the axis in the middle.
        width_px: Seen width of the piece in steps.
        step_px: Photo pixels a step.
    """

    light: Float32Array
    width_px: float
    step_px: float


def straightened(
    photo: Photo, region: Region, *, width_px: float | None = None
) -> StraightStrip | None:
    """Return the middle of a long piece laid out straight, None where it is too short.

    Args:
        photo: The photo.
        region: The piece.
        width_px: Its seen width in photo pixels where it was measured.
    """
    x, y, _, _ = region.box_px
    line = centre_line(region.mask, offset_px=(x, y))
    if line is None or line.length_px < 4 * line.radius_px:
        return None
    width = width_px if width_px is not None and isfinite(width_px) else 2 * line.radius_px
    step = max(1.0, width / STRIP_ACROSS_PX)
    along = np.arange(0, line.length_px, step) / line.step_px
    spare = max(0, len(along) - int(STRIP_ALONG * width / step)) // 2
    along = along[spare : len(along) - spare]
    index = np.arange(len(line.points_px))

    def resampled(values: FloatArray) -> FloatArray:
        columns = [np.interp(along, index, column) for column in np.atleast_2d(values.T)]
        return np.asarray(np.stack(columns, axis=-1))

    tangents = resampled(line.tangents)
    laid = replace(
        line,
        points_px=resampled(line.points_px),
        tangents=tangents / np.linalg.norm(tangents, axis=1, keepdims=True),
        radii_px=resampled(line.radii_px)[:, 0],
        step_px=step,
    )
    strip = sample_profiles(photo, laid, half_length_px=0.6 * width, step_px=step)
    return StraightStrip(light=np.nan_to_num(strip.profiles), width_px=width / step, step_px=step)


@dataclass(frozen=True, slots=True, kw_only=True)
class StrandReading:
    """What the surface of a long piece says about strands.

    Attributes:
        groove_p: Probability that the piece is a bundle of strands.
        lay: The concentric lay, None where none was read.
        strand_diameter: Of one strand, None where the piece shows no grooves.
        problems: What would make it better.
    """

    groove_p: float
    lay: Lay | None
    strand_diameter: Measurement | None
    problems: tuple[Problem, ...] = ()


def read_strands(
    strip: Float32Array, *, width_px: float, bundle: Measurement | None
) -> StrandReading:
    """Return what a straightened strip of a long piece says about its strands.

    Args:
        strip: ``(n, m, 3)`` linear light along the piece (one row a pixel) and across
            it (one column a pixel, axis in the middle).
        width_px: Seen width of the piece in the same pixels.
        bundle: Outer diameter of the piece in mm, None without a scale.
    """
    grey = _contrast_channel(strip)
    lay = read_lay(grey, width_px=width_px)
    read = (
        lay is not None
        and lay.coherence >= GROOVE_COHERENCE
        and lay.coherence >= RUNNER_UP_RATIO * lay.runner_up
        and width_px * strand_from_bundle(lay.layers) >= MIN_STRAND_PX
    )
    rhythm_p = _ramp(lay.coherence, 0.12, GROOVE_COHERENCE) if lay is not None else 0.0
    groove_p = float(np.clip(max(rhythm_p, _texture_p(grey, width_px)), 0.02, 0.98))
    if bundle is None or groove_p < 0.1:
        return StrandReading(groove_p=groove_p, lay=lay if read else None, strand_diameter=None)
    if read and lay is not None:
        return StrandReading(groove_p=groove_p, lay=lay, strand_diameter=_of_lay(bundle, lay))
    return StrandReading(
        groove_p=groove_p,
        lay=None,
        strand_diameter=bounded_by_bundle(bundle),
        problems=(
            Problem(
                code="strands_not_resolved",
                text="The single strands can't be told apart, so only a wide range is given.",
                fix="Fan the end out, or photograph the cut end from close up and say "
                "--form cut_end.",
            ),
        ),
    )


def _of_lay(bundle: Measurement, lay: Lay) -> Measurement:
    share = strand_from_bundle(lay.layers)
    value = bundle.value * share
    parts = {"bundle": bundle.u * share, "lay": LAY_SLACK_REL * value}
    return Measurement.normal(
        value, sqrt(sum(p * p for p in parts.values())), Unit.MILLIMETRE, budget=parts
    )


def bounded_by_bundle(bundle: Measurement) -> Measurement:
    """Return the widest honest statement on a strand: anything the bundle allows.

    Taken as evenly likely between the two bounds (JCGM 100, 4.3.7).
    """
    low, high = FINEST_SHARE * bundle.value, LOOSEST_SHARE * bundle.value
    spread = high - low
    u = spread / sqrt(12)
    return Measurement(
        value=(low + high) / 2,
        u=u,
        unit=Unit.MILLIMETRE,
        low95=low + 0.025 * spread,
        high95=high - 0.025 * spread,
        budget={"strands not resolved": u},
    )


def _contrast_channel(strip: Float32Array) -> Float32Array:
    """The channel whose light varies most against its mean: grooves are dark in all."""
    mean = np.maximum(strip.mean(axis=(0, 1)), 1e-4)
    return np.asarray(strip[..., int(np.argmax(strip.std(axis=(0, 1)) / mean))], np.float32)


def _texture_p(grey: Float32Array, width_px: float) -> float:
    """Probability of oblique fine lines, as bunched strands without a rhythm show."""
    middle = (grey.shape[1] - 1) / 2
    half = 0.32 * width_px
    used = grey[:, max(0, int(middle - half)) : int(middle + half) + 1]
    if used.shape[1] < 6 or used.shape[0] < 3 * width_px:
        return 0.0
    logged = np.log(np.maximum(used, 1e-3)).astype(np.float32)
    # What stays the same along the piece is its round shape and its light, not strands.
    residual = logged - cv2.GaussianBlur(logged, (1, 0), sigmaX=0.01, sigmaY=1.2 * width_px)
    residual -= residual.mean(axis=1, keepdims=True)
    smooth = cv2.GaussianBlur(residual, (0, 0), 0.8)
    along, across = cv2.Sobel(smooth, cv2.CV_32F, 0, 1), cv2.Sobel(smooth, cv2.CV_32F, 1, 0)
    jaa, jcc, jac = (along**2).mean(), (across**2).mean(), (along * across).mean()
    root = sqrt(float((jaa - jcc) ** 2 + 4 * jac**2))
    coherence = root / float(jaa + jcc + 1e-12)
    # Lines run at right angles to the gradient; 0 degrees is along the piece.
    angle = abs(0.5 * np.degrees(np.arctan2(2 * jac, jcc - jaa)))
    oblique = TEXTURE_ANGLE_DEG[0] <= angle <= TEXTURE_ANGLE_DEG[1]
    contrast = float(residual.std())
    return _ramp(coherence, 0.25, 0.6) * _ramp(contrast, 0.06, 0.2) * (1.0 if oblique else 0.1)


def _ramp(x: float, low: float, high: float) -> float:
    return float(np.clip((x - low) / (high - low), 0.0, 1.0))
