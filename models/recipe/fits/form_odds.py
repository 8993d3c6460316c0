"""Fit the odds that a piece is drawn stock, flat stock or another thing.

    python -m models.recipe.fits.form_odds DIR [DIR...] --out models

``DIR`` holds photos with truth, as ``models.recipe.render`` writes them. Pieces are found
as the tool finds them; each found piece takes the form of the true one it overlaps most.
Multinomial logistic regression with a ridge; told on scenes left out, ten folds.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.optimize import minimize

from models.loader import SCHEMAS
from vision.finish.surface import cover, load_surface_model, mean_p, surface_map
from vision.photo.loading import load_photo_file
from vision.pieces.finding import pieces_on
from vision.pieces.form import KINDS, NUMBERS, ODDS, kind_numbers, shape_of
from vision.types import Photo, Region, Surface, SurfaceMap
from vision.width.strand.strands import along_axis, look_at_strip, straightened

RIDGE = 1.0
"""Of 0.1, 0.3, 1 and 3 the one with the least log loss on scenes left out."""

MATCH_IOU = 0.3
"""A found outline that overlaps the true one less is of something else."""

FOLDS = 10
BANDS = (0.3, 0.5, 0.7, 0.9, 0.97, 1.01)
MOST_HOLES = 0.1
"""Coils and tangles are told before (:func:`vision.pieces.form.is_heap`)."""


def numbers_of(
    photo: Photo, region: Region, surface: SurfaceMap, *, mm_per_px: float
) -> np.ndarray | None:
    """Return the numbers of one found piece, None for a coil or a tangle."""
    shape = shape_of(region)
    if shape.hole_share > MOST_HOLES:
        return None
    strip = straightened(photo, region)
    look = look_at_strip(photo, strip or along_axis(photo, region))
    p = mean_p(surface, cover(surface, region.mask, box_px=region.box_px))
    brass = float(p[list(Surface).index(Surface.BRASS)])
    return kind_numbers(
        shape,
        width_mm=shape.width_px * mm_per_px,
        brass_share=brass,
        other_p=look.of("other"),
    )


def kind_of(form: str) -> int:
    """Return the index into ``KINDS`` of a true form."""
    return KINDS.index(form) if form in KINDS else KINDS.index("round")


def examples(folder: Path) -> Iterator[tuple[str, np.ndarray, int]]:
    """Yield scene, numbers and kind of each found piece of a folder."""
    model = load_surface_model()
    for path in sorted(folder.glob("*.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        photo = load_photo_file(path.with_name(truth["photo"]))
        surface = surface_map(photo, model=model)
        outlines = [np.array(r["outline_px"]) for r in truth["references"]]
        regions = pieces_on(photo, surface, reference_outlines_px=outlines)
        true = np.asarray(cv2.imread(str(path.with_suffix(".pieces.png")), cv2.IMREAD_GRAYSCALE))
        forms = {piece["id"]: piece["form"] for piece in truth["pieces"] if not is_heap(piece)}
        for region in regions:
            number = overlapped(region, true)
            if number not in forms:
                continue
            scale = truth["camera_height_mm"] / truth["focal_px"]
            found = numbers_of(photo, region, surface, mm_per_px=scale)
            if found is not None:
                yield f"{folder}/{path.stem}", found, kind_of(forms[number])


def is_heap(piece: dict[str, Any]) -> bool:
    """Return whether a true piece is a coil or a tangle: those are told before."""
    return bool(piece["facts"].get("coil") or piece["facts"].get("tangled"))


def overlapped(region: Region, true: np.ndarray) -> int | None:
    """Return the number of the true piece that a found one overlaps most."""
    x, y, w, h = region.box_px
    own = np.zeros(true.shape, bool)
    own[y : y + h, x : x + w] = region.mask
    best, number = MATCH_IOU, None
    for other in np.unique(true[own]):
        mask = true == other
        iou = float((own & mask).sum() / (own | mask).sum())
        if other > 0 and iou >= best:
            best, number = iou, int(other)
    return number


def fitted(z: np.ndarray, kind: np.ndarray) -> np.ndarray:
    """Return ``(len(NUMBERS) + 1, len(KINDS))`` coefficients, bias last; the first kind's are 0."""
    count, width, kinds = *z.shape, len(KINDS)
    inputs = np.column_stack([z, np.ones(count)])

    def loss(flat: np.ndarray) -> tuple[float, np.ndarray]:
        b = np.column_stack([np.zeros(width + 1), flat.reshape(width + 1, kinds - 1)])
        scores = inputs @ b
        scores -= scores.max(axis=1, keepdims=True)
        logs = scores - np.log(np.exp(scores).sum(axis=1, keepdims=True))
        value = -logs[np.arange(count), kind].sum() + RIDGE / 2 * (b[:-1] ** 2).sum()
        pull = np.exp(logs)
        pull[np.arange(count), kind] -= 1
        slope = inputs.T @ pull
        slope[:-1] += RIDGE * b[:-1]
        return float(value), slope[:, 1:].ravel()

    start = np.zeros((width + 1) * (kinds - 1))
    best = minimize(loss, start, jac=True, method="L-BFGS-B").x
    return np.column_stack([np.zeros(width + 1), best.reshape(width + 1, kinds - 1)])


