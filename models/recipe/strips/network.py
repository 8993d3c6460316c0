"""The part of the strip network that tells looks, as it is trained."""

from __future__ import annotations

import torch
from torch import Tensor, nn
from torch.nn import functional

from vision.width.strand.strip_look import ACROSS_PX, BINS, LOOKS


class StripNet(nn.Module):
    """Windows and their step to log probabilities of looks and of strand shares."""

    def __init__(self) -> None:
        super().__init__()
        self.stem = _conv(5, 16)
        self.body = nn.Sequential(
            _conv(16, 32, stride=2),
            _Same(32),
            _conv(32, 48, stride=2),
            _Same(48),
            _conv(48, 64, stride=2),
            _Same(64),
            _Same(64),
            _conv(64, 88, stride=2),
            _Same(88),
        )
        self.head = nn.Sequential(nn.Linear(2 * 88, 128), nn.ReLU(), nn.Dropout(0.1))
        self.looks = nn.Linear(128, len(LOOKS))
        self.shares = nn.Linear(128, BINS)
        # Where a column lies across the piece: a slant means another thing at the rim.
        across = torch.linspace(-1, 1, ACROSS_PX).view(1, 1, 1, ACROSS_PX)
        self.register_buffer("across", across)

    def forward(self, light: Tensor, log_step: Tensor) -> tuple[Tensor, Tensor]:
        """Return ``(n, len(LOOKS))`` and ``(n, BINS)`` for ``(n, ALONG, ACROSS, 3)``."""
        x = light.permute(0, 3, 1, 2)
        one = torch.ones_like(x[:, :1])
        x = torch.cat([x, one * log_step.view(-1, 1, 1, 1) / 2, one * self.across], dim=1)
        x = self.body(self.stem(x))
        seen = self.head(torch.cat([x.mean(dim=(2, 3)), x.amax(dim=(2, 3))], dim=1))
        return (
            functional.log_softmax(self.looks(seen).float(), dim=1),
            functional.log_softmax(self.shares(seen).float(), dim=1),
        )


def _conv(inputs: int, outputs: int, *, stride: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, 3, stride=stride, padding=1, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU(),
    )


class _Same(nn.Module):
    """A convolution that adds to what it was given."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        self.conv = _conv(channels, channels)

    def forward(self, x: Tensor) -> Tensor:
        return x + self.conv(x)
