"""From photo to findings on rendered photos whose truth is exact, reference named.

The truth is by construction (fixtures/renders, written by models/recipe; sizes after the
standards named in its tables). The floors are what was measured on these photos, less a
little room: they are there to catch a step back, not to say how good the tool is (that
is bench/RESULTS.md, on photos nobody here tuned on).
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from io import BytesIO
from math import hypot
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

import vision.examine
from bench.accuracy import examined
from rules.confidence import FAMILIAR
from rules.engine import grade
from rules.findings import Facts, Measurement, Source
from rules.sheet import load_sheet
from tests.app.command import objects, run
from tests.app.contract import check_contract
from tests.vision.drawn_wire import Look, Straight, draw, scale_from_above
from tests.vision.width.test_piece import STRIP_MODEL, model_that_says
from vision.examine import examine
from vision.photo.loading import load_photo_file
from vision.pieces.reading_order import reading_order
from vision.problems import problem_of
from vision.types import Examination, Photo, PieceReading, Problem

FIXTURES = Path(__file__).parents[2] / "fixtures"
RENDERS = FIXTURES / "renders"
HANDFUL = FIXTURES / "demo" / "truth" / "handful_on_wood.json"
TRUTHS = sorted({*RENDERS.glob("*.json"), *HANDFUL.parent.glob("*.json")} - {HANDFUL})
"""The handful has a floor of its own: things lie across each other there."""

SURE_P = 0.8
"""A shape told with so much must not become another one told with so much."""

# Photos where every step answers, so that a change of the answer shows.
STEADY = ("tube_10_tarnished_gb_2p_on_steel", "tube_28_and_bright_wire_marker_25")


@pytest.fixture(scope="module", autouse=True)
def _threads_as_before() -> Iterator[None]:
    threads = cv2.getNumThreads()
    yield
    cv2.setNumThreads(threads)


@cache
def rows() -> tuple[dict[str, Any], ...]:
    """One row a true piece, and one a find where there is none, as bench/accuracy.py has them."""
    return tuple(row for truth in TRUTHS for row in examined(truth))


def pieces() -> list[dict[str, Any]]:
    return [r for r in rows() if r["kind"] == "piece" and r["truth"]["material"] == "copper"]


def found() -> list[dict[str, Any]]:
    return [r for r in pieces() if "found" in r]


def share(of: list[bool]) -> float:
    assert of, "no photo to judge by"
    return sum(of) / len(of)


def errors_of(form: str) -> list[float]:
    """Relative errors of the outer diameter of pieces seen as what they are."""
    return [
        abs(r["found"]["diameter"]["value"] / r["truth"]["diameter_mm"] - 1)
        for r in found()
        if r["truth"]["form"] == r["found"]["form"] == form and r["found"]["diameter"]
    ]


# --------------------------------------------------------------- against truth


def test_no_photo_trips_the_program() -> None:
    assert [r for r in rows() if r["kind"] == "fault"] == []


def test_most_pieces_are_found() -> None:
    assert share(["found" in r for r in pieces()]) >= 0.94  # 38 of 39


def test_most_references_are_found() -> None:
    assert share([r["scaled"] for r in pieces() if r["reference"] != "auto"]) >= 0.94  # 35 of 36


def test_nearly_every_form_is_told_right() -> None:
    assert share([r["truth"]["form"] == r["found"]["form"] for r in found()]) >= 0.9  # 34 of 37


@pytest.mark.parametrize(
    ("form", "least", "most"), [("tube", 9, 0.02), ("wire", 4, 0.04), ("stranded", 2, 0.06)]
)  # 1.2, 3.7 and 3.0 %; of the four bundles two have uneven outlines
def test_diameters_are_those_the_pieces_were_made_with(form: str, least: int, most: float) -> None:
    errors = errors_of(form)
    assert len(errors) >= least
    assert float(np.median(errors)) < most


def test_most_diameters_lie_in_their_95_percent_interval() -> None:
    inside = [
        r["found"]["diameter"]["low95"]
        <= r["truth"]["diameter_mm"]
        <= r["found"]["diameter"]["high95"]
        for r in found()
        if r["found"]["diameter"] and r["truth"]["diameter_mm"]
    ]
    assert len(inside) >= 17  # 19
    assert share(inside) >= 0.9  # 18 of 19


def test_where_the_grade_is_decided_it_is_rarely_wrong_and_never_where_sure() -> None:
    decided = [r for r in found() if r["grade"]["suggested"] and not r["grade"]["borderline"]]
    assert len(decided) >= 15  # 16
    wrong = [r for r in decided if r["grade"]["suggested"] != r["true_grade"]]
    assert len(wrong) <= 1, [r["photo"] for r in wrong]  # none
    assert not [r["photo"] for r in wrong if r["grade"]["confidence"] >= 0.95]


def test_fittings_raise_no_false_alarm() -> None:
    clean = [r for r in found() if not r["truth"]["brass"] and not r["truth"]["solder"]]
    assert share([r["found"]["p"]["brass"] >= 0.5 for r in clean]) <= 0.04  # none of 31
    assert share([r["found"]["p"]["solder"] >= 0.5 for r in clean]) <= 0.04  # none of 31


# ------------------------------------------------------------------- relations


@cache
def photo_of(name: str) -> Photo:
    return load_photo_file(RENDERS / f"{name}.jpg")


@cache
def reference_of(name: str) -> str:
    told = json.loads((RENDERS / f"{name}.json").read_text(encoding="utf-8"))
    return str(told["references"][0]["key"])


@cache
def seen(name: str) -> Examination:
    return examine(photo_of(name), reference=reference_of(name))


def turned(photo: Photo, code: int) -> Photo:
    return replace(photo, rgb=np.ascontiguousarray(cv2.rotate(photo.rgb, code)))


def smaller(photo: Photo, factor: float) -> Photo:
    rgb = cv2.resize(photo.rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    focal = None if photo.focal_px is None else photo.focal_px * factor
    return replace(photo, rgb=rgb, focal_px=focal)


def sent_once_more(photo: Photo) -> Photo:
    """As a messenger sends it on: JPEG again, quality 75."""
    buffer = BytesIO()
    Image.fromarray(photo.rgb).save(buffer, "JPEG", quality=75)
    return replace(photo, rgb=np.array(Image.open(buffer).convert("RGB")))


CHANGES = {
    "half a turn": lambda photo: turned(photo, cv2.ROTATE_180),
    "a quarter turn": lambda photo: turned(photo, cv2.ROTATE_90_CLOCKWISE),
    "70 % of its size": lambda photo: smaller(photo, 0.7),
    "JPEG once more": sent_once_more,
}


def largest(examination: Examination) -> PieceReading:
    return max(examination.pieces, key=lambda piece: piece.region.mask.sum() / _pixels(examination))


def _pixels(examination: Examination) -> int:
    return examination.photo.width_px * examination.photo.height_px


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("name", STEADY)
def test_the_same_photo_changed_gives_the_same_answer(name: str, change: str) -> None:
    before, after = (
        seen(name),
        examine(CHANGES[change](photo_of(name)), reference=reference_of(name)),
    )
    assert after.scale is not None
    one, other = largest(before), largest(after)
    agree(one.findings.diameter, other.findings.diameter)
    sheet = load_sheet("house")
    first, second = grade(one.findings, sheet), grade(other.findings, sheet)
    if not first.borderline and not second.borderline:
        assert first.suggested == second.suggested, "two sure answers of one piece"
    shapes = [p.findings.form.p for p in (one, other)]
    if all(max(p.values()) >= SURE_P for p in shapes):
        assert one.findings.form.value is other.findings.form.value


def agree(one: Measurement | None, other: Measurement | None) -> None:
    assert one is not None
    assert other is not None
    assert abs(one.value - other.value) <= 2 * hypot(one.u, other.u)
    # Most by 5.1 and 6.9 %, on one tube beside a coin, whose width is told to 2.7 and 3.6 %.
    assert abs(one.value / other.value - 1) < 0.075, "the doubt hides a jump"


def test_the_same_photo_gives_the_same_answer_twice() -> None:
    name = STEADY[0]
    again = examine(photo_of(name), reference=reference_of(name))
    for one, other in zip(seen(name).pieces, again.pieces, strict=True):
        assert one.findings == other.findings
        assert np.array_equal(one.region.mask, other.region.mask)


@pytest.mark.parametrize("name", STEADY)
def test_one_core_gives_the_answer_of_two(name: str) -> None:
    # By relation: steps that run at the same time don't touch each other.
    answers = []
    for threads in (1, 2):
        cv2.setNumThreads(threads)
        answers.append(examine(photo_of(name), reference=reference_of(name)))
    one, two = answers
    assert one.problems == two.problems
    for first, second in zip(one.pieces, two.pieces, strict=True):
        assert first.findings == second.findings
        assert np.array_equal(first.region.mask, second.region.mask)
        assert np.array_equal(first.measured_lines_px, second.measured_lines_px)


# ---------------------------------------------------------------- honest doubt


def test_without_a_reference_there_are_no_millimetres_but_a_finish() -> None:
    seen_so = examine(load_photo_file(RENDERS / "three_pieces_on_wood_no_reference.jpg"))
    assert seen_so.scale is None
    assert "no_reference" in [problem.code for problem in seen_so.problems]
    assert seen_so.pieces
    for piece in seen_so.pieces:
        assert piece.findings.diameter is None
        assert piece.findings.strand_diameter is None
        assert piece.findings.finish is not None


def test_turns_of_unknown_size_are_never_sure(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a reference a wheel or a bearing looks like a coil; with one, or where the person
    says where it is from, the answer stands on its own."""
    # Of this coil alone the network says tube and turns about as often.
    model = model_that_says("wound")
    monkeypatch.setattr(STRIP_MODEL, lambda: model)
    photo = load_photo_file(RENDERS / "bright_coil_marker_25.jpg")
    house = load_sheet("house")

    def known(reference: str, facts: Facts | None = None) -> list[float]:
        seen = examine(photo, reference=reference, facts=facts)
        told = {p.code: p.pieces for p in seen.problems}
        assert "coil_or_tangle" in told, "this photo shows a coil"
        return [piece.findings.familiarity for piece in seen.pieces]

    sized, unsized = known("marker:25"), known("card")
    assert max(sized) > FAMILIAR
    assert max(unsized) < FAMILIAR
    stated = Facts(source=Source.MOTOR_TRANSFORMER)
    assert max(known("card", stated)) > FAMILIAR
    for piece in examine(photo, reference="card").pieces:
        assert grade(piece.findings, house).borderline


