"""How big is a pixel, told by a coin? Coins found, the named one picked, its scale.

The long axis of a coin's outline is its diameter seen from wherever the camera
was; so a coin gives the scale where it lies, and its camera's height. Which way the
table tilts it tells less surely (`vision.reference.coin.tilt`): that doubt grows with the
distance from the coin, and is stated. The wall that shows below the face on the near side is
used, not only suffered: size and tilt come from the coin as a body (`vision.reference.coin.body`).
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from importlib.resources import files
from math import exp, hypot, pi, sqrt

import numpy as np

from rules.errors import ContractError
from vision.problems import photo_error
from vision.reference.coin.body import look_at_body
from vision.reference.coin.discs import find_discs
from vision.reference.coin.ellipse import Ellipse
from vision.reference.coin.outline import Disc
from vision.reference.coin.tilt import plane_of_coins
from vision.reference.places import Place
from vision.types import FloatArray, Photo, Scale

U_DIAMETER_MM = 0.1
"""Standard uncertainty of a coin's diameter, wear included. No tolerance is published
but one legal maximum (Australian 5 cents, 0.12 mm over nominal); 0.1 mm is assumed."""

U_THICKNESS_MM = 0.2
"""Height of the rim's edge over the table: bevel, wear, and thicknesses not verified."""

DEFAULT_FOCAL_35MM = 26.0
"""Main camera of most phones, mm at 35 mm film; taken where EXIF tells none."""

FILM_DIAGONAL_MM = 43.27
U_FOCAL_REL = 0.03
U_DEFAULT_FOCAL_REL = 0.12  # main cameras lie between 23 and 29 mm

# On 140 rendered photos the network sees all 35 coins, and of other round things half; on
# 12 phone photos 256 of 260 coins.
PATCH_MARGIN = 0.15  # of its box, around it
MIN_PATCH_SHARE = 0.4  # coins that touch make one patch, and not each of them is found

MOST_COINS = 3
"""So many equal coins are looked at closely: they share light and table, so more tell little
more."""

MIN_DETECTED_PX = 56.0
MIN_REFERENCE_PX = 80.0
"""Below this a rim is one or two pixels wide and can't be told from its shadow."""

BEVEL_MM = 0.2
"""How much less than the diameter the seen edge spans: struck coins have rounded edges, and the
clearest step lies between the flat of the rim and the widest place. Rendered coins are
bevelled by 0.12 mm on either side; the bodies of 24 of them span 0.2 mm less (median). Drawn
coins with sharp edges come out 0.1 mm too large by it. Struck edges differ, so it is no more
than assumed."""

U_OUTLINE_REL, U_OUTLINE_PX, U_OUTLINE_RESIDUALS = 0.005, 1.0, 4.0
"""Standard uncertainty of the long axis: of a clean outline, in pixels, and in residuals.
Of 148 equal coins on four phone photos (118 to 275 px) those with residuals under 0.0015 of
the long axis scatter by 0.6 %, up to 0.0025 by 0.8 to 1.9 %, above by 1.2 to 3 %."""

ECCENTRICITY_REL = 0.0008  # long axis against diameter at 150 mm and 30 degrees
LENS_REL = 0.002  # left over after the phone's own correction
SAME_SIZE = 0.03
CONFLICT = 0.02
SURE_FACTOR = 4.0  # the pick must be this much likelier than one of another scale
AGREEMENT_SIGMA = 0.015  # of diameters within a currency, tilt included


class CoinColour(StrEnum):
    """What a coin is coloured like, from the middle to the rim."""

    COPPER = "copper"
    WHITE = "white"
    GOLDEN = "golden"
    GOLDEN_RING = "golden_ring"
    WHITE_RING = "white_ring"


