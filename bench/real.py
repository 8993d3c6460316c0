"""What does the tool say of real photos, and how much of what it is sure of is right?

    python -m bench.real [--photos DIR] [--role test] [--out raw.json] [--pictures DIR]
    python -m bench.real --answers raw.json [--report FILE.md] [--pictures DIR]

Every photo is graded as the command line does it, with nothing stated. A marked thing
(``bench/real_labels.toml``) that no found piece covers is then asked for by a tap on it.
So each answer is one that a person could have had. What is right is written down in
``bench/real_truth.py``. Photos that training saw are never asked; ``validation`` photos
chose limits, ``test`` photos nothing.

``--out`` keeps the answers, so that marks and figures can be mended without asking
again. Photos are of few makers (test 10 sources, two thirds of the photos from two) and marks are
by eye: intervals (Wilson) take answers as independent, which those of one photo are not
quite. Photos ``left_out`` show a table that photos of another source were trained on.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import app  # noqa: F401 - first, since it says how many threads numpy takes

# isort: split
from bench.real_figures import Answer, report
from bench.real_pictures import draw_all
from bench.real_truth import UNSURE, MarkedPhoto, inside, outline_mask, read_marks, truth_of

COVERED = 0.5
"""A mark counts as found where pieces cover this share of it."""

Row = dict[str, Any]


def main(argv: Sequence[str] | None = None) -> int:
    """Ask, or read the answers given before, and report."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=Path, default=Path("fixtures/real"))
    parser.add_argument("--role", choices=("test", "validation"), default="test")
    parser.add_argument("--no-taps", action="store_true", help="only what is found by itself")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--answers", type=Path, help="answers given before, as --out wrote them")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--report", type=Path)
    parser.add_argument("--pictures", type=Path, help="folder for the diagrams and the worst")
    options = parser.parse_args(argv)
    photos = {p.file: p for p in read_marks(options.photos) if p.role == options.role}
    if options.answers:
        told = json.loads(options.answers.read_text(encoding="utf-8"))
    else:
        with ProcessPoolExecutor(options.jobs) as pool:
            ask = partial(asked, options.photos, taps=not options.no_taps)
            told = list(pool.map(ask, photos.values()))
    if options.out:
        options.out.write_text(json.dumps(told), encoding="utf-8")
    told = [photo for photo in told if photo["file"] in photos]
    answers = [answer for photo in told for answer in judged(photo, photos[photo["file"]])]
    faults = sum(len(photo["faults"]) for photo in told)
    inside_marks = [mark for photo in told for mark in photo["inside"]]
    found = found_marks(told, photos)
    text = report(answers, found=found, inside=inside_marks, faults=faults)
    sys.stdout.write(text)
    if options.report:
        options.report.write_text(text, encoding="utf-8")
    if options.pictures:
        draw_all(answers, photos=options.photos, out=options.pictures, name=f"real_{options.role}")
    return 0


def asked(folder: Path, photo: MarkedPhoto, *, taps: bool = True) -> Row:
    """Return all that the tool says of one photo: its pieces, then the marks it missed."""
    import cv2

    cv2.setNumThreads(1)
    from app.grading import grade_examination, grade_photo
    from app.json_lines import as_object
    from app.request import Request
    from app.words import confidence_words
    from rules.sheet import load_sheet
    from vision.examine import examine

    request = Request(sheet=load_sheet("house"))

    def pieces(result: Any, *, tapped: bool) -> Iterator[Row]:
        for piece, graded in zip(as_object(result)["pieces"], result.pieces, strict=True):
            notes = list(graded.reading.notes) if graded.reading else []
            words = confidence_words(graded.grading)
            yield {**piece, "tapped": tapped, "words": words, "notes": notes}

    whole = grade_photo(folder / photo.file, request)
    if whole.examination is None:
        raise SystemExit(f"{photo.file}: {[p.text for p in whole.problems]}")
    seen = whole.examination.photo
    shape = (seen.height_px, seen.width_px)
    told = list(pieces(whole, tapped=False))
    covered, faults = outline_mask([], shape), []
    for piece in told:
        covered |= outline_mask(piece["outline_px"], shape)
    for mark in photo.marks if taps else ():
        mask = mark.mask(shape)
        if mark.kind == UNSURE or not mask.any() or covered[mask].mean() >= COVERED:
            continue
        try:
            answer = examine(seen, at=inside(mask), scale=whole.examination.scale)
        except Exception as fault:  # counted, so that one tap does not end a run of minutes
            faults.append({"name": mark.name, "at": inside(mask), "text": str(fault)})
            continue
        told += pieces(grade_examination(answer, request), tapped=True)
    return {
        "file": photo.file,
        "shape": shape,
        "pieces": told,
        "faults": faults,
        "inside": surfaces_inside(seen, photo, scale=whole.examination.scale),
    }


def surfaces_inside(seen: Any, photo: MarkedPhoto, *, scale: Any) -> list[Row]:
    """Return what the surface map says inside each mark: the mean probability of each class.

    Apart from whether the tool would find the piece, and of one surface where a piece has
    several. The map looks as close as it would at a piece of the mark's size.
    """
    import numpy as np

    from vision.finish.surface import cover, load_surface_model, mean_p, surface_map
    from vision.types import Surface

    model = load_surface_model()
    assert model is not None, "no surface model"
    white = scale.white if scale is not None else None
    rows = []
    for mark in photo.marks:
        mask = mark.mask((seen.height_px, seen.width_px))
        if mark.kind == UNSURE or not mask.any():
            continue
        ys, xs = np.nonzero(mask)
        x, y = int(xs.min()), int(ys.min())
        box = (x, y, int(np.ptp(xs)) + 1, int(np.ptp(ys)) + 1)
        close = surface_map(seen, model=model, box=box, white=white)
        p = mean_p(close, cover(close, mask[y : y + box[3], x : x + box[2]], box_px=box))
        told = {str(name): float(v) for name, v in zip(Surface, p, strict=True)}
        rows.append({"kind": mark.kind, "group": mark.group, "name": mark.name, "p": told})
    return rows


def judged(told: Row, photo: MarkedPhoto) -> Iterator[Answer]:
    """Yield one answer a piece, with what is true of it."""
    shape = (told["shape"][0], told["shape"][1])
    masks = [mark.mask(shape) for mark in photo.marks]
    for piece in told["pieces"]:
        truth = truth_of(outline_mask(piece["outline_px"], shape), photo, masks)
        yield Answer(photo=photo.file, truth=truth, piece=piece)


def found_marks(told: Sequence[Row], photos: dict[str, MarkedPhoto]) -> dict[str, list[bool]]:
    """Return for each kind of mark whether pieces found without a tap cover it."""
    found: dict[str, list[bool]] = {}
    for row in told:
        shape = (row["shape"][0], row["shape"][1])
        covered = outline_mask([], shape)
        for piece in row["pieces"]:
            if not piece["tapped"]:
                covered |= outline_mask(piece["outline_px"], shape)
        for mark in photos[row["file"]].marks:
            mask = mark.mask(shape)
            if mark.kind != UNSURE and mask.any():
                share = float(covered[mask].mean())
                found.setdefault(mark.kind, []).append(share >= COVERED)
    return found


if __name__ == "__main__":
    raise SystemExit(main())
