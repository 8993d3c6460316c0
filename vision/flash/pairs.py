"""From two photos of the same pieces, the second with the flash on, to findings.

The first photo is examined as ever. Of the second only where things lie is looked for; each
piece that is found again at its place gives what its highlight says, which is added to the
first photo's odds. What can't be told to be the same piece adds nothing, and is named.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Unpack

import numpy as np

from rules.findings import CUT_END, Facts
from vision.examine import Seen, Where, examine_seen, look_over
from vision.flash.evidence import evidence
from vision.flash.joined import joined
from vision.flash.matching import Laid, Match, matched
from vision.flash.recognise import LIT_P, recognised
from vision.flash.strips import Lit, cut_alike
from vision.flash.types import FlashPiece, FlashReading
from vision.problems import problem_of
from vision.reference.places import reference_places
from vision.types import Examination, Photo, PieceReading, Region

GIVEN_P = 0.5
"""A photo that is given as the one with the flash must look likelier than this to be it. Of 30
rendered photos without the camera's notes 14 of 16 by daylight stayed below, 2 at it; 12 of 14
with the flash lay above, 2 at it."""


def examine_pair(
    plain: Photo,
    flash: Photo,
    *,
    form: str | None = None,
    facts: Facts | None = None,
    guessed: bool = False,
    **where: Unpack[Where],
) -> Examination:
    """Return what two photos tell together.

    Args:
        plain: By the light that was there: sizes and places are of this one.
        flash: The same pieces at the same place with the flash on.
        form, facts: As for :func:`vision.examine.examine`.
        guessed: Whether nobody said that the two are a pair: where nothing is found again,
            they are none, and there is nothing to tell of it.
        where: As for :func:`vision.examine.look_over`. What was tapped on the plain photo
            says nothing of the other.
    """
    seen = look_over(plain, any_length=form == CUT_END, **where)
    examination = examine_seen(seen, form=form, facts=facts)
    p = recognised(flash)
    reading = FlashReading(photo=flash, p=p, pieces=(None,) * len(examination.pieces))
    if seen.flash_p >= LIT_P or not examination.pieces:
        return replace(examination, flash=reading)
    if p <= GIVEN_P:
        told = problem_of("flash_missing", name=flash.name)
        return replace(examination, flash=reading, problems=(*examination.problems, told))
    lit = look_over(
        flash,
        reference=where.get("reference", "auto"),
        print_scale=where.get("print_scale", 1.0),
        any_length=form == CUT_END,
    )
    found = {match.plain: match for match in matched(laid_of(seen), laid_of(lit))}
    if guessed and not found:
        return examination
    again = tuple(
        _looked_at(seen, lit, found[number]) if number in found else None
        for number in range(len(examination.pieces))
    )
    lost = tuple(n for n, piece in enumerate(again, start=1) if piece is None)
    moved = replace(problem_of("flash_moved", name=flash.name), pieces=lost)
    return replace(
        examination,
        pieces=tuple(map(_joined, examination.pieces, again)),
        problems=(*examination.problems, *([moved] if lost else [])),
        flash=replace(reading, pieces=again),
    )


def laid_of(seen: Seen) -> Laid:
    """Return where pieces and reference lie on a photo that was looked over."""
    return Laid(
        outlines_px=[region.outline_px for region in seen.regions],
        scale=seen.scale,
        size_px=(seen.photo.width_px, seen.photo.height_px),
        marks_px=np.array([p.centre_px for p in reference_places(seen.overview)]).reshape(-1, 2),
    )


def _looked_at(plain: Seen, flash: Seen, match: Match) -> FlashPiece:
    """Return what the flash shows of a piece that was found again."""
    region = flash.regions[match.flash]
    cut = cut_alike(
        _lit(plain, plain.regions[match.plain]),
        _lit(flash, region),
        flash_from_plain=match.flash_from_plain,
    )
    told = evidence(cut.pair)
    return FlashPiece(
        box_px=region.box_px,
        outline_px=region.outline_px,
        overlap=match.overlap,
        evidence=told,
        core_px=cut.boxes_px(told.core),
        ring_px=cut.boxes_px(told.ring),
    )


def _lit(seen: Seen, region: Region) -> Lit:
    return Lit(photo=seen.photo, region=region, white=seen.white.light_near(region.box_px))


def _joined(piece: PieceReading, again: FlashPiece | None) -> PieceReading:
    if again is None:
        return piece
    note = again.evidence.note
    return replace(
        piece,
        findings=joined(piece.findings, again.evidence),
        notes=(*piece.notes, f"with the flash: {note}"),
    )
