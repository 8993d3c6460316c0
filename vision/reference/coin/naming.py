"""Which of the discs is the named coin, and is it that coin at all?

The named one is told by its colour, and by whether the others then are coins of its country
in size and colour. What can't be told: coins of one colour that lie alone.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vision.problems import photo_error
from vision.reference.coin.colours import COLOURS, Face, colour_probabilities, table_warmth
from vision.reference.coin.kinds import Coin, CoinColour, coins_of
from vision.types import FloatArray

AGREEMENT_SIGMA = 0.015
"""Of the ratio of two coins' outlines to that of their diameters, tilt included. Scales of single
coins on one table differ from those of all the others by 0.6 % in the median and 2 % in one of ten
(bench.coins)."""

SAME_SIZE, CONFLICT = 2 * AGREEMENT_SIGMA, 0.02
"""Sizes nearer than the first may be equal coins; scales further apart than the second are not
the same answer: coins alone claim 1.5 %."""

SURE_FACTOR = 4.0  # how much likelier one reading must be than another; assumed, no source
SHARE_STRANGE = 0.15  # of other round things that are no coin of the country; assumed, no source
LEAST_P, LEAST_P_PLAIN, PLAIN_WARMTH = 0.02, 0.06, 0.8
"""Below that probability the named colour is refused; the second where the table looks grey or
white, so that the light is known better. Of 280 views of real coins alone none is refused by its
right name; by one of another colour 77 % of 1550 are, 94 % of 301 on white paper (bench.coins)."""
EQUAL_P, EQUALLY_GOOD = 0.3, 3.0
"""Least probability of the named colour, and most natural log of how much less likely a disc may
be, to be taken as an equal coin: assumed. One left out costs a little of the mean, no more."""

COLOUR_WORDS = {
    CoinColour.COPPER: "copper-coloured all over",
    CoinColour.GOLDEN: "golden all over",
    CoinColour.WHITE: "white all over",
    CoinColour.GOLDEN_RING: "white with a golden ring",
    CoinColour.WHITE_RING: "golden with a white ring",
}


def pick(
    majors_px: FloatArray, faces: Sequence[Face], scores: FloatArray, *, named: Coin
) -> list[int]:
    """Return which discs are the named coin: one, or several that agree.

    Args:
        majors_px: ``(n,)`` long axis of each disc, n at least 1.
        faces: Colours of each.
        scores: ``(n,)`` how much each looks like a coin, 0 to 1.
        named: The coin that the person named.

    Raises:
        PhotoError: ``ambiguous_reference``, discs of different sizes could be the named coin;
            ``other_reference``, what lies there looks like another one.
    """
    p = colour_probabilities(faces)
    own = p[:, COLOURS.index(named.colour)]
    merit = _merits(majors_px, p, named) + np.log(0.1 + scores)
    best = int(merit.argmax())
    rival = np.abs(majors_px / majors_px[best] - 1) > CONFLICT
    plain = abs(table_warmth(faces)) < PLAIN_WARMTH
    _check_colour(p[best], named, least=LEAST_P_PLAIN if plain else LEAST_P)
    if rival.any() and merit[rival].max() > merit[best] - np.log(SURE_FACTOR):
        raise photo_error("ambiguous_reference", count=len(faces), coin=named.name)
    if rival.any():
        _check_size(majors_px, p, best, named)
    return [best] + [
        i
        for i in range(len(faces))
        if i != best
        and abs(majors_px[i] / majors_px[best] - 1) < SAME_SIZE
        and own[i] > EQUAL_P
        and merit[i] > merit[best] - EQUALLY_GOOD
    ]


def _merits(majors_px: FloatArray, p: FloatArray, named: Coin) -> FloatArray:
    """``(n,)`` log likelihood that each disc is the named coin, the others being of its kin."""
    kin = coins_of(named)
    size = np.array([c.diameter_mm for c in kin])
    column = np.array([COLOURS.index(c.colour) for c in kin])
    mm = majors_px[None] * named.diameter_mm / majors_px[:, None]
    fits = np.exp(-0.5 * ((mm[..., None] / size - 1) / AGREEMENT_SIGMA) ** 2) * p[None][..., column]
    others = np.log(SHARE_STRANGE + (1 - SHARE_STRANGE) * fits.max(axis=2))
    merit: FloatArray = (
        np.log(0.01 + p[:, COLOURS.index(named.colour)]) + others.sum(axis=1) - np.diag(others)
    )
    return merit


def _check_colour(p: FloatArray, named: Coin, *, least: float) -> None:
    if p[COLOURS.index(named.colour)] > least:
        return
    seen = COLOURS[int(p.argmax())]
    kin = [c.name for c in coins_of(named) if c.colour is seen]
    raise photo_error(
        "other_reference",
        looks=COLOUR_WORDS[seen] + (f", as {' or '.join(kin)}" if kin else ""),
        coin=named.name,
        colour=COLOUR_WORDS[named.colour],
    )


def _check_size(majors_px: FloatArray, p: FloatArray, best: int, named: Coin) -> None:
    """Refuse where another name for the same disc suits the other coins far better."""
    merits = {kind: float(_merits(majors_px, p, kind)[best]) for kind in coins_of(named)}
    likeliest = max(merits, key=lambda kind: merits[kind])
    if merits[likeliest] > merits[named] + np.log(SURE_FACTOR):
        raise photo_error("other_reference.size", looks=likeliest.name, coin=named.name)
