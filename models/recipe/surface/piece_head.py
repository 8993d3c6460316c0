"""The head that tells a piece as a whole, from the surface network's features.

A piece is a share of each cell (its cover). The features under it are pooled in three
ways, since a finding is about all of a piece (its mean), about how mixed it is (its
standard deviation) or about a small part of it (its soft maximum: a ring of solder).
All answers are trained by proper scores, so that what they say is calibrated on what
they were trained on (Gneiting and Raftery, JASA 102 (2007) 359): the log score for
presence, form and shine, the Beta log likelihood for a share, the Gaussian log
likelihood for tarnish.
"""

from __future__ import annotations

from typing import NamedTuple

import torch
from torch import Tensor, nn
from torch.nn import functional

from models.recipe.surface.network import EMBEDDING

PRESENCE = (
    "coating",
    "insulation",
    "tin",
    "green",
    "brass",
    "solder",
    "other_metal",
    "not_metal",
)
SHARES = PRESENCE[:6]
FORMS = ("wire", "stranded", "tube", "sheet", "other")
"""The order of the answers, as ``surface.toml`` tells it."""

HIDDEN = 96
"""Channels that are pooled."""
WIDE = 160
"""Width of the two layers behind the pooling."""
SHARPNESS = 1.5
"""Of the soft maximum over channels bounded by 6: one cell in a hundred shows."""
LOG_KAPPA = (-1.0, 6.0)
LOG_SIGMA = (-4.5, 0.5)
"""Bounds of the spreads, natural logs: beyond them the scores run away."""


class PieceAnswers(NamedTuple):
    """What the head says of pieces; the first sides are those of the cover.

    Attributes:
        presence: ``(..., 8)`` logits, in the order of ``PRESENCE``.
        share: ``(..., 6, 2)`` logit of the mean share if present; log of kappa.
        form: ``(..., 5)`` logits.
        tarnish: ``(..., 2)`` level 0 to 1; log of its standard uncertainty.
        shine: ``(...)`` logit of the share of bare metal that shines.
        strangeness: ``(...)`` logit of being unlike what was trained as a piece.
    """

    presence: Tensor
    share: Tensor
    form: Tensor
    tarnish: Tensor
    shine: Tensor
    strangeness: Tensor


class PieceHead(nn.Module):
    """Masked pooling and two layers."""

    def __init__(self) -> None:
        super().__init__()
        self.widen = nn.Conv2d(EMBEDDING, HIDDEN, 1)
        pooled = 3 * HIDDEN + EMBEDDING + 1
        self.body = nn.Sequential(
            nn.LayerNorm(pooled),
            nn.Linear(pooled, WIDE),
            nn.ReLU(),
            nn.Dropout(0.1),
            nn.Linear(WIDE, WIDE),
            nn.ReLU(),
        )
        self.presence = nn.Linear(WIDE, len(PRESENCE))
        self.share = nn.Linear(WIDE, 2 * len(SHARES))
        self.form = nn.Linear(WIDE, len(FORMS))
        self.tarnish = nn.Linear(WIDE, 2)
        self.shine = nn.Linear(WIDE, 1)
        self.strange = nn.Linear(WIDE, 1)

    def pooled(self, features: Tensor, cover: Tensor) -> Tensor:
        """Return ``(b, n, pooled)`` of ``(b, C, h, w)`` features, ``(b, n, h, w)`` cover."""
        wide = functional.relu6(self.widen(features)).flatten(2).transpose(1, 2)
        flat = features.flatten(2).transpose(1, 2)
        weight = cover.flatten(2)
        area = weight.sum(dim=2, keepdim=True).clamp_min(1e-3)
        mean = weight @ wide / area
        square = weight @ (wide * wide) / area
        spread = (square - mean * mean).clamp_min(0.0)
        spread = (spread + 1e-4).sqrt()
        sharp = torch.exp(SHARPNESS * wide)
        most = weight @ (sharp * wide) / (weight @ sharp).clamp_min(1e-3)
        return torch.cat([mean, spread, most, weight @ flat / area, torch.log(area)], dim=2)

    def forward(self, features: Tensor, cover: Tensor) -> PieceAnswers:
        """Return the answers for ``(b, C, h, w)`` features and ``(b, n, h, w)`` cover."""
        x = self.body(self.pooled(features, cover))
        share = self.share(x).unflatten(-1, (len(SHARES), 2))
        tarnish = self.tarnish(x)
        return PieceAnswers(
            presence=self.presence(x),
            share=torch.stack([share[..., 0], share[..., 1].clamp(*LOG_KAPPA)], dim=-1),
            form=self.form(x),
            tarnish=torch.stack(
                [torch.sigmoid(tarnish[..., 0]), tarnish[..., 1].clamp(*LOG_SIGMA)], dim=-1
            ),
            shine=self.shine(x)[..., 0],
            strangeness=self.strange(x)[..., 0],
        )


class DeployedHead(nn.Module):
    """The graph that is shipped: one view's features and its pieces' covers in."""

    def __init__(self, head: PieceHead) -> None:
        super().__init__()
        self.head = head

    def forward(self, features: Tensor, cover: Tensor) -> tuple[Tensor, ...]:
        """``(1, C, h, w)`` and ``(n, h, w)`` to the answers of ``n`` pieces."""
        told = self.head(features, cover[None])
        parts = [part[0] for part in told[:-1]]
        # Above 0 and rising, so that it can be held against a limit.
        return (*parts, functional.softplus(told.strangeness[0]))