@dataclass(frozen=True, slots=True, kw_only=True)
class Coin:
    """One kind of coin, as issued.

    Attributes:
        key: Country and face value, e.g. ``eu-1``.
        name: For people, e.g. ``EU 1 euro``.
        diameter_mm: Nominal diameter.
        u_diameter_mm: Standard uncertainty of one coin's diameter, wear included.
        thickness_mm: Nominal thickness at the rim.
        colour: What it is coloured like.
    """

    key: str
    name: str
    diameter_mm: float
    u_diameter_mm: float
    thickness_mm: float
    colour: CoinColour

    @property
    def copper_coloured(self) -> bool:
        """Whether a colour test would take it for scrap copper."""
        return self.colour is CoinColour.COPPER


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoinEllipse:
    """One coin-like disc on the photo.

    Attributes:
        centre_px: ``(x, y)`` of the outline's centre.
        major_px: Long axis, whole length.
        minor_px: Short axis, whole length.
        angle_deg: Direction of the long axis from x towards y.
        residual_px: RMS distance of the edge points from the ellipse.
        coverage: Share of the outline where an edge was seen.
        score: How much it looks like a coin, 0 to 1.
        colour: ``(3,)`` mean linear light of its face.
        centre_colour: The same of its inner half.
        rim_colour: The same of its outer quarter.
        table_colour: ``(3,)`` median linear light just around it.
    """

    centre_px: tuple[float, float]
    major_px: float
    minor_px: float
    angle_deg: float
    residual_px: float
    coverage: float
    score: float
    colour: FloatArray
    centre_colour: FloatArray
    rim_colour: FloatArray
    table_colour: FloatArray

    @property
    def ellipse(self) -> Ellipse:
        """The outline alone."""
        return Ellipse(
            centre_px=self.centre_px,
            major_px=self.major_px,
            minor_px=self.minor_px,
            angle_deg=self.angle_deg,
        )

    def outline_px(self, n: int = 72) -> FloatArray:
        """``(n, 2)`` points around the outline."""
        return self.ellipse.points(n)


NOT_USABLE = {
    "gb-20p": "it has seven sides, so its width depends on where you measure",
    "gb-50p": "it has seven sides, so its width depends on where you measure",
    "gb-1": "it has twelve sides, so its width depends on where you measure",
    "ca-1": "it has eleven sides, so its width depends on where you measure",
    "au-50c": "it has twelve sides, so its width depends on where you measure",
    "jp-5": "its hole makes it look like a washer",
    "jp-50": "its hole makes it look like a washer",
    "in-1": "several diameters of it are in use",
    "in-2": "several diameters of it are in use",
    "in-5": "several diameters of it are in use",
}
"""Coins that people may name and that can't serve, and why."""


@lru_cache(maxsize=1)
def _coins() -> dict[str, Coin]:
    text = files("vision").joinpath("data/coins.csv").read_text(encoding="utf-8")
    return {
        row["key"]: Coin(
            key=row["key"],
            name=f"{row['country']} {row['coin']}",
            diameter_mm=float(row["diameter_mm"]),
            u_diameter_mm=U_DIAMETER_MM,
            thickness_mm=float(row["thickness_mm"]),
            colour=CoinColour(row["colour"]),
        )
        for row in csv.DictReader(text.splitlines())
    }


COIN_KEYS: tuple[str, ...] = tuple(_coins())


def coin(key: str) -> Coin:
    """Return the coin of a key, e.g. ``eu-1``.

    Raises:
        ContractError: No such coin, or one that can't serve as a scale, with the reason.
    """
    if key in NOT_USABLE:
        raise ContractError(f"can't serve as a scale: {NOT_USABLE[key]}", where=key)
    try:
        return _coins()[key]
    except KeyError:
        raise ContractError(f"no such coin; known are {', '.join(COIN_KEYS)}", where=key) from None


def detect_coins(photo: Photo, *, places: Sequence[Place] = ()) -> tuple[CoinEllipse, ...]:
    """Find every coin-like disc that lies whole in the photo, best first.

    Args:
        photo: The photo.
        places: Where they may lie; what lies elsewhere is no coin, nor is what fills too
            little of its place, like a print on a card.
    """
    found = [
        _coin_ellipse(disc)
        for disc in find_discs(photo.rgb, places=places)
        if disc.fit.ellipse.major_px >= MIN_DETECTED_PX
    ]
    return tuple(found) if not places else tuple(_at_places(found, places))


def _at_places(found: Sequence[CoinEllipse], places: Sequence[Place]) -> list[CoinEllipse]:
    """Those on a patch that they, with their fellows there, fill for the most part."""
    good: set[int] = set()
    for place in places:
        there = [n for n, one in enumerate(found) if _is_on(one, place)]
        area = sum(pi / 4 * found[n].major_px * found[n].minor_px for n in there)
        if area > MIN_PATCH_SHARE * place.area_px:
            good.update(there)
    return [one for n, one in enumerate(found) if n in good]


def _is_on(one: CoinEllipse, place: Place) -> bool:
    x, y, w, h = place.box_px
    across, down = (one.centre_px[0] - x) / w, (one.centre_px[1] - y) / h
    low, high = -PATCH_MARGIN, 1 + PATCH_MARGIN
    return low < across < high and low < down < high


def _coin_ellipse(disc: Disc) -> CoinEllipse:
    ellipse = disc.fit.ellipse
    spread = disc.fit.residual_px / (0.005 * ellipse.major_px + 0.3)
    return CoinEllipse(
        centre_px=ellipse.centre_px,
        major_px=ellipse.major_px,
        minor_px=ellipse.minor_px,
        angle_deg=ellipse.angle_deg,
        residual_px=disc.fit.residual_px,
        coverage=disc.coverage,
        score=float(np.clip(disc.coverage * (1 - 0.3 * min(spread, 1.0)), 0, 1)),
        colour=disc.inside,
        centre_colour=disc.centre_part,
        rim_colour=disc.rim_part,
        table_colour=disc.outside,
    )