def told(numbers: np.ndarray, kind: np.ndarray, scene: list[str]) -> None:
    """Print how right the odds are on scenes left out."""
    _, of = np.unique(scene, return_inverse=True)
    fold = np.random.default_rng(0).permutation(of.max() + 1)[of] % FOLDS
    p = np.zeros((len(kind), len(KINDS)))
    for k in range(FOLDS):
        out = fold == k
        mean, scale = numbers[~out].mean(axis=0), numbers[~out].std(axis=0) + 1e-6
        z = np.clip((numbers - mean) / scale, -4, 4)
        scores = np.column_stack([z, np.ones(len(z))])[out] @ fitted(z[~out], kind[~out])
        p[out] = np.exp(scores - scores.max(axis=1, keepdims=True))
    p /= p.sum(axis=1, keepdims=True)
    right = p.argmax(axis=1) == kind
    log_loss = -np.log(p[np.arange(len(kind)), kind]).mean()
    print(f"{len(kind)} pieces, left out: right {right.mean():.3f}, log loss {log_loss:.3f}")
    said = p.max(axis=1)
    for low, high in pairwise(BANDS):
        part = (said >= low) & (said < high)
        if part.any():
            print(f"said {said[part].mean():.2f}: {right[part].mean():.2f} of {part.sum()}")


def write(out: Path, numbers: np.ndarray, kind: np.ndarray) -> None:
    """Fit on everything and write the constants."""
    mean, scale = numbers.mean(axis=0), numbers.std(axis=0) + 1e-6
    b = fitted(np.clip((numbers - mean) / scale, -4, 4), kind)

    def row(values: np.ndarray) -> str:
        return f"[{', '.join(repr(float(v)) for v in values)}]"

    lines = [
        "# Drawn stock, flat stock or another thing: written by models/recipe/fits/form_odds.py.",
        f'schema = "{SCHEMAS[ODDS]}"',
        f"names = {json.dumps(NUMBERS)}",
        f"kinds = {json.dumps(KINDS)}",
        f"mean = {row(mean)}",
        f"scale = {row(scale)}",
        f"bias = {row(b[-1])}",
        "weights = [",
        *(f"  {row(weights)}," for weights in b[:-1]),
        "]",
    ]
    (out / f"{ODDS}.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    print(dict(zip((*NUMBERS, "bias"), np.round(b[:, 1:], 2).tolist(), strict=True)))


def main() -> None:
    """Fit, tell and write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    rows = [row for folder in options.folders for row in examples(folder)]
    numbers, kind = np.array([r[1] for r in rows]), np.array([r[2] for r in rows])
    told(numbers, kind, [r[0] for r in rows])
    if options.out:
        write(options.out, numbers, kind)


if __name__ == "__main__":
    main()
