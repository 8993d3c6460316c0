"""The figures by which the tool's accuracy is told, from the rows of ``bench.accuracy``."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from app.practice.truth import true_presence
from app.words import SURE_PERCENT, percent_of
from models.recipe.figures import bootstrap, calibration_error, calibration_floor

LIMIT_MM = 1.291  # 16 AWG, ASTM B258


def tabulate(rows: Sequence[dict[str, Any]]) -> list[tuple[str, str, str]]:
    """Return the figures as ``(name, value, note)``; their aims stand in bench/RESULTS.md."""
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
    said = [r["grade"]["confidence"] for r in graded]
    right = [r["grade"]["suggested"] == r["true_grade"] for r in graded]
    mean, low, high = calibration_floor(said)
    table.append(
        (
            "expected calibration error of the grade",
            f"{calibration_error(said, right):.3f}",
            f"n {len(graded)}, 15 equal-mass bins; with so few a faultless one has "
            f"{mean:.3f} ({low:.3f} to {high:.3f})",
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
    low, high = bootstrap(error, np.median)
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
            "{:.1f} to {:.1f} %".format(*(100 * v for v in bootstrap(inside, np.mean))),
        ),
    ]


def _share(
    name: str, of: Sequence[dict[str, Any]], test: Callable[[dict[str, Any]], bool]
) -> tuple[str, str, str]:
    if not of:
        return name, "-", "n 0"
    hits = np.array([bool(test(r)) for r in of], float)
    low, high = bootstrap(hits, np.mean)
    return name, f"{100 * hits.mean():.1f} %", f"{100 * low:.1f} to {100 * high:.1f} %, n {len(of)}"
