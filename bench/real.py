"""What does the tool say of real photos whose surfaces were labelled by hand?

    python -m bench.real [--photos fixtures/real] [--out rows.json] [--overlay DIR]

Labels (``fixtures/real/labels.toml``) are outlines of surfaces and what each shows, by eye
and by the photo's source. Two questions are asked of each, three ways as in
``bench/compare.py``:

* of the surface inside the label's outline: which finish, and is it brass? This is apart
  from whether the tool would find the piece;
* of the whole photo: how much of the label do the found pieces cover?

``copper`` is bright or tarnished and no brass; ``tinned`` is any grey metal. Photos are
few, by few cameras, without a reference in view, and labels are by eye: read the list,
not the percentages.
"""

from __future__ import annotations

import argparse
import json
import sys
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

WAYS = ("physics", "network", "both")
FINDERS = ("classical", "network")
ACCEPTED = {
    "copper": ("bright", "tarnished"),
    "bright": ("bright",),
    "tarnished": ("tarnished",),
    "green": ("green",),
    "coated": ("coated",),
    "tinned": ("tinned",),
    "brass": ("brass",),
}
COVERED = 0.5
"""A label counts as found where pieces cover this share of it."""


def main(argv: Sequence[str] | None = None) -> int:
    """Judge the labelled photos and print what was told of each."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=Path, default=Path("fixtures/real"))
    parser.add_argument("--out", type=Path)
    parser.add_argument("--overlay", type=Path, help="folder for pictures with the answers")
    arguments = parser.parse_args(argv)
    with (arguments.photos / "labels.toml").open("rb") as file:
        labels = tomllib.load(file)["surface"]
    rows: list[dict[str, Any]] = []
    for name in sorted({str(label["photo"]) for label in labels}):
        of_photo = [label for label in labels if label["photo"] == name]
        rows += judged(arguments.photos / name, of_photo, overlay=arguments.overlay)
    sys.stdout.write(listing(rows) + "\n" + summary(rows))
    if arguments.out:
        arguments.out.write_text(json.dumps(rows, indent=1), encoding="utf-8")
    return 0


def mask_of(label: dict[str, Any], shape: tuple[int, int]) -> np.ndarray:
    """Return the label's pixels, ``(h, w)`` bool."""
    points = np.round(np.array(label["points_px"])).astype(np.int32)
    mask = np.zeros(shape, np.uint8)
    if label["shape"] == "disc":
        cv2.circle(mask, tuple(int(v) for v in points[0]), int(label["radius_px"]), 1, -1)
    elif label["shape"] == "strip":
        cv2.polylines(mask, [points], False, 1, round(label["width_px"]))
    else:
        cv2.fillPoly(mask, [points], 1)
    return mask > 0


def judged(
    path: Path, labels: Sequence[dict[str, Any]], *, overlay: Path | None
) -> list[dict[str, Any]]:
    """Return one row for each label of a photo."""
    from rules.errors import PhotoError
    from vision.finish.judging import judge_finish
    from vision.finish.mix import NETWORK_ALONE
    from vision.finish.surface import load_surface_model, surface_map
    from vision.photo.loading import load_photo_file
    from vision.photo.white import estimate_white
    from vision.pieces.finding import find_pieces, pieces_on
    from vision.reference.scale import detect_scale
    from vision.types import Region

    photo = load_photo_file(path)
    model = load_surface_model()
    assert model is not None, "no surface model"
    try:
        scale = detect_scale(photo, "auto")
    except PhotoError:
        scale = None
    light = estimate_white(photo, scale)
    white = scale.white if scale is not None else None
    found = {
        "classical": find_pieces(photo),
        "network": pieces_on(photo, surface_map(photo, model=model, white=white)),
    }
    full = {finder: _union(regions, photo.rgb.shape[:2]) for finder, regions in found.items()}
    rows = []
    for label in labels:
        mask = mask_of(label, photo.rgb.shape[:2])
        ys, xs = np.nonzero(mask)
        box = (int(xs.min()), int(ys.min()), int(np.ptp(xs)) + 1, int(np.ptp(ys)) + 1)
        x, y, w, h = box
        region = Region(
            box_px=box,
            mask=mask[y : y + h, x : x + w],
            outline_px=np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]], float),
            score=1.0,
        )
        detail = surface_map(photo, model=model, box=box, white=white)
        readings = {
            "physics": judge_finish(photo, region, white=light),
            "network": judge_finish(photo, region, white=light, surface=detail, mix=NETWORK_ALONE),
            "both": judge_finish(photo, region, white=light, surface=detail),
        }
        rows.append(
            {
                "photo": str(label["photo"]),
                "name": label["name"],
                "class": label["class"],
                "disc": label["shape"] == "disc",
                "reference": None if scale is None else scale.reference,
                "pieces": {finder: len(regions) for finder, regions in found.items()},
                "covered": {finder: float(full[finder][mask].mean()) for finder in FINDERS},
                "told": {way: _told(reading) for way, reading in readings.items()},
                "familiarity": readings["both"].form_hints.get("familiarity"),
            }
        )
    if overlay is not None:
        overlay.mkdir(parents=True, exist_ok=True)
        _draw(photo.rgb, labels, rows, full["network"], overlay / f"{path.stem}.png")
    return rows


