"""Real photos of surroundings as training photos: what of them is known, pixel by pixel.

    python -m models.recipe.surface.real --photos DIR --split models/recipe/data/real_split.csv \\
        --role train --out DIR

``DIR`` holds ``INDEX.csv`` and ``boxes.csv`` (see ``LICENSES.md`` there). Nobody drew
outlines on them. What is known is weaker, and written so that
:mod:`models.recipe.surface.store` reads it like a render:

* a photo of nothing but a table is table;
* a photo in which no copper shows has none anywhere (``NO_COPPER``), one that shows it in
  its jacket alone no bare copper, brass or solder (``NO_BARE``); what else they show is not
  told;
* inside a box of a known thing the thing is cut out (GrabCut: Rother, Kolmogorov, Blake,
  ACM SIGGRAPH 2004) and gets its class and a number.
"""

from __future__ import annotations

import argparse
import csv
import json
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from models.recipe.surface.store import NO_BARE, NO_COPPER, UNKNOWN
from vision.types import Surface

PLAIN_TABLES = {
    f"s{n:03d}" for n in (1, 2, 4, 5, 6, 7, 8, 9, 11, 12, 13, 15, 16, 17, 18, 22, 24, 26, 27)
}
"""Photos of nothing but what things are laid on, by eye."""

KINDS = {
    "insulated": Surface.INSULATION,
    "plastic": Surface.STRANGER,
    "other_metal": Surface.OTHER_METAL,
    "brass": Surface.BRASS,
    "tinned": Surface.TINNED,
    "enamelled": Surface.COATED,
}
"""Classes of boxes; others are left untold."""

FAILED = {
    ("s181", 1), ("s182", 1), ("s183", 1), ("s189", 3), ("s224", 1), ("s239", 1), ("s240", 1),
    ("s241", 1), ("s246", 1), ("s247", 1), ("s260", 1), ("s262", 1), ("s265", 1), ("s265", 2),
    ("s269", 1), ("s270", 1), ("s292", 1), ("s297", 3), ("s297", 4), ("s297", 5), ("s298", 2),
    ("s300", 1), ("s302", 1), ("s302", 2), ("s302", 3), ("s200", 4), ("s201", 1), ("s278", 1),
    ("s280", 1), ("s303", 3),
}  # fmt: skip
"""Photo and number of boxes whose cut-out holds table, by eye: cables in loops mostly."""

SHARE_RANGE = (0.04, 0.92)
"""A cut-out that fills less or more of its box has failed."""
MARGIN_PX = 24
ROUNDS = 5
_ORDER = list(Surface)


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A labelled box, px of the photo."""

    x: int
    y: int
    w: int
    h: int
    kind: str


def main() -> None:
    """Read the arguments and write the folder."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=Path, required=True)
    parser.add_argument("--split", type=Path, required=True, help="file,repo,role")
    parser.add_argument("--role", required=True, choices=("train", "validation"))
    parser.add_argument("--out", type=Path, required=True)
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    with asked.split.open(newline="") as file:
        chosen = {row["file"] for row in csv.DictReader(file) if row["role"] == asked.role}
    boxes = read_boxes(asked.photos / "boxes.csv")
    with (asked.photos / "INDEX.csv").open(newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["file"] in chosen]
    counts: dict[str, int] = defaultdict(int)
    for row in rows:
        for kind in label_photo(row, boxes.get(row["file"], []), asked.photos, asked.out):
            counts[kind] += 1
    print(f"{len(rows)} photos, cut out: {dict(counts)}")


def read_boxes(path: Path) -> dict[str, list[Box]]:
    """Return the boxes of each photo; lines that begin with # are remarks."""
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    found: dict[str, list[Box]] = defaultdict(list)
    for row in csv.DictReader(lines):
        x, y, w, h = (int(row[side]) for side in "xywh")
        found[row["file"]].append(Box(x=x, y=y, w=w, h=h, kind=row["class"]))
    return found


