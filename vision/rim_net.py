"""Where exactly is one edge of a piece, once it is known to a few pixels?

What blur, sharpening and a phone's colour smear do to an edge is as wide in pixels on thick
tube as on thin wire. So this second network looks at one edge at a time, at steps of half a
pixel (somewhat more on wide pieces), the piece always on the same side. All profiles along
an edge tell each other what is steady, and those of both edges. Taught on rendered photos
whose edges are known exactly (``models/recipe/rim_tune.py``).
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np

from vision.edge_net import profile_inputs
from vision.profile_layers import Layer, load_layers, run_layers
from vision.types import Float32Array, FloatArray

WEIGHTS = Path(__file__).parent / "data" / "rim_net.npz"

SAMPLES = 64
"""Samples of a profile, as trained."""

FINEST_STEP_PX = 0.5
FINE_TO_PX = 40.0
"""Up to this width steps are finest; then they grow with its root, so that what is seen of
a wide piece grows too."""

OTHER_EDGE_STEPS = 2.0
"""How sharply the input says where the piece's other edge is expected."""


def rim_step_px(width_px: float) -> float:
    """Return the distance between samples for a piece so wide."""
    return FINEST_STEP_PX * float(np.sqrt(max(1.0, width_px / FINE_TO_PX)))


def rim_offsets(width_px: float) -> FloatArray:
    """Return where samples lie, px from where the edge is expected; the piece is at the end."""
    return (np.arange(SAMPLES) - (SAMPLES - 1) / 2) * rim_step_px(width_px)


def rim_logits(
    left: Float32Array,
    right: Float32Array,
    *,
    width_px: float,
    layers: tuple[Layer, ...] | None = None,
) -> Float32Array:
    """Return ``(2, n, SAMPLES)`` scores of where the left and the right edge are.

    Args:
        left: ``(n, SAMPLES, 3)`` linear light about the left edge at :func:`rim_offsets`,
            the piece at the end; NaN off the photo.
        right: The same about the right edge, turned round: the piece at the end as well.
        width_px: The expected width.
        layers: Another network than the shipped one.
    """
    n = len(left)
    x = _inputs(np.concatenate([left, right]), width_px)
    groups = {"context": np.array([0]), "side": np.array([0, n])}
    scores = run_layers(x, _shipped() if layers is None else layers, groups)
    return scores[..., 0].reshape(2, n, SAMPLES)


@cache
def _shipped() -> tuple[Layer, ...]:
    return load_layers(WEIGHTS)


def _inputs(profiles: Float32Array, width_px: float) -> Float32Array:
    """Add to the profiles how wide the piece is and where its other edge is expected."""
    step = rim_step_px(width_px)
    from_other = rim_offsets(width_px) - width_px
    other = np.exp(-0.5 * (from_other / (OTHER_EDGE_STEPS * step)) ** 2)
    told = np.stack([np.full(SAMPLES, np.log(width_px / 30) / 2), other], axis=1)
    seen = profile_inputs(profiles, coarseness=float(np.log(step / FINEST_STEP_PX)))
    each = np.broadcast_to(told.astype(np.float32), (len(profiles), SAMPLES, 2))
    return np.concatenate([seen, each], axis=2)
