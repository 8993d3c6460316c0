"""Where a bank-card sized card lies in the photo, whatever is printed on it.

Any card of ISO/IEC 7810 size ID-1 will do. A false card is worse than none, so
four straight sides, the right proportions under a believable lens, and round
corners of the right radius are all asked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray

from rules.errors import PhotoError
from vision.photo.reduced import reduced
from vision.reference.card.quads import find_quads
from vision.reference.card.rims import profile_places_mm, strips_mm
from vision.reference.edges import MAX_PROFILES, EdgeLine, fit_edge, intersect, sample_linear
from vision.reference.markers import robust_white
from vision.reference.places import Place
from vision.reference.plane import Lens, Plane, fit_plane, lens_of
from vision.reference.references import (
    CARD_HEIGHT_MM,
    CARD_RADIUS_MM,
    CARD_THICKNESS_MM,
    CARD_WIDTH_MM,
)
from vision.types import Float32Array, FloatArray, Image, Photo

SEARCH_LONG_SIDE_PX = 800
PLACE_PX = 420  # a crop that is hardly more than the card needs no more
PLACE_MARGIN = 0.2
MIN_LONG_SIDE_PX = 200.0  # below, the round corners can't be told from square ones
STRAIGHT_FROM_MM = 5.0  # corner radius at most 3.48 mm, and some room
MIN_SIDE_SUPPORT = 0.55
# A card's side wall is 0.76 mm high and may be as bright as the face or dark with
# shadow, so that the edge found is the upper or the lower one; the more the lens smears
# wall, contact shadow and face together, the less it tells which. In mm and in blurs, for
# each side apart, and for all four outward alike. Of 38 rendered cards those with blurs
# over 0.25 mm are off by 0.9 % (RMS), the others but three by 0.3 %.
U_EDGE_MM, U_EDGE_BLURS = 0.07, 0.4
U_ALL_EDGES_MM, U_ALL_EDGES_BLURS = 0.05, 0.5
# Sides chosen in a second look may be the wrong ones: of five cards found so the scale
# was off by up to 1.5 % at the card.
SECOND_LOOK_FACTOR = 2.5
MAX_COST = 8.0  # weighted squared misfit; two degrees of freedom are left
# Of drawn cards the roundest three corners reach 0.63 and more, square things stay
# under 0.5 but for chance.
MIN_ROUND_CORNERS = 3
MIN_ROUNDNESS = 0.55
MIN_MEAN_ROUNDNESS = 0.68
# Of rendered and drawn cards nearly all pass 3.3; four lines of squared paper on a real
# photo reached 3.05.
MIN_QUALITY = 3.15
# A side must show about as well as its fellows, or be very straight.
MIN_CONTRAST_SHARE = 0.1
STRAIGHT_RMS_PX = 0.3
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
NEUTRAL_CHROMA = 0.12
ROUGH_PROFILES = 96
# A step is 1, a drawn line 0: mean over the sides 0.60 to 0.92 on rendered cards, 0.02 to
# 0.15 on rendered squared paper.
MIN_STEP_SHARE = 0.45
EDGE_OF_PHOTO_PX = 2.0
MIN_SEEN_SHARE = 0.55  # of each side; with one corner out of view the rest still tells
# A hard shadow on the table: 0.76 mm of card under a light 25 degrees high.
SHADOW_REACH_MM = 1.7
MIN_SHADOW_STEP = 0.5  # of log light, all colours together, between card and shadow
MAX_SHADOW_LIGHT = 0.5  # of the open table's
MAX_SHADOW_TINT = 1.9  # open sky fills a shadow with bluer light
RIM_BLOCKS, RIM_LINES = 12, 8  # lines across a side, averaged in blocks
DARK_FLOOR = 0.004  # linear light; below, a photo's codes are noise
MIN_SHADOW_MM = 0.25
# Of the way a side was moved: on a rendered card under the sun a third was still left.
U_SHADOW_SHARE = 0.35

CARD_CORNERS_MM = np.array(
    [[0, 0], [CARD_WIDTH_MM, 0], [CARD_WIDTH_MM, CARD_HEIGHT_MM], [0, CARD_HEIGHT_MM]]
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Card:
    """A card as found.

    Attributes:
        plane: The plane of its upper face; mm from its upper left corner, long side first.
        outline_px: ``(n, 2)`` outline with its round corners.
        long_side_px: Mean length of the long sides.
        residual_px: RMS of edge points about the fitted sides, misfit of corners included.
        u_edge_rel: What the doubt about upper or lower edge adds to the scale.
        roundness: Of each corner, 0 square to 1 round, NaN where out of view.
        quality: How well sides and corners bear it out; the higher the better.
        white: ``(3,)`` linear light of a matte white, None unless the card is one.
        points: The corners the plane rests on in pixels, the same in mm, and the standard
            uncertainty of a coordinate in pixels.
    """

    plane: Plane
    outline_px: FloatArray
    long_side_px: float
    residual_px: float
    u_edge_rel: float
    roundness: tuple[float, ...]
    quality: float
    white: FloatArray | None
    points: tuple[FloatArray, FloatArray, float]


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
        raise PhotoError(
            "no bank-card sized card is in view",
            code="no_reference",
            fix="Lay the whole card flat beside the piece, on a table of another colour, "
            "nothing over its edges.",
        )
    card = max(cards, key=lambda card: (card.long_side_px >= MIN_LONG_SIDE_PX, card.quality))
    if card.long_side_px < MIN_LONG_SIDE_PX:
        raise PhotoError(
            f"the card is only {card.long_side_px:.0f} px long; "
            f"at least {MIN_LONG_SIDE_PX:.0f} are needed",
            code="reference_too_small",
            fix="Move closer.",
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
                merit = _clearness(edges) - SHAPE_WEIGHT * _out_of_shape(corners)
                tried.append((merit, corners, list(edges)))
    tried.sort(key=lambda one: -one[0])
    best, most = None, -np.inf
    for _, corners, sides in tried[:MOST_TRIED]:
        card = _card(photo.rgb, corners, sides, lens=lens, doubt=SECOND_LOOK_FACTOR)
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
    seen = _clipped(start + inset, end - inset, rgb.shape)
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


def _out_of_shape(corners: FloatArray) -> float:
    """How far the ratio of the mean sides is from a card's, as a log."""
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    ratio = (sides[0] + sides[2]) / max(float(sides[1] + sides[3]), 1e-9)
    return abs(float(np.log(ratio * CARD_HEIGHT_MM / CARD_WIDTH_MM)))


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
        card = _measure(photo.rgb, proposal.corners_px, lens=lens, rough_u_px=proposal.u_px)
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
            corners_px=_ordered((quad.corners_px + 0.5) * ratio - 0.5) + np.array(origin_px),
            u_px=1.2 * max(ratio, 1.0),
            score=quad.score,
        )
        for quad in find_quads(small, aspect=CARD_WIDTH_MM / CARD_HEIGHT_MM)
    ]