# -- colour ------------------------------------------------------------------

# Log ratios of linear light, red over green and blue over green, of the whole face, and
# blue over green of the rim less that of the middle. Seen on 70 euro coins of known kind
# in phone photos under daylight and lamps (coins-dataset, J. Beijar, MIT licence).
_COLOUR_MEAN = {
    CoinColour.COPPER: (0.60, -0.50, 0.0),
    CoinColour.GOLDEN: (0.25, -0.85, 0.0),
    CoinColour.WHITE: (0.08, -0.18, 0.0),
    CoinColour.GOLDEN_RING: (0.16, -0.35, -0.35),
    CoinColour.WHITE_RING: (0.20, -0.60, 0.35),
}
_COLOUR_SIGMA = np.array([0.15, 0.22, 0.12])
_WARM_LIGHT = np.array([0.5, -0.7])  # direction in which lamps pull the two ratios
_LIGHTS = (-0.3, 0.0, 0.3, 0.6, 1.0, 1.5)  # steps along it tried, daylight is 0
_LIGHT_SIGMA = 0.7
_CLASSES = tuple(CoinColour)


def _colour_features(found: CoinEllipse) -> FloatArray:
    def ratios(light: FloatArray) -> tuple[float, float]:
        r, g, b = np.log(np.maximum(light, 1e-3))
        return float(r - g), float(b - g)

    red, blue = ratios(found.colour)
    return np.array([red, blue, ratios(found.rim_colour)[1] - ratios(found.centre_colour)[1]])


def colour_probabilities(found: tuple[CoinEllipse, ...]) -> FloatArray:
    """``(n, 5)`` probability of each colour of `CoinColour` for coins of one photo.

    The light is not known; its warmth is taken as one for the photo and summed over.
    """
    features = np.array([_colour_features(one) for one in found])
    mean = np.array([_COLOUR_MEAN[c] for c in _CLASSES])
    logs, priors = [], []
    for step in _LIGHTS:
        shifted = mean + np.array([*(step * _WARM_LIGHT), 0.0])
        z = (features[:, None, :] - shifted[None]) / _COLOUR_SIGMA
        log_likelihood = -0.5 * np.minimum(z**2, 16.0).sum(axis=2)
        logs.append(log_likelihood)
        priors.append(-0.5 * (step / _LIGHT_SIGMA) ** 2)
    total = np.array(
        [
            prior + np.log(np.exp(log).mean(axis=1)).sum()
            for log, prior in zip(logs, priors, strict=True)
        ]
    )
    weight = np.exp(total - total.max())
    weight /= weight.sum()
    p = sum(
        w * np.exp(log) / np.exp(log).sum(axis=1, keepdims=True)
        for w, log in zip(weight, logs, strict=True)
    )
    result: FloatArray = np.asarray(p, dtype=np.float64)
    return result


# -- the pick ----------------------------------------------------------------


def _pick(found: tuple[CoinEllipse, ...], named: Coin) -> tuple[CoinEllipse, ...]:
    """The discs that are the named coin: one, or several that agree.

    Each disc is tried as the named coin: its colour must fit, and the sizes and
    colours that all others then get should be those of coins of the same country.

    Raises:
        PhotoError: Discs of different sizes could be the named coin.
    """
    if len(found) == 1:
        return found
    p = colour_probabilities(found)
    majors = np.array([one.major_px for one in found])
    country = named.key.split("-")[0]
    kin = [c for c in _coins().values() if c.key.split("-")[0] == country]
    size = np.array([c.diameter_mm for c in kin])
    column = np.array([_CLASSES.index(c.colour) for c in kin])
    merit = np.empty(len(found))
    for i, one in enumerate(found):
        mm = majors * named.diameter_mm / one.major_px
        fits = np.exp(-0.5 * ((mm[:, None] / size - 1) / AGREEMENT_SIGMA) ** 2) * p[:, column]
        others = np.log(0.15 + 0.85 * fits.max(axis=1))
        own = np.log(0.01 + p[i, _CLASSES.index(named.colour)])
        merit[i] = own + others.sum() - others[i] + np.log(0.1 + one.score)
    best = int(merit.argmax())
    rival = np.abs(majors / majors[best] - 1) > CONFLICT
    if rival.any() and merit[rival].max() > merit[best] - np.log(SURE_FACTOR):
        raise photo_error("ambiguous_reference", count=len(found), coin=named.name)
    same = [
        one
        for i, one in enumerate(found)
        if abs(majors[i] / majors[best] - 1) < SAME_SIZE
        and p[i, _CLASSES.index(named.colour)] > 0.3
        and merit[i] > merit[best] - 3
    ]
    return tuple(same) or (found[best],)


