"""What travels from a pair of photos, one by daylight and one with the flash, to findings.

A lit strip is the straightened picture of one piece: rows go along it, columns across from
one edge to the other, the same way round in both photos.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from rules.findings import Measurement, What
from vision.types import Boxes, Float32Array, FloatArray, Mask, Photo


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LitStrip:
    """The straightened picture of a piece in one photo.

    Attributes:
        light: ``(rows, columns, 3)`` linear light, NaN off the piece. Where white beside the
            piece is known, it is divided by it (1 is a matte white); else as the camera saw it.
        clipped: ``(rows, columns)`` bool, a channel's code was too high to tell its light.
        white_known: Whether ``light`` was divided by white.
    """

    light: Float32Array
    clipped: Mask
    white_known: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StripPair:
    """One piece in both photos; the strips need not be of one size, nor align to a pixel.

    Attributes:
        plain: By the light that was there.
        flash: With the flash on.
    """

    plain: LitStrip
    flash: LitStrip


@dataclass(frozen=True, slots=True, kw_only=True)
class FlashEvidence:
    """What the second photo adds to what the first one told.

    Attributes:
        log_ratio: Natural logarithm of how much likelier the second photo is if the thing is
            there than if it is not, given the first photo; 0 says nothing.
        tarnish: What the second photo alone adds on the tarnish level of the bare metal; None
            where nothing.
        note: What the highlight shows, a sentence for a person.
        core, ring: The highlight's middle, and the metal round it, in the flash strip:
            ``(column, row, columns, rows)``; empty where no highlight was found.
    """

    log_ratio: Mapping[What, float]
    note: str
    tarnish: Measurement | None = None
    core: Boxes = field(default=())
    ring: Boxes = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FlashPiece:
    """A piece of the plain photo as it was found again on the flash photo.

    Attributes:
        box_px: ``(x, y, width, height)`` in the flash photo's pixels.
        outline_px: ``(n, 2)`` its outline there.
        overlap: Common over joint area of the two outlines laid on each other, 0 to 1.
        evidence: What the flash adds.
        core_px: Where the highlight's middle lies on the flash photo.
        ring_px: Where the metal round it does.
    """

    box_px: tuple[int, int, int, int]
    outline_px: FloatArray
    overlap: float
    evidence: FlashEvidence
    core_px: Boxes = ()
    ring_px: Boxes = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FlashReading:
    """What the second photo of a pair gave.

    Attributes:
        photo: The photo.
        p: How likely it was lit by the flash.
        pieces: One for each piece of the plain photo, None where it was not found again.
    """

    photo: Photo
    p: float
    pieces: tuple[FlashPiece | None, ...]
