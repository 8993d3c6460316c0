"""What finish has the piece: bright, tarnished, green, coated or tinned?

Each pixel's look (``vision/finish/appearance.py``) goes through class constants fitted on
physics (``models/recipe/fits/colour_families.py``): copper under films and browns, greens,
coats, grey metals, brass; what is not the piece at all (table under a loose outline)
counts little. The white's doubt is carried through by looking at every
pixel under several possible whites. A trained network's surface map, where there is
one, leads; physics corrects it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from importlib.resources import files

import cv2
import numpy as np
from numpy.typing import NDArray

from rules.errors import ContractError
from rules.findings import Finish, FinishFinding, Flag, Measurement, Unit
from vision.finish.appearance import (
    FEATURES,
    SHIFTED_BY_BG,
    SHIFTED_BY_LEVEL,
    SHIFTED_BY_RG,
    WorkCopy,
    pixel_features,
    work_copy,
)
from vision.finish.flags import Part, PartScene, find_brass, find_solder
from vision.finish.mix import FlagWeights, Mix, shipped_mix
from vision.finish.surface import cover, familiarity
from vision.photo.white import WhiteEstimate, WhiteOrigin
from vision.types import Float32Array, FloatArray, Mask, Photo, Region, Surface, SurfaceMap

BRIGHT, TARNISHED, GREEN, COATED, GREY, BRASS = range(6)
"""Classes of the constants, in their order."""

MAX_SAMPLES = 1500
"""Pixels looked at closely; more only repeat their neighbours."""

FEWEST_VALID = 12
"""With fewer usable pixels nothing is said about the finish."""

LEAST_OWN = 0.05
"""A pixel counts at least this much, however little it looks like the piece."""

BURNT_CODE = 244
BURNT_SPOT_SHARE = 0.6
BURNT_GREY = 0.7
"""A spot whose weakest channel is above this code over this share of the width counts as
so likely grey metal: lamp gloss on a coat can do the same (common practice, no source)."""

FITTED_U_CHROMA = 0.025
FITTED_U_LEVEL = 0.12
"""White errors that the constants were fitted with (models/recipe/fits/colour_families.py):
only doubt beyond them is added."""

LEAST_DOUBT = 0.01
"""Doubt of the white, as a logarithm, that is not worth looking at again."""

TOGETHER = 0.35
"""How much of a pixel's class doubt is common to the whole piece; the rest averages out."""

DARKEST_BRASS = -3.2
"""Logarithm of the brightest luminance nearby, against a white, below which nothing is
brass: 4 %. A coin of dark bronze reaches 31 %, a black plastic sleeve 2 %."""

UNSEEN_PART = 0.25
"""Doubt of a share for the part of the piece that was clipped or dark."""

U_HIDDEN_LEVEL = 0.3
"""Doubt of the tarnish level of bare metal that is not in sight: nearly 0 to 1."""

U_MODEL = 0.02
"""Doubt of a share that no averaging removes: the outline's own error."""

LEAST_P = 1e-3
"""Smaller probabilities count as this when network and physics are mixed."""

LEAST_BARE = 0.05
"""With less bare metal in sight the network's tarnish level says nothing."""

STRANGE, KNOWN = 0.4, 0.6
"""Familiarity below and above which the network counts not at all and fully: around 0.5,
which one in a hundred of the pieces it was calibrated on does not reach."""

HALF = 0.5

OTHER_METAL_FROM = 0.3
"""Share of the piece that the network takes for another metal from which a note says so:
4 of 6 rendered pieces of steel, aluminium, nickel and zinc pass it, and 3 of 183 of copper,
all of them tinned."""

OTHER_METAL_NOTE = (
    "may be no copper at all (steel, aluminium, nickel): try a magnet, and file a spot: "
    "grey right through means another metal"
)

FAMILIAR = 0.5
"""Below this familiarity (vision/finish/surface.py) the network's classes decide nothing: one in
a hundred of the pieces it was calibrated on lies below."""

STRANGE_NOTE = (
    "its surface is unlike any that the tool was trained on: judge the finish by eye, "
    "or scrape a spot and look"
)