# -- the scale ---------------------------------------------------------------


def scale_from_coin(photo: Photo, reference: str, *, places: Sequence[Place] = ()) -> Scale:
    """Return the scale that a coin of known kind gives.

    Its size at the coin's centre from the long axis of its face (methods: the long
    axis of a circle seen from an angle is its diameter to 0.08 %), its tilt from the
    short one and from the wall by the mean of the planes that may show it, the camera's
    height from the focal length. Several equal coins are averaged.

    Raises:
        PhotoError: No coin, one too small, or discs of which any could be it.
        ContractError: No such coin, or one that can't serve.
    """
    named = coin(reference)
    found = detect_coins(photo, places=places)
    if not found:
        raise photo_error("no_reference.coin", coin=named.name)
    picked = _pick(found, named)
    return _scale(photo, named, picked, found)


def _scale(
    photo: Photo, named: Coin, picked: tuple[CoinEllipse, ...], found: tuple[CoinEllipse, ...]
) -> Scale:
    picked = picked[:MOST_COINS]
    logs = np.log([one.major_px for one in picked])
    major = float(np.exp(logs.mean()))
    if major < MIN_REFERENCE_PX:
        raise photo_error(
            "reference_too_small.coin", coin=named.name, across_px=major, least_px=MIN_REFERENCE_PX
        )
    focal, u_focal = _focal_px(photo)
    middle = np.array([(photo.width_px - 1) / 2, (photo.height_px - 1) / 2])
    residuals = [one.residual_px / one.major_px for one in picked]
    thickness_share = named.thickness_mm / named.diameter_mm
    plane = plane_of_coins(
        [one.ellipse for one in picked],
        residuals=residuals,
        thickness_share=thickness_share,
        focal_px=focal,
        middle_px=middle,
        bodies=[
            look_at_body(
                photo.rgb,
                one.ellipse,
                ray=(np.array(one.centre_px) - middle) / focal,
                thickness_share=thickness_share,
            )
            for one in picked
        ],
    )
    centre = np.mean([one.centre_px for one in picked] + plane.shift_px, axis=0)
    mm_per_px = (named.diameter_mm - BEVEL_MM) / exp(plane.log_size)
    n = len(picked)
    # Equal coins share light and table, so half of the doubt stays however many there are.
    residual = float(np.sqrt(np.mean(np.square(residuals))))
    outline = hypot(U_OUTLINE_REL, U_OUTLINE_PX / major, U_OUTLINE_RESIDUALS * residual) * sqrt(
        0.25 + 0.75 / n
    )
    if n > 1:
        outline = max(outline, float(logs.std(ddof=1)) / sqrt(n))
    depth = focal * mm_per_px
    mm_from_px, camera = plane.mm_from_px(centre, depth_mm=depth, focal_px=focal, middle_px=middle)
    height = float(camera[2])
    budget = {
        "outline": outline,
        "diameter": named.u_diameter_mm / named.diameter_mm / sqrt(n),
        "rim height": U_THICKNESS_MM / height,
        "eccentricity": ECCENTRICITY_REL,
        "tilt": plane.u_log_size,
        "lens": LENS_REL,
    }
    return Scale(
        reference=named.key,
        mm_from_px=mm_from_px,
        mm_per_px=mm_per_px,
        u_rel=sqrt(sum(part**2 for part in budget.values())),
        budget=budget,
        tilt_deg=plane.tilt_deg,
        residual_px=float(np.sqrt(np.mean([one.residual_px**2 for one in picked]))),
        outlines_px=tuple(one.outline_px() for one in found),
        face_height_mm=named.thickness_mm,
        camera_mm=(float(camera[0]), float(camera[1]), height),
        u_camera_rel=hypot(u_focal, plane.u_log_cosine),
        white=None,
        u_away_rel_per_mm=sqrt(float(np.trace(plane.covariance)) / 2) / depth,
        away_covariance_px=plane.covariance / focal**2,
    )


def _focal_px(photo: Photo) -> tuple[float, float]:
    """Focal length in pixels and its relative standard uncertainty."""
    if photo.focal_px is not None:
        return photo.focal_px, U_FOCAL_REL
    diagonal = hypot(photo.width_px, photo.height_px)
    return DEFAULT_FOCAL_35MM / FILM_DIAGONAL_MM * diagonal, U_DEFAULT_FOCAL_REL
