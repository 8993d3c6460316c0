"""What the training of the surface network and of its head for the piece makes small."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from models.recipe.surface.piece_head import SHARES, PieceAnswers
from models.recipe.surface.piece_views import PieceBatch
from models.recipe.surface.views import Batch
from vision.types import Surface

DICE_SHARE = 0.5
TARNISH_SHARE = 2.0
OUTLINE_SHARE = 1.0
CLEAR_SHARE = 0.5
GAP_WEIGHT = 4.0
"""A pixel where pieces meet counts so much more than one where they don't."""

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
