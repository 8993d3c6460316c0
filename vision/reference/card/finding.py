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
from vision.types import Photo

MIN_LONG_SIDE_PX = 200.0  # below, the round corners can't be told from square ones
SIDES_MM, CARD_MM = 3.2, 7.0
"""How far edges may lie from the sides of a patch, a cell of which is 1 to 2 mm, and from those
of a card of the patch's area."""
ENOUGH = 6.5
"""Log odds from which no likelier card is looked for. Of the cards on 93 rendered photos the one
that was first found wrong had 5.7, a right one 7 and more."""


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
    cards = (_card_on(photo, place, lens.any_kind) for place in places)
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


def _card_on(photo: Photo, place: Place, lens: Lens) -> Card | None:
    """The likeliest card whose sides are edges near those of the quads that a patch may be."""
    best = None
    for quad, reach_mm in ((place.sides_px, SIDES_MM), (place.card_px, CARD_MM)):
        if quad is None:
            continue
        rough = ordered(quad)
        choices = [lines_near(photo.rgb, rough, n, reach_mm=reach_mm) for n in range(4)]
        for four in shapes(choices, lens):
            card = card_of_lines(photo.rgb, *four, lens=lens)
            if card is not None and (best is None or card.log_odds > best.log_odds):
                best = card
                if best.log_odds > ENOUGH:
                    return best
    return best
