"""Is this photo good enough to answer, and if not, what should the person change?

Each gate that fails is a named problem with what to do about it. Nothing is refused
here: a blurred photo still gets its finish and flags, told with the problem beside.
"""

from __future__ import annotations

import cv2
import numpy as np

from vision.photo.colour import LUMINANCE, luminance, strongest_channel, to_linear
from vision.problems import problem_of
from vision.types import Float32Array, FloatArray, Image, Mask, Photo, Problem, Region, Scale

REBLUR_SIGMA_PX = 1.5
"""Extra blur by which the photo's own is told (Zhuo & Sim, Pattern Recognition 44
(2011) 1852): the ratio of gradients before and after depends on the own blur only."""

DENOISE_SIGMA_PX = 0.8
"""A light blur takes the noise out of the gradients; its part is taken off the result."""

OWN_VARIANCE = DENOISE_SIGMA_PX**2 + 4 / 12
"""Edge spread that the method itself adds: that blur, and a difference over 2 pixels."""

EDGE_STRENGTH_SHARE = 0.35
"""Edges at least this share of the strongest of their direction are looked at."""

NOISE_FACTOR = 6.0
MIN_GRADIENT = 0.002
"""Gradients of linear light per pixel below 6 times the photo's usual one, or below
0.002, are grain and noise, and tell no sharpness."""

MEDIAN_STEP = 3
"""The usual gradient is told by every third pixel each way: a tenth of the time."""

MIN_EDGE_PIXELS = 60
"""With fewer edge pixels the sharpness is not told."""

OUTLINE_BAND_PX = 9
"""Of a piece only edges so near its outline are looked at: shadows are soft by nature."""

MIN_CROP_PX = 16
WIDE_BLUR_PX = 1.8
MAX_FACTOR = 8
"""A blur past 1.8 px is told again on a copy half the size, down to an eighth."""

DIRECTIONS = 4
"""A shake smears edges of some directions only, so each of four is judged by itself."""

CROP_LONG_SIDE_PX = 640
"""Sharpness is judged at full resolution on at most this much of the photo."""

COARSE_LONG_SIDE_PX = 512
"""Exposure, glare and wide pieces are judged on a copy about this long."""

WIDE_STEPS = 20
"""A piece so many steps of the thinned mask wide is wide: one step is then 5 % of it."""

BLUR_LIMIT_PX = 4.0
BLUR_LIMIT_OF_WIDTH = 0.25
"""Blurred: an edge spread (standard deviation) past 4 px, or past a quarter of the
piece's width, where two edges run into one and no width can be told."""

CLIPPED_CODE = 250
"""Codes above have lost their colour to the sensor's end of scale."""

CLIPPED_SHARE_LIMIT = 0.25
"""Glare: more of the piece than this has lost its colour. Bright metal in good light
shows highlights on 5 to 15 % of its face (common practice, no source)."""

DARK_WHITE = 0.12
"""Linear light of a matte white, sRGB code 97, below which noise hides the finish."""

DARK_SCENE = 0.09
"""Without a known white: the brightest parts of a usable photo are above this, code 85."""

BRIGHT_WHITE = 0.97
"""A matte white at the end of the scale: whatever is shinier is clipped."""

CAST_LIMIT = 2.2
"""Strongest channel of a matte white over its weakest. A phone's own balance leaves
1.0 to 1.6 in lamp light; past 2.2 the weak channel is too noisy to tell brown from
green (common practice, no source)."""

MIN_WIDTH_PX = 8.0
"""Narrower pieces can't be measured well: the accuracy asked of the tool starts here."""

MIN_PX_PER_MM = MIN_WIDTH_PX / 1.291
"""Without a piece: below this a strand of 16 AWG (1.291 mm) is too narrow."""


def judge_quality(
    photo: Photo, *, region: Region | None, scale: Scale | None
) -> tuple[Problem, ...]:
    """Return a problem for each gate that a photo fails.

    Args:
        photo: The decoded photo.
        region: The piece in question; None judges the whole photo.
        scale: The scale, where a reference was found.
    """
    width_px = piece_width_px(region) if region is not None else None
    problems = []
    blur_limit = BLUR_LIMIT_PX
    if width_px is not None and width_px >= MIN_WIDTH_PX:
        blur_limit = min(blur_limit, BLUR_LIMIT_OF_WIDTH * width_px)
    blur_px = edge_blur_px(photo, region)
    if blur_px is not None and blur_px > blur_limit:
        problems.append(problem_of("blurred", blur_px=2 * blur_px))
    problems += _light_problems(photo.rgb, region, scale.white if scale is not None else None)
    if width_px is not None and width_px < MIN_WIDTH_PX:
        problems.append(
            problem_of("too_far.width", width_px=width_px) if width_px else problem_of("too_far")
        )
    elif width_px is None and scale is not None and 1 / scale.mm_per_px < MIN_PX_PER_MM:
        problems.append(problem_of("too_far"))
    return tuple(problems)


