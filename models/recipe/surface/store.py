"""Photos with truth, decoded once and kept as bytes where the trainer can reach them.

A folder holds ``NAME.jpg`` (or png), ``NAME.labels.png`` (the index of
``vision.types.Surface`` for each pixel, at the photo's size or a fraction of it),
``NAME.json`` and, where pieces are told apart, ``NAME.pieces.png``. A pixel's tarnish
level comes from ``NAME.level.png`` (0 to 255 for 0 to 1) where there is one, else from
its piece.
"""

from __future__ import annotations

import json
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import dataclass
from mmap import mmap
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image
from torch import Tensor

from models.recipe.surface.piece_head import FORMS
from vision.types import Surface

CLASSES = len(Surface)
UNKNOWN = 255
NO_COPPER = 254
"""Label of a pixel of which only this is known: it shows no bare, green, coated or tinned
copper, no brass and no solder, nor any copper in a jacket. Real photos are labelled so."""
NO_BARE = 253
"""The same where jacketed leads may show."""
NUMBERS = 256
"""A piece's number is a byte."""
POINTS = 48
"""Places remembered for each class of a photo, to aim crops at."""

BARE_COPPER = (Surface.BRIGHT, Surface.TARNISHED)
"""Classes that have a tarnish level."""

_ORDER = list(Surface)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """One photo and what is on it.

    Attributes:
        name: File name without its ending.
        rgb: ``(h, w, 3)`` uint8.
        labels: ``(h, w)`` uint8, index of the class, 255 unknown.
        tarnish: ``(h, w)`` uint8, level times 254, 255 unknown.
        pieces: ``(h, w)`` uint8, number of the piece, 0 none; None where not told.
        strangers: ``(h, w)`` uint8, number of the thing that is no piece, 0 none.
        facts: The truth file, empty where there is none.
    """

    name: str
    rgb: NDArray[np.uint8]
    labels: NDArray[np.uint8]
    tarnish: NDArray[np.uint8]
    pieces: NDArray[np.uint8] | None
    strangers: NDArray[np.uint8]
    facts: dict[str, Any]

    @property
    def white(self) -> NDArray[np.float64] | None:
        """Linear light of a matte white in the photo, where the truth tells it."""
        told = self.facts.get("white_linear")
        return None if told is None else np.asarray(told, dtype=np.float64)

    @property
    def light(self) -> str:
        """Name of the light, without its details."""
        told = self.facts.get("light", "unknown")
        if isinstance(told, dict):
            told = told.get("name") or told.get("kind") or "unknown"
        return str(told)


def names_in(folder: Path) -> list[Path]:
    """Return the photos of a folder that have labels, by name.

    Raises:
        FileNotFoundError: There are none.
    """
    photos = sorted(
        p
        for p in folder.iterdir()
        if p.suffix in {".jpg", ".jpeg", ".png"} and (folder / f"{p.stem}.labels.png").exists()
    )
    if not photos:
        raise FileNotFoundError(f"no photo with labels in {folder}")
    return photos


def read_truth(photo: Path, *, long_side_px: int | None = None) -> Truth:
    """Read one photo and its truth, reduced so that its longer side is no longer than asked."""
    bgr = cv2.imread(str(photo), cv2.IMREAD_COLOR)
    labels = cv2.imread(str(photo.with_name(f"{photo.stem}.labels.png")), cv2.IMREAD_UNCHANGED)
    if bgr is None or labels is None:
        raise ValueError(f"{photo} or its labels can't be read")
    size = (bgr.shape[1], bgr.shape[0])
    if long_side_px is not None and max(size) > long_side_px:
        share = long_side_px / max(size)
        size = (round(size[0] * share), round(size[1] * share))
        bgr = cv2.resize(bgr, size, interpolation=cv2.INTER_AREA)
    rgb = np.ascontiguousarray(bgr[..., ::-1]).astype(np.uint8, copy=False)
    told = photo.with_name(f"{photo.stem}.json")
    facts = json.loads(told.read_text(encoding="utf-8")) if told.exists() else {}
    labels = _fitted(labels, size)
    labels[(labels >= CLASSES) & (labels < NO_BARE)] = UNKNOWN
    pieces_file = photo.with_name(f"{photo.stem}.pieces.png")
    pieces = None
    if pieces_file.exists():
        pieces = _fitted(_plane(pieces_file), size)
    strangers_file = photo.with_name(f"{photo.stem}.strangers.png")
    strangers = np.zeros_like(labels)
    if strangers_file.exists():
        strangers = _fitted(_plane(strangers_file), size)
    return Truth(
        name=photo.stem,
        rgb=rgb,
        labels=labels,
        tarnish=_tarnish(photo, size, labels, pieces, facts),
        pieces=pieces,
        strangers=strangers,
        facts=facts,
    )


