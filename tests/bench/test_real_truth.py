"""What a piece on a real photo is, by the marks that it covers."""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path

import numpy as np
import pytest

from bench.real_truth import (
    MARKS,
    MIXED,
    RIGHT_GRADES,
    RIGHT_LOOKS,
    ROLES,
    UNSURE,
    Mark,
    MarkedPhoto,
    inside,
    outline_mask,
    read_marks,
    truth_of,
)
from rules.sheet import load_sheet

REAL = Path(__file__).parents[2] / "fixtures" / "real"
SHAPE = (100, 100)


def mark(kind: str, x0: int, x1: int, *, grades: frozenset[str] | None = None) -> Mark:
    points = ((x0, 40.0), (x1, 40.0), (x1, 60.0), (x0, 60.0))
    return Mark(
        kind=kind,
        name=kind,
        shape="poly",
        points_px=points,
        grades=RIGHT_GRADES.get(kind, frozenset({"no2"})) if grades is None else grades,
    )


def piece(x0: int, x1: int) -> np.ndarray:
    mask = np.zeros(SHAPE, bool)
    mask[40:61, x0:x1] = True
    return mask


def told(of: np.ndarray, *marks: Mark, rest: str = "stranger") -> tuple[str, frozenset[str]]:
    photo = MarkedPhoto(file="x.jpg", role="test", rest=rest, marks=marks)
    truth = truth_of(of, photo, [m.mask(SHAPE) for m in marks])
    return truth.kind, truth.grades


def test_a_piece_is_what_it_covers() -> None:
    assert told(piece(10, 40), mark("coated", 5, 45)) == ("coated", frozenset({"no2"}))


def test_marks_lie_inside_their_things() -> None:
    assert told(piece(10, 60), mark("copper", 20, 45))[0] == "copper"


def test_a_wire_with_a_bare_end_is_still_insulated() -> None:
    marks = mark("insulated", 0, 29), mark("bright", 30, 90)
    assert told(piece(0, 90), *marks)[0] == "insulated"
    assert told(piece(20, 90), *marks)[0] == "bright"  # the little jacket at its root


def test_what_disagrees_by_the_sheet_is_left_out() -> None:
    marks = mark("coated", 0, 49), mark("other_metal", 50, 99)
    assert told(piece(0, 100), *marks) == (MIXED, frozenset())


def test_kinds_with_the_same_right_answer_need_no_majority() -> None:
    marks = mark("bright", 0, 49), mark("tarnished", 50, 99)
    assert told(piece(0, 100), *marks)[0] in {"bright", "tarnished"}


def test_what_is_not_marked_is_a_stranger_or_left_out_as_the_photo_says() -> None:
    assert told(piece(50, 90), mark("copper", 0, 20)) == ("stranger", frozenset({"set_aside"}))
    assert told(piece(50, 90), mark("copper", 0, 20), rest=UNSURE)[0] == UNSURE


def test_a_stranger_with_a_corner_of_copper_is_left_out() -> None:
    assert told(piece(0, 100), mark("copper", 0, 20))[0] == MIXED


def test_what_nobody_was_sure_of_is_left_out() -> None:
    assert told(piece(0, 50), mark(UNSURE, 0, 30), mark("insulated", 31, 50))[0] == UNSURE


def test_a_tap_lands_inside_a_ring() -> None:
    ring = Mark(
        kind="other_metal", name="washer", shape="ring", points_px=((50, 50),),
        radius_px=30, width_px=9,
    )  # fmt: skip
    x, y = inside(ring.mask(SHAPE))
    assert np.hypot(x - 50, y - 50) == pytest.approx(30, abs=5)


def test_no_repository_has_two_parts() -> None:
    with ROLES.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len({row["file"] for row in rows}) == len(rows)
    pairs = {(row["repo"], row["role"]) for row in rows if row["role"] != "left_out"}
    assert len({repo for repo, _ in pairs}) == len(pairs)
    assert {role for _, role in pairs} == {"train", "validation", "test"}


def test_no_marked_photo_was_trained_on() -> None:
    with ROLES.open(encoding="utf-8") as file:
        trained = {r["file"] for r in csv.DictReader(file) if r["role"] == "train"}
    with MARKS.open("rb") as file_:
        marked = {photo["file"] for photo in tomllib.load(file_)["photo"]}
    assert not {f"surroundings/{name}" for name in trained} & marked


def test_every_mark_says_what_is_right() -> None:
    with MARKS.open("rb") as file:
        marks = [m for photo in tomllib.load(file)["photo"] for m in photo.get("marks", ())]
    grades = {grade.id for grade in load_sheet("house").grades}
    for m in marks:
        assert m["is"] == UNSURE or m["is"] == "stranger" or m["is"] in RIGHT_LOOKS, m
        assert m["is"] == UNSURE or m.get("grades") or m["is"] in RIGHT_GRADES, m
        assert set(m.get("grades", ())) <= grades, m
    assert sum(m["is"] not in {"stranger", "other_metal", UNSURE} for m in marks) >= 200
    assert sum(m["is"] in {"stranger", "other_metal"} for m in marks) >= 100


@pytest.mark.parametrize(
    ("kind", "row"),
    [
        ("insulated", "insulated"),
        ("other_metal", "no-copper"),
        ("brass", "brass-alone"),
        ("coated", "coated"),
        ("tinned", "tinned"),
        ("green", "green"),
        ("solder", "solder"),
    ],
)
def test_what_is_right_is_what_the_house_sheet_says(kind: str, row: str) -> None:
    grades = {r.id: r.grade for r in load_sheet("house").rows}
    assert grades[row] in RIGHT_GRADES[kind]


def test_marks_of_the_cut_out_copies_lie_where_the_first_labels_do() -> None:
    """``fixtures/real/labels.toml`` was drawn on the copies themselves."""
    photos = {photo.file: photo for photo in read_marks(REAL)}
    with (REAL / "labels.toml").open("rb") as file:
        labels = [s for s in tomllib.load(file)["surface"] if s["shape"] == "poly"]
    assert len(labels) > 15
    for label in labels:
        points = np.array(label["points_px"])
        shape = (int(points[:, 1].max()) + 20, int(points[:, 0].max()) + 20)
        outline = outline_mask(points, shape)
        overlap = max(
            (outline & m.mask(shape)).sum() / (outline | m.mask(shape)).sum()
            for m in photos[label["photo"]].marks
        )
        assert overlap > 0.9, label["name"]


def test_a_pipe_with_a_copper_arm_is_left_out() -> None:
    marks = mark("stranger", 0, 69), mark("bright", 70, 99)
    assert told(piece(0, 100), *marks)[0] == MIXED
