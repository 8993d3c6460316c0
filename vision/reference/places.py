"""Where the surface network sees a reference object, before anybody measures it.

Sizes and outlines come from the edges of the photo (:mod:`vision.reference.card.finding`,
:mod:`vision.reference.coin.discs`), looked for here and nowhere else: a motor's winding far from
any patch was taken for a coin once. On 132 rendered photos the network's patch overlapped the
card's or coin's true outline by 0.8 and more each time, with light and table as they come.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import pi

import cv2
import numpy as np

from vision.reference.references import CARD_HEIGHT_MM, CARD_WIDTH_MM
from vision.types import Float32Array, FloatArray, Surface, SurfaceMap

REFERENCE_P = 0.5  # likelier a reference than anything else

MIN_CELLS = 12
"""A patch of fewer cells of the map is a speck; a coin of 60 px on 12 megapixels has 11."""

ROUND_FILL = (0.62, 0.90)
"""A disc fills pi / 4 = 0.785 of its box."""

ROUND_ASPECT = 1.7
"""Sides of a disc's box under 35 degrees of tilt differ by 1.22, and by a cell or two."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Place:
    """A patch that looks like a reference.

    Attributes:
        box_px: ``(x, y, w, h)`` on the photo.
        centre_px: ``(x, y)`` of its area.
        area_px: Photo pixels it covers.
        sides_px: ``(4, 2)`` where its own four sides meet, good to about a cell; None where it
            has not four.
        card_px: ``(4, 2)`` corners of a card with its middle, direction and area; None where
            it is too long or too square for one.
        discs_px: ``(n, 3)`` middle and radius of discs that it may consist of.
    """

    box_px: tuple[float, float, float, float]
    centre_px: tuple[float, float]
    area_px: float
    sides_px: FloatArray | None = None
    card_px: FloatArray | None = None
    discs_px: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))

    @property
    def is_round(self) -> bool:
        """Whether it may be a coin."""
        _, _, w, h = self.box_px
        low, high = ROUND_FILL
        return max(w, h) < ROUND_ASPECT * min(w, h) and low < self.area_px / (w * h) < high

    @property
    def radius_px(self) -> float:
        """Of the disc with the same area."""
        return float(np.sqrt(self.area_px / pi))


def reference_places(surface: SurfaceMap) -> tuple[Place, ...]:
    """Return the patches that look like a reference, largest first.

    Args:
        surface: The network's map over the whole photo.
    """
    p = surface.p[list(Surface).index(Surface.REFERENCE)]
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        (p > REFERENCE_P).astype(np.uint8), connectivity=4
    )
    rows, columns = p.shape
    left, top, width, height = surface.box_px
    across, down = width / columns, height / rows
    found = []
    for number in range(1, count):
        x, y, w, h, cells = (int(v) for v in stats[number])
        if cells < MIN_CELLS:
            continue
        # A cell counts by its probability: the border runs through the half sure ones.
        near = (slice(max(0, y - 1), y + h + 1), slice(max(0, x - 1), x + w + 1))
        own = cv2.dilate((labels[near] == number).astype(np.uint8), np.ones((3, 3), np.uint8))
        weight = p[near] * own
        total = float(weight.sum())
        rows_at, columns_at = np.indices(weight.shape)
        middle_x = float((weight * columns_at).sum()) / total + near[1].start
        middle_y = float((weight * rows_at).sum()) / total + near[0].start
        pitch = np.array([across, down])
        corner = (left, top) + np.array([near[1].start, near[0].start]) * pitch
        fine = cv2.resize(weight, None, fx=FINER, fy=FINER, interpolation=cv2.INTER_LINEAR)
        sides, card = (
            None if quad is None else corner + (quad + 0.5) / FINER * pitch - 0.5
            for quad in _quads(fine)
        )
        discs = _discs(fine)
        discs[:, :2] = corner + (discs[:, :2] + 0.5) / FINER * pitch - 0.5
        discs[:, 2] *= float(np.sqrt(across * down)) / FINER
        found.append(
            Place(
                box_px=(left + x * across, top + y * down, w * across, h * down),
                centre_px=(
                    left + (middle_x + 0.5) * across - 0.5,
                    top + (middle_y + 0.5) * down - 0.5,
                ),
                area_px=total * across * down,
                sides_px=sides,
                card_px=card,
                discs_px=discs,
            )
        )
    return tuple(sorted(found, key=lambda place: -place.area_px))


FINER = 4  # times that a cell is divided to follow the border between cells
MIN_SHORT_CELLS = 5
LEAST_DISC = 0.4  # of the largest: the coins of a country differ by less
DISCS_APART = 0.5  # of their radii together: discs on one table touch, and hardly lap over
MOMENT_RATIO = (1.15, 2.2)
"""Of length to width, by moments: a card's 1.59 is seen as 1.30 to 1.94 at 35 degrees."""
MIN_FILL = 0.7  # of a quad's area; the photo may cut a corner off
SIDE_ENDS = 0.15  # of a side, where corners are round
SIDE_REACH = 0.2  # of the short side, how far its border may lie from the smallest box's


