"""Straightened pieces of photos with truth, cut by many processes at once.

Where the truth tells both sides of a round run (``truth.py``), they are the edges, exactly;
the mask only says where the run is plain. Cables and bars have a mask alone: interpolated,
it is as wide as the piece to about half a pixel, and smoothed along the piece to about a
tenth. Coils, tangles and cut ends are left out. No torch in here: it is run by processes
that have none to share.
"""

from __future__ import annotations

import json
import math
import random
import re
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pieces.centreline import CentreLine, centre_line, smoothed, unit_tangents
from vision.types import FloatArray, Photo
from vision.width.profiles import sample_at

CELLS = 640
REACH_WIDTHS = 4.0
"""A strip shows so many widths to both sides: half a window of an outline that took a hard
shadow for the piece, 2.2 times too wide, and its middle off by half a shadow."""

ROWS = 144
"""Cuts kept of a piece, at most."""

LEAST_WIDTH_PX = 4.5
LEAST_PIXELS = 150
LEAST_ROWS = 12
"""Cuts that must be plain."""

NEAR_FROM_PX = 32.0
NEAR_CELLS = 768
NEAR_REACH_WIDTHS = 0.9
"""Pieces so wide are kept a second time, finer and less far to both sides: a cell of the strip
above is an eightieth of a width, coarser than a pixel from 80 px on."""

MASK_STEP_PX = 0.25
PLAIN_REL, PLAIN_PX = 0.06, 1.2
"""A cut is plain where the mask is as wide as along the piece, give or take this."""

UNKNOWN_CODE = 0
"""Stands for "off the photo"; black itself is stored as 1."""

CHUNK = 25
"""Photos handed to a process at once."""

HELD_OUT_OF = 20
"""Every so many seeds one is held out, with all views of its scene."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PieceStrip:
    """One straightened piece.

    Attributes:
        codes: ``(n, CELLS, 3)`` sRGB codes, ``UNKNOWN_CODE`` off the photo.
        near: ``(n, NEAR_CELLS, 3)`` the same, closer; no rows where the piece is thin.
        edges_widths: ``(n, 2)`` true edges in widths; NaN where the piece is not plain.
        width_px: Its width.
        held_out: Not to be trained on.
        smooth: A wire or tube, jackets too; no cable of strands and no bar.
        finish: What most of its surface is.
        light: The photo's.
    """

    codes: NDArray[np.uint8]
    near: NDArray[np.uint8]
    edges_widths: NDArray[np.float32]
    width_px: float
    held_out: bool
    smooth: bool
    finish: str = ""
    light: str = ""


def cut_strips(
    folders: list[Path], *, workers: int, until: float = math.inf
) -> Iterator[PieceStrip]:
    """Yield the long pieces of all photos in some folders, straightened, in no set order.

    Args:
        folders: With photos and their truth.
        workers: Processes.
        until: Photos still not begun at this time (``time.time()``) are left out.
    """
    files = [str(file) for folder in folders for file in sorted(folder.rglob("*.json"))]
    random.Random(0).shuffle(files)
    chunks = [(files[k : k + CHUNK], until) for k in range(0, len(files), CHUNK)]
    if workers <= 1:
        for chunk in chunks:
            yield from _of_files(chunk)
        return
    with get_context("fork").Pool(workers, initializer=_one_thread) as pool:
        for strips in pool.imap_unordered(_of_files, chunks):
            yield from strips


def _one_thread() -> None:
    cv2.setNumThreads(1)


def held_out(name: str) -> bool:
    """Return whether a photo's scene (``tSEED_VIEW``, ``vSEED``) is held out."""
    seed = re.search(r"\d+", name)
    return seed is not None and int(seed.group()) % HELD_OUT_OF == HELD_OUT_OF // 2


def _of_files(chunk: tuple[list[str], float]) -> list[PieceStrip]:
    files, until = chunk
    strips = []
    for file in files:
        if time.time() > until:
            break
        try:
            strips += _of_photo(Path(file))
        except (OSError, ValueError, KeyError, TypeError, IndexError, cv2.error) as fault:
            # One broken photo among thousands must not cost the run.
            print(f"{file} left out: {type(fault).__name__}: {fault}", flush=True)
    return strips


def _of_photo(file: Path) -> list[PieceStrip]:
    try:
        truth = json.loads(file.read_text(encoding="utf-8"))
    except json.JSONDecodeError:  # a renderer that was stopped left half a file
        return []
    pieces = [piece for piece in truth.get("pieces", ()) if _is_long(piece)]
    if not pieces:
        return []
    bgr = cv2.imread(str(file.with_name(truth["photo"])), cv2.IMREAD_COLOR)
    numbers = cv2.imread(str(file.with_suffix(".pieces.png")), cv2.IMREAD_UNCHANGED)
    if bgr is None or numbers is None or numbers.shape != bgr.shape[:2]:
        return []
    photo = Photo(name=file.stem, sha256="", rgb=np.ascontiguousarray(bgr[..., ::-1]))
    strips = []
    for piece in pieces:
        x, y, wide, high = piece["box_px"]
        own = numbers[y : y + high, x : x + wide] == piece["id"]
        told: dict[str, Any] = {
            "corner_px": (x, y),
            "held_out": held_out(file.stem),
            "smooth": piece["form"] in ("wire", "tube"),
        }
        runs = [np.asarray(run["limbs_px"], np.float64) for run in piece.get("round_runs", ())]
        cut = (
            [straightened_run(photo, own, run, **told) for run in runs]
            if runs
            else [straightened(photo, own, **told)]
        )
        finish, light = str(piece["finish"]), str(truth["light"])
        strips += [replace(s, finish=finish, light=light) for s in cut if s is not None]
    return strips


