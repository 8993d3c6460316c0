"""Which edges lie along rays from the middle of a disc, and whose colours?"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.reference.coin.surround import MISSING, Surround, shadow_like, surround_of
from vision.types import Float32Array, FloatArray, Image

PEAKS = 7
PEAK_FLOOR = 3.0  # grey levels per sample pair
TRUST_FULL = 0.4
# On 22 real coins (photos of bench.coins, cut out) of all numbers here and of rings.py this first
# alone counts: as 1.12 the edges of shadows count against a ring, and 7 coins are over 4 % off. Any
# other taken as 0.7 or 1.4 of it leaves the scatter at 1.1 to 1.5 % (1.3 as it is).
SHADOW_DISTRUST, SHADOW_DISTRUST_GREY = 0.8, 0.6
SMOOTH_PX = 0.7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rays:
    """What lies along ``n`` rays.

    Attributes:
        radius: ``(n, PEAKS)`` where the strongest edges are, in rays, `MISSING` where there is
            none; the strongest first.
        trust: ``(n, PEAKS)`` how far each is trusted, 0 to 1.
        around: Whose colour is where.
    """

    radius: Float32Array
    trust: Float32Array
    around: Surround


def look_along(
    rgb: Image,
    centre_px: FloatArray,
    rays_px: FloatArray,
    reach: FloatArray,
    *,
    inside: FloatArray,
    outside: FloatArray,
    finest_px: float,
) -> Rays:
    """Read the edges and the colours along rays.

    Args:
        rgb: The photo.
        centre_px: ``(2,)`` the middle.
        rays_px: ``(n, 2)`` from there to an outline.
        reach: ``(m,)`` where to look, in rays, evenly; from inside to outside the disc.
        inside: Where on a ray the disc surely is.
        outside: Where the table is.
        finest_px: A photo that shows the rays longer is averaged down to about this length.
    """
    longest = float(np.linalg.norm(rays_px, axis=1).max())
    half = int(longest * max(reach[-1], outside[-1])) + 6
    x0, y0 = (max(0, int(c) - half) for c in centre_px)
    part = rgb[y0 : int(centre_px[1]) + half + 1, x0 : int(centre_px[0]) + half + 1]
    factor = max(1, int(longest / finest_px + 0.3))
    if factor > 1:  # average first, so that fine relief does not alias
        h, w = (side // factor for side in part.shape[:2])
        part = cv2.resize(part[: h * factor, : w * factor], (w, h), interpolation=cv2.INTER_AREA)
    sigma_px = SMOOTH_PX * max(1.0, longest / factor / finest_px)
    smooth = cv2.GaussianBlur(part, (0, 0), sigma_px)

    def codes_at(shares: FloatArray) -> Image:
        places = centre_px - (x0, y0) + rays_px[:, None, :] * shares[None, :, None]
        at = ((places + 0.5) / factor - 0.5).astype(np.float32)
        return np.asarray(
            cv2.remap(
                smooth, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
            )
        )

    polar = codes_at(reach)
    radius, strength = _peaks(polar, reach)
    around = surround_of(polar, reach, codes_at(inside), codes_at(outside))
    # White metal on white paper: its outline, too, keeps the colour.
    distrust = SHADOW_DISTRUST * around.tells + SHADOW_DISTRUST_GREY * (1 - around.tells)
    trust = _trust(strength) * (1 - distrust * shadow_like(polar, reach, radius))
    return Rays(radius=radius, trust=trust.astype(np.float32), around=around)


def _peaks(polar: Image, reach: FloatArray) -> tuple[Float32Array, Float32Array]:
    """The strongest edges of every ray: ``(n, PEAKS)`` radii and strengths.

    Missing ones have strength 0 and a radius beyond all.
    """
    light = polar.astype(np.float32)
    step = light[:, 2:] - light[:, :-2]
    size = np.abs(step).max(axis=2)
    middle = size[:, 1:-1]
    is_peak = (middle > size[:, :-2]) & (middle >= size[:, 2:]) & (middle > PEAK_FLOOR)
    ranked = np.where(is_peak, middle, 0.0)
    pick = np.argsort(-ranked, axis=1)[:, :PEAKS]
    strength, left, right = (
        np.take_along_axis(values, pick, 1) for values in (ranked, size[:, :-2], size[:, 2:])
    )
    bend = left - 2 * strength + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1), 0.0)
    pitch = reach[1] - reach[0]
    radius = reach[0] + pitch * (pick + 2 + np.clip(shift, -0.5, 0.5))
    return (
        np.where(strength > 0, radius, MISSING).astype(np.float32),
        strength.astype(np.float32),
    )


def _trust(strength: Float32Array) -> Float32Array:
    """Trust in an edge: full from half the typical strongest edge of its disc upwards."""
    typical = float(np.median(strength[:, 0]))
    trust: Float32Array = np.minimum(1.0, strength / max(TRUST_FULL * typical, PEAK_FLOOR))
    return trust
