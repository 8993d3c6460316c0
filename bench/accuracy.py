"""How right is the tool, on photos whose truth is known?

    python -m bench.accuracy DIR [--jobs N] [--out FILE.json] [--report FILE.md]

``DIR`` holds ``NAME.jpg`` with ``NAME.json`` (``cuproscope.truth/1``) and
``NAME.pieces.png``, as ``models.recipe.render`` writes them. Each photo is examined
with its reference named, as a person would; true pieces are matched with found ones one
to one. Intervals are 95 % bootstrap over photos.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import app  # noqa: F401 - first, since it says how many threads numpy takes

# isort: split
import numpy as np

from app.words import SURE_PERCENT, percent_of

LIMIT_MM = 1.291  # 16 AWG, ASTM B258
MATCH_IOU = 0.3

LEAST_SHARE = 0.004
"""A thing that covers less of what is in sight is a stray spot, which costs no grade: 0.4 %,
a tenth of a millimetre of solder on 25 mm of tube. The training asks the same
(``ABSENT_SHARE`` of ``models/recipe/surface/piece_views.py``). Common practice, no source."""


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
    sys.stdout.write(text)
    if arguments.out:
        arguments.out.write_text(json.dumps(rows, indent=1), encoding="utf-8")
    if arguments.report:
        arguments.report.write_text(text, encoding="utf-8")
    return 0


def examined(truth_file: Path) -> list[dict[str, Any]]:
    """Return one row a true piece, and one a found piece that is none."""
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
    matches = match(numbers, seen.pieces, photo.width_px, photo.height_px)
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
            "whole_reference": _whole(truth),
            "tilt_deg": truth.get("tilt_deg"),
            "camera_height_mm": truth.get("camera_height_mm"),
        }
        if seen.scale is not None:
            row["scale_u_rel"] = seen.scale.u_rel
        row["true_grade"] = grade(true_findings(true), sheet).suggested
        index, iou = matches.get(true["id"], (None, 0.0))
        row["iou"] = iou
        if index is not None:
            piece = seen.pieces[index]
            told = on_bench(piece.findings)
            row["found"] = _facts_of(told)
            row["raw_p"] = dict(grade(told, sheet, calibration=PLAIN).p)
            row["grade"] = _graded(told, sheet)
        rows.append(row)
    taken = {index for index, _ in matches.values()}
    rows += [
        {
            "photo": truth["photo"],
            "kind": "extra",
            "box_px": list(piece.region.box_px),
            "found": _facts_of(on_bench(piece.findings)),
            "grade": _graded(on_bench(piece.findings), sheet),
        }
        for index, piece in enumerate(seen.pieces)
        if index not in taken
    ]
    return rows


def _graded(findings: Any, sheet: Any) -> dict[str, Any]:
    from rules.engine import grade

    answer = grade(findings, sheet)
    return {
        "suggested": answer.suggested,
        "confidence": answer.confidence,
        "p": {str(k): float(v) for k, v in answer.p.items()},
        "borderline": answer.borderline,
        "guess": answer.guess,
        "plausible": list(answer.plausible),
        "row": answer.reasons[0].row,
    }


def _whole(truth: dict[str, Any]) -> bool:
    """Whether the photo shows a reference that its rim doesn't cut."""
    if not truth["references"]:
        return False
    outline = np.array(truth["references"][0]["outline_px"])
    size = (truth["width_px"] - 1, truth["height_px"] - 1)
    return bool((outline >= 0).all() and (outline <= size).all())


