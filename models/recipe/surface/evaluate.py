"""How right a surface model is on photos with truth, through the code that ships.

    python -m models.recipe.surface.evaluate --photos DIR [--model DIR] --out DIR

Each photo is looked at as in use: once as a whole, once around each of its pieces at
full resolution. Half of the photos are white-normalised where their truth tells the
white, the other half are taken as they are. Hand-labelled photos work as well: labels
alone suffice, what the truth file doesn't tell is not counted.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.recipe.figures import calibration_error
from models.recipe.surface.store import CLASSES, UNKNOWN, Truth, names_in, read_truth
from vision.finish.surface import (
    STRIDE_PX,
    SurfaceModel,
    plan_view,
    predict,
    read_surface_model,
    whiten,
)
from vision.types import Surface, SurfaceMap

Floats = NDArray[np.float32]

PIECES_A_PHOTO = 3
FLAG_P = 0.5
FLAG_CELLS = 8
"""Brass or solder counts as found where so many cells of a piece's view pass ``FLAG_P``.
Only to compare models by; the application has its own calibrated decision."""

FINISHES = (Surface.BRIGHT, Surface.TARNISHED, Surface.GREEN, Surface.COATED, Surface.TINNED)
_ORDER = list(Surface)
_FINISH_PLANES = [_ORDER.index(f) for f in FINISHES]

_COLOURS = {
    "table": (70, 70, 70),
    "reference": (255, 255, 255),
    "bright": (255, 140, 90),
    "tarnished": (120, 60, 30),
    "green": (0, 190, 140),
    "coated": (200, 30, 60),
    "insulation": (250, 170, 220),
    "tinned": (170, 190, 210),
    "brass": (255, 220, 0),
    "solder": (60, 110, 255),
    "other_metal": (200, 90, 220),
    "stranger": (110, 140, 60),
}
PALETTE = np.array([_COLOURS[str(s)] for s in Surface], dtype=np.uint8)
"""Colour of each class in pictures, in the order of ``Surface``."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ValidationView:
    """One view as the network gets it, with truth for each of its cells.

    Attributes:
        name: Of the photo.
        light: Name of the light.
        rgb: ``(h, w, 3)`` uint8, at the network's size, white-normalised or not.
        classes: ``(CLASSES, h/4, w/4)`` area share of each class.
        known: ``(h/4, w/4)`` area share with a known class.
        tarnish: ``(h/4, w/4)`` level, meaningful where ``bare`` is more than 0.
        bare: ``(h/4, w/4)`` area share with a known level.
        piece: The piece's truth where the view is a piece's, else None.
        own: ``(h/4, w/4)`` area share of that piece, None for a whole photo.
        pieces: ``(h, w)`` bool, part of any piece; None where the truth doesn't tell.
    """

    name: str
    light: str
    rgb: NDArray[np.uint8]
    classes: Floats
    known: Floats
    tarnish: Floats
    bare: Floats
    piece: Mapping[str, Any] | None = None
    own: Floats | None = None
    pieces: NDArray[np.bool_] | None = None


def read_views(folder: Path, *, workers: int, limit: int | None = None) -> list[ValidationView]:
    """Return the views of every photo with truth in a folder."""
    photos = names_in(folder)[:limit]
    with ThreadPoolExecutor(workers) as pool:
        parts = pool.map(lambda pair: _views_of(pair[1], white=pair[0] % 2 == 0), enumerate(photos))
        return [view for part in parts for view in part]


def _views_of(photo: Path, *, white: bool) -> list[ValidationView]:
    truth = read_truth(photo)
    read = truth.white if white else None
    views = [_view(truth, box=None, white=read, piece=None)]
    for piece in truth.facts.get("pieces", [])[:PIECES_A_PHOTO]:
        box = tuple(int(v) for v in piece["box_px"])
        views.append(_view(truth, box=_inside(box, truth), white=read, piece=piece))
    return views


def _inside(box: tuple[int, ...], truth: Truth) -> tuple[int, int, int, int]:
    high, wide = truth.labels.shape
    x, y = min(max(box[0], 0), wide - 1), min(max(box[1], 0), high - 1)
    return x, y, max(1, min(box[2], wide - x)), max(1, min(box[3], high - y))


