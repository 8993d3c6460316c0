"""How right are the widths, by form, finish, reference, light and pixels?

    python -m bench.widths DIR [DIR...] [--jobs N] [--out FILE.json]
    python -m bench.widths --rows FILE.json

``DIR`` as for ``bench.accuracy``, and truth that tells both sides of round runs. Photos are
examined with their reference named. Coils, tangles and cables of several cores are told
apart: what is measured on them is not their own diameter.
"""

from __future__ import annotations

import argparse
import json
import os
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import app  # noqa: F401 - first, since it says how many threads numpy takes

# isort: split
import numpy as np

from bench.truth import match, off_px, overlaps
from vision.types import FloatArray

CLASSES_PX = (0, 8, 12, 20, 50, 150, 10_000)
LEAST_PX = 8.0


def examined(truth_file: Path) -> list[dict[str, Any]]:
    """Return one row a true long piece of a photo."""
    import cv2

    cv2.setNumThreads(1)
    from rules.errors import CuproscopeError
    from vision.examine import examine
    from vision.photo.loading import load_photo_file

    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    photo = load_photo_file(truth_file.parent / truth["photo"])
    named = truth["references"][0]["key"] if truth["references"] else "auto"
    pieces = [p for p in truth["pieces"] if p["form"] in ("wire", "tube", "stranded")]
    pieces = [p for p in pieces if not p["stated_form"]]
    if not pieces:
        return []
    try:
        seen = examine(photo, reference=named)
    except CuproscopeError as fault:
        print(f"{truth_file.name}: {fault}")
        return []
    file = truth_file.with_name(truth_file.stem + ".pieces.png")
    numbers = np.asarray(cv2.imread(str(file), cv2.IMREAD_GRAYSCALE))
    matches = match(overlaps(numbers, seen.pieces, photo.width_px, photo.height_px))
    rows = []
    for true in pieces:
        index, iou = matches.get(true["id"], (None, 0.0))
        told = None if index is None else seen.pieces[index]
        row = {
            "photo": truth["photo"], "piece": true["id"], "iou": iou, "reference": named,
            "light": truth.get("light"), "table": truth.get("table"), "mix": truth.get("mix"),
            "scaled": seen.scale is not None, "tilt_deg": truth["tilt_deg"],
            "true_px": true_px(true, photo.width_px / numbers.shape[1]), "truth": true,
            "problems": sorted({p.code for p in seen.problems}), "found": None,
        }  # fmt: skip
        if told is not None:
            lines = told.measured_lines_px
            spans = np.linalg.norm(lines[:, 1] - lines[:, 0], axis=1)
            row["found"] = {
                "form": str(told.findings.form.value),
                "width_px": float(np.median(spans)) if len(spans) else None,
                "edges_rel": edges_rel(lines, true, photo.width_px / numbers.shape[1]),
                "diameter": _told(told.findings.diameter),
                "strand": _told(told.findings.strand_diameter),
            }
        rows.append(row)
    return rows


def _told(m: Any) -> dict[str, Any] | None:
    if m is None:
        return None
    return {"value": m.value, "u": m.u, "low95": m.low95, "high95": m.high95,
            "budget": dict(m.budget)}  # fmt: skip


def edges_rel(lines_px: FloatArray, true: dict[str, Any], factor: float) -> float | None:
    """Return how much too wide the lines are that a width was taken from, beside its true sides.

    What the width is off by beyond that is the scale's, or the height's it lies at.
    """
    told = []
    for run in true.get("round_runs", ()):
        limbs = np.asarray(run["limbs_px"], float) * factor
        off = off_px(lines_px[:, 0], lines_px[:, 1], limbs).sum(axis=1)
        spans = np.linalg.norm(lines_px[:, 1] - lines_px[:, 0], axis=1)
        told += (spans / (spans - off) - 1)[np.isfinite(off)].tolist()
    return float(np.median(told)) if told else None


def true_px(true: dict[str, Any], factor: float) -> float | None:
    """Return how wide a piece is in the photo, by its longest round run."""
    runs = [np.asarray(run["limbs_px"], float) for run in true.get("round_runs", ())]
    if not runs:
        return None
    limbs = max(runs, key=len)
    return float(np.median(np.linalg.norm(limbs[:, 2:] - limbs[:, :2], axis=1))) * factor


def is_heap(true: dict[str, Any]) -> bool:
    """Whether a piece has no width of its own to be measured."""
    facts = true.get("facts", {})
    return bool(facts.get("coil") or facts.get("tangled") or facts.get("cores"))


def true_mm(row: Mapping[str, Any], key: str) -> float:
    """Return the truth that a finding stands for; of stripped wire the nearer one."""
    true, facts = row["truth"], row["truth"].get("facts", {})
    if key == "strand":
        return float(true.get("strand_diameter_mm") or true["diameter_mm"])
    outer = float(true["diameter_mm"])
    bare = float(facts["conductor_mm"]) if facts.get("stripped") else outer
    return min((outer, bare), key=lambda mm: abs(row["found"][key]["value"] - mm))


