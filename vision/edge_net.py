"""Where across a profile are the edges of a round piece of metal?

A polished wire mirrors the table near its rims, and the table beside it carries its
shadow: no single change of brightness is the edge. A small convolution network weighs
colour, shadow and reflection as it learned from traced cross-sections whose edges are
known by construction (``models/recipe/edge_profiles.py``, ``edge_net.py``). It gives,
for each position, how likely the left and the right edge are there.

Run with numpy: it is small, and needs no session to start.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np

from vision.profiles import Strip
from vision.types import Float32Array, FloatArray

WEIGHTS = Path(__file__).parent / "data" / "edge_net.npz"

LOG_FLOOR = 0.004
"""Added before the logarithm: one sRGB code step near black, below which is only noise."""

SAMPLES = 192
"""Samples of a profile, as trained."""

WINDOW_WIDTHS = 1.5
"""The profile reaches this many expected widths to both sides, as trained."""


def window_offsets(width_px: float) -> FloatArray:
    """Return the offsets, px, at which a profile must be sampled for this expected width."""
    return np.linspace(-1, 1, SAMPLES) * WINDOW_WIDTHS * width_px


@cache
def _layers() -> tuple[tuple[Float32Array, Float32Array, int], ...]:
    """Weights as ``(kernel * before, after)``, biases and dilations, read once."""
    with np.load(WEIGHTS, allow_pickle=False) as stored:
        return tuple(
            (
                np.ascontiguousarray(
                    stored[f"w{k}"].transpose(2, 1, 0).reshape(-1, stored[f"w{k}"].shape[0])
                ),
                stored[f"b{k}"],
                int(dilation),
            )
            for k, dilation in enumerate(stored["dilations"])
        )


def edge_logits(strip: Strip, *, width_px: float) -> Float32Array:
    """Return ``(n, SAMPLES, 2)`` scores for the left and the right edge of each profile.

    Args:
        strip: Sampled at :func:`window_offsets` of the same width.
        width_px: The expected width.
    """
    x = _inputs(strip.profiles, width_px)
    layers = _layers()
    for number, (weights, bias, dilation) in enumerate(layers):
        x = _convolved(x, weights, dilation)
        x += bias
        if number < len(layers) - 1:
            np.maximum(x, 0, out=x)
    return x


def _inputs(profiles: Float32Array, width_px: float) -> Float32Array:
    """Log colours about their mean, linear colours, what is known, how coarse the pixels are."""
    known = np.asarray(np.isfinite(profiles).all(axis=2), dtype=bool)
    own = known[..., None].astype(np.float32)
    light = np.where(known[..., None], profiles, 0).astype(np.float32)
    logs = np.log(light + np.float32(LOG_FLOOR)) * own
    mean = logs.sum(axis=(1, 2)) / (3 * np.maximum(known.sum(axis=1), 1))
    top = np.maximum(np.quantile(light.max(axis=2), 0.9, axis=1), 0.02)[:, None, None]
    scale = np.full((*known.shape, 1), np.log(width_px / 30) / 2)
    parts = [(logs - mean[:, None, None]) * own, np.minimum(light / top, 2), own, scale]
    return np.concatenate(parts, axis=2).astype(np.float32)


def _convolved(x: Float32Array, weights: Float32Array, dilation: int) -> Float32Array:
    """Convolve ``(n, m, c)`` along m, zeros outside.

    All rows lie in one, with zeros between, so that each tap is one product of the whole
    with no copy of it.
    """
    n, m, channels = x.shape
    taps = len(weights) // channels
    gap = dilation * (taps // 2)
    row = np.zeros((n * (m + gap) + 2 * gap, channels), np.float32)
    length = n * (m + gap)
    row[gap : gap + length].reshape(n, m + gap, channels)[:, :m] = x
    out = row[:length] @ weights[:channels]
    for tap in range(1, taps):
        first = tap * dilation
        out += row[first : first + length] @ weights[tap * channels : (tap + 1) * channels]
    return np.ascontiguousarray(out.reshape(n, m + gap, -1)[:, :m])


def log_probabilities(logits: Float32Array) -> FloatArray:
    """Softmax over the positions, in logs; ``(n, m, 2)``."""
    shifted = logits.astype(np.float64) - logits.max(axis=1, keepdims=True)
    return np.asarray(
        shifted - np.log(np.exp(shifted).sum(axis=1, keepdims=True)), dtype=np.float64
    )


def local_mean(p: FloatArray, offsets_px: FloatArray, *, half: int = 4) -> FloatArray:
    """Return the mean position about the highest peak of each row of ``(n, m)``, px."""
    peak = p.argmax(axis=1)[:, None]
    near = np.abs(np.arange(p.shape[1])[None, :] - peak) <= half
    weight = p * near
    return np.asarray((weight @ offsets_px) / weight.sum(axis=1), dtype=np.float64)


def width_log_probabilities(logs: FloatArray) -> FloatArray:
    """Return ``(n, SAMPLES)``: how likely each width of 0, 1, 2, ... samples is, in logs.

    The correlation of the left edge's probabilities with the right edge's; free of
    where the piece's middle is.

    Args:
        logs: ``(n, SAMPLES, 2)`` from :func:`log_probabilities`.
    """
    spectra = np.fft.rfft(np.exp(logs), 2 * SAMPLES, axis=1)
    both = np.fft.irfft(np.conj(spectra[..., 0]) * spectra[..., 1], 2 * SAMPLES, axis=1)
    return np.asarray(np.log(np.maximum(both[:, :SAMPLES], 1e-12)), dtype=np.float64)