def piece_width_px(region: Region) -> float:
    """Return the width of the piece's widest part in photo pixels.

    To about one pixel where it is narrow; to 5 % where it is wide, from a thinned mask.
    """
    step = 1 + max(region.mask.shape) // COARSE_LONG_SIDE_PX
    coarse: float = step * _widest(region.mask[::step, ::step])
    finer = min(step, max(1, int(coarse / WIDE_STEPS)))
    return coarse if finer == step else finer * _widest(region.mask[::finer, ::finer])


def _widest(mask: Mask) -> float:
    if not mask.any():
        return 0.0
    padded = np.pad(mask.astype(np.uint8), 1)
    # Exact distances take ten times as long; these are within 2 % (Borgefors 1986).
    return 2 * float(cv2.distanceTransform(padded, cv2.DIST_L2, cv2.DIST_MASK_5).max()) - 1


def _light_problems(rgb: Image, region: Region | None, white: FloatArray | None) -> list[Problem]:
    """Return what is wrong with the light by a matte white, else by the brightest parts."""
    problems = []
    if white is None:
        if np.percentile(luminance(to_linear(_coarse(rgb))), 98) < DARK_SCENE:
            problems.append(problem_of("too_dark"))
    else:
        exposure = float(np.asarray(white) @ LUMINANCE)
        if exposure < DARK_WHITE:
            problems.append(problem_of("too_dark"))
        if exposure > BRIGHT_WHITE:
            problems.append(problem_of("too_bright"))
    if region is not None:
        clipped = clipped_share(rgb, region)
        if clipped > CLIPPED_SHARE_LIMIT:
            problems.append(problem_of("glare", percent=100 * clipped))
    if white is not None and np.max(white) / max(float(np.min(white)), 1e-3) > CAST_LIMIT:
        problems.append(problem_of("colour_cast"))
    return problems


