"""Which straight edges run along a side of a card, and which four of them make its shape?

A white card on white paper leaves a step of a few codes, and the line of its shadow. In one
profile that drowns in noise; along a whole side it does not, since it changes toward the same
colour everywhere. So lines are judged by the mean change of colour along them.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from vision.reference.card.geometry import STRAIGHT_FROM_MM, clipped
from vision.reference.edges import average_blocks, frame_of, profiles_across
from vision.reference.plane import Lens
from vision.reference.references import CARD_HEIGHT_MM, CARD_WIDTH_MM
from vision.types import FloatArray, Image

SLOPE_SHARE = 0.7  # of the reach, by how much their ends may differ in it
BLOCKS = 24  # along a side
PROFILES = 240
STEPS = 64  # places tried across; never finer than a pixel
SAME_MM = 0.3  # nearer lines are one edge
BESIDE_MM = 0.5  # what changes as fast so far off on both sides is a soft shadow, no edge
MIN_NOISE = 3e-4  # of the root of light, mean along a side: codes are whole numbers
MOST_LINES = 4
MIN_CLEARNESS = 4.5
"""In standard deviations of what other lines nearby show by chance. With 4.0 a white card in the
tests' drawings came out 3.7 % off, with 5.0 one more of 35 rendered ones is not found."""
U_SHAPE = 0.006
"""Of ratio and right angle as one edge's place, 0.3 mm of 54, leaves them."""
MOST_SHAPES = 5
STRIP_MM, OPPOSITE, STRIP_SHARE = 1.8, -0.5, 0.4
"""A strip is this narrow, its borders change in opposite senses and are clear by this much of
each other: 0.76 mm of card in the sun cast a shadow of up to 1.7 mm at 25 degrees. The outer
border is a shadow, or light on the card's wall, and next to never printed along the very edge."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """A straight edge near a side.

    Attributes:
        start: ``(2,)`` pixels, a point of it near the side's start.
        end: ``(2,)`` near its end.
        toward: ``(3,)`` unit direction in which the colour changes across it, to the left;
            zero where it changes differently along it.
        clearness: Its change against what lines nearby show by chance.
    """

    start: FloatArray
    end: FloatArray
    toward: FloatArray
    clearness: float


def lines_near(rgb: Image, corners: FloatArray, n: int, *, reach_mm: float) -> list[Line]:
    """The clearest edges along side ``n`` of a quad of rough corners, clearest first.

    Outer borders of narrow strips are left out.

    Args:
        rgb: The photo.
        corners: ``(4, 2)`` pixels, clockwise, a long side first.
        n: Which side.
        reach_mm: How far from the rough side they may lie.
    """
    start, end = corners[n], corners[(n + 1) % 4]
    length_mm = (CARD_WIDTH_MM, CARD_HEIGHT_MM)[n % 2]
    px_per_mm = float(np.hypot(*(end - start))) / length_mm
    inset = (end - start) * STRAIGHT_FROM_MM / length_mm
    seen = clipped(start + inset, end - inset, rgb.shape)
    if seen is None:
        return []
    samples, s, t = profiles_across(
        rgb, *seen, half_width_px=max(reach_mm * px_per_mm, 9.0), profiles=PROFILES
    )
    blocks = np.sqrt(average_blocks(samples, s, BLOCKS)[0])
    samples_a_mm = px_per_mm / float(t[1] - t[0])
    ends, clear, toward = _judged(blocks[:, 2:] - blocks[:, :-2], samples_a_mm)
    _, left = frame_of(*seen)
    chosen = _distinct(ends, clear, apart=SAME_MM * samples_a_mm)
    return [
        Line(
            start=seen[0] + t[ends[k, 0] + 1] * left,
            end=seen[1] + t[ends[k, 1] + 1] * left,
            toward=toward[k],
            clearness=float(clear[k]),
        )
        for k in chosen
        if not any(
            0 < float(np.mean(ends[m] - ends[k])) < STRIP_MM * samples_a_mm
            and toward[m] @ toward[k] < OPPOSITE
            and clear[m] > STRIP_SHARE * clear[k]
            for m in chosen
        )
    ]


def _judged(
    change: FloatArray, samples_a_mm: float
) -> tuple[NDArray[np.intp], FloatArray, FloatArray]:
    """Every line through ``(blocks, m, 3)`` changes across a side, and how clear an edge it is.

    Returns:
        ``(n, 2)`` indices where a line crosses the first and the last block, ``(n,)`` its
        clearness, ``(n, 3)`` toward which colour it changes, zero where toward several.
    """
    count = len(change)
    ends = _ends(change.shape[1])
    at = (np.arange(count) + 0.5) / count
    # Blocks first: sums over the first axis take a third of the time.
    path = np.rint(ends[:, 0] * (1 - at)[:, None] + ends[:, 1] * at[:, None]).astype(int)
    rows, beside = np.arange(count)[:, None], max(1, round(BESIDE_MM * samples_a_mm))
    on = _peaks(change, beside)[rows, path]  # block, line, colour
    mean = on.mean(axis=0)
    size = np.linalg.norm(mean, axis=1)
    clear = size / _standard_error(on)
    # Beside a clear edge the peaks' own foot looks like one, of the other sense.
    plain = change[rows, path].mean(axis=0)
    clear[np.sum(plain * mean, axis=1) < 0.5 * size**2] = 0.0
    on = _peaks(np.linalg.norm(change, axis=2, keepdims=True), beside)[rows, path]
    clear_any = on.mean(axis=0)[:, 0] / _standard_error(on)
    toward = mean / np.maximum(size, 1e-12)[:, None] * (clear > 0.5 * clear_any)[:, None]
    return ends, np.maximum(clear, clear_any), toward


def _distinct(ends: NDArray[np.intp], clear: FloatArray, *, apart: float) -> list[int]:
    """The clearest lines that neither cross a clearer one nor run close by it."""
    chosen: list[int] = []
    for k in np.argsort(-clear):
        if clear[k] < MIN_CLEARNESS or len(chosen) == MOST_LINES:
            break
        off = ends[k] - ends[chosen].reshape(-1, 2)
        if not (np.minimum(off.max(axis=1), -off.min(axis=1)) > -apart).any():
            chosen.append(int(k))
    return chosen


def _ends(width: int) -> NDArray[np.intp]:
    """``(n, 2)`` where lines cross the first and the last profile, as indices into them."""
    at = np.arange(0, width, max(1, width // STEPS))
    first, last = (grid.ravel() for grid in np.meshgrid(at, at, indexing="ij"))
    near = np.abs(last - first) < SLOPE_SHARE * width / 2
    ends: NDArray[np.intp] = np.column_stack([first, last])[near]
    return ends


def _peaks(change: FloatArray, beside: int) -> FloatArray:
    """How much faster the colour changes than on either side: soft shadows change all over."""
    padded = np.pad(change, ((0, 0), (beside, beside), (0, 0)), mode="edge")
    peaks: FloatArray = change - 0.5 * (padded[:, : -2 * beside] + padded[:, 2 * beside :])
    return peaks


def _standard_error(on: FloatArray) -> FloatArray:
    """Of the mean of each line's blocks, all colours together, ``(lines,)``."""
    variance: FloatArray = on.var(axis=0).sum(axis=1) / len(on)
    return np.sqrt(variance + MIN_NOISE**2)


