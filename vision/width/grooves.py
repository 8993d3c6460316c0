"""Does the surface of a long piece look like strands? Numbers that tell, and the odds.

Works on a straightened strip, brought to one width, window by window. Strands are fine
lines that cross the axis all at one slant; a solid wire or tube shows its round shape and
a highlight that run on along the axis, and stains that favour no slant. So what counts is
the part of the light that is not constant along the piece, its slant and handedness, how
soon one cross-section forgets another, and whether the rhythm of a lay is in it
(:mod:`vision.width.lay`). The odds are a logistic regression on rendered photos
(``python -m models.recipe.strips.strand_look``); where pixels are few the numbers themselves
grow weak, and the odds fall back to about even.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import log, sqrt

import cv2
import numpy as np

from vision.types import Float32Array, FloatArray
from vision.width.lay import Lay, read_lay

ODDS_FILE = "strand_look.npz"
"""Constants of the odds, in ``vision/data``; fitted by ``models.recipe.strips.strand_look``."""

BLIND_PX, CLEAR_PX = 5.0, 14.0
"""Below the first width the look says nothing; from the second on it counts in full.
On renders the numbers part solid from stranded no better than chance under 8 px."""

MOST_LOG_ODDS = 5.0
"""No look is surer than 150 to 1: the renders it was fitted on hold fewer pieces."""

ACROSS = 24
"""Pixels a diameter at which strips are judged."""

WINDOW_DIAMETERS = 4
"""Length of one window: short enough that a stain or a bend spoils only its own."""

HALF_USED = 0.40
"""Columns within this share of the diameter from the middle; edges belong to the table."""

SLANT_DEG = (5.0, 50.0)
"""Slant of what may be strands: 7 to 24 degrees for lays of 7 to 20 diameters, more in
loose bunches. Drawing marks run at 0, bands and bends at 90."""

BANDS_DEG = 65.0
"""Lines that run across the piece within 25 degrees: turns of a close-wound coil."""

NAMES = (
    "slanted",
    "handed",
    "contrast",
    "coherence",
    "oblique",
    "forgets_quarter",
    "forgets_one",
    "fine_across",
    "banded",
    "lay",
    "lay_lead",
)
"""What :func:`numbers` returns, in order."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """What the surface of a straightened piece looks like.

    Attributes:
        numbers: ``(len(NAMES),)``.
        lay: The rhythm of its grooves, None where the strip is too short for one.
    """

    numbers: FloatArray
    lay: Lay | None

    @property
    def banded(self) -> float:
        """Share of the structure that runs across the piece."""
        return float(self.numbers[NAMES.index("banded")])


def look_of(strip: Float32Array, *, width_px: float) -> Look | None:
    """Return the look of a straightened strip, None where it is too short.

    Args:
        strip: ``(n, m, 3)`` linear light along the piece and across it.
        width_px: Width of the piece in the strip's pixels.
    """
    grey = contrast_channel(strip)
    lay = read_lay(grey, width_px=width_px)
    seen = numbers(grey, width_px=width_px, lay=lay)
    return Look(numbers=seen, lay=lay) if seen is not None else None


def contrast_channel(strip: Float32Array) -> Float32Array:
    """The channel whose light varies most against its mean: grooves are dark in all."""
    mean = np.maximum(strip.mean(axis=(0, 1)), 1e-4)
    return np.asarray(strip[..., int(np.argmax(strip.std(axis=(0, 1)) / mean))], np.float32)


def clearness(width_px: float) -> float:
    """Return how much a look counts, 0 to 1, by the width in photo pixels."""
    return float(np.clip((width_px - BLIND_PX) / (CLEAR_PX - BLIND_PX), 0, 1))


def strand_log_odds(look: Look, *, width_px: float) -> float:
    """Return the log of how many times likelier the look is of strands than of a solid.

    Args:
        look: What was seen.
        width_px: Width of the piece in photo pixels.
    """
    mean, scale, weights, bias = _constants()
    z = np.clip((look.numbers - mean) / scale, -4, 4)
    odds = clearness(width_px) * float(z @ weights + bias)
    return float(np.clip(odds, -MOST_LOG_ODDS, MOST_LOG_ODDS))


@cache
def _constants() -> tuple[FloatArray, FloatArray, FloatArray, float]:
    with (
        files("vision").joinpath("data", ODDS_FILE).open("rb") as handle,
        np.load(handle) as stored,
    ):
        if tuple(stored["names"]) != NAMES:
            raise RuntimeError(f"{ODDS_FILE} was fitted for other numbers than these")
        return stored["mean"], stored["scale"], stored["weights"], float(stored["bias"])


def numbers(strip: Float32Array, *, width_px: float, lay: Lay | None) -> FloatArray | None:
    """Return the ``(len(NAMES),)`` numbers of a strip, None where it is too short.

    Args:
        strip: ``(n, m)`` light along (rows) and across (columns), axis in the middle.
        width_px: Width of the piece in the strip's pixels.
        lay: What the rhythm of its grooves says.
    """
    logged = _normalised(strip, width_px)
    rows = WINDOW_DIAMETERS * ACROSS
    if logged.shape[0] < rows // 2:
        return None
    rows = min(rows, logged.shape[0])
    starts = range(0, logged.shape[0] - rows + 1, max(1, rows // 2))
    windows = np.array([_of_window(logged[s : s + rows]) for s in starts])
    # A hand counts only where all windows have the same.
    hand = abs(float(windows[:, 1].mean()))
    seen = np.median(windows, axis=0)
    seen[1] = hand
    rhythm = (lay.coherence, lay.coherence - lay.runner_up) if lay is not None else (0.0, 0.0)
    return np.concatenate([seen, rhythm])


def _normalised(strip: Float32Array, width_px: float) -> Float32Array:
    """Log light of the used columns at ``ACROSS`` pixels a diameter."""
    factor = ACROSS / width_px
    size = (max(4, round(strip.shape[1] * factor)), max(4, round(strip.shape[0] * factor)))
    way = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    even = cv2.resize(np.ascontiguousarray(strip, np.float32), size, interpolation=way)
    middle = (even.shape[1] - 1) / 2
    half = HALF_USED * ACROSS
    used = even[:, int(np.ceil(middle - half)) : int(np.floor(middle + half)) + 1]
    floor = 0.02 * max(float(used.mean()), 1e-3)
    return np.asarray(np.log(np.maximum(used, 0) + floor), dtype=np.float32)


def _of_window(logged: Float32Array) -> FloatArray:
    slow = cv2.GaussianBlur(logged, (1, 0), sigmaX=0.01, sigmaY=1.2 * ACROSS)
    residual = logged - slow
    residual = residual - residual.mean(axis=1, keepdims=True)
    slanted, handed, banded = _slants(residual)
    coherence, oblique = _tensor(residual)
    sharp = logged - cv2.GaussianBlur(logged, (0, 1), sigmaX=ACROSS / 6, sigmaY=0.01)
    fine = float(sharp.std(axis=1).mean())
    return np.array(
        [
            slanted,
            handed,
            log(0.01 + float(residual.std())),
            coherence,
            oblique,
            1 - _likeness(sharp, ACROSS // 4),
            1 - _likeness(sharp, ACROSS),
            log(0.01 + fine),
            banded,
        ]
    )


def _slants(residual: Float32Array) -> tuple[float, float, float]:
    """Share of the power at a strand's slant, how one-handed that part is (-1 to 1), and
    the share of what runs across the piece, as the turns of a coil do."""
    h, w = residual.shape
    taper = np.outer(np.hanning(h), np.hanning(w + 2)[1:-1])
    power = np.abs(np.fft.fft2(residual * taper, s=(2 * h, 2 * w))) ** 2
    along = np.fft.fftfreq(2 * h)[:, None]
    across = np.fft.fftfreq(2 * w)[None, :]
    radius = np.hypot(along, across)
    # The lines of a wave stand square to it: a line along the axis has its wave across.
    slant = np.degrees(np.arctan2(along, across))
    slant = (slant + 90) % 180 - 90
    band = (radius > 1.5 / ACROSS) & (radius < 0.45)
    total = float(power[band].sum()) + 1e-12
    right = float(power[band & (slant > SLANT_DEG[0]) & (slant < SLANT_DEG[1])].sum())
    left = float(power[band & (slant < -SLANT_DEG[0]) & (slant > -SLANT_DEG[1])].sum())
    bands = float(power[band & (np.abs(slant) > BANDS_DEG)].sum())
    return (right + left) / total, (right - left) / (right + left + 1e-12), bands / total


def _tensor(residual: Float32Array) -> tuple[float, float]:
    """Coherence of the structure tensor, and it again where the slant is a strand's."""
    smooth = cv2.GaussianBlur(residual, (0, 0), 0.8)
    along, across = cv2.Sobel(smooth, cv2.CV_32F, 0, 1), cv2.Sobel(smooth, cv2.CV_32F, 1, 0)
    jaa, jcc, jac = (
        float(v) for v in ((along**2).mean(), (across**2).mean(), (along * across).mean())
    )
    coherence = sqrt((jaa - jcc) ** 2 + 4 * jac**2) / (jaa + jcc + 1e-12)
    angle = abs(0.5 * np.degrees(np.arctan2(2 * jac, jcc - jaa)))
    return coherence, coherence * float(SLANT_DEG[0] <= angle <= SLANT_DEG[1])


def _likeness(rows: Float32Array, lag: int) -> float:
    """Median correlation of cross-sections ``lag`` rows apart."""
    if len(rows) <= lag + 2:
        return 1.0
    centred = rows - rows.mean(axis=1, keepdims=True)
    a, b = centred[:-lag], centred[lag:]
    scale = np.sqrt((a**2).sum(axis=1) * (b**2).sum(axis=1)) + 1e-6
    return float(np.median((a * b).sum(axis=1) / scale))