def _plane(path: Path) -> NDArray[Any]:
    plane = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if plane is None:
        raise ValueError(f"{path.name} can't be read")
    return plane


def _fitted(plane: NDArray[Any], size: tuple[int, int]) -> NDArray[np.uint8]:
    if plane.ndim == 3:
        plane = plane[..., 0]
    if (plane.shape[1], plane.shape[0]) != size:
        plane = cv2.resize(plane, size, interpolation=cv2.INTER_NEAREST_EXACT)
    return plane.astype(np.uint8)


def _tarnish(
    photo: Path,
    size: tuple[int, int],
    labels: NDArray[np.uint8],
    pieces: NDArray[np.uint8] | None,
    facts: dict[str, Any],
) -> NDArray[np.uint8]:
    level = np.full_like(labels, UNKNOWN)
    file = photo.with_name(f"{photo.stem}.level.png")
    if file.exists():
        told = _fitted(_plane(file), size)
        level = np.round(told * (254 / 255)).astype(np.uint8)
    elif pieces is not None:
        for piece in facts.get("pieces", []):
            share = piece.get("tarnish_level")
            if share is not None:
                level[pieces == piece["id"]] = round(254 * float(np.clip(share, 0, 1)))
    bare = np.isin(labels, [_ORDER.index(c) for c in BARE_COPPER])
    level[~bare] = UNKNOWN
    return level


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Store:
    """A folder of photos as one tensor of bytes.

    Attributes:
        planes: ``(n, 7, h, w)`` uint8: red, green, blue, label, tarnish, number of the piece,
            number of the stranger.
        size: ``(n, 2)`` int64: height and width in use.
        white: ``(n, 3)`` float32, linear; NaN where not told.
        forms: ``(n, NUMBERS)`` int8, index in ``FORMS`` of each piece by its number, -1 where
            not told.
        points: ``(n, classes, POINTS, 2)`` int16, y and x of pixels of each class.
        has: ``(n, classes)`` bool, whether the photo shows the class.
        truths: Names and truth files, in the same order.
    """

    planes: Tensor
    size: Tensor
    white: Tensor
    forms: Tensor
    points: Tensor
    has: Tensor
    truths: list[dict[str, Any]]

    def __len__(self) -> int:
        return len(self.truths)


