"""Read the look of strands off rendered photos of known truth, to fit its odds.

    python -m models.recipe.strips.looks OUT.npz DIR [DIR...]

Each row of ``OUT.npz`` is one look at one piece: the numbers of
:func:`vision.width.grooves.numbers` and the shape of its mask, with the true form. A piece is
looked at several times, at full size and on smaller copies saved anew as JPEG, through
its true mask, thinned or thickened ones, and the mask that the piece finder gives.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from vision.photo.loading import load_photo_file
from vision.pieces.finding import find_pieces
from vision.pieces.form import shape_of
from vision.types import Mask, Photo, Region
from vision.width.grooves import NAMES, look_of
from vision.width.strands import straightened

FORMS = ("wire", "stranded", "tube", "sheet", "other")
FACTORS = (1.0, 0.7, 0.5)
LEAST_PX = 200
"""Smaller masks are not looked at."""

MATCH_IOU = 0.3


def looks_of(truth_file: Path) -> list[dict[str, object]]:
    """Return the looks at every piece of one rendered photo."""
    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    pieces = [p for p in truth["pieces"] if not p["stated_form"]]
    if not pieces:
        return []
    photo = load_photo_file(truth_file.with_name(truth["photo"]))
    numbers = cv2.imread(str(truth_file.with_name(truth_file.stem + ".pieces.png")), 0)
    numbers = cv2.resize(
        numbers, (photo.width_px, photo.height_px), interpolation=cv2.INTER_NEAREST
    )
    rng = np.random.default_rng(truth["seed"])
    rows = []
    for piece in pieces:
        for seen, mask, source in _views(photo, numbers == piece["id"], rng):
            rows.append(_look(seen, region_of(mask), piece, source, truth_file.stem))
    outlines = [np.array(r["outline_px"], float) for r in truth["references"]]
    for region in find_pieces(photo, reference_outlines_px=outlines)[:12]:
        matched = _matched(region, numbers, pieces)
        if matched is not None:
            rows.append(_look(photo, region, matched, "found", truth_file.stem))
    return rows


def _views(photo: Photo, mask: Mask, rng: np.random.Generator) -> Iterator[tuple[Photo, Mask, str]]:
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3))
    for factor in FACTORS:
        size = (round(photo.width_px * factor), round(photo.height_px * factor))
        small = cv2.resize(mask.astype(np.uint8) * 255, size, interpolation=cv2.INTER_AREA) > 127
        seen = photo
        if factor < 1:
            rgb = cv2.resize(photo.rgb, size, interpolation=cv2.INTER_AREA)
            quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(70, 96))]
            rgb = cv2.imdecode(cv2.imencode(".jpg", rgb[..., ::-1], quality)[1], 1)[..., ::-1]
            seen = replace(photo, rgb=np.ascontiguousarray(rgb))
            other = cv2.erode if rng.random() < 0.3 else cv2.dilate
            if rng.random() < 0.6:
                small = other(small.astype(np.uint8), kernel) > 0
        if small.sum() >= LEAST_PX:
            yield seen, small, "true"


def region_of(mask: Mask) -> Region:
    """Return a mask of the whole photo as a region."""
    x, y, w, h = cv2.boundingRect(mask.astype(np.uint8))
    return Region(
        box_px=(x, y, w, h), mask=mask[y : y + h, x : x + w], outline_px=np.zeros((0, 2)), score=1.0
    )


def _matched(region: Region, numbers: np.ndarray, pieces: list[dict]) -> dict | None:
    x, y, w, h = region.box_px
    full = np.zeros(numbers.shape, bool)
    full[y : y + h, x : x + w] = region.mask
    best, matched = MATCH_IOU, None
    for piece in pieces:
        own = numbers == piece["id"]
        iou = float((own & full).sum() / (own | full).sum())
        if iou > best:
            best, matched = iou, piece
    return matched


def _look(photo: Photo, region: Region, piece: dict, source: str, name: str) -> dict[str, object]:
    shape = shape_of(region)
    strip = straightened(photo, region)
    seen = look_of(strip.light, width_px=strip.width_px) if strip is not None else None
    facts = piece["facts"]
    return {
        "name": f"{name}:{piece['id']}",
        "form": FORMS.index(piece["form"]),
        "hidden": bool(facts.get("insulation")),
        "heap": bool(facts.get("coil") or facts.get("tangled")),
        "found": source == "found",
        "numbers": np.full(len(NAMES), np.nan) if seen is None else seen.numbers,
        "width_px": np.nan if strip is None else strip.width_px * strip.step_px,
        "diameter_mm": piece["diameter_mm"] or np.nan,
        "strand_mm": piece["strand_diameter_mm"] or np.nan,
        "strands": piece["strands"] or 0,
        "elongation": shape.elongation,
        "fill": shape.fill,
        "hole_share": shape.hole_share,
        "holes": shape.holes,
        "solidity": shape.solidity,
        "widest": shape.widest_px / max(shape.width_px, 1e-6),
    }


def main() -> None:
    """Write the looks of some folders."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("folders", type=Path, nargs="+")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    rows: list[dict[str, object]] = []
    for folder in options.folders:
        for truth_file in sorted(folder.glob("*.json")):
            rows += looks_of(truth_file)
    columns = {key: np.array([row[key] for row in rows]) for key in rows[0]}
    np.savez_compressed(options.out, **columns)
    print(f"{len(rows)} looks at {len(set(columns['name']))} pieces")


if __name__ == "__main__":
    main()
