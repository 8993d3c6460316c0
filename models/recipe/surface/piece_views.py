"""Pieces of training views as the head for the piece is shown them, with their truth.

At run time a piece's outline is drawn by the network itself and never quite right, so
covers are widened, narrowed, cut and holed here; what is asked is what still lies under
the cover. Some covers lie where no piece is: on clutter, on a table, on a real photo
without copper. They have nothing present and are strange, which is what makes the head
say so of them later (outlier exposure: Hendrycks, Mazeika, Dietterich, arXiv 1812.04606).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi

import torch
from torch import Tensor
from torch.nn import functional

from models.recipe.surface.piece_head import FORMS, PRESENCE, SHARES
from models.recipe.surface.store import NUMBERS, UNKNOWN
from models.recipe.surface.views import Batch
from vision.types import Surface

PIECES, STRANGERS, BLOBS = 3, 2, 2
"""Covers a view: of pieces, of things that are none, and where there is nothing."""

LEAST_CELLS = 5.0
"""A piece of fewer cells of the view is not judged."""
PURE = 0.9
"""Share of one piece among the pieces of a cell from which the cell tells that piece's."""
PRESENT_SHARE, PRESENT_CELLS, PLAIN_CELLS = 0.01, 1.5, 6.0
ABSENT_SHARE, ABSENT_CELLS = 0.004, 0.25
"""A finding is present from this share on, if it fills so many cells, or if it fills more;
absent below; what is between is not asked."""

LOOSE_METAL = 0.5
"""How much it counts that loose metal is strange: to hold its tongue of a screw costs little."""