def edge_blur_px(photo: Photo, region: Region | None) -> float | None:
    """Return the standard deviation of the edge spread in its worst direction, photo pixels.

    None with too few edges. Wide blurs are told on smaller copies, where they stand out of
    the noise.

    Args:
        photo: The photo.
        region: The piece along whose outline to look; None everywhere, all directions as one.
    """
    rgb, near = _part_for_sharpness(photo, region)
    if min(rgb.shape[:2]) < MIN_CROP_PX:
        return None
    light = luminance(to_linear(np.ascontiguousarray(rgb)))
    factor = 1
    while True:
        told = _blur_at(light, near)
        is_small = told is not None and told < WIDE_BLUR_PX
        if is_small or factor >= MAX_FACTOR or min(light.shape) < 2 * MIN_CROP_PX:
            return None if told is None else told * factor
        factor *= 2
        half = (light.shape[1] // 2, light.shape[0] // 2)
        light = np.asarray(cv2.resize(light, half, interpolation=cv2.INTER_AREA), np.float32)
        if near is not None:
            near = cv2.resize(near.astype(np.uint8), half, interpolation=cv2.INTER_AREA) > 0


def _part_for_sharpness(photo: Photo, region: Region | None) -> tuple[Image, Mask | None]:
    """Return the middle of the piece, or of the photo, at full resolution, and where to look.

    Where to look is the band along the piece's outline; None without a piece.
    """
    height, width = photo.rgb.shape[:2]
    left, top, w, h = (0, 0, width, height) if region is None else region.box_px
    cut_x, cut_y = max(0, (w - CROP_LONG_SIDE_PX) // 2), max(0, (h - CROP_LONG_SIDE_PX) // 2)
    x0, x1, y0, y1 = left + cut_x, left + w - cut_x, top + cut_y, top + h - cut_y
    if region is None:
        return photo.rgb[y0:y1, x0:x1], None
    margin = OUTLINE_BAND_PX + 3
    piece = region.mask[cut_y : h - cut_y, cut_x : w - cut_x].astype(np.uint8)
    piece = np.pad(piece, margin)
    kernel = np.ones((2 * OUTLINE_BAND_PX + 1, 2 * OUTLINE_BAND_PX + 1), np.uint8)
    band = cv2.dilate(piece, kernel) - cv2.erode(piece, kernel)
    # The crop itself may end at the photo's edge; the band is cut with it.
    left_out, top_out = max(0, margin - x0), max(0, margin - y0)
    part = photo.rgb[max(0, y0 - margin) : y1 + margin, max(0, x0 - margin) : x1 + margin]
    band = band[top_out : top_out + part.shape[0], left_out : left_out + part.shape[1]]
    return part, np.asarray(band, dtype=bool)


def _blur_at(light: Float32Array, near: Mask | None) -> float | None:
    """Return the spread of the edges, in pixels of ``light``; None with too few edges.

    An edge blurred by sigma and blurred again by s keeps ``sigma / hypot(sigma, s)`` of
    its gradient; the ratio at strong edges gives sigma back.
    """
    light = np.asarray(cv2.GaussianBlur(light, (0, 0), DENOISE_SIGMA_PX), np.float32)
    dx, dy = _gradients(light)
    strength = cv2.magnitude(dx, dy)
    kept_strength = cv2.magnitude(*_gradients(cv2.GaussianBlur(light, (0, 0), REBLUR_SIGMA_PX)))
    usual = float(np.median(strength[::MEDIAN_STEP, ::MEDIAN_STEP]))
    floor = max(NOISE_FACTOR * usual, MIN_GRADIENT)
    edges = _ridge(strength) & (strength > floor)
    if near is not None:
        edges &= near
    strength, kept = strength[edges], kept_strength[edges] / strength[edges]
    if near is None:
        direction = np.zeros(strength.size, int)
    else:
        turn = np.arctan2(dy[edges], dx[edges]) / np.pi * DIRECTIONS
        direction = np.round(turn).astype(int) % DIRECTIONS

    sigmas = []
    for one in range(DIRECTIONS):
        mine = direction == one
        if np.count_nonzero(mine) < MIN_EDGE_PIXELS:
            continue
        mine &= strength > EDGE_STRENGTH_SHARE * np.percentile(strength[mine], 98)
        ratio = np.clip(kept[mine], 0.05, 0.995)
        sigma = REBLUR_SIGMA_PX * ratio / np.sqrt(1 - ratio**2)
        # The sharper ones: a round flank in its own shade is softer than the photo.
        sharp = float(np.percentile(sigma, 25))
        sigmas.append(float(np.sqrt(max(sharp**2 - OWN_VARIANCE, 0.0))))
    return max(sigmas) if sigmas else None


def _gradients(light: Float32Array) -> tuple[Float32Array, Float32Array]:
    """Return the central differences along x and along y."""
    dx = cv2.Sobel(light, cv2.CV_32F, 1, 0, ksize=1, scale=0.5)
    dy = cv2.Sobel(light, cv2.CV_32F, 0, 1, ksize=1, scale=0.5)
    return np.asarray(dx, dtype=np.float32), np.asarray(dy, dtype=np.float32)


def _ridge(strength: Float32Array) -> Mask:
    """Return where the gradient is the strongest of its neighbours: the middle of an edge."""
    along_x = strength >= cv2.dilate(strength, np.ones((1, 3), np.uint8))
    along_y = strength >= cv2.dilate(strength, np.ones((3, 1), np.uint8))
    return np.asarray(along_x | along_y, dtype=bool)


def clipped_share(rgb: Image, region: Region) -> float:
    """Return the share of a piece whose colour is lost."""
    x, y, w, h = region.box_px
    step = max(1, max(w, h) // COARSE_LONG_SIDE_PX)
    part, mask = rgb[y : y + h : step, x : x + w : step], region.mask[::step, ::step]
    clipped = strongest_channel(np.ascontiguousarray(part)) >= CLIPPED_CODE
    clipped = clipped[mask[: clipped.shape[0], : clipped.shape[1]]]
    return float(clipped.mean()) if clipped.size else 0.0


def _coarse(rgb: Image) -> Image:
    step = max(1, max(rgb.shape[:2]) // COARSE_LONG_SIDE_PX)
    return rgb[::step, ::step]
