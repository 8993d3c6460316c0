"""What does the surface network bring? Three ways to judge the same photos, side by side.

    python -m bench.compare DIR --out rows.json [--report table.md] [--worst worst.jpg]
    python -m bench.compare --rows rows.json --report table.md

``DIR`` holds photos with truth, as ``models.recipe.render`` writes them. The ways:

* ``classical``: pieces and finish without the network, as the tool works where the
  model file is missing;
* ``network``: outlines, finish and flags from the network's map alone;
* ``physics``: finish from colour alone on the network's outlines;
* ``both``: what the tool says.

The scale is the same in all. True pieces are matched with found ones one to one;
finish, flags and grade are judged on what was found. Grades are those
of the house sheet; form and sizes are the same in ``network``, ``physics`` and ``both``.
Intervals are 95 % bootstrap intervals over photos. Rows are written to ``--out``, so that
tables can be made again.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from bench.accuracy import MATCH_IOU, match, stated_facts, true_findings

WAYS = ("classical", "network", "physics", "both")
FINISHES = ("bright", "tarnished", "green", "coated", "tinned")
RESAMPLES = 400
WORST = 20
DECIDED_SHARE = 0.8
SAID_P = 0.5
"""Brass or solder counts as told from this probability on."""


def main(argv: Sequence[str] | None = None) -> int:
    """Judge a folder, or read the rows of an earlier run, and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--rows", type=Path, help="rows of an earlier run instead of a folder")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--limit", type=int, default=None)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--report", type=Path)
    parser.add_argument("--worst", type=Path, help="picture of the twenty worst answers")
    arguments = parser.parse_args(argv)
    if (arguments.folder is None) == (arguments.rows is None):
        parser.error("a folder or --rows, one of them")
    if arguments.rows:
        photos = json.loads(arguments.rows.read_text(encoding="utf-8"))
    else:
        start = time.perf_counter()
        truths = sorted(arguments.folder.glob("*.json"))[: arguments.limit]
        with ProcessPoolExecutor(arguments.jobs) as pool:
            photos = list(pool.map(judged, truths))
        seconds = time.perf_counter() - start
        sys.stdout.write(f"{len(photos)} photos in {seconds:.0f} s, {arguments.jobs} processes\n\n")
        if arguments.out:
            arguments.out.write_text(json.dumps(photos), encoding="utf-8")
    text = report(photos)
    sys.stdout.write(text)
    if arguments.report:
        arguments.report.write_text(text, encoding="utf-8")
    if arguments.worst and arguments.folder:
        draw_worst(photos, arguments.folder, arguments.worst)
    return 0


# --- Judging ------------------------------------------------------------------------


def judged(truth_file: Path) -> dict[str, Any]:
    """Return what each way says of one photo: its pieces, and pixels by class."""
    import cv2

    cv2.setNumThreads(1)
    import vision.examine
    from rules.findings import Form, FormFinding
    from rules.sheet import load_sheet
    from vision.finish.judging import FinishReading, judge_finish
    from vision.finish.mix import NETWORK_ALONE
    from vision.photo.loading import load_photo_file

    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    photo = load_photo_file(truth_file.parent / truth["photo"])
    named = truth["references"][0]["key"] if truth["references"] else "auto"
    stated = next((p["stated_form"] for p in truth["pieces"] if p.get("stated_form")), None)
    readings: dict[str, list[FinishReading]] = {way: [] for way in WAYS}

    def three_ways(photo: Any, region: Any, *, white: Any, surface: Any = None) -> FinishReading:
        if surface is None:
            readings["classical"].append(judge_finish(photo, region, white=white))
            return readings["classical"][-1]
        readings["network"].append(
            judge_finish(photo, region, white=white, surface=surface, mix=NETWORK_ALONE)
        )
        readings["physics"].append(judge_finish(photo, region, white=white))
        readings["both"].append(judge_finish(photo, region, white=white, surface=surface))
        return readings["both"][-1]

    folder, stem = truth_file.parent, truth_file.stem
    numbers = cv2.imread(str(folder / f"{stem}.pieces.png"), cv2.IMREAD_GRAYSCALE)
    labels = cv2.imread(str(folder / f"{stem}.labels.png"), cv2.IMREAD_GRAYSCALE)
    assert numbers is not None
    assert labels is not None
    measured = vision.examine._widths

    def widths_of_pieces(photo: Any, region: Any, *args: Any, **options: Any) -> Any:
        # Width costs most, and nothing here asks for that of what is no piece.
        x, y, w, h = region.box_px
        if (numbers[y : y + h, x : x + w][region.mask] > 0).mean() < MATCH_IOU:
            return vision.examine._Widths(form=FormFinding.of(Form.OTHER, stated=False))
        return measured(photo, region, *args, **options)

    with (
        patch.object(vision.examine, "judge_finish", three_ways),
        patch.object(vision.examine, "_widths", widths_of_pieces),
    ):
        led = vision.examine.examine(photo, reference=named, form=stated)
        with patch.object(vision.examine, "load_surface_model", lambda: None):
            alone = vision.examine.examine(photo, reference=named, form=stated, scale=led.scale)
    sheet = load_sheet("house")
    out: dict[str, Any] = {
        "photo": truth["photo"],
        "light": truth.get("light"),
        "table": truth.get("table"),
        "pieces": [_true_row(true, sheet) for true in truth["pieces"]],
        "ways": {},
    }
    for way in WAYS:
        seen = alone if way == "classical" else led
        pairs = match(numbers, seen.pieces, photo.width_px, photo.height_px)
        told = []
        for true in truth["pieces"]:
            index, iou = pairs.get(true["id"], (None, 0.0))
            told.append(
                None
                if index is None
                else _told(seen.pieces[index], readings[way][index], true, sheet, iou)
            )
        out["ways"][way] = {
            "told": told,
            "extra": len(seen.pieces) - len({index for index, _ in pairs.values()}),
            "confusion": _confusion(labels, readings[way]).tolist(),
        }
    return out