def _discs(fine: Float32Array) -> FloatArray:
    """``(n, 3)`` middles and radii of discs that may make up a patch, largest first.

    Coins that touch make one patch; where it is widest are their middles.
    """
    inside = np.pad((fine > REFERENCE_P).astype(np.uint8), 1)
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    depth = cv2.GaussianBlur(depth, (0, 0), FINER / 4)[1:-1, 1:-1]
    peak = (depth >= cv2.dilate(depth, np.ones((2 * FINER + 1, 2 * FINER + 1)))) & (depth > FINER)
    rows, columns = np.nonzero(peak)
    found = np.column_stack([columns, rows, depth[rows, columns]]).astype(float)
    kept: list[FloatArray] = []
    for one in found[np.argsort(-found[:, 2])]:
        if kept and one[2] < LEAST_DISC * kept[0][2]:
            break
        if all(np.hypot(*(one - k)[:2]) > DISCS_APART * (one[2] + k[2]) for k in kept):
            kept.append(one)
    return np.array(kept).reshape(-1, 3)


def _quads(fine: Float32Array) -> tuple[FloatArray | None, FloatArray | None]:
    """Corners of the quads that a patch may be: by its sides, and as a card."""
    borders, _ = cv2.findContours(
        (fine > REFERENCE_P).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    if not borders:
        return None, None
    border = max(borders, key=cv2.contourArea)[:, 0].astype(np.float32)
    return _four_sides(border, fine.shape), _as_card(border)


def _four_sides(border: Float32Array, shape: tuple[int, ...]) -> FloatArray | None:
    """``(4, 2)`` corners of the quad with this border, or None where it has no four sides.

    Its smallest box tells which bit of the border is which side; lines through those meet in
    the corners of what may be a rectangle seen from an angle.
    """
    box = cv2.boxPoints(cv2.minAreaRect(border))
    short = float(np.hypot(*(np.roll(box, -1, axis=0) - box).T).min())
    if short < MIN_SHORT_CELLS * FINER:
        return None
    # What the photo cuts off ends on a straight line, and on no side.
    height, width = shape
    inside = ((border > 0) & (border < (width - 1, height - 1))).all(axis=1)
    lines = []
    for n in range(4):
        start, run = box[n], box[(n + 1) % 4] - box[n]
        length = float(np.hypot(*run))
        away = border - start
        along = away @ run / length**2
        across = np.abs(away[:, 0] * run[1] - away[:, 1] * run[0]) / length
        own = inside & (along > SIDE_ENDS) & (along < 1 - SIDE_ENDS) & (across < SIDE_REACH * short)
        if own.sum() < MIN_SHORT_CELLS * FINER // 2:
            return None
        dx, dy, x, y = cv2.fitLine(border[own], cv2.DIST_HUBER, 0, 0.01, 0.01).ravel().tolist()
        lines.append(np.cross([x, y, 1.0], [x + dx, y + dy, 1.0]))
    met = np.array([np.cross(lines[n - 1], lines[n]) for n in range(4)])
    if np.abs(met[:, 2]).min() < 1e-6:
        return None
    corners: FloatArray = met[:, :2] / met[:, 2:]
    fills = cv2.contourArea(border) / max(cv2.contourArea(corners.astype(np.float32)), 1.0)
    return corners if fills > MIN_FILL and cv2.isContourConvex(corners.astype(np.float32)) else None


def _as_card(border: Float32Array) -> FloatArray | None:
    """``(4, 2)`` corners of a card with the middle, direction and area of what the border holds.

    Where card and table are of one colour a patch leaks over a side or stops short of it;
    its moments are moved less by that than its border. None where it is too long or too square.
    """
    told = cv2.moments(border)
    area = told["m00"]
    if area < (MIN_SHORT_CELLS * FINER) ** 2:
        return None
    middle = np.array([told["m10"], told["m01"]]) / area
    spread, axes = np.linalg.eigh(
        np.array([[told["mu20"], told["mu11"]], [told["mu11"], told["mu02"]]])
    )
    low, high = MOMENT_RATIO
    if not low < np.sqrt(spread[1] / max(float(spread[0]), 1e-9)) < high:
        return None
    short = np.sqrt(area * CARD_HEIGHT_MM / CARD_WIDTH_MM)
    half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / 2
    sides = half * (short * CARD_WIDTH_MM / CARD_HEIGHT_MM, short)
    corners: FloatArray = middle + sides @ axes[:, ::-1].T
    return corners