def _ordered(corners: FloatArray) -> FloatArray:
    """Clockwise on the screen, the first side a long one."""
    run = np.roll(corners, -1, axis=0) - corners
    if run[0, 0] * run[1, 1] - run[0, 1] * run[1, 0] < 0:
        corners = corners[::-1]
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    return corners if sides[0] + sides[2] >= sides[1] + sides[3] else np.roll(corners, -1, axis=0)


def _measure(rgb: Image, rough: FloatArray, *, lens: Lens, rough_u_px: float) -> Card | None:
    fitted = _fit_sides(rgb, rough, rough_u_px=rough_u_px)
    if fitted is None:
        return None
    return _card(rgb, *fitted, lens=lens)


def _card(
    rgb: Image, corners: FloatArray, edges: list[EdgeLine], *, lens: Lens, doubt: float = 1.0
) -> Card | None:
    """The card with these sides, or None where they are no card's.

    Args:
        rgb: The photo.
        corners: Where the sides meet.
        edges: The sides in order.
        lens: What is known of the lens.
        doubt: The sides' standard uncertainty is taken this much larger; the shape must
            fit as well as without.
    """
    # Cheap first: most of what has four straight sides has no round corners.
    roundness = _roundness(rgb, _square_on(corners))
    if not (_is_round(roundness) and _are_steps(rgb, _square_on(corners))):
        return None
    edges, shadows_px = _without_shadows(rgb, corners, edges)
    edges, rims_px = _without_rims(rgb, edges)
    shadows_px = list(np.hypot(shadows_px, rims_px))
    met = [intersect(edges[n - 1], edges[n]) for n in range(4)]
    corners = np.array([corner for corner, _ in met])
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    px_per_mm = float(sides.sum()) / (2 * (CARD_WIDTH_MM + CARD_HEIGHT_MM))
    shadow_u_px = U_SHADOW_SHARE * float(np.sqrt(np.mean(np.square(shadows_px))))
    u_meet_px = float(np.sqrt(np.mean([u**2 for _, u in met])))
    blur_px = float(np.median([edge.blur_px for edge in edges]))
    u_edge_px = float(np.hypot(U_EDGE_MM * px_per_mm, U_EDGE_BLURS * blur_px))
    u_px = doubt * float(np.linalg.norm([u_edge_px, u_meet_px, shadow_u_px]))
    try:
        plane = fit_plane(corners, CARD_CORNERS_MM, u_px=u_px, lens=lens)
        walls = _visible_walls_mm(plane)
        corners_mm = _seen_corners_mm(walls)
        plane = fit_plane(corners, corners_mm, u_px=u_px, lens=lens)
    except np.linalg.LinAlgError:
        return None
    cost = plane.cost * doubt**2
    if cost > MAX_COST:
        return None
    u_all_mm = float(np.hypot(U_ALL_EDGES_MM, U_ALL_EDGES_BLURS * blur_px / px_per_mm))
    px_from_mm = np.linalg.inv(plane.mm_from_px)
    rms = float(np.sqrt(np.mean([edge.rms_px**2 for edge in edges])))
    return Card(
        plane=plane,
        outline_px=_to_px(px_from_mm, _outline_mm()),
        long_side_px=float((sides[0] + sides[2]) / 2),
        residual_px=float(np.hypot(rms, plane.residual_px)),
        u_edge_rel=_wall_doubt(walls, u_all_mm=doubt * u_all_mm),
        roundness=roundness,
        quality=_quality(edges, roundness, cost),
        white=_white(rgb, px_from_mm),
        points=(corners, corners_mm, u_px),
    )


