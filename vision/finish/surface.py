"""Which surface is where: the network's answer for a part of the photo.

The network (``models/surface.onnx``) is a function from a colour view to maps of
class, tarnish level and features at a quarter of the view's size. Here: which
view of the photo it gets, how light is taken out of the view, and where each cell
of the answer lies on the photo. A view's sides are multiples of 32 px; the box is
widened to fit rather than stretched, so that a cell is square on the photo and its
place is exact (half-pixel centres, as ``cv2.resize`` has them).

Without the network nothing is judged: a file that is missing or damaged is an error of
:mod:`models.loader`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources.abc import Traversable
from math import ceil, sqrt
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from models.loader import SCHEMAS, broken, described, session
from rules.errors import ContractError
from vision.finish.piece_head import PieceModel, read_piece_model
from vision.photo.colour import from_linear, to_linear
from vision.photo.reduced import resized
from vision.types import Box, Float32Array, FloatArray, Image, Mask, Photo, Surface, SurfaceMap

if TYPE_CHECKING:
    from onnxruntime import InferenceSession

MODEL = "surface"
MODEL_FILE, METADATA_FILE = f"{MODEL}.onnx", f"{MODEL}.toml"
SCHEMA = SCHEMAS[MODEL]

MULTIPLE_PX = 32
"""Sides of a view: the network halves its input five times."""

STRIDE_PX = 4
"""View pixels a cell of the answer is wide."""

OVERVIEW_INPUT_PX = 1024 * 768
"""Input pixels of the view of a whole photo: time grows with them, 25 ms per 100 000
on two quiet cores."""

CROP_INPUT_PX = 512 * 512
"""Input pixels of the closer view of one piece."""

CONTEXT = 0.15
"""Table shown around a piece, as a share of the box's longer side: the network judges
colour against what lies around it."""

MIN_SIDE_PX = 128
"""A view is never narrower than this, so that the network sees something of the table."""

WHITE_TARGET = 0.80
"""Linear light that a matte white is brought to; the same number trains the network."""

GAIN_RANGE = (0.25, 6.0)
"""Limits of a channel's gain: past them the white is a wrong reading, and a dark photo
lifted further is noise. The same numbers train the network."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RawMaps:
    """What a network returns for one view, before calibration.

    Attributes:
        logits: ``(len(Surface), h, w)`` float32, -inf for a class that the network was not taught.
        tarnish_level: ``(h, w)`` float32, 0 to 1.
        outline: ``(2, 4 h, 4 w)`` float32, as in :class:`vision.types.SurfaceMap`, at the
            view's own resolution.
        features: ``(c, h, w)`` float32, for the head for the piece.
    """

    logits: Float32Array
    tarnish_level: Float32Array
    outline: Float32Array
    features: Float32Array


