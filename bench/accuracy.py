"""How right is the tool, on photos whose truth is known?

    python -m bench.accuracy DIR [--jobs N] [--out FILE.json] [--report FILE.md]

``DIR`` holds ``NAME.jpg`` with ``NAME.json`` (``cuproscope.truth/1``) and
``NAME.pieces.png``, as ``models.recipe.render`` writes them. Each photo is examined
with its reference named, as a person would; true pieces are matched with found ones one
to one. Intervals are 95 % bootstrap over photos. The second table tells the same by the number of
pieces on the photo, with panoptic quality (``models.recipe.panoptic``).
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import app  # noqa: F401 - first, since it says how many threads numpy takes

# isort: split
import numpy as np

from app.practice.truth import true_findings
from bench.accuracy_figures import tabulate
from bench.by_number import Counts, Told, counted
from bench.by_number import table as by_number
from bench.truth import is_whole, match, overlaps
from rules.engine import Grading


def main(argv: Sequence[str] | None = None) -> int:
    """Examine a folder and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--limit", type=int, default=None)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--report", type=Path)
    arguments = parser.parse_args(argv)
    truths = sorted(arguments.folder.glob("*.json"))[: arguments.limit]
    start = time.perf_counter()
    with ProcessPoolExecutor(arguments.jobs) as pool:
        rows = [row for rows in pool.map(examined, truths) for row in rows]
    table = tabulate(rows)
    table.append(("photos", str(len(truths)), ""))
    table.append(
        (
            "seconds a photo and process",
            f"{(time.perf_counter() - start) * arguments.jobs / max(1, len(truths)):.2f}",
            "",
        )
    )
    text = "\n".join(f"| {name} | {value} | {note} |" for name, value, note in table)
    text = "| figure | value | 95 % interval, n |\n| --- | --- | --- |\n" + text + "\n"
    text += "\n" + by_number([Counts.of_row(r["counts"]) for r in rows if r["kind"] == "photo"])
    sys.stdout.write(text)
    if arguments.out:
        arguments.out.write_text(json.dumps(rows, indent=1), encoding="utf-8")
    if arguments.report:
        arguments.report.write_text(text, encoding="utf-8")
    return 0


def examined(truth_file: Path) -> list[dict[str, Any]]:
    """Return one row a true piece, one a found piece that is none, and one with their counts."""
    import cv2

    cv2.setNumThreads(1)
    from rules.base_rates import on_bench
    from rules.confidence import PLAIN
    from rules.engine import grade
    from rules.errors import CuproscopeError
    from rules.sheet import load_sheet
    from vision.examine import examine
    from vision.photo.loading import load_photo_file

    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    photo = load_photo_file(truth_file.parent / truth["photo"])
    named = truth["references"][0]["key"] if truth["references"] else "auto"
    stated = next((p["stated_form"] for p in truth["pieces"] if p.get("stated_form")), None)
    start = time.perf_counter()
    try:
        seen = examine(photo, reference=named, form=stated)
    except CuproscopeError as fault:
        return [{"photo": truth["photo"], "kind": "fault", "text": str(fault)}]
    seconds = time.perf_counter() - start
    numbers = np.asarray(cv2.imread(str(truth_file.with_name(truth_file.stem + ".pieces.png")), 0))
    sheet = load_sheet("house")
    told = [on_bench(piece.findings) for piece in seen.pieces]
    answers = [grade(findings, sheet) for findings in told]
    true_grades = {t["id"]: grade(true_findings(t), sheet).suggested for t in truth["pieces"]}
    over = overlaps(numbers, seen.pieces, photo.width_px, photo.height_px)
    matches = match(over)
    rows = []
    for true in truth["pieces"]:
        row: dict[str, Any] = {
            "photo": truth["photo"],
            "kind": "piece",
            "reference": named,
            "seconds": seconds,
            "mix": truth.get("mix", "hard"),
            "table": truth.get("table"),
            "light": truth.get("light"),
            "truth": true,
            "scaled": seen.scale is not None,
            "problems": [p.code for p in seen.problems],
            "whole_reference": is_whole(truth),
            "tilt_deg": truth.get("tilt_deg"),
            "camera_height_mm": truth.get("camera_height_mm"),
        }
        if seen.scale is not None:
            row["scale_u_rel"] = seen.scale.u_rel
        row["true_grade"] = true_grades[true["id"]]
        index, iou = matches.get(true["id"], (None, 0.0))
        row["iou"] = iou
        if index is not None:
            row["found"] = _facts_of(told[index])
            row["raw_p"] = dict(grade(told[index], sheet, calibration=PLAIN).p)
            row["grade"] = _graded(answers[index])
        rows.append(row)
    taken = {index for index, _ in matches.values()}
    rows += [
        {
            "photo": truth["photo"],
            "kind": "extra",
            "box_px": list(piece.region.box_px),
            "found": _facts_of(told[index]),
            "grade": _graded(answers[index]),
        }
        for index, piece in enumerate(seen.pieces)
        if index not in taken
    ]
    counts = counted(
        over.of(_copper(truth)),
        [Told.of(answer) for answer in answers],
        right={number: {best} for number, best in true_grades.items()},
    )
    return [*rows, {"photo": truth["photo"], "kind": "photo", "counts": counts.as_row()}]


def _copper(truth: dict[str, Any]) -> set[int]:
    """Return the numbers of the pieces that a seller brings; steel and the like are none."""
    return {true["id"] for true in truth["pieces"] if true["material"] in ("copper", "brass")}


def _graded(answer: Grading) -> dict[str, Any]:
    return {
        "suggested": answer.suggested,
        "confidence": answer.confidence,
        "p": {str(k): float(v) for k, v in answer.p.items()},
        "borderline": answer.borderline,
        "guess": answer.guess,
        "plausible": list(answer.plausible),
        "row": answer.reasons[0].row,
    }


def _facts_of(findings: Any) -> dict[str, Any]:
    def measured(m: Any) -> dict[str, float] | None:
        return (
            None
            if m is None
            else {"value": m.value, "u": m.u, "low95": m.low95, "high95": m.high95}
        )

    from rules.draws import expected_finish
    from rules.findings import What

    finish = expected_finish(findings)
    return {
        "form": str(findings.form.value),
        "form_p": {str(k): float(v) for k, v in findings.form.p.items()},
        "diameter": measured(findings.diameter),
        "strand": measured(findings.strand_diameter),
        "shares": None if finish is None else {str(k): float(v) for k, v in finish.shares.items()},
        "shares_u": None if finish is None else {str(k): float(v) for k, v in finish.u.items()},
        "tarnish_level": None if finish is None else measured(finish.tarnish_level),
        "p": {str(what): findings.p_of(what) for what in What if what in findings.seen},
        "share": {str(what): flag.share for what, flag in findings.seen.items()},
        "familiarity": findings.familiarity,
        "one_piece": findings.one_piece,
    }


if __name__ == "__main__":
    raise SystemExit(main())
