"""How far off are the edges that networks find on pieces whose true sides are known?

Pieces are looked at as the measurement does: twice through an outline that is off, then in full,
wide ones once more from close by. Needs torch; used by ``train.py``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import torch
from torch import Tensor

from models.recipe.edges.looks import (
    MOST_SHADOW,
    SAMPLES,
    WINDOW_WIDTHS,
    Look,
    Strips,
    looked_at,
    seams,
    stretches_of,
)
from models.recipe.edges.near import looked_near, near_edges
from models.recipe.edges.network import EdgeNet, found, inputs
from models.recipe.edges.profiles import Draw
from vision.width.edges import FIRST_LOOK_DOUBT, FIRST_STRETCHES, MASK_DOUBT, MAX_STRETCHES

WIDTH_CLASSES_PX = ((5, 8), (8, 12), (12, 20), (20, 50), (50, 100), (100, 200), (200, 1000))


def said_by(nets: Sequence[EdgeNet], look: Look, *, stretches: int) -> Tensor:
    """Return the mean of the networks' log probabilities, ``(pieces, stretches, 2, SAMPLES)``.

    As the measurement does, from both ends of each profile.
    """
    x = inputs(look.profiles, look.known, look.width_px)
    said = [(net(x, stretches), net(x.flip(2), stretches).flip(1, 2)) for net in nets]
    logs = [torch.log_softmax(way, dim=2) for both in said for way in both]
    return torch.stack(logs).mean(dim=0).unflatten(0, (-1, stretches))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Errors:
    """Found widths of held-out pieces against true ones.

    Attributes:
        piece: ``(n,)`` which pieces they are of.
        width_px: ``(n,)`` true widths of the pieces.
        median_px: ``(n,)`` error of the median over a piece's stretches.
        each_width_px: ``(k,)`` true widths of single stretches.
        each_px: ``(k,)`` their errors.
    """

    piece: Tensor
    width_px: Tensor
    median_px: Tensor
    each_width_px: Tensor
    each_px: Tensor


def expected(look: Look, doubt: tuple[float, float]) -> Tensor:
    """Return ``(b, 2, SAMPLES)`` as the measurement adds to the scores."""
    width = look.width_px[:, None, None]
    offsets = torch.linspace(-1, 1, SAMPLES, device=width.device) * WINDOW_WIDTHS * width
    side = torch.tensor([-0.5, 0.5], device=width.device)[None, :, None] * width
    return -1.5 * torch.log1p(((offsets - side) / (doubt[0] * width + doubt[1])) ** 2 / 2)


@torch.no_grad()
def errors_of(
    nets: Sequence[EdgeNet],
    strips: Strips,
    *,
    shadowed: bool = False,
    at_once: int = 64,
    near: tuple[EdgeNet, Strips] | None = None,
) -> Errors:
    """Look twice at every piece, from an outline that is off, and compare with the truth.

    Args:
        nets: Their log probabilities are averaged.
        strips: The pieces.
        shadowed: Through outlines that took a shadow on one side for the piece.
        at_once: Pieces looked at together.
        near: The network that looks from close by once more, and the same pieces' near strips.
    """
    for net in nets:
        net.eval()
    device = str(strips.codes.device)
    parts: list[tuple[Tensor, ...]] = []
    for start in range(0, len(strips), at_once):
        pieces = torch.arange(start, min(start + at_once, len(strips)), device=device)
        d = Draw(len(pieces), device, 5_000_000 + start)
        width = strips.width_px[pieces]
        doubt = MASK_DOUBT[0] + MASK_DOUBT[1] / width
        guess = 1 + d.uniform(-1, 1) * doubt.clamp(max=0.4)
        middle = d.normal() * 0.3 * doubt
        if shadowed:
            first = stretches_of(strips, pieces, stretches=FIRST_STRETCHES, cuts=12)
            seam = seams(d, first, stretches=FIRST_STRETCHES)
            shadow = (seam.abs() - 0.5).clamp(0.1, MOST_SHADOW)
            guess, middle = guess + shadow, middle + shadow / 2 * seam.sign()
        shift = middle[:, None].expand(-1, FIRST_STRETCHES).flatten()
        for stretches, cuts, off in (
            (FIRST_STRETCHES, 12, MASK_DOUBT),
            (FIRST_STRETCHES, 12, MASK_DOUBT),
            (MAX_STRETCHES, 6, FIRST_LOOK_DOUBT),
        ):
            seen = stretches_of(strips, pieces, stretches=stretches, cuts=cuts)
            shift = shift.unflatten(0, (len(pieces), -1))[:, :1].expand(-1, stretches).flatten()
            wide = guess.repeat_interleave(stretches)
            look = looked_at(seen, guess=wide, shift=shift)
            prior = expected(look, off).unflatten(0, (-1, stretches))
            logits = said_by(nets, look, stretches=stretches) + prior
            sample = 2 * WINDOW_WIDTHS * guess / (SAMPLES - 1)  # widths
            edges = (found(logits) - (SAMPLES - 1) / 2) * sample[:, None, None]
            edges = edges + shift.unflatten(0, (-1, stretches)).unsqueeze(2)
            across = edges[..., 1] - edges[..., 0]
            if stretches == FIRST_STRETCHES:
                guess = across.median(dim=1).values.clamp(0.3, 2.4)
                shift = edges.mean(dim=2).median(dim=1).values[:, None].expand(-1, stretches)
                shift = shift.flatten()
        if near is not None:
            close = stretches_of(near[1], pieces, stretches=stretches, cuts=cuts)
            about = across.median(dim=1).values
            middle = edges.mean(dim=2)
            at = {"guess": about.repeat_interleave(stretches), "shift": middle.flatten()}
            said = said_by([near[0].eval()], looked_near(close, **at), stretches=stretches)
            edges = near_edges(said, edges, guess=about, shift=middle, width_px=width)
            across = edges[..., 1] - edges[..., 0]
        true = (seen.edges[:, 1] - seen.edges[:, 0]).unflatten(0, (-1, stretches))
        good = torch.isfinite(true)
        own = torch.where(good, across, torch.nan).nanmedian(dim=1).values
        truth = torch.where(good, true, torch.nan).nanmedian(dim=1).values
        kept = good.any(dim=1)
        parts.append(
            (
                pieces[kept],
                (width * truth)[kept],
                (width * (own - truth))[kept],
                (width[:, None] * true)[good],
                (width[:, None] * (across - true))[good],
            )
        )
    for net in nets:
        net.train()
    columns = [torch.cat(column).cpu() for column in zip(*parts, strict=True)]
    return Errors(
        piece=columns[0],
        width_px=columns[1],
        median_px=columns[2],
        each_width_px=columns[3],
        each_px=columns[4],
    )


def report(name: str, errors: Errors, classes: Sequence[tuple[str, Sequence[str]]] = ()) -> None:
    """Print width errors by width and by class.

    Args:
        name: Whose they are.
        errors: Of held-out pieces.
        classes: Names, each with the class of every held-out piece.
    """
    print(f"{name}: width errors on held-out scenes, |median| | p90 | bias (median)")
    for what, wide, error in (
        ("piece", errors.width_px, errors.median_px),
        ("single stretch", errors.each_width_px, errors.each_px),
    ):
        for low, high in (*WIDTH_CLASSES_PX, (8, 1000)):
            own = (wide >= low) & (wide < high)
            told(f"{what} {low}-{high} px", wide[own], error[own])
    for what, each in classes:
        of_piece = [each[k] for k in errors.piece.tolist()]
        for known in sorted(set(of_piece)):
            own = torch.tensor([value == known for value in of_piece]) & (errors.width_px >= 8)
            told(f"8 px on, {what} {known}", errors.width_px[own], errors.median_px[own])
    print(flush=True)


def told(what: str, wide: Tensor, e: Tensor) -> None:
    """Print one line of errors, if there are any."""
    if not len(e):
        return
    share = e / wide * 100
    print(
        f"  {what:30s} n {len(e):6d}  {share.abs().median():5.2f} | "
        f"{share.abs().quantile(0.9):6.2f} | {share.median():+5.2f} %   "
        f"{e.abs().median():.3f} | {e.abs().quantile(0.9):.3f} | {e.median():+.3f} px"
    )


def figures_of(errors: Errors) -> dict[str, list[float]]:
    """Return by width: pieces, |error| median and 90th percentile and bias in %, then in px."""
    figures = {}
    for low, high in (*WIDTH_CLASSES_PX, (8, 1000)):
        own = (errors.width_px >= low) & (errors.width_px < high)
        if own.any():
            each = (100 * errors.median_px[own] / errors.width_px[own], errors.median_px[own])
            parts = [(e.abs().median(), e.abs().quantile(0.9), e.median()) for e in each]
            figures[f"{low}-{high} px"] = [float(own.sum())] + [
                round(float(value), 4) for part in parts for value in part
            ]
    return figures
