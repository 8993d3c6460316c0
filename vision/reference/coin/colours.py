"""What is a coin coloured like, whatever the light?

The light is not known, but it is one for the photo, and a coin of two metals shows both in
the same light: that its ring is bluer or yellower than its middle holds under any lamp.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision.reference.coin.kinds import CoinColour
from vision.types import FloatArray

BURNT_LIGHT = 0.93  # linear; sRGB code 247: a channel at its end tells no colour
LEAST_UNBURNT = 0.3  # of the places looked at, for a colour to be told


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Face:
    """Colours of a disc, ``(3,)`` mean linear light each; NaN where it is burnt out.

    Attributes:
        whole: Of all of it.
        centre: Of the inner half of its radius.
        rim: Of the outer quarter of its radius.
        table: Of what lies just around it; NaN where that is not known.
    """

    whole: FloatArray
    centre: FloatArray
    rim: FloatArray
    table: FloatArray


def colour_of(light: FloatArray) -> FloatArray:
    """``(3,)`` mean of ``(n, 3)`` linear light where no channel is burnt out, or NaN."""
    good = (light < BURNT_LIGHT).all(axis=1)
    if good.mean() < LEAST_UNBURNT:
        return np.full(3, np.nan)
    mean: FloatArray = light[good].mean(axis=0)
    return mean


# Log ratios of linear light in daylight, red over green and blue over green, of the whole face,
# and blue over green of the rim less that of the middle. By eye from 220 euro coins of known kind
# on nine phone photos under daylight and lamps (bench.coins); white metal, which no euro coin is
# all over, from the middles and rings of the others.
_MEAN = {
    CoinColour.COPPER: (0.68, -0.38, 0.05),
    CoinColour.GOLDEN: (0.22, -0.60, 0.05),
    CoinColour.WHITE: (0.00, -0.05, 0.0),
    CoinColour.GOLDEN_RING: (0.10, -0.15, -0.38),
    CoinColour.WHITE_RING: (0.17, -0.35, 0.42),
}
# Within a photo, but for glare and shadow, coins of a kind scatter by 0.03 to 0.19, 0.03 to 0.16
# and 0.03 to 0.09; from photo to photo the last by 0.12.
_SIGMA = np.array([0.18, 0.25, 0.12])
_WARM_LIGHT = np.array([0.3, -0.7])
"""Direction in which lamps pull the two ratios: on the same photos copper goes from (0.65, -0.33)
to (1.35, -1.87), golden metal from (0.22, -0.55) to (0.46, -1.38)."""
_LIGHTS = (-0.3, 0.0, 0.3, 0.6, 1.0, 1.5, 2.0)  # steps along it tried, daylight is 0
_LIGHT_SIGMA = 0.7  # most photos are near daylight or balanced: common practice, no source
_WARMER_THAN_TABLE = 0.35
"""Standard deviation of how much warmer the light may be than the table looks: bluish tables and
shade. Wood looks warmer than its light, so towards the cold the table says nothing. 0.25 to 0.5
do equally well on the same coins."""
COLOURS = tuple(CoinColour)


def _ratios(light: FloatArray) -> FloatArray:
    """Log ratios red over green and blue over green."""
    r, g, b = np.log(np.maximum(light, 1e-3))
    return np.array([r - g, b - g])


def _features(face: Face) -> FloatArray:
    ring = _ratios(face.rim)[1] - _ratios(face.centre)[1]
    # A clearer ring than usual is a ring all the same.
    low, high = _MEAN[CoinColour.GOLDEN_RING][2], _MEAN[CoinColour.WHITE_RING][2]
    return np.array([*_ratios(face.whole), np.clip(ring, low, high)])


def table_warmth(faces: Sequence[Face]) -> float:
    """How warm the table around discs looks: 0 in daylight, 1 in a lamp's light, NaN unknown."""
    steps = [
        float(_ratios(face.table) @ _WARM_LIGHT / (_WARM_LIGHT @ _WARM_LIGHT)) for face in faces
    ]
    known = [step for step in steps if np.isfinite(step)]
    return float(np.median(known)) if known else float("nan")


def colour_probabilities(faces: Sequence[Face]) -> FloatArray:
    """``(n, 5)`` probability of each of `COLOURS` for coins of one photo.

    The warmth of the light is taken as one for the photo and summed over. What is burnt
    out speaks for no colour.
    """
    features = np.array([_features(face) for face in faces])
    mean = np.array([_MEAN[c] for c in COLOURS])
    table = np.nan_to_num(table_warmth(faces), nan=max(_LIGHTS))
    steps = np.array(_LIGHTS)
    shifted = mean + steps[:, None, None] * np.array([*_WARM_LIGHT, 0.0])
    z = np.nan_to_num((features[:, None] - shifted[:, None]) / _SIGMA)  # light, coin, kind, ratio
    likelihood = np.exp(-0.5 * np.minimum(z**2, 16.0).sum(axis=3))
    warmer = np.maximum(0.0, steps - max(table, 0.0)) / _WARMER_THAN_TABLE
    priors = -0.5 * (steps / _LIGHT_SIGMA) ** 2 - 0.5 * warmer**2
    total = priors + np.log(likelihood.mean(axis=2)).sum(axis=1)
    weight = np.exp(total - total.max())
    weight /= weight.sum()
    each = likelihood / likelihood.sum(axis=2, keepdims=True)
    p: FloatArray = (weight[:, None, None] * each).sum(axis=0)
    return p
