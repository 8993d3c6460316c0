"""Cut straightened strips of pieces out of rendered photos, to fit the look of strands.

    python -m models.recipe.strips DIR OUT.npz [--most N] [--jobs N]

Each strip is what :func:`vision.strands.straightened` sees of one true piece, from its
true outline: ``(128, 32, 3)`` uint8 (square root of linear light), four widths long, with
the true form, number of strands and the piece's width in photo pixels.
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np

from vision.photo import load_photo_file
from vision.strands import straightened
from vision.types import Region

ACROSS, ALONG = 32, 128
FORMS = ("wire", "stranded", "tube")


def strips_of(truth_file: Path) -> list[dict[str, object]]:
    """Return the strips of one rendered photo."""
    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    pieces = [p for p in truth["pieces"] if p["form"] in FORMS and p.get("diameter_mm")]
    if not pieces:
        return []
    photo = load_photo_file(truth_file.with_name(truth["photo"]))
    numbers = cv2.imread(str(truth_file.with_name(truth_file.stem + ".pieces.png")), 0)
    numbers = cv2.resize(
        numbers, (photo.width_px, photo.height_px), interpolation=cv2.INTER_NEAREST
    )
    found: list[dict[str, object]] = []
    for piece in pieces:
        mask = numbers == piece["id"]
        if mask.sum() < 300:
            continue
        ys, xs = np.nonzero(mask)
        x, y, w, h = xs.min(), ys.min(), np.ptp(xs) + 1, np.ptp(ys) + 1
        region = Region(
            box_px=(int(x), int(y), int(w), int(h)),
            mask=mask[y : y + h, x : x + w],
            outline_px=np.zeros((0, 2)),
            score=1.0,
        )
        strip = straightened(photo, region)
        if strip is None or strip.width_px * strip.step_px < 5:
            continue
        rows = int(4 * strip.width_px)
        if strip.light.shape[0] < rows:
            continue
        start = (strip.light.shape[0] - rows) // 2
        cut = np.sqrt(np.clip(strip.light[start : start + rows], 0, 1)) * 255
        cut = cv2.resize(cut, (ACROSS, ALONG), interpolation=cv2.INTER_AREA)
        found.append(
            {
                "strip": np.clip(cut + 0.5, 0, 255).astype(np.uint8),
                "form": FORMS.index(piece["form"]),
                "strands": int(piece.get("strands") or 1),
                "width_px": float(strip.width_px * strip.step_px),
                "diameter_mm": float(piece["diameter_mm"]),
            }
        )
    return found


def main() -> None:
    """Write the strips of a folder."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--most", type=int, default=4000)
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    truths = sorted(options.folder.glob("*.json"))
    truths = [truths[i] for i in np.random.default_rng(1).permutation(len(truths))]
    rows: list[dict[str, object]] = []
    with ProcessPoolExecutor(options.jobs) as pool:
        for found in pool.map(strips_of, truths[: 3 * options.most], chunksize=8):
            rows += found
    rows = rows[: options.most]
    columns = {key: np.array([row[key] for row in rows]) for key in rows[0]}
    np.savez_compressed(options.out, **columns)
    print(f"{len(rows)} strips, {np.bincount(columns['form'], minlength=3)} of {FORMS}")


if __name__ == "__main__":
    main()
