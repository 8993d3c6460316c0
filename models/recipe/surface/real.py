"""Real photos of surroundings as training photos: what of them is known, pixel by pixel.

    python -m models.recipe.surface.real --photos DIR --role train --out DIR

``DIR`` holds ``INDEX.csv`` (see ``LICENSES.md`` there). What is known is less than of a render,
and written so that :mod:`models.recipe.surface.store` reads it like one:

* a photo of nothing but a table is table;
* a photo in which no copper shows has none anywhere (``NO_COPPER``), one that shows it in
  its jacket alone no bare copper, brass or solder (``NO_BARE``); what else they show is not
  told;
* things that were outlined by hand (``data/real_marks.toml`` of photos that training sees,
  ``bench/real_labels.toml`` of the others) have their class and a number; ground outlined
  the same way is table, which is neither a piece nor a stranger: its number is 0.
"""

from __future__ import annotations

import argparse
import csv
import json
import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.recipe.surface.store import NO_BARE, NO_COPPER, UNKNOWN
from vision.types import Surface

HERE = Path(__file__).parent
SPLIT = HERE.parent / "data" / "real_split.csv"
MARKS = {
    "train": HERE.parent / "data" / "real_marks.toml",
    "validation": HERE.parents[2] / "bench" / "real_labels.toml",
}

PLAIN_TABLES = {
    f"s{n:03d}" for n in (1, 2, 4, 5, 6, 7, 8, 9, 11, 12, 13, 15, 16, 17, 18, 22, 24, 26, 27)
}
"""Photos of nothing but what things are laid on, by eye."""

KINDS = {
    "table": Surface.TABLE,
    "insulated": Surface.INSULATION,
    "stranger": Surface.STRANGER,
    "other_metal": Surface.OTHER_METAL,
    "brass": Surface.BRASS,
    "tinned": Surface.TINNED,
    "bright": Surface.BRIGHT,
    "coated": Surface.COATED,
}
"""Classes of marks; others are left untold."""

STRANDED = ("insulated", "tinned", "bright")
"""The leads on these photos are flexible cord, stranded inside: common practice, no source."""

OF_ONE = 90
"""Added to the number that marks of one piece share; a photo has fewer marks."""

_ORDER = list(Surface)


def main() -> None:
    """Read the arguments and write the folder."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=Path, required=True)
    parser.add_argument("--role", required=True, choices=tuple(MARKS))
    parser.add_argument("--out", type=Path, required=True)
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    with SPLIT.open(newline="") as file:
        chosen = {row["file"] for row in csv.DictReader(file) if row["role"] == asked.role}
    marks = read_marks(MARKS[asked.role])
    with (asked.photos / "INDEX.csv").open(newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["file"] in chosen]
    counts: Counter[str] = Counter()
    for row in rows:
        counts.update(label_photo(row, marks.get(row["file"], ()), asked.photos, asked.out))
    print(f"{len(rows)} photos, marked: {dict(counts)}")


def read_marks(path: Path) -> dict[str, Sequence[Mapping[str, Any]]]:
    """Return the marks of each photo by its file name, in the form of ``real_marks.toml``."""
    told = tomllib.loads(path.read_text(encoding="utf-8"))["photo"]
    return {Path(photo["file"]).name: photo.get("marks", ()) for photo in told}


def label_photo(
    row: Mapping[str, str], marks: Sequence[Mapping[str, Any]], photos: Path, out: Path
) -> list[str]:
    """Write photo, labels, numbers and truth file; return the kinds of things marked."""
    name = Path(row["file"]).stem
    bgr = cv2.imread(str(photos / row["file"]), cv2.IMREAD_COLOR)
    if bgr is None:
        raise ValueError(f"{row['file']} can't be read")
    base = {"none": NO_COPPER, "jacketed only": NO_BARE}.get(row["copper_in_view"], UNKNOWN)
    if name in PLAIN_TABLES:
        base = _ORDER.index(Surface.TABLE)
    labels = np.full(bgr.shape[:2], base, np.uint8)
    numbers = np.full(bgr.shape[:2], 0 if name in PLAIN_TABLES else UNKNOWN, np.uint8)
    strangers = np.zeros_like(labels)
    pieces: dict[int, dict[str, Any]] = {}
    for at, mark in enumerate(marks, start=1):
        mask = drawn(mark, labels.shape)
        kind = KINDS.get(mark["is"])
        if kind is None:
            labels[mask], numbers[mask], strangers[mask] = UNKNOWN, UNKNOWN, 0
            continue
        labels[mask] = _ORDER.index(kind)
        if kind == Surface.TABLE:
            numbers[mask], strangers[mask] = 0, 0
            continue
        # Parts of one piece share a number, beyond those of the marks.
        number = OF_ONE + int(mark["of"]) if "of" in mark else at
        is_piece = kind not in (Surface.STRANGER, Surface.OTHER_METAL)
        strangers[mask] = 0 if is_piece else number
        # Of other metal nobody said whether it belongs to the trade.
        numbers[mask] = number if is_piece else (0 if kind == Surface.STRANGER else UNKNOWN)
        form = {"form": "stranded"} if mark["is"] in STRANDED else {}
        pieces.setdefault(number, {"id": number, "kind": mark["is"], **form})
    cv2.imwrite(str(out / f"{name}.jpg"), bgr, [cv2.IMWRITE_JPEG_QUALITY, 88])
    cv2.imwrite(str(out / f"{name}.labels.png"), labels)
    cv2.imwrite(str(out / f"{name}.pieces.png"), numbers)
    cv2.imwrite(str(out / f"{name}.strangers.png"), strangers)
    told = {"light": "real", "pieces": list(pieces.values())}
    (out / f"{name}.json").write_text(json.dumps(told))
    return [str(mark["is"]) for mark in marks]


def drawn(mark: Mapping[str, Any], shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Return the pixels of a mark, ``(h, w)`` bool: a strip, an outline, a disc or a ring."""
    mask = np.zeros(shape, np.uint8)
    outline = next(name for name in ("strip", "poly", "disc", "ring") if name in mark)
    points = np.round(np.array(mark[outline])).astype(np.int32)
    if outline == "strip":
        cv2.polylines(mask, [points], False, (1,), max(1, round(mark["width"])))
    elif outline == "poly":
        cv2.fillPoly(mask, [points], (1,))
    else:
        width = -1 if outline == "disc" else max(1, round(mark["width"]))
        centre = (int(points[0, 0]), int(points[0, 1]))
        cv2.circle(mask, centre, round(mark["radius"]), (1,), width)
    return mask > 0


if __name__ == "__main__":
    main()
