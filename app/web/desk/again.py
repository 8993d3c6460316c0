"""Examine a photo, with what the person tapped where the program got it wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from app import grading
from app.request import Request

if TYPE_CHECKING:
    from vision.types import Examination, Photo


@dataclass(frozen=True, slots=True, kw_only=True)
class Taps:
    """What the person tapped on the photo, in photo pixels.

    Attributes:
        ends: Two points a known distance apart; None where the reference was found.
        length_mm: That distance.
        u_px: How well a tap is placed (k = 1).
        at: A point on the piece that counts; None where the outline was right.
        also: Points on what was left out and is a piece all the same.
    """

    ends: tuple[tuple[float, float], tuple[float, float]] | None = None
    length_mm: float | None = None
    u_px: float = 2.0
    at: tuple[float, float] | None = None
    also: tuple[tuple[float, float], ...] = ()

    def __bool__(self) -> bool:
        return self.ends is not None or self.at is not None or bool(self.also)


def examined(
    photo: Photo, request: Request, taps: Taps, *, flash: Callable[[], Photo] | None = None
) -> Examination:
    """Return what can be told from a photo, measured anew with the person's taps.

    Raises:
        PhotoError: The taps can't serve (too near each other, outside of the photo).
    """
    from vision.reference.two_points import scale_from_two_points

    scale = None
    if taps.ends is not None and taps.length_mm is not None:
        scale = scale_from_two_points(
            photo, *taps.ends, length_mm=taps.length_mm, u_tap_px=taps.u_px
        )
    return grading.examined(photo, request, flash=flash, scale=scale, at=taps.at, also=taps.also)
