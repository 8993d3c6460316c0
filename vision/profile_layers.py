"""Runs the small networks that look at profiles: convolutions along each, with numpy.

Profiles of one piece tell each other what is steady along it. They are small, and need no
session to start.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from vision.types import Float32Array

Starts = NDArray[np.int64]
"""Row where each group of profiles that tell each other begins."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """One step of the network.

    Attributes:
        kind: ``conv`` (convolution along the profile), ``block`` (the same, added to what
            comes in), ``down`` (two neighbours to one), ``up`` (one to two, added to what
            went down), ``context`` and ``side`` (the mean over a group of profiles, added to
            each) or ``score``.
        dilation: Samples from tap to tap of ``conv`` and ``block``; else 1.
        weights: ``(taps * before, after)``; of ``up`` ``(before, 2 * after)``.
        bias: One for each column of the weights.
    """

    kind: str
    dilation: int
    weights: Float32Array
    bias: Float32Array


def load_layers(path: Path) -> tuple[Layer, ...]:
    """Read a network as ``models/recipe/edge_net.py`` writes it."""
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


def run_layers(
    x: Float32Array, layers: Sequence[Layer], groups: Mapping[str, Starts]
) -> Float32Array:
    """Return ``(n, m, after)`` of profiles ``(n, m, before)``.

    Args:
        x: Profiles.
        layers: The network.
        groups: Of each kind of layer that takes means, where its groups begin.
    """
    aside: list[Float32Array] = []
    for layer in layers:
        x = _step(x, layer, aside, groups)
    return x


def _step(
    x: Float32Array, layer: Layer, aside: list[Float32Array], groups: Mapping[str, Starts]
) -> Float32Array:
    """Return what one layer makes of ``(n, m, c)``; what goes down is kept aside for its up."""
    n, m, c = x.shape
    out: Float32Array
    if layer.kind in groups:
        starts = groups[layer.kind]
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
