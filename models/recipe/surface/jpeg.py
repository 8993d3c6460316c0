"""Pictures as a JPEG file shows them, on the GPU, for whole batches."""

from __future__ import annotations

from math import pi

import torch
from torch import Tensor
from torch.nn import functional

# Luminance and chrominance tables of ITU-T T.81 Annex K (quality 50).
_LUMA = (
    (16, 11, 10, 16, 24, 40, 51, 61),
    (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56),
    (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77),
    (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101),
    (72, 92, 95, 98, 112, 100, 103, 99),
)
_CHROMA = (
    (17, 18, 24, 47, 99, 99, 99, 99),
    (18, 21, 26, 66, 99, 99, 99, 99),
    (24, 26, 56, 99, 99, 99, 99, 99),
    (47, 66, 99, 99, 99, 99, 99, 99),
    (99, 99, 99, 99, 99, 99, 99, 99),
    (99, 99, 99, 99, 99, 99, 99, 99),
    (99, 99, 99, 99, 99, 99, 99, 99),
    (99, 99, 99, 99, 99, 99, 99, 99),
)


def jpeg(code: Tensor, quality: Tensor) -> Tensor:
    """Return pictures as a JPEG of this quality, colour at half resolution, shows them.

    Args:
        code: ``(n, 3, h, w)`` 0 to 1, sides multiples of 16.
        quality: ``(n,)`` 1 to 100, on the common scale of the Independent JPEG Group.
    """
    device = code.device
    red, green, blue = (code * 255).unbind(dim=1)
    luma = 0.299 * red + 0.587 * green + 0.114 * blue
    chroma = torch.stack([0.564 * (blue - luma), 0.713 * (red - luma)], dim=1)
    chroma = functional.avg_pool2d(chroma, 2)
    scale = torch.where(quality < 50, 5000 / quality, 200 - 2 * quality)[:, None, None, None] / 100
    luma = _quantise((luma - 128)[:, None], torch.tensor(_LUMA, device=device).float() * scale)
    chroma = _quantise(chroma, torch.tensor(_CHROMA, device=device).float() * scale)
    luma = luma[:, 0] + 128
    chroma = functional.interpolate(chroma, scale_factor=2.0, mode="bilinear")
    blue = luma + chroma[:, 0] / 0.564
    red = luma + chroma[:, 1] / 0.713
    green = (luma - 0.299 * red - 0.114 * blue) / 0.587
    return (torch.stack([red, green, blue], dim=1) / 255).clamp(0, 1)


def _quantise(plane: Tensor, table: Tensor) -> Tensor:
    """Round the 8 x 8 cosine transform of ``(n, c, h, w)`` to steps ``(n, 1, 8, 8)``."""
    n, c, h, w = plane.shape
    k = torch.arange(8, device=plane.device).float()
    basis = torch.cos((2 * k[None] + 1) * k[:, None] * pi / 16) * 0.5
    basis[0] *= 0.5**0.5
    blocks = plane.view(n, c, h // 8, 8, w // 8, 8).permute(0, 1, 2, 4, 3, 5)
    steps = table.clamp_min(1.0).view(n, 1, 1, 1, 8, 8)
    coded = torch.round(basis @ blocks @ basis.T / steps) * steps
    back = basis.T @ coded @ basis
    return back.permute(0, 1, 2, 4, 3, 5).reshape(n, c, h, w)