Network = Callable[[Image], RawMaps]
"""A view, ``(h, w, 3)`` uint8 with sides that are multiples of 32, to maps at a quarter."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurfaceModel:
    """A network and what was calibrated for it.

    Attributes:
        network: An ONNX session in use, any function in tests.
        temperature: Logits are divided by this (Guo et al., arXiv 1706.04599).
        piece: The head for the piece, which reads the network's features.
    """

    network: Network
    piece: PieceModel
    temperature: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """A part of the photo and the size at which the network sees it.

    Attributes:
        box_px: ``(x, y, w, h)`` in whole photo pixels, inside the photo.
        width_px: Width of the view, a multiple of 32.
        height_px: Height of the view, a multiple of 32.
    """

    box_px: Box
    width_px: int
    height_px: int


@cache
def load_surface_model() -> SurfaceModel:
    """Return the shipped model. Loaded once; later calls cost nothing.

    Raises:
        InstallError: A file of it is missing, damaged or of another version.
    """
    return read_surface_model()


def surface_map(
    photo: Photo,
    *,
    model: SurfaceModel,
    box: Box | None = None,
    white: FloatArray | None = None,
) -> SurfaceMap:
    """Return which surface is where, for the whole photo or around a piece.

    Args:
        photo: The photo.
        model: From :func:`load_surface_model`.
        box: The piece, ``(x, y, w, h)``; some of the table around it is shown to the
            network too, and the map covers that as well. None for the whole photo.
        white: ``(3,)`` linear light of a matte white as seen in this photo; None
            where it shows none, then the camera's own balance has to do.

    Returns:
        Maps at a quarter of the view's resolution; ``box_px`` says what they cover.

    Raises:
        ContractError: ``box`` lies outside the photo or is empty.
    """
    view = plan_view(photo.width_px, photo.height_px, box=box)
    x, y, w, h = view.box_px
    whole = (w, h) == (photo.width_px, photo.height_px)
    part = photo.rgb if whole else photo.rgb[y : y + h, x : x + w]
    size = (view.width_px, view.height_px)
    if w >= size[0] and h >= size[1]:
        seen = resized(part, size)
    else:
        seen = np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_LINEAR), dtype=np.uint8)
    return predict(model, whiten(seen, white=white), box_px=view.box_px)


def predict(model: SurfaceModel, view: Image, *, box_px: Box) -> SurfaceMap:
    """Return the calibrated maps of one view.

    Args:
        model: The network and its calibration.
        view: ``(h, w, 3)`` uint8, sRGB, sides that are multiples of 32.
        box_px: What of the photo it shows.

    Raises:
        ContractError: The network broke its contract.
    """
    raw = model.network(np.ascontiguousarray(view))
    cells = (view.shape[0] // STRIDE_PX, view.shape[1] // STRIDE_PX)
    if raw.logits.shape != (len(Surface), *cells) or raw.tarnish_level.shape != cells:
        raise ContractError(
            f"maps of {raw.logits.shape} for a view of {view.shape}", where="network"
        )
    return SurfaceMap(
        p=_softmax(raw.logits / np.float32(model.temperature)),
        tarnish_level=raw.tarnish_level,
        outline=raw.outline,
        features=raw.features,
        box_px=box_px,
    )


def plan_view(width_px: int, height_px: int, *, box: Box | None) -> View:
    """Return which part of a photo the network sees, and at which size.

    The part is the box and some table, widened until both sides are multiples of 32
    at one scale. Only where the photo ends does a side have to stretch, by at most
    half of 32 px. The photo is never enlarged.

    Args:
        width_px: Width of the photo.
        height_px: Height of the photo.
        box: What must be in the view, None for all of the photo.

    >>> plan_view(4000, 3000, box=(1000, 1000, 500, 100))
    View(box_px=(914, 922, 672, 256), width_px=672, height_px=256)
    """
    if box is None:
        x, y, w, h = 0, 0, width_px, height_px
        budget = OVERVIEW_INPUT_PX
    else:
        x, y, w, h = box
        if w <= 0 or h <= 0 or x < 0 or y < 0 or x + w > width_px or y + h > height_px:
            raise ContractError(f"{box} is not inside {width_px} x {height_px}", where="box")
        margin = ceil(CONTEXT * max(w, h))
        x, y, w, h = x - margin, y - margin, w + 2 * margin, h + 2 * margin
        budget = CROP_INPUT_PX
    w, h = min(w, width_px), min(h, height_px)
    scale = min(1.0, sqrt(budget / (w * h)))
    x, w, wide = _fit(x, w, limit=width_px, scale=scale)
    y, h, high = _fit(y, h, limit=height_px, scale=scale)
    return View(box_px=(x, y, w, h), width_px=wide, height_px=high)


def _fit(start: int, length: int, *, limit: int, scale: float) -> tuple[int, int, int]:
    """Return start and length in photo pixels and the view's side, for one axis."""
    side = max(MIN_SIDE_PX, MULTIPLE_PX * ceil(length * scale / MULTIPLE_PX))
    wanted = round(side / scale)
    if wanted > limit:  # the photo ends: show all of it, stretched to the nearest multiple
        side = MULTIPLE_PX * max(1, round(limit * scale / MULTIPLE_PX))
        return 0, limit, side
    centred = start - (wanted - length) // 2
    return min(max(centred, 0), limit - wanted), wanted, side


def whiten(rgb: Image, *, white: FloatArray | None) -> Image:
    """Return the picture as if a matte white in it had linear light 0.8 in each channel.

    Args:
        rgb: ``(h, w, 3)`` uint8, sRGB.
        white: ``(3,)`` linear light of a matte white in it; None changes nothing.
    """
    if white is None:
        return rgb
    gain = np.clip(WHITE_TARGET / np.maximum(np.asarray(white, float), 1e-6), *GAIN_RANGE)
    codes = to_linear(np.arange(256, dtype=np.uint8))
    table = from_linear(codes[:, None] * gain[None, :])  # (256, 3): one curve a channel
    return np.asarray(cv2.LUT(rgb, table[None]), dtype=np.uint8)


