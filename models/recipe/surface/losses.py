"""What the training of the surface network and of its head for the piece makes small."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from models.recipe.surface.piece_head import SHARES, PieceAnswers
from models.recipe.surface.piece_views import PieceBatch
from models.recipe.surface.store import NUMBERS
from models.recipe.surface.views import Batch, numbered
from vision.types import Surface

DICE_SHARE = 0.5
TARNISH_SHARE = 2.0
OUTLINE_SHARE = 1.0
CLEAR_SHARE = 0.5
PLACE_SHARE = 0.3
GAP_WEIGHT = 4.0
"""A pixel where pieces meet counts so much more than one where they don't."""

PLACE_CELLS = 16.0
"""Cells of one unit of the places: 64 px of the view."""
NEAR, APART = 0.25, 1.5
"""Cells of a piece are held this near to its mean, means of two pieces so far apart, in
those units (De Brabandere et al., arXiv 1708.02551)."""
MOST_PIECES, LEAST_CELLS = 16, 3
"""The largest of a view are told apart, of those that fill so many cells by themselves."""

PIECE_SHARES = {
    "presence": 1.0,
    "share": 0.1,
    "form": 0.2,
    "piece_tarnish": 0.15,
    "shine": 0.2,
    "strange": 0.3,
}
"""Weights of the head's scores."""
SHARE_RANGE = (0.004, 0.996)
"""A Beta density is asked inside, where it is finite."""

_ORDER = list(Surface)
_WITHOUT_COPPER = [
    _ORDER.index(s)
    for s in (
        Surface.TABLE,
        Surface.REFERENCE,
        Surface.INSULATION,
        Surface.OTHER_METAL,
        Surface.STRANGER,
    )
]


def dense_loss(
    logits: Tensor, tarnish: Tensor, outline: Tensor, batch: Batch, weight: Tensor
) -> tuple[Tensor, dict[str, Tensor]]:
    """Return the loss of the maps and its parts.

    Cross entropy, dice of all but table, what is only known to be no copper, tarnish and
    outlines.
    """
    logp = functional.log_softmax(logits, dim=1)
    weighted = batch.classes * weight[None, :, None, None]
    entropy = -(weighted * logp).sum() / weighted.sum().clamp_min(1.0)
    p = logp.exp() * batch.known[:, None]
    overlap = (p * batch.classes).sum(dim=(0, 2, 3))
    total = (p * p + batch.classes * batch.classes).sum(dim=(0, 2, 3))
    seen = batch.classes.sum(dim=(0, 2, 3)) > 20
    dice = 1 - (2 * overlap + 1) / (total + 1)
    dice = (dice * seen)[1:].sum() / seen[1:].sum().clamp_min(1)
    without = torch.logsumexp(logp[:, _WITHOUT_COPPER], dim=1)
    clear = -(without * batch.clear).sum() / batch.clear.sum().clamp_min(1.0)
    wrong = ((tarnish - batch.tarnish).abs() * batch.bare).sum() / batch.bare.sum().clamp_min(1.0)
    drawn = _outline_loss(outline, batch)
    loss = (
        entropy
        + DICE_SHARE * dice
        + CLEAR_SHARE * clear
        + TARNISH_SHARE * wrong
        + OUTLINE_SHARE * drawn
    )
    parts = {"cross_entropy": entropy, "dice": dice, "clear": clear}
    return loss, parts | {"tarnish": wrong, "outline": drawn}


def _outline_loss(outline: Tensor, batch: Batch) -> Tensor:
    """Return cross entropy and dice of both planes, over pixels told to be piece or not."""
    piece, gap = outline[:, 0], outline[:, 1]
    told = batch.told
    bce = functional.binary_cross_entropy_with_logits
    one = (bce(piece, batch.piece, reduction="none") * told).sum() / told.sum().clamp_min(1)
    # Where pieces meet is only asked on the pieces: beside them nobody reads it.
    close = told * (batch.piece > 0) * (1 + (GAP_WEIGHT - 1) * batch.gap)
    two = (bce(gap, batch.gap, reduction="none") * close).sum() / close.sum().clamp_min(1)
    dice = torch.zeros((), device=outline.device)
    for logit, truth, where in ((piece, batch.piece, told), (gap, batch.gap, close > 0)):
        p, t = logit.sigmoid() * where, truth * where
        dice = dice + 1 - (2 * (p * t).sum() + 1) / ((p * p).sum() + (t * t).sum() + 1)
    return 2 * one + 0.5 * two + 0.5 * dice


