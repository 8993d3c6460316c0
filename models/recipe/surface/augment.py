"""Views of stored photos as another camera, at another distance, would have made them.

Everything runs on the GPU on whole batches. Randomised: which part is seen, how big
a pixel is, which way is up; exposure, residual white-balance error, tone curve,
saturation, uneven light, focus, sharpening, noise, JPEG. Never randomised: the hue of
a material, which is what the network must read. White normalisation is done as in
use (``vision.finish.surface.whiten``), with the error that a reading of the white has.

Some views get a piece of another view laid over theirs, brought to their light by the
two whites: pieces then touch and cross in more ways than were rendered (Ghiasi et al.,
Simple Copy-Paste, arXiv 2012.07177).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from math import log, pi

import torch
from torch import Tensor
from torch.nn import functional

from models.recipe.surface.network import STRIDE_PX
from models.recipe.surface.store import CLASSES, POINTS, UNKNOWN, Store
from vision.finish.surface import GAIN_RANGE, WHITE_TARGET
from vision.types import Surface

_ORDER = list(Surface)
RARE = (Surface.GREEN, Surface.TINNED, Surface.BRASS, Surface.SOLDER, Surface.OTHER_METAL)

OVERVIEW_SHARE = 0.35
"""Of the views, how many show (nearly) the whole photo; the rest are crops."""

MAGNIFICATION = (0.4, 1.7)
"""Range of view pixels a stored pixel in crops: wire of 3 to 200 px appears."""

PASTE_SHARE = 0.3
"""Of the views, how many get a piece of another one laid over theirs."""

PASTED_FROM = 100
"""Added to a pasted piece's number, which then differs from all of the view's own."""

GAP_PX = 1
"""Two pieces meet where a pixel of one is this near, in view pixels, to the other."""

OVERSAMPLE = 2
"""Samples a side for each view pixel: like area averaging down to half size."""

BALANCE_SIGMA = 0.06
"""Residual white-balance error of a phone, log of r/g and b/g, about 5 % in use."""

STRONG_SHARE, STRONG_SIGMA = 0.2, 0.14
"""Of the views, how many have the light of a lamp that the phone left as it was."""

BLOWN_SHARE, BLOWN_STOPS = 0.15, (0.4, 1.8)
"""Of the views, how many are exposed so long that white paper has no detail, and by how much."""

WHITE_SIGMA = 0.025
"""Error of a white read off a reference, log of each channel."""

# Luminance and chrominance tables of ITU-T T.81 Annex K (quality 50).
_LUMA = (
    (16, 11, 10, 16, 24, 40, 51, 61),
    (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56),
    (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77),
    (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101),
    (72, 92, 95, 98, 112, 100, 103, 99),
)
_CHROMA = (
    (17, 18, 24, 47, 99, 99, 99, 99),
    (18, 21, 26, 66, 99, 99, 99, 99),
    (24, 26, 56, 99, 99, 99, 99, 99),
    (47, 66, 99, 99, 99, 99, 99, 99),
    (99, 99, 99, 99, 99, 99, 99, 99),
    (99, 99, 99, 99, 99, 99, 99, 99),
    (99, 99, 99, 99, 99, 99, 99, 99),
    (99, 99, 99, 99, 99, 99, 99, 99),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Batch:
    """Views with soft truth at the network's stride.

    Attributes:
        rgb: ``(n, 3, s, s)`` float32, whole numbers 0 to 255.
        classes: ``(n, CLASSES, s/4, s/4)`` float32, area share of each class in a cell.
        known: ``(n, s/4, s/4)`` float32, area share with known class.
        tarnish: ``(n, s/4, s/4)`` float32, level 0 to 1.
        bare: ``(n, s/4, s/4)`` float32, area share with known tarnish level.
        piece: ``(n, s, s)`` float32, area share that is part of a piece.
        gap: ``(n, s, s)`` float32, 1 where two pieces meet, else 0.
        told: ``(n,)`` float32, 0 where the photo's truth does not tell pieces apart.
    """

    rgb: Tensor
    classes: Tensor
    known: Tensor
    tarnish: Tensor
    bare: Tensor
    piece: Tensor
    gap: Tensor
    told: Tensor


PARTS = ("colour", "optics", "paste")
"""What can be left out, to see what it brings: exposure, balance, tone, saturation and
uneven light; focus, sharpening, noise and JPEG; pieces laid over another view."""


class Sampler:
    """Draws batches of augmented views from a store."""

    def __init__(
        self,
        store: Store,
        *,
        side_px: int,
        device: torch.device,
        seed: int,
        without: Collection[str] = (),
    ) -> None:
        self.store = store
        self.without = frozenset(without)
        self.side = side_px
        self.device = device
        self.dice = torch.Generator(device=device).manual_seed(seed)
        seen = store.has.float().mean(dim=0).clamp_min(0.02)
        rare = torch.tensor([c in RARE for c in _ORDER]).float()
        gain = (rare * store.has.float() * (0.25 / seen).clamp(max=1.5)).sum(dim=1)
        self.weights = (1.0 + gain.clamp(max=2.0)).to(device)
        # Crops aim at metal mostly, and among classes at the rare ones.
        aim = torch.ones(CLASSES)
        aim[_ORDER.index(Surface.TABLE)] = 0.5
        aim[_ORDER.index(Surface.REFERENCE)] = 0.5
        aim = aim + rare
        self.aim = (store.has.float() * aim + 1e-6).to(device)
        self.resident = store.planes.device.type == device.type
        self.size = store.size.to(device)
        self.white = store.white.to(device)
        self.points = store.points.to(device)

    def draw(self, count: int) -> Batch:
        """Return a batch of augmented views."""
        index = torch.multinomial(self.weights, count, replacement=True, generator=self.dice)
        planes = self._planes(index)
        matrix = self._geometry(index, count)
        rgb, fine = sample_views(planes, matrix, self.size[index], side=self.side)
        if "paste" not in self.without:
            rgb, fine = self._paste(rgb, fine, self.white[index])
        return soft_batch(self._camera(rgb, self.white[index]), fine)

    def _planes(self, index: Tensor) -> Tensor:
        if self.resident:
            return self.store.planes[index]
        return self.store.planes[index.cpu()].to(self.device, non_blocking=True)

    def _uniform(self, count: int, low: float, high: float) -> Tensor:
        return low + (high - low) * torch.rand(count, generator=self.dice, device=self.device)

    def _normal(self, *shape: int) -> Tensor:
        return torch.randn(shape, generator=self.dice, device=self.device)

    def _geometry(self, index: Tensor, count: int) -> Tensor:
        """Return ``(n, 2, 3)`` from centred view pixels to photo pixels."""
        size = self.size[index].float()
        whole = self._uniform(count, 0, 1) < OVERVIEW_SHARE
        # Photo pixels a view pixel.
        fit = size[:, 1] / self.side * self._uniform(count, 0.75, 1.1)
        crop = torch.exp(-self._uniform(count, log(MAGNIFICATION[0]), log(MAGNIFICATION[1])))
        step = torch.where(whole, fit, crop.minimum(size[:, 1] / self.side))
        which = torch.multinomial(self.aim[index], 1, generator=self.dice)[:, 0]
        at = torch.randint(POINTS, (count,), generator=self.dice, device=self.device)
        point = self.points[index, which, at].float()
        point = point + self._normal(count, 2) * (0.22 * self.side * step)[:, None]
        middle = (size - 1) / 2 + self._normal(count, 2) * 0.04 * size
        centre = torch.where(whole[:, None], middle, point)
        angle = self._uniform(count, -pi, pi)
        # Half of the whole views stay upright or turned by quarters, as photos are.
        quarter = torch.round(angle / (pi / 2)) * (pi / 2) + 0.05 * self._normal(count)
        upright = whole & (self._uniform(count, 0, 1) < 0.6)
        angle = torch.where(upright, quarter, angle)
        stretch = torch.exp(0.04 * self._normal(count))
        flip = torch.where(self._uniform(count, 0, 1) < 0.5, -1.0, 1.0)
        sine, cosine = torch.sin(angle), torch.cos(angle)
        a, b = step * stretch * flip, step / stretch
        return torch.stack(
            [
                torch.stack([a * cosine, -b * sine, centre[:, 1]], dim=1),
                torch.stack([a * sine, b * cosine, centre[:, 0]], dim=1),
            ],
            dim=1,
        )

    def _paste(self, rgb: Tensor, fine: Tensor, white: Tensor) -> tuple[Tensor, Tensor]:
        """Lay a piece of the next view of the batch over some views."""
        n = len(rgb)
        theirs, other = rgb.roll(1, 0), fine.roll(1, 0)
        numbers = other[:, 2]
        # Any piece but none, by its number; a number the view doesn't show pastes nothing.
        most = torch.where(numbers == UNKNOWN, 0, numbers).flatten(1).amax(dim=1).float()
        pick = torch.ceil(self._uniform(n, 0, 1) * most).clamp_min(1).to(torch.uint8)
        known = ~torch.isnan(white).any(dim=1)
        use = (self._uniform(n, 0, 1) < PASTE_SHARE) & known & known.roll(1, 0)
        mask = (numbers == pick[:, None, None]) & use[:, None, None]
        share = functional.avg_pool2d(mask.float()[:, None], OVERSAMPLE)
        ratio = torch.nan_to_num(white / white.roll(1, 0).clamp_min(1e-3), nan=1.0).clamp(0.2, 5.0)
        lit = from_linear((to_linear(theirs / 255.0) * ratio[:, :, None, None]).clamp(0, 1)) * 255
        marked = other.clone()
        marked[:, 2] = numbers + PASTED_FROM
        return rgb * (1 - share) + lit * share, torch.where(mask[:, None], marked, fine)

    def _camera(self, rgb: Tensor, white: Tensor) -> Tensor:
        """Return views as another phone would have saved them, white-normalised or not."""
        n = len(rgb)
        code = rgb / 255.0
        known = ~torch.isnan(white).any(dim=1)
        white = torch.where(known[:, None], white, torch.ones_like(white))
        if "colour" not in self.without:
            code, white = self._development(code, white)
        if "optics" not in self.without:
            code = self._jpeg(self._noise(self._focus(code, n), n).clamp(0, 1), n)
        read = white * torch.exp(self._normal(n, 3) * WHITE_SIGMA)
        read = read * torch.exp(0.18 * self._normal(n))[:, None]  # light falls off towards it
        factor = (WHITE_TARGET / read.clamp_min(1e-3)).clamp(*GAIN_RANGE)
        use = known & (self._uniform(n, 0, 1) < 0.6)
        factor = torch.where(use[:, None], factor, torch.ones_like(factor))
        code = from_linear((to_linear(code.clamp(0, 1)) * factor[:, :, None, None]).clamp(0, 1))
        return torch.round(code * 255).clamp(0, 255)

    def _development(self, code: Tensor, white: Tensor) -> tuple[Tensor, Tensor]:
        """Return codes and white as another phone would have exposed and toned them."""
        n = len(code)
        stops = 0.4 * self._normal(n)
        blown = self._uniform(n, 0, 1) < BLOWN_SHARE
        exposure = torch.exp2(torch.where(blown, self._uniform(n, *BLOWN_STOPS), stops))[:, None]
        strong = self._uniform(n, 0, 1) < STRONG_SHARE
        sigma = torch.where(strong, STRONG_SIGMA, BALANCE_SIGMA)
        balance = self._normal(n, 3) * sigma[:, None]
        balance[:, 1] = 0.0
        gain = exposure * torch.exp(balance)
        light = to_linear(code) * gain[:, :, None, None] * self._uneven(n)
        gamma = torch.exp(0.10 * self._normal(n))[:, None, None, None]
        contrast = self._uniform(n, -0.25, 0.4)[:, None, None, None]

        def toned(linear: Tensor) -> Tensor:
            flat = from_linear(linear).clamp(0, 1) ** gamma
            return flat + contrast * (flat * flat * (3 - 2 * flat) - flat)

        # The white runs through the same curve, as a reading of it would.
        seen = to_linear(toned((white * gain)[:, :, None, None]))[:, :, 0, 0]
        return toned(self._saturate(light, n)), seen

    def _uneven(self, n: int) -> Tensor:
        """Return light that changes over the view, slightly in colour too."""
        coarse = torch.exp(0.10 * self._normal(n, 1, 3, 3) + 0.015 * self._normal(n, 3, 3, 3))
        size = (self.side, self.side)
        return functional.interpolate(coarse, size=size, mode="bicubic", align_corners=True)

    def _saturate(self, light: Tensor, n: int) -> Tensor:
        grey = (light * _luma(light)).sum(dim=1, keepdim=True)
        amount = torch.exp(0.10 * self._normal(n))[:, None, None, None]
        return (grey + (light - grey) * amount).clamp_min(0)

    def _focus(self, code: Tensor, n: int) -> Tensor:
        """Blur some views, sharpen others as phones do."""
        sigma = torch.exp(self._uniform(n, log(0.5), log(2.2)))
        taps = torch.arange(-5, 6, device=self.device).float()
        kernel = torch.exp(-0.5 * (taps[None] / sigma[:, None]) ** 2)
        kernel = (kernel / kernel.sum(dim=1, keepdim=True)).repeat_interleave(3, dim=0)
        flat = code.reshape(1, n * 3, *code.shape[2:])
        pad = functional.pad(flat, (5, 5, 5, 5), mode="replicate")
        soft = functional.conv2d(pad, kernel[:, None, None, :], groups=n * 3)
        soft = functional.conv2d(soft, kernel[:, None, :, None], groups=n * 3)
        amount = self._uniform(n, -1.3, 0.9).clamp_min(-1.0)
        amount = torch.where(self._uniform(n, 0, 1) < 0.3, torch.zeros_like(amount), amount)
        return code + amount[:, None, None, None] * (code - soft.reshape(code.shape))

    def _noise(self, code: Tensor, n: int) -> Tensor:
        level = 0.025 * self._uniform(n, 0, 1)[:, None, None, None] ** 2
        fine = self._normal(n, 1, self.side, self.side) + 0.5 * self._normal(
            n, 3, self.side, self.side
        )
        half = self._normal(n, 3, self.side // 2, self.side // 2)
        blotch = functional.interpolate(half, scale_factor=2.0, mode="bilinear")
        blotchy = self._uniform(n, 0, 1)[:, None, None, None]
        return code + level * (fine * (1 - blotchy) + 1.5 * blotch * blotchy)

    def _jpeg(self, code: Tensor, n: int) -> Tensor:
        quality = self._uniform(n, 35, 97)
        saved = jpeg(code, quality)
        use = self._uniform(n, 0, 1) < 0.7
        return torch.where(use[:, None, None, None], saved, code)


def sample_views(
    planes: Tensor, matrix: Tensor, size: Tensor, *, side: int
) -> tuple[Tensor, Tensor]:
    """Return colours and truth of views; what lies outside is mirrored.

    Args:
        planes: ``(n, 6, h, w)`` uint8.
        matrix: ``(n, 2, 3)`` from centred view pixels (x, y, 1) to photo pixels (x, y).
        size: ``(n, 2)`` height and width in use.
        side: Of the view.

    Returns:
        ``(n, 3, side, side)`` 0 to 255; ``(n, 3, 2 side, 2 side)`` uint8, the label, the
        tarnish and the piece's number.
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
    truth = [planes[:, k].flatten(1).gather(1, flat).view(-1, fine, fine) for k in (3, 4, 5)]
    return functional.avg_pool2d(rgb, OVERSAMPLE), torch.stack(truth, dim=1)


