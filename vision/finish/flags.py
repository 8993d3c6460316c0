"""Is there brass or solder on the piece?

Colour alone can't say: an even film of 60 to 65 nm on pure copper has the colour of
red brass, and one of 35 to 40 nm that of tin (``vision/finish/film.py``). What tells them
apart is where and how the colour lies. A fitting is a compact part, mostly at an
end, often wider than the tube, and meets the copper in a sharp line; a film fades
through its neighbours in Newton's order. Solder sits at joints; tin covers a whole
wire or its end evenly.

Where a trained network looked at the piece, its map says where parts may be, and fitted
weights (``vision/finish/mix.py``) say how likely: how sure it is at its surest, whether the
colour is the metal's, how large the part is. Film colours around a part speak against
it whatever the network says: an even film has no edge, but a film in places has rings.

Without a network the weights below are set by hand from that reasoning, looking at the
parts of rendered pieces with known truth (common practice, no source), and add up in
log-odds; the colour evidence comes from ``vision/finish/judging.py``.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from rules.findings import Flag
from vision.finish.mix import FlagWeights
from vision.types import Float32Array, Mask

BRASS_FROM_P = 0.4
GREY_FROM_P = 0.35
"""A pixel belongs to a suspected part from this probability on. Solder is small and
dull: with 0.35 for it one more of 16 rendered solderings is found, none more is false."""

SMALLEST_PART_WIDTHS2 = 0.3
"""A part covers at least so many squares of the piece's narrow width, or it is noise."""

WHOLE_FROM_SHARE = 0.5
"""Grey over more than this of the piece in all is its own finish (tinned), not a spot of solder."""

SHARP_WEIGHT = 1.4
"""Log-odds for a boundary that jumps at once, against one that fades. On a glossy round
piece the light's own changes hide many a sharp edge: 4 of 9 rendered fittings."""

WIDER_FROM = 1.2
WIDER_WEIGHT = 2.0
NARROWER_WEIGHT = -0.8
"""Log-odds for a part wider (a fitting, a blob) or narrower than the rest. All nine
rendered fittings were 1.3 to 1.7 times as wide as their tubes."""

LONG_FROM_WIDTHS2 = 11.0
LONG_AT_MOST_WIDTHS2 = 20.0
LONG_WEIGHT = -4.0
"""Log-odds where nearly the whole piece is a strip of even width, many widths long, of
brass colour: that is yellow plastic or amber enamel on a wire. A fitting is stout."""

AT_END_BRASS_WEIGHT = 0.5
BETWEEN_SOLDER_WEIGHT = 0.7
AT_END_SOLDER_WEIGHT = -0.2
"""Log-odds of place: fittings at ends; solder between two parts, tinning at ends."""

FILM_WEIGHT = -2.5
"""Log-odds where the surroundings show film colours (purple, claret)."""

FAR_PX = 14
"""How far from a part its surroundings reach, working pixels: about the piece's width."""

PURPLE_BLUER = 0.25
"""Purple film is so much bluer, in log blue over green, than the rest of its piece:
bare copper is at -0.18, film of 28 nm at +0.48 (vision/finish/film.py)."""

MOSTLY = 0.6
"""A part over 60 % of the piece is what the piece is made of, not an odd patch on it."""

PRIOR_BRASS = -2.0
PRIOR_SOLDER = -0.5
"""Log-odds before the shape is seen: most scrap pieces have neither."""

SMALL_SHARE = 0.03
SMALL_WEIGHT = -0.8
"""Log-odds of a part under 3 % of the piece: glints and stray reflections come so small."""

SURE = 4.5
"""No sum of hand-set weights is trusted beyond these log-odds (p 0.989)."""


NETWORK_FROM_P = 0.3
"""A pixel belongs to a part that the network suspects from this probability on."""

HINTED_FROM_P, HINTED_COLOUR = 0.1, 0.5
"""Where physics says the colour is the metal's, the network need only hint at it: a piece
of brass all over is one part, not the two spots of it that the network is sure of."""

LEAST_WIDTHS2 = 0.02
"""A part counts as at least so many squares of the piece's width: a pixel or two."""