@pytest.mark.parametrize("named", ["card", "marker:25"])
def test_a_reference_that_is_not_there_gives_no_scale(named: str) -> None:
    seen_so = examine(photo_of(STEADY[0]), reference=named)  # a coin lies there
    assert seen_so.scale is None
    assert all(piece.findings.diameter is None for piece in seen_so.pieces)


def test_of_a_handful_most_is_found_numbered_as_a_page_is_read_and_none_wrongly_sure() -> None:
    """8 of the 15 are found, 5 decided, each as the truth is; a shred of a ninth is left out."""
    told = examined(HANDFUL)
    found = [row for row in told if row["kind"] == "piece" and row.get("found")]
    assert len(found) >= 8
    decided = [row for row in found if not row["grade"]["borderline"]]
    assert all(row["grade"]["suggested"] == row["true_grade"] for row in decided)
    seen = examine(load_photo_file(HANDFUL.parent / "../handful_on_wood.jpg"))
    boxes = [piece.region.box_px for piece in seen.pieces]
    assert reading_order(boxes) == list(range(len(boxes)))


@pytest.mark.parametrize("several", [False, True])
def test_no_thickness_is_told_of_several_pieces_taken_for_one(
    monkeypatch: pytest.MonkeyPatch, *, several: bool
) -> None:
    """Whose it would be nobody knows; a drawn wire, which is measured where it is one."""
    photo, region = draw(
        Straight(length=240, angle_deg=17, centre=(160, 120)), 24.0, Look(), seed=3
    )
    region = replace(region, one_p=0.4 if several else 0.9)
    monkeypatch.setattr(vision.examine, "_regions", lambda *_: ((region,), ()))
    seen_so = examine(photo, scale=scale_from_above())
    (piece,) = seen_so.pieces
    assert (piece.findings.diameter is None) is several
    assert ("pieces_side_by_side" in {problem.code for problem in seen_so.problems}) is several
    assert piece.findings.finish is not None
    assert piece.findings.one_piece == region.one_p


