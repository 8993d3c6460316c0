"""From four rough corners to a card measured along its sides, or none.

Any card of ISO/IEC 7810 size ID-1 will do. A false card is worse than none, so four straight
sides, the right proportions under a believable lens, and round corners of the right radius are
all asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision.reference.card.corners import corner_odds
from vision.reference.card.geometry import (
    CARD_CORNERS_MM,
    STRAIGHT_FROM_MM,
    clipped,
    outline_mm,
    seen_corners_mm,
    visible_walls_mm,
    wall_doubt,
)
from vision.reference.card.sides import Line
from vision.reference.edges import MAX_PROFILES, EdgeLine, fit_edge, intersect
from vision.reference.plane import Lens, Plane, fit_plane, from_corners, mapped
from vision.reference.references import (
    CARD_HEIGHT_MM,
    CARD_WIDTH_MM,
)
from vision.types import FloatArray, Image

MIN_SIDE_SUPPORT = 0.4  # rendered cards: 0.41 and more, white ones on white paper mostly over 0.8
# Natural log, shape and all corners together. Of 79 cards on rendered photos 71 get 2.7 and more,
# with corners out of view too; what lies on 173 others and on 362 real photos without a card gets
# -0.6 at most. Of 40 drawn papers cut square to a card's size, on five tables, 38 are
# refused, most at -14 to -16.
MIN_ODDS = 2.0
NEAR_MM = 0.45  # how far the edge may lie from its line, which is good to 0.2 mm
# A card's side wall is 0.76 mm high and may be as bright as the face or dark with
# shadow, so that the edge found is the upper or the lower one; the more the lens smears
# wall, contact shadow and face together, the less it tells which. In mm and in blurs, for
# each side apart, and for all four outward alike. Of 38 rendered cards those with blurs
# over 0.25 mm are off by 0.9 % (RMS), the others but three by 0.3 %.
U_EDGE_MM, U_EDGE_BLURS = 0.07, 0.4
U_ALL_EDGES_MM, U_ALL_EDGES_BLURS = 0.05, 0.5
ROUGH_PROFILES = 96


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Card:
    """A card as found.

    Attributes:
        plane: The plane of its upper face; mm from its upper left corner, long side first.
        outline_px: ``(n, 2)`` outline with its round corners.
        long_side_px: Mean length of the long sides.
        residual_px: RMS of edge points about the fitted sides, misfit of corners included.
        u_edge_rel: What the doubt about upper or lower edge adds to the scale.
        log_odds: How much likelier a card than anything else: its corners, less half the
            weighted squared misfit of its shape.
        points: The corners the plane rests on in pixels, the same in mm, and the standard
            uncertainty of a coordinate in pixels.
    """

    plane: Plane
    outline_px: FloatArray
    long_side_px: float
    residual_px: float
    u_edge_rel: float
    log_odds: float
    points: tuple[FloatArray, FloatArray, float]


def card_of_lines(
    rgb: Image, rough: FloatArray, lines: Sequence[Line], *, lens: Lens
) -> Card | None:
    """The card with these sides, or None where they are no card's.

    Args:
        rgb: The photo.
        rough: ``(4, 2)`` where the sides meet, pixels.
        lines: The sides in order.
        lens: What is known of the lens.
    """
    fitted = _fit_sides(rgb, rough, lines)
    if fitted is None:
        return None
    corners, edges = fitted
    odds = float(np.nansum(corner_odds(rgb, from_corners(CARD_CORNERS_MM, corners))))
    if odds < MIN_ODDS:
        return None
    met = [intersect(edges[n - 1], edges[n]) for n in range(4)]
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    px_per_mm = float(sides.sum()) / (2 * (CARD_WIDTH_MM + CARD_HEIGHT_MM))
    u_meet_px = float(np.sqrt(np.mean([u**2 for _, u in met])))
    blur_px = float(np.median([edge.blur_px for edge in edges]))
    u_edge_px = float(np.hypot(U_EDGE_MM * px_per_mm, U_EDGE_BLURS * blur_px))
    u_px = float(np.hypot(u_edge_px, u_meet_px))
    try:
        plane = fit_plane(corners, CARD_CORNERS_MM, u_px=u_px, lens=lens)
        walls = visible_walls_mm(plane)
        corners_mm = seen_corners_mm(walls)
        plane = fit_plane(corners, corners_mm, u_px=u_px, lens=lens)
    except np.linalg.LinAlgError:
        return None
    log_odds = odds - plane.cost / 2
    if log_odds < MIN_ODDS:
        return None
    u_all_mm = float(np.hypot(U_ALL_EDGES_MM, U_ALL_EDGES_BLURS * blur_px / px_per_mm))
    px_from_mm = np.linalg.inv(plane.mm_from_px)
    rms = float(np.sqrt(np.mean([edge.rms_px**2 for edge in edges])))
    return Card(
        plane=plane,
        outline_px=mapped(outline_mm(), px_from_mm),
        long_side_px=float((sides[0] + sides[2]) / 2),
        residual_px=float(np.hypot(rms, plane.residual_px)),
        u_edge_rel=wall_doubt(walls, u_all_mm=u_all_mm),
        log_odds=log_odds,
        points=(corners, corners_mm, u_px),
    )


def _fit_sides(
    rgb: Image, rough: FloatArray, lines: Sequence[Line]
) -> tuple[FloatArray, list[EdgeLine]] | None:
    """Fit the straight part of all four sides, first for their common blur, then closely."""
    corners, edges, blur_px = rough, list[EdgeLine](), np.inf
    lengths_mm = (CARD_WIDTH_MM, CARD_HEIGHT_MM) * 2
    for profiles in (ROUGH_PROFILES, MAX_PROFILES):
        edges = []
        for n, line in enumerate(lines):
            start, end = corners[n], corners[(n + 1) % 4]
            px_per_mm = float(np.hypot(*(end - start))) / lengths_mm[n]
            inset = (end - start) * STRAIGHT_FROM_MM / lengths_mm[n]
            seen = clipped(start + inset, end - inset, rgb.shape)
            if seen is None:
                return None
            edge = fit_edge(
                rgb,
                *seen,
                half_width_px=max(NEAR_MM * px_per_mm, 4.0),
                max_blur_px=blur_px,
                profiles=profiles,
                toward=line.toward if line.toward.any() else None,
            )
            if edge is None or edge.support < MIN_SIDE_SUPPORT:
                return None
            edges.append(edge)
        blur_px = 1.2 * float(np.median([edge.blur_px for edge in edges]))
        try:
            corners = np.array([intersect(edges[n - 1], edges[n])[0] for n in range(4)])
        except np.linalg.LinAlgError:
            return None
    return corners, edges
