"""Was this photo lit by the phone's own flash?"""

from __future__ import annotations

from vision.types import Photo

FIRED_P, NOT_FIRED_P = 0.99, 0.01
"""The camera's notes are hardly ever wrong on that; an estimate."""

UNTOLD_P = 0.05
"""How often a photo whose file says nothing was taken with the flash; an estimate."""


LIT_P = 0.9
"""From here a photo is told as lit by the flash, where nobody said so."""


def recognised(photo: Photo) -> float:
    """Return how likely a photo was taken with the flash on."""
    if photo.flash_fired is None:
        return UNTOLD_P
    return FIRED_P if photo.flash_fired else NOT_FIRED_P