def _square_on(corners: FloatArray) -> FloatArray:
    """Pixels from the card's mm by its four corners alone."""
    matrix: FloatArray = cv2.getPerspectiveTransform(
        CARD_CORNERS_MM.astype(np.float32), corners.astype(np.float32)
    )
    return matrix


def _in_view(points_px: FloatArray, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    low, high = EDGE_OF_PHOTO_PX, np.array([shape[1], shape[0]]) - 1 - EDGE_OF_PHOTO_PX
    return np.asarray(((points_px >= low) & (points_px <= high)).all(axis=-1))


def _clipped(
    start: FloatArray, end: FloatArray, shape: tuple[int, ...]
) -> tuple[FloatArray, FloatArray] | None:
    """The part of a side that the photo shows, or None where that is too little."""
    along = np.linspace(0, 1, 65)
    seen = along[_in_view(start + along[:, None] * (end - start), shape)]
    if len(seen) < MIN_SEEN_SHARE * len(along):
        return None
    return start + seen[0] * (end - start), start + seen[-1] * (end - start)


def _fit_sides(
    rgb: Image, rough: FloatArray, *, rough_u_px: float
) -> tuple[FloatArray, list[EdgeLine]] | None:
    """Fit the straight part of all four sides, first widely, then closely."""
    corners, edges, blur_px = rough, list[EdgeLine](), np.inf
    lengths_mm = (CARD_WIDTH_MM, CARD_HEIGHT_MM) * 2
    for narrow in (False, True):
        edges = []
        for n in range(4):
            start, end = corners[n], corners[(n + 1) % 4]
            px_per_mm = float(np.hypot(*(end - start))) / lengths_mm[n]
            inset = (end - start) * STRAIGHT_FROM_MM / lengths_mm[n]
            seen = _clipped(start + inset, end - inset, rgb.shape)
            if seen is None:
                return None
            reach = 0.45 * px_per_mm if narrow else 2.5 * rough_u_px
            edge = fit_edge(
                rgb,
                *seen,
                half_width_px=max(reach, 4.0),
                max_blur_px=blur_px,
                profiles=MAX_PROFILES if narrow else ROUGH_PROFILES,
            )
            if edge is None or edge.support < MIN_SIDE_SUPPORT:
                return None
            edges.append(edge)
        if not _alike(edges):
            return None
        blur_px = 1.2 * float(np.median([edge.blur_px for edge in edges]))
        try:
            corners = np.array([intersect(edges[n - 1], edges[n])[0] for n in range(4)])
        except np.linalg.LinAlgError:
            return None
        if np.abs(corners - rough).max() > 6 * rough_u_px:
            return None
    return corners, edges


def _without_shadows(
    rgb: Image, corners: FloatArray, edges: list[EdgeLine]
) -> tuple[list[EdgeLine], list[float]]:
    """Move sides that lie on the far edge of a hard shadow back to the card.

    Under the sun a dark card and its shadow look like one: the steepest change is
    where the shadow ends, up to 1.5 mm out. A shadow falls on one side or on two
    that meet; a dark rim printed on the card runs along all four and stays.

    Returns:
        The sides, and how far each was moved, in pixels.
    """
    centre = corners.mean(axis=0)
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    px_per_mm = float(sides.sum()) / (2 * (CARD_WIDTH_MM + CARD_HEIGHT_MM))
    tails = [
        _dark_tail_px(rgb, corners[n], corners[(n + 1) % 4], centre, px_per_mm) for n in range(4)
    ]
    # what the lens smears over the card it smears alike on all sides
    widths = [tail - min(tails) for tail in tails]
    dark = [n for n in range(4) if widths[n] > MIN_SHADOW_MM * px_per_mm]
    if len(dark) > 2 or (len(dark) == 2 and (dark[1] - dark[0]) % 2 == 0):
        dark = []
    moved = list(edges)
    for n in dark:
        left = np.array([-edges[n].direction[1], edges[n].direction[0]])
        inward = left if left @ (centre - edges[n].point) > 0 else -left
        moved[n] = replace(edges[n], point=edges[n].point + widths[n] * inward)
    return moved, [widths[n] if n in dark else 0.0 for n in range(4)]


def _without_rims(rgb: Image, edges: list[EdgeLine]) -> tuple[list[EdgeLine], list[float]]:
    """Move sides inward over what darkened table they have left inside themselves.

    Returns:
        The sides, and how far each was moved, in pixels.
    """
    corners = np.array([intersect(edges[n - 1], edges[n])[0] for n in range(4)])
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    px_per_mm = float(sides.sum()) / (2 * (CARD_WIDTH_MM + CARD_HEIGHT_MM))
    read = {n: _side_profile(rgb, corners, n) for n in range(4)}
    profiles = {n: profile for n, profile in read.items() if profile is not None}
    moved, by_px = list(edges), [0.0] * 4
    if not profiles:
        return moved, by_px
    blur_px = min(edge.blur_px for edge in edges)
    widths = strips_mm(list(profiles.values()), blur_mm=blur_px / px_per_mm)
    for n, width in zip(profiles, widths, strict=True):
        by_px[n] = width * px_per_mm
        left = np.array([-edges[n].direction[1], edges[n].direction[0]])
        inward = left if left @ (corners.mean(axis=0) - edges[n].point) > 0 else -left
        moved[n] = replace(edges[n], point=edges[n].point + by_px[n] * inward)
    return moved, by_px


def _side_profile(rgb: Image, corners: FloatArray, n: int) -> FloatArray | None:
    """``(m, 3)`` linear light across side ``n``, the median of blocks along its straight part.

    None where too little of the side is in view.
    """
    start, end = CARD_CORNERS_MM[n], CARD_CORNERS_MM[(n + 1) % 4]
    run = (end - start) / np.hypot(*(end - start))
    outward = np.array([run[1], -run[0]])
    inset = STRAIGHT_FROM_MM / float(np.hypot(*(end - start)))
    along = np.linspace(inset, 1 - inset, RIM_BLOCKS * RIM_LINES)[:, None, None] * (end - start)
    at = start + along + profile_places_mm()[None, :, None] * outward
    at_px = _to_px(_square_on(corners), at.reshape(-1, 2)).reshape(at.shape)
    in_view = _in_view(at_px, rgb.shape).reshape(RIM_BLOCKS, -1).all(axis=1)
    if in_view.mean() < MIN_SEEN_SHARE:
        return None
    light = sample_linear(rgb, at_px[..., 0], at_px[..., 1])
    blocks = light.reshape(RIM_BLOCKS, RIM_LINES, -1, 3)[in_view].mean(axis=1)
    profile: FloatArray = np.median(blocks, axis=0).astype(float)
    return profile


def _dark_tail_px(
    rgb: Image, start: FloatArray, end: FloatArray, centre: FloatArray, px_per_mm: float
) -> float:
    """How far inside the fitted edge something as dark as shadowed table reaches.

    Read as logarithm of light, where a dark card shows against its own shadow; 0 where
    what lies there has not the table's colour or is not darker by far.
    """
    seen = _clipped(start + 0.12 * (end - start), end - 0.12 * (end - start), rgb.shape)
    if seen is None:
        return 0.0
    start, end = seen
    run = (end - start) / max(float(np.hypot(*(end - start))), 1e-9)
    outward = np.array([-run[1], run[0]])
    if outward @ (centre - start) > 0:
        outward = -outward
    t = np.arange(-SHADOW_REACH_MM - 1.0, 2.0, 0.5 / px_per_mm) * px_per_mm
    along = np.linspace(0, 1, 64)[:, None, None] * (end - start)
    at = start + along + t[None, :, None] * outward
    light = np.median(sample_linear(rgb, at[..., 0], at[..., 1]), axis=0)
    log = np.log(light + DARK_FLOOR)
    table = np.median(log[t > 0.8 * px_per_mm], axis=0)
    face = np.median(log[t < -SHADOW_REACH_MM * px_per_mm], axis=0)
    apart = np.linalg.norm(log - face, axis=1)
    other = (apart > MIN_SHADOW_STEP) & (t < 0)
    # from the edge inward, as far as it goes on without a break
    run_length = int(np.argmin(other[t < 0][::-1])) if not other[t < 0].all() else 0
    if run_length < 2:
        return 0.0
    tail = run_length * float(t[1] - t[0])
    between = log[np.abs(t + 0.75 * tail).argmin()]
    darker = between - table
    if darker.max() > np.log(MAX_SHADOW_LIGHT) or np.ptp(darker) > np.log(MAX_SHADOW_TINT):
        return 0.0
    return tail


def _alike(edges: list[EdgeLine]) -> bool:
    """Whether no side is far fainter than its fellows, unless it is very straight."""
    usual = float(np.median([edge.contrast for edge in edges]))
    return all(
        edge.contrast > MIN_CONTRAST_SHARE * usual or edge.rms_px < STRAIGHT_RMS_PX
        for edge in edges
    )


def _is_round(roundness: tuple[float, ...]) -> bool:
    seen = [value for value in roundness if np.isfinite(value)]
    round_ones = sum(value > MIN_ROUNDNESS for value in seen)
    return round_ones >= MIN_ROUND_CORNERS and float(np.mean(seen)) > MIN_MEAN_ROUNDNESS


def _quality(edges: list[EdgeLine], roundness: tuple[float, ...], cost: float) -> float:
    support = [edge.support for edge in edges]
    round_too = float(np.nanmean(roundness))
    return float(np.mean(support) + min(support) + 2 * round_too - 0.05 * cost)


def _are_steps(rgb: Image, px_from_mm: FloatArray) -> bool:
    """Whether face and table differ along the sides, as they don't where lines are drawn.

    For places along each side: the change of colour from 1.2 mm outside to 1.2 mm
    inside, against that and how far the side itself stands out from both.
    """
    shares = []
    along = np.repeat(np.linspace(0.12, 0.88, 96), 3)
    spread = np.tile([-0.3, 0.0, 0.3], 96)
    for n in range(4):
        start, end = CARD_CORNERS_MM[n], CARD_CORNERS_MM[(n + 1) % 4]
        run = (end - start) / np.hypot(*(end - start))
        inward = np.array([-run[1], run[0]])
        line = start + along[:, None] * (end - start)
        face, side, table = (
            _look(rgb, px_from_mm, line + (at + width * spread)[:, None] * inward)
            .reshape(12, -1, 3)
            .mean(axis=1)
            for at, width in ((1.2, 1.0), (0.0, 0.3), (-1.2, 1.0))
        )
        step = np.linalg.norm(face - table, axis=1)
        ridge = np.linalg.norm(side - (face + table) / 2, axis=1)
        shares.append(float(np.median(step / np.maximum(step + 2 * ridge, 1e-6))))
    return float(np.mean(shares)) > MIN_STEP_SHARE


def _to_px(px_from_mm: FloatArray, points_mm: FloatArray) -> FloatArray:
    mapped: FloatArray = cv2.perspectiveTransform(
        np.asarray(points_mm, float).reshape(1, -1, 2), px_from_mm
    )[0]
    return mapped


def _look(rgb: Image, px_from_mm: FloatArray, points_mm: FloatArray) -> Float32Array:
    """Square root of linear light, so that dark cards count like bright ones."""
    at = _to_px(px_from_mm, points_mm.reshape(-1, 2))
    light = sample_linear(rgb, at[:, 0], at[:, 1])
    return np.sqrt(light).reshape(*points_mm.shape[:-1], 3)


def _roundness(rgb: Image, px_from_mm: FloatArray) -> tuple[float, ...]:
    """For each corner: contrast across the arc against contrast across a square corner.

    The wedge between the arc and the square corner is table on a card, and face on a
    thing with square corners: its colour is compared with both its neighbours. NaN for
    a corner out of view.
    """
    values = []
    for n in range(4):
        corner = CARD_CORNERS_MM[n]
        inward = np.sign(np.array([CARD_WIDTH_MM, CARD_HEIGHT_MM]) / 2 - corner)
        tip = _to_px(px_from_mm, corner[None])
        values.append(
            _corner_roundness(rgb, px_from_mm, corner, inward)
            if _in_view(tip, rgb.shape)[0]
            else np.nan
        )
    return tuple(values)


def _corner_roundness(
    rgb: Image, px_from_mm: FloatArray, corner: FloatArray, inward: FloatArray
) -> float:
    """Share of the step from table to face that is made across the arc, 0 to 1."""
    table, between, face = (
        np.median(_look(rgb, px_from_mm, corner + inward * points), axis=0)
        for points in _corner_places_mm()
    )
    over_arc = float(np.linalg.norm(face - between))
    over_corner = float(np.linalg.norm(between - table))
    return over_arc / max(over_arc + over_corner, 1e-6)


@lru_cache(maxsize=1)
def _corner_places_mm() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Where to look at a corner, in mm inward from it: table, wedge beyond the arc, face."""
    at = np.arange(-1.1, CARD_RADIUS_MM, 0.12)
    places = np.stack(np.meshgrid(at, at), axis=-1).reshape(-1, 2)
    least, radius = places.min(axis=1), np.hypot(*(places - CARD_RADIUS_MM).T)
    table = (least < -0.45) & (places.max(axis=1) < 1.0)
    wedge = (least > 0.12) & (radius > CARD_RADIUS_MM + 0.5)
    face = (radius < CARD_RADIUS_MM - 0.6) & (radius > CARD_RADIUS_MM - 2.0)
    return places[table], places[wedge], places[face]


def _outline_mm() -> FloatArray:
    """The card's outline with round corners, 8 points a corner."""
    turn = np.linspace(0, np.pi / 2, 8)
    arcs = []
    for n, (corner, begin) in enumerate(
        zip(CARD_CORNERS_MM, (np.pi, 1.5 * np.pi, 0.0, 0.5 * np.pi), strict=True)
    ):
        inward = np.array([1 if n in (0, 3) else -1, 1 if n in (0, 1) else -1])
        centre = corner + CARD_RADIUS_MM * inward
        angle = begin + turn
        arcs.append(centre + CARD_RADIUS_MM * np.column_stack([np.cos(angle), np.sin(angle)]))
    return np.concatenate(arcs)


def _visible_walls_mm(plane: Plane) -> FloatArray:
    """How wide each side wall shows beyond the face: left, right, upper, lower, in mm.

    A wall shows where the camera stands beyond that side.
    """
    x, y, height = plane.camera_mm
    beyond = np.array([-x, x - CARD_WIDTH_MM, -y, y - CARD_HEIGHT_MM])
    walls: FloatArray = np.maximum(beyond, 0.0) * CARD_THICKNESS_MM / height
    return walls


def _seen_corners_mm(walls_mm: FloatArray) -> FloatArray:
    """Corners of what the edge fit sees: the face and half of each visible wall."""
    left, right, upper, lower = walls_mm / 2
    grow = np.array([[-left, -upper], [right, -upper], [right, lower], [-left, lower]])
    seen: FloatArray = CARD_CORNERS_MM + grow
    return seen


def _wall_doubt(walls_mm: FloatArray, *, u_all_mm: float) -> float:
    """How much visible side walls and all sides alike may have stretched the card, relative.

    The edge found lies somewhere across the wall: rectangular (JCGM 100:2008, 4.3.7).
    """
    sizes = np.array([CARD_WIDTH_MM, CARD_WIDTH_MM, CARD_HEIGHT_MM, CARD_HEIGHT_MM])
    walls = float(np.linalg.norm(walls_mm / np.sqrt(12) / sizes) / 2)
    return float(np.hypot(walls, np.mean(2 * u_all_mm / sizes)))


def _white(rgb: Image, px_from_mm: FloatArray) -> FloatArray | None:
    """Return the light's colour if the card's face is plainly white, else None.

    A coloured card can't tell the light's colour; a white one is bright, even over
    most of its face, and brighter than anything printed.
    """
    x, y = np.meshgrid(
        np.linspace(4, CARD_WIDTH_MM - 4, 40), np.linspace(4, CARD_HEIGHT_MM - 4, 25)
    )
    at = _to_px(px_from_mm, np.column_stack([x.ravel(), y.ravel()]))
    light = sample_linear(rgb, at[:, 0], at[:, 1])
    white = robust_white(light)
    if white is None:
        return None
    even = np.abs(light / np.maximum(white, 1e-6) - 1).max(axis=1) < 0.12
    chroma = float(white.max() / max(white.mean(), 1e-6) - 1)
    if even.mean() < 0.5 or white.mean() < 0.35 or chroma > NEUTRAL_CHROMA:
        return None
    return white