def shapes(choices: list[list[Line]], lens: Lens) -> list[tuple[FloatArray, tuple[Line, ...]]]:
    """The combinations of a line a side that are likeliest a card's, best first.

    Args:
        choices: Lines of each of the four sides.
        lens: What is known of the lens.

    Returns:
        Corners ``(4, 2)`` in order, and the lines.
    """
    tried = list(product(*choices))
    if not tried:
        return []
    starts = np.array([[line.start for line in four] for four in tried])
    ends = np.array([[line.end for line in four] for four in tried])
    corners = _meet(np.roll(starts, 1, axis=1), np.roll(ends, 1, axis=1), starts, ends)
    clear = np.array([[line.clearness for line in four] for four in tried])
    merit = np.log(clear).sum(axis=1) - 0.5 * (out_of_shape(corners, lens) / U_SHAPE) ** 2
    order = np.argsort(-merit)[:MOST_SHAPES]
    return [(corners[k], tried[k]) for k in order]


def _meet(p: FloatArray, q: FloatArray, r: FloatArray, s: FloatArray) -> FloatArray:
    """Where the lines through p, q and r, s meet, ``(..., 2)``."""
    one, two = q - p, s - r
    turn = one[..., 0] * two[..., 1] - one[..., 1] * two[..., 0]
    away = r - p
    share = (away[..., 0] * two[..., 1] - away[..., 1] * two[..., 0]) / np.where(
        np.abs(turn) < 1e-9, 1e-9, turn
    )
    met: FloatArray = p + share[..., None] * one
    return met


def out_of_shape(corners: FloatArray, lens: Lens) -> FloatArray:
    """How far ``(n, 4, 2)`` quads are from a card seen through the lens, ``(n,)``.

    Log of the ratio of sides and cosine of the angle between them, together, of the
    rectangle that the corners are the picture of (Zhang and He, 2007, Whiteboard scanning and
    image enhancement, section 4: the sides' vanishing points under a known focal length).
    """
    rays = np.concatenate(
        [(corners - lens.centre_px) / lens.focal_px, np.ones((*corners.shape[:-1], 1))], axis=-1
    )
    a, b, c, d = np.moveaxis(rays, 1, 0)
    # depths of the corners but for a common factor: a rectangle's diagonals halve each other
    depth_b = np.sum(np.cross(a, c) * d, axis=1) / np.sum(np.cross(b, c) * d, axis=1)
    depth_d = np.sum(np.cross(a, c) * b, axis=1) / np.sum(np.cross(d, c) * b, axis=1)
    long, short = depth_b[:, None] * b - a, depth_d[:, None] * d - a
    sides = np.linalg.norm(long, axis=1), np.linalg.norm(short, axis=1)
    cosine = np.sum(long * short, axis=1) / (sides[0] * sides[1])
    ratio = np.log(sides[0] / sides[1] * CARD_HEIGHT_MM / CARD_WIDTH_MM)
    off: FloatArray = np.hypot(ratio, cosine)
    return off