def _true_row(true: dict[str, Any], sheet: Any) -> dict[str, Any]:
    from rules.engine import grade

    keys = ("id", "form", "material", "finish", "shares", "tarnish_level", "brass", "solder")
    return {
        **{key: true[key] for key in keys},
        "box_px": true["box_px"],
        "insulated": bool(true.get("facts", {}).get("insulation")),
        "grade": grade(true_findings(true), sheet).suggested,
    }


def _told(piece: Any, reading: Any, true: dict[str, Any], sheet: Any, iou: float) -> dict[str, Any]:
    from rules.engine import grade

    findings = replace(
        piece.findings,
        finish=reading.finish,
        brass=reading.brass,
        solder=reading.solder,
        facts=stated_facts(true),
    )
    answer = grade(findings, sheet)
    finish = reading.finish
    return {
        "iou": iou,
        "shares": None if finish is None else [float(finish.shares[f]) for f in finish.shares],
        "u": None if finish is None else [float(finish.u[f]) for f in finish.u],
        "tarnish_level": None if finish is None else finish.tarnish_level.value,
        "brass_p": reading.brass.p,
        "solder_p": reading.solder.p,
        "suggested": answer.suggested,
        "p": {str(k): float(v) for k, v in answer.p.items()},
        "borderline": answer.borderline,
    }


def _confusion(labels: np.ndarray, readings: Sequence[Any]) -> np.ndarray:
    """Count pixels by true and told class; a piece's map lies over its box of the photo."""
    import cv2

    from vision.types import Surface

    classes = len(Surface)
    told = np.zeros(labels.shape, np.uint8)
    for reading in readings:
        x, y, w, h = reading.class_map_box_px
        w, h = min(w, labels.shape[1] - x), min(h, labels.shape[0] - y)
        part = cv2.resize(reading.class_map, (w, h), interpolation=cv2.INTER_NEAREST)
        place = told[y : y + h, x : x + w]
        place[part > 0] = part[part > 0]
    flat = labels.astype(np.int64).ravel() * classes + told.ravel()
    return np.bincount(flat, minlength=classes * classes).reshape(classes, classes)


# --- Figures ------------------------------------------------------------------------