def _is_long(piece: dict[str, Any]) -> bool:
    facts = piece["facts"]
    long = piece["form"] in ("wire", "tube", "stranded") or facts.get("bar")
    wound = facts.get("coil") or facts.get("tangled")
    return bool(long and not wound and not piece["stated_form"] and piece["pixels"] >= LEAST_PIXELS)


def straightened(
    photo: Photo,
    own: NDArray[np.bool_],
    *,
    corner_px: tuple[int, int],
    held_out: bool = False,
    smooth: bool = True,
) -> PieceStrip | None:
    """Return one piece's strip; None where too little of it is plain.

    Args:
        photo: The photo.
        own: ``(h, w)`` the piece's pixels within its box.
        corner_px: The box's corner in the photo.
        held_out: Handed on.
        smooth: Handed on.
    """
    line = centre_line(own, step_px=1.0)
    if line is None or line.length_px < 3 * line.radius_px:
        return None
    count = len(line.points_px)
    trim = int(min(round(2 * line.radius_px), count // 5))
    inner = slice(trim, count - trim)
    points, normals = line.points_px[inner], line.normals[inner]
    centres, widths, plain = _edges(own, points, normals, radius_px=line.radius_px)
    plain &= _on_photo(photo, points + corner_px, normals, centres, widths)
    if plain.sum() < LEAST_ROWS:
        return None
    width = float(np.median(widths[plain]))
    if width < LEAST_WIDTH_PX:
        return None
    # Pixel steps of the mask go, bends and tapers stay.
    sigma = max(4.0, 0.4 * width)
    centres, widths = _smooth(centres, plain, sigma), _smooth(widths, plain, sigma)
    return _strip(
        photo,
        points + corner_px,
        line.tangents[inner],
        edges_px=np.stack([centres - widths / 2, centres + widths / 2], axis=1),
        plain=plain,
        held_out=held_out,
        smooth=smooth,
    )


def straightened_run(
    photo: Photo,
    own: NDArray[np.bool_],
    limbs_px: FloatArray,
    *,
    corner_px: tuple[int, int],
    held_out: bool = False,
    smooth: bool = True,
) -> PieceStrip | None:
    """Return the strip of a run whose two sides are known; None where too little is plain.

    Args:
        photo: The photo.
        own: ``(h, w)`` the piece's pixels within its box.
        limbs_px: ``(n, 4)`` x and y of one side and of the other, in order along the run.
        corner_px: The box's corner in the photo.
        held_out: Handed on.
        smooth: Handed on.
    """
    middle = (limbs_px[:, :2] + limbs_px[:, 2:]) / 2
    arc = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(middle, axis=0), axis=1))])
    if len(limbs_px) < 3 or arc[-1] < LEAST_ROWS + 2:
        return None
    at = np.arange(0, arc[-1], 1.0)
    limbs = np.stack([np.interp(at, arc, limbs_px[:, k]) for k in range(4)], axis=1)
    points = (limbs[:, :2] + limbs[:, 2:]) / 2
    width = float(np.median(np.linalg.norm(limbs[:, 2:] - limbs[:, :2], axis=1)))
    smoothly = np.column_stack([smoothed(points[:, k], max(2.0, width / 4)) for k in (0, 1)])
    tangents = unit_tangents(smoothly)
    trim = int(min(round(width), len(at) // 5))
    inner = slice(trim, len(at) - trim)
    points, tangents, limbs = points[inner], tangents[inner], limbs[inner]
    normals = np.column_stack([tangents[:, 1], -tangents[:, 0]])
    sides = [((limbs[:, k : k + 2] - points) * normals).sum(axis=1) for k in (0, 2)]
    edges = np.sort(np.stack(sides, axis=1), axis=1)
    if width < LEAST_WIDTH_PX or len(points) < LEAST_ROWS:
        return None
    centres, widths, _ = _across(own, points - corner_px, normals, radius_px=width / 2)
    true = edges[:, 1] - edges[:, 0]
    plain = np.abs(widths - true) < np.maximum(PLAIN_REL * true, PLAIN_PX)
    plain &= np.abs(centres - edges.mean(axis=1)) < np.maximum(PLAIN_REL * true, PLAIN_PX) / 2
    plain &= _on_photo(photo, points, normals, edges.mean(axis=1), true)
    if plain.sum() < LEAST_ROWS:
        return None
    return _strip(
        photo, points, tangents, edges_px=edges, plain=plain, held_out=held_out, smooth=smooth
    )


def _strip(
    photo: Photo,
    points: FloatArray,
    tangents: FloatArray,
    *,
    edges_px: FloatArray,
    plain: NDArray[np.bool_],
    held_out: bool,
    smooth: bool,
) -> PieceStrip:
    """Sample what the photo shows across a line whose edges are known, ``edges_px`` off it."""
    width = float(np.median((edges_px[:, 1] - edges_px[:, 0])[plain]))
    normals = np.column_stack([tangents[:, 1], -tangents[:, 0]])
    middle = smoothed(edges_px.mean(axis=1), max(1.0, width / 2))
    rows = np.linspace(0, len(points) - 1, min(ROWS, len(points))).astype(int)
    line = CentreLine(
        points_px=(points + middle[:, None] * normals)[rows],
        tangents=tangents[rows],
        radius_px=width / 2,
        step_px=1.0,
    )
    edges = edges_px[rows] - middle[rows, None]
    seen = sample_at(photo, line, offsets_px=cell_offsets_widths() * width)
    edges[~plain[rows]] = np.nan
    near = np.zeros((0, NEAR_CELLS, 3), np.uint8)
    if width >= NEAR_FROM_PX:
        at = cell_offsets_widths(NEAR_REACH_WIDTHS, NEAR_CELLS) * width
        near = encoded(sample_at(photo, line, offsets_px=at).profiles)
    return PieceStrip(
        codes=encoded(seen.profiles),
        near=near,
        edges_widths=(edges / width).astype(np.float32),
        width_px=width,
        held_out=held_out,
        smooth=smooth,
    )


def cell_offsets_widths(reach: float = REACH_WIDTHS, cells: int = CELLS) -> FloatArray:
    """Where the cells of a strip lie, in widths from the middle."""
    return np.linspace(-reach, reach, cells)


def encoded(light: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Linear light to whole sRGB codes, NaN to ``UNKNOWN_CODE``."""
    known = np.isfinite(light).all(axis=2, keepdims=True)
    light = np.clip(np.where(known, light, 0), 0, 1)
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.where(known, np.clip(np.round(255 * code), 1, 255), UNKNOWN_CODE).astype(np.uint8)


def _across(
    own: NDArray[np.bool_], points: FloatArray, normals: FloatArray, *, radius_px: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the mask's middle off the line, its width, and the spread of what is cut."""
    reach = 3 * radius_px + 3
    offsets = np.arange(-reach, reach, MASK_STEP_PX)
    at = (points[:, None] + offsets[None, :, None] * normals[:, None]).astype(np.float32)
    inside = cv2.remap(own.astype(np.float32), at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    total = np.maximum(inside.sum(axis=1), 1e-6)
    widths, centres = inside.sum(axis=1) * MASK_STEP_PX, inside @ offsets / total
    spread = (inside * (offsets - centres[:, None]) ** 2).sum(axis=1) / total
    return centres, widths, spread


def _edges(
    own: NDArray[np.bool_], points: FloatArray, normals: FloatArray, *, radius_px: float
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Return the mask's middle off the line, its width, and where one plain limb is cut."""
    centres, widths, spread = _across(own, points, normals, radius_px=radius_px)
    # One run of metal: no second limb beside it, nothing across it.
    solid = (widths > 1) & (spread < 1.15 * widths**2 / 12 + 0.3)
    if solid.sum() < LEAST_ROWS:
        return centres, widths, np.zeros(len(points), bool)
    along = np.linspace(-1, 1, len(points))
    usual = np.full(len(points), np.median(widths[solid]))
    plain = solid & (np.abs(widths - usual) < np.maximum(2 * PLAIN_REL * usual, PLAIN_PX))
    for _ in range(2):  # a piece that leads away from the camera grows thinner
        if plain.sum() < 3 * LEAST_ROWS:
            break
        usual = np.polyval(np.polyfit(along[plain], widths[plain], 2), along)
        plain = solid & (np.abs(widths - usual) < np.maximum(PLAIN_REL * usual, PLAIN_PX))
    return centres, widths, plain


def _on_photo(
    photo: Photo, points: FloatArray, normals: FloatArray, centres: FloatArray, widths: FloatArray
) -> NDArray[np.bool_]:
    """Where both edges lie inside the photo, so that its border is neither of them."""
    most = np.array([photo.width_px, photo.height_px]) - 2.5
    good = np.ones(len(points), bool)
    for side in (-0.5, 0.5):
        at = points + (centres + side * widths)[:, None] * normals
        good &= ((at > 1.5) & (at < most)).all(axis=1)
    return good


def _smooth(values: FloatArray, known: NDArray[np.bool_], sigma: float) -> FloatArray:
    """Smooth along the piece, over gaps."""
    at = np.arange(len(values))
    return smoothed(np.interp(at, at[known], values[known]), sigma)