def class_px(row: dict[str, Any]) -> str:
    """Return the class of a piece's width in the photo."""
    wide = row["true_px"]
    if wide is None:
        return "unknown"
    k = int(np.searchsorted(CLASSES_PX, wide, side="right")) - 1
    return f"{CLASSES_PX[k]:>3d} px on"


def reference_kind(row: dict[str, Any]) -> str:
    """Return coin, card, marker or sheet."""
    key = str(row["reference"]).partition(":")[0]
    return key if key in ("card", "marker", "sheet", "auto") else "coin"


BY: dict[str, Callable[[dict[str, Any]], str]] = {
    "all": lambda _: "all",
    "finish": lambda r: str(r["truth"]["finish"]),
    "width": class_px,
    "reference": reference_kind,
    "light": lambda r: str(r["light"]),
    "table": lambda r: str(r["table"]),
    "mix": lambda r: str(r["mix"]),
}


def table_of(rows: Sequence[dict[str, Any]]) -> str:
    """Return the figures as a Markdown table."""
    lines = [
        "| what | n | given | median error | p90 | bias | px off | in 95 % | edges alone |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    rows = [r for r in rows if r["scaled"] and not is_heap(r["truth"])]
    for form, key in (("wire", "diameter"), ("tube", "diameter"), ("stranded", "diameter"),
                      ("stranded", "strand"), ("wire or tube", "diameter")):  # fmt: skip
        own = [r for r in rows if r["truth"]["form"] in form.split(" or ")]
        for what, of in BY.items():
            groups = defaultdict(list)
            for row in own:
                groups[of(row)].append(row)
            for name, group in sorted(groups.items()):
                lines.append(_line(f"{form} {key}, {what} {name}", group, key))
    return "\n".join(lines)


def _line(name: str, rows: Sequence[dict[str, Any]], key: str) -> str:
    given = [r for r in rows if r["found"] and r["found"][key]]
    free = [r for r in rows if r["true_px"] is None or r["true_px"] >= LEAST_PX]
    had = sum(1 for r in free if r["found"] and r["found"][key])
    head = f"| {name} | {len(rows)} | {had} of {len(free)} from {LEAST_PX:g} px on"
    if not given:
        return f"{head} | - | - | - | - | - | - |"
    value = np.array([r["found"][key]["value"] for r in given])
    true = np.array([true_mm(r, key) for r in given])
    inside = [
        r["found"][key]["low95"] <= mm <= r["found"][key]["high95"]
        for r, mm in zip(given, true, strict=True)
    ]
    error = value / true - 1
    wide = np.array([r["found"]["width_px"] or np.nan for r in given])
    off = np.nanmedian(error * wide) if np.isfinite(wide).any() else np.nan
    edges = np.array([np.nan if (e := r["found"].get("edges_rel")) is None else e for r in given])
    known = edges[np.isfinite(edges)]
    alone = f"{100 * np.median(np.abs(known)):.2f} % of {len(known)}" if len(known) else "-"
    return (
        f"{head} | {100 * np.median(np.abs(error)):.2f} % | "
        f"{100 * np.quantile(np.abs(error), 0.9):.1f} % | {100 * np.median(error):+.2f} % | "
        f"{off:+.2f} | {100 * np.mean(inside):.0f} % of {len(given)} | {alone} |"
    )


def worst_of(rows: Sequence[dict[str, Any]], count: int = 15) -> str:
    """Return the measured pieces that are farthest off, in words."""
    given = [r for r in rows if r["found"] and r["found"]["diameter"] and not is_heap(r["truth"])]
    off = [(r["found"]["diameter"]["value"] / true_mm(r, "diameter") - 1, r) for r in given]
    told = []
    for e, r in sorted(off, key=lambda pair: -abs(pair[0]))[:count]:
        found, true = r["found"]["diameter"], r["truth"]
        told.append(
            f"{100 * e:+6.1f} % (u {100 * found['u'] / found['value']:.1f}) {r['photo']} piece "
            f"{r['piece']} {true['form']} {true['finish']} {r['true_px'] or 0:.0f} px, "
            f"{r['light']}, {r['table']}, {r['reference']}"
        )
    return "\n".join(told)


def main(argv: Sequence[str] | None = None) -> int:
    """Examine folders, or read rows kept before, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", type=Path, nargs="*")
    parser.add_argument("--rows", type=Path, help="rows kept before")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--limit", type=int)
    parser.add_argument("--out", type=Path, help="keep the rows here")
    asked = parser.parse_args(argv)
    if asked.rows:
        rows = json.loads(asked.rows.read_text(encoding="utf-8"))
    else:
        files = sorted(f for folder in asked.folders for f in folder.glob("*.json"))[: asked.limit]
        with ProcessPoolExecutor(asked.jobs) as pool:
            rows = [row for found in pool.map(examined, files) for row in found]
    if asked.out:
        asked.out.write_text(json.dumps(rows), encoding="utf-8")
    print(table_of(rows))
    print("\nFarthest off:\n" + worst_of(rows))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