# -------------------------------------------------------------- as one uses it


def test_a_problem_says_which_of_several_pieces_it_is_of() -> None:
    thin = Problem(code="too_thin_in_photo", text="It is thin.", fix="Go nearer.")
    uneven = Problem(code="thickness_uneven", text="It is uneven.", fix="Lay it alone.")
    of = [replace(one, pieces=(n,)) for n, one in enumerate((thin, uneven, thin, thin), start=1)]
    assert [(one.text, one.pieces) for one in vision.examine._once([*of, of[0]])] == [
        ("It is thin.", (1, 3, 4)),
        ("It is uneven.", (2,)),
    ]
    assert vision.examine._once([thin, thin]) == [thin]


def test_no_piece_is_told_anothers_width() -> None:
    of = [
        replace(problem_of("coil_or_tangle.thick", mm=mm), pieces=(number,))
        for number, mm in enumerate((7.1, 12.0, 9.3), start=1)
    ]
    (told,) = vision.examine._once(of)
    assert told.pieces == (1, 2, 3)
    assert "is 7.1 to 12.0 mm thick" in told.text


def test_a_piece_is_told_one_width() -> None:
    """Its outline gave the thin wire of this photo 7 pixels, its edges 6.0."""
    photo = load_photo_file(FIXTURES / "demo" / "bright_wires_thick_and_thin.jpg")
    told = [problem.text for problem in examine(photo).problems]
    assert [text for text in told if "pixels wide" in text] == [
        text for text in told if text.startswith("The piece is only 6.0 pixels wide")
    ]
    assert len(told) == 1


