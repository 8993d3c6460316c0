"""What finish has the piece: bright, tarnished, green, coated or tinned?

The surface network says what each spot of the piece shows (:mod:`vision.finish.surface`);
here its map becomes shares of the piece with their doubt, a tarnish level, and flags for
brass and solder. On what the network does not know, or does not take for a piece at all,
every answer is drawn half-way to "anything": nothing is decided on it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from rules.findings import Finish, FinishFinding, Flag, Measurement, Unit
from vision.finish import flags
from vision.finish.flags import Part, find_parts
from vision.finish.surface import cover, familiarity
from vision.finish.working_copy import WorkCopy, work_copy
from vision.types import Float32Array, Mask, Photo, Region, Surface, SurfaceMap

GROUPS = (
    (Surface.BRIGHT,),
    (Surface.TARNISHED,),
    (Surface.GREEN,),
    (Surface.COATED, Surface.INSULATION),
    (Surface.TINNED, Surface.SOLDER, Surface.OTHER_METAL),
    (Surface.BRASS,),
)
"""What of the network's classes counts together: the five finishes, grey metal being one,
and brass; table, reference and strangers are no part of a piece."""

BRIGHT, TARNISHED, GREEN, COATED, GREY, BRASS = range(len(GROUPS))

FEWEST_VALID = 12
"""With fewer usable pixels nothing is said about the finish."""

LEAST_P = 1e-3
"""Smaller probabilities count as this."""

SOFTER = 0.883
"""Power of the network's probabilities with the least log loss."""

TOGETHER = 0.894
"""How much of a pixel's class doubt is common to the whole piece; the rest averages out."""

U_LEVEL = 0.135
"""Standard uncertainty of the tarnish level of wholly bare metal. This and the two before are
fits on 348 pieces of 206 rendered photos that the network was not trained on, 2026-11-27."""

UNSEEN_PART = 0.25
"""Doubt of a share for the part of the piece that was clipped or dark; an estimate."""

U_HIDDEN_LEVEL = 0.3
"""Doubt of the tarnish level of bare metal that is not in sight: nearly 0 to 1, evenly."""

U_MODEL = 0.02
"""Doubt of a share that no averaging removes: the outline's own error; an estimate."""

LEAST_BARE = 0.05
"""With less bare metal in sight its tarnish level is not known at all."""

FAMILIAR = 0.5
"""Below this familiarity the network's classes decide nothing: one in a hundred of the
pieces it was calibrated on lies below."""

LEAST_OF_PIECE = 0.5
"""Nor do they where the network takes more than half of a piece for something else."""

OTHER_METAL_FROM = 0.3
"""Share of the piece that the network takes for another metal from which a note says so:
4 of 6 rendered pieces of steel, aluminium, nickel and zinc pass it, and 3 of 183 of copper,
all of them tinned."""

OVER_PART = 0.5
"""Parts at least this likely are taken out of the shares of the copper."""

MOSTLY_SEEN = 0.6
"""With less of the piece neither clipped nor dark a note says so."""

