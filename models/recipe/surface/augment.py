"""Views of stored photos as another camera, at another distance, would have made them.

Everything runs on the GPU on whole batches. Randomised: which part is seen, how big
a pixel is, which way is up; exposure, residual white-balance error, tone curve,
saturation, uneven light, focus, sharpening, noise, JPEG. Never randomised: the hue of
a material, which is what the network must read. White normalisation is done as in
use (``vision.finish.surface.whiten``), with the error that a reading of the white has.

Some views get a piece of another view laid over theirs, brought to their light by the
two whites: pieces then touch and cross in more ways than were rendered, and the few real ones
lie on more tables than they were photographed on (Ghiasi et al., Simple Copy-Paste, arXiv
2012.07177). Others get a real table laid under them, and some
views are of real photos alone, of which only parts are labelled.
"""

from __future__ import annotations

from collections.abc import Collection
from math import log, pi

import torch
from torch import Tensor
from torch.nn import functional

from models.recipe.surface.jpeg import jpeg
from models.recipe.surface.store import CLASSES, NO_COPPER, NUMBERS, POINTS, UNKNOWN, Store
from models.recipe.surface.views import OVERSAMPLE, Batch, numbered, sample_views, soft_batch
from vision.finish.surface import GAIN_RANGE, WHITE_TARGET
from vision.types import Surface

_ORDER = list(Surface)
RARE = (Surface.GREEN, Surface.TINNED, Surface.BRASS, Surface.SOLDER, Surface.OTHER_METAL)

OVERVIEW_SHARE = 0.35
"""Of the views, how many show (nearly) the whole photo; the rest are crops."""

MAGNIFICATION = (0.4, 1.7)
"""Range of view pixels a stored pixel in crops: wire of 3 to 200 px appears."""

PASTE_SHARE = 0.3
"""Of the views, real ones too, how many get a piece of another one laid over theirs."""

REAL_SHARE = 0.15
"""Of the views, how many are of real photos, where there are any."""

REAL_TABLE_SHARE = 0.25
"""Of the rendered views, how many get a real table, bare or with all that lies on it."""

REAL_THING_SHARE = 0.2
"""Of the rendered views, how many get a piece of a real photo without copper laid in."""

LABELLED_GAIN = 2.0
"""So much more often is a real photo looked at on which things are cut out."""

REAL_THING = 250
"""Number of a stranger that is a piece of a real photo."""

PASTED = 249
"""Number of what was pasted, piece or stranger, which no other has."""

TABLE_FROM = 150
"""Added to the numbers of what lies on a real table, which then differ from those of the view."""

BALANCE_SIGMA = 0.06
"""Residual white-balance error of a phone, log of r/g and b/g, about 5 % in use."""

STRONG_SHARE, STRONG_SIGMA = 0.2, 0.14
"""Of the views, how many have the light of a lamp that the phone left as it was."""

BLOWN_SHARE, BLOWN_STOPS = 0.15, (0.4, 1.8)
"""Of the views, how many are exposed so long that white paper has no detail, and by how much."""

WHITE_SIGMA = 0.025
"""Error of a white read off a reference, log of each channel."""


PARTS = ("colour", "optics", "paste")
"""What can be left out, to see what it brings: exposure, balance, tone, saturation and
uneven light; focus, sharpening, noise and JPEG; pieces laid over another view."""


class _Source:
    """A store and how often each of its photos and places is looked at."""

    def __init__(self, store: Store, device: torch.device, *, labelled_gain: float = 0.0) -> None:
        self.store = store
        self.device = device
        rare = torch.tensor([c in RARE for c in _ORDER]).float()
        seen = store.has.float().mean(dim=0).clamp_min(0.02)
        gain = (rare * store.has.float() * (0.25 / seen).clamp(max=1.5)).sum(dim=1)
        labelled = store.has[:, _ORDER.index(Surface.BRIGHT) :].any(dim=1).float()
        self.weights = (1.0 + gain.clamp(max=2.0) + labelled_gain * labelled).to(device)
        self.plain = _plain(store).to(device) if labelled_gain else self.weights
        # Crops aim at metal mostly, and among classes at the rare ones.
        aim = torch.ones(CLASSES)
        aim[_ORDER.index(Surface.TABLE)] = 0.5
        aim[_ORDER.index(Surface.REFERENCE)] = 0.5
        aim = aim + rare
        self.aim = (store.has.float() * aim + 1e-6).to(device)
        self.resident = store.planes.device.type == device.type
        self.size = store.size.to(device)
        self.white = store.white.to(device)
        self.forms = store.forms.to(device)
        self.points = store.points.to(device)

    def planes(self, index: Tensor) -> Tensor:
        """Return the photos' planes on the device."""
        if self.resident:
            return self.store.planes[index]
        return self.store.planes[index.cpu()].to(self.device, non_blocking=True)


