"""Where across a profile are the edges of a round piece of metal?

A polished wire mirrors the table near its rims, and the table beside it carries its
shadow: no single change of brightness is the edge. A small convolution network weighs
colour, shadow and reflection as it learned from straightened pieces whose edges are known
(``models/recipe/edges``). It gives, for each position, how likely the left and the right
edge are there.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from vision.types import Float32Array, FloatArray
from vision.width.network import shipped
from vision.width.profiles import Strip

Network = Callable[[Float32Array, Float32Array], Float32Array]
"""Inputs ``(n, SAMPLES, 8)`` and ``(n, n)`` shares of the mean that each profile takes of each
to ``(n, SAMPLES, 2)`` log probabilities.
:meth:`vision.width.network.StripNetwork.edges` in use, any function in tests."""

LOG_FLOOR = 0.004
"""Added before the logarithm: one sRGB code step near black, below which is only noise."""

SAMPLES = 192
"""Samples of a profile, as trained."""

WINDOW_WIDTHS = 1.5
"""The profile reaches this many expected widths to both sides, as trained."""


def window_offsets(width_px: float) -> FloatArray:
    """Return the offsets, px, at which a profile must be sampled for this expected width."""
    return np.linspace(-1, 1, SAMPLES) * WINDOW_WIDTHS * width_px


def edge_scores(
    strip: Strip,
    *,
    width_px: float,
    together: int | None = None,
    both_ends: bool = True,
    network: Network | None = None,
) -> FloatArray:
    """Return ``(n, SAMPLES, 2)`` scores for the left and the right edge of each profile.

    Log probabilities, but for a constant in each profile. Each profile is looked at from both
    ends and the mean taken: which end comes first means nothing, so what the network makes of
    it is error. Half as many stretches pay for it.

    Args:
        strip: Profiles of one piece, which tell each other what is steady along it;
            sampled at :func:`window_offsets` of the same width.
        width_px: The expected width.
        together: About so many neighbouring profiles tell each other; None for all.
        both_ends: False for one look at each, where another follows.
        network: None for the one that ships.
    """
    seen = inputs(strip.profiles, width_px)
    if not both_ends:
        said = (network or shipped().edges)(seen, neighbours(len(seen), together))
        return np.asarray(said, dtype=np.float64)
    shares = np.kron(np.eye(2, dtype=np.float32), neighbours(len(seen), together))
    said = (network or shipped().edges)(np.concatenate([seen, seen[:, ::-1]]), shares)
    there, back = np.split(said.astype(np.float64), 2)
    return np.asarray((there + back[:, ::-1, ::-1]) / 2, dtype=np.float64)


def neighbours(count: int, together: int | None) -> Float32Array:
    """Return ``(count, count)`` shares of the mean that each profile takes of each.

    Args:
        count: Profiles.
        together: They are cut into parts of about so many; None for one part.
    """
    parts = 1 if together is None else max(1, round(count / together))
    starts = np.linspace(0, count, parts + 1).astype(np.int64)[:-1]
    part = np.searchsorted(starts, np.arange(count), side="right")
    same = (part[:, None] == part[None, :]).astype(np.float32)
    return np.asarray(same / same.sum(axis=1, keepdims=True))


def inputs(profiles: Float32Array, width_px: float) -> Float32Array:
    """Return ``(n, SAMPLES, 8)``: log colours about their mean, linear colours, what is known,
    and how coarse the pixels are.

    Args:
        profiles: ``(n, SAMPLES, 3)`` linear light, NaN where not known.
        width_px: The expected width.
    """
    known = np.asarray(np.isfinite(profiles).all(axis=2), dtype=bool)
    own = known[..., None].astype(np.float32)
    light = np.where(known[..., None], profiles, 0).astype(np.float32)
    logs = np.log(light + np.float32(LOG_FLOOR)) * own
    mean = logs.sum(axis=(1, 2)) / (3 * np.maximum(known.sum(axis=1), 1))
    top = np.maximum(np.quantile(light.max(axis=2), 0.9, axis=1), 0.02)[:, None, None]
    scale = np.full((*known.shape, 1), np.log(width_px / 30) / 2)
    parts = [(logs - mean[:, None, None]) * own, np.minimum(light / top, 2), own, scale]
    return np.concatenate(parts, axis=2).astype(np.float32)


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


def spreads(p: FloatArray, offsets_px: FloatArray) -> FloatArray:
    """Return how widely positions are spread in each row of ``(n, m)``: standard deviation, px."""
    mean = p @ offsets_px
    return np.asarray(np.sqrt(np.maximum(p @ offsets_px**2 - mean**2, 0)), dtype=np.float64)
