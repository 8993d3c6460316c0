"""What the shipped files say of pieces and strangers on photos with truth, one row each.

Every piece, every stranger and, on real photos without copper, some patches are looked at
as in use: a closer view at the photo's own resolution, white-normalised on every second
photo where its truth tells the white. The truth is that of the photo, or of the cut-outs of
:mod:`models.recipe.surface.real`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import onnxruntime
from numpy.typing import NDArray

from models.recipe.surface.export import PIECE_FILE, PIECE_OUTPUTS
from models.recipe.surface.piece_head import FORMS, PRESENCE, SHARES
from models.recipe.surface.store import CLASSES, NO_COPPER, Truth, names_in, read_truth
from vision.finish.surface import MODEL_FILE, STRIDE_PX, plan_view, whiten

KNOWN_KINDS = ("insulated", "brass", "tinned", "bright", "coated")
"""Real marks that are pieces of the trade."""
PATCHES = 4
"""Looked at on a real photo without copper."""
PATCH_SIDES = (0.08, 0.5)
LEAST_CELLS = 5.0
SAMPLED = 400
"""Most cells of a view whose logits are kept, of metal and of the rest each."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Row:
    """One thing that was looked at.

    Attributes:
        photo: Its photo.
        mix: ``advised``, ``hard`` or ``real``.
        kind: ``piece``, ``stranger`` or ``patch``.
        truth: What the photo's truth says of it.
        said: The head's answers by name.
        logits: ``(n, CLASSES)`` of some cells of the view.
        classes: ``(n, CLASSES)`` their truth, area shares.
        features: ``(c, m)`` of the cells that it covers.
        cover: ``(m,)`` how much of each it covers.
    """

    photo: str
    mix: str
    kind: str
    truth: dict[str, Any]
    said: dict[str, NDArray[np.float32]]
    logits: NDArray[np.float32]
    classes: NDArray[np.float32]
    features: NDArray[np.float32]
    cover: NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Thing:
    kind: str
    mask: NDArray[np.bool_]
    truth: dict[str, Any]


