"""The surface network: an EfficientNet-lite0 encoder and a light pyramid decoder.

The encoder is written out here, not taken from a library, so that the recipe needs
PyTorch alone and so that padding is fixed: TensorFlow's "same" padding of an even
side is (k - s) split low side first, which makes the graph right for any input whose
sides are multiples of 32. Weights come from any file whose tensors follow the order
of the original implementation (they are matched by order and shape, not by name).

Sources: Tan and Le, EfficientNet (arXiv 1905.11946) and its lite variants (no
squeeze-and-excite, ReLU6); Kirillov et al., Panoptic FPN (arXiv 1901.02446) for the
decoder.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn import functional

MEAN = 0.498
STD = 0.502
"""Input normalisation the encoder's weights were trained with, for 0 to 1."""

MULTIPLE_PX = 32
STRIDE_PX = 4
PYRAMID = 128
EMBEDDING = 64
OUTLINE = 32
"""Channels of the head that draws outlines."""

# repeats, kernel, stride, expansion, channels out: EfficientNet-lite0
_STAGES = (
    (1, 3, 1, 1, 16),
    (2, 3, 2, 6, 24),
    (2, 5, 2, 6, 40),
    (3, 3, 2, 6, 80),
    (3, 5, 1, 6, 112),
    (4, 5, 2, 6, 192),
    (1, 3, 1, 6, 320),
)
_TAPS = (1, 2, 4, 6)  # last stage at strides 4, 8, 16 and 32
_TAP_CHANNELS = (24, 40, 112, 320)


