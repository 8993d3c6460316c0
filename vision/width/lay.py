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
from math import exp, log, pi, sin

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

ACROSS_PX = 40
"""Wider strips are brought to so many pixels: 37 strands still have 5.5 each, and on rendered
cables more told no more."""

MOST_LAY_P = 0.6
"""How far the clearest rhythm is believed to be that of a concentric lay ..."""

CLEAR_AT, CLEAR_SOFTNESS = 0.15, 0.08
"""... half as far at this coherence. Chosen by the log likelihood of the true share, over 68
strips of 46 rendered cables whose width was right within 6 %: loose bunches of 26 beat in the
rhythm of 7 or 19 at up to 0.8."""


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


def share_likelihood(
    strip: Float32Array, *, width_px: float, log_shares: FloatArray, u_log: float
) -> FloatArray:
    """Return how likely the grooves are for each share that a strand may be of the bundle.

    A concentric lay has few shares, one a number of layers; a rope or a loose bunch any, and
    its grooves may still beat in a lay's rhythm. So the evidence is even, with a peak at
    each lay's share as high as its rhythm is clear.

    Args:
        strip: ``(n, m)`` light along the cable (rows, one pixel apart) and across it (columns,
            one pixel apart, the axis in the middle); brought to ``ACROSS_PX`` where it is wider.
        width_px: Seen width of the cable in the same pixels.
        log_shares: ``(n,)`` natural logarithms of the shares asked for, evenly spaced.
        u_log: Standard uncertainty of the width and of how tightly strands lie, relative.

    Returns:
        ``(n,)``, mean about 1.
    """
    even = np.ones(len(log_shares))
    strip, width_px = _narrowed(strip, width_px)
    clear = dict.fromkeys(LAYERS, 0.0)
    for rhythm in _rhythms(strip, width_px):
        clear[rhythm.layers] = max(clear[rhythm.layers], rhythm.coherence)
    best, total = max(clear.values()), sum(clear.values())
    if total == 0:
        return even
    p = MOST_LAY_P / (1 + exp((CLEAR_AT - best) / CLEAR_SOFTNESS))
    step = float(log_shares[1] - log_shares[0])
    likelihood = (1 - p) * even
    for layers, coherence in clear.items():
        away = (log_shares - log(strand_from_bundle(layers))) / max(u_log, step)
        peak = np.exp(-0.5 * away**2)
        likelihood += p * coherence / total * len(even) * peak / max(float(peak.sum()), 1e-9)
    return likelihood


def _narrowed(strip: Float32Array, width_px: float) -> tuple[Float32Array, float]:
    """Return a strip and its width, at most ``ACROSS_PX`` wide."""
    factor = ACROSS_PX / width_px
    if factor >= 1:
        return strip, width_px
    size = (max(4, round(strip.shape[1] * factor)), max(4, round(strip.shape[0] * factor)))
    even = cv2.resize(strip, size, interpolation=cv2.INTER_AREA)
    return np.asarray(even, dtype=np.float32), float(ACROSS_PX)


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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rhythm:
    """How well the grooves obey one number of layers, wound one way round."""

    coherence: float
    layers: int


def _rhythms(strip: Float32Array, width_px: float) -> list[_Rhythm]:
    """Return what was tried, the most coherent first; nothing where the strip is too short."""
    pattern = _pattern(strip, width_px)
    length = min(int(WINDOW_DIAMETERS * width_px), pattern.shape[0])
    if length < 4 * width_px or pattern.shape[1] < 5:
        return []
    spectrum, frequency = _spectra(pattern, length)
    offset_px = (np.arange(strip.shape[1]) - (strip.shape[1] - 1) / 2)[_columns(strip, width_px)]
    power = (np.abs(spectrum) ** 2).sum(axis=2).mean(axis=0)
    most = float(power[1:].max())
    found: list[_Rhythm] = []
    for layers in LAYERS:
        axis_px = width_px / mean_silhouette(layers) / 2 * (2 * layers) / (2 * layers + 1)
        phase = 6 * layers * np.arcsin(np.clip(offset_px / axis_px, -1, 1))
        low = 6 * layers / (LAY_RATIO[1] * width_px)
        high = 6 * layers / (LAY_RATIO[0] * width_px)
        band = np.flatnonzero((frequency >= low) & (frequency <= min(high, 0.45)))
        if len(band) < 3:
            continue
        for hand in (-1, 1):
            steered = np.abs(spectrum[:, band] @ np.exp(1j * hand * phase)) ** 2
            gain = steered.mean(axis=0) / len(offset_px)
            best = int(np.argmax(gain))
            at = int(band[best])
            share = float(gain[best] / max(power[at], 1e-12))
            # A rhythm counts by how much of all structure beats in it, not by its purity alone.
            strength = float(power[at] / max(most, 1e-12))
            found.append(_Rhythm(coherence=share * min(1.0, strength * 2), layers=layers))
    return sorted(found, key=lambda rhythm: -rhythm.coherence)
