"""Pieces outlined by hand, and what the tool finds of them."""

from __future__ import annotations

import csv
import json
import tomllib
from pathlib import Path

import numpy as np
import pytest

from bench.real_pieces import OUTLINES, main, things
from bench.real_truth import RIGHT_GRADES, ROLES, STRANGE, UNSURE, Mark, MarkedPhoto, read_marks

REAL = Path(__file__).parents[2] / "fixtures" / "real"


def mark(name: str, kind: str, x0: int, x1: int, *, y0: int = 0, y1: int = 9) -> Mark:
    points = ((x0, y0), (x1, y0), (x1, y1), (x0, y1))
    return Mark(
        kind=kind,
        name=name,
        shape="poly",
        points_px=points,
        grades=RIGHT_GRADES.get(kind, frozenset({"no2"})),
    )


def test_marks_of_one_name_are_one_piece_whatever_lies_across_it() -> None:
    marks = (
        mark("box", "stranger", 0, 49),
        mark("lead", "insulated", 0, 29),
        mark("lead", "other_metal", 30, 34),  # its contact
        mark("pliers", "other_metal", 10, 14),
        mark("end", UNSURE, 35, 39),
    )
    laid = things(MarkedPhoto(file="x.jpg", role="test", rest="stranger", marks=marks), (10, 60))
    row = laid.numbers[5]
    assert row[:10].all() and not row[10:15].any() and row[15:35].all() and not row[35:].any()
    assert laid.unsure[5].nonzero()[0].tolist() == list(range(35, 40))
    assert laid.right == {1: frozenset({"set_aside"})}


def test_what_a_mark_hides_does_not_say_what_its_thing_is() -> None:
    marks = (mark("box", "stranger", 0, 49), mark("tube", "bright", 0, 29))
    laid = things(MarkedPhoto(file="x.jpg", role="test", rest="unsure", marks=marks), (10, 60))
    assert laid.right == {1: frozenset({"no2"})}
    assert laid.unsure[:, 50:].all() and not laid.unsure[:, :50].any()


def test_every_outline_can_be_read_and_no_photo_trains() -> None:
    told = tomllib.loads(OUTLINES.read_text(encoding="utf-8"))["photo"]
    assert 15 <= len(told) <= 25
    assert len({photo["file"] for photo in told}) == len(told)
    for photo in told:
        assert len({m["name"] for m in photo["marks"]}) >= 3, photo["file"]
        assert {m["is"] for m in photo["marks"]} <= {*RIGHT_GRADES, *STRANGE, UNSURE, "bright"}
    with ROLES.open(encoding="utf-8") as file:
        role = {f"surroundings/{row['file']}": row["role"] for row in csv.DictReader(file)}
    assert {role.get(photo["file"], "test") for photo in told} == {"test", "validation"}


def test_photos_are_counted_and_drawn(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = next(p.file for p in read_marks(REAL, marks=OUTLINES) if "bare_strands" in p.file)
    (tmp_path / file).parent.mkdir()
    (tmp_path / file).write_bytes((REAL / file).read_bytes())
    out, pictures = tmp_path / "counts.json", tmp_path / "pictures"
    arguments = ["--photos", str(tmp_path), "--out", str(out), "--pictures", str(pictures)]
    assert main(arguments) == 0
    counts = json.loads(out.read_text(encoding="utf-8"))
    assert list(counts) == [file]
    assert counts[file]["pieces"] == 7
    assert "| 5-10 | 1 | 7 |" in capsys.readouterr().out
    assert len(list(pictures.glob("*.jpg"))) == 1
    assert np.isfinite(counts[file]["quality"]["iou_sum"])