def place_loss(places: Tensor, batch: Batch) -> Tensor:
    """Return how far places are from telling the pieces of each view apart.

    Args:
        places: ``(n, d, h, w)``, without the cells' own places.
        batch: Whose numbers tell the pieces.
    """
    n, d, h, w = places.shape
    at = placed(places).flatten(2).transpose(1, 2)
    number, share = _own_cells(batch.numbers, h)
    # Marks on real photos are parts of things: several may be one piece's.
    number, share = number.flatten(1), (share * ~batch.real[:, None, None]).flatten(1)
    slot = (torch.arange(n, device=places.device)[:, None] * NUMBERS + number).flatten()
    weight = torch.zeros(n * NUMBERS, device=places.device).index_add(0, slot, share.flatten())
    total = torch.zeros(n * NUMBERS, d, device=places.device)
    total = total.index_add(0, slot, (at * share[..., None]).flatten(0, 1))
    mean = total / weight.clamp_min(1e-6)[:, None]
    held = weight >= LEAST_CELLS
    off = (at - mean[slot].view(n, h * w, d)).norm(dim=2)
    pull = share * (off - NEAR).clamp_min(0) ** 2
    of_piece = torch.zeros_like(weight).index_add(0, slot, pull.flatten())
    inside = (of_piece / weight.clamp_min(1e-6) * held).sum() / held.sum().clamp_min(1)
    order = (weight * held).view(n, NUMBERS).topk(MOST_PIECES, dim=1).indices
    means = mean.view(n, NUMBERS, d).gather(1, order[..., None].expand(-1, -1, d))
    there = held.view(n, NUMBERS).gather(1, order)
    pairs = (
        there[:, :, None]
        & there[:, None]
        & ~torch.eye(MOST_PIECES, dtype=torch.bool, device=places.device)
    )
    gap = (means[:, :, None] - means[:, None] + 1e-6).norm(dim=3)
    push = ((APART - gap).clamp_min(0) ** 2 * pairs).sum() / pairs.sum().clamp_min(1)
    return inside + push


def placed(places: Tensor) -> Tensor:
    """Return places with the cells' own places added to the first two, ``(n, d, h, w)``."""
    h, w = places.shape[2:]
    y = torch.arange(h, device=places.device, dtype=places.dtype)[:, None].expand(h, w)
    x = torch.arange(w, device=places.device, dtype=places.dtype)[None].expand(h, w)
    own = torch.stack([x, y]) / PLACE_CELLS
    return torch.cat([places[:, :2] + own, places[:, 2:]], dim=1)


def _own_cells(numbers: Tensor, cells: int) -> tuple[Tensor, Tensor]:
    """Return for each cell the one piece it shows, 0 for none or several, and its share."""
    side = numbers.shape[-1] // cells
    own = numbered(numbers)
    value = (numbers.float() * own)[:, None]
    most = functional.max_pool2d(value, side)[:, 0]
    least = -functional.max_pool2d(-torch.where(own[:, None], value, float(NUMBERS)), side)[:, 0]
    share = functional.avg_pool2d(own.float()[:, None], side)[:, 0]
    one = (most > 0) & (most == least)
    return (most * one).long(), share * one


def piece_loss(told: PieceAnswers, asked: PieceBatch) -> tuple[Tensor, dict[str, Tensor]]:
    """Return the loss of the head and its parts, each a proper score."""
    bce = functional.binary_cross_entropy_with_logits

    def mean(score: Tensor, weight: Tensor) -> Tensor:
        return (score * weight).sum() / weight.sum().clamp_min(1.0)

    six = len(SHARES)
    here = asked.presence[..., :six] * asked.presence_asked[..., :six]
    form = functional.cross_entropy(
        told.form.flatten(0, 1), asked.form.flatten().clamp_min(0), reduction="none"
    )
    spread = told.tarnish[..., 1]
    off = (told.tarnish[..., 0] - asked.tarnish) / spread.exp()
    parts = {
        "presence": mean(
            bce(told.presence, asked.presence, reduction="none"), asked.presence_asked
        ),
        "share": mean(-log_beta(told.share, asked.share), here),
        "form": mean(form, (asked.form.flatten() >= 0).float()),
        "piece_tarnish": mean(0.5 * off * off + spread, asked.bare_asked),
        "shine": mean(bce(told.shine, asked.shine, reduction="none"), asked.shine_asked),
        "strange": mean(
            bce(told.strangeness, asked.strange, reduction="none"), asked.strange_asked
        ),
    }
    return sum((PIECE_SHARES[n] * v for n, v in parts.items()), torch.zeros_like(off.sum())), parts


def log_beta(told: Tensor, share: Tensor) -> Tensor:
    """Return the log density of shares under Beta(mean kappa, (1 - mean) kappa).

    Args:
        told: ``(..., 2)``, logit of the mean and log of kappa.
        share: ``(...)`` 0 to 1, brought inside ``SHARE_RANGE``.
    """
    x = share.clamp(*SHARE_RANGE)
    mean = torch.sigmoid(told[..., 0]).clamp(1e-3, 1 - 1e-3)
    kappa = torch.exp(told[..., 1])
    a, b = mean * kappa, (1 - mean) * kappa
    norm = torch.lgamma(kappa) - torch.lgamma(a) - torch.lgamma(b)
    return norm + (a - 1) * torch.log(x) + (b - 1) * torch.log1p(-x)
