"""The flash's highlight on bare and on coated metal, after Healey 1989."""

from __future__ import annotations

import numpy as np
import pytest

from rules.findings import What
from vision.finish.film import metal_colour
from vision.flash.evidence import MOST_LOG_RATIO, evidence
from vision.flash.types import LitStrip, StripPair
from vision.types import FloatArray

COPPER = metal_colour("cu").linear_rgb[0]
"""Reflectance of bare copper, linear sRGB, of Johnson & Christy's optical constants."""


def strip(light: FloatArray) -> LitStrip:
    clipped = np.asarray((light > 1).any(axis=-1))
    return LitStrip(light=light.astype(np.float32), clipped=clipped, white_known=True)


def lit(*, coated: bool, peak: float = 0.9) -> LitStrip:
    """A cylinder under a lamp at the lens: the metal's wide lobe, the coat's narrow one on it."""
    rows, columns = 60, 41
    y = (np.arange(rows) - rows / 2)[:, None] / 12
    x = (np.arange(columns) - columns / 2)[None] / 6
    metal = np.exp(-(x**2 + y**2) / 2)[..., None] * COPPER
    core = np.exp(-((x / 0.3) ** 2 + (y / 0.3) ** 2) / 2)[..., None]
    # As high as the metal's: narrower by ten times in solid angle and more, 4 % of the light.
    light = metal * 0.5 + (core * 0.5 if coated else 0) + 0.02 * COPPER
    return strip(light * peak / light.max())


def test_a_core_of_the_lamps_colour_speaks_for_a_coat() -> None:
    pair = StripPair(plain=lit(coated=False), flash=lit(coated=True))
    told = evidence(pair)
    assert told.log_ratio[What.COATING] > 1
    assert "white" in told.note


def test_a_copper_coloured_core_speaks_for_bare_metal() -> None:
    told = evidence(StripPair(plain=lit(coated=False), flash=lit(coated=False)))
    assert told.log_ratio[What.COATING] < -1


@pytest.mark.parametrize("coated", [True, False])
def test_no_pair_speaks_stronger_than_it_may(coated: bool) -> None:
    pair = StripPair(plain=lit(coated=False), flash=lit(coated=coated))
    assert abs(evidence(pair).log_ratio[What.COATING]) <= MOST_LOG_RATIO


def test_a_strip_without_a_usable_pixel_says_nothing() -> None:
    dark = strip(np.full((20, 10, 3), np.nan))
    assert not evidence(StripPair(plain=dark, flash=dark)).log_ratio
