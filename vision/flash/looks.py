"""What a strip looks like in numbers: how bright, what colour at each brightness, how wide.

Everything is of all pixels together or sorted by brightness, so that two photos need not align.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from vision.flash.types import LitStrip
from vision.types import Float32Array, FloatArray, Mask

PARTS = (0.0, 0.1, 0.25, 0.5, 0.7, 0.85, 0.93, 0.97, 0.99, 1.0)
"""Pixels of a strip sorted by brightness are told of in these parts, finer the brighter."""

ACROSS, ALONG = 12, 12
"""Places across and along a strip at which its brightest rows are told of."""

MOST_COLUMNS = 72
"""A broader strip is averaged down: the model learned from pieces of 10 to 64 pixels."""

ROWS_A_COLUMN = 3.0
"""A strip is judged over so many times its breadth, where the flash is brightest."""

DARKEST = 1e-3
"""Linear light below which a pixel shows noise; of white 1."""

FEATURES = 4 * (len(PARTS) - 1) + 8 + 3 * ACROSS + ALONG + 9


def section(strip: LitStrip, rows: slice) -> LitStrip:
    """Return some rows of a strip, averaged down where it is broad."""
    light, clipped = strip.light[rows], strip.clipped[rows]
    times = -(-light.shape[1] // MOST_COLUMNS)
    if times > 1:
        h, w = (side // times * times for side in light.shape[:2])
        shape = (h // times, times, w // times, times)
        with np.errstate(invalid="ignore"):
            light = light[:h, :w].reshape(*shape, 3).mean(axis=(1, 3))
        clipped = clipped[:h, :w].reshape(shape).mean(axis=(1, 3)) > 0.5
    return LitStrip(light=light, clipped=np.asarray(clipped), white_known=strip.white_known)


def brightest_rows(strip: LitStrip) -> slice:
    """Return the rows about where a strip is brightest, as many as are judged."""
    rows, columns = strip.clipped.shape
    length = int(min(rows, max(8, round(ROWS_A_COLUMN * columns))))
    bright = np.nan_to_num(np.where(strip.clipped, 1.5, brightness(strip.light)))
    by_row = np.sort(bright, axis=1)[:, -max(1, columns // 8) :].mean(axis=1)
    summed = np.convolve(by_row, np.ones(max(1, length // 2)), mode="same")
    first = int(np.clip(summed.argmax() - length // 2, 0, rows - length))
    return slice(first, first + length)


def brightness(light: Float32Array) -> Float32Array:
    """Return one number a pixel for how bright it is, half of it green."""
    return np.asarray(light @ np.array([0.25, 0.5, 0.25], np.float32))


def looks(strip: LitStrip) -> Float32Array | None:
    """Return ``(FEATURES,)`` numbers of a section of a strip, None where too little shows."""
    light, clipped = strip.light, strip.clipped
    known = np.asarray(np.isfinite(light).all(axis=-1))
    if (known & ~clipped).sum() < 40:
        return None
    safe = np.where(known[..., None], np.maximum(light, 0), 0)
    bright = np.where(known, brightness(safe) + clipped, -1.0)
    middle = float(np.median(bright[known]))
    zero = np.log(middle + DARKEST)
    parts, means = _by_brightness(safe, bright, known, clipped)
    told = [
        np.log(parts[:, 0] + DARKEST) - zero,
        parts[:, 1],
        parts[:, 2],
        parts[:, 3],
        *(_added(means[a], means[b]) for a, b in ((8, 4), (7, 4), (8, 6), (6, 3))),
        _across(safe, bright, known, zero),
        _along(bright, known, zero),
        _spread(bright, known),
        [zero if strip.white_known else 0.0, float(strip.white_known)],
        [np.log(max(strip.clipped.shape[1], 1)), clipped[known].mean()],
    ]
    return np.concatenate([np.ravel(part) for part in told]).astype(np.float32)


def _ratios(colour: FloatArray) -> FloatArray:
    """Return the logarithms of red and blue over green, ``(..., 2)``, held to a factor of 8."""
    colour = colour + DARKEST
    logs = np.log(colour[..., [0, 2]]) - np.log(colour[..., [1]])
    return np.asarray(np.clip(logs, -2.1, 2.1))


def _by_brightness(
    light: Float32Array, bright: Float32Array, known: Mask, clipped: Mask
) -> tuple[FloatArray, FloatArray]:
    """Return ``(parts, 4)`` brightness, red and blue over green, share clipped; mean colours."""
    order = np.argsort(bright[known], kind="stable")
    colour, burnt = light[known][order], clipped[known][order]
    n = len(order)
    rows, means = [], []
    before = colour[n // 2]
    for low, high in pairwise(PARTS):
        own = slice(min(int(low * n), n - 1), max(int(high * n), int(low * n) + 1))
        shown = ~burnt[own]
        mean = colour[own][shown].mean(axis=0) if shown.any() else before
        rows.append([brightness(mean), *_ratios(mean), burnt[own].mean()])
        means.append(mean)
        before = mean
    return np.array(rows), np.array(means)


def _added(high: FloatArray, low: FloatArray) -> FloatArray:
    """Return the colour of what a brighter part has more than a darker one (Healey 1989)."""
    more = high - low
    if more[1] < 0.05 * low[1] + DARKEST:
        return np.zeros(2)
    return _ratios(np.maximum(more, 0))


def _across(light: Float32Array, bright: Float32Array, known: Mask, zero: float) -> FloatArray:
    """Return brightness and colour at places across, over the brighter half of the rows."""
    top = np.where(known, bright, 0).max(axis=1)
    rows = top >= np.median(top)
    y, x = np.nonzero(known & rows[:, None])
    left = np.where(known, np.arange(known.shape[1]), known.shape[1]).min(axis=1)
    count = np.maximum(known.sum(axis=1), 1)
    place = np.clip(((x - left[y]) / count[y] * ACROSS).astype(int), 0, ACROSS - 1)
    number = np.bincount(place, minlength=ACROSS)
    colour = np.stack(
        [np.bincount(place, light[y, x, c], minlength=ACROSS) for c in range(3)], axis=-1
    ) / np.maximum(number, 1)[:, None]  # fmt: skip
    colour = np.where(number[:, None] > 0, colour, colour[number > 0].mean(axis=0))
    level = np.log(brightness(colour) + DARKEST) - zero
    return np.concatenate([level, _ratios(colour).T.ravel()])


def _along(bright: Float32Array, known: Mask, zero: float) -> FloatArray:
    """Return the rows' brightest points, sorted, at places of equal share."""
    top = np.sort(np.where(known, bright, 0).max(axis=1)[known.any(axis=1)])
    at = np.linspace(0, len(top) - 1, ALONG)
    return np.asarray(np.log(np.interp(at, range(len(top)), top) + DARKEST) - zero)


def _spread(bright: Float32Array, known: Mask) -> FloatArray:
    """Return how much of the strip is nearly as bright as its brightest, and how wide across."""
    peak = float(np.quantile(bright[known], 0.995))
    shares = [(bright[known] > share * peak).mean() for share in (0.5, 0.25)]
    rows = known.any(axis=1)
    tops = np.where(known, bright, 0).max(axis=1)[rows]
    half = (np.where(known, bright, 0)[rows] > 0.5 * tops[:, None]).sum(axis=1)
    width = half / np.maximum(known[rows].sum(axis=1), 1)
    return np.array([*shares, *np.quantile(width, [0.1, 0.5, 0.9])])
