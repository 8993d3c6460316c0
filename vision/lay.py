"""How many strands does a twisted cable show, by the rhythm of its grooves?

Works on a straightened strip of the cable and knows only geometry. A concentric
lay of ``k`` layers over one core wire has ``6 k`` wires in its outer layer, each a
helix. Seen from the side, wire number ``j`` runs through
``t = r sin(2 pi s / L + 2 pi j / 6k)``, with ``s`` along the cable, ``t`` across it,
``L`` the lay length and ``r`` the radius of the wires' axes. A pattern that repeats
with period ``L / 6k`` along ``s`` is therefore shifted, at offset ``t``, by the phase
``6 k asin(t / r)``, which knows neither ``L`` nor the period: one fixed set of phases
for each ``k``. Steering the columns of the strip's Fourier transform by each set and
adding up tells which ``k`` the grooves obey, as a phased array tells a direction.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sin

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.types import Float32Array, FloatArray

LAYERS = (1, 2, 3)
"""Layers over the core: 7, 19 and 37 wires (concentric lay, ASTM B8; IEC 60228)."""

LAY_RATIO = (7.0, 20.0)
"""Lay length over outer diameter. ASTM B8 asks for 8 to 16 in the outer layer (from
memory); a little more on both sides for cable that was bent."""

USED_HALF_WIDTH = 0.36
"""Columns within this share of the diameter from the middle: further out the grooves
crowd and fade."""

WINDOW_DIAMETERS = 10.0
"""Length of one Fourier window; holds 4 periods of 7 wires at the longest usual lay."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lay:
    """What the grooves of a strip say.

    Attributes:
        layers: Best number of layers over the core.
        coherence: Share of the strip's structure at the groove rhythm that obeys the
            helix of ``layers``, 0 to 1.
        runner_up: The same for the next best number of layers, or the wrong way round.
        contrast: Standard deviation of the groove pattern over the mean light.
        period_px: Distance between grooves along the cable, pixels.
        lay_ratio: Lay length over outer diameter.
    """

    layers: int
    coherence: float
    runner_up: float
    contrast: float
    period_px: float
    lay_ratio: float

    @property
    def strands(self) -> int:
        """Number of wires of a concentric lay with so many layers."""
        return 1 + 3 * self.layers * (self.layers + 1)


def mean_silhouette(layers: int) -> float:
    """Return the mean seen width of a concentric lay over its circumscribed diameter.

    The outline is scalloped: it touches the circle only where a wire stands at the
    very side. Averaged over the turn of the helix, with ``6 k`` wires.
    """
    half_step = pi / (6 * layers)
    axis_radius = 2.0 * layers  # in wire radii; the circle has 2 k + 1
    return (axis_radius * sin(half_step) / half_step + 1) / (2 * layers + 1)


def strand_from_bundle(layers: int) -> float:
    """Return the strand's diameter as a share of the bundle's mean seen width."""
    return 1 / ((2 * layers + 1) * mean_silhouette(layers))


def read_lay(strip: Float32Array, *, width_px: float) -> Lay | None:
    """Return what the grooves of a straightened strip say, None if it is too short.

    Args:
        strip: ``(n, m)`` light along the cable (rows, one pixel apart) and across it
            (columns, one pixel apart, the axis in the middle).
        width_px: Seen width of the cable in the same pixels.
    """
    pattern = _pattern(strip, width_px)
    length = int(WINDOW_DIAMETERS * width_px)
    length = min(length, pattern.shape[0])
    if length < 4 * width_px or pattern.shape[1] < 5:
        return None
    spectrum, frequency = _spectra(pattern, length)
    offset = (np.arange(strip.shape[1]) - (strip.shape[1] - 1) / 2)[_columns(strip, width_px)]
    return _best(spectrum, frequency, offset, width_px, float(pattern.std()))


def _columns(strip: Float32Array, width_px: float) -> slice:
    middle = (strip.shape[1] - 1) / 2
    half = USED_HALF_WIDTH * width_px
    return slice(max(0, int(np.ceil(middle - half))), int(np.floor(middle + half)) + 1)


def _pattern(strip: Float32Array, width_px: float) -> Float32Array:
    """Light over its own slow course along the cable, minus 1, in the used columns."""
    used = np.ascontiguousarray(strip[:, _columns(strip, width_px)], dtype=np.float32)
    slow = cv2.GaussianBlur(used, (1, 0), sigmaX=0.01, sigmaY=1.5 * width_px)
    pattern = used / np.maximum(slow, 1e-4) - 1
    return np.asarray(np.clip(pattern, -1.5, 1.5), dtype=np.float32)


def _spectra(pattern: Float32Array, length: int) -> tuple[NDArray[np.complex128], FloatArray]:
    """Return ``(windows, frequencies, columns)`` Hann-windowed spectra, half overlapping."""
    starts = range(0, pattern.shape[0] - length + 1, max(1, length // 2))
    taper = np.hanning(length)[:, None]
    padded = 4 * length
    spectra = [np.fft.rfft(pattern[s : s + length] * taper, n=padded, axis=0) for s in starts]
    return np.stack(spectra), np.fft.rfftfreq(padded)


def _best(
    spectrum: NDArray[np.complex128],
    frequency: FloatArray,
    offset_px: FloatArray,
    width_px: float,
    contrast: float,
) -> Lay | None:
    power = (np.abs(spectrum) ** 2).sum(axis=2).mean(axis=0)
    found: list[tuple[float, int, float]] = []
    for layers in LAYERS:
        axis_px = width_px / mean_silhouette(layers) / 2 * (2 * layers) / (2 * layers + 1)
        phase = 6 * layers * np.arcsin(np.clip(offset_px / axis_px, -1, 1))
        low = 6 * layers / (LAY_RATIO[1] * width_px)
        high = 6 * layers / (LAY_RATIO[0] * width_px)
        band = np.flatnonzero((frequency >= low) & (frequency <= min(high, 0.45)))
        if len(band) < 3:
            continue
        for hand in (-1, 1):
            steered = np.abs((spectrum * np.exp(1j * hand * phase)).sum(axis=2)) ** 2
            gain = steered.mean(axis=0) / len(offset_px)
            at = int(band[np.argmax(gain[band])])
            share = float(gain[at] / max(power[at], 1e-12))
            # A rhythm counts by how much of all structure beats in it, not by its purity alone.
            strength = float(power[at] / max(power[1:].max(), 1e-12))
            found.append((share * min(1.0, strength * 2), layers, 1 / float(frequency[at])))
    if not found:
        return None
    found.sort(reverse=True)
    coherence, layers, period = found[0]
    return Lay(
        layers=layers,
        coherence=coherence,
        runner_up=found[1][0] if len(found) > 1 else 0.0,
        contrast=contrast,
        period_px=period,
        lay_ratio=6 * layers * period / width_px,
    )
