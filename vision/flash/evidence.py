"""Does the highlight of the flash have the metal's colour, or the lamp's own?

Light at the lens has a known colour. A metal throws it back in the metal's colour, a
dielectric coat in the lamp's (G. Healey, "Using color for geometry-insensitive
segmentation", J. Opt. Soc. Am. A 6 (1989) 920: metals reflect unichromatically, dielectrics
dichromatically).
"""

from __future__ import annotations

from math import log

import numpy as np

from rules.findings import What
from vision.flash.types import FlashEvidence, StripPair
from vision.types import Boxes, Mask

FEWEST = 12
"""With fewer pixels of a highlight nothing is said."""

MOST_LOG_RATIO = 3.0
"""No pair of photos is told to speak stronger than this, twenty to one: it was learned from
renders alone."""

BARE_CORE, COATED_CORE = log(1.50), log(1.13)
"""Red over green of a highlight's core on bare and on coated copper, of 7,000 simulated
cylinders; over smooth metal a coat's core stays at 1.37 to 1.52."""

SPREAD = 0.12
"""Deviation of their logarithms, by the same simulation."""


def evidence(pair: StripPair) -> FlashEvidence:
    """Return what the photo with the flash adds on one piece, given the one without."""
    light, clipped = pair.flash.light, pair.flash.clipped
    seen = np.isfinite(light).all(axis=-1) & ~clipped
    if seen.sum() < FEWEST:
        return FlashEvidence(log_ratio={}, note="the flash shows nothing of the piece")
    green = np.where(seen, light[..., 1], 0)
    top = float(np.quantile(green[seen], 0.99))
    core = seen & (green >= top)
    ring = seen & (green < 0.6 * top) & (green >= 0.3 * top)
    if min(core.sum(), ring.sum()) < FEWEST:
        return FlashEvidence(log_ratio={}, note="the flash leaves no highlight on the piece")
    red = float(np.log(light[core].mean(axis=0)[0] / light[core].mean(axis=0)[1]))
    middle = (BARE_CORE + COATED_CORE) / 2
    ratio = (BARE_CORE - COATED_CORE) * (middle - red) / SPREAD**2
    ratio = float(np.clip(ratio, -MOST_LOG_RATIO, MOST_LOG_RATIO))
    note = (
        "the highlight's middle is white as the lamp: something clear lies on the metal"
        if ratio > 0
        else "the highlight is copper-coloured to its middle: bare metal"
    )
    return FlashEvidence(
        log_ratio={What.COATING: ratio}, note=note, core=_box(core), ring=_box(ring | core)
    )


def _box(where: Mask) -> Boxes:
    rows, columns = (np.flatnonzero(where.any(axis=axis)) for axis in (1, 0))
    if not rows.size:
        return ()
    return ((int(columns[0]), int(rows[0]), int(np.ptp(columns)) + 1, int(np.ptp(rows)) + 1),)
