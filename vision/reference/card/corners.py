"""Is it a card at all: does the edge along its sides go on around round corners?

Whatever runs along the sides, a step or a thin shadow, runs around the arc of a card's corner
as well, and to the tip of a square one; a drawn line runs on beyond. How well a short bit of
edge shows is read off the sides themselves, so that a white card on white paper and a busy one
on wood are judged alike, each by what can be seen of it.
"""

from __future__ import annotations

import numpy as np

from vision.photo.colour import linear_between
from vision.reference.card.geometry import CARD_CORNERS_MM, INWARD, STRAIGHT_FROM_MM, are_in_view
from vision.reference.plane import mapped
from vision.reference.references import CARD_RADIUS_MM
from vision.types import FloatArray, Image

REACH_MM, STEP_MM = 0.7, 0.1  # of a profile, to either side of the edge
BIT_MM = 1.6
"""Length of the bits of edge compared: of an arc's 5.0 mm and of the last 3.2 mm to a tip, what
lies clear of the other."""
LINES = 10  # across a bit
LIKE_SIDES, U_LIKE_SIDES = 0.75, 0.25
"""How much of the sides' edge the arc shows more than the tip on a card, or less on a square
thing, and how much that differs from corner to corner where noise does not count."""
MOST_ODDS = 4.0  # natural log; no corner tells more: something may lie over it


def corner_odds(rgb: Image, px_from_mm: FloatArray) -> FloatArray:
    """``(4,)`` natural log of how much likelier each corner is a card's than a square thing's.

    Args:
        rgb: The photo.
        px_from_mm: Pixels from the card's mm by its sides.

    Returns:
        At most `MOST_ODDS` either way, near 0 where nothing shows, NaN out of view.
    """
    usual, floor, scatter = zip(*(_along(rgb, px_from_mm, n) for n in range(4)), strict=True)
    odds = np.full(4, np.nan)
    for n, (corner, inward) in enumerate(zip(CARD_CORNERS_MM, INWARD, strict=True)):
        if not are_in_view(mapped(corner - 0.5 * inward, px_from_mm), rgb.shape):
            continue
        middle = corner + CARD_RADIUS_MM * inward
        spread = np.linspace(-0.5, 0.5, LINES) * BIT_MM
        angle = np.pi / 4 + spread / CARD_RADIUS_MM
        outward = -inward * np.column_stack([np.cos(angle), np.sin(angle)])
        arc = _changes(rgb, px_from_mm, (middle + CARD_RADIUS_MM * outward)[None], outward[None])
        sides = (n - 1, n)  # one ends here, the next begins
        told = []
        for side in sides:
            run = CARD_CORNERS_MM[(side + 1) % 4] - CARD_CORNERS_MM[side]
            run = run / np.hypot(*run) * (1 if side == n else -1)
            away = np.abs(run[::-1]) * -inward
            at = corner + (BIT_MM / 2 + spread)[:, None] * run
            tip = _changes(rgb, px_from_mm, at[None], np.broadcast_to(away, at.shape)[None])
            share = [_share(bit, usual[side], floor[side])[0] for bit in (arc, tip)]
            told.append((share[0] - share[1], 2 * scatter[side] ** 2))
        more, variance = np.mean(told, axis=0)
        odds[n] = 2 * LIKE_SIDES * more / (variance / 2 + U_LIKE_SIDES**2)
    clipped: FloatArray = np.clip(odds, -MOST_ODDS, MOST_ODDS)
    return clipped


def _along(rgb: Image, px_from_mm: FloatArray, n: int) -> tuple[FloatArray, float, float]:
    """What the edge along side ``n`` looks like, what is there without it, and how its bits vary.

    Returns:
        ``(m,)`` how fast the colour changes across; the same far from the edge; standard
        deviation of a bit's share of the edge.
    """
    start, end = CARD_CORNERS_MM[n], CARD_CORNERS_MM[(n + 1) % 4]
    length = float(np.hypot(*(end - start)))
    run = (end - start) / length
    bits = int((length - 2 * STRAIGHT_FROM_MM) / BIT_MM)
    along = STRAIGHT_FROM_MM + (np.arange(bits * LINES) + 0.5) * BIT_MM / LINES
    at = (start + along[:, None] * run).reshape(bits, LINES, 2)
    seen = are_in_view(mapped(at, px_from_mm), rgb.shape)
    at = at[seen.all(axis=1)]
    outward = np.broadcast_to(np.array([run[1], -run[0]]), at.shape)
    change = _changes(rgb, px_from_mm, at, outward)
    usual = change.mean(axis=0)
    floor = float(np.quantile(usual, 0.25))
    low, high = np.quantile(_share(change, usual, floor), (0.16, 0.84))
    return usual, floor, float(max(high - low, 1e-3)) / 2


def _share(change: FloatArray, usual: FloatArray, floor: float) -> FloatArray:
    """``(bits,)`` how much of a side's edge each bit shows: 1 all, 0 none."""
    edge = np.maximum(usual - floor, 0.0)
    share: FloatArray = (change - floor) @ edge / max(float(edge @ edge), 1e-12)
    return share


def _changes(
    rgb: Image, px_from_mm: FloatArray, at_mm: FloatArray, outward: FloatArray
) -> FloatArray:
    """``(bits, m)`` how fast the colour changes across each bit, its lines averaged first.

    Args:
        rgb: The photo.
        px_from_mm: Pixels from the card's mm.
        at_mm: ``(bits, LINES, 2)`` places on the edge.
        outward: The same shape, unit vectors across it.
    """
    offsets = np.arange(-REACH_MM - STEP_MM, REACH_MM + 1.5 * STEP_MM, STEP_MM)
    places = at_mm[:, :, None] + offsets[:, None] * outward[:, :, None]
    # Square root of light, so that dark cards count like bright ones.
    profile = np.sqrt(linear_between(rgb, mapped(places, px_from_mm))).mean(axis=1)
    change: FloatArray = np.linalg.norm(profile[:, 2:] - profile[:, :-2], axis=2).astype(float)
    return change
