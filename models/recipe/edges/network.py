"""The small network that finds both edges of a wire in its straightened strip.

Each profile goes down three halvings and up again; on the way the mean over neighbouring
profiles is added to each, so that each knows what is steady along the piece. Trained by
``train.py``, written for the run time by ``strips/file.py``. Needs torch.
"""

from __future__ import annotations

from collections.abc import Sequence

import torch
from torch import Tensor, nn

INPUTS = 8
LOG_FLOOR = 0.004  # as at the run time
LABEL_SIGMA = 0.7  # samples
STEM_TAPS, TAPS = 7, 5

PLAN = (
    "conv 1 40",
    "block 1",
    "down 1 80",
    "block 1",
    "context 1",
    "block 2",
    "down 1 120",
    "block 1",
    "context 1",
    "block 2",
    "down 1 144",
    "block 1",
    "context 1",
    "block 2",
    "up 1 120",
    "block 1",
    "context 1",
    "block 1",
    "up 1 80",
    "block 1",
    "up 1 40",
    "block 1",
    "context 1",
    "block 1",
    "score 1 2",
)
"""Kind and dilation of each layer, channels where they change: ``conv`` (along the profile),
``block`` (the same, added to what comes in), ``down`` (two neighbours to one), ``up`` (one to
two, added to what went down), ``context`` (the mean over neighbouring profiles, added to
each) or ``score``."""


class EdgeNet(nn.Module):
    """Two scores, left and right edge, for each position of each profile of a piece."""

    def __init__(self, plan: Sequence[str] = PLAN) -> None:
        super().__init__()
        self.steps = [_step(line) for line in plan]
        layers: list[nn.Module] = []
        before = INPUTS
        for kind, dilation, after in self.steps:
            layers.append(_layer(kind, dilation, before, after or before))
            before = after or before
        self.layers = nn.ModuleList(layers)

    def forward(self, x: Tensor, neighbours: Tensor | int) -> Tensor:
        """Return scores ``(n, 2, SAMPLES)``.

        Args:
            x: ``(n, 8, SAMPLES)`` from :func:`inputs`.
            neighbours: How many profiles in a row are of one piece, or ``(n, n)`` shares
                of the mean that each profile takes of each.
        """
        aside: list[Tensor] = []
        for (kind, _, _), layer in zip(self.steps, self.layers, strict=True):
            if kind == "context":
                x = x + layer(_mean(x, neighbours))
            elif kind == "up":
                x = layer(x) + aside.pop()
            elif kind == "score":
                x = layer(x)
            elif kind == "block":
                x = torch.relu(x + layer(x))
            else:
                if kind == "down":
                    aside.append(x)
                x = torch.relu(layer(x))
        return x


def _mean(x: Tensor, neighbours: Tensor | int) -> Tensor:
    if isinstance(neighbours, int):
        grouped = x.unflatten(0, (-1, neighbours))
        return grouped.mean(dim=1, keepdim=True).expand_as(grouped).flatten(0, 1)
    return (neighbours @ x.flatten(1)).view_as(x)


def _step(line: str) -> tuple[str, int, int | None]:
    kind, dilation, *after = line.split()
    return kind, int(dilation), int(after[0]) if after else None


def _layer(kind: str, dilation: int, before: int, after: int) -> nn.Module:
    taps = STEM_TAPS if kind == "conv" else TAPS
    if kind == "up":
        return nn.ConvTranspose1d(before, after, 2, stride=2)
    if kind == "down":
        return nn.Conv1d(before, after, 2, stride=2)
    if kind == "score":
        return nn.Conv1d(before, after, 1)
    if kind == "context":
        layer = nn.Conv1d(before, after, 1)
        nn.init.normal_(layer.weight, std=0.1 / before**0.5)
    else:
        layer = nn.Conv1d(before, after, taps, dilation=dilation, padding=dilation * (taps // 2))
        nn.init.kaiming_normal_(layer.weight, nonlinearity="relu")
        if kind == "block":  # what is added starts small, or twelve in a row explode
            nn.init.normal_(layer.weight, std=0.5 * (2 / (before * taps)) ** 0.5)
    nn.init.zeros_(layer.bias)
    return layer


def inputs(profiles: Tensor, known: Tensor, width_px: Tensor) -> Tensor:
    """Log colours about their mean, linear colours, what is known, how coarse the pixels are.

    Args:
        profiles: ``(n, 3, SAMPLES)`` linear light, 0 where not known.
        known: ``(n, SAMPLES)`` 1 where the photo shows the profile.
        width_px: ``(n,)`` the expected width.
    """
    logs = torch.log(profiles + LOG_FLOOR)
    known = known.unsqueeze(1)
    seen = known.sum(dim=2, keepdim=True).clamp_min(1)
    mean = (logs * known).sum(dim=(1, 2), keepdim=True) / (3 * seen)
    scale = (torch.log(width_px / 30) / 2)[:, None, None].expand(-1, 1, profiles.shape[2])
    top = torch.quantile(profiles.amax(dim=1), 0.9, dim=1)[:, None, None].clamp_min(0.02)
    return torch.cat(
        [(logs - mean) * known, (profiles / top).clamp(max=2) * known, known, scale], dim=1
    )


def loss_of(logits: Tensor, edges: Tensor) -> Tensor:
    """Cross-entropy against a narrow Gaussian about each true edge, mean over known edges.

    Args:
        logits: ``(..., 2, SAMPLES)``.
        edges: ``(..., 2)`` in samples; NaN where not known.
    """
    at = torch.arange(logits.shape[-1], device=logits.device, dtype=logits.dtype)
    good = torch.isfinite(edges) & (edges > 0) & (edges < logits.shape[-1] - 1)
    away = at - torch.where(good, edges, torch.zeros_like(edges)).unsqueeze(-1)
    label = torch.exp(-0.5 * (away / LABEL_SIGMA) ** 2)
    label = label / label.sum(dim=-1, keepdim=True).clamp_min(1e-9)
    each = -(label * torch.log_softmax(logits, dim=-1)).sum(dim=-1)
    return (each * good).sum() / good.sum().clamp_min(1)


def found(logits: Tensor, half: int = 4) -> Tensor:
    """Local mean about the highest peak, ``(..., 2)`` in samples."""
    p = torch.softmax(logits, dim=-1)
    peak = p.argmax(dim=-1, keepdim=True)
    at = torch.arange(logits.shape[-1], device=logits.device)
    near = p * ((at - peak).abs() <= half)
    return (near * at).sum(dim=-1) / near.sum(dim=-1)
