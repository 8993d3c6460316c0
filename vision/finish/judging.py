"""What lies on the piece, and how does its bare metal look?

Whether each thing is there, how much of it and how tarnished the bare metal is comes from
the head for the piece (:mod:`vision.finish.piece_head`); where it lies from the surface
network's map. What was clipped or dark in the photo widens the doubt. Nothing is decided
here, not even on what is strange: how familiar a piece is goes with the findings, and the
rules hold their tongue.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from rules.confidence import FAMILIAR
from rules.findings import ON_THE_PIECE, Finish, FinishFinding, FormFinding, Presence, What
from vision.finish.parts import parts_px
from vision.finish.piece_head import PieceModel, PieceTold, tell_piece, unseen
from vision.finish.surface import cover
from vision.photo.colour import strongest_channel
from vision.types import Boxes, Image, Photo, Region, Surface, SurfaceMap

SURFACE_OF = {
    What.COATING: Surface.COATED,
    What.INSULATION: Surface.INSULATION,
    What.TIN: Surface.TINNED,
    What.GREEN: Surface.GREEN,
    What.BRASS: Surface.BRASS,
    What.SOLDER: Surface.SOLDER,
}
"""Which class of the map shows a thing where it lies."""

CLIPPED_CODE, DARK_CODE = 250, 16
"""A pixel with a channel above the first shows the lamp, one whose brightest channel is below
the second noise and lens flare; neither shows a colour."""

MOST_SAMPLES = 250_000
"""Pixels of a piece's box that are looked at for that: more only repeat their neighbours."""

FEWEST_VALID = 12
"""With fewer usable pixels nothing is said about the finish."""

SHOWN_P = 0.3
"""A thing at least this likely is pointed at."""

UNSEEN_PART = 0.25
"""Doubt of a share for the part of the piece that was clipped or dark; an estimate."""

MOSTLY_SEEN = 0.6
"""With less of the piece neither clipped nor dark a note says so."""

STRANGE_NOTE = (
    "its surface is unlike any that the tool was trained on: judge the finish by eye, "
    "or scrape a spot and look"
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FinishReading:
    """What the surface of one piece tells.

    Attributes:
        finish: Expected shares of each look of the copper in sight, and the tarnish level of
            its bare part; None where nothing of the piece can be seen.
        seen: What is there and how much of it, told for the training's mix.
        form: Which form it has by its look, told for the training's mix; None where
            nothing can be seen.
        boxes_px: Where each thing that may be there lies in the photo, ``(x, y, w, h)``.
        familiarity: How like what the network was trained on, 0 to 1.
        notes: What a person should know.
    """

    finish: FinishFinding | None
    seen: Mapping[What, Presence]
    form: FormFinding | None
    boxes_px: Mapping[What, Boxes] = field(default_factory=dict)
    familiarity: float = 1.0
    notes: tuple[str, ...] = ()


def judge_finish(
    photo: Photo,
    region: Region,
    *,
    surface: SurfaceMap,
    model: PieceModel,
) -> FinishReading:
    """Return what is on one piece and how its bare metal looks.

    Args:
        photo: The photo.
        region: The piece.
        surface: The network's map over the piece.
        model: The head for the piece.
    """
    count, seen_share = pixels_seen(photo.rgb, region)
    if count < FEWEST_VALID:
        note = "the piece is clipped or dark all over: its finish can't be seen"
        return FinishReading(finish=None, seen=unseen(), form=None, notes=(note,))
    own = cover(surface, region.mask, box_px=region.box_px)
    told = tell_piece(model, surface.features, own)
    doubt = UNSEEN_PART * (1 - seen_share)
    return FinishReading(
        finish=_finish(told, doubt),
        seen={what: _widened(presence, doubt) for what, presence in told.seen.items()},
        form=told.form,
        boxes_px={
            what: parts_px(surface, region, own, SURFACE_OF[what])
            for what in ON_THE_PIECE
            if told.seen[what].p >= SHOWN_P
        },
        familiarity=told.familiarity,
        notes=_notes(told, seen_share),
    )


def pixels_seen(rgb: Image, region: Region) -> tuple[int, float]:
    """Return how many of a piece's pixels show its own colour, and their share.

    Args:
        rgb: ``(h, w, 3)`` uint8, the whole photo.
        region: The piece; of a large one not every pixel is looked at.
    """
    x, y, w, h = region.box_px
    step = max(1, int((w * h / MOST_SAMPLES) ** 0.5))
    part = np.ascontiguousarray(rgb[y : y + h : step, x : x + w : step])
    peak = strongest_channel(part)[region.mask[::step, ::step]]
    shown = int(((peak <= CLIPPED_CODE) & (peak >= DARK_CODE)).sum())
    return shown, shown / max(peak.size, 1)


def _widened(presence: Presence, doubt: float) -> Presence:
    """Return a presence whose share is doubted for what of the piece could not be seen."""
    if presence.u_share is None or doubt == 0:
        return presence
    return replace(presence, u_share=min((presence.u_share**2 + doubt**2) ** 0.5, 1.0))


def _finish(told: PieceTold, doubt: float) -> FinishFinding:
    """Return the expected shares of the copper in sight; presence times share, for each look."""
    expected = {what: told.seen[what].p * told.seen[what].share for what in ON_THE_PIECE}
    covered = expected[What.INSULATION] + expected[What.BRASS] + expected[What.SOLDER]
    on_it = {
        Finish.COATED: expected[What.COATING],
        Finish.TINNED: expected[What.TIN],
        Finish.GREEN: expected[What.GREEN],
    }
    bare = max(1.0 - covered - sum(on_it.values()), 0.0)
    parts = on_it | {Finish.BRIGHT: bare * told.shine, Finish.TARNISHED: bare * (1 - told.shine)}
    total = sum(parts.values())
    shares = {f: parts[f] / total if total else float(f is Finish.BRIGHT) for f in Finish}
    u = (told.u_shine**2 + doubt**2) ** 0.5
    spread = {
        finish: min((share * (1 - share) + doubt**2) ** 0.5, 0.5)
        for finish, share in shares.items()
    }
    # Of bright and tarnished the rules ask how the bare part divides.
    bare_share = shares[Finish.BRIGHT] + shares[Finish.TARNISHED]
    spread |= dict.fromkeys((Finish.BRIGHT, Finish.TARNISHED), min(u * bare_share, 0.5))
    return FinishFinding(shares=shares, u=spread, tarnish_level=told.tarnish)


def _notes(told: PieceTold, seen_share: float) -> tuple[str, ...]:
    hidden = 1 - seen_share
    notes = (
        (
            f"{100 * hidden:.0f} % of the piece is too bright or too dark to judge its colour",
            hidden > 1 - MOSTLY_SEEN,
        ),
        (STRANGE_NOTE, told.familiarity < FAMILIAR),
    )
    return tuple(note for note, holds in notes if holds)
