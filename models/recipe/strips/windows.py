"""Cut the windows that the strip network learns from out of rendered photos.

Every long piece is straightened with the functions of the run time, through its true mask
and through masks that are too thick, too thin, shifted or of a misjudged width, at full
size and on a smaller copy saved anew as JPEG. A window knows what it shows and, on bare
strands, how thick one strand is as a share of the width that the strip was cut with.

That share is taken from the camera's geometry (``pose.py``), not from the table of the piece: loose
bunches and fanned ends are wider than their strands packed tightly would be, so what counts
is how many pixels one millimetre across the piece takes up at that very place.
"""

from __future__ import annotations

import json
import mmap
import multiprocessing
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations
from math import inf
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.recipe.strips.pose import Pose, pose_of
from vision.pieces.centreline import CentreLine, centre_line
from vision.types import Mask, Photo, Region, Surface
from vision.width.strand.strands import StraightStrip, from_close_by, straightened
from vision.width.strand.strip_look import ACROSS_PX, ALONG_PX, LOOKS, windows_of

MOST_A_VIEW = 36
"""Windows kept of one photo while training; the rest is left out by chance."""

WINDOWS_A_LOOK = 3
"""Windows kept of one look at one piece while training."""

LOOKS_A_PIECE = 3
"""As it is; through a mask that is off; and that on a smaller copy."""

CODE_MIDDLE, CODES_A_LOG = 128, 50
"""Windows are kept as ``128 + 50 x``, ``x`` the logarithm of light: steps of 2 %."""

LEAST_PX = 200
"""Smaller masks are not looked at."""

LEAST_OWN_SHARE = 0.5
LEAST_OWN_SHARE_WOUND = 0.25
"""A window must show this much of its own piece along its middle; between the turns of a
coil the table shows."""

MIDDLE_WIDTHS = 0.3
"""How far from the middle that is looked at."""

JACKET_SHARE, BARE_SHARE = 0.85, 0.1
"""From this share of plastic on a window shows the jacket, up to that the bare conductor;
windows between the two teach nothing."""

NARROWEST = 0.7
"""A strip cut narrower than this share of what the geometry says was led astray."""

LEAST_TURNS = 1.6
"""A strip of wound wire must be so many wires wide to show that it is."""

MISJUDGED = 0.12
"""Widths are off by up to this much on the second and third look at a piece; by a normal
3 % on the first, as a measured width is."""

