"""Which points of a photo could be the centres of round things?

On copies of the photo reduced by octaves every edge pixel votes for the centres it could
belong to (fast radial symmetry, Loy & Zelinsky, IEEE PAMI 25(8), 2003, with both directions
of contrast).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.types import FloatArray, Image

BASE_LONG_SIDE_PX = 832
OCTAVES = 5
VOTE_RADII_PX = (8.0, 9.0, 10.2, 11.5, 13.0, 14.7, 16.6)  # one octave in steps of 13 %
VOTE_FLOOR = 10.0  # grey levels per pixel: over JPEG noise of reduced copies
VOTE_BLUR_PX = 1.3  # a circle seen at 30 degrees spreads its centre by 7 % of its radius
VOTES_KEPT = 40  # per octave
MIN_VOTE = 0.28  # share of the circumference that votes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """A centre that many edges vote for, full-resolution pixels."""

    x: float
    y: float
    r: float
    votes: float


def octaves_of(rgb: Image) -> list[tuple[float, Image]]:
    """Reduced copies with the factor to full resolution, finest first."""
    long_side = max(rgb.shape[:2])
    factor = max(1, -(-long_side // BASE_LONG_SIDE_PX))
    height, width = rgb.shape[0] // factor, rgb.shape[1] // factor
    base = rgb[: height * factor, : width * factor]
    if factor > 1:
        base = cv2.resize(base, (width, height), interpolation=cv2.INTER_AREA)
    levels = [(float(factor), base)]
    while len(levels) < OCTAVES and min(levels[-1][1].shape[:2]) >= 64:
        scale, image = levels[-1]
        h, w = image.shape[0] // 2, image.shape[1] // 2
        half = cv2.resize(image[: 2 * h, : 2 * w], (w, h), interpolation=cv2.INTER_AREA)
        levels.append((scale * 2, half))
    return levels


def _edge_pixels(image: Image) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Ridge pixels of the gradient: x, y and its unit direction.

    Of each pixel the channel with the strongest gradient counts, so that a brass
    coin on wood of the same lightness still has an outline.
    """
    best = np.zeros(image.shape[:2], np.int16)
    gx, gy = np.zeros_like(best), np.zeros_like(best)
    for channel in cv2.split(image):
        x, y = cv2.Scharr(channel, cv2.CV_16S, 1, 0), cv2.Scharr(channel, cv2.CV_16S, 0, 1)
        size = np.abs(x) + np.abs(y)
        stronger = size > best
        np.copyto(best, size, where=stronger)
        np.copyto(gx, x, where=stronger)
        np.copyto(gy, y, where=stronger)
    ax, ay = np.abs(gx), np.abs(gy)
    beside = np.maximum(np.roll(best, 1, 1), np.roll(best, -1, 1))
    above = np.maximum(np.roll(best, 1, 0), np.roll(best, -1, 0))
    ridge = (best >= np.where(ax > ay, beside, above)) & (best > 16 * VOTE_FLOOR)
    ridge[0], ridge[-1], ridge[:, 0], ridge[:, -1] = False, False, False, False
    rows, columns = np.nonzero(ridge)
    fx, fy = gx[rows, columns].astype(np.float64), gy[rows, columns].astype(np.float64)
    length = np.hypot(fx, fy)
    return columns.astype(np.float64), rows.astype(np.float64), fx / length, fy / length


def vote_for_centres(image: Image) -> list[Candidate]:
    """Centres of round things whose radius at this octave is 8 to 17 px."""
    h, w = image.shape[:2]
    x, y, ux, uy = _edge_pixels(cv2.GaussianBlur(image, (0, 0), 0.8))
    if len(x) == 0:
        return []
    pad = int(VOTE_RADII_PX[-1]) + 2
    ww, hh = w + 2 * pad, h + 2 * pad
    planes = np.empty((len(VOTE_RADII_PX), hh, ww), np.float32)
    for k, r in enumerate(VOTE_RADII_PX):
        # Both directions of contrast: a rim may be dark on one side and bright on the other.
        cells = np.concatenate(
            [
                np.rint(y + (pad + sign * r * uy)).astype(np.int64) * ww
                + np.rint(x + (pad + sign * r * ux)).astype(np.int64)
                for sign in (-1.0, 1.0)
            ]
        )
        plane = np.bincount(cells, minlength=hh * ww).reshape(hh, ww).astype(np.float32)
        # 2 pi r votes on one spot are a full circle.
        planes[k] = cv2.GaussianBlur(plane, (0, 0), VOTE_BLUR_PX)
        planes[k] *= VOTE_BLUR_PX**2 / r
    best = planes.max(axis=0)
    peak = (best >= cv2.dilate(best, np.ones((7, 7), np.uint8))) & (best > MIN_VOTE)
    rows, columns = np.nonzero(peak)
    order = np.argsort(-best[rows, columns])[:VOTES_KEPT]
    found = []
    for row, column in zip(rows[order], columns[order], strict=True):
        k = int(planes[:, row, column].argmax())
        cx, cy = float(column - pad), float(row - pad)
        if 0 <= cx < w and 0 <= cy < h:
            votes = float(best[row, column])
            found.append(Candidate(x=cx, y=cy, r=VOTE_RADII_PX[k], votes=votes))
    return found


def merged(candidates: list[Candidate], *, near: float = 0.35) -> list[Candidate]:
    """Drop candidates that lie on a better one of like size."""
    kept: list[Candidate] = []
    for c in sorted(candidates, key=lambda c: -c.votes):
        if not any(
            np.hypot(c.x - k.x, c.y - k.y) < near * min(c.r, k.r) and 0.6 < c.r / k.r < 1.67
            for k in kept
        ):
            kept.append(c)
    return kept