class Judge:
    """Both files of a folder, ready to run."""

    def __init__(self, folder: Path) -> None:
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = 2
        self.surface, self.piece = (
            onnxruntime.InferenceSession(
                str(folder / name), options, providers=["CPUExecutionProvider"]
            )
            for name in (MODEL_FILE, PIECE_FILE)
        )

    def rows(self, folder: Path, *, limit: int | None = None) -> Iterator[Row]:
        """Yield a row for each thing on the photos of a folder."""
        for i, photo in enumerate(names_in(folder)[:limit]):
            truth = read_truth(photo)
            mix = truth.facts.get("mix") or truth.light
            for thing in _things(truth, np.random.default_rng(i)):
                row = self._row(truth, thing, mix=mix, white=truth.white if i % 2 == 0 else None)
                if row is not None:
                    yield row

    def _row(
        self, truth: Truth, thing: _Thing, *, mix: str, white: NDArray[np.float64] | None
    ) -> Row | None:
        high, wide = truth.labels.shape
        ys, xs = np.nonzero(thing.mask)
        x0, y0 = int(xs.min()), int(ys.min())
        box = (x0, y0, int(xs.max()) + 1 - x0, int(ys.max()) + 1 - y0)
        view = plan_view(wide, high, box=box)
        x, y, w, h = view.box_px
        part = (slice(y, y + h), slice(x, x + w))
        size = (view.width_px, view.height_px)
        cells = (size[0] // STRIDE_PX, size[1] // STRIDE_PX)

        def share(mask: NDArray[Any]) -> NDArray[np.float32]:
            small = cv2.resize(mask.astype(np.float32), cells, interpolation=cv2.INTER_AREA)
            return np.asarray(small, dtype=np.float32)

        cover = share(thing.mask[part])
        if cover.sum() < LEAST_CELLS:
            return None
        rgb: NDArray[Any] = truth.rgb[part]
        if (w, h) != size:
            smaller = w >= size[0] and h >= size[1]
            how = cv2.INTER_AREA if smaller else cv2.INTER_LINEAR
            rgb = cv2.resize(rgb, size, interpolation=how)
        shown = np.ascontiguousarray(whiten(rgb, white=white))[None]
        names = ["logits", "features"]
        logits, features = self.surface.run(names, {"rgb": shown})
        told = self.piece.run(PIECE_OUTPUTS, {"features": features, "cover": cover[None]})
        labels = truth.labels[part]
        classes = np.stack([share(labels == c) for c in range(CLASSES)])
        at = _sampled(classes, np.random.default_rng(len(ys)))
        own = cover > 0
        return Row(
            photo=truth.name,
            mix=mix,
            kind=thing.kind,
            truth=thing.truth,
            said={name: part[0] for name, part in zip(PIECE_OUTPUTS, told, strict=True)},
            logits=logits[0].reshape(CLASSES, -1)[:, at].T,
            classes=classes.reshape(CLASSES, -1)[:, at].T,
            features=features[0][:, own],
            cover=cover[own],
        )


def _sampled(classes: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.intp]:
    """Return places of cells with known truth, of things as often as of table."""
    flat = classes.reshape(CLASSES, -1)
    known = flat.sum(axis=0) > 0.99
    thing = flat[2:].sum(axis=0) > 0.5
    parts = [np.flatnonzero(known & thing), np.flatnonzero(known & ~thing)]
    return np.concatenate([rng.choice(p, min(SAMPLED, len(p)), replace=False) for p in parts])


def _things(truth: Truth, rng: np.random.Generator) -> Iterator[_Thing]:
    facts = truth.facts
    real = "mix" not in facts
    strangers = {s["id"]: s for s in facts.get("strangers", [])}
    for piece in facts.get("pieces", []):
        told = dict(piece)
        mask = None if truth.pieces is None else truth.pieces == piece["id"]
        kind = "piece"
        if real and piece["kind"] not in KNOWN_KINDS:
            mask, kind = truth.strangers == piece["id"], "stranger"
            told["other_metal"] = piece["kind"] == "other_metal"
        if mask is not None and mask.any():
            yield _Thing(kind=kind, mask=mask, truth=told)
    for number, stranger in strangers.items():
        mask = truth.strangers == number
        if mask.any():
            yield _Thing(kind="stranger", mask=mask, truth=dict(stranger))
    clear = truth.labels == NO_COPPER
    if clear.mean() > 0.5:
        for _ in range(PATCHES):
            mask = _patch(truth, clear, rng)
            if mask.sum() > 0.5 * np.prod(clear.shape) * 0.002:
                yield _Thing(kind="patch", mask=mask, truth={})


def _patch(truth: Truth, clear: NDArray[np.bool_], rng: np.random.Generator) -> NDArray[np.bool_]:
    """Return an ellipse of what is alike in colour around some place."""
    high, wide = clear.shape
    side = float(np.exp(rng.uniform(*np.log(PATCH_SIDES)))) * min(high, wide)
    x, y = int(rng.integers(wide)), int(rng.integers(high))
    mask = np.zeros((high, wide), np.uint8)
    axes = (max(4, int(side / 2)), max(4, int(side / 2 * rng.uniform(0.2, 1))))
    cv2.ellipse(mask, (x, y), axes, float(rng.uniform(0, 180)), 0, 360, 1, -1)
    near = np.abs(truth.rgb.astype(int) - truth.rgb[y, x].astype(int)).max(axis=2) < 50
    return (mask > 0) & clear & (near | bool(rng.random() < 0.5))


def figures(rows: list[Row]) -> dict[str, Any]:
    """Return how right the head is on the pieces among some rows.

    ``score`` is the mean log score, ``expected`` the mean probability, both to set beside
    the rate; found and false are at one half.
    """
    pieces = [r for r in rows if r.kind == "piece" and "seen" in r.truth]
    told: dict[str, Any] = {"pieces": len(pieces)}
    if not pieces:
        return told
    said = np.stack([r.said["presence"] for r in pieces]).astype(float)
    p = 1 / (1 + np.exp(-said))
    for k, name in enumerate(PRESENCE):
        true = np.array(
            [
                bool(r.truth["seen"][name]["present"]) if name in SHARES else bool(r.truth[name])
                for r in pieces
            ]
        )
        right = np.where(true, p[:, k], 1 - p[:, k])
        told[name] = {
            "rate": float(true.mean()),
            "expected": float(p[:, k].mean()),
            "found": float((p[true, k] > 0.5).mean()) if true.any() else None,
            "false": float((p[~true, k] > 0.5).mean()) if (~true).any() else None,
            "score": float(-np.log(np.maximum(right, 1e-6)).mean()),
        }
    form = [FORMS.index(r.truth["form"]) for r in pieces]
    found = [int(r.said["form"].argmax()) for r in pieces]
    told["form_right"] = float(np.mean(np.array(found) == np.array(form)))
    bare = [r for r in pieces if r.truth.get("tarnish_level") is not None]
    if bare:
        off = np.array([float(r.said["tarnish"][0]) - r.truth["tarnish_level"] for r in bare])
        spread = np.exp([float(r.said["tarnish"][1]) for r in bare])
        told["tarnish_error"] = float(np.abs(off).mean())
        told["tarnish_spread"] = float(np.median(spread))
        told["tarnish_within_2"] = float((np.abs(off) < 2 * spread).mean())
    shine = [r for r in pieces if r.truth.get("shine_share") is not None]
    if shine:
        missed = [1 / (1 + np.exp(-float(r.said["shine"]))) - r.truth["shine_share"] for r in shine]
        told["shine_error"] = float(np.abs(missed).mean())
    return told
