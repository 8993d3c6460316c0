"""Where a bank-card sized card lies in the photo, whatever is printed on it.

The network sees that something of known size lies there, to about a cell of its map; edges of
the photo along the sides of that patch (:mod:`vision.reference.card.sides`) tell whether it is
a card and where exactly (:mod:`vision.reference.card.measuring`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from vision.problems import photo_error
from vision.reference.card.geometry import ordered
from vision.reference.card.measuring import Card, card_of_lines
from vision.reference.card.sides import lines_near, shapes
from vision.reference.places import Place
from vision.reference.plane import Lens, fit_plane, lens_of
from vision.types import FloatArray, Photo

MIN_LONG_SIDE_PX = 200.0  # below, the round corners can't be told from square ones
SIDES_MM, CARD_MM = 3.2, 7.0
"""How far edges may lie from the sides of a patch, a cell of which is 1 to 2 mm, and from those
of a card of the patch's area."""


def detect_card(photo: Photo, *, places: Sequence[Place]) -> Card:
    """Find the card.

    Args:
        photo: The photo.
        places: Where it may lie, the likeliest first.

    Raises:
        PhotoError: ``no_reference`` where nothing passes as a card, or
            ``reference_too_small``.
    """
    lens = lens_of(photo)
    cards = (
        _card_at(photo, ordered(quad), lens.any_kind, reach_mm=reach_mm)
        for place in places
        for quad, reach_mm in ((place.sides_px, SIDES_MM), (place.card_px, CARD_MM))
        if quad is not None
    )
    card = next((card for card in cards if card is not None), None)
    if card is None:
        raise photo_error("no_reference.card")
    if card.long_side_px < MIN_LONG_SIDE_PX:
        raise photo_error(
            "reference_too_small.card", long_px=card.long_side_px, least_px=MIN_LONG_SIDE_PX
        )
    if not lens.kinds:
        return card
    # many were looked at under one wide guess; the one that counts is worth each kind
    seen, seen_mm, u_px = card.points
    return replace(card, plane=fit_plane(seen, seen_mm, u_px=u_px, lens=lens))


def _card_at(photo: Photo, rough: FloatArray, lens: Lens, *, reach_mm: float) -> Card | None:
    """The likeliest card whose sides are edges near those of a rough quad."""
    choices = [lines_near(photo.rgb, rough, n, reach_mm=reach_mm) for n in range(4)]
    found = (card_of_lines(photo.rgb, *shape, lens=lens) for shape in shapes(choices, lens))
    return next((card for card in found if card is not None), None)
