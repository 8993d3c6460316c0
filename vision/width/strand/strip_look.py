"""What does the straightened strip of a long piece show, and how fine are its strands?

A part of the strip network (:mod:`vision.width.network`) looks at windows of the strip and gives
for each the log probabilities of a few looks and, were it a stranded cable, of how thick
one strand is as a share of the width that the strip was cut with. The share is told as a
histogram over its logarithm, so that 7 strands or 19 is two peaks and not a mean of them.

Without the network nothing is judged: a file that is missing or damaged is an error of
:mod:`models.loader`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from math import log2
from typing import Any

import cv2
import numpy as np

from models.loader import broken
from rules.errors import ContractError
from vision.types import Float32Array, FloatArray
from vision.width.network import METADATA_FILE, StripNetwork, shipped

LOOKS = ("solid", "stranded", "tube", "wound", "jacket", "other")
"""What a window may show: solid wire; strands; tube; several turns of wire side by side or
crossing; plastic insulation; anything else (sheet, fittings)."""

WOUND = LOOKS.index("wound")

ACROSS_PX = 64
"""Pixels of a window across the piece ..."""

SPAN_WIDTHS = 1.2
"""... which show so many widths: the piece and a little of the table on both sides."""

ALONG_PX = 192
"""Pixels of a window along the piece: 3.6 widths, more than a period of the coarsest lay
(7 strands, 16 diameters a turn: 2.7)."""

MOST_WINDOWS = 6
"""Windows looked at on one piece, spread evenly; more cost time and agree with these."""

INNER_WIDTHS = 0.4
"""Light is told about its mean over the columns within so many widths of the middle."""

FLOOR = 0.02
"""Added to the light before its logarithm, as a share of the mean: black is not minus
infinity, and a shadow's noise is not the largest thing seen."""

MOST_LOG = 2.5
"""Logarithms are cut off this far from their mean."""

LOG_STEP_RANGE = (-3.5, 1.0)
"""Limits of the step that the network is told: from two photo pixels a window's pixel on,
more of them show no more."""

LOG_SHARE_RANGE = (-3.60, -0.528)
"""Natural logarithms of the least and largest strand share told: 2.7 % and 59 %. Seven
strands have a third; a strip cut too narrow shows them larger."""

BINS = 96
"""Steps of the histogram, 3.2 % each."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Windows:
    """Windows of a straightened strip as the network sees them.

    Attributes:
        light: ``(n, ALONG_PX, ACROSS_PX, 3)`` float32, logarithm of linear light about the
            mean of its window, 0 where the strip has ended.
        log_step: Binary logarithm of the photo pixels that one pixel of a window stands
            for, within ``LOG_STEP_RANGE``.
        middles: ``(n,)`` row of the strip that each window has in its middle.
    """

    light: Float32Array
    log_step: float
    middles: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StripLook:
    """What a strip shows.

    Attributes:
        p: ``(len(LOOKS),)`` probabilities of the looks, all equally likely before.
        share_p: ``(BINS,)`` probabilities of the strand's share of the cut width, if it is
            a stranded cable.
    """

    p: FloatArray
    share_p: FloatArray

    def of(self, look: str) -> float:
        """Return the probability of one of :data:`LOOKS`."""
        return float(self.p[LOOKS.index(look)])

    def share_at(self, quantile: float) -> float:
        """Return the share of the cut width that a strand stays under with this probability."""
        edges = np.linspace(*LOG_SHARE_RANGE, BINS + 1)
        summed = np.concatenate([[0.0], np.cumsum(self.share_p)])
        return float(np.exp(np.interp(quantile, summed / summed[-1], edges)))

    def share_within(self, low: float, high: float) -> float:
        """Return the probability that a strand's share of the cut width lies between these."""
        return float(
            self.share_p[(bin_middles() > np.log(low)) & (bin_middles() < np.log(high))].sum()
        )

    @property
    def groove_p(self) -> float:
        """Return how likely it is a bundle of strands, had it been a toss-up before.

        Against solid wire and tube; a jacket hides what is in it, and leaves the toss-up.
        """
        solid = (self.of("solid") + self.of("tube")) / 2
        bare = self.of("stranded") / max(self.of("stranded") + solid, 1e-9)
        jacket = self.of("jacket")
        return (1 - jacket) * bare + jacket / 2

    @property
    def u_log_share(self) -> float:
        """Standard deviation of the share's logarithm."""
        at = bin_middles()
        mean = float(self.share_p @ at)
        return float(np.sqrt(self.share_p @ (at - mean) ** 2))