OVER_PART = 0.5
"""Parts at least this likely are taken out of the shares of the copper."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FinishReading:
    """What the surface of one piece tells.

    Attributes:
        finish: Shares and tarnish level for the rules; None where nothing of the
            piece can be seen.
        brass: Brass on the piece.
        solder: Solder on the piece.
        brass_boxes_px: Boxes of likely brass in the photo, ``(x, y, w, h)``.
        solder_boxes_px: Boxes of likely solder.
        class_map: ``(h, w)`` uint8, index into :class:`vision.types.Surface`, TABLE
            outside the piece; over ``class_map_box_px`` of the photo.
        class_map_box_px: ``(x, y, w, h)`` of the map in the photo.
        notes: What a person should know.
        other_metal: Whether the whole piece is another metal than copper or brass.
        form_hints: Numbers that may help to tell the form: ``other_metal``, the share
            of grey metal and brass; with a network also ``network_other_metal``, what
            it takes for neither copper, tin, solder nor brass, and ``familiarity``.
    """

    finish: FinishFinding | None
    brass: Flag
    solder: Flag
    brass_boxes_px: tuple[tuple[int, int, int, int], ...] = ()
    solder_boxes_px: tuple[tuple[int, int, int, int], ...] = ()
    class_map: NDArray[np.uint8]
    class_map_box_px: tuple[int, int, int, int]
    notes: tuple[str, ...] = ()
    other_metal: Flag = field(default_factory=lambda: Flag(p=0.0))
    form_hints: Mapping[str, float] = field(default_factory=dict)


@lru_cache(maxsize=1)
def _constants() -> dict[str, Float32Array]:
    with files("vision").joinpath("data/colour_families.npz").open("rb") as file:
        loaded = np.load(file)
        data = {name: loaded[name] for name in loaded.files}
    if tuple(data.pop("features")) != FEATURES:
        raise ContractError("constants belong to other features", where="colour_families.npz")
    data.pop("classes")
    return data


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """What the constants say of some pixels, one row each.

    Attributes:
        p: ``(n, 6)`` probabilities: bright, tarnished, green, coated, grey metal, brass.
        level: ``(n,)`` tarnish level.
        own: ``(n,)`` probability that it belongs to the piece at all.
    """

    p: Float32Array
    level: Float32Array
    own: Float32Array


def class_probabilities(features: Float32Array) -> Seen:
    """Return what pixels with these features, ``(n, len(FEATURES))``, are."""
    c = _constants()
    z = (np.clip(features, c["low"], c["high"]) - c["mean"]) / c["std"]
    # cv2's product and exponential: on a busy machine numpy's threads wait for each other
    # (6 ms against 0.7 ms here), and its tanh is slow in float32.
    hidden = cv2.gemm(np.ascontiguousarray(z, np.float32), c["w1"], 1.0, np.empty(0), 0.0)
    np.clip(hidden + c["b1"], -9, 9, out=hidden)
    hidden = 1 - 2 / (cv2.exp(2 * hidden) + 1)
    out = cv2.gemm(hidden, c["w2"], 1.0, np.empty(0), 0.0) + c["b2"]
    logits = out[:, :-1] / c["temperature"]
    e = np.exp(logits - logits.max(axis=1, keepdims=True))
    # In order: six classes of the piece, then what is none of it, then the level.
    of_piece = e[:, :6] + np.float32(1e-9)
    total = of_piece.sum(axis=1)
    return Seen(
        p=np.asarray(of_piece / total[:, None], dtype=np.float32),
        level=np.asarray(np.clip(out[:, -1], 0, 1), dtype=np.float32),
        own=np.asarray(total / (total + e[:, 6]), dtype=np.float32),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """All that a piece's pixels tell, before it is weighed.

    Attributes:
        work: The piece on its working copy.
        at: ``(h, w)`` the pixels that were looked at closely.
        features: ``(n, len(FEATURES))`` of those.
        under: What physics says of those, under each white that may be.
        physics: ``(h, w, 6)`` probabilities by physics, smoothed, in the order of the
            constants' classes.
        network: ``(len(Surface), h, w)`` probabilities by the network; None without one.
        network_level: ``(h, w)`` tarnish level by the network.
        familiarity: How like the network's training the piece is, 0 to 1.
    """

    work: WorkCopy
    at: Mask
    features: Float32Array
    under: tuple[Seen, ...]
    physics: Float32Array
    network: Float32Array | None = None
    network_level: Float32Array | None = None
    familiarity: float = 1.0

    def trust(self) -> float:
        """Return how far the network's word counts on this piece, 0 to 1.

        Fully where it knows such surfaces and takes the piece for one; not at all where
        it doesn't (a coin is a reference to it, and one in a hundred pieces is strange):
        there physics judges as it would without a network.
        """
        if self.network is None:
            return 0.0
        known = (self.familiarity - STRANGE) / (KNOWN - STRANGE)
        none = [list(Surface).index(s) for s in (Surface.TABLE, Surface.REFERENCE)]
        of_piece = 1.0 - float(self.network[none][:, self.work.mask].sum(axis=0).mean())
        return float(np.clip(known, 0, 1) * np.clip(of_piece / HALF, 0, 1))

    def feature(self, name: str) -> Float32Array:
        """Return one feature as a plane over the working copy."""
        return _spread(self.features[:, FEATURES.index(name)], self.at, self.work)


def gather_evidence(
    photo: Photo, region: Region, *, white: WhiteEstimate, surface: SurfaceMap | None = None
) -> Evidence | None:
    """Return what physics and the network see on one piece, each for itself.

    None where too few pixels of the piece can be used.
    """
    work = work_copy(photo.rgb, region.mask, region.box_px)
    if work.valid.sum() < FEWEST_VALID:
        return None
    at = _sampled(work.valid)
    features = pixel_features(work, white.rgb, at=at)
    under = tuple(_seen(features + shift) for shift in _other_whites(white))
    own = np.maximum(np.mean([seen.own for seen in under], axis=0), LEAST_OWN)
    physics = _smooth(np.mean([seen.p for seen in under], axis=0), own, at, work)
    if surface is None:
        return Evidence(work=work, at=at, features=features, under=under, physics=physics)
    seen = _resampled(
        np.concatenate([surface.p, surface.tarnish_level[None]]), surface.box_px, work
    )
    return Evidence(
        work=work,
        at=at,
        features=features,
        under=under,
        physics=physics,
        network=seen[:-1],
        network_level=seen[-1],
        familiarity=familiarity(surface, cover(surface, region.mask, box_px=region.box_px)),
    )


def judge_finish(
    photo: Photo,
    region: Region,
    *,
    white: WhiteEstimate,
    surface: SurfaceMap | None = None,
    mix: Mix | None = None,
) -> FinishReading:
    """Return finish, tarnish and flags of one piece.

    Args:
        photo: The photo.
        region: The piece.
        white: The light; its doubt widens the answer.
        surface: Class probabilities of a trained network, which then lead.
        mix: How much network and physics count; None for what ships.
    """
    evidence = gather_evidence(photo, region, white=white, surface=surface)
    if evidence is None:
        return _unseen(work_copy(photo.rgb, region.mask, region.box_px))
    mix = mix or shipped_mix()
    work = evidence.work
    planes = evidence.physics if evidence.network is None else mixed(evidence, mix)
    scene = part_scene(evidence)
    trust = evidence.trust() if mix.physics > 0 else 1.0
    brass, brass_parts = _flagged(find_brass, scene, mix.brass, trust)
    solder, solder_parts = _flagged(find_solder, scene, mix.solder, trust)
    shares, left = _shares(planes, work.mask, brass_parts, solder_parts)
    finish = _finding(shares, left, planes, evidence, mix)
    strange = evidence.familiarity < FAMILIAR
    if strange:
        finish, brass, solder = _doubted(finish), _doubted_flag(brass), _doubted_flag(solder)
    likely_brass = [part for part in brass_parts if part.p >= OVER_PART]
    likely_solder = [part for part in solder_parts if part.p >= OVER_PART]
    other = float(planes[work.mask][:, [GREY, BRASS]].sum(axis=1).mean())
    hints = _hints(evidence)
    return FinishReading(
        finish=finish,
        brass=brass,
        solder=solder,
        brass_boxes_px=tuple(_box(part.mask, work, photo) for part in likely_brass),
        solder_boxes_px=tuple(_box(part.mask, work, photo) for part in likely_solder),
        class_map=_class_map(planes, work.mask, likely_brass, likely_solder),
        class_map_box_px=_map_box(work),
        notes=_notes(work, white)
        + ((STRANGE_NOTE,) if strange else ())
        + _other_metal_note(hints, brass),
        other_metal=_other_metal(hints, brass),
        form_hints={"other_metal": other, **hints},
    )


def part_scene(evidence: Evidence) -> PartScene:
    """Return what the search for brass and solder looks at."""
    work, network = evidence.work, evidence.network
    index = {name: i for i, name in enumerate(Surface)}
    return PartScene(
        mask=work.mask,
        brass=evidence.physics[..., BRASS],
        grey=np.maximum(evidence.physics[..., GREY], BURNT_GREY * _burnt_white(work)),
        log_rg=evidence.feature("log_rg"),
        log_bg=evidence.feature("log_bg"),
        width_px=work.width_px,
        network_brass=None if network is None else network[index[Surface.BRASS]],
        network_solder=None if network is None else network[index[Surface.SOLDER]],
    )


def _hints(evidence: Evidence) -> dict[str, float]:
    if evidence.network is None:
        return {}
    of_piece = evidence.network[:, evidence.work.mask].mean(axis=1)
    return {
        "network_other_metal": float(of_piece[list(Surface).index(Surface.OTHER_METAL)]),
        "familiarity": evidence.familiarity,
    }


def _flagged(
    find: Callable[[PartScene, FlagWeights | None], tuple[Flag, tuple[Part, ...]]],
    scene: PartScene,
    weights: FlagWeights,
    trust: float,
) -> tuple[Flag, tuple[Part, ...]]:
    """Return a flag by the network and by physics, each as far as the network is trusted."""
    if scene.network_brass is None or trust >= 1:
        return find(scene, weights)
    by_physics = find(replace(scene, network_brass=None, network_solder=None), None)
    if trust <= 0:
        return by_physics
    led = find(scene, weights)
    p = trust * led[0].p + (1 - trust) * by_physics[0].p
    flag, parts = led if trust * led[0].p >= (1 - trust) * by_physics[0].p else by_physics
    return replace(flag, p=p), tuple(replace(part, p=min(part.p, p)) for part in parts)


def _other_metal(hints: Mapping[str, float], brass: Flag) -> Flag:
    """Return how likely the whole piece is another metal, by the network's share of it.

    Brass has a flag of its own. Of 189 pieces of 145 renders 7 had a share above 0.3:
    4 of the 6 of another metal, and 3 of tinned copper.
    """
    share = hints.get("network_other_metal", 0.0) * (1 - brass.p)
    return Flag(p=share**2 / (share**2 + OTHER_METAL_FROM**2), share=share)


def _other_metal_note(hints: Mapping[str, float], brass: Flag) -> tuple[str, ...]:
    other = hints.get("network_other_metal", 0.0) > OTHER_METAL_FROM
    return (OTHER_METAL_NOTE,) if other and brass.p < OVER_PART else ()


def _doubted(finish: FinishFinding) -> FinishFinding:
    """Return a finish drawn half-way to "anything", and as unsure as its shares allow.

    So no grade that hangs on the finish can be decided from it.
    """
    shares = {f: 0.5 * s + 0.5 / len(Finish) for f, s in finish.shares.items()}
    level = finish.tarnish_level
    return replace(
        finish,
        shares=shares,
        u={f: (s * (1 - s)) ** 0.5 for f, s in shares.items()},
        tarnish_level=Measurement(
            value=level.value,
            u=max(level.u, U_HIDDEN_LEVEL),
            unit=level.unit,
            low95=0.0,
            high95=1.0,
        ),
    )


def _doubted_flag(flag: Flag) -> Flag:
    """Return a flag half-way to even odds, in log-odds."""
    odds = (flag.p / (1 - flag.p)) ** 0.5 if flag.p < 1 else 10.0
    return replace(flag, p=odds / (1 + odds))


def _burnt_white(work: WorkCopy) -> Float32Array:
    """Return 1 where a spot about as wide as the piece is burnt out to white, else 0.

    Red clips first on copper and brass, so that their burnt spots stay yellow at the
    rim and only grey metal gives a wide white blob; a thin line of gloss is anything's.
    """
    rows, columns = work.mask.shape
    white = (work.rgb.min(axis=2) >= BURNT_CODE) & work.mask
    if not white.any():
        return np.zeros((rows, columns), np.float32)
    side = max(3, round(0.7 * work.width_px)) | 1
    wide = cv2.blur(white.astype(np.float32), (side, side)) / np.maximum(
        cv2.blur(work.mask.astype(np.float32), (side, side)), 1e-3
    )
    return np.asarray((white & (wide > BURNT_SPOT_SHARE)), dtype=np.float32)


def _sampled(valid: Mask) -> Mask:
    """Return every n-th valid pixel of a grid, at most about ``MAX_SAMPLES``."""
    step = int(np.ceil((valid.sum() / MAX_SAMPLES) ** 0.5))
    if step <= 1:
        return valid
    grid = np.zeros_like(valid)
    grid[step // 2 :: step, step // 2 :: step] = True
    sampled: Mask = grid & valid
    return sampled if sampled.sum() >= FEWEST_VALID else valid


def _other_whites(white: WhiteEstimate) -> list[Float32Array]:
    """Return what to add to the features for whites whose spread is the white's doubt.

    The cubature points of a normal of n independent parts (red/green, blue/green,
    level): plus and minus sqrt(n) deviations on each axis, equal weights (Arasaratnam
    & Haykin, IEEE Trans. Autom. Control 54 (2009) 1254), so that means and variances
    over them are those over the doubt. With no doubt to add, nothing.
    """
    u = max(white.u**2 - FITTED_U_CHROMA**2, 0.0) ** 0.5
    u_level = max(white.u_level**2 - FITTED_U_LEVEL**2, 0.0) ** 0.5
    axes = [
        (names, sigma)
        for names, sigma in ((SHIFTED_BY_RG, u), (SHIFTED_BY_BG, u), (SHIFTED_BY_LEVEL, u_level))
        if sigma >= LEAST_DOUBT
    ]
    shifted = []
    for names, sigma in axes:
        columns = [FEATURES.index(name) for name in names]
        for sign in (-1.0, 1.0):
            shift = np.zeros(len(FEATURES), np.float32)
            shift[columns] = sign * len(axes) ** 0.5 * sigma
            shifted.append(shift)
    return shifted or [np.zeros(len(FEATURES), np.float32)]


def _seen(features: Float32Array) -> Seen:
    """Return what pixels are, hardly brass where nothing nearby shines like a metal."""
    seen = class_probabilities(features)
    dull = features[:, FEATURES.index("wide_peak")] < DARKEST_BRASS
    p = seen.p.copy()
    p[dull, BRASS] *= 0.1
    return replace(seen, p=np.asarray(p / p.sum(axis=1, keepdims=True), dtype=np.float32))


def _window(work: WorkCopy, at: Mask) -> int:
    """Return the side of the smoothing window: a good half width, several samples."""
    spacing = (work.valid.sum() / max(int(at.sum()), 1)) ** 0.5
    return int(max(3, round(0.7 * work.width_px), round(3 * spacing))) | 1


def _fill(plane: Float32Array, weight: Float32Array, side: int, wanted: Mask) -> Float32Array:
    """Return a plane averaged over its known pixels, reaching out where none is near.

    Only ``wanted`` pixels are sure to be filled.
    """
    out = np.zeros_like(plane)
    known = np.zeros(weight.shape, dtype=bool)
    while True:
        n = cv2.boxFilter(weight, -1, (side, side), normalize=False, borderType=cv2.BORDER_CONSTANT)
        total = cv2.boxFilter(
            plane, -1, (side, side), normalize=False, borderType=cv2.BORDER_CONSTANT
        )
        fresh = (n > 0.5 * LEAST_OWN) & ~known
        out[fresh] = total[fresh] / (n[fresh] if plane.ndim == 2 else n[fresh][:, None])
        known |= fresh
        if side > max(weight.shape) or known[wanted].all():
            return out
        side = 3 * side | 1


def _spread(values: Float32Array, at: Mask, work: WorkCopy) -> Float32Array:
    """Return sampled values as a plane over the whole working copy, barely smoothed."""
    plane, weight = np.zeros(at.shape, np.float32), at.astype(np.float32)
    plane[at] = values
    spacing = (work.valid.sum() / max(int(at.sum()), 1)) ** 0.5
    return _fill(plane, weight, round(1.5 * spacing) | 1, work.mask)


def _smooth(p: Float32Array, own: Float32Array, at: Mask, work: WorkCopy) -> Float32Array:
    """Return ``(h, w, 6)`` probabilities, each the geometric mean around its pixel."""
    logs, weight = np.zeros((*at.shape, 6), np.float32), np.zeros(at.shape, np.float32)
    logs[at] = np.log(np.maximum(p, 1e-4)) * own[:, None]
    weight[at] = own
    mean = _fill(logs, weight, _window(work, at), work.mask)
    e = np.exp(mean - mean.max(axis=-1, keepdims=True))
    return np.asarray(e / e.sum(axis=-1, keepdims=True), dtype=np.float32)


def network_classes(network: Float32Array) -> Float32Array:
    """Return the network's map ``(len(Surface), ...)`` in the constants' classes, ``(..., 6)``.

    Tin, solder and other metals are one grey; what is no piece at all is left out.
    """
    index = {name: i for i, name in enumerate(Surface)}
    grey = [index[s] for s in (Surface.TINNED, Surface.SOLDER, Surface.OTHER_METAL)]
    order = (Surface.BRIGHT, Surface.TARNISHED, Surface.GREEN, Surface.COATED)
    planes = [network[index[s]] for s in order]
    return np.stack([*planes, network[grey].sum(axis=0), network[index[Surface.BRASS]]], axis=-1)


def mixed(evidence: Evidence, mix: Mix) -> Float32Array:
    """Return ``(h, w, 6)`` probabilities of network and physics together.

    Neither may rule a class out: a probability counts as at least ``LEAST_P``, so that
    physics moves log-odds by at most its weight times 6.9. That is its veto: a class
    that the light makes impossible (bare metal under highlights in the lamp's colour,
    brass where nothing shines) loses all but a sure word of the network.
    """
    if evidence.network is None:
        raise ContractError("nothing to mix without a network", where="evidence")
    trust = evidence.trust() if mix.physics > 0 else 1.0
    net = network_classes(evidence.network)
    logs = trust * mix.network * np.log(np.maximum(net, LEAST_P))
    by_physics = trust * mix.physics + 1 - trust
    if by_physics > 0:
        logs += by_physics * np.log(np.maximum(evidence.physics, LEAST_P))
    e = np.exp(logs - logs.max(axis=-1, keepdims=True))
    return np.asarray(e / e.sum(axis=-1, keepdims=True), dtype=np.float32)


def _resampled(
    planes: Float32Array, box_px: tuple[int, int, int, int], work: WorkCopy
) -> Float32Array:
    """Return planes ``(c, h, w)`` over ``box_px`` of the photo on the working copy's grid."""
    x, y, w, h = box_px
    scale_x, scale_y = planes.shape[2] / w, planes.shape[1] / h
    rows, columns = work.mask.shape
    # Pixel centres: working pixel -> photo pixel -> map pixel.
    px = (np.arange(columns, dtype=np.float32) + 0.5) * work.factor - 0.5 + work.origin_px[0]
    py = (np.arange(rows, dtype=np.float32) + 0.5) * work.factor - 0.5 + work.origin_px[1]
    mx = np.repeat(((px - x + 0.5) * scale_x - 0.5)[None], rows, axis=0).astype(np.float32)
    my = np.repeat(((py - y + 0.5) * scale_y - 0.5)[:, None], columns, axis=1).astype(np.float32)
    return np.stack(
        [
            cv2.remap(plane, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            for plane in np.ascontiguousarray(planes)
        ]
    )


def _shares(
    planes: Float32Array, mask: Mask, brass: tuple[Part, ...], solder: tuple[Part, ...]
) -> tuple[FloatArray, Float32Array]:
    """Return the five shares and the per-pixel ``(n, 5)`` they are the mean of.

    Likely brass and solder parts are not finish of the copper and are left out. What
    looks like brass elsewhere, but is unlikely to be, is a film in places (tarnish), and
    yellow plastic or amber enamel where it is the colour of the whole piece.
    """
    five = planes[..., :5].copy()
    everywhere = float(planes[mask][:, BRASS].mean()) if mask.any() else 0.0
    five[..., TARNISHED] += (1 - everywhere) * planes[..., BRASS]
    five[..., COATED] += everywhere * planes[..., BRASS]
    left = mask.copy()
    for part in (*brass, *solder):
        if part.p >= OVER_PART:
            left &= ~part.mask
    if left.sum() < 0.02 * mask.sum():
        left = mask
    pixels = five[left]
    pixels = pixels / pixels.sum(axis=1, keepdims=True)
    return np.asarray(pixels.mean(axis=0), dtype=np.float64), pixels


def _finding(
    shares: FloatArray, pixels: Float32Array, planes: Float32Array, evidence: Evidence, mix: Mix
) -> FinishFinding:
    """Return shares and tarnish level with their uncertainties.

    Parts of a share's variance: the white (spread of the shares under other whites, as
    far as physics counts), the class doubt that all pixels have in common, what
    averages out over independent patches, and what could not be seen.
    """
    work, led = evidence.work, evidence.network is not None
    by_white = []
    for seen in evidence.under:
        five = seen.p[:, :5].copy()
        everywhere = float(seen.p[:, BRASS].mean())
        five[:, TARNISHED] += (1 - everywhere) * seen.p[:, BRASS]
        five[:, COATED] += everywhere * seen.p[:, BRASS]
        by_white.append(five.mean(axis=0) / five.mean(axis=0).sum())
    white = np.var(by_white, axis=0) * (mix.physics**2 if led else 1.0)
    together = mix.together if led else TOGETHER
    doubt = (pixels * (1 - pixels)).mean(axis=0)
    patches = patch_count(work)
    within = pixels.var(axis=0) / patches
    unseen = UNSEEN_PART * (1 - float(work.valid.sum() / max(int(work.mask.sum()), 1)))
    variance = white + together * doubt + (1 - together) * doubt / patches + within
    u = np.sqrt(variance + unseen**2 + U_MODEL**2)

    level, u_level = _tarnish_level(planes, evidence, mix)
    return FinishFinding(
        shares={f: float(s) for f, s in zip(Finish, shares, strict=True)},
        u={f: float(min(v, 0.5)) for f, v in zip(Finish, u, strict=True)},
        tarnish_level=Measurement(
            value=level,
            u=u_level,
            unit=Unit.ONE,
            low95=max(0.0, level - 1.96 * u_level),
            high95=min(1.0, level + 1.96 * u_level),
        ),
    )


def patch_count(work: WorkCopy) -> float:
    """Return how many patches of a piece doubt independently: squares of twice its width."""
    return max(1.0, float(work.mask.sum()) / (2 * work.width_px) ** 2)


def physics_level(evidence: Evidence) -> tuple[float, float]:
    """Return the tarnish level by colour alone, and its spread over the whites that may be."""
    means = []
    for here in evidence.under:
        bare = here.own * (here.p[:, BRIGHT] + here.p[:, TARNISHED]) + 1e-3
        means.append(float((here.level * bare).sum() / bare.sum()))
    return float(np.clip(np.mean(means), 0, 1)), float(np.std(means))


def network_level(evidence: Evidence, planes: Float32Array) -> float | None:
    """Return the network's tarnish level of the bare part, None where hardly any is bare."""
    if evidence.network_level is None:
        return None
    weight = planes[evidence.work.mask][:, [BRIGHT, TARNISHED]].sum(axis=1)
    if weight.mean() <= LEAST_BARE:
        return None
    return float((evidence.network_level[evidence.work.mask] * weight).sum() / weight.sum())


def _tarnish_level(planes: Float32Array, evidence: Evidence, mix: Mix) -> tuple[float, float]:
    """Return the tarnish level of the bare part and its standard uncertainty."""
    value, spread = physics_level(evidence)
    weight = planes[evidence.work.mask][:, [BRIGHT, TARNISHED]].sum(axis=1)
    # Where little bare metal is in sight, its level is hardly known.
    hidden = U_HIDDEN_LEVEL * (1 - min(float(weight.mean()), 1.0))
    net = network_level(evidence, planes)
    if net is None:
        return value, float(np.sqrt(spread**2 + float(_constants()["u_level"]) ** 2 + hidden**2))
    part = mix.level_network * (evidence.trust() if mix.physics > 0 else 1.0)
    value = float(np.clip(part * net + (1 - part) * value, 0, 1))
    spread *= 1 - part
    return value, float(np.sqrt(spread**2 + mix.u_level**2 + hidden**2))


def _class_map(
    planes: Float32Array, mask: Mask, brass: list[Part], solder: list[Part]
) -> NDArray[np.uint8]:
    order = list(Surface)
    names = (
        Surface.BRIGHT, Surface.TARNISHED, Surface.GREEN,
        Surface.COATED, Surface.TINNED, Surface.TARNISHED,
    )  # fmt: skip
    lookup = np.array([order.index(name) for name in names], np.uint8)
    out = np.where(mask, lookup[planes.argmax(axis=-1)], np.uint8(order.index(Surface.TABLE)))
    for parts, name in ((brass, Surface.BRASS), (solder, Surface.SOLDER)):
        for part in parts:
            out[part.mask] = order.index(name)
    return np.asarray(out, dtype=np.uint8)


def _map_box(work: WorkCopy) -> tuple[int, int, int, int]:
    h, w = work.mask.shape
    return (*work.origin_px, round(w * work.factor), round(h * work.factor))


def _box(part: Mask, work: WorkCopy, photo: Photo) -> tuple[int, int, int, int]:
    rows, columns = np.nonzero(part)
    left = int(columns.min() * work.factor) + work.origin_px[0]
    top = int(rows.min() * work.factor) + work.origin_px[1]
    right = int(np.ceil((columns.max() + 1) * work.factor)) + work.origin_px[0]
    bottom = int(np.ceil((rows.max() + 1) * work.factor)) + work.origin_px[1]
    right, bottom = min(right, photo.width_px), min(bottom, photo.height_px)
    return left, top, right - left, bottom - top


def _notes(work: WorkCopy, white: WhiteEstimate) -> tuple[str, ...]:
    notes = []
    if white.origin is WhiteOrigin.SCENE:
        notes.append("the light's colour is a guess from the scene: no white in view")
    seen = work.valid.sum() / max(int(work.mask.sum()), 1)
    if seen < 0.6:
        notes.append(
            f"{100 * (1 - seen):.0f} % of the piece is too bright or too dark to judge its colour"
        )
    return tuple(notes)


def _unseen(work: WorkCopy) -> FinishReading:
    """Return the answer for a piece without a usable pixel: nothing of its finish."""
    order = list(Surface)
    return FinishReading(
        finish=None,
        brass=Flag(p=0.1),
        solder=Flag(p=0.1),
        class_map=np.where(work.mask, np.uint8(order.index(Surface.TARNISHED)), np.uint8(0)).astype(
            np.uint8
        ),
        class_map_box_px=_map_box(work),
        notes=("the piece is clipped or dark all over: its finish can't be seen",),
    )
