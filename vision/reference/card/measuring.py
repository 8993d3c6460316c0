"""From four rough corners to a card measured along its sides, or none.

Any card of ISO/IEC 7810 size ID-1 will do. A false card is worse than none, so four straight
sides, the right proportions under a believable lens, and round corners of the right radius are
all asked for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.reference.card.corners import are_steps, is_round, roundness_of
from vision.reference.card.geometry import (
    CARD_CORNERS_MM,
    clipped,
    outline_mm,
    seen_corners_mm,
    square_on,
    to_px,
    visible_walls_mm,
    wall_doubt,
)
from vision.reference.card.shadow import STRAIGHT_FROM_MM, without_rims, without_shadows
from vision.reference.edges import MAX_PROFILES, EdgeLine, fit_edge, intersect
from vision.reference.plane import Lens, Plane, fit_plane
from vision.reference.references import (
    CARD_HEIGHT_MM,
    CARD_WIDTH_MM,
)
from vision.types import FloatArray, Image

MIN_SIDE_SUPPORT = 0.55
# A card's side wall is 0.76 mm high and may be as bright as the face or dark with
# shadow, so that the edge found is the upper or the lower one; the more the lens smears
# wall, contact shadow and face together, the less it tells which. In mm and in blurs, for
# each side apart, and for all four outward alike. Of 38 rendered cards those with blurs
# over 0.25 mm are off by 0.9 % (RMS), the others but three by 0.3 %.
U_EDGE_MM, U_EDGE_BLURS = 0.07, 0.4
U_ALL_EDGES_MM, U_ALL_EDGES_BLURS = 0.05, 0.5
MAX_COST = 8.0  # weighted squared misfit; two degrees of freedom are left
# A side must show about as well as its fellows, or be very straight.
MIN_CONTRAST_SHARE = 0.1
STRAIGHT_RMS_PX = 0.3
ROUGH_PROFILES = 96
# Of the way a side was moved: on a rendered card under the sun a third was still left.
U_SHADOW_SHARE = 0.35


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
    points: tuple[FloatArray, FloatArray, float]


def measured_card(rgb: Image, rough: FloatArray, *, lens: Lens, rough_u_px: float) -> Card | None:
    """Return the card whose corners lie about there, ``(4, 2)`` pixels, or None if it is none."""
    fitted = _fit_sides(rgb, rough, rough_u_px=rough_u_px)
    if fitted is None:
        return None
    return card_of_sides(rgb, *fitted, lens=lens)


def card_of_sides(
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
    roundness = roundness_of(rgb, square_on(corners))
    if not (is_round(roundness) and are_steps(rgb, square_on(corners))):
        return None
    edges, shadows_px = without_shadows(rgb, corners, edges)
    edges, rims_px = without_rims(rgb, edges)
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
        walls = visible_walls_mm(plane)
        corners_mm = seen_corners_mm(walls)
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
        outline_px=to_px(px_from_mm, outline_mm()),
        long_side_px=float((sides[0] + sides[2]) / 2),
        residual_px=float(np.hypot(rms, plane.residual_px)),
        u_edge_rel=wall_doubt(walls, u_all_mm=doubt * u_all_mm),
        roundness=roundness,
        quality=_quality(edges, roundness, cost),
        points=(corners, corners_mm, u_px),
    )


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
            seen = clipped(start + inset, end - inset, rgb.shape)
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


def _alike(edges: list[EdgeLine]) -> bool:
    """Whether no side is far fainter than its fellows, unless it is very straight."""
    usual = float(np.median([edge.contrast for edge in edges]))
    return all(
        edge.contrast > MIN_CONTRAST_SHARE * usual or edge.rms_px < STRAIGHT_RMS_PX
        for edge in edges
    )


def _quality(edges: list[EdgeLine], roundness: tuple[float, ...], cost: float) -> float:
    support = [edge.support for edge in edges]
    round_too = float(np.nanmean(roundness))
    return float(np.mean(support) + min(support) + 2 * round_too - 0.05 * cost)
