"""Looks at both edges of a wide piece from close by, at the photo's own resolution.

A sample of a whole look is a 64th of the expected width: coarser than a pixel from 64 px on,
and of drawn cross-sections the error doubles there (0.3 to 0.5 px). So wide pieces get one more
look, at a window about each edge that the looks before found. Its network is built as the other
(``network.py``): the first half of the samples shows the left edge, the second the right.
"""

from __future__ import annotations

import torch
from torch import Tensor

from models.recipe.edges.looks import (
    SAMPLES,
    Look,
    Stretches,
    Strips,
    changed,
    drawn_in,
    sampled,
    turned,
    worsened,
)
from models.recipe.edges.network import found, loss_of
from models.recipe.edges.profiles import Draw

HALF = SAMPLES // 2
"""Samples about each edge."""

REACH_PX, REACH_WIDTHS = 25.0, (0.1, 0.25)
"""A window reaches so many px to both sides of an edge, within these shares of the width."""

FROM_PX = 40.0
"""Thinner pieces show no more from close by."""

SHAPES = ((20, 6), (20, 6), (8, 12), (4, 12))
"""Stretches of a look, and cuts averaged in each, in turn."""

OFF_SHARE = 0.25
"""So many expected widths are off by several percent; the others as a whole look leaves them."""

FOUND_DOUBT = (0.01, 1.5)
"""How far an edge that the whole look found may be off: a share of the width and some px."""


def reach_widths(width_px: Tensor) -> Tensor:
    """Return how far a window reaches to both sides of an edge, in widths."""
    return (REACH_PX / width_px).clamp(*REACH_WIDTHS)


def looked_near(seen: Stretches, *, guess: Tensor, shift: Tensor) -> Look:
    """Sample stretches about both edges of expected widths; as ``looks.looked_at`` otherwise."""
    width_px = seen.width_px * guess
    reach = reach_widths(width_px) * guess
    samples = torch.linspace(-1, 1, HALF, device=guess.device)[None, :]
    middles = torch.stack([shift - guess / 2, shift + guess / 2], dim=1)
    at = [middles[:, k : k + 1] + samples * reach[:, None] for k in (0, 1)]
    edges = ((seen.edges - middles) / reach[:, None] + 1) / 2 * (HALF - 1)
    edges = torch.where((edges > 0) & (edges < HALF - 1), edges, torch.nan)
    return sampled(
        seen,
        at=torch.cat(at, dim=1),
        step=2 * reach / (HALF - 1),
        edges=edges + torch.tensor([0.0, HALF], device=guess.device),
        width_px=width_px,
    )


def near_batch(
    strips: Strips, *, photos: int, drawn_share: float, rows: int, step: int
) -> tuple[Look, int]:
    """Return a near look at random pieces, and how many stretches each has.

    Args:
        strips: Near strips of photos, then drawn ones.
        photos: How many are of photos.
        drawn_share: How often a drawn one is taken.
        rows: Stretches of all pieces together.
        step: Seed.
    """
    shape = SHAPES[step % len(SHAPES)]
    stretches, _ = shape
    n, device = max(1, rows // stretches), str(strips.codes.device)
    d = Draw(n, device, step)
    of_photos = (d.uniform(0, 1) * photos).long().clamp(max=photos - 1)
    seen = drawn_in(strips, d, of_photos, photos=photos, drawn_share=drawn_share, shape=shape)
    seen = changed(seen, d, stretches=stretches, thinnest_px=FROM_PX - 5)
    width = seen.width_px[::stretches]
    off = torch.where(d.chance(OFF_SHARE) > 0, 0.04, torch.hypot(0.005 + 0 * width, 0.7 / width))
    guess = torch.exp(d.normal() * off).clamp(0.85, 1.15)
    shift = d.normal(1) * (off / 2)[:, None] + d.normal(stretches) * (0.003 + 0.4 / width)[:, None]
    look = looked_near(
        seen,
        guess=guess.repeat_interleave(stretches),
        shift=shift.clamp(-0.08, 0.08).flatten(),
    )
    look = worsened(look, Draw(n * stretches, device, 2**31 + step))
    return turned(look, d, stretches=stretches), stretches


def near_loss(logits: Tensor, edges: Tensor) -> Tensor:
    """As ``network.loss_of``, each edge in its own half of the samples."""
    sides = [
        loss_of(logits[..., k : k + 1, k * HALF : (k + 1) * HALF], edges[..., k : k + 1] - k * HALF)
        for k in (0, 1)
    ]
    return (sides[0] + sides[1]) / 2


def near_edges(
    logits: Tensor, edges: Tensor, *, guess: Tensor, shift: Tensor, width_px: Tensor
) -> Tensor:
    """Return the edges that near logits give beside those found before.

    Args:
        logits: ``(p, s, 2, SAMPLES)`` log probabilities.
        edges: ``(p, s, 2)`` what the whole look found, in true widths.
        guess: ``(p,)`` expected widths, in true ones.
        shift: ``(p, s)`` expected middles, in true widths.
        width_px: ``(p,)`` true widths.

    Returns:
        ``(p, s, 2)`` in true widths; those found before where they lie outside the windows.
    """
    reach = (reach_widths(width_px * guess) * guess)[:, None, None]
    side = torch.tensor([-0.5, 0.5], device=logits.device)
    middles = shift[..., None] + side * guess[:, None, None]
    samples = torch.linspace(-1, 1, HALF, device=logits.device)
    at = middles[..., None] + samples * reach[..., None]
    doubt = (FOUND_DOUBT[0] + FOUND_DOUBT[1] / width_px)[:, None, None, None]
    prior = -1.5 * torch.log1p(((at - edges[..., None]) / doubt) ** 2 / 2)
    own = torch.stack([logits[..., 0, :HALF], logits[..., 1, HALF:]], dim=-2) + prior
    told = middles + (2 * found(own) / (HALF - 1) - 1) * reach
    within = (edges - middles).abs() < 0.9 * reach
    return torch.where(within, told, edges)