def label_photo(row: Mapping[str, str], boxes: list[Box], photos: Path, out: Path) -> list[str]:
    """Write photo, labels, numbers and truth file; return the kinds of things cut out."""
    name = Path(row["file"]).stem
    bgr = cv2.imread(str(photos / row["file"]), cv2.IMREAD_COLOR)
    if bgr is None:
        raise ValueError(f"{row['file']} can't be read")
    codes = np.asarray(bgr, np.uint8)
    base = {"none": NO_COPPER, "jacketed only": NO_BARE}.get(row["copper_in_view"], UNKNOWN)
    if name in PLAIN_TABLES:
        base = _ORDER.index(Surface.TABLE)
    labels = np.full(bgr.shape[:2], base, np.uint8)
    numbers = np.full(bgr.shape[:2], 0 if name in PLAIN_TABLES else UNKNOWN, np.uint8)
    strangers = np.zeros_like(labels)
    pieces = []
    for number, box in enumerate(boxes, start=1):
        kind = KINDS.get(box.kind)
        mask = None if kind is None or (name, number) in FAILED else cut_out(codes, box)
        if mask is None or kind is None:
            # Whatever the box shows is not what the rest of the photo is said to be.
            part = (slice(box.y, box.y + box.h), slice(box.x, box.x + box.w))
            if box.kind in ("bare_copper", "solder"):
                labels[part] = UNKNOWN
            continue
        labels[mask] = _ORDER.index(kind)
        if kind in (Surface.STRANGER, Surface.OTHER_METAL):
            # Plastic is no piece; of other metal nobody said whether it belongs to the trade.
            strangers[mask] = number
            numbers[mask] = 0 if kind == Surface.STRANGER else UNKNOWN
        else:
            numbers[mask] = number
        pieces.append({"id": number, "kind": box.kind})
    cv2.imwrite(str(out / f"{name}.jpg"), bgr, [cv2.IMWRITE_JPEG_QUALITY, 88])
    cv2.imwrite(str(out / f"{name}.labels.png"), labels)
    cv2.imwrite(str(out / f"{name}.pieces.png"), numbers)
    cv2.imwrite(str(out / f"{name}.strangers.png"), strangers)
    (out / f"{name}.json").write_text(json.dumps({"light": "real", "pieces": pieces}))
    return [str(p["kind"]) for p in pieces]


def cut_out(bgr: NDArray[np.uint8], box: Box) -> NDArray[np.bool_] | None:
    """Return the pixels of the thing in a box, ``(h, w)`` bool; None where that failed."""
    high, wide = bgr.shape[:2]
    x0, y0 = max(0, box.x - MARGIN_PX), max(0, box.y - MARGIN_PX)
    x1, y1 = min(wide, box.x + box.w + MARGIN_PX), min(high, box.y + box.h + MARGIN_PX)
    part = np.ascontiguousarray(bgr[y0:y1, x0:x1])
    inside = (box.x - x0, box.y - y0, min(box.w, x1 - box.x), min(box.h, y1 - box.y))
    if inside[2] >= part.shape[1] and inside[3] >= part.shape[0]:
        return None  # the box is the whole photo: no background to tell it from
    marks = np.zeros(part.shape[:2], np.uint8)
    cv2.setRNGSeed(0)
    cv2.grabCut(
        part, marks, inside, np.zeros((1, 65)), np.zeros((1, 65)), ROUNDS, cv2.GC_INIT_WITH_RECT
    )
    found = ((marks == cv2.GC_FGD) | (marks == cv2.GC_PR_FGD)).astype(np.uint8)
    share = float(found.sum()) / max(1, box.w * box.h)
    if not SHARE_RANGE[0] <= share <= SHARE_RANGE[1]:
        return None
    core = cv2.erode(found, np.ones((3, 3), np.uint8))
    if core.sum() < 0.3 * found.sum():
        core = found  # a thin lead has no core
    mask = np.zeros((high, wide), bool)
    mask[y0:y1, x0:x1] = core > 0
    return mask


if __name__ == "__main__":
    main()