def match(
    numbers: np.ndarray, pieces: Sequence[Any], width_px: int, height_px: int
) -> dict[int, tuple[int, float]]:
    """Pair true pieces with found ones, one to one, so that the overlaps sum to the most.

    One outline over two pieces finds one of them; the other is missed, not wrongly measured.

    Returns:
        The found piece's index and the overlap by the true piece's number.
    """
    import cv2
    from scipy.optimize import linear_sum_assignment

    trues = [int(number) for number in np.unique(numbers) if number != 0]
    overlap = np.zeros((len(trues), len(pieces)))
    for index, piece in enumerate(pieces):
        x, y, w, h = piece.region.box_px
        full = np.zeros((height_px, width_px), np.uint8)
        full[y : y + h, x : x + w] = piece.region.mask
        small = cv2.resize(full, numbers.shape[1::-1], interpolation=cv2.INTER_NEAREST) > 0
        under = set(np.unique(numbers[small]).tolist())
        for row, number in enumerate(trues):
            if number in under:
                own = numbers == number
                iou = float((own & small).sum() / (own | small).sum())
                overlap[row, index] = iou if iou >= MATCH_IOU else 0.0
    rows, columns = linear_sum_assignment(overlap, maximize=True)
    return {
        trues[row]: (int(index), float(overlap[row, index]))
        for row, index in zip(rows, columns, strict=True)
        if overlap[row, index] > 0
    }


def true_findings(true: dict[str, Any]) -> Any:
    """Return the findings of a perfect eye, to grade the truth by the same sheet."""
    from rules.findings import (
        ON_THE_PIECE,
        Findings,
        Finish,
        FinishFinding,
        Form,
        FormFinding,
        Measurement,
        Presence,
        Unit,
    )

    def exact(value: float | None, unit: Unit) -> Measurement | None:
        return None if value is None else Measurement.normal(value, 0.0, unit)

    shares = {Finish(k): float(v) for k, v in true["shares"].items()}
    total = sum(shares.values())
    if total == 0:  # all of it is brass, another metal or in its jacket
        shares, total = {Finish.BRIGHT: 1.0}, 1.0
    level = true["tarnish_level"] if true["tarnish_level"] is not None else 0.0
    form = Form(true["form"])
    strand = true.get("strand_diameter_mm")
    if strand is None and form is Form.WIRE:
        strand = true["diameter_mm"]
    flags: dict[str, Any] = {}
    for what in ON_THE_PIECE:
        there = true_presence(true, str(what))
        flags[str(what)] = Presence(p=float(there > 0), share=there, u_share=0.0)
    return Findings(
        form=FormFinding.of(form),
        finish=FinishFinding(
            shares={k: v / total for k, v in shares.items()},
            u=dict.fromkeys(Finish, 0.0),
            tarnish_level=Measurement.normal(float(level), 0.0, Unit.ONE),
        ),
        diameter=exact(true.get("diameter_mm"), Unit.MILLIMETRE),
        strand_diameter=exact(strand, Unit.MILLIMETRE),
        other_metal=Presence(p=float(true["material"] not in ("copper", "brass"))),
        **flags,
    )


def true_presence(true: dict[str, Any], what: str) -> float:
    """Return the share of a piece's visible area that something covers, 0 where it is not there.

    A speck of less than ``LEAST_SHARE`` counts as not there. Truths from before presence was
    told apart give the shares of the finish, and a jacket as a fact.
    """
    if what == "brass" and true["material"] == "brass":
        return 1.0
    if "seen" in true:
        told = true["seen"][what]
        return float(told["share"]) if told["share"] >= LEAST_SHARE else 0.0
    facts = true.get("facts", {})
    if facts.get("insulation") and what in ("insulation", "coating"):
        jacket = float(true["shares"]["coated"]) if facts.get("stripped") else 1.0
        return jacket if what == "insulation" else 0.0
    if what == "insulation":
        return 0.0
    if what in ("brass", "solder"):
        return float(true.get(f"{what}_share", 0.1)) if true[what] else 0.0
    named = {"coating": "coated", "tin": "tinned", "green": "green"}
    return float(true["shares"].get(named[what], 0.0))


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
    }