LEAST_PRIOR = 0.02
"""A look that was learned from less than this is not made likelier for its rarity."""

Network = Callable[[Float32Array, Float32Array], tuple[Float32Array, Float32Array]]
"""Windows ``(n, ALONG_PX, ACROSS_PX, 3)`` and their ``log_step`` ``(n,)`` to log
probabilities ``(n, len(LOOKS))`` and ``(n, BINS)``."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StripModel:
    """The network and how its windows are joined.

    Attributes:
        network: An ONNX session in use, any function in tests.
        look_temperature: Log probabilities of the looks are divided by this.
        look_power: ``n`` windows count as ``n ** look_power`` independent ones.
        share_temperature: The same for the strand's share.
        share_power: The same for the strand's share.
        prior: ``(len(LOOKS),)`` share of each look that the network learned from, taken out
            so that the caller can put in its own.
    """

    network: Network
    look_temperature: float
    look_power: float
    share_temperature: float
    share_power: float
    prior: FloatArray


def windows_of(
    light: Float32Array, *, width_px: float, step_px: float, most: int = MOST_WINDOWS
) -> Windows:
    """Return windows of a straightened strip at the size the network knows.

    Args:
        light: ``(n, m, 3)`` linear light along the piece and across it, axis in the middle.
        width_px: Width of the piece in the strip's pixels.
        step_px: Photo pixels a pixel of the strip.
        most: At most so many windows.
    """
    factor = ACROSS_PX / (SPAN_WIDTHS * width_px)
    rows = max(4, round(light.shape[0] * factor))
    columns = max(ACROSS_PX, round(light.shape[1] * factor))
    way = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    even = cv2.resize(np.ascontiguousarray(light, np.float32), (columns, rows), interpolation=way)
    spare = (columns - ACROSS_PX) // 2
    even = even[:, spare : spare + ACROSS_PX]
    starts, length = _starts(rows, most)
    logged = [_about_its_mean(even[s : s + length]) for s in starts]
    return Windows(
        light=np.stack(logged),
        log_step=float(np.clip(log2(step_px / factor), *LOG_STEP_RANGE)),
        middles=(np.array(starts) + length / 2) * (light.shape[0] / rows),
    )


def _starts(rows: int, most: int) -> tuple[list[int], int]:
    """Return the first rows of half overlapping windows, and how many rows each has."""
    if rows <= ALONG_PX:
        return [0], rows
    count = min(most, 1 + (rows - ALONG_PX) // (ALONG_PX // 2))
    last = rows - ALONG_PX
    return (
        [last // 2] if count == 1 else [round(s) for s in np.linspace(0, last, count)]
    ), ALONG_PX


def _about_its_mean(light: Float32Array) -> Float32Array:
    """Return ``(ALONG_PX, ACROSS_PX, 3)`` logarithms of the light about their mean."""
    middle = (ACROSS_PX - 1) / 2
    half = INNER_WIDTHS * ACROSS_PX / SPAN_WIDTHS
    inner = slice(int(np.ceil(middle - half)), int(np.floor(middle + half)) + 1)
    floor = FLOOR * max(float(light[:, inner].mean()), 1e-4)
    logged = np.log(np.maximum(light, 0) + floor)
    logged = np.clip(logged - logged[:, inner].mean(), -MOST_LOG, MOST_LOG)
    before = (ALONG_PX - len(logged)) // 2
    after = ALONG_PX - len(logged) - before
    return np.asarray(np.pad(logged, ((before, after), (0, 0), (0, 0))), dtype=np.float32)


def bin_middles() -> FloatArray:
    """Return the ``(BINS,)`` middles of the histogram, logarithms of the share."""
    edges = np.linspace(*LOG_SHARE_RANGE, BINS + 1)
    return np.asarray((edges[:-1] + edges[1:]) / 2)


def look_at(model: StripModel, windows: Windows, close: Windows | None = None) -> StripLook:
    """Return what the windows of one piece show together.

    Args:
        model: The network.
        windows: Of the whole width; they alone tell a strand's share of it.
        close: Of the middle from close by, where the piece is wide. Sheet looks like tube there:
            they tell turns of wire alone.
    """
    every = [windows] if close is None else [windows, close]
    steps = np.concatenate([np.full(len(w.light), w.log_step, np.float32) for w in every])
    looks, shares = model.network(np.concatenate([w.light for w in every]), steps)
    count = len(steps)
    if looks.shape != (count, len(LOOKS)) or shares.shape != (count, BINS):
        raise ContractError(f"looks of {looks.shape}, shares of {shares.shape}", where="network")
    whole = len(windows.light)
    looks = looks - np.log(np.maximum(model.prior, LEAST_PRIOR))
    joining = {"temperature": model.look_temperature, "power": model.look_power}
    p = joined(looks[:whole], **joining)
    if close is not None:
        wound, rest = joined(wound_or_not(looks), **joining)
        others = joined(np.delete(looks[:whole], WOUND, axis=1), **joining)
        p = np.insert(rest * others, WOUND, wound)
    share_p = joined(shares[:whole], temperature=model.share_temperature, power=model.share_power)
    return StripLook(p=p, share_p=share_p)


def wound_or_not(log_p: FloatArray) -> FloatArray:
    """Return ``(n, 2)`` log probabilities of turns of wire and of all else, from those of looks."""
    rest = np.delete(log_p, WOUND, axis=1)
    return np.stack([log_p[:, WOUND], np.logaddexp.reduce(rest, axis=1)], axis=1)


def joined(log_p: FloatArray, *, temperature: float, power: float) -> FloatArray:
    """Return the probabilities that ``(n, k)`` log probabilities of windows give together.

    The windows are of one piece and err alike: ``n`` of them count as ``n ** power``.
    """
    total = log_p.mean(axis=0) * len(log_p) ** power / temperature
    raised = np.exp(total - total.max())
    return np.asarray(raised / raised.sum(), dtype=np.float64)


@cache
def load_strip_model() -> StripModel:
    """Return the shipped network. Loaded once.

    Raises:
        InstallError: A file of it is missing, damaged or of another version.
    """
    return strip_model_of(shipped())


JOINING = ("look_temperature", "look_power", "share_temperature", "share_power")
"""Numbers in ``strip.toml`` that say how windows are joined."""


def strip_model_of(network: StripNetwork) -> StripModel:
    """Return how a network's windows are joined, by its description.

    Raises:
        InstallError: The description is of another version.
    """
    told = network.metadata
    if told.get("looks") != list(LOOKS):
        broken(METADATA_FILE, "lists other looks than this version knows")
    return StripModel(
        prior=np.array([_number(told, "prior", look) for look in LOOKS]),
        **{name: _number(told, "joining", name) for name in JOINING},
        network=network.looks,
    )


def _number(told: Mapping[str, Any], table: str, name: str) -> float:
    value = told.get(table, {}).get(name)
    if not isinstance(value, int | float) or not 0 <= value < float("inf"):
        broken(METADATA_FILE, f"{table}.{name} must be a number, at least 0")
    return float(value)
