"""Where across a profile are the edges of a round piece of metal?

A polished wire mirrors the table near its rims, and the table beside it carries its
shadow: no single change of brightness is the edge. A small convolution network weighs
colour, shadow and reflection as it learned from traced cross-sections whose edges are
known by construction (``models/recipe/edge_profiles.py``, ``edge_net.py``). It gives,
for each position, how likely the left and the right edge are there.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from vision.profile_layers import Layer, load_layers, run_layers
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
def _shipped() -> tuple[Layer, ...]:
    return load_layers(WEIGHTS)


def edge_logits(
    strip: Strip,
    *,
    width_px: float,
    together: int | None = None,
    layers: tuple[Layer, ...] | None = None,
) -> Float32Array:
    """Return ``(n, SAMPLES, 2)`` scores for the left and the right edge of each profile.

    Args:
        strip: Profiles of one piece, which tell each other what is steady along it;
            sampled at :func:`window_offsets` of the same width.
        width_px: The expected width.
        together: About so many neighbouring profiles tell each other; None for all.
        layers: Another network than the shipped one.
    """
    x = profile_inputs(strip.profiles, coarseness=float(np.log(width_px / 30)) / 2)
    groups = {"context": _parts(len(x), together)}
    return run_layers(x, _shipped() if layers is None else layers, groups)


def _parts(count: int, together: int | None) -> NDArray[np.int64]:
    """Return where each part of nearly equal size begins."""
    parts = 1 if together is None else max(1, round(count / together))
    return np.linspace(0, count, parts + 1).astype(np.int64)[:-1]


def profile_inputs(profiles: Float32Array, *, coarseness: float) -> Float32Array:
    """Log colours about their mean, linear colours, what is known, how coarse the pixels are.

    Args:
        profiles: ``(n, m, 3)`` linear light, NaN off the photo.
        coarseness: Goes into the last of eight channels as it is.
    """
    known = np.asarray(np.isfinite(profiles).all(axis=2), dtype=bool)
    own = known[..., None].astype(np.float32)
    light = np.where(known[..., None], profiles, 0).astype(np.float32)
    logs = np.log(light + np.float32(LOG_FLOOR)) * own
    mean = logs.sum(axis=(1, 2)) / (3 * np.maximum(known.sum(axis=1), 1))
    top = np.maximum(np.quantile(light.max(axis=2), 0.9, axis=1), 0.02)[:, None, None]
    scale = np.full((*known.shape, 1), coarseness)
    parts = [(logs - mean[:, None, None]) * own, np.minimum(light / top, 2), own, scale]
    return np.concatenate(parts, axis=2).astype(np.float32)


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