def _plain(store: Store) -> Tensor:
    """Return 1 for photos of which nearly all is known to be table or without copper."""
    told = []
    for planes, (high, wide) in zip(store.planes, store.size.tolist(), strict=True):
        labels = planes[3, :high:4, :wide:4]
        told.append(
            ((labels == _ORDER.index(Surface.TABLE)) | (labels == NO_COPPER)).float().mean()
        )
    return (torch.stack(told) > 0.98).float().cpu()


class Sampler:
    """Draws batches of augmented views from a store of renders, and from one of real photos."""

    def __init__(
        self,
        store: Store,
        *,
        side_px: int,
        device: torch.device,
        seed: int,
        without: Collection[str] = (),
        real: Store | None = None,
        real_share: float = REAL_SHARE,
        table_share: float = REAL_TABLE_SHARE,
    ) -> None:
        self.without = frozenset(without)
        self.real_share, self.table_share = real_share, table_share
        self.side = side_px
        self.device = device
        self.dice = torch.Generator(device=device).manual_seed(seed)
        self.rendered = _Source(store, device)
        self.real = None if real is None else _Source(real, device, labelled_gain=LABELLED_GAIN)

    def draw(self, count: int) -> Batch:
        """Return a batch of augmented views, those of real photos last."""
        real = 0 if self.real is None else round(count * self.real_share)
        rgb, fine, index = self._views(self.rendered, count - real)
        white, forms = self.rendered.white[index], self.rendered.forms[index]
        if self.real is not None:
            rgb, fine, white, forms = self._on_real_tables(rgb, fine, white, forms)
            rgb, fine = self._real_things(rgb, fine)
            theirs, truth, index = self._views(self.real, real)
            rgb, fine = torch.cat([rgb, theirs]), torch.cat([fine, truth])
            white = torch.cat([white, self.real.white[index]])
            forms = torch.cat([forms, self.real.forms[index]])
        if "paste" not in self.without:
            rgb, fine, forms = self._paste(rgb, fine, white, forms)
        is_real = torch.arange(count, device=self.device) >= count - real
        return soft_batch(self._camera(rgb, white), fine, forms=forms, real=is_real)

    def _views(
        self, source: _Source, count: int, *, plain: bool = False
    ) -> tuple[Tensor, Tensor, Tensor]:
        """Return colours, truth and the photos' indices of views of a source."""
        weights = source.plain if plain else source.weights
        index = torch.multinomial(weights, count, replacement=True, generator=self.dice)
        matrix = self._geometry(source, index, count)
        rgb, fine = sample_views(source.planes(index), matrix, source.size[index], side=self.side)
        return rgb, fine, index

    def _uniform(self, count: int, low: float, high: float) -> Tensor:
        return low + (high - low) * torch.rand(count, generator=self.dice, device=self.device)

    def _normal(self, *shape: int) -> Tensor:
        return torch.randn(shape, generator=self.dice, device=self.device)

    def _geometry(self, source: _Source, index: Tensor, count: int) -> Tensor:
        """Return ``(n, 2, 3)`` from centred view pixels to photo pixels."""
        size = source.size[index].float()
        whole = self._uniform(count, 0, 1) < OVERVIEW_SHARE
        # Photo pixels a view pixel.
        fit = size[:, 1] / self.side * self._uniform(count, 0.75, 1.1)
        crop = torch.exp(-self._uniform(count, log(MAGNIFICATION[0]), log(MAGNIFICATION[1])))
        step = torch.where(whole, fit, crop.minimum(size[:, 1] / self.side))
        which = torch.multinomial(source.aim[index], 1, generator=self.dice)[:, 0]
        at = torch.randint(POINTS, (count,), generator=self.dice, device=self.device)
        point = source.points[index, which, at].float()
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

    def _paste(
        self, rgb: Tensor, fine: Tensor, white: Tensor, forms: Tensor
    ) -> tuple[Tensor, Tensor, Tensor]:
        """Lay a piece or a stranger of another view over some views, real ones too, both ways."""
        n = len(rgb)
        shown = torch.zeros(n, 2, NUMBERS, device=self.device)
        shown.scatter_(2, fine[:, 2:].flatten(2).long(), 1.0)
        shown[:, :, 0], shown[:, :, UNKNOWN] = 1e-6, 0.0  # a view without things pastes nothing
        shown = shown.flatten(1)
        holds = shown.sum(dim=1).clamp(max=1)
        at = torch.multinomial(holds, n, replacement=True, generator=self.dice)
        drawn = torch.multinomial(shown[at], 1, generator=self.dice)
        pick, stranger = drawn % NUMBERS, drawn[:, 0] >= NUMBERS
        theirs, other = rgb[at], fine[at]
        numbers = torch.where(stranger[:, None, None], other[:, 3], other[:, 2])
        use = (self._uniform(n, 0, 1) < PASTE_SHARE) & (pick[:, 0] > 0)
        mask = (numbers == pick[:, :, None].to(torch.uint8)) & use[:, None, None]
        share = functional.avg_pool2d(mask.float()[:, None], OVERSAMPLE)
        white = torch.where(torch.isnan(white), _guessed_white(to_linear(rgb / 255.0)), white)
        ratio = (white / white[at].clamp_min(1e-3)).clamp(0.2, 5.0)
        lit = from_linear((to_linear(theirs / 255.0) * ratio[:, :, None, None]).clamp(0, 1)) * 255
        marked = other.clone()
        # Of real other metals nobody said whether they are pieces: that stays as it is.
        marked[:, 2] = torch.where(stranger[:, None, None], other[:, 2], PASTED)
        marked[:, 3] = torch.where(stranger[:, None, None], PASTED, 0)
        known = forms[at].gather(1, pick)[:, 0]
        forms = forms.clone()
        forms[:, PASTED] = torch.where(stranger, forms[:, PASTED], known)
        return rgb * (1 - share) + lit * share, torch.where(mask[:, None], marked, fine), forms

    def _on_real_tables(
        self, rgb: Tensor, fine: Tensor, white: Tensor, forms: Tensor
    ) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """Lay the pieces of the first views on tables of real photos, in their light.

        Half of the tables are bare; on the others lie leads and other things, so that copper
        in a real photo is not known by being the only thing pasted there.

        How bright and how coloured the real light is can only be guessed from the photo:
        its brightest parts, and its mean colour by a third. The white is then unknown.
        """
        assert self.real is not None
        count = round(len(rgb) * self.table_share)
        bare, bare_under, bare_at = self._views(self.real, count - count // 2, plain=True)
        full, full_under, full_at = self._views(self.real, count // 2)
        table, under = torch.cat([bare, full]), torch.cat([bare_under, full_under])
        index = torch.cat([bare_at, full_at])
        ours, own, light = rgb[:count], fine[:count], white[:count]
        labels, numbers = own[:, 0], own[:, 2]
        kept = numbered(numbers) | numbered(own[:, 3])
        kept |= labels == _ORDER.index(Surface.REFERENCE)
        use = ~torch.isnan(light).any(dim=1) & ~(numbers == UNKNOWN).flatten(1).any(dim=1)
        # The outermost pixels of a piece show some of its own table.
        core = -functional.max_pool2d(-kept.float()[:, None], 3, 1, 1)
        share = functional.avg_pool2d(core, OVERSAMPLE)
        seen = to_linear(table / 255.0)
        theirs = _guessed_white(seen) * torch.exp(0.2 * self._normal(count))[:, None]
        ratio = (theirs / light.clamp_min(1e-3)).nan_to_num(1.0).clamp(0.2, 5.0)
        lit = to_linear(ours / 255.0) * ratio[:, :, None, None]
        # A soft shadow, more on one side.
        shift = [int(v) for v in self._uniform(2, -7, 8)]
        dark = functional.avg_pool2d(share.roll(shift, (2, 3)), 13, 1, 6)
        table = seen * (1 - self._uniform(count, 0.2, 0.8)[:, None, None, None] * dark)
        mixed = from_linear((table * (1 - share) + lit * share).clamp(0, 1)) * 255
        truth = torch.where(kept[:, None], own, under)
        truth[:, 1] = torch.where(kept, own[:, 1], UNKNOWN)
        # Numbers of what lies on the table differ from all of the view's own.
        theirs = torch.where(numbered(under[:, 2:]), under[:, 2:] + TABLE_FROM, under[:, 2:])
        truth[:, 2] = torch.where(kept, numbers, theirs[:, 0])
        truth[:, 3] = torch.where(kept, own[:, 3], theirs[:, 1])
        forms = forms.clone()
        on_table = self.real.forms[index][:, : NUMBERS - TABLE_FROM]
        forms[:count, TABLE_FROM:] = torch.where(use[:, None], on_table, forms[:count, TABLE_FROM:])
        where = use[:, None, None, None]
        unknown = torch.full_like(light, torch.nan)
        return (
            torch.cat([torch.where(where, mixed, ours), rgb[count:]]),
            torch.cat([torch.where(where, truth, own), fine[count:]]),
            torch.cat([torch.where(use[:, None], unknown, light), white[count:]]),
            forms,
        )

    def _real_things(self, rgb: Tensor, fine: Tensor) -> tuple[Tensor, Tensor]:
        """Lay pieces of real photos without copper into the last views, under the pieces.

        With pieces on real tables elsewhere, whether a view is real then tells nothing.
        """
        assert self.real is not None
        count = round(len(rgb) * REAL_THING_SHARE)
        theirs, under, _ = self._views(self.real, count, plain=True)
        ours, own = rgb[-count:], fine[-count:]
        side = own.shape[-1]
        ticks = torch.linspace(-1, 1, side, device=self.device)
        middle = self._uniform(2 * count, -0.8, 0.8).view(2, count, 1, 1)
        angle = self._uniform(count, -pi, pi)[:, None, None]
        y, x = ticks[None, :, None] - middle[0], ticks[None, None] - middle[1]
        long = torch.exp(self._uniform(count, log(0.08), log(0.9)))[:, None, None]
        thin = self._uniform(count, 0.15, 1.0)[:, None, None]
        along = torch.cos(angle) * x + torch.sin(angle) * y
        across = torch.cos(angle) * y - torch.sin(angle) * x
        # From ellipse to rectangle, with a wavy edge.
        power = torch.exp(self._uniform(count, log(1.5), log(8.0)))[:, None, None]
        wave = functional.interpolate(
            self._normal(count, 1, 12, 12), size=(side, side), mode="bicubic", align_corners=False
        )[:, 0]
        radius = (along / long).abs() ** power + (across / (long * thin)).abs() ** power
        inside = radius < torch.exp(0.4 * wave)
        free = ~(numbered(own[:, 2]) | (own[:, 0] == _ORDER.index(Surface.REFERENCE)))
        mask = inside & free & (under[:, 0] == NO_COPPER)
        share = functional.avg_pool2d(mask.float()[:, None], OVERSAMPLE)
        truth = own.clone()
        truth[:, 0] = torch.where(mask, NO_COPPER, own[:, 0])
        truth[:, 1] = torch.where(mask, UNKNOWN, own[:, 1])
        truth[:, 2] = torch.where(mask, 0, own[:, 2])
        truth[:, 3] = torch.where(mask, REAL_THING, own[:, 3])
        mixed = ours * (1 - share) + theirs * share
        return torch.cat([rgb[:-count], mixed]), torch.cat([fine[:-count], truth])

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


def to_linear(code: Tensor) -> Tensor:
    """Return linear light of sRGB codes 0 to 1."""
    bent = ((code.clamp_min(0) + 0.055) / 1.055) ** 2.4
    return torch.where(code <= 0.04045, code / 12.92, bent)


def from_linear(light: Tensor) -> Tensor:
    """Return sRGB codes, 0 to 1 and beyond, of linear light."""
    bent = 1.055 * light.clamp_min(1e-7) ** (1 / 2.4) - 0.055
    return torch.where(light <= 0.0031308, light * 12.92, bent)


def _guessed_white(light: Tensor) -> Tensor:
    """Return ``(n, 3)`` what a white might show in views of linear light, by what they hold."""
    flat = light[:, :, ::8, ::8].flatten(2)
    high = flat.mean(dim=1).quantile(0.95, dim=1).clamp(0.15, 0.95)
    mean = flat.mean(dim=2).clamp_min(1e-3)
    return high[:, None] * (mean / mean.mean(dim=1, keepdim=True)) ** 0.33


def _luma(light: Tensor) -> Tensor:
    return torch.tensor([0.2126, 0.7152, 0.0722], device=light.device).view(1, 3, 1, 1)