class Answers:
    """The answers of one way over some photos, as arrays.

    ``photo`` is the index of each piece's photo, for resampling by photo.
    """

    def __init__(self, photos: Sequence[dict[str, Any]], way: str) -> None:
        self.way = way
        self.count = len(photos)
        self.confusion = np.array([p["ways"][way]["confusion"] for p in photos], float)
        self.extra = np.array([p["ways"][way]["extra"] for p in photos], float)
        rows = [
            (i, true, told)
            for i, photo in enumerate(photos)
            for true, told in zip(photo["pieces"], photo["ways"][way]["told"], strict=True)
            if true["material"] in ("copper", "brass")
        ]
        self.rows = rows
        self.photo = np.array([i for i, _, _ in rows])

    def ratio(
        self,
        of: Callable[[dict[str, Any], dict[str, Any] | None], bool],
        hit: Callable[[dict[str, Any], dict[str, Any]], bool],
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return hits and pieces asked of each photo, ``(photos,)`` both."""
        hits, asked = np.zeros(self.count), np.zeros(self.count)
        for index, true, told in self.rows:
            if of(true, told):
                asked[index] += 1
                hits[index] += told is not None and hit(true, told)
        return hits, asked


def report(photos: Sequence[dict[str, Any]]) -> str:
    """Return the table of all figures, one column a way."""
    answers = {way: Answers(photos, way) for way in WAYS}
    resample = np.random.default_rng(1).integers(0, len(photos), (RESAMPLES, len(photos)))
    lines = ["| figure | " + " | ".join(WAYS) + " |", "| --- |" + " --- |" * len(WAYS)]
    for name, figure in _figures():
        cells = [_cell(figure(answers[way]), resample) for way in WAYS]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    n = sum(len(p["pieces"]) for p in photos)
    lines.append("")
    lines.append(
        f"{len(photos)} photos, {n} pieces. In brackets: 95 % bootstrap interval over photos, n."
    )
    return "\n".join(lines) + "\n"


Figure = Callable[[np.ndarray], float]
"""From indices of photos, drawn with repeats, to a figure."""


def _cell(figure: tuple[Figure, str, bool], resample: np.ndarray) -> str:
    of, n, percent = figure
    value = of(np.arange(resample.shape[1]))
    if np.isnan(value):
        return "-"
    draws = np.array([of(index) for index in resample])
    low, high = np.nanquantile(draws, [0.025, 0.975])
    if percent:
        return f"{100 * value:.1f} % ({100 * low:.0f} to {100 * high:.0f}, {n})"
    return f"{value:.3f} ({low:.3f} to {high:.3f}, {n})"


def _figures() -> list[tuple[str, Callable[[Answers], tuple[Figure, str, bool]]]]:
    from vision.types import Surface

    def share(of: Any, hit: Any) -> Callable[[Answers], tuple[Figure, str, bool]]:
        def made(answers: Answers) -> tuple[Figure, str, bool]:
            hits, asked = answers.ratio(of, hit)
            return lambda i: _over(hits[i].sum(), asked[i].sum()), f"{asked.sum():.0f}", True

        return made

    def has_finish(true: dict[str, Any], told: dict[str, Any] | None) -> bool:
        return bool(told and told["shares"] and true["finish"])

    figures = [("piece found", share(_any, _any))]
    figures.append(("found where nothing is, per true piece", _extras))
    for surface in list(Surface):
        if surface not in (Surface.TABLE, Surface.REFERENCE, Surface.OTHER_METAL):
            figures.append((f"IoU {surface}", _iou(list(Surface).index(surface))))
    figures.append(("finish right (dominant)", share(has_finish, _right_finish)))
    for finish in FINISHES:
        figures.append(
            (
                f"finish right: {finish}",
                share(lambda t, a, f=finish: has_finish(t, a) and t["finish"] == f, _right_finish),
            )
        )
    figures.append(
        (
            "finish right: insulated",
            share(lambda t, a: has_finish(t, a) and t["insulated"], _right_finish),
        )
    )
    figures.append(("finish, Brier score of the shares", _mean_of(_brier_of_shares)))
    figures.append(("finish, expected calibration error", _ece_of_finish))
    figures.append(("shares within 2 u of the truth", _mean_of(_covered, percent=True)))
    figures.append(("tarnish level, mean absolute error", _mean_of(_level_error)))
    for flag in ("brass", "solder"):
        figures.append(
            (
                f"{flag} found",
                share(lambda t, a, f=flag: a is not None and t[f], _flagged(flag)),
            )
        )
        figures.append(
            (
                f"{flag} false alarm",
                share(lambda t, a, f=flag: a is not None and not t[f], _flagged(flag)),
            )
        )
    figures.append(("grade right, of all found", share(_is_found, _right_grade)))
    figures.append(
        (
            "decided (not borderline)",
            share(_is_found, _is_decided),
        )
    )
    figures.append(
        (
            "wrong among decided",
            share(_is_decided, lambda t, a: not _right_grade(t, a)),
        )
    )
    figures.append(("grade, Brier score", _mean_of(_brier_of_grade)))
    figures.append(("grade, expected calibration error", _ranked(_ece)))
    figures.append(("grade, AURC", _ranked(_aurc)))
    figures.append(("grade, AUGRC", _ranked(_augrc)))
    figures.append((f"wrong among the surest {DECIDED_SHARE:.0%}", _ranked(_risk, percent=True)))
    return figures


def _over(a: float, b: float) -> float:
    return float(a / b) if b > 0 else float("nan")


def _any(_true: dict[str, Any], _told: dict[str, Any] | None) -> bool:
    return True


def _is_found(_true: dict[str, Any], told: dict[str, Any] | None) -> bool:
    return told is not None


def _is_decided(_true: dict[str, Any], told: dict[str, Any] | None) -> bool:
    return bool(told and told["suggested"] and not told["borderline"])


def _flagged(flag: str) -> Callable[[dict[str, Any], dict[str, Any]], bool]:
    def told_so(_true: dict[str, Any], told: dict[str, Any]) -> bool:
        return bool(told[f"{flag}_p"] >= SAID_P)

    return told_so


def _right_finish(true: dict[str, Any], told: dict[str, Any]) -> bool:
    return bool(FINISHES[int(np.argmax(told["shares"]))] == true["finish"])


def _right_grade(true: dict[str, Any], told: dict[str, Any]) -> bool:
    return bool(told["suggested"] == true["grade"])


def _true_shares(true: dict[str, Any]) -> np.ndarray | None:
    shares = np.array([true["shares"].get(f, 0.0) for f in FINISHES], float)
    return None if shares.sum() <= 0 else shares / shares.sum()


def _brier_of_shares(true: dict[str, Any], told: dict[str, Any]) -> float | None:
    shares = _true_shares(true)
    if shares is None or not told["shares"]:
        return None
    return float(((np.array(told["shares"]) - shares) ** 2).sum())


def _covered(true: dict[str, Any], told: dict[str, Any]) -> float | None:
    shares = _true_shares(true)
    if shares is None or not told["shares"]:
        return None
    return float((np.abs(np.array(told["shares"]) - shares) <= 2 * np.array(told["u"])).mean())


def _level_error(true: dict[str, Any], told: dict[str, Any]) -> float | None:
    bare = true["finish"] in ("bright", "tarnished") and true["tarnish_level"] is not None
    if not bare or told["tarnish_level"] is None:
        return None
    return abs(float(told["tarnish_level"]) - float(true["tarnish_level"]))


def _brier_of_grade(true: dict[str, Any], told: dict[str, Any]) -> float:
    return float(sum((p - (k == true["grade"])) ** 2 for k, p in told["p"].items()))


def _mean_of(
    of: Callable[[dict[str, Any], dict[str, Any]], float | None], *, percent: bool = False
) -> Callable[[Answers], tuple[Figure, str, bool]]:
    def made(answers: Answers) -> tuple[Figure, str, bool]:
        total, asked = np.zeros(answers.count), np.zeros(answers.count)
        for index, true, told in answers.rows:
            value = None if told is None else of(true, told)
            if value is not None:
                total[index] += value
                asked[index] += 1
        return lambda i: _over(total[i].sum(), asked[i].sum()), f"{asked.sum():.0f}", percent

    return made


def _extras(answers: Answers) -> tuple[Figure, str, bool]:
    true = np.bincount(answers.photo, minlength=answers.count).astype(float)
    extra = answers.extra
    return lambda i: _over(extra[i].sum(), true[i].sum()), f"{extra.sum():.0f}", False


def _iou(index: int) -> Callable[[Answers], tuple[Figure, str, bool]]:
    def made(answers: Answers) -> tuple[Figure, str, bool]:
        c = answers.confusion
        both, either = c[:, index, index], c[:, index].sum(1) + c[:, :, index].sum(1)

        def figure(i: np.ndarray) -> float:
            return _over(both[i].sum(), either[i].sum() - both[i].sum())

        return figure, f"{(c[:, index].sum(1) > 0).sum()} photos", False

    return made


def _grouped(answers: Answers, values: np.ndarray) -> list[np.ndarray]:
    where = values[:, 0].astype(int) if len(values) else np.zeros(0, int)
    return [values[where == i, 1:] for i in range(answers.count)]


def _ranked(
    figure: Callable[[np.ndarray, np.ndarray], float], *, percent: bool = False
) -> Callable[[Answers], tuple[Figure, str, bool]]:
    """Return a figure of the grades' confidences and whether they are right."""

    def made(answers: Answers) -> tuple[Figure, str, bool]:
        values = np.array(
            [
                (i, max(told["p"].values()), max(told["p"], key=told["p"].get) == true["grade"])
                for i, true, told in answers.rows
                if told is not None
            ],
            float,
        )
        groups = _grouped(answers, values)

        def of(index: np.ndarray) -> float:
            drawn = np.concatenate([groups[i] for i in index])
            return figure(drawn[:, 0], drawn[:, 1]) if len(drawn) else float("nan")

        return of, str(len(values)), percent

    return made


def _ece_of_finish(answers: Answers) -> tuple[Figure, str, bool]:
    """Expected calibration error of the largest share as a confidence in that finish."""
    values = np.array(
        [
            (i, max(told["shares"]), _right_finish(true, told))
            for i, true, told in answers.rows
            if told is not None and told["shares"] and true["finish"]
        ],
        float,
    )
    groups = _grouped(answers, values)

    def of(index: np.ndarray) -> float:
        drawn = np.concatenate([groups[i] for i in index])
        return _ece(drawn[:, 0], drawn[:, 1]) if len(drawn) else float("nan")

    return of, str(len(values)), False


def _ece(confidence: np.ndarray, right: np.ndarray, bins: int = 15) -> float:
    """Return the expected calibration error over bins of equally many answers."""
    order = np.argsort(confidence, kind="stable")
    parts = np.array_split(order, min(bins, len(order)))
    return float(
        sum(len(p) * abs(confidence[p].mean() - right[p].mean()) for p in parts) / len(order)
    )


def _by_confidence(confidence: np.ndarray, right: np.ndarray) -> np.ndarray:
    return np.asarray(1 - right[np.argsort(-confidence, kind="stable")])


def _aurc(confidence: np.ndarray, right: np.ndarray) -> float:
    """Return the mean share of wrong answers among the surest 1, 2, ... n."""
    wrong = _by_confidence(confidence, right)
    return float((np.cumsum(wrong) / np.arange(1, len(wrong) + 1)).mean())


def _augrc(confidence: np.ndarray, right: np.ndarray) -> float:
    """Return the mean share of all answers that are accepted and wrong (arXiv 2407.01032)."""
    wrong = _by_confidence(confidence, right)
    return float((np.cumsum(wrong) / len(wrong)).mean())


def _risk(confidence: np.ndarray, right: np.ndarray) -> float:
    wrong = _by_confidence(confidence, right)
    return float(wrong[: max(1, round(DECIDED_SHARE * len(wrong)))].mean())


# --- The worst ----------------------------------------------------------------------


def draw_worst(photos: Sequence[dict[str, Any]], folder: Path, out: Path) -> None:
    """Draw the pieces whose true grade got the least probability, with both finishes."""
    import cv2

    rows = [
        (told["p"].get(true["grade"], 0.0), photo["photo"], true, told)
        for photo in photos
        for true, told in zip(photo["pieces"], photo["ways"]["both"]["told"], strict=True)
        if told is not None and true["grade"] is not None
    ]
    tile_w, tile_h, line = 320, 240, 18
    tiles = []
    for p, name, true, told in sorted(rows, key=lambda row: row[0])[:WORST]:
        rgb = cv2.imread(str(folder / name))
        x, y, w, h = (int(v) for v in true["box_px"])
        margin = 12 + max(w, h) // 10
        part = rgb[max(0, y - margin) : y + h + margin, max(0, x - margin) : x + w + margin]
        scale = min(tile_w / part.shape[1], (tile_h - 3 * line) / part.shape[0])
        part = cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        tile = np.full((tile_h, tile_w, 3), 255, np.uint8)
        tile[: part.shape[0], : part.shape[1]] = part
        seen = FINISHES[int(np.argmax(told["shares"]))] if told["shares"] else "unseen"
        flags = "".join(f", {f} {told[f'{f}_p']:.0%}" for f in ("brass", "solder") if true[f])
        words = (
            f"{name} {true['form']}: is {true['finish']}{flags}",
            f"told {seen}",
            f"{true['grade']} got {p:.0%}, told {told['suggested']}",
        )
        for k, text in enumerate(words):
            at = (4, tile_h - (2 - k) * line - 5)
            cv2.putText(tile, text, at, cv2.FONT_HERSHEY_SIMPLEX, 0.42, (0, 0, 0), 1, cv2.LINE_AA)
        tiles.append(tile)
    tiles += [np.full((tile_h, tile_w, 3), 255, np.uint8)] * (-len(tiles) % 4)
    rows_of = [np.hstack(tiles[i : i + 4]) for i in range(0, len(tiles), 4)]
    if rows_of:
        cv2.imwrite(str(out), np.vstack(rows_of), [cv2.IMWRITE_JPEG_QUALITY, 85])


if __name__ == "__main__":
    raise SystemExit(main())