def _mirror(at: Tensor, last: Tensor) -> Tensor:
    at = at.abs() % (2 * last)
    return torch.minimum(at, 2 * last - at).clamp_min(0)


def soft_batch(rgb: Tensor, fine: Tensor) -> Batch:
    """Return a batch with the fine truth of :func:`sample_views` averaged over its cells."""
    labels, tarnish, numbers = fine.unbind(dim=1)
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
        tarnish=level / bare.clamp_min(1e-6),
        bare=bare,
        piece=functional.avg_pool2d(_numbered(numbers).float()[:, None], OVERSAMPLE)[:, 0],
        gap=_gap(numbers),
        told=(numbers != UNKNOWN).flatten(1).any(dim=1).float(),
    )


def _numbered(numbers: Tensor) -> Tensor:
    return (numbers > 0) & (numbers != UNKNOWN)


def _gap(numbers: Tensor) -> Tensor:
    """Return view pixels where two pieces meet, from numbers at twice the resolution."""
    reach = GAP_PX * OVERSAMPLE
    own = _numbered(numbers)
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


def to_linear(code: Tensor) -> Tensor:
    """Return linear light of sRGB codes 0 to 1."""
    bent = ((code.clamp_min(0) + 0.055) / 1.055) ** 2.4
    return torch.where(code <= 0.04045, code / 12.92, bent)


