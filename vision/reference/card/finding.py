"""Where a bank-card sized card lies in the photo, whatever is printed on it.

Proposals come from edges of the whole photo (:mod:`vision.reference.card.quads`) and from where
the network sees a reference; each is measured (:mod:`vision.reference.card.measuring`), the
best one counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import product

import cv2
import numpy as np

from vision.photo.reduced import reduced
from vision.problems import photo_error
from vision.reference.card.geometry import clipped, ordered, out_of_shape
from vision.reference.card.measuring import ROUGH_PROFILES, Card, card_of_sides, measured_card
from vision.reference.card.quads import find_quads
from vision.reference.card.shadow import STRAIGHT_FROM_MM
from vision.reference.edges import EdgeLine, fit_edge, intersect
from vision.reference.places import Place
from vision.reference.plane import fit_plane, lens_of
from vision.reference.references import (
    CARD_HEIGHT_MM,
    CARD_WIDTH_MM,
)
from vision.types import FloatArray, Image, Photo

SEARCH_LONG_SIDE_PX = 800
PLACE_PX = 420  # a crop that is hardly more than the card needs no more
PLACE_MARGIN = 0.2
MIN_LONG_SIDE_PX = 200.0  # below, the round corners can't be told from square ones
# Sides chosen in a second look may be the wrong ones: of five cards found so the scale
# was off by up to 1.5 % at the card.
SECOND_LOOK_FACTOR = 2.5
# Of rendered and drawn cards nearly all pass 3.3; four lines of squared paper on a real
# photo reached 3.05.
MIN_QUALITY = 3.15
ENOUGH_BETTER = 0.25  # proposals that much worse than one that passed are not looked at
# Where the network sees a reference and the plain fit fails: edges are fitted at these
# distances from the sides proposed, and their best combination is asked less.
SECOND_LOOKS = 2
SHIFTS_MM = (-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0)
SHIFT_REACH_MM = 0.8
SAME_EDGE_MM = 0.35
MOST_EDGES = 3
MOST_TRIED = 20
SHAPE_WEIGHT = 4.0
# The tail of a strong edge is a weak edge just beside it. Second looks at 32 drawn cards are
# off by up to 1.3 % without this weight, by 1 % on two of them with it; of five rendered cards
# with such tails for sides (1.0 to 3.5 % off) four come within 0.6 %, the fifth within 1.4 %.
CONTRAST_WEIGHT = 0.3
MIN_SUPPORT_AT_PLACE = 0.45
MIN_QUALITY_AT_PLACE = 2.75
PATCH_AREA = (0.8, 1.2)  # of the patch
PATCH_APART = 0.08  # of the root of the area
# Of 65 rendered cards the network's largest patch has 0.85 to 1.06 times the area, seen whole
# or in part; a cell of squared paper taken for a card had an eighth of it.
MIN_SHARE_OF_PLACE = 0.5


def detect_card(photo: Photo, *, places: Sequence[Place] = ()) -> Card:
    """Find the card.

    Args:
        photo: The photo.
        places: Where it may lie; elsewhere is looked only if none of them shows a card.

    Raises:
        PhotoError: ``no_reference`` where nothing passes as a card, or
            ``reference_too_small``.
    """
    least_px2 = MIN_SHARE_OF_PLACE * max((place.area_px for place in places), default=0.0)
    cards = _cards_at(photo, places, least_px2) or _cards_among(
        photo, _proposals(photo.rgb), least_px2
    )
    if not cards:
        raise photo_error("no_reference.card")
    card = max(cards, key=lambda card: (card.long_side_px >= MIN_LONG_SIDE_PX, card.quality))
    if card.long_side_px < MIN_LONG_SIDE_PX:
        raise photo_error(
            "reference_too_small.card", long_px=card.long_side_px, least_px=MIN_LONG_SIDE_PX
        )
    lens = lens_of(photo)
    if not lens.kinds:
        return card
    # many were looked at under one wide guess; the one that counts is worth each kind
    corners, corners_mm, u_px = card.points
    return replace(card, plane=fit_plane(corners, corners_mm, u_px=u_px, lens=lens))


def _cards_at(photo: Photo, places: Sequence[Place], least_px2: float) -> list[Card]:
    for place in places:
        x, y, w, h = place.box_px
        margin = PLACE_MARGIN * max(w, h)
        left, top = max(0, int(x - margin)), max(0, int(y - margin))
        crop = photo.rgb[top : int(y + h + margin), left : int(x + w + margin)]
        if max(crop.shape[:2]) < MIN_LONG_SIDE_PX:
            continue
        proposals = _proposals(crop, origin_px=(left, top), long_side_px=PLACE_PX)
        cards = _cards_among(photo, proposals, least_px2)
        if not cards:
            fitting = [one for one in proposals if _covers(one.corners_px, place)]
            best = _best_sides(photo, fitting[:SECOND_LOOKS], place)
            cards = [] if best is None else [best]
        if cards:
            return cards
    return []


def _covers(corners: FloatArray, place: Place) -> bool:
    """Whether a quad has about the place and the area of the patch."""
    area = float(cv2.contourArea(corners.astype(np.float32)))
    apart = float(np.hypot(*(corners.mean(axis=0) - place.centre_px)))
    low, high = PATCH_AREA
    return low < area / place.area_px < high and apart < PATCH_APART * np.sqrt(area)


def _best_sides(photo: Photo, proposals: Sequence[_Proposal], place: Place) -> Card | None:
    """The best card whose sides are edges near those proposed, where the plain fit has failed.

    A shadow, or a stripe printed along a side, may show more clearly than the side itself
    or lie within its window. So several edges are fitted near each side, and of all
    combinations the one that makes the best card counts. What the network sees as a
    reference bears it out, so less is asked of it than of one found anywhere.
    """
    lens = lens_of(photo).any_kind
    tried: list[tuple[float, FloatArray, list[EdgeLine]]] = []
    for proposal in proposals:
        choices = [_edges_near(photo.rgb, proposal.corners_px, n) for n in range(4)]
        for edges in product(*choices):
            try:
                corners = np.array([intersect(edges[n - 1], edges[n])[0] for n in range(4)])
            except np.linalg.LinAlgError:
                continue
            if _covers(corners, place):
                merit = _clearness(edges) - SHAPE_WEIGHT * out_of_shape(corners)
                tried.append((merit, corners, list(edges)))
    tried.sort(key=lambda one: -one[0])
    best, most = None, -np.inf
    for _, corners, sides in tried[:MOST_TRIED]:
        card = card_of_sides(photo.rgb, corners, sides, lens=lens, doubt=SECOND_LOOK_FACTOR)
        if card is None or card.quality <= MIN_QUALITY_AT_PLACE:
            continue
        merit = card.quality + CONTRAST_WEIGHT * _mean_log_contrast(sides)
        if merit > most:
            best, most = card, merit
    return best


def _edges_near(rgb: Image, corners: FloatArray, n: int) -> list[EdgeLine]:
    """Different straight edges along side ``n`` of a quad, within a few mm, clearest first."""
    start, end = corners[n], corners[(n + 1) % 4]
    length_mm = (CARD_WIDTH_MM, CARD_HEIGHT_MM)[n % 2]
    px_per_mm = float(np.hypot(*(end - start))) / length_mm
    inset = (end - start) * STRAIGHT_FROM_MM / length_mm
    seen = clipped(start + inset, end - inset, rgb.shape)
    if seen is None:
        return []
    run = (end - start) / np.hypot(*(end - start))
    normal = np.array([-run[1], run[0]])
    found: list[tuple[float, EdgeLine]] = []
    for shift_mm in SHIFTS_MM:
        shift = shift_mm * px_per_mm * normal
        edge = fit_edge(
            rgb,
            seen[0] + shift,
            seen[1] + shift,
            half_width_px=max(SHIFT_REACH_MM * px_per_mm, 4.0),
            profiles=ROUGH_PROFILES,
        )
        if edge is None or edge.support < MIN_SUPPORT_AT_PLACE:
            continue
        found.append((edge.support + 0.2 * float(np.log(max(edge.contrast, 1e-3))), edge))
    found.sort(key=lambda one: -one[0])
    distinct: list[EdgeLine] = []
    middle = (seen[0] + seen[1]) / 2
    for _, edge in found:
        across = [abs(_offset(edge, middle) - _offset(other, middle)) for other in distinct]
        if all(away > SAME_EDGE_MM * px_per_mm for away in across):
            distinct.append(edge)
    return distinct[:MOST_EDGES]


def _offset(edge: EdgeLine, point: FloatArray) -> float:
    """Signed distance of a point from the line of an edge."""
    away = point - edge.point
    return float(edge.direction[0] * away[1] - edge.direction[1] * away[0])


def _clearness(edges: Sequence[EdgeLine]) -> float:
    support = [edge.support for edge in edges]
    return float(np.mean(support) + min(support) + 0.2 * _mean_log_contrast(edges))


def _mean_log_contrast(edges: Sequence[EdgeLine]) -> float:
    return float(np.mean([np.log(max(edge.contrast, 1e-3)) for edge in edges]))


def _cards_among(
    photo: Photo, proposals: Iterable[_Proposal], least_px2: float = 0.0
) -> list[Card]:
    """Return the proposals of at least that area that bear it out, as measured cards."""
    lens = lens_of(photo).any_kind
    cards: list[Card] = []
    passed = -np.inf
    for proposal in proposals:
        if proposal.score < passed - ENOUGH_BETTER:
            break
        if cv2.contourArea(proposal.corners_px.astype(np.float32)) < least_px2:
            continue
        card = measured_card(photo.rgb, proposal.corners_px, lens=lens, rough_u_px=proposal.u_px)
        if card is not None and card.quality > MIN_QUALITY:
            cards.append(card)
            if card.long_side_px >= MIN_LONG_SIDE_PX:  # a chip or logo is no end of the search
                passed = max(passed, proposal.score)
    return cards


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Proposal:
    """Candidate corners in photo pixels, long side first, clockwise."""

    corners_px: FloatArray
    u_px: float
    score: float


def _proposals(
    rgb: Image, *, origin_px: tuple[int, int] = (0, 0), long_side_px: int = SEARCH_LONG_SIDE_PX
) -> list[_Proposal]:
    """Return what may be a card on a photo or a part of it, best first."""
    small, ratio = reduced(rgb, long_side_px)
    return [
        _Proposal(
            corners_px=ordered((quad.corners_px + 0.5) * ratio - 0.5) + np.array(origin_px),
            u_px=1.2 * max(ratio, 1.0),
            score=quad.score,
        )
        for quad in find_quads(small, aspect=CARD_WIDTH_MM / CARD_HEIGHT_MM)
    ]
