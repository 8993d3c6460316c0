"""What does the photo with the flash add on one piece, given the one without?

Light at the lens has a known colour. A metal throws it back in the metal's colour, a
dielectric coat in the lamp's (G. Healey, "Using color for geometry-insensitive
segmentation", J. Opt. Soc. Am. A 6 (1989) 920: metals reflect unichromatically, dielectrics
dichromatically). Boosted trees were grown by log score, some on what the plain photo shows and
some on both; the log-odds of these less those of the first are the likelihood ratio of the flash
photo given the plain one, which multiplies the odds that the still told by its own means.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp

import numpy as np

from rules.findings import Measurement, What
from vision.flash.looks import brightest_rows, brightness, looks, section
from vision.flash.model import THINGS, FlashModel, load_flash_model
from vision.flash.types import FlashEvidence, LitStrip, StripPair
from vision.types import Boxes, Float32Array, Mask

MOST_LOG_RATIO = 3.0
"""No pair of photos is told to speak stronger than this, twenty to one: it was learned from
renders alone."""

SPEAKS = 1.0
"""From this log ratio on the note takes a side."""

NOTES = {
    "pale": "the bright spot is paler than the metal round it, like the lamp: "
    "something clear lies on the metal",
    "coat": "the bright spot looks like that of a coat, though hardly paler than its metal",
    "bare": "the bright spot looks like that of bare metal",
    "open": "the bright spot does not settle whether something clear lies on the metal: "
    "scrape a spot and look",
    "none": "too little of the piece shows in both photos to compare them",
}

CORE_FROM, RING = 0.8, (0.2, 0.5)
"""Of the brightest light on the piece: what is called the highlight's core, and the ring."""

PALER = 0.8
"""A core's red over green, less 1, is below so much of the ring's where it is called paler: shaded
coats over rough copper give 0.45 to 0.74, where blur has made the ring paler too, bare 0.96."""

LEAST_U = 0.03
"""The tarnish level is told no surer than this; as fine as its scale is told apart by eye."""


def evidence(pair: StripPair, *, model: FlashModel | None = None) -> FlashEvidence:
    """Return what the photo with the flash adds on one piece, given the one without.

    Args:
        pair: The piece in both photos.
        model: None for the one that ships.

    Raises:
        InstallError: The model is missing or damaged.
    """
    model = model or load_flash_model()
    lit = brightest_rows(pair.flash)
    parts = [_part(strip, pair.flash, lit) for strip in (pair.plain, pair.flash)]
    # It learned from pairs whose white was known in both photos or in neither.
    known = all(part.white_known for part in parts)
    numbers = [looks(replace(part, white_known=known)) for part in parts]
    if numbers[0] is None or numbers[1] is None:
        return FlashEvidence(log_ratio={}, note=NOTES["none"])
    still, _, both = (told[0] for told in model.weigh(numbers[0][None], numbers[1][None]))
    added = np.clip(both[: len(THINGS)] - still[: len(THINGS)], -2 * MOST_LOG_RATIO, None)
    log_ratio = {
        what: float(np.clip(model.trusted[what] * more, -MOST_LOG_RATIO, MOST_LOG_RATIO))
        for what, more in zip(THINGS, added, strict=True)
        if what in model.trusted
    }
    core, ring = _core_and_ring(pair.flash, lit)
    coat = log_ratio.get(What.COATING, 0.0)
    note = "open" if abs(coat) < SPEAKS else "coat" if coat > 0 else "bare"
    if note == "coat" and _paler(pair.flash, lit, core, ring):
        note = "pale"
    return FlashEvidence(
        log_ratio=log_ratio,
        tarnish=_tarnish(still, both, model.u_tarnish_scale),
        note=NOTES[note],
        core=_box(core, lit.start),
        ring=_box(core | ring, lit.start),
    )


def _part(strip: LitStrip, flash: LitStrip, lit: slice) -> LitStrip:
    """Return the part of a strip that lies where these rows of the flash strip do."""
    times = len(strip.light) / len(flash.light)
    first, last = round(lit.start * times), max(round(lit.stop * times), 1)
    return section(strip, slice(first, last))


def _tarnish(still: Float32Array, both: Float32Array, u_scale: float | None) -> Measurement | None:
    """Return the level that, weighted with the still's, gives the pair's (JCGM 100, H.5)."""
    if u_scale is None:
        return None
    (before, u_before), (after, u_after) = (
        (float(told[3]), max(u_scale * exp(float(np.clip(told[4], -5.0, 0.5))), LEAST_U))
        for told in (still, both)
    )
    gain = u_after**-2 - u_before**-2
    if gain <= 0.2 * u_before**-2:
        return None
    value = float(np.clip((after * u_after**-2 - before * u_before**-2) / gain, 0.0, 1.0))
    return Measurement.between_0_and_1(value, gain**-0.5)


def _core_and_ring(strip: LitStrip, rows: slice) -> tuple[Mask, Mask]:
    """Return the highlight's core in some rows of a strip, and the lit metal round it."""
    light, burnt = strip.light[rows], strip.clipped[rows]
    known = np.isfinite(light).all(axis=-1)
    bright = np.where(known, np.nan_to_num(brightness(light)), 0)
    peak = float(np.quantile(bright[known], 0.995)) if known.any() else 0.0
    core = (bright >= CORE_FROM * peak) | burnt
    return core & known, (bright >= RING[0] * peak) & (bright <= RING[1] * peak) & known & ~burnt


def _paler(strip: LitStrip, rows: slice, core: Mask, ring: Mask) -> bool:
    """Whether what of the core is not burnt out is nearer to the lamp's white than the ring is."""
    light, core = strip.light[rows], core & ~strip.clipped[rows]
    if not core.any() or not ring.any():
        return False
    inner, outer = (light[where].mean(axis=0) for where in (core, ring))
    return bool(inner[0] / inner[1] - 1 < PALER * (outer[0] / outer[1] - 1))


def _box(where: Mask, first_row: int) -> Boxes:
    """Return the box of what is marked, without the outermost twentieth on each side."""
    rows, columns = np.nonzero(where)
    if not rows.size:
        return ()
    (top, bottom), (left, right) = (np.quantile(v, [0.05, 0.95]) for v in (rows, columns))
    box = (int(left), int(top) + first_row, int(right - left) + 1, int(bottom - top) + 1)
    return (box,)