def from_linear(light: Tensor) -> Tensor:
    """Return sRGB codes, 0 to 1 and beyond, of linear light."""
    bent = 1.055 * light.clamp_min(1e-7) ** (1 / 2.4) - 0.055
    return torch.where(light <= 0.0031308, light * 12.92, bent)


def jpeg(code: Tensor, quality: Tensor) -> Tensor:
    """Return pictures as a JPEG of this quality, colour at half resolution, shows them.

    Args:
        code: ``(n, 3, h, w)`` 0 to 1, sides multiples of 16.
        quality: ``(n,)`` 1 to 100, on the common scale of the Independent JPEG Group.
    """
    device = code.device
    red, green, blue = (code * 255).unbind(dim=1)
    luma = 0.299 * red + 0.587 * green + 0.114 * blue
    chroma = torch.stack([0.564 * (blue - luma), 0.713 * (red - luma)], dim=1)
    chroma = functional.avg_pool2d(chroma, 2)
    scale = torch.where(quality < 50, 5000 / quality, 200 - 2 * quality)[:, None, None, None] / 100
    luma = _quantise((luma - 128)[:, None], torch.tensor(_LUMA, device=device).float() * scale)
    chroma = _quantise(chroma, torch.tensor(_CHROMA, device=device).float() * scale)
    luma = luma[:, 0] + 128
    chroma = functional.interpolate(chroma, scale_factor=2.0, mode="bilinear")
    blue = luma + chroma[:, 0] / 0.564
    red = luma + chroma[:, 1] / 0.713
    green = (luma - 0.299 * red - 0.114 * blue) / 0.587
    return (torch.stack([red, green, blue], dim=1) / 255).clamp(0, 1)


def _quantise(plane: Tensor, table: Tensor) -> Tensor:
    """Round the 8 x 8 cosine transform of ``(n, c, h, w)`` to steps ``(n, 1, 8, 8)``."""
    n, c, h, w = plane.shape
    k = torch.arange(8, device=plane.device).float()
    basis = torch.cos((2 * k[None] + 1) * k[:, None] * pi / 16) * 0.5
    basis[0] *= 0.5**0.5
    blocks = plane.view(n, c, h // 8, 8, w // 8, 8).permute(0, 1, 2, 4, 3, 5)
    steps = table.clamp_min(1.0).view(n, 1, 1, 1, 8, 8)
    coded = torch.round(basis @ blocks @ basis.T / steps) * steps
    back = basis.T @ coded @ basis
    return back.permute(0, 1, 2, 4, 3, 5).reshape(n, c, h, w)


def _luma(light: Tensor) -> Tensor:
    return torch.tensor([0.2126, 0.7152, 0.0722], device=light.device).view(1, 3, 1, 1)
