"""Looks at one edge of straightened pieces at a time, many at once on one device.

As ``vision/rim_net.py`` sees them: averaged along stretches, about an edge that was found
before and is off by a few pixels. Needs torch; used by ``rim_tune.py``.
"""

from __future__ import annotations

import torch
from torch import Tensor

from models.recipe.edge_looks import SHARP_MOST, Look, Strips, known_edges, noisy, rows_of
from models.recipe.edge_profiles import Draw, coded, decoded, lookup, softened
from models.recipe.edge_strips import RIM_CELLS, UNKNOWN_CODE
from vision.rim_net import FINE_TO_PX, FINEST_STEP_PX, SAMPLES

SHARP_SHARE = 0.4
"""Pieces are sharpened or blurred this often: cameras do as they like."""

FAR_SHARE, FAR_STEPS = 0.25, 9.0
"""Edges are this often expected anywhere within so many steps; else about one step off."""

WIDE_DOUBT = 0.05
"""Relative standard deviation of the width that is told."""

HIDDEN_SHARE = 0.04
"""How often the photo ends beside the piece."""


def rims_of(
    strips: Strips, pieces: Tensor, *, stretches: int, cuts: int, d: Draw, plainly: bool = False
) -> Look:
    """Return rims as they are looked at: of each piece first all left, then all right edges.

    Args:
        strips: All pieces.
        pieces: ``(p,)`` which of them.
        stretches: Cut each into so many.
        cuts: Rows averaged in each.
        d: Random numbers, one for each piece.
        plainly: As a first look leaves them, with no change of light, nothing hidden.

    Returns:
        Of ``p * 2 * stretches`` rims; ``edges`` is ``(..., 1)`` in samples.
    """
    row = rows_of(strips, pieces, stretches=stretches, cuts=cuts, part=None if plainly else d)
    codes = strips.rims[row]  # (b, cuts, 2, cells, 3)
    there = (codes != UNKNOWN_CODE).all(dim=4)
    total = there.sum(dim=1)
    light = (decoded(codes.float() / 255) * there.unsqueeze(4)).sum(dim=1)
    light = light / total.clamp_min(1).unsqueeze(3)
    known = torch.isfinite(known_edges(strips, row)).all(dim=1)
    p = len(pieces)
    light = light.unflatten(0, (p, stretches)).transpose(1, 2).flatten(0, 2)
    seen = (total > 0).float().unflatten(0, (p, stretches)).transpose(1, 2).flatten(0, 2)
    known = known.unflatten(0, (p, stretches)).unsqueeze(1).expand(-1, 2, -1).flatten()
    width = strips.width_px[pieces]
    if not plainly:
        light = _lit_otherwise(light, seen, width, d, rims=2 * stretches)
    shift = _off(d, stretches=stretches, plainly=plainly)
    at = torch.arange(SAMPLES, device=light.device) - (SAMPLES - 1) / 2
    position = at[None] + shift[:, None] + (RIM_CELLS - 1) / 2
    profiles = lookup(light, position).transpose(1, 2).clamp_min(0)
    shown = lookup(seen.unsqueeze(2), position)[..., 0] > 0.99
    told = width * torch.exp(d.normal() * (WIDE_DOUBT / 2 if plainly else WIDE_DOUBT))
    each = Draw(len(profiles), str(light.device), int(d.uniform(0, 2**30)[0]))
    edges = (SAMPLES - 1) / 2 - shift
    if not plainly:
        grain = (1 / step_of(told)).repeat_interleave(2 * stretches)
        profiles = decoded(noisy(profiles, each, length=grain).clamp(0, 1))
        hidden = each.chance(HIDDEN_SHARE) > 0
        ends = edges - each.uniform(4, 28)
        shown &= ~(hidden[:, None] & (torch.arange(SAMPLES, device=ends.device) < ends[:, None]))
    shown = shown.float()
    return Look(
        profiles=profiles * shown.unsqueeze(1),
        known=shown,
        edges=torch.where(known, edges, torch.nan).unsqueeze(1),
        width_px=told.repeat_interleave(2 * stretches),
    )


def step_of(width_px: Tensor) -> Tensor:
    """Return the distance between samples, px, as :func:`vision.rim_net.rim_step_px`."""
    return FINEST_STEP_PX * (width_px / FINE_TO_PX).clamp_min(1).sqrt()


def _off(d: Draw, *, stretches: int, plainly: bool) -> Tensor:
    """Return how far from the true edges the looks are, samples; alike along an edge, mostly."""
    near = d.normal(2) * 2.0
    if plainly:
        common, own = near, d.normal(2, stretches) * 0.4
    else:
        far = d.chance(FAR_SHARE, 2) > 0
        common = torch.where(far, d.uniform(-FAR_STEPS, FAR_STEPS, 2), near)
        own = d.normal(2, stretches) * d.uniform(0, 1.2, 2, 1)
    return (common.unsqueeze(2) + own).clamp(-20, 20).flatten()


def _lit_otherwise(light: Tensor, seen: Tensor, width_px: Tensor, d: Draw, *, rims: int) -> Tensor:
    """Return rims in other light, tone and sharpness, alike in a piece."""
    each = lambda x: x.repeat_interleave(rims, dim=0)  # noqa: E731
    beyond = (light * seen.unsqueeze(2)).sum(dim=1) / seen.sum(dim=1, keepdim=True).clamp_min(1)
    light = torch.where(seen.unsqueeze(2) > 0, light, beyond.unsqueeze(1))
    amount = d.uniform(-SHARP_MOST, SHARP_MOST, 1, 1) * d.chance(SHARP_SHARE, 1, 1)
    code = coded(light.clamp(0, 1))
    soft = softened(code, each(d.uniform(0.5, 1.5) / step_of(width_px)))
    light = decoded((code + each(amount) * (code - soft)).clamp(0, 1))
    light = light * each(torch.exp(d.normal(1, 3) * 0.06 + d.normal(1, 1) * 0.2))
    tone = each(torch.exp(d.normal(1, 1) * 0.1))
    return decoded(coded(light.clamp(0, 1)).clamp(0, 1) ** tone)