def tabulate(rows: Sequence[dict[str, Any]]) -> list[tuple[str, str, str]]:
    """Return the figures of design.md's accuracy list as ``(name, value, note)``."""
    pieces = [
        r for r in rows if r["kind"] == "piece" and r["truth"]["material"] in ("copper", "brass")
    ]
    found = [r for r in pieces if "found" in r]
    table: list[tuple[str, str, str]] = []

    def share(
        name: str, of: Sequence[dict[str, Any]], test: Callable[[dict[str, Any]], bool]
    ) -> None:
        table.append(_share(name, of, test))

    share("piece found (overlap 0.3)", pieces, lambda r: "found" in r)
    extras = [r for r in rows if r["kind"] == "extra"]
    table.append(
        (
            "found where nothing is, per true piece",
            f"{len(extras) / max(1, len(pieces)):.3f}",
            f"n {len(extras)}",
        )
    )
    share(
        "scale found where a whole reference is",
        [r for r in pieces if r["whole_reference"]],
        lambda r: r["scaled"],
    )
    for kind in ("wire", "tube", "stranded"):
        table += _diameters(kind, found)
    gauge = [
        r
        for r in found
        if r["found"]["strand"]
        and r["truth"]["form"] in ("wire", "stranded")
        and not _insulated(r["truth"])
    ]
    clear = [r for r in gauge if abs(_strand(r["truth"]) / LIMIT_MM - 1) > 0.06]
    share(
        "16-gauge side right, more than 6 % away",
        clear,
        lambda r: (r["found"]["strand"]["value"] >= LIMIT_MM) == (_strand(r["truth"]) >= LIMIT_MM),
    )
    share("form right", found, lambda r: r["found"]["form"] == r["truth"]["form"])
    finished = [r for r in found if r["found"]["shares"] and r["truth"]["finish"]]
    share("finish right (dominant)", finished, lambda r: _dominant(r) == r["truth"]["finish"])
    for finish in ("bright", "tarnished", "green", "coated", "tinned"):
        share(
            f"finish right: {finish}",
            [r for r in finished if r["truth"]["finish"] == finish],
            lambda r: _dominant(r) == r["truth"]["finish"],
        )
    level = [
        abs(r["found"]["tarnish_level"]["value"] - r["truth"]["tarnish_level"])
        for r in finished
        if r["truth"]["finish"] in ("bright", "tarnished")
        and r["truth"]["tarnish_level"] is not None
    ]
    table.append(
        (
            "tarnish level, mean absolute error",
            f"{np.mean(level):.3f}" if level else "-",
            f"n {len(level)}",
        )
    )
    for what in ("coating", "insulation", "tin", "green", "brass", "solder"):
        told = [r for r in found if what in r["found"]["p"]]
        table += _presence(what, told)
    graded = [r for r in found if r["grade"]["suggested"]]
    share("grade right, of all found", found, lambda r: r["grade"]["suggested"] == r["true_grade"])
    decided = [r for r in graded if not r["grade"]["borderline"]]
    share(
        "decided (not borderline)",
        found,
        lambda r: bool(r["grade"]["suggested"]) and not r["grade"]["borderline"],
    )
    share("wrong among decided", decided, lambda r: r["grade"]["suggested"] != r["true_grade"])
    sure = [r for r in decided if percent_of(r["grade"]["confidence"]) >= SURE_PERCENT]
    share(
        "right among those told as sure", sure, lambda r: r["grade"]["suggested"] == r["true_grade"]
    )
    share(
        "true grade among the plausible",
        found,
        lambda r: r["true_grade"] in r["grade"]["plausible"],
    )
    share(
        "extra pieces surely graded as copper",
        extras,
        lambda r: not r["grade"]["borderline"] and r["grade"]["suggested"] != "set_aside",
    )
    table.append(
        (
            "expected calibration error of the grade",
            f"{_ece(graded):.3f}",
            f"n {len(graded)}, 15 equal-mass bins",
        )
    )
    return table


def _presence(what: str, found: Sequence[dict[str, Any]]) -> list[tuple[str, str, str]]:
    """Return how often a thing is named right where it is and where it is not."""

    def named(row: dict[str, Any]) -> bool:
        return bool(row["found"]["p"][what] >= 0.5)

    there = [r for r in found if true_presence(r["truth"], what) > 0]
    absent = [r for r in found if true_presence(r["truth"], what) == 0]
    return [
        _share(f"{what} found", there, named),
        _share(f"{what} false alarm", absent, named),
    ]


def _insulated(truth: dict[str, Any]) -> bool:
    return bool(truth.get("facts", {}).get("insulation"))