def read_store(
    folder: Path,
    *,
    long_side_px: int,
    seed: int,
    workers: int,
    limit: int | None = None,
    part: tuple[int, int] = (0, 1),
) -> Store:
    """Decode a folder into memory; portrait photos are laid on their side.

    ``part`` is which of how many equal parts of the photos is read.

    Many processes write into one block of memory: threads wait for each other between
    decoding and counting, 80 photos a second and no more.
    """
    photos = names_in(folder)[:limit][part[0] :: part[1]]
    with ThreadPoolExecutor(workers) as pool:
        stored = list(pool.map(lambda p: _stored_size(p, long_side_px), photos))
    height, width = (max(side) for side in zip(*stored, strict=True))
    shape = (len(photos), 7, height, width)
    planes = np.frombuffer(mmap(-1, int(np.prod(shape))), np.uint8).reshape(shape)
    reading = _Reading(photos=photos, planes=planes, long_side_px=long_side_px, seed=seed)
    with ProcessPoolExecutor(
        workers, mp_context=get_context("fork"), initializer=_remember, initargs=(reading,)
    ) as pool:
        told = list(pool.map(_fill, range(len(photos)), chunksize=32))
    size, white, forms, points, has, truths = zip(*told, strict=True)
    return Store(
        planes=torch.from_numpy(planes),
        size=torch.tensor(size),
        white=torch.from_numpy(np.stack(white)),
        forms=torch.from_numpy(np.stack(forms)),
        points=torch.from_numpy(np.stack(points)),
        has=torch.from_numpy(np.stack(has)),
        truths=list(truths),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Reading:
    """What every process that reads photos knows; ``planes`` is shared by all."""

    photos: list[Path]
    planes: NDArray[np.uint8]
    long_side_px: int
    seed: int


_reading: list[_Reading] = []


def _remember(reading: _Reading) -> None:
    cv2.setNumThreads(1)
    _reading[:] = [reading]


def _fill(i: int) -> tuple[tuple[int, int], Any, Any, Any, Any, dict[str, Any]]:
    """Decode one photo into its place; return size, white, forms, points, classes and truth."""
    reading = _reading[0]
    truth = _landscape(read_truth(reading.photos[i], long_side_px=reading.long_side_px))
    h, w = truth.labels.shape
    own = reading.planes[i]
    own[:] = UNKNOWN
    own[:3, :h, :w] = truth.rgb.transpose(2, 0, 1)
    own[3, :h, :w], own[4, :h, :w] = truth.labels, truth.tarnish
    if truth.pieces is not None:
        own[5, :h, :w] = truth.pieces
    own[6, :h, :w] = truth.strangers
    white = np.full(3, np.nan) if truth.white is None else truth.white
    points = np.zeros((CLASSES, POINTS, 2), np.int16)
    rng = np.random.default_rng([reading.seed, i])
    for c in range(CLASSES):
        flat = np.flatnonzero(truth.labels == c)
        # Where a class is not seen, any place will do: a photo without classes is aimed at too.
        chosen = rng.choice(flat, POINTS) if len(flat) else rng.integers(0, h * w, POINTS)
        points[c] = np.stack([chosen // w, chosen % w], axis=1)
    has = np.bincount(truth.labels.ravel(), minlength=UNKNOWN + 1)[:CLASSES] > 0
    told = {"name": truth.name, "light": truth.light}
    return (h, w), white.astype(np.float32), _forms(truth.facts), points, has, told


def _forms(facts: dict[str, Any]) -> NDArray[np.int8]:
    """Return the index of each piece's form by its number, -1 where the truth is silent."""
    forms = np.full(NUMBERS, -1, np.int8)
    for piece in facts.get("pieces", []):
        if piece.get("form") in FORMS:
            forms[int(piece["id"])] = FORMS.index(piece["form"])
    return forms


def _stored_size(photo: Path, long_side_px: int) -> tuple[int, int]:
    """Return height and width a photo is kept at, lying on its longer side."""
    with Image.open(photo) as opened:  # reads the header alone
        short, long = sorted(opened.size)
    if long > long_side_px:
        share = long_side_px / long
        short, long = round(short * share), round(long * share)
    return short, long


def _landscape(truth: Truth) -> Truth:
    if truth.labels.shape[0] <= truth.labels.shape[1]:
        return truth
    return Truth(
        name=truth.name,
        rgb=np.ascontiguousarray(np.rot90(truth.rgb)),
        labels=np.ascontiguousarray(np.rot90(truth.labels)),
        tarnish=np.ascontiguousarray(np.rot90(truth.tarnish)),
        pieces=None if truth.pieces is None else np.ascontiguousarray(np.rot90(truth.pieces)),
        strangers=np.ascontiguousarray(np.rot90(truth.strangers)),
        facts=truth.facts,
    )