OTHER_METAL_NOTE = (
    "may be no copper at all (steel, aluminium, nickel): try a magnet, and file a spot: "
    "grey right through means another metal"
)
STRANGE_NOTE = (
    "its surface is unlike any that the tool was trained on: judge the finish by eye, "
    "or scrape a spot and look"
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FinishReading:
    """What the surface of one piece tells.

    Attributes:
        finish: Shares and tarnish level for the rules; None where nothing of the
            piece can be seen.
        brass: Brass on the piece.
        solder: Solder on the piece.
        brass_boxes_px: Boxes of likely brass in the photo, ``(x, y, w, h)``.
        solder_boxes_px: Boxes of likely solder.
        class_map: ``(h, w)`` uint8, index into :class:`vision.types.Surface`, TABLE
            outside the piece; over ``class_map_box_px`` of the photo.
        class_map_box_px: ``(x, y, w, h)`` of the map in the photo.
        notes: What a person should know.
        other_metal: Whether the whole piece is another metal than copper or brass.
        familiarity: How like what the network was trained on, 0 to 1.
    """

    finish: FinishFinding | None
    brass: Flag
    solder: Flag
    brass_boxes_px: tuple[tuple[int, int, int, int], ...] = ()
    solder_boxes_px: tuple[tuple[int, int, int, int], ...] = ()
    class_map: NDArray[np.uint8]
    class_map_box_px: tuple[int, int, int, int]
    notes: tuple[str, ...] = ()
    other_metal: Flag = field(default_factory=lambda: Flag(p=0.0))
    familiarity: float = 1.0


def judge_finish(photo: Photo, region: Region, *, surface: SurfaceMap) -> FinishReading:
    """Return finish, tarnish and flags of one piece.

    Args:
        photo: The photo.
        region: The piece.
        surface: The network's map over the piece.
    """
    work = work_copy(photo.rgb, region.mask, region.box_px)
    if work.valid.sum() < FEWEST_VALID:
        return _unseen(work)
    seen = work.resampled(np.concatenate([surface.p, surface.tarnish_level[None]]), surface.box_px)
    p, level = seen[:-1], seen[-1]
    known = familiarity(surface, cover(surface, region.mask, box_px=region.box_px))
    strange = known < FAMILIAR or _share(p, work, *_NO_PIECE) > 1 - LEAST_OF_PIECE
    planes = grouped(p)
    brass, brass_parts = find_parts(
        p[_index(Surface.BRASS)], work.mask, width_px=work.width_px, weights=flags.BRASS
    )
    solder, solder_parts = find_parts(
        p[_index(Surface.SOLDER)], work.mask, width_px=work.width_px, weights=flags.SOLDER
    )
    other = _other_metal(_share(p, work, Surface.OTHER_METAL), brass)
    likely_brass = [part for part in brass_parts if part.p >= OVER_PART]
    likely_solder = [part for part in solder_parts if part.p >= OVER_PART]
    finish = _finding(planes, level, work, [*likely_brass, *likely_solder])
    if strange:
        finish, brass, solder = _doubted(finish), _doubted_flag(brass), _doubted_flag(solder)
    size = (photo.width_px, photo.height_px)
    return FinishReading(
        finish=finish,
        brass=brass,
        solder=solder,
        brass_boxes_px=tuple(work.part_box_px(q.mask, photo_size=size) for q in likely_brass),
        solder_boxes_px=tuple(work.part_box_px(q.mask, photo_size=size) for q in likely_solder),
        class_map=_class_map(planes, work.mask, likely_brass, likely_solder),
        class_map_box_px=work.box_px,
        notes=_notes(work, other, brass, strange=strange),
        other_metal=other,
        familiarity=known,
    )


_NO_PIECE = (Surface.TABLE, Surface.REFERENCE, Surface.STRANGER)


def _index(surface: Surface) -> int:
    return list(Surface).index(surface)


def _share(p: Float32Array, work: WorkCopy, *surfaces: Surface) -> float:
    """Return how much of the piece the network takes for some of its classes."""
    return float(p[[_index(s) for s in surfaces]][:, work.mask].sum(axis=0).mean())


def grouped(p: Float32Array) -> Float32Array:
    """Return the network's map ``(len(Surface), h, w)`` by :data:`GROUPS`, ``(h, w, 6)``."""
    by_group = np.stack([p[[_index(s) for s in group]].sum(axis=0) for group in GROUPS], axis=-1)
    raised = np.maximum(by_group, LEAST_P) ** SOFTER
    return np.asarray(raised / raised.sum(axis=-1, keepdims=True), dtype=np.float32)


def _other_metal(share: float, brass: Flag) -> Flag:
    """Return how likely the whole piece is another metal, by the network's share of it.

    Brass has a flag of its own. Of 189 pieces of 145 renders 7 had a share above 0.3:
    4 of the 6 of another metal, and 3 of tinned copper.
    """
    share *= 1 - brass.p
    return Flag(p=share**2 / (share**2 + OTHER_METAL_FROM**2), share=share)


def _doubted(finish: FinishFinding) -> FinishFinding:
    """Return a finish drawn half-way to "anything", and as unsure as its shares allow.

    So no grade that hangs on the finish can be decided from it.
    """
    shares = {f: 0.5 * s + 0.5 / len(Finish) for f, s in finish.shares.items()}
    level = finish.tarnish_level
    return replace(
        finish,
        shares=shares,
        u={f: (s * (1 - s)) ** 0.5 for f, s in shares.items()},
        tarnish_level=replace(level, u=max(level.u, U_HIDDEN_LEVEL), low95=0.0, high95=1.0),
    )


def _doubted_flag(flag: Flag) -> Flag:
    """Return a flag half-way to even odds, in log-odds."""
    odds = (flag.p / (1 - flag.p)) ** 0.5 if flag.p < 1 else 10.0
    return replace(flag, p=odds / (1 + odds))


def _finding(
    planes: Float32Array, level: Float32Array, work: WorkCopy, parts: list[Part]
) -> FinishFinding:
    """Return shares and tarnish level with their uncertainties.

    Parts of a share's variance: the class doubt that all pixels have in common, what
    averages out over independent patches, and what could not be seen.
    """
    pixels = _finishes(planes, work.mask, parts)
    shares = pixels.mean(axis=0, dtype=np.float64)
    doubt = (pixels * (1 - pixels)).mean(axis=0)
    variance = TOGETHER * doubt + ((1 - TOGETHER) * doubt + pixels.var(axis=0)) / work.patches
    u = np.sqrt(variance + (UNSEEN_PART * (1 - work.seen_share)) ** 2 + U_MODEL**2)
    return FinishFinding(
        shares={f: float(s) for f, s in zip(Finish, shares / shares.sum(), strict=True)},
        u={f: float(min(v, 0.5)) for f, v in zip(Finish, u, strict=True)},
        tarnish_level=_tarnish_level(planes, level, work),
    )


def _finishes(planes: Float32Array, mask: Mask, parts: list[Part]) -> Float32Array:
    """Return ``(n, 5)`` finishes of the copper's pixels.

    Likely brass and solder parts are not finish of the copper and are left out. What
    looks like brass elsewhere, but is unlikely to be, is a film in places (tarnish), and
    yellow plastic or amber enamel where it is the colour of the whole piece.
    """
    five = planes[..., :BRASS].copy()
    everywhere = float(planes[mask][:, BRASS].mean())
    five[..., TARNISHED] += (1 - everywhere) * planes[..., BRASS]
    five[..., COATED] += everywhere * planes[..., BRASS]
    left = mask.copy()
    for part in parts:
        left &= ~part.mask
    if left.sum() < 0.02 * mask.sum():
        left = mask
    pixels: Float32Array = five[left]
    return pixels


def _tarnish_level(planes: Float32Array, level: Float32Array, work: WorkCopy) -> Measurement:
    """Return the tarnish level of the bare part, evenly anything where hardly any is bare."""
    bare = planes[work.mask][:, [BRIGHT, TARNISHED]].sum(axis=1)
    share = float(bare.mean())
    if share <= LEAST_BARE:
        return Measurement(value=0.5, u=U_HIDDEN_LEVEL, unit=Unit.ONE, low95=0.0, high95=1.0)
    value = float(np.clip((level[work.mask] * bare).sum() / bare.sum(), 0, 1))
    u = float(np.hypot(U_LEVEL, U_HIDDEN_LEVEL * (1 - min(share, 1.0))))
    return Measurement(
        value=value,
        u=u,
        unit=Unit.ONE,
        low95=max(0.0, value - 1.96 * u),
        high95=min(1.0, value + 1.96 * u),
    )


def _class_map(
    planes: Float32Array, mask: Mask, brass: list[Part], solder: list[Part]
) -> NDArray[np.uint8]:
    # Brass that no part bears out is told as a film, as in the shares.
    names = [*(group[0] for group in GROUPS[:BRASS]), Surface.TARNISHED]
    lookup = np.array([_index(name) for name in names], np.uint8)
    out = np.where(mask, lookup[planes.argmax(axis=-1)], np.uint8(_index(Surface.TABLE)))
    for parts, name in ((brass, Surface.BRASS), (solder, Surface.SOLDER)):
        for part in parts:
            out[part.mask] = _index(name)
    return np.asarray(out, dtype=np.uint8)


def _notes(work: WorkCopy, other: Flag, brass: Flag, *, strange: bool) -> tuple[str, ...]:
    unseen = 1 - work.seen_share
    told = (
        (
            f"{100 * unseen:.0f} % of the piece is too bright or too dark to judge its colour",
            unseen > 1 - MOSTLY_SEEN,
        ),
        (STRANGE_NOTE, strange),
        (OTHER_METAL_NOTE, other.share > OTHER_METAL_FROM and brass.p < OVER_PART),
    )
    return tuple(note for note, holds in told if holds)


def _unseen(work: WorkCopy) -> FinishReading:
    """Return the answer for a piece without a usable pixel: nothing of its finish."""
    table, any_metal = _index(Surface.TABLE), _index(Surface.TARNISHED)
    return FinishReading(
        finish=None,
        brass=Flag(p=0.1),
        solder=Flag(p=0.1),
        class_map=np.where(work.mask, any_metal, table).astype(np.uint8),
        class_map_box_px=work.box_px,
        notes=("the piece is clipped or dark all over: its finish can't be seen",),
    )
