"""How big is a pixel, told by a coin? Coins found, the named one picked, its scale.

The long axis of a coin's outline is its diameter seen from wherever the camera
was; so a coin gives the scale where it lies, and its camera's height. Which way the
table tilts it tells less surely (`vision.reference.coin.tilt`): that doubt grows with the
distance from the coin, and is stated. The wall that shows below the face on the near side is
used, not only suffered: size and tilt come from the coin as a body (`vision.reference.coin.body`).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, hypot, sqrt

import numpy as np

from vision.problems import photo_error
from vision.reference.coin.body import look_at_body
from vision.reference.coin.discs import find_discs
from vision.reference.coin.ellipse import Ellipse
from vision.reference.coin.kinds import Coin, coin
from vision.reference.coin.naming import pick
from vision.reference.coin.outline import Disc
from vision.reference.coin.tilt import plane_of_coins
from vision.reference.places import Place
from vision.reference.plane import lens_of
from vision.types import Photo, Scale

U_THICKNESS_MM = 0.2
"""Height of the rim's edge over the table: bevel, wear, and thicknesses not verified."""

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

U_OUTLINE_REL, U_OUTLINE_PX = 0.005, 1.0
"""Standard uncertainty of the long axis of a clear outline, and in pixels; not knowing which edge
is the coin's comes to it (`BodyLook.u_log_major`). Of 243 real coins on nine phone photos, by all
the others on theirs, 99 % lie within two of the sum, 12 % outside of one."""

LEAST_BODY = 0.28
"""Score of a coin's best plane (`vision.reference.coin.body`) below which its outline counts for
nothing. Of 171 real coins cut out with bits of their neighbours two were off by 14 and 26 %, led
astray by those: they score 0.21 and 0.26. The lowest of some 90 outlines that are right, a dark
coin on dark wood, scores 0.30."""

OUTLINE_POINTS = 72  # told of each outline
ECCENTRICITY_REL = 0.0008  # long axis against diameter at 150 mm and 30 degrees
LENS_REL = 0.002  # left over after the phone's own correction: assumed, no source


def detect_coins(photo: Photo, *, places: Sequence[Place]) -> list[Disc]:
    """Find every coin-like disc that lies whole in the photo, best first.

    Args:
        photo: The photo.
        places: Where they may lie; what lies elsewhere is no coin, nor are discs that fill, with
            their fellows there, too little of their place, like a print on a card.
    """
    found = [
        disc
        for disc in find_discs(photo.rgb, places=places)
        if disc.ellipse.major_px >= MIN_DETECTED_PX
    ]
    good: set[int] = set()
    for place in places:
        there = [n for n, disc in enumerate(found) if _is_on(disc.ellipse, place)]
        area = sum(found[n].ellipse.area_px for n in there)
        if area > MIN_PATCH_SHARE * place.area_px:
            good.update(there)
    return [found[n] for n in sorted(good)]


def _is_on(ellipse: Ellipse, place: Place) -> bool:
    x, y, w, h = place.box_px
    across, down = (ellipse.centre_px[0] - x) / w, (ellipse.centre_px[1] - y) / h
    low, high = -PATCH_MARGIN, 1 + PATCH_MARGIN
    return low < across < high and low < down < high


def scale_from_coin(photo: Photo, reference: str, *, places: Sequence[Place]) -> Scale:
    """Return the scale that a coin of known kind gives.

    Its size at the coin's centre from the long axis of its face (methods: the long
    axis of a circle seen from an angle is its diameter to 0.08 %), its tilt from the
    short one and from the wall by the mean of the planes that may show it, the camera's
    height from the focal length. Several equal coins are averaged.

    Raises:
        PhotoError: ``no_reference``, ``reference_too_small``, ``reference_unclear``,
            ``ambiguous_reference`` where any of several could be it, ``other_reference`` where
            it looks like another coin.
        ContractError: No such coin, or one that can't serve.
    """
    named = coin(reference)
    found = detect_coins(photo, places=places)
    if not found:
        raise photo_error("no_reference.coin", coin=named.name)
    picked = pick(
        np.array([one.ellipse.major_px for one in found]),
        [one.face for one in found],
        np.array([one.support for one in found]),
        named=named,
    )
    return _scale(photo, named, [found[i] for i in picked[:MOST_COINS]], found)


def _scale(photo: Photo, named: Coin, picked: list[Disc], found: list[Disc]) -> Scale:
    major = float(np.exp(np.mean(np.log([one.ellipse.major_px for one in picked]))))
    if major < MIN_REFERENCE_PX:
        raise photo_error(
            "reference_too_small.coin", coin=named.name, across_px=major, least_px=MIN_REFERENCE_PX
        )
    lens = lens_of(photo)
    focal, middle = lens.focal_px, np.array(lens.centre_px)
    thickness_share = named.thickness_mm / named.diameter_mm
    looks = [
        look_at_body(
            photo.rgb,
            one.ellipse,
            ray=(np.array(one.ellipse.centre_px) - middle) / focal,
            thickness_share=thickness_share,
        )
        for one in picked
    ]
    clear = [n for n, look in enumerate(looks) if look.scores.max() > LEAST_BODY]
    if not clear:
        raise photo_error("reference_unclear", coin=named.name)
    picked, bodies = [picked[n] for n in clear], [looks[n] for n in clear]
    plane = plane_of_coins(
        [one.ellipse for one in picked],
        residuals=[one.residual_px / one.ellipse.major_px for one in picked],
        thickness_share=thickness_share,
        focal_px=focal,
        middle_px=middle,
        bodies=bodies,
    )
    centre = np.mean([one.ellipse.centre_px for one in picked] + plane.shift_px, axis=0)
    mm_per_px = (named.diameter_mm - BEVEL_MM) / exp(plane.log_size)
    n = len(picked)
    # Equal coins share light and table, so half of the doubt stays however many there are.
    which = float(np.sqrt(np.mean([look.u_log_major**2 for look in bodies])))
    outline = hypot(U_OUTLINE_REL, U_OUTLINE_PX / major, which) * sqrt(0.25 + 0.75 / n)
    if n > 1:
        logs = np.log([one.ellipse.major_px for one in picked])
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
        outlines_px=tuple(one.ellipse.points(OUTLINE_POINTS) for one in found),
        face_height_mm=named.thickness_mm,
        camera_mm=(float(camera[0]), float(camera[1]), height),
        u_camera_rel=hypot(lens.u_log_focal, plane.u_log_cosine),
        white=None,
        u_away_rel_per_mm=sqrt(float(np.trace(plane.covariance)) / 2) / depth,
        away_covariance_px=plane.covariance / focal**2,
    )