LEAST_COLOUR = 0.03
"""Physics' word on a part's colour counts as at least this and at most its complement."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartScene:
    """What the search for parts sees, all ``(h, w)`` on the working copy.

    Attributes:
        mask: The piece.
        brass: Probability of brass colour, smoothed.
        grey: Probability of a grey metal, smoothed.
        log_rg: Logarithm of red over green relative to white.
        log_bg: Logarithm of blue over green relative to white.
        network_brass: Probability of brass by a trained network, None without one.
        network_solder: Probability of solder by a trained network, None without one.
        width_px: Narrow width of the piece, working pixels.
    """

    mask: Mask
    brass: Float32Array
    grey: Float32Array
    log_rg: Float32Array
    log_bg: Float32Array
    width_px: float
    network_brass: Float32Array | None = None
    network_solder: Float32Array | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """One suspected part: where, how large a share of the piece, how likely."""

    mask: Mask
    share: float
    p: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """How a part lies on its piece.

    Attributes:
        share: Area over the area of the piece.
        sharp: 0 where its colour fades into the piece's, 1 where it jumps; None
            without a neighbour.
        width_ratio: Its width over the rest's.
        pieces_left: In how many parts the rest falls without it; 0: nothing is left.
        films: Share of its surroundings in film colours.
        long_widths2: Its area in squares of its own width; large for a long strip.
    """

    share: float
    sharp: float | None
    width_ratio: float
    pieces_left: int
    films: float
    long_widths2: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PartEvidence:
    """What speaks for one part that a network suspects.

    Attributes:
        peak: The network's probability, smoothed over about the piece's width, where it
            is highest.
        physics: How likely its colour is the metal's, by physics alone.
        widths2: Its area in squares of the piece's width.
        films: Share of its surroundings in film colours.
    """

    peak: float
    physics: float
    widths2: float
    films: float = 0.0


def find_brass(
    scene: PartScene, weights: FlagWeights | None = None
) -> tuple[Flag, tuple[Part, ...]]:
    """Return how likely there is brass on the piece, and its parts."""
    if scene.network_brass is not None:
        return _by_network(scene, scene.network_brass, scene.brass, weights or FlagWeights())
    parts = []
    depth = piece_depth(scene.mask)
    for mask in _components(scene, scene.brass, from_p=BRASS_FROM_P):
        shape = measure_shape(scene, mask, depth=depth)
        p = brass_probability(float(scene.brass[mask].mean()), shape)
        parts.append(Part(mask=mask, share=shape.share, p=p))
    return _flag(parts, scene.brass[scene.mask])


def find_solder(
    scene: PartScene, weights: FlagWeights | None = None
) -> tuple[Flag, tuple[Part, ...]]:
    """Return how likely there is solder on the piece, and its parts."""
    if scene.network_solder is not None:
        return _by_network(scene, scene.network_solder, scene.grey, weights or FlagWeights())
    parts = []
    # Tin worn through in places falls into several parts; together they cover the piece.
    grey_share = float((scene.grey[scene.mask] > GREY_FROM_P).mean()) if scene.mask.any() else 0.0
    depth = piece_depth(scene.mask)
    for mask in _components(scene, scene.grey, from_p=GREY_FROM_P):
        shape = measure_shape(scene, mask, depth=depth)
        p = solder_probability(float(scene.grey[mask].mean()), shape, grey_share=grey_share)
        parts.append(Part(mask=mask, share=shape.share, p=p))
    return _flag(parts, scene.grey[scene.mask])


def part_probability(evidence: PartEvidence, weights: FlagWeights) -> float:
    """Return how likely a part that a network suspects is what it is suspected to be."""
    physics = float(np.clip(evidence.physics, LEAST_COLOUR, 1 - LEAST_COLOUR))
    return _sigmoid(
        weights.bias
        + weights.network * _logit(evidence.peak)
        + weights.physics * _logit(physics)
        + weights.size * float(np.log(max(evidence.widths2, LEAST_WIDTHS2)))
        + FILM_WEIGHT * evidence.films
    )


def suspected_parts(
    scene: PartScene, network: Float32Array, colour: Float32Array
) -> list[tuple[Mask, PartEvidence]]:
    """Return the parts that a network suspects, each with what speaks for it.

    Without a part over the threshold, the likeliest spot comes alone: so that "nothing
    there" has evidence of its own.
    """
    if not scene.mask.any():
        return []
    smooth = _smoothed(scene, network)
    colour = _smoothed(scene, colour)
    width2 = scene.width_px**2
    hinted = (smooth > HINTED_FROM_P) & (colour > HINTED_COLOUR)
    found = (((smooth > NETWORK_FROM_P) | hinted) & scene.mask).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(found, connectivity=8)
    order = np.argsort(-stats[1:count, cv2.CC_STAT_AREA])[:4] + 1
    parts = []
    for i in order:
        mask = labels == i
        usual = scene.mask & ~mask
        bluish = float(np.median(scene.log_bg[usual])) if usual.any() else 0.0
        _, films = _surroundings(_near(scene, mask), mask[_window(mask)], bluish)
        evidence = PartEvidence(
            peak=float(smooth[mask].max()),
            physics=float(colour[mask].max()),
            widths2=float(mask.sum()) / width2,
            films=films,
        )
        parts.append((mask, evidence))
    if not parts:
        inside = np.where(scene.mask, smooth, -1.0)
        at = np.unravel_index(int(inside.argmax()), inside.shape)
        mask = np.zeros_like(scene.mask)
        mask[at] = True
        spot = PartEvidence(peak=float(smooth[at]), physics=float(colour[at]), widths2=0.0)
        parts.append((mask, spot))
    return parts


def _by_network(
    scene: PartScene, network: Float32Array, colour: Float32Array, weights: FlagWeights
) -> tuple[Flag, tuple[Part, ...]]:
    area = max(int(scene.mask.sum()), 1)
    parts = [
        Part(mask=mask, share=float(mask.sum()) / area, p=part_probability(evidence, weights))
        for mask, evidence in suspected_parts(scene, network, colour)
    ]
    return _flag(parts, network[scene.mask])


def _smoothed(scene: PartScene, plane: Float32Array) -> Float32Array:
    """Return a plane averaged over about the piece's width, inside the piece only."""
    side = max(3, round(0.7 * scene.width_px)) | 1
    inside = scene.mask.astype(np.float32)
    covered = np.maximum(cv2.blur(inside, (side, side)), np.float32(0.05))
    return np.asarray(cv2.blur(plane * inside, (side, side)) / covered, dtype=np.float32)