def _union(regions: Sequence[Any], shape: tuple[int, int]) -> np.ndarray:
    full = np.zeros(shape, bool)
    for region in regions:
        x, y, w, h = region.box_px
        full[y : y + h, x : x + w] |= region.mask
    return full


def _told(reading: Any) -> dict[str, Any]:
    if reading.finish is None:
        return {"name": "unseen", "share": 0.0, "u": 0.0, "brass_p": reading.brass.p}
    shares = {str(k): float(v) for k, v in reading.finish.shares.items()}
    name = max(shares, key=shares.__getitem__)
    share, u = shares[name], float(reading.finish.u[name])
    if reading.brass.p > COVERED and reading.brass.share > COVERED:
        name, share = "brass", float(reading.brass.p)
    elif reading.solder.p > COVERED and reading.solder.share > COVERED:
        name, share = "tinned", float(reading.solder.p)
    return {
        "name": name, "share": share, "u": u,
        "brass_p": reading.brass.p, "solder_p": reading.solder.p,
    }  # fmt: skip


def _right(row: dict[str, Any], way: str) -> bool:
    return row["told"][way]["name"] in ACCEPTED[row["class"]]


def listing(rows: Sequence[dict[str, Any]]) -> str:
    """Return one line a label."""
    head = "| photo | surface | is | physics | network | both | familiar | covered by pieces |"
    lines = [head, "| --- |" + " --- |" * 7]
    for row in rows:
        cells = []
        for way in WAYS:
            told = row["told"][way]
            mark = "" if _right(row, way) else " ✗"
            cells.append(f"{told['name']} {told['share']:.2f}{mark}")
        lines.append(
            f"| {row['photo']} | {row['name']} | {row['class']} | "
            + " | ".join(cells)
            + f" | {row['familiarity']:.2f} | {row['covered']['network']:.0%} |"
        )
    return "\n".join(lines) + "\n"


def summary(rows: Sequence[dict[str, Any]]) -> str:
    """Return how often each way was right, by class, and how much was found."""
    groups = [("coin crops", [r for r in rows if r["disc"]])]
    surfaces = [r for r in rows if not r["disc"]]
    classes = sorted({r["class"] for r in surfaces})
    groups += [(f"surfaces: {c}", [r for r in surfaces if r["class"] == c]) for c in classes]
    groups += [("surfaces", surfaces)]
    lines = ["| labels | n | physics | network | both |", "| --- | --- | --- | --- | --- |"]
    for name, of in groups:
        hits = " | ".join(str(sum(_right(r, way) for r in of)) for way in WAYS)
        lines.append(f"| {name} | {len(of)} | {hits} |")
    for way in WAYS:
        sure = [r for r in surfaces if not _right(r, way) and r["told"][way]["share"] > 0.8]
        lines.append(f"\n{way}: told wrong with a share over 0.8: {len(sure)} of {len(surfaces)}")
    for finder in FINDERS:
        n = sum(r["covered"][finder] >= COVERED for r in surfaces)
        lines.append(f"\n{finder} finder: covers {n} of {len(surfaces)} labelled surfaces")
    return "\n".join(lines) + "\n"


def _draw(
    rgb: np.ndarray,
    labels: Sequence[dict[str, Any]],
    rows: Sequence[dict[str, Any]],
    found: np.ndarray,
    out: Path,
) -> None:
    """Draw found pieces (green), labels (black) and what was told of each."""
    canvas = np.ascontiguousarray(rgb[..., ::-1])
    contours, _ = cv2.findContours(found.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(canvas, contours, -1, (0, 200, 0), 2)
    for label, row in zip(labels, rows, strict=True):
        mask = mask_of(label, rgb.shape[:2]).astype(np.uint8)
        outline, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        right = _right(row, "both")
        cv2.drawContours(canvas, outline, -1, (0, 0, 0) if right else (0, 0, 255), 1)
        x, y = (int(v) for v in np.array(label["points_px"])[0])
        told = row["told"]["both"]
        words = f"{row['class']}: {told['name']} {told['share']:.2f}"
        for colour, width in (((255, 255, 255), 3), ((0, 0, 0) if right else (0, 0, 255), 1)):
            cv2.putText(
                canvas, words, (x, y), cv2.FONT_HERSHEY_SIMPLEX, 0.45, colour, width, cv2.LINE_AA
            )
    cv2.imwrite(str(out), canvas)


if __name__ == "__main__":
    raise SystemExit(main())
