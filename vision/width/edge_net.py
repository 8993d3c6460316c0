"""Where across a profile are the edges of a round piece of metal?

A polished wire mirrors the table near its rims, and the table beside it carries its
shadow: no single change of brightness is the edge. A small convolution network weighs
colour, shadow and reflection as it learned from traced cross-sections whose edges are
known by construction (``models/recipe/edges/profiles.py``, ``edge_net.py``). It gives,
for each position, how likely the left and the right edge are there. Two of them, trained
apart, are asked: where they err, they seldom err alike.

Run with numpy: they are small, and need no session to start.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from vision.types import Float32Array, FloatArray
from vision.width.profiles import Strip

_DATA = Path(__file__).parents[1] / "data"
WEIGHTS = (_DATA / "edge_net_1.npz", _DATA / "edge_net_2.npz")
"""The networks that ship; their scores are averaged."""

LOG_FLOOR = 0.004
"""Added before the logarithm: one sRGB code step near black, below which is only noise."""

SAMPLES = 192
"""Samples of a profile, as trained."""

WINDOW_WIDTHS = 1.5
"""The profile reaches this many expected widths to both sides, as trained."""


def window_offsets(width_px: float) -> FloatArray:
    """Return the offsets, px, at which a profile must be sampled for this expected width."""
    return np.linspace(-1, 1, SAMPLES) * WINDOW_WIDTHS * width_px


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """One step of the network.

    Attributes:
        kind: ``conv`` (convolution along the profile), ``block`` (the same, added to what
            comes in), ``down`` (two neighbours to one), ``up`` (one to two, added to what
            went down), ``context`` (the mean over all profiles, added to each) or ``score``.
        dilation: Samples from tap to tap of ``conv`` and ``block``; else 1.
        weights: ``(taps * before, after)``; of ``up`` ``(before, 2 * after)``.
        bias: One for each column of the weights.
    """

    kind: str
    dilation: int
    weights: Float32Array
    bias: Float32Array


def load_layers(path: Path) -> tuple[Layer, ...]:
    """Read a network as ``models/recipe/edges/network.py`` writes it."""
    with np.load(path, allow_pickle=False) as stored:
        steps = [str(step).split() for step in stored["plan"]]
        return tuple(
            Layer(
                kind=kind,
                dilation=int(dilation),
                weights=np.ascontiguousarray(stored[f"w{k}"], np.float32),
                bias=np.asarray(stored[f"b{k}"], np.float32),
            )
            for k, (kind, dilation) in enumerate(steps)
        )


@cache
def shipped_networks() -> tuple[tuple[Layer, ...], ...]:
    """Return the networks of ``WEIGHTS``, read once."""
    return tuple(load_layers(path) for path in WEIGHTS)


def edge_scores(strip: Strip, *, width_px: float, together: int | None = None) -> FloatArray:
    """Return ``(n, SAMPLES, 2)`` scores for the left and the right edge of each profile.

    The mean of what the shipped networks say, each as log probabilities: their geometric
    mean, but for a constant in each profile.

    Args:
        strip: Profiles of one piece, which tell each other what is steady along it;
            sampled at :func:`window_offsets` of the same width.
        width_px: The expected width.
        together: About so many neighbouring profiles tell each other; None for all.
    """
    said = [
        log_probabilities(edge_logits(strip, layers, width_px=width_px, together=together))
        for layers in shipped_networks()
    ]
    return np.asarray(np.mean(said, axis=0))


def edge_logits(
    strip: Strip, layers: tuple[Layer, ...], *, width_px: float, together: int | None = None
) -> Float32Array:
    """Return ``(n, SAMPLES, 2)``: what one network says, not yet as log probabilities.

    Args:
        strip: As for :func:`edge_scores`.
        layers: The network.
        width_px: The expected width.
        together: About so many neighbouring profiles tell each other; None for all.
    """
    x = _inputs(strip.profiles, width_px)
    starts = _parts(len(x), together)
    aside: list[Float32Array] = []
    for layer in layers:
        x = _step(x, layer, aside, starts)
    return x


def _parts(count: int, together: int | None) -> NDArray[np.int64]:
    """Return where each part of nearly equal size begins."""
    parts = 1 if together is None else max(1, round(count / together))
    return np.linspace(0, count, parts + 1).astype(np.int64)[:-1]


def _step(
    x: Float32Array, layer: Layer, aside: list[Float32Array], starts: NDArray[np.int64]
) -> Float32Array:
    """Return what one layer makes of ``(n, m, c)``; what goes down is kept aside for its up."""
    n, m, c = x.shape
    out: Float32Array
    if layer.kind == "context":
        counts = np.diff(np.append(starts, n))
        means = np.add.reduceat(x, starts, axis=0) / counts[:, None, None].astype(np.float32)
        out = x + np.repeat(means @ layer.weights + layer.bias, counts, axis=0)
        return out
    if layer.kind == "up":
        out = (x @ layer.weights + layer.bias).reshape(n, 2 * m, -1) + aside.pop()
        return out
    if layer.kind == "score":
        out = x @ layer.weights + layer.bias
        return out
    if layer.kind == "down":
        aside.append(x)
        out = x.reshape(n, m // 2, 2 * c) @ layer.weights
    else:
        out = _convolved(x, layer.weights, layer.dilation)
    out += layer.bias
    if layer.kind == "block":
        out += x
    return np.maximum(out, 0, out=out)


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


def log_probabilities(logits: Float32Array | FloatArray) -> FloatArray:
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