def brass_probability(p_colour: float, shape: Shape) -> float:
    """Return how likely a part of brass colour is brass, from its shape and place."""
    if shape.pieces_left == 0:
        # The whole piece: nothing to compare with but the colour, and how long it is.
        return _sigmoid(_logit(p_colour) + _long_score(shape))
    score = _logit(p_colour) + _shape_score(shape)
    if shape.share <= MOSTLY:
        score += PRIOR_BRASS
    elif shape.width_ratio <= WIDER_FROM:
        score += _long_score(shape)
    if shape.pieces_left == 1:
        score += AT_END_BRASS_WEIGHT
    return _sigmoid(score)


def solder_probability(p_colour: float, shape: Shape, *, grey_share: float = 0.0) -> float:
    """Return how likely a grey part is solder, and not tinning or a silver film.

    Args:
        p_colour: How likely the part is a grey metal.
        shape: How it lies on the piece.
        grey_share: Share of the piece that is grey metal in all.
    """
    if shape.pieces_left == 0 or max(shape.share, grey_share) > WHOLE_FROM_SHARE:
        return 0.08 * p_colour
    score = _logit(p_colour) + PRIOR_SOLDER + _shape_score(shape)
    score += BETWEEN_SOLDER_WEIGHT if shape.pieces_left > 1 else AT_END_SOLDER_WEIGHT
    return _sigmoid(score)


def _long_score(shape: Shape) -> float:
    over = (shape.long_widths2 - LONG_FROM_WIDTHS2) / (LONG_AT_MOST_WIDTHS2 - LONG_FROM_WIDTHS2)
    return LONG_WEIGHT * float(np.clip(over, 0, 1))


def _shape_score(shape: Shape) -> float:
    score = FILM_WEIGHT * shape.films
    if shape.share < SMALL_SHARE:
        score += SMALL_WEIGHT
    if shape.sharp is not None:
        score += SHARP_WEIGHT * (shape.sharp - 0.6)
    if shape.width_ratio > WIDER_FROM:
        score += WIDER_WEIGHT
    elif shape.width_ratio < 0.85:
        score += NARROWER_WEIGHT
    return score


def piece_depth(mask: Mask) -> Float32Array:
    """Return how far each pixel of a piece lies from its outline, pixels."""
    depth = cv2.distanceTransform(np.pad(mask.astype(np.uint8), 1), cv2.DIST_L2, 3)
    return np.asarray(depth[1:-1, 1:-1])


def measure_shape(scene: PartScene, part: Mask, *, depth: Float32Array | None = None) -> Shape:
    """Return how a part lies on its piece; ``depth`` saves measuring it for each part."""
    area = int(scene.mask.sum())
    rest = scene.mask & ~part
    if depth is None:
        depth = piece_depth(scene.mask)
    width_ratio = 1.0
    if rest.sum() > 0.1 * area:
        width_ratio = float(np.percentile(depth[part], 90) / np.percentile(depth[rest], 90))
    width = max(2 * float(np.percentile(depth[part], 90)) / 0.9, 1.0)
    count, _, stats, _ = cv2.connectedComponentsWithStats(rest.astype(np.uint8), connectivity=8)
    left = int((stats[1:count, cv2.CC_STAT_AREA] > 0.05 * area).sum())
    usual = float(np.median(scene.log_bg[rest])) if rest.any() else 0.0
    sharp, films = _surroundings(_near(scene, part), part[_window(part)], usual)
    return Shape(
        share=float(part.sum() / max(area, 1)),
        sharp=sharp,
        width_ratio=width_ratio,
        pieces_left=left,
        films=films,
        long_widths2=float(part.sum()) / width**2,
    )


