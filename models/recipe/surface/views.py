"""Views of photos and their soft truth at the network's stride."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from models.recipe.surface.network import STRIDE_PX
from models.recipe.surface.store import CLASSES, NO_BARE, NO_COPPER, UNKNOWN

GAP_PX = 1
"""Two pieces meet where a pixel of one is this near, in view pixels, to the other."""

OVERSAMPLE = 2
"""Samples a side for each view pixel: like area averaging down to half size."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Batch:
    """Views with soft truth at the network's stride.

    Attributes:
        rgb: ``(n, 3, s, s)`` float32, whole numbers 0 to 255.
        classes: ``(n, CLASSES, s/4, s/4)`` float32, area share of each class in a cell.
        known: ``(n, s/4, s/4)`` float32, area share with known class.
        clear: ``(n, s/4, s/4)`` float32, area share of which only is known that no bare
            copper, brass or solder shows.
        empty: ``(n, s/4, s/4)`` float32, area share of that where no jacket shows either.
        tarnish: ``(n, s/4, s/4)`` float32, level 0 to 1.
        bare: ``(n, s/4, s/4)`` float32, area share with known tarnish level.
        piece: ``(n, s, s)`` float32, area share that is part of a piece.
        gap: ``(n, s, s)`` float32, 1 where two pieces meet, else 0.
        told: ``(n, s, s)`` float32, 0 where the truth does not tell whether it is a piece.
        numbers: ``(n, 2 s, 2 s)`` uint8, the piece's number, 0 none, 255 not told.
        strangers: The same of the strangers.
        forms: ``(n, 256)`` int8, form of each piece by its number, -1 where not told.
        real: ``(n,)`` bool, whether the view is of a real photo.
    """

    rgb: Tensor
    classes: Tensor
    known: Tensor
    clear: Tensor
    empty: Tensor
    tarnish: Tensor
    bare: Tensor
    piece: Tensor
    gap: Tensor
    told: Tensor
    numbers: Tensor
    strangers: Tensor
    forms: Tensor
    real: Tensor


def sample_views(
    planes: Tensor, matrix: Tensor, size: Tensor, *, side: int
) -> tuple[Tensor, Tensor]:
    """Return colours and truth of views; what lies outside is mirrored.

    Args:
        planes: ``(n, 7, h, w)`` uint8.
        matrix: ``(n, 2, 3)`` from centred view pixels (x, y, 1) to photo pixels (x, y).
        size: ``(n, 2)`` height and width in use.
        side: Of the view.

    Returns:
        ``(n, 3, side, side)`` 0 to 255; ``(n, 4, 2 side, 2 side)`` uint8, the label, the
        tarnish, the piece's and the stranger's number.
    """
    fine = side * OVERSAMPLE
    ticks = (torch.arange(fine, device=planes.device).float() + 0.5) / OVERSAMPLE - side / 2
    x = matrix[:, 0, 0, None, None] * ticks[None, None, :] + (
        matrix[:, 0, 1, None, None] * ticks[None, :, None] + matrix[:, 0, 2, None, None]
    )
    y = matrix[:, 1, 0, None, None] * ticks[None, None, :] + (
        matrix[:, 1, 1, None, None] * ticks[None, :, None] + matrix[:, 1, 2, None, None]
    )
    x = _mirror(x, size[:, 1, None, None].float() - 1)
    y = _mirror(y, size[:, 0, None, None].float() - 1)
    h, w = planes.shape[2:]
    grid = torch.stack([x * (2 / (w - 1)) - 1, y * (2 / (h - 1)) - 1], dim=-1)
    rgb = functional.grid_sample(
        planes[:, :3].float(), grid, mode="bilinear", padding_mode="border", align_corners=True
    )
    del grid
    flat = (torch.round(y).long() * w + torch.round(x).long()).flatten(1)
    truth = [planes[:, k].flatten(1).gather(1, flat).view(-1, fine, fine) for k in (3, 4, 5, 6)]
    return functional.avg_pool2d(rgb, OVERSAMPLE), torch.stack(truth, dim=1)


def _mirror(at: Tensor, last: Tensor) -> Tensor:
    at = at.abs() % (2 * last)
    return torch.minimum(at, 2 * last - at).clamp_min(0)


def soft_batch(rgb: Tensor, fine: Tensor, *, forms: Tensor, real: Tensor) -> Batch:
    """Return a batch with the fine truth of :func:`sample_views` averaged over its cells."""
    labels, tarnish, numbers, strangers = fine.unbind(dim=1)
    cell = labels.shape[-1] * STRIDE_PX // rgb.shape[-1]
    shares = [
        functional.avg_pool2d((labels == c).float()[:, None], cell)[:, 0] for c in range(CLASSES)
    ]
    classes = torch.stack(shares, dim=1)
    told = (tarnish != UNKNOWN).float()[:, None]
    bare = functional.avg_pool2d(told, cell)[:, 0]
    level = functional.avg_pool2d(tarnish.float()[:, None] / 254.0 * told, cell)[:, 0]
    return Batch(
        rgb=rgb,
        classes=classes,
        known=classes.sum(dim=1),
        clear=functional.avg_pool2d(
            ((labels == NO_COPPER) | (labels == NO_BARE)).float()[:, None], cell
        )[:, 0],
        empty=functional.avg_pool2d((labels == NO_COPPER).float()[:, None], cell)[:, 0],
        tarnish=level / bare.clamp_min(1e-6),
        bare=bare,
        piece=functional.avg_pool2d(numbered(numbers).float()[:, None], OVERSAMPLE)[:, 0],
        gap=_gap(numbers),
        told=functional.avg_pool2d((numbers != UNKNOWN).float()[:, None], OVERSAMPLE)[:, 0],
        numbers=numbers,
        strangers=strangers,
        forms=forms,
        real=real,
    )


def numbered(numbers: Tensor) -> Tensor:
    """Return which pixels have a number, bool of the same shape."""
    return (numbers > 0) & (numbers != UNKNOWN)


def _gap(numbers: Tensor) -> Tensor:
    """Return view pixels where two pieces meet, from numbers at twice the resolution."""
    reach = GAP_PX * OVERSAMPLE
    own = numbered(numbers)
    value = numbers.float()[:, None]
    high = functional.max_pool2d(value * own[:, None], 2 * reach + 1, 1, reach)
    low = -functional.max_pool2d(
        torch.where(own[:, None], -value, torch.full_like(value, -UNKNOWN)),
        2 * reach + 1,
        1,
        reach,
    )
    meets = (high > low) & (low < UNKNOWN) & own[:, None]
    return functional.max_pool2d(meets.float(), OVERSAMPLE)[:, 0]