def _many_cores(truth: dict[str, Any]) -> bool:
    """Whether it is a cable of several insulated cores: its truth tells one core's jacket."""
    return bool(truth.get("facts", {}).get("cores"))


def _outer(truth: dict[str, Any], *, found_mm: float) -> float:
    """Return the true outer diameter; of a stripped wire the jacket's or the bare end's,
    whichever is nearer: either is the diameter of what was measured."""
    facts = truth.get("facts", {})
    outer = float(truth["diameter_mm"])
    bare = float(facts["conductor_mm"]) if facts.get("stripped") else outer
    return min((outer, bare), key=lambda mm: abs(found_mm - mm))


def _strand(truth: dict[str, Any]) -> float:
    return float(truth.get("strand_diameter_mm") or truth["diameter_mm"])


def _dominant(row: dict[str, Any]) -> str:
    shares = row["found"]["shares"]
    return max(shares, key=shares.__getitem__)


def _diameters(kind: str, found: Sequence[dict[str, Any]]) -> list[tuple[str, str, str]]:
    key = "strand" if kind == "stranded" else "diameter"
    of = [r for r in found if r["truth"]["form"] == kind and r["found"][key]]
    of = [r for r in of if not _many_cores(r["truth"]) and r["truth"]["diameter_mm"]]
    if kind == "stranded":
        of = [r for r in of if not _insulated(r["truth"])]
    if not of:
        return []
    value = np.array([r["found"][key]["value"] for r in of])
    true = np.array(
        [
            _strand(r["truth"]) if kind == "stranded" else _outer(r["truth"], found_mm=v)
            for r, v in zip(of, value, strict=True)
        ]
    )
    inside = np.array(
        [
            r["found"][key]["low95"] <= t <= r["found"][key]["high95"]
            for r, t in zip(of, true, strict=True)
        ]
    )
    error = np.abs(value / true - 1)
    signed = float(np.median(value / true - 1))
    what = "strand" if kind == "stranded" else f"{kind} diameter"
    low, high = _bootstrap(error, np.median)
    return [
        (
            f"{what}: median error",
            f"{100 * np.median(error):.2f} %",
            f"{100 * low:.2f} to {100 * high:.2f} %, n {len(of)}, bias {100 * signed:+.2f} %",
        ),
        (f"{what}: 90th percentile", f"{100 * np.quantile(error, 0.9):.2f} %", ""),
        (
            f"{what}: 95 % interval covers",
            f"{100 * inside.mean():.1f} %",
            "{:.1f} to {:.1f} %".format(*(100 * v for v in _bootstrap(inside, np.mean))),
        ),
    ]


def _share(
    name: str, of: Sequence[dict[str, Any]], test: Callable[[dict[str, Any]], bool]
) -> tuple[str, str, str]:
    if not of:
        return name, "-", "n 0"
    hits = np.array([bool(test(r)) for r in of], float)
    low, high = _bootstrap(hits, np.mean)
    return name, f"{100 * hits.mean():.1f} %", f"{100 * low:.1f} to {100 * high:.1f} %, n {len(of)}"


def _bootstrap(values: np.ndarray, statistic: Callable[..., Any]) -> tuple[float, float]:
    rng = np.random.default_rng(1)
    draws = [statistic(rng.choice(values, len(values))) for _ in range(1000)]
    return float(np.quantile(draws, 0.025)), float(np.quantile(draws, 0.975))


def _ece(rows: Sequence[dict[str, Any]], bins: int = 15) -> float:
    """Expected calibration error over bins that hold equally many answers."""
    if not rows:
        return float("nan")
    confidence = np.array([r["grade"]["confidence"] for r in rows])
    right = np.array([r["grade"]["suggested"] == r["true_grade"] for r in rows], float)
    order = np.argsort(confidence)
    parts = np.array_split(order, min(bins, len(order)))
    return float(
        sum(len(p) * abs(confidence[p].mean() - right[p].mean()) for p in parts) / len(order)
    )


if __name__ == "__main__":
    raise SystemExit(main())
