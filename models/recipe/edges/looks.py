"""Looks at straightened pieces, as the measurement takes them, many at once on one device.

A look is a piece's strip cut into stretches and averaged along each, then sampled where
an expected width and middle would have it sampled: the outline's, which are wrong, or
those that a first look found. Needs torch; used by ``train.py``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import pi

import torch
from torch import Tensor

from models.recipe.edges.cutting import (
    CELLS,
    NEAR_CELLS,
    NEAR_REACH_WIDTHS,
    REACH_WIDTHS,
    UNKNOWN_CODE,
    PieceStrip,
)
from models.recipe.edges.profiles import FINE, REACH, Draw, coded, decoded, lookup, softened

SAMPLES = 192
WINDOW_WIDTHS = 1.5  # both as at the run time

LEAST_PLAIN = 0.7
"""A stretch has truth where this share of its cuts is plain."""

WHOLE_SHARE = 0.5
"""Looks at a whole piece; else at a part, as short pieces and crops are."""

FAR_SHARE = 0.2
"""Pieces are shrunk this often, so that thin ones are not rare."""
THIN_PX = 5.5

OFTEN, OFTEN_PX = 3.0, (7.0, 40.0)
PLAIN_METAL = ("bright", "tinned", "None")
"""Pieces so wide are taken two thirds of so often: there a fraction of a pixel is a percent.
Metal that mirrors the table, grey metal ("None") too, is taken so often: it errs most."""

SHARP_SHARE = 0.3
SHARP_MOST = 0.6
"""Pieces are sharpened or blurred this often, by up to so much: cameras do as they like."""

LEAST_LIGHT = 0.01
"""Added before the logarithm of light: what changes in black is noise."""

ANY_GUESS_SHARE = 0.35
"""Expected widths that are off by anything, evenly: or the answer follows them."""

SHADOWED_SHARE = 0.25
MOST_SHADOW = 1.2
"""Outlines that took a shadow for part of the piece so often, of up to so many widths, on one
side: then the width is too large, and the middle off by half of that."""

AT_SEAM_SHARE = 0.6
"""So many of those end where the light beside the piece changes most: there the trap is."""


Shape = tuple[int, int]
"""Stretches of a look, and cuts averaged in each."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strips:
    """Pieces on one device; the rows of all of them in one.

    Attributes:
        codes: ``(rows, CELLS, 3)`` uint8 sRGB codes, ``UNKNOWN_CODE`` off the photo.
        edges: ``(rows, 2)`` true edges in widths, NaN where not plain.
        first: ``(n,)`` each piece's first row.
        count: ``(n,)`` its number of rows.
        width_px: ``(n,)`` its width.
        often: ``(n,)`` how often it is taken, beside others.
        reach: Widths to both sides that the cells show.
    """

    codes: Tensor
    edges: Tensor
    first: Tensor
    count: Tensor
    width_px: Tensor
    often: Tensor
    reach: float = REACH_WIDTHS

    def __len__(self) -> int:
        return len(self.first)


def stored(strips: Iterable[PieceStrip], device: str, *, near: bool = False) -> Strips:
    """Return strips on a device; where asked for, the near ones of those that have them."""
    codes, edges, widths, often = [], [], [], []
    for strip in strips:
        own = strip.near if near else strip.codes
        if not len(own):
            continue
        codes.append(torch.from_numpy(own).to(device))
        edges.append(torch.from_numpy(strip.edges_widths))
        widths.append(strip.width_px)
        often.append(taken_often(strip))
    count = torch.tensor([len(c) for c in codes])
    return Strips(
        codes=torch.cat(codes),
        edges=torch.cat(edges).to(device),
        first=(count.cumsum(0) - count).to(device),
        count=count.to(device),
        width_px=torch.tensor(widths, dtype=torch.float32, device=device),
        often=torch.tensor(often, dtype=torch.float32, device=device),
        reach=NEAR_REACH_WIDTHS if near else REACH_WIDTHS,
    )


def taken_often(strip: PieceStrip) -> float:
    """Return how often a piece is taken in training, beside others."""
    thin = OFTEN_PX[0] < strip.width_px < OFTEN_PX[1]
    return OFTEN if thin and strip.finish in PLAIN_METAL else 2 * OFTEN / 3 if thin else 1.0