def _window(part: Mask) -> tuple[slice, slice]:
    """Return the part's box with room for every ring around it."""
    rows, columns = np.flatnonzero(part.any(axis=1)), np.flatnonzero(part.any(axis=0))
    return (
        slice(max(0, int(rows[0]) - FAR_PX - 1), int(rows[-1]) + FAR_PX + 2),
        slice(max(0, int(columns[0]) - FAR_PX - 1), int(columns[-1]) + FAR_PX + 2),
    )


def _near(scene: PartScene, part: Mask) -> PartScene:
    at = _window(part)
    return PartScene(
        mask=scene.mask[at],
        brass=scene.brass[at],
        grey=scene.grey[at],
        log_rg=scene.log_rg[at],
        log_bg=scene.log_bg[at],
        width_px=scene.width_px,
    )


def _surroundings(scene: PartScene, part: Mask, usual_bg: float) -> tuple[float | None, float]:
    """Return how sharply a part ends, and the share of film colours around it.

    Not right at the edge: there copper and grey blend to a mauve of their own. And
    against the rest of the piece, so that a bluish light makes no purple.
    """
    near_out = _ring(part, 1, 3) & scene.mask
    far_out = _ring(part, 6, FAR_PX) & scene.mask
    films = 0.0
    if far_out.any():
        purple = (scene.log_rg > 0.15) & (scene.log_bg > max(0.08, usual_bg + PURPLE_BLUER))
        films = float(np.clip(3 * purple[far_out].mean(), 0, 1))
    return _sharpness(scene, part, near_out, far_out), films


def _sharpness(scene: PartScene, part: Mask, near_out: Mask, far_out: Mask) -> float | None:
    """Return the colour step over 3 pixels at the edge over the step from deep to far."""
    inverse = ~part
    near_in = part & (_ring(inverse, 1, 3))
    deep = part & ~_ring(inverse, 0, 6)
    if deep.sum() < 4:
        deep = part & ~_ring(inverse, 0, 3)
    if near_out.sum() < 4 or far_out.sum() < 4 or near_in.sum() < 4:
        return None
    if deep.sum() < 4:
        deep = part

    def colour(where: Mask) -> Float32Array:
        return np.array(
            [np.median(scene.log_rg[where]), np.median(scene.log_bg[where])], np.float32
        )

    whole = float(np.hypot(*(colour(deep) - colour(far_out))))
    step = float(np.hypot(*(colour(near_in) - colour(near_out))))
    # A logistic edge 10 px wide still steps by 0.53 between the two rings; a jump by 1.
    return float(np.clip((step / max(whole, 0.05) - 0.4) / 0.5, 0, 1))


def _ring(mask: Mask, inner: int, outer: int) -> Mask:
    base = mask.astype(np.uint8)

    def grown(radius: int) -> Mask:
        if radius == 0:
            return mask
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1,) * 2)
        return np.asarray(cv2.dilate(base, kernel) > 0)

    ring: Mask = grown(outer) & ~grown(inner)
    return ring


def _components(scene: PartScene, p: Float32Array, *, from_p: float) -> list[Mask]:
    found = ((p > from_p) & scene.mask).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(found, connectivity=8)
    smallest = max(9.0, SMALLEST_PART_WIDTHS2 * scene.width_px**2)
    areas = stats[1:count, cv2.CC_STAT_AREA]
    order = np.argsort(-areas)[:4] + 1
    return [labels == i for i in order if stats[i, cv2.CC_STAT_AREA] >= smallest]


def _flag(parts: list[Part], evidence: Float32Array) -> tuple[Flag, tuple[Part, ...]]:
    if not parts:
        top = float(np.percentile(evidence, 98)) if evidence.size else 0.0
        return Flag(p=float(np.clip(0.01 + 0.3 * top * top, 0.0, 0.3)), share=0.0), ()
    # Parts of one piece share their doubt about the light, so they don't multiply.
    p = max(part.p for part in parts)
    likely = [part for part in parts if part.p >= 0.5]
    share = sum(part.share for part in likely) if likely else max(parts, key=lambda q: q.p).share
    return Flag(p=p, share=float(min(share, 1.0))), tuple(parts)


def _logit(p: float) -> float:
    p = min(max(p, 1e-4), 1 - 1e-4)
    return float(np.log(p / (1 - p)))


def _sigmoid(x: float) -> float:
    return float(1 / (1 + np.exp(-np.clip(x, -SURE, SURE))))
