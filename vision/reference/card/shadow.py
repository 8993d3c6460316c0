"""Which of a card's sides were taken on its shadow's edge, and how far out is that?"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision.reference.card.geometry import (
    CARD_CORNERS_MM,
    MIN_SEEN_SHARE,
    are_in_view,
    clipped,
    square_on,
    to_px,
)
from vision.reference.card.rims import profile_places_mm, strips_mm
from vision.reference.edges import EdgeLine, intersect, sample_linear
from vision.reference.references import (
    CARD_HEIGHT_MM,
    CARD_WIDTH_MM,
)
from vision.types import FloatArray, Image

STRAIGHT_FROM_MM = 5.0  # corner radius at most 3.48 mm, and some room
# A hard shadow on the table: 0.76 mm of card under a light 25 degrees high.
SHADOW_REACH_MM = 1.7
MIN_SHADOW_STEP = 0.5  # of log light, all colours together, between card and shadow
MAX_SHADOW_LIGHT = 0.5  # of the open table's
MAX_SHADOW_TINT = 1.9  # open sky fills a shadow with bluer light
RIM_BLOCKS, RIM_LINES = 12, 8  # lines across a side, averaged in blocks
DARK_FLOOR = 0.004  # linear light; below, a photo's codes are noise
MIN_SHADOW_MM = 0.25


def without_shadows(
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


def without_rims(rgb: Image, edges: list[EdgeLine]) -> tuple[list[EdgeLine], list[float]]:
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
    at_px = to_px(square_on(corners), at.reshape(-1, 2)).reshape(at.shape)
    in_view = are_in_view(at_px, rgb.shape).reshape(RIM_BLOCKS, -1).all(axis=1)
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
    seen = clipped(start + 0.12 * (end - start), end - 0.12 * (end - start), rgb.shape)
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