def drawn_strips(code: Tensor, width_px: Tensor, *, near: bool = False) -> Strips:
    """Return drawn profiles (``profiles.draw_codes``) as strips of one row."""
    n, device = len(code), code.device
    reach, count = (NEAR_REACH_WIDTHS, NEAR_CELLS) if near else (REACH_WIDTHS, CELLS)
    cells = torch.linspace(-reach, reach, count, device=device)
    position = (cells / (REACH / 2) + 1) / 2 * (FINE - 1)
    known = (position >= 0) & (position <= FINE - 1)
    whole = (lookup(code, position.expand(n, -1)) * 255).round().clamp(1, 255)
    return Strips(
        codes=torch.where(known[None, :, None], whole, UNKNOWN_CODE).to(torch.uint8),
        edges=torch.tensor([[-0.5, 0.5]], device=device).repeat(n, 1),
        first=torch.arange(n, device=device),
        count=torch.ones(n, dtype=torch.int64, device=device),
        width_px=width_px,
        often=torch.ones(n, device=device),
        reach=reach,
    )


def together(parts: Sequence[Strips]) -> Strips:
    """Return the pieces of all, in order."""
    count = torch.cat([part.count for part in parts])
    return Strips(
        codes=torch.cat([part.codes for part in parts]),
        edges=torch.cat([part.edges for part in parts]),
        first=count.cumsum(0) - count,
        count=count,
        width_px=torch.cat([part.width_px for part in parts]),
        often=torch.cat([part.often for part in parts]),
        reach=parts[0].reach,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretches:
    """Averaged stretches of some pieces, ``b = pieces * stretches`` of them.

    Attributes:
        light: ``(b, CELLS, 3)`` linear.
        known: ``(b, CELLS)`` 1 where the photo shows it.
        edges: ``(b, 2)`` true edges in widths, NaN where not known.
        width_px: ``(b,)`` the piece's width.
        reach: Widths to both sides that the cells show.
    """

    light: Tensor
    known: Tensor
    edges: Tensor
    width_px: Tensor
    reach: float = REACH_WIDTHS


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """What the network gets of each stretch, and the truth.

    Attributes:
        profiles: ``(b, 3, SAMPLES)`` linear light, 0 where not known.
        known: ``(b, SAMPLES)`` 1 where the photo shows the profile.
        edges: ``(b, 2)`` true edges in samples, NaN where not known.
        width_px: ``(b,)`` the expected width.
        step_px: ``(b,)`` from sample to sample.
    """

    profiles: Tensor
    known: Tensor
    edges: Tensor
    width_px: Tensor
    step_px: Tensor


def stretches_of(
    strips: Strips, pieces: Tensor, *, stretches: int, cuts: int, part: Draw | None = None
) -> Stretches:
    """Average pieces along their stretches.

    Args:
        strips: All pieces.
        pieces: ``(p,)`` which of them.
        stretches: Cut each into so many.
        cuts: Rows of the strip averaged in each; the same again where it has less.
        part: Where given, half of the looks see only a part of the piece, at random.
    """
    count = strips.count[pieces].float()
    length, start = count, torch.zeros_like(count)
    if part is not None:
        share = torch.where(part.chance(WHOLE_SHARE) > 0, 1.0, part.log_uniform(0.1, 1))
        length = torch.maximum(count * share, count.clamp(max=stretches))
        start = part.uniform(0, 1) * (count - length)
    at = (torch.arange(stretches * cuts, device=pieces.device) + 0.5) / (stretches * cuts)
    row = (start[:, None] + at * length[:, None]).long()
    row = torch.minimum(row, strips.count[pieces][:, None] - 1) + strips.first[pieces][:, None]
    row = row.reshape(-1, cuts)
    codes = strips.codes[row]
    there = (codes != UNKNOWN_CODE).all(dim=3)
    total = there.sum(dim=1)
    light = (decoded(codes.float() / 255) * there.unsqueeze(3)).sum(dim=1)
    edges = strips.edges[row]
    plain = torch.isfinite(edges).all(dim=2)
    enough = plain.float().mean(dim=1) >= LEAST_PLAIN
    return Stretches(
        light=light / total.clamp_min(1).unsqueeze(2),
        known=(total > 0).float(),
        edges=torch.where(enough[:, None], edges.nanmean(dim=1), torch.nan),
        width_px=strips.width_px[pieces].repeat_interleave(stretches),
        reach=strips.reach,
    )


def drawn_in(
    strips: Strips, d: Draw, of_photos: Tensor, *, photos: int, drawn_share: float, shape: Shape
) -> Stretches:
    """Return stretches of these pieces of photos, some of them swapped for drawn ones.

    Args:
        strips: Pieces of photos, then drawn ones.
        d: Where chance comes from.
        of_photos: Numbers of pieces of photos, taken by chance.
        photos: How many pieces are of photos.
        drawn_share: How often a drawn one is taken.
        shape: Stretches of a look, and cuts averaged in each.
    """
    of_drawn = photos + (d.uniform(0, 1) * (len(strips) - photos)).long()
    pieces = torch.where(d.chance(drawn_share) > 0, of_drawn.clamp(max=len(strips) - 1), of_photos)
    stretches, cuts = shape
    return stretches_of(strips, pieces, stretches=stretches, cuts=cuts, part=d)


def changed(seen: Stretches, d: Draw, *, stretches: int, thinnest_px: float = THIN_PX) -> Stretches:
    """Return them in other light, in another tone, some from further away; alike in a piece.

    Args:
        seen: Of ``d.n`` pieces.
        d: Random numbers, one for each piece.
        stretches: Of each piece.
        thinnest_px: None is taken so far away that it is thinner.
    """
    each = lambda x: x.repeat_interleave(stretches, dim=0)  # noqa: E731
    width = seen.width_px[::stretches]
    # Blurred as larger pixels would, and the width counted in them.
    far = (d.chance(FAR_SHARE) > 0) & (width > thinnest_px + 1.5)
    factor = torch.where(far, (thinnest_px / width).clamp(max=1) ** d.uniform(0, 1), 1.0)
    cell_px = 2 * seen.reach * width / (seen.light.shape[1] - 1)
    sigma_px = 0.45 * torch.sqrt((1 / factor**2 - 1).clamp_min(0))
    beyond = (seen.light * seen.known.unsqueeze(2)).sum(dim=1) / seen.known.sum(
        dim=1, keepdim=True
    ).clamp_min(1)
    light = torch.where(seen.known.unsqueeze(2) > 0, seen.light, beyond.unsqueeze(1))
    light = softened(light, each((sigma_px / cell_px).clamp(max=80)))
    amount = d.uniform(-SHARP_MOST, SHARP_MOST, 1, 1) * d.chance(SHARP_SHARE, 1, 1)
    code = coded(light.clamp(0, 1))
    soft = softened(code, each((d.uniform(0.5, 1.5) / (cell_px * factor)).clamp(max=80)))
    light = decoded((code + each(amount) * (code - soft)).clamp(0, 1))
    light = light * each(torch.exp(d.normal(1, 3) * 0.06 + d.normal(1, 1) * 0.2))
    tone = each(torch.exp(d.normal(1, 1) * 0.1))
    return Stretches(
        light=decoded(coded(light.clamp(0, 1)).clamp(0, 1) ** tone),
        known=seen.known,
        edges=seen.edges,
        width_px=seen.width_px * each(factor),
        reach=seen.reach,
    )


def seams(d: Draw, seen: Stretches, *, stretches: int) -> Tensor:
    """Return ``(d.n,)`` where the light beside each piece changes most, in widths off its middle.

    On either side, by chance; the rim of a hard shadow is such a place.
    """
    light = seen.light.unflatten(0, (-1, stretches)).mean(dim=1)
    known = seen.known.unflatten(0, (-1, stretches)).amin(dim=1)
    change = torch.log(light.mean(dim=2) + LEAST_LIGHT).diff(dim=1).abs()
    at = torch.linspace(-REACH_WIDTHS, REACH_WIDTHS, CELLS, device=light.device)
    at = (at[1:] + at[:-1]) / 2
    beside = (at.abs() > 0.62) & (at.abs() < 0.5 + MOST_SHADOW)
    side = 2 * d.chance(0.5) - 1
    looked = beside & (at * side[:, None] > 0) & (known[:, 1:] > 0)
    return at[(change * looked).argmax(dim=1)]


def guesses(
    d: Draw, width_px: Tensor, *, stretches: int, seam: Tensor | None = None
) -> tuple[Tensor, Tensor]:
    """Return expected widths, in true ones, and middles, in widths, for each stretch.

    A share of the widths is off by anything, evenly; some take a shadow in; the others are
    off as a first look or a good outline is. Thin pieces are off by pixels, wide ones by shares.

    Args:
        d: Random numbers, one for each piece.
        width_px: ``(d.n,)`` true widths.
        stretches: Of each piece.
        seam: ``(d.n,)`` from :func:`seams`: some outlines end there.
    """
    any_guess = d.chance(ANY_GUESS_SHARE) > 0
    near = torch.exp(d.normal() * torch.hypot(torch.full_like(width_px, 0.05), 0.5 / width_px))
    near = near.clamp(0.6, 1.5)
    guess = torch.where(any_guess, d.log_uniform(0.5, 1.6), near)
    whole = torch.where(any_guess, 0.06, 0.015) + 0.2 / width_px
    own = torch.where(any_guess, 0.03, 0.01) + 0.1 / width_px
    shift = d.normal(1) * whole[:, None] + d.normal(stretches) * own[:, None]
    shift = shift.clamp(-0.25, 0.25)
    shadowed = d.chance(SHADOWED_SHARE) > 0
    ends = d.log_uniform(0.15, MOST_SHADOW) * (2 * d.chance(0.5) - 1)
    if seam is not None:
        told = (d.chance(AT_SEAM_SHARE) > 0) & (seam.abs() > 0.6)
        ends = torch.where(told, (seam.abs() - 0.5) * seam.sign(), ends)
    ends = torch.where(shadowed, ends, 0.0)
    guess = torch.where(shadowed, near + ends.abs(), guess)
    shift = shift + ends[:, None] / 2
    return guess.repeat_interleave(stretches), shift.flatten()


def looked_at(seen: Stretches, *, guess: Tensor, shift: Tensor) -> Look:
    """Sample stretches as ``vision.width.profiles.sample_at`` does where these widths are expected.

    Args:
        seen: The stretches.
        guess: ``(b,)`` expected widths, in true ones.
        shift: ``(b,)`` where the middle is expected, in true widths off the true one.
    """
    window = WINDOW_WIDTHS * guess
    samples = torch.linspace(-1, 1, SAMPLES, device=guess.device)[None, :]
    edges = (seen.edges - shift[:, None]) / window[:, None]
    return sampled(
        seen,
        at=samples * window[:, None] + shift[:, None],
        step=2 * window / (SAMPLES - 1),
        edges=(edges + 1) / 2 * (SAMPLES - 1),
        width_px=seen.width_px * guess,
    )


def sampled(seen: Stretches, *, at: Tensor, step: Tensor, edges: Tensor, width_px: Tensor) -> Look:
    """Return what stretches show at samples.

    Args:
        seen: The stretches.
        at: ``(b, SAMPLES)`` where, in true widths off the middle.
        step: ``(b,)`` from sample to sample, in true widths.
        edges: ``(b, 2)`` handed on.
        width_px: ``(b,)`` handed on.
    """
    cells = seen.light.shape[1]
    position = (at / seen.reach + 1) / 2 * (cells - 1)
    step_px = step * seen.width_px
    step_cells = (step / seen.reach / 2 * (cells - 1))[:, None]
    points = lookup(seen.light, position)
    # Where samples are wider than a pixel, the mean of each one's share.
    middle = seen.light.mean(dim=1, keepdim=True)
    sums = torch.nn.functional.pad((seen.light - middle).cumsum(dim=1), (0, 0, 1, 0))
    upto = lookup(sums, position + 0.5 + step_cells / 2)
    from_there = lookup(sums, position + 0.5 - step_cells / 2)
    means = (upto - from_there) / step_cells.unsqueeze(2) + middle
    light = torch.where((step_px > 1)[:, None, None], means, points).clamp_min(0)
    within = (position >= 0) & (position <= cells - 1)
    there = lookup(seen.known.unsqueeze(2), position)[..., 0] > 0.99
    known = (within & there).float()
    return Look(
        profiles=light.transpose(1, 2) * known.unsqueeze(1),
        known=known,
        edges=edges,
        width_px=width_px,
        step_px=step_px,
    )


def worsened(look: Look, d: Draw) -> Look:
    """Return a look with the noise of a photo; now and then one side is hidden.

    Args:
        look: Of ``d.n`` stretches.
        d: Random numbers, one for each stretch.
    """
    length = (1.0 / look.step_px).clamp(0.3, 12)
    f = torch.fft.rfftfreq(SAMPLES, device=length.device)[None, None, :]
    noise = torch.fft.irfft(
        torch.fft.rfft(d.normal(3, SAMPLES), dim=2)
        * torch.exp(-2 * (pi * f * 0.5 * length[:, None, None]) ** 2),
        n=SAMPLES,
        dim=2,
    )
    noise = noise / noise.std(dim=2, keepdim=True).clamp_min(1e-6)
    code = coded(look.profiles.clamp(0, 1)) + noise * d.log_uniform(0.0006, 0.006)[:, None, None]
    at = torch.arange(SAMPLES, device=length.device)[None, :]
    room, hide = d.uniform(8, 68, 2), d.chance(0.04, 2) > 0
    edges = look.edges.nan_to_num(SAMPLES / 2)
    left = (at > edges[:, :1] - room[:, :1]) | ~hide[:, :1]
    right = (at < edges[:, 1:] + room[:, 1:]) | ~hide[:, 1:]
    known = look.known * (left & right).float()
    return Look(
        profiles=decoded(code.clamp(0, 1)) * known.unsqueeze(1),
        known=known,
        edges=look.edges,
        width_px=look.width_px,
        step_px=look.step_px,
    )


def turned(look: Look, d: Draw, *, stretches: int) -> Look:
    """Return a look with half of its ``d.n`` pieces seen from the other end."""
    turn = (d.chance(0.5) > 0).repeat_interleave(stretches)
    return Look(
        profiles=torch.where(turn[:, None, None], look.profiles.flip(2), look.profiles),
        known=torch.where(turn[:, None], look.known.flip(1), look.known),
        edges=torch.where(turn[:, None], (SAMPLES - 1 - look.edges).flip(1), look.edges),
        width_px=look.width_px,
        step_px=look.step_px,
    )