def _view(
    truth: Truth,
    *,
    box: tuple[int, int, int, int] | None,
    white: NDArray[np.float64] | None,
    piece: Mapping[str, Any] | None,
) -> ValidationView:
    high, wide = truth.labels.shape
    view = plan_view(wide, high, box=box)
    x, y, w, h = view.box_px
    part = (slice(y, y + h), slice(x, x + w))
    cells = (view.width_px // STRIDE_PX, view.height_px // STRIDE_PX)

    def share(mask: NDArray[Any]) -> Floats:
        resized = cv2.resize(mask.astype(np.float32), cells, interpolation=cv2.INTER_AREA)
        return np.asarray(resized, dtype=np.float32)

    labels, tarnish = truth.labels[part], truth.tarnish[part]
    classes = np.stack([share(labels == c) for c in range(CLASSES)])
    told = tarnish != UNKNOWN
    bare = share(told)
    level = share(np.where(told, tarnish / np.float32(254), 0.0)) / np.maximum(bare, 1e-6)
    own = None
    if piece is not None and truth.pieces is not None:
        own = share(truth.pieces[part] == piece["id"])
    elif piece is not None:
        own = classes[2:].sum(axis=0)
    size = (view.width_px, view.height_px)
    rgb = truth.rgb[part]
    if (w, h) != size:
        area = w >= size[0] and h >= size[1]
        how = cv2.INTER_AREA if area else cv2.INTER_LINEAR
        rgb = np.asarray(cv2.resize(rgb, size, interpolation=how), np.uint8)
    return ValidationView(
        name=truth.name,
        light=truth.light,
        rgb=np.ascontiguousarray(whiten(rgb, white=white)),
        classes=classes,
        known=classes.sum(axis=0),
        tarnish=level.astype(np.float32),
        bare=bare,
        piece=piece,
        own=own,
        pieces=None
        if truth.pieces is None
        else cv2.resize(truth.pieces[part], size, interpolation=cv2.INTER_NEAREST) > 0,
    )


@dataclass(slots=True)
class _Tally:
    """Sums over views."""

    confusion: NDArray[np.float64]
    pieces: list[dict[str, Any]]
    said: list[NDArray[Any]]
    right: list[NDArray[Any]]


def evaluate(
    views: Sequence[ValidationView],
    model: SurfaceModel,
    *,
    worst: Path | None = None,
    workers: int = 1,
) -> dict[str, Any]:
    """Return figures of a model on views with truth.

    Args:
        views: From :func:`read_views`.
        model: From ``vision.finish.surface``.
        worst: Where to draw the twenty views that went worst.
        workers: Views looked at side by side.
    """
    tally = _Tally(confusion=np.zeros((CLASSES, CLASSES)), pieces=[], said=[], right=[])
    by_light: dict[str, NDArray[np.float64]] = defaultdict(lambda: np.zeros((CLASSES, CLASSES)))
    scored: list[tuple[float, ValidationView, NDArray[np.uint8]]] = []
    with ThreadPoolExecutor(workers) as pool:
        for view, found in zip(views, pool.map(lambda v: _look(model, v), views), strict=True):
            confusion, badness, answer, piece = _score(view, found, tally)
            tally.confusion += confusion
            by_light[view.light] += confusion
            if piece is not None:
                tally.pieces.append(piece)
            scored.append((badness, view, answer))
    if worst is not None:
        scored.sort(key=lambda item: -item[0])
        cv2.imwrite(str(worst), _montage(scored[:20])[..., ::-1])
    figures: dict[str, Any] = {"views": len(views), "pieces": len(tally.pieces)}
    figures |= _confusion_figures(tally.confusion)
    figures["ece_cells"] = calibration_error(
        np.concatenate(tally.said), np.concatenate(tally.right)
    )
    figures |= _piece_figures(tally.pieces)
    figures["by_light"] = {
        light: {
            "mean_iou": _confusion_figures(confusion)["mean_iou"],
            **_piece_figures([p for p in tally.pieces if p["light"] == light]),
        }
        for light, confusion in by_light.items()
    }
    figures["confusion"] = [[round(float(v)) for v in row] for row in tally.confusion]
    return figures


def _look(model: SurfaceModel, view: ValidationView) -> SurfaceMap:
    return predict(model, view.rgb, box_px=(0, 0, view.rgb.shape[1], view.rgb.shape[0]))


def _score(
    view: ValidationView, found: SurfaceMap, tally: _Tally
) -> tuple[NDArray[np.float64], float, NDArray[np.uint8], dict[str, Any] | None]:
    truth = view.classes.argmax(axis=0)
    answer = found.p.argmax(axis=0).astype(np.uint8)
    known = view.known > 0.5
    both = truth[known] * CLASSES + answer[known]
    confusion = np.bincount(both, minlength=CLASSES**2).reshape(CLASSES, CLASSES).astype(float)
    top = found.p.max(axis=0)
    right = np.take_along_axis(view.classes, answer[None].astype(np.int64), axis=0)[0]
    every = known.copy()
    every[::2] = False  # half of the rows are plenty
    tally.said.append(top[every])
    tally.right.append(right[every])
    metal = np.where(view.classes[2:].sum(axis=0) > 0.5, 1.0, 0.1) * known
    p_true = (found.p * view.classes).sum(axis=0)
    badness = float((-np.log(np.maximum(p_true, 1e-6)) * metal).sum() / max(metal.sum(), 1e-6))
    piece = None
    if view.piece is not None and view.own is not None and view.own.sum() > 0:
        piece = _piece_score(view, found)
    return confusion, badness, answer, piece


def _piece_score(view: ValidationView, found: SurfaceMap) -> dict[str, Any]:
    own = view.own
    assert own is not None and view.piece is not None
    mean = (found.p * own).sum(axis=(1, 2)) / own.sum()
    finish = str(FINISHES[int(np.argmax(mean[_FINISH_PLANES]))])
    true_mean = (view.classes * own).sum(axis=(1, 2)) / own.sum()
    seen = str(FINISHES[int(np.argmax(true_mean[_FINISH_PLANES]))])
    told = view.piece.get("finish", seen)  # None: a piece without copper on show
    bare = view.bare * own
    copper = found.p[2:4].sum(axis=0) * own
    level = None
    if bare.sum() > 4 and copper.sum() > 0:
        level = float(
            (found.tarnish_level * copper).sum() / copper.sum()
            - (view.tarnish * bare).sum() / bare.sum()
        )
    near = own > 0
    score: dict[str, Any] = {
        "name": view.name,
        "light": view.light,
        "finish": told,
        "found": finish,
        "level_error": level,
    }
    for kind in (Surface.BRASS, Surface.SOLDER):
        plane = _ORDER.index(kind)
        true_cells = float((view.classes[plane] * near).sum())
        score[f"{kind}_true"] = bool(view.piece.get(str(kind), true_cells > FLAG_CELLS))
        score[f"{kind}_cells"] = int(((found.p[plane] > FLAG_P) & near).sum())
        score[f"{kind}_true_cells"] = round(true_cells, 1)
    return score


def _confusion_figures(confusion: NDArray[np.float64]) -> dict[str, Any]:
    hit = np.diag(confusion)
    union = confusion.sum(axis=0) + confusion.sum(axis=1) - hit
    seen = confusion.sum(axis=1) > 0
    iou = {str(_ORDER[c]): float(hit[c] / union[c]) for c in range(CLASSES) if seen[c]}
    return {
        "mean_iou": float(np.mean(list(iou.values()))) if iou else 0.0,
        "cells_right": float(hit.sum() / max(1.0, confusion.sum())),
        "iou": iou,
    }


def _piece_figures(pieces: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    if not pieces:
        return {}
    known = [p for p in pieces if p["finish"] is not None]
    figures: dict[str, Any] = {
        "finish_right": _mean([p["finish"] == p["found"] for p in known]),
        "finish_right_by_class": {
            str(f): _mean([p["found"] == str(f) for p in known if p["finish"] == str(f)])
            for f in FINISHES
        },
        "tarnish_error": _mean(
            [abs(p["level_error"]) for p in pieces if p["level_error"] is not None]
        ),
    }
    for kind in ("brass", "solder"):
        found = [(p[f"{kind}_true"], p[f"{kind}_cells"] >= FLAG_CELLS) for p in pieces]
        figures[f"{kind}_found"] = _mean([f for t, f in found if t])
        figures[f"{kind}_false"] = _mean([f for t, f in found if not t])
        figures[f"{kind}_pieces"] = sum(t for t, _ in found)
    return figures


def _mean(values: Sequence[float | bool]) -> float | None:
    return round(float(np.mean(values)), 4) if values else None


def figures_table(figures: Mapping[str, Any]) -> dict[str, Any]:
    """Return the figures that fit a flat table: numbers, and one number for each class."""
    flat: dict[str, Any] = {}
    for name, value in figures.items():
        if isinstance(value, int | float):
            flat[name] = round(value, 4)
        elif name in ("iou", "finish_right_by_class"):
            flat |= {f"{name}_{k}": round(v, 4) for k, v in value.items() if v is not None}
    return flat


def painted(labels: NDArray[np.uint8], size: tuple[int, int]) -> NDArray[np.uint8]:
    """Return a map of classes as a picture."""
    big = cv2.resize(labels, size, interpolation=cv2.INTER_NEAREST)
    return np.asarray(PALETTE[np.minimum(big, CLASSES - 1)], dtype=np.uint8)


def _montage(
    scored: Sequence[tuple[float, ValidationView, NDArray[np.uint8]]],
) -> NDArray[np.uint8]:
    """Draw views beside truth and answer, two columns of them, with a key of colours."""
    side = 220
    tiles = []
    for badness, view, answer in scored:
        h, w = view.rgb.shape[:2]
        size = (max(1, round(w * side / max(h, w))), max(1, round(h * side / max(h, w))))
        tile = np.full((side + 22, 3 * side + 12, 3), 20, dtype=np.uint8)
        parts = (
            cv2.resize(view.rgb, size, interpolation=cv2.INTER_AREA),
            painted(view.classes.argmax(axis=0).astype(np.uint8), size),
            painted(answer, size),
        )
        for i, part in enumerate(parts):
            x = i * (side + 4)
            tile[20 : 20 + size[1], x : x + size[0]] = part
        said = f"{view.name} {view.light} loss {badness:.2f}: photo, truth, answer"
        _write(tile, said, (2, 14))
        tiles.append(tile)
    if len(tiles) % 2:
        tiles.append(np.full_like(tiles[0], 20))
    rows = [np.concatenate(tiles[i : i + 2], axis=1) for i in range(0, len(tiles), 2)]
    key = np.full((24, rows[0].shape[1], 3), 20, dtype=np.uint8)
    for c, name in enumerate(_ORDER):
        x = 6 + c * (key.shape[1] - 12) // CLASSES
        key[4:20, x : x + 16] = PALETTE[c]
        _write(key, str(name), (x + 20, 16))
    return np.concatenate([key, *rows], axis=0)


def _write(picture: NDArray[np.uint8], text: str, at: tuple[int, int]) -> None:
    cv2.putText(picture, text, at, cv2.FONT_HERSHEY_SIMPLEX, 0.42, (235, 235, 235), 1, cv2.LINE_AA)


def main() -> None:
    """Read the arguments and evaluate."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=Path, required=True, help="folder of photos with truth")
    parser.add_argument("--model", type=Path, default=Path(__file__).parents[2])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--limit", type=int)
    asked = parser.parse_args()
    model = read_surface_model(asked.model)
    asked.out.mkdir(parents=True, exist_ok=True)
    figures = evaluate(
        read_views(asked.photos, workers=asked.workers, limit=asked.limit),
        model,
        worst=asked.out / "worst.png",
        workers=asked.workers,
    )
    (asked.out / "figures.json").write_text(json.dumps(figures, indent=1) + "\n")
    print(json.dumps(figures_table(figures), indent=1))


if __name__ == "__main__":
    main()