def cover(surface: SurfaceMap, mask: Mask, *, box_px: Box) -> Float32Array:
    """Return how much of each cell of a map a piece covers, ``(h, w)``, 0 to 1.

    Exact: the integral of the mask over each cell, whatever the two resolutions.

    Args:
        surface: The map.
        mask: ``(box height, box width)`` bool, the piece's own pixels.
        box_px: Where the mask lies on the photo.
    """
    across, down = _cell_px(surface)
    rows, columns = surface.tarnish_level.shape
    # Between pixel borders the integral image is bilinear, so that reading it there is exact.
    integral = cv2.integral(mask.astype(np.uint8))
    x = surface.box_px[0] + across * np.arange(columns + 1) - box_px[0]
    y = surface.box_px[1] + down * np.arange(rows + 1) - box_px[1]
    summed = _between(_between(integral, y, axis=0), x, axis=1)
    area = np.diff(np.diff(summed, axis=0), axis=1)
    return np.clip(area / (across * down), 0.0, 1.0).astype(np.float32)


def mean_p(surface: SurfaceMap, weights: Float32Array) -> FloatArray:
    """Return the mean probability of each class over a piece, ``(len(Surface),)``.

    Args:
        surface: The map.
        weights: ``(h, w)``, from :func:`cover`.

    Raises:
        ContractError: The weights are all zero.
    """
    total = float(weights.sum())
    if total <= 0:
        raise ContractError("the piece lies outside of the map", where="weights")
    return np.asarray(np.tensordot(surface.p, weights, axes=2) / total, dtype=np.float64)


def _cell_px(surface: SurfaceMap) -> tuple[float, float]:
    rows, columns = surface.tarnish_level.shape
    return surface.box_px[2] / columns, surface.box_px[3] / rows


def _between(values: FloatArray, at: FloatArray, *, axis: int) -> FloatArray:
    """Read an array between its entries along one axis; its ends are continued."""
    last = values.shape[axis] - 1
    at = np.clip(at, 0, last)
    low = np.minimum(at.astype(int), max(last - 1, 0))
    part = at - low
    shape = (-1, 1) if axis == 0 else (1, -1)
    below = np.take(values, low, axis=axis)
    above = np.take(values, np.minimum(low + 1, last), axis=axis)
    return np.asarray(below + (above - below) * part.reshape(shape), dtype=np.float64)


def _softmax(logits: Float32Array) -> Float32Array:
    raised = np.exp(logits - logits.max(axis=0, keepdims=True))
    return np.asarray(raised / raised.sum(axis=0, keepdims=True), dtype=np.float32)


def read_surface_model(folder: Traversable | None = None) -> SurfaceModel:
    """Return the model in a folder.

    Args:
        folder: Holds ``surface.onnx`` and ``surface.toml``; None for the one that ships.

    Raises:
        InstallError: A file of it is missing, damaged or of another version.
    """
    told = described(MODEL, folder=folder)
    classes = told.get("classes") or [""]
    if not set(classes) <= set(Surface) or len(set(classes)) < len(classes):
        broken(METADATA_FILE, "lists other classes than this version knows")
    network = _network(session(told, folder=folder), classes)
    piece = read_piece_model(told, folder=folder)
    return SurfaceModel(network=network, piece=piece, temperature=_temperature(told))


def _temperature(told: Mapping[str, Any]) -> float:
    value = told.get("calibration", {}).get("temperature")
    if not isinstance(value, int | float) or not 0 < value < float("inf"):
        broken(METADATA_FILE, "calibration.temperature must be a positive number")
    return float(value)


def _network(run: InferenceSession, classes: Sequence[str]) -> Network:
    """Return a session as a function from a view to maps.

    Args:
        run: The network.
        classes: What its planes are, in their order; a surface that the network was not
            taught is never seen by it.
    """
    names = ["logits", "tarnish_level", "outline", "features"]
    planes = [list(Surface).index(Surface(name)) for name in classes]

    def network(view: Image) -> RawMaps:
        logits, *rest = (a[0] for a in run.run(names, {"rgb": view[None]}))
        if len(logits) != len(planes):
            raise ContractError(f"{len(logits)} planes, {len(planes)} classes", where="network")
        told = np.full((len(Surface), *logits.shape[1:]), -np.inf, np.float32)
        told[planes] = logits
        return RawMaps(logits=told, **dict(zip(names[1:], rest, strict=True)))

    return network