def test_a_folder_with_a_bad_file_keeps_the_contract(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copy(RENDERS / f"{STEADY[1]}.jpg", tmp_path / "a.jpg")
    (tmp_path / "b.jpg").write_bytes(b"\xff\xd8\xff\xe0 torn")
    shutil.copy(RENDERS / "three_pieces_on_wood_no_reference.jpg", tmp_path / "c.jpg")
    overlays = tmp_path / "drawn"
    code, out, _ = run(
        capsys, "grade", tmp_path, "--reference", "marker:25", "--json", "--overlay", overlays
    )
    told = objects(out)
    assert code == 3
    assert [one["photo"]["name"] for one in told] == ["a.jpg", "b.jpg", "c.jpg"]
    for one in told:
        check_contract(one)
    good, bad, bare = told
    assert good["scale"]["reference"] == "marker:25"
    truth = json.loads((RENDERS / f"{STEADY[1]}.json").read_text(encoding="utf-8"))
    tube = next(p for p in truth["pieces"] if p["form"] == "tube")
    assert good["pieces"][0]["form"]["value"] == "tube"
    assert good["pieces"][0]["diameter_mm"]["value"] == pytest.approx(tube["diameter_mm"], rel=0.05)
    assert bad["pieces"] == []
    assert bad["problems"]
    assert bare["scale"] is None
    assert bare["pieces"]
    assert all(piece["diameter_mm"] is None for piece in bare["pieces"])
    assert sorted(p.name for p in overlays.iterdir()) == ["a.cuproscope.jpg", "c.cuproscope.jpg"]