_ORDER = list(Surface)
_OF_SHARES = (
    Surface.COATED,
    Surface.INSULATION,
    Surface.TINNED,
    Surface.GREEN,
    Surface.BRASS,
    Surface.SOLDER,
)
_BLOB_CELLS = (2.0, 30.0)
"""Radius of a blob."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PieceBatch:
    """Covers of a batch of views, ``p`` a view, and what is asked of them.

    Truths are float32 with a weight beside them, 0 where not asked.

    Attributes:
        cover: ``(n, p, h, w)`` share of each cell.
        valid: ``(n, p)`` 1 where there is a piece to judge.
        presence: ``(n, p, 8)`` 0 or 1, and ``presence_asked``.
        share: ``(n, p, 6)`` of the visible area, asked where present.
        form: ``(n, p)`` index, -1 where not asked.
        tarnish: ``(n, p)`` mean level of the bare metal, and ``bare_asked``.
        shine: ``(n, p)`` share of the bare metal that shines, and ``shine_asked``.
        strange: ``(n, p)`` 0 or 1, and ``strange_asked``.
        counted: ``(n, p)`` 1 for pieces of renders, which the learned rates count.
    """

    cover: Tensor
    valid: Tensor
    presence: Tensor
    presence_asked: Tensor
    share: Tensor
    form: Tensor
    tarnish: Tensor
    bare_asked: Tensor
    shine: Tensor
    shine_asked: Tensor
    strange: Tensor
    strange_asked: Tensor
    counted: Tensor


def piece_views(batch: Batch, dice: torch.Generator) -> PieceBatch:
    """Return covers of pieces, of clutter and of nothing for a batch of views."""
    own, number = _some(batch.numbers, PIECES, cells=batch.classes.shape[2], dice=dice)
    form = batch.forms.gather(1, number).long()
    cover = _jittered(own, dice)
    parts = [_truths(batch, own, cover, torch.where(number > 0, form, -1))]
    strangers, _ = _some(batch.strangers, STRANGERS, cells=batch.classes.shape[2], dice=dice)
    parts.append(_of_strangers(batch, _jittered(strangers, dice)))
    parts.append(_nothing(_blobs(batch, dice)))
    return PieceBatch(**{name: torch.cat([p[name] for p in parts], dim=1) for name in parts[0]})


def _rand(dice: torch.Generator, *shape: int) -> Tensor:
    return torch.rand(shape, generator=dice, device=dice.device)


def _some(
    numbers: Tensor, count: int, *, cells: int, dice: torch.Generator
) -> tuple[Tensor, Tensor]:
    """Return the share of each cell of some numbered things of each view, and their numbers.

    Each thing of a view is as likely as another, however large; 0 where there are no more.
    """
    n = len(numbers)
    cell = numbers.shape[-1] // cells
    centres = numbers[:, cell // 2 :: cell, cell // 2 :: cell].flatten(1).long()
    there = (centres > 0) & (centres != UNKNOWN)
    rank = _rand(dice, n, NUMBERS) + 0.01
    shares, found = [], []
    for _ in range(count):
        best, at = (rank.gather(1, centres) * there).max(dim=1)
        number = centres.gather(1, at[:, None])[:, 0] * (best > 0)
        mask = (numbers == number[:, None, None].to(torch.uint8)) & (number > 0)[:, None, None]
        shares.append(functional.avg_pool2d(mask.float()[:, None], cell)[:, 0])
        found.append(number)
        there = there & (centres != number[:, None])
    return torch.stack(shares, dim=1), torch.stack(found, dim=1)


def _jittered(own: Tensor, dice: torch.Generator) -> Tensor:
    """Return covers as an imperfect outline would give them."""
    n, p, h, w = own.shape
    wide = functional.max_pool2d(own, 3, 1, 1)
    narrow = -functional.max_pool2d(-own, 3, 1, 1)
    kind = _rand(dice, n, p)[..., None, None]
    strength = _rand(dice, n, p)[..., None, None]
    cover = torch.where(kind < 0.2, own + (wide - own) * strength, own)
    enough = narrow.flatten(2).sum(dim=2)[..., None, None] > LEAST_CELLS
    cover = torch.where((kind >= 0.2) & (kind < 0.35) & enough, narrow, cover)
    # Cut off along a line through a place on the piece.
    angle = 2 * pi * _rand(dice, n, p)
    y = torch.arange(h, device=own.device).float()[:, None]
    x = torch.arange(w, device=own.device).float()[None]
    along = torch.cos(angle)[..., None, None] * x + torch.sin(angle)[..., None, None] * y
    area = own.flatten(2).sum(dim=2).clamp_min(1e-3)[..., None, None]
    mean = (along * own).flatten(2).sum(dim=2)[..., None, None] / area
    square = (along**2 * own).flatten(2).sum(dim=2)[..., None, None] / area
    reach = (square - mean**2).clamp_min(1.0).sqrt()
    line = mean + reach * (2 * strength - 1)
    cover = torch.where((kind >= 0.35) & (kind < 0.47), own * (along > line), cover)
    # Holes, where an outline missed a glint or a stain.
    coarse = _rand(dice, n, p, 12, 12)
    field = functional.interpolate(coarse, size=(h, w), mode="bilinear", align_corners=False)
    holed = own * (field > 0.25 + 0.25 * strength)
    return torch.where((kind >= 0.47) & (kind < 0.6), holed, cover)


def _truths(batch: Batch, own: Tensor, cover: Tensor, form: Tensor) -> dict[str, Tensor]:
    """Return the truth of numbered pieces, of what lies under or beside their covers."""
    n, p = own.shape[:2]
    side = batch.piece.shape[-1] // own.shape[-1]
    every = functional.avg_pool2d(batch.piece[:, None], side)
    pure = own / every.clamp_min(1e-3) > PURE
    near = functional.max_pool2d(cover, 3, 1, 1) > 0.05
    weight = own * (pure & near)
    cells = torch.einsum("nphw,nchw->npc", weight, batch.classes)
    things = cells[..., 2:].sum(dim=2).clamp_min(1e-6)
    six = torch.stack([cells[..., _ORDER.index(c)] for c in _OF_SHARES], dim=2)
    share = six / things[..., None]
    present = (share >= PRESENT_SHARE) & (six >= PRESENT_CELLS) | (six >= PLAIN_CELLS)
    absent = (share < ABSENT_SHARE) & (six < ABSENT_CELLS)
    metal = cells[..., _ORDER.index(Surface.OTHER_METAL)] / things
    stranger = cells[..., _ORDER.index(Surface.STRANGER)] / things
    most = torch.stack([metal, stranger], dim=2)
    presence = torch.cat([present, most > 0.5], dim=2).float()
    asked = torch.cat([present | absent, (most > 0.5) | (most < 0.05)], dim=2).float()
    valid = ((things >= LEAST_CELLS) & (cover.flatten(2).sum(dim=2) >= LEAST_CELLS)).float()
    bare = weight * batch.bare[:, None]
    area = bare.flatten(2).sum(dim=2)
    level = (bare * batch.tarnish[:, None]).flatten(2).sum(dim=2) / area.clamp_min(1e-6)
    bright = cells[..., _ORDER.index(Surface.BRIGHT)]
    copper = bright + cells[..., _ORDER.index(Surface.TARNISHED)]
    real = batch.real[:, None].expand(n, p)
    return {
        "cover": cover,
        "valid": valid,
        "presence": presence,
        "presence_asked": asked * valid[..., None],
        "share": share,
        "form": torch.where(valid > 0, form, -1),
        "tarnish": level,
        "bare_asked": valid * (area >= 3),
        "shine": bright / copper.clamp_min(1e-6),
        "shine_asked": valid * (copper >= 3),
        "strange": (stranger > 0.5).float(),
        # Of real other metals nobody knows whether they belong to the trade.
        "strange_asked": valid * ((stranger > 0.5) | (stranger < 0.05)) * ~(real & (metal > 0.5)),
        "counted": valid * ~real,
    }


def _of_strangers(batch: Batch, cover: Tensor) -> dict[str, Tensor]:
    """Return the truth of things that are no pieces: nothing of copper present.

    A loose coin is labelled reference and is of metal.
    """
    told = _nothing(cover)
    cells = torch.einsum("nphw,nchw->npc", cover, batch.classes)
    metal = sum(cells[..., _ORDER.index(c)] for c in (Surface.OTHER_METAL, Surface.REFERENCE))
    other = cells[..., _ORDER.index(Surface.STRANGER)]
    is_other = other >= metal  # a piece of a real photo has neither label
    known = ((other > 3 * metal) | (metal > 3 * other)) * told["valid"]
    told["presence"][..., PRESENCE.index("not_metal")] = is_other.float()
    told["presence"][..., PRESENCE.index("other_metal")] = (~is_other).float()
    told["presence_asked"][..., len(SHARES) :] = known[..., None]
    # Screws and coins are of metal as some pieces of the trade are, and are none of them.
    told["strange_asked"] = told["strange_asked"] * torch.where(is_other, 1.0, LOOSE_METAL)
    return told


def _blobs(batch: Batch, dice: torch.Generator) -> Tensor:
    """Return covers of nothing: ellipses, and patches of one colour as things have them."""
    table = batch.classes[:, _ORDER.index(Surface.TABLE)]
    side = batch.piece.shape[-1] // table.shape[-1]
    piece = functional.avg_pool2d(batch.piece[:, None], side)[:, 0]
    free = ((table + batch.empty) > 0.9) & (piece < 0.05)
    n, h, w = free.shape
    flat = free.flatten(1).float() + 1e-6
    seed = torch.multinomial(flat, BLOBS, replacement=True, generator=dice)
    y = torch.arange(h, device=free.device).float()[:, None]
    x = torch.arange(w, device=free.device).float()[None]
    dy, dx = y - (seed // w)[..., None, None], x - (seed % w)[..., None, None]
    low, high = (log(v) for v in _BLOB_CELLS)
    radius = torch.exp(low + (high - low) * _rand(dice, n, BLOBS))[..., None, None]
    angle = (2 * pi * _rand(dice, n, BLOBS))[..., None, None]
    thin = (0.15 + 0.85 * _rand(dice, n, BLOBS))[..., None, None]
    along = (torch.cos(angle) * dx + torch.sin(angle) * dy) / radius
    across = (torch.cos(angle) * dy - torch.sin(angle) * dx) / (radius * thin)
    ellipse = along**2 + across**2 < 1
    rgb = functional.avg_pool2d(batch.rgb, side) / 255.0
    seeds = rgb.flatten(2).gather(2, seed[:, None].expand(-1, 3, -1))
    apart = (rgb[:, :, None] - seeds[..., None, None]).abs().amax(dim=1)
    like = (apart < 0.03 + 0.12 * _rand(dice, n, BLOBS)[..., None, None]) & (
        dx**2 + dy**2 < (2 * radius) ** 2
    )
    shape = torch.where((_rand(dice, n, BLOBS) < 0.5)[..., None, None], ellipse, like)
    return (shape & free[:, None]).float()


def _nothing(cover: Tensor) -> dict[str, Tensor]:
    """Return the truth of covers that lie on no piece: nothing present, strange."""
    n, p = cover.shape[:2]
    valid = (cover.flatten(2).sum(dim=2) >= LEAST_CELLS).float()
    none = torch.zeros_like(valid)
    asked = valid[..., None].repeat(1, 1, len(PRESENCE))
    asked[..., len(SHARES) :] = 0.0  # whether a table is of metal is not told
    return {
        "cover": cover,
        "valid": valid,
        "presence": torch.zeros_like(asked),
        "presence_asked": asked,
        "share": none[..., None].repeat(1, 1, len(SHARES)),
        "form": torch.full((n, p), -1, device=cover.device),
        "tarnish": none,
        "bare_asked": none,
        "shine": none,
        "shine_asked": none,
        "strange": valid,
        "strange_asked": valid,
        "counted": none,
    }


def counted_rates(pieces: PieceBatch) -> Tensor:
    """Return ``(forms, 1 + 2 x 8)``: pieces of each form; asked and present of each finding."""
    form = pieces.form.flatten()
    known = (form >= 0) & (pieces.counted.flatten() > 0)
    one = functional.one_hot(form.clamp_min(0), len(FORMS)).double() * known[:, None]
    asked = pieces.presence_asked.flatten(0, 1).double()
    present = asked * pieces.presence.flatten(0, 1).double()
    return torch.cat([one.sum(dim=0)[:, None], one.T @ asked, one.T @ present], dim=1)