class _ConvBn(nn.Module):
    """Convolution with "same" padding, batch norm and, where asked, ReLU6."""

    def __init__(
        self, inp: int, out: int, kernel: int, *, stride: int = 1, groups: int = 1, act: bool = True
    ) -> None:
        super().__init__()
        total = kernel - stride if stride > 1 else kernel - 1
        self.pad = (total // 2, total - total // 2, total // 2, total - total // 2)
        even = self.pad[0] == self.pad[1]
        self.conv = nn.Conv2d(
            inp,
            out,
            kernel,
            stride,
            padding=self.pad[0] if even else 0,
            groups=groups,
            bias=False,
        )
        self.explicit = not even
        self.bn = nn.BatchNorm2d(out, eps=1e-3, momentum=0.01)
        self.act = act

    def forward(self, x: Tensor) -> Tensor:
        if self.explicit:
            x = functional.pad(x, self.pad)
        x = self.bn(self.conv(x))
        return functional.relu6(x) if self.act else x


class _Block(nn.Module):
    """Inverted residual: widen, filter each channel, narrow."""

    def __init__(self, inp: int, out: int, *, kernel: int, stride: int, expand: int) -> None:
        super().__init__()
        wide = inp * expand
        layers = [] if expand == 1 else [_ConvBn(inp, wide, 1)]
        layers += [
            _ConvBn(wide, wide, kernel, stride=stride, groups=wide),
            _ConvBn(wide, out, 1, act=False),
        ]
        self.layers = nn.Sequential(*layers)
        self.residual = stride == 1 and inp == out

    def forward(self, x: Tensor) -> Tensor:
        y = self.layers(x)
        return x + y if self.residual else y


class Encoder(nn.Module):
    """EfficientNet-lite0 without its classifier; features at strides 2, 4, 8, 16, 32."""

    def __init__(self) -> None:
        super().__init__()
        self.stem = _ConvBn(3, 32, 3, stride=2)
        stages, inp = [], 32
        for repeats, kernel, stride, expand, out in _STAGES:
            blocks = []
            for i in range(repeats):
                first = i == 0
                blocks.append(
                    _Block(inp, out, kernel=kernel, stride=stride if first else 1, expand=expand)
                )
                inp = out
            stages.append(nn.Sequential(*blocks))
        self.stages = nn.ModuleList(stages)

    def forward(self, x: Tensor) -> list[Tensor]:
        """Return the stem's features of ``(n, 3, h, w)`` and the four taps', finest first."""
        x = self.stem(x)
        taps = [x]
        for i, stage in enumerate(self.stages):
            x = stage(x)
            if i in _TAPS:
                taps.append(x)
        return taps

    def load_by_order(self, tensors: Mapping[str, Tensor]) -> None:
        """Take ImageNet weights from a state dict that follows the original order.

        Raises:
            ValueError: A tensor's shape does not fit; nothing is loaded then.
        """
        own = self.state_dict()
        pairs = list(zip(own.items(), tensors.items(), strict=False))
        if len(pairs) < len(own):
            raise ValueError(f"{len(tensors)} tensors for {len(own)} places")
        for (name, place), (theirs, value) in pairs:
            if place.shape != value.shape:
                raise ValueError(f"{theirs} {tuple(value.shape)} does not fit {name}")
        self.load_state_dict(
            {n: v.float() if v.is_floating_point() else v for (n, _), (_, v) in pairs}
        )


class _OutlineHead(nn.Module):
    """What is a piece and where two pieces meet, at the input's own resolution.

    Works at half resolution, from what the decoder knows and from the photo's own
    edges, and unfolds each cell into four pixels: wire a few pixels thick survives.
    """

    def __init__(self) -> None:
        super().__init__()
        self.coarse = nn.Conv2d(EMBEDDING, OUTLINE, 1)
        self.fine = nn.Conv2d(32 + 12, OUTLINE, 1)
        self.mix = nn.Sequential(
            _ConvBn(OUTLINE, OUTLINE, 3, groups=OUTLINE),
            _ConvBn(OUTLINE, OUTLINE, 1),
            _ConvBn(OUTLINE, OUTLINE, 3, groups=OUTLINE),
            _ConvBn(OUTLINE, OUTLINE, 1),
        )
        self.answer = nn.Conv2d(OUTLINE, 8, 1)

    def forward(self, embedding: Tensor, stem: Tensor, rgb: Tensor) -> Tensor:
        y = self.coarse(embedding)
        y = functional.interpolate(y, scale_factor=2.0, mode="bilinear", align_corners=False)
        y = y + self.fine(torch.cat([stem, functional.pixel_unshuffle(rgb, 2)], dim=1))
        return functional.pixel_shuffle(self.answer(self.mix(y)), 2)


class SurfaceNet(nn.Module):
    """Classes, tarnish level and an embedding at a quarter of the input's resolution.

    And at its full resolution: logits of "part of a piece" and "where pieces meet".
    """

    def __init__(self, classes: int) -> None:
        super().__init__()
        self.encoder = Encoder()
        self.lateral = nn.ModuleList(nn.Conv2d(c, PYRAMID, 1) for c in _TAP_CHANNELS)
        self.context = nn.Conv2d(_TAP_CHANNELS[-1], PYRAMID, 1)
        self.smooth = nn.ModuleList(
            nn.Sequential(
                _ConvBn(PYRAMID, PYRAMID, 3, groups=PYRAMID), _ConvBn(PYRAMID, PYRAMID, 1)
            )
            for _ in _TAP_CHANNELS[1:]
        )
        # Parted into a filter for each channel and a mix of channels: a full 3 x 3 mix of
        # 128 channels at a quarter of the resolution took 15 % of the network's time.
        self.fuse = nn.Sequential(
            _ConvBn(PYRAMID, PYRAMID, 3, groups=PYRAMID), _ConvBn(PYRAMID, EMBEDDING, 1)
        )
        self.refine = nn.Sequential(
            _ConvBn(EMBEDDING, EMBEDDING, 3, groups=EMBEDDING), _ConvBn(EMBEDDING, EMBEDDING, 1)
        )
        self.drop = nn.Dropout2d(0.1)
        self.classify = nn.Conv2d(EMBEDDING, classes, 1)
        self.tarnish = nn.Conv2d(EMBEDDING, 1, 1)
        self.outline = _OutlineHead()

    def forward(self, rgb: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """Return the maps of ``(n, 3, h, w)`` in 0 to 255.

        Class logits, tarnish level (0 to 1), embedding; ``(n, 2, h, w)`` outline logits.
        """
        scaled = (rgb / 255.0 - MEAN) / STD
        stem, *taps = self.encoder(scaled)
        # The mean over the view tells the light; a colour is judged against it.
        light = self.context(taps[-1].mean(dim=(2, 3), keepdim=True))
        y = self.lateral[-1](taps[-1]) + light
        for level in (2, 1, 0):
            y = self.smooth[level](y)
            y = functional.interpolate(y, scale_factor=2.0, mode="bilinear", align_corners=False)
            y = y + self.lateral[level](taps[level])
        embedding = self.refine(self.fuse(y))
        kept = self.drop(embedding)
        tarnish = torch.sigmoid(self.tarnish(kept))[:, 0]
        return self.classify(kept), tarnish, embedding, self.outline(embedding, stem, scaled)


class Deployed(nn.Module):
    """The graph that is shipped: bytes of a photo in, maps out."""

    def __init__(self, net: SurfaceNet) -> None:
        super().__init__()
        self.net = net

    def forward(self, rgb: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """``(1, h, w, 3)`` uint8 to logits and tarnish level at stride 4.

        To the probabilities of the outline head at stride 1, and to the features at
        stride 4 that :class:`models.recipe.surface.piece_head.PieceHead` reads.
        """
        logits, tarnish, embedding, outline = self.net(rgb.permute(0, 3, 1, 2).float())
        return logits, tarnish, torch.sigmoid(outline), embedding


def load_encoder_weights(net: SurfaceNet, path: Path) -> None:
    """Start the encoder from ImageNet weights in a PyTorch file (float32 or float16)."""
    net.encoder.load_by_order(torch.load(path, map_location="cpu", weights_only=True))