SHRUNK = (1.0, 3.0)
QUALITY = (70, 96)
UNKNOWN = -1
COLUMNS: dict[str, type] = {
    "look": np.int8,
    "log_share": np.float32,
    "log_step": np.float32,
    "strand_px": np.float32,
    "width_px": np.float32,
    "strands": np.int16,
    "form": np.int8,
    "scene": np.int32,
    "view": np.int32,
    "piece": np.int32,
    "kind": np.int8,
    "close": np.int8,
}
"""What is known of each window. ``look`` is an index into ``LOOKS`` or ``UNKNOWN``;
``log_share`` is NaN where no strands show; ``width_px`` is the piece's width in photo pixels;
``kind`` is 0 for the good look and 1, 2 for the misjudged ones; ``close`` is 1 for windows of the
middle from close by."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _View:
    """A rendered photo as it is looked at, with its truth at the same size."""

    photo: Photo
    pieces: NDArray[np.uint8]
    labels: NDArray[np.uint8]
    factor: float


def _loaded(truth_file: Path, truth: dict[str, Any]) -> _View:
    rgb = np.asarray(cv2.imread(str(truth_file.with_name(truth["photo"]))), np.uint8)[..., ::-1]
    size = (rgb.shape[1], rgb.shape[0])
    truths = []
    for name in ("pieces", "labels"):
        file = truth_file.with_name(f"{truth_file.stem}.{name}.png")
        truths.append(_resized(np.asarray(cv2.imread(str(file), 0), np.uint8), size))
    return _View(photo=_photo(rgb), pieces=truths[0], labels=truths[1], factor=1.0)


def _resized(plane: NDArray[np.uint8], size: tuple[int, int]) -> NDArray[np.uint8]:
    return np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_NEAREST), np.uint8)


def _photo(rgb: NDArray[np.uint8]) -> Photo:
    return Photo(name="", sha256="", rgb=np.ascontiguousarray(rgb))


def _shrunk(view: _View, rng: np.random.Generator) -> _View:
    """Return a smaller copy saved anew as JPEG."""
    factor = 1 / float(rng.uniform(*SHRUNK))
    size = (round(view.photo.width_px * factor), round(view.photo.height_px * factor))
    rgb = cv2.resize(view.photo.rgb, size, interpolation=cv2.INTER_AREA)
    quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(*QUALITY))]
    coded = cv2.imencode(".jpg", rgb[..., ::-1], quality)[1]
    rgb = np.asarray(cv2.imdecode(coded, 1), np.uint8)[..., ::-1]
    pieces, labels = (_resized(plane, size) for plane in (view.pieces, view.labels))
    return _View(photo=_photo(rgb), pieces=pieces, labels=labels, factor=factor)


def windows_in(
    truth_file: Path, *, windows: int = WINDOWS_A_LOOK, most: int = MOST_A_VIEW
) -> tuple[NDArray[np.uint8], dict[str, NDArray[Any]]]:
    """Return the windows of one rendered photo and what is known of them.

    Args:
        truth_file: ``NAME.json`` of the photo.
        windows: At most so many of each look at each piece.
        most: At most so many in all.

    Returns:
        ``(n, ALONG_PX, ACROSS_PX, 3)`` codes and the ``COLUMNS``, ``(n,)`` each.
    """
    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    # Views of one scene get chances of their own, the same in each run.
    _, _, view_name = truth_file.stem.partition("_")
    number = int(view_name) if view_name.isdigit() else 0
    rng = np.random.default_rng([truth["seed"], number])
    pieces = [p for p in truth["pieces"] if not p["stated_form"] and p["pixels"] >= LEAST_PX]
    images: list[NDArray[np.uint8]] = []
    rows: list[dict[str, Any]] = []
    if pieces:
        pose, full = pose_of(truth), _loaded(truth_file, truth)
        for kind in range(LOOKS_A_PIECE):
            view = full if kind < 2 else _shrunk(full, rng)
            known = {"scene": truth["seed"], "view": number, "kind": kind}
            for piece, seen in [*((p, view) for p in pieces), *_pairs(pieces, view)]:
                strip = _strip(seen, piece["id"], kind, rng)
                if strip is None:
                    continue
                whole_px = strip.width_px * strip.step_px
                for close, cut in enumerate((strip, from_close_by(seen.photo, strip))):
                    if cut is not None:
                        found = _windows(seen, piece, cut, pose, rng, windows, whole_px=whole_px)
                        images += [image for image, _ in found]
                        rows += [row | known | {"close": close} for _, row in found]
    kept = list(range(len(rows)))
    if len(rows) > most:
        kept = sorted(rng.permutation(len(rows))[:most])
    columns: dict[str, NDArray[Any]] = {
        key: np.array([rows[k][key] for k in kept], dtype=kind) for key, kind in COLUMNS.items()
    }
    shape = (0, ALONG_PX, ACROSS_PX, 3)
    return np.array([images[k] for k in kept], np.uint8).reshape((-1, *shape[1:])), columns


def _strip(view: _View, number: int, kind: int, rng: np.random.Generator) -> StraightStrip | None:
    """Return a piece straightened through its true mask or one that is off."""
    own = view.pieces == number
    x, y, w, h = cv2.boundingRect(own.astype(np.uint8))
    if w * h == 0:
        return None
    mask = np.pad(own[y : y + h, x : x + w], 4)
    x, y = x - 4, y - 4
    if kind > 0:
        mask = _misdrawn(mask, rng)
    if mask.sum() < LEAST_PX * view.factor**2:
        return None
    line = centre_line(mask, offset_px=(x, y))
    if line is None:
        return None
    width = 2 * line.radius_px
    if kind == 0:
        width *= float(np.exp(rng.normal(0, 0.03)))
    else:
        width *= float(np.exp(rng.uniform(-MISJUDGED, MISJUDGED)))
        line = _shifted(line, rng.uniform(-0.06, 0.06) * width)
    region = Region(box_px=(x, y, *mask.shape[::-1]), mask=mask, outline_px=np.zeros((0, 2)),
                    score=1.0)  # fmt: skip
    return straightened(view.photo, region, width_px=width, line=line)


def _misdrawn(mask: Mask, rng: np.random.Generator) -> Mask:
    way = rng.choice(["same", "thicker", "thinner", "thick"], p=[0.4, 0.3, 0.15, 0.15])
    codes, kernel = mask.astype(np.uint8), np.ones((3, 3), np.uint8)
    if way == "thinner":
        return np.asarray(cv2.erode(codes, kernel) > 0)
    if way != "same":
        return np.asarray(cv2.dilate(codes, kernel, iterations=2 if way == "thick" else 1) > 0)
    return mask


def _shifted(line: CentreLine, by_px: float) -> CentreLine:
    return replace(line, points_px=line.points_px + by_px * line.normals)


def _windows(
    view: _View,
    piece: dict[str, Any],
    strip: StraightStrip,
    pose: Pose | None,
    rng: np.random.Generator,
    most: int,
    *,
    whole_px: float,
) -> list[tuple[NDArray[np.uint8], dict[str, Any]]]:
    if float(piece["facts"].get("over_mm", 0.0)) > MOST_OVER_MM:
        pose = None  # it lies on others, nearer to the lens by nobody knows how much
    seen = windows_of(strip.light, width_px=strip.width_px, step_px=strip.step_px)
    width = strip.width_px * strip.step_px
    found = []
    for k in sorted(rng.permutation(len(seen.light))[:most]):
        row = int(np.clip(seen.middles[k], 0, len(strip.points_px) - 1))
        look = _look(view, piece, strip, row)
        strand_px = float("nan")
        if look != UNKNOWN and LOOKS[look] == "wound" and pose is not None:
            # Round a tangle's eye the strip may follow a single limb: that shows one wire.
            one_px = _px_per_mm(view, strip, row, pose, piece) * piece["diameter_mm"]
            look = look if whole_px > LEAST_TURNS * one_px else UNKNOWN
        elif look != UNKNOWN and LOOKS[look] in ("solid", "stranded", "tube") and pose is not None:
            scale = _px_per_mm(view, strip, row, pose, piece)
            bundle_mm = piece["facts"].get("conductor_mm", piece["diameter_mm"])
            if whole_px < NARROWEST * scale * bundle_mm:
                look = UNKNOWN
            elif LOOKS[look] == "stranded":
                strand_px = scale * piece["strand_diameter_mm"]
        codes = np.clip(np.rint(CODE_MIDDLE + CODES_A_LOG * seen.light[k]), 0, 255)
        known = {
            "look": look,
            "log_share": np.log(strand_px / width),
            "log_step": seen.log_step,
            "strand_px": strand_px,
            "width_px": whole_px,
            "strands": piece["strands"] or 0,
            "form": LOOKS.index(_form(piece)),
            "piece": piece["id"],
        }
        found.append((codes.astype(np.uint8), known))
    return found


PAIR_FROM = 100
"""Number of two pieces as one is that of the first and this: a photo has fewer pieces."""

APART_PX = 3
"""Pieces laid side by side are neighbours where no more parts them."""


def _pairs(pieces: list[dict[str, Any]], view: _View) -> list[tuple[dict[str, Any], _View]]:
    """Return bare neighbours side by side, each two as one piece of several turns, in a view.

    Whoever can't part two wires takes them for one thick one: they look as turns do.
    """
    bare = [
        p for p in pieces if p["facts"].get("side_by_side") and not p["facts"].get("insulation")
    ]
    window = np.ones((APART_PX, APART_PX), np.uint8)
    grown = [cv2.dilate((view.pieces == p["id"]).astype(np.uint8), window) > 0 for p in bare]
    found = []
    for a, b in combinations(range(len(bare)), 2):
        if not (grown[a] & grown[b]).any():
            continue
        number = PAIR_FROM + bare[a]["id"]
        both = np.isin(view.pieces, [bare[a]["id"], bare[b]["id"]])
        numbers = np.where(both, number, view.pieces).astype(np.uint8)
        facts = {**bare[a]["facts"], "coil": True}
        found.append((bare[a] | {"id": number, "facts": facts}, replace(view, pieces=numbers)))
    return found


MOST_OVER_MM = 1.0
"""A piece that lies higher on others has no scale here: 1 mm of 200 is 0.5 %."""


def _px_per_mm(
    view: _View, strip: StraightStrip, row: int, pose: Pose, piece: dict[str, Any]
) -> float:
    """Return how many pixels of the view a millimetre across the piece takes up at a row."""
    # The camera's geometry is that of the full-size photo; 0.5 turns centres to edges.
    point = (strip.points_px[row] + 0.5) / view.factor - 0.5
    along = np.array([-strip.normals[row, 1], strip.normals[row, 0]])
    height_mm = piece["diameter_mm"] / 2
    return float(pose.px_per_mm_across(point[None], along[None], z_mm=height_mm)[0]) * view.factor


def _form(piece: dict[str, Any]) -> str:
    """Return which of ``LOOKS`` a piece without its jacket has."""
    facts = piece["facts"]
    if facts.get("braid"):
        return "other"
    if facts.get("coil") or facts.get("tangled"):
        return "wound"
    names = {"wire": "solid", "stranded": "stranded", "tube": "tube"}
    return names.get(piece["form"], "other")


def _look(view: _View, piece: dict[str, Any], strip: StraightStrip, row: int) -> int:
    """Return what a window round a row shows, ``UNKNOWN`` where that is not clear."""
    form = _form(piece)
    reach = round(ALONG_PX / 2 * strip.width_px * 1.2 / ACROSS_PX)
    rows = slice(max(0, row - reach), row + reach + 1, max(1, reach // 12))
    half = MIDDLE_WIDTHS * strip.width_px * strip.step_px
    across = np.linspace(-half, half, 9)
    at = strip.points_px[rows, None] + across[:, None] * strip.normals[rows, None]
    x, y = np.rint(at).astype(int).transpose(2, 0, 1)
    inside = (x >= 0) & (y >= 0) & (x < view.photo.width_px) & (y < view.photo.height_px)
    x, y = np.clip(x, 0, view.photo.width_px - 1), np.clip(y, 0, view.photo.height_px - 1)
    own = (view.pieces[y, x] == piece["id"]) & inside
    needed = LEAST_OWN_SHARE_WOUND if form == "wound" else LEAST_OWN_SHARE
    if own.mean() < needed:
        return UNKNOWN
    if piece["facts"].get("insulation"):
        jacket = view.labels[y, x][own] == list(Surface).index(Surface.INSULATION)
        if jacket.mean() > JACKET_SHARE:
            return LOOKS.index("jacket")
        # Of several cores that part company none has the width of the strip.
        if jacket.mean() > BARE_SHARE or piece["facts"].get("cores"):
            return UNKNOWN
    return LOOKS.index(form)


def gathered(
    files: Iterable[Path],
    *,
    workers: int,
    windows: int = WINDOWS_A_LOOK,
    most: int = MOST_A_VIEW,
    until: float = inf,
) -> tuple[NDArray[np.uint8], dict[str, NDArray[Any]]]:
    """Return the windows of many photos, cut by many processes.

    They write into memory that all of them share, so that no window is copied.

    Args:
        files: ``NAME.json`` of each photo.
        workers: Processes.
        windows: As in :func:`windows_in`.
        most: As in :func:`windows_in`.
        until: Photos still not begun at this time (``time.time()``) are left out.

    Returns:
        ``(m, ALONG_PX, ACROSS_PX, 3)`` codes, some of them unused, and the ``COLUMNS`` with
        one more, ``slot``: where the window of each row lies among the codes.
    """
    files = list(files)
    size = ALONG_PX * ACROSS_PX * 3
    shared = mmap.mmap(-1, max(1, len(files)) * most * size)
    store = np.frombuffer(shared, np.uint8).reshape(-1, most, ALONG_PX, ACROSS_PX, 3)
    work = partial(_into, store=store, windows=windows, most=most, until=until)
    parts: list[dict[str, NDArray[Any]]] = []
    for number, columns in _done(work, list(enumerate(files)), workers):
        if columns is not None and len(columns["look"]):
            slots = number * most + np.arange(len(columns["look"]))
            parts.append(columns | {"slot": slots})
    if not parts:
        raise SystemExit("no windows in these photos")
    joined = {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}
    return store.reshape(-1, ALONG_PX, ACROSS_PX, 3), joined


def _done(work: Any, tasks: list[Any], workers: int) -> Iterator[Any]:  # noqa: ANN401
    """Yield what work makes of each task, in any order."""
    if workers <= 1:
        yield from map(work, tasks)
        return
    global _WORK  # noqa: PLW0603 - forked processes find it there: shared memory can't be pickled
    _WORK = work
    with multiprocessing.get_context("fork").Pool(workers, initializer=_alone) as pool:
        yield from pool.imap_unordered(_forked, tasks, chunksize=16)


def _alone() -> None:
    cv2.setNumThreads(1)


_WORK: Any = None


def _forked(task: tuple[int, Path]) -> Any:  # noqa: ANN401 - whatever the work returns
    return _WORK(task)


def _into(
    task: tuple[int, Path], *, store: NDArray[np.uint8], windows: int, most: int, until: float
) -> tuple[int, dict[str, NDArray[Any]] | None]:
    number, file = task
    if time.time() > until:
        return number, None
    try:
        images, columns = windows_in(file, windows=windows, most=most)
    except (OSError, ValueError, KeyError, TypeError, IndexError, cv2.error) as fault:
        # One broken photo among thousands must not cost the run.
        print(f"{file.name} left out: {type(fault).__name__}: {fault}", flush=True)
        return number, None
    store[number, : len(images)] = images
    return number, columns
