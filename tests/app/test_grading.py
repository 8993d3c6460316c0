"""From an examination to a result: what counts as measured, and whose fault a fault is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from app.exit_codes import PhotoOutcome
from app.grading import grade_examination, grade_loaded, grade_typed, unreadable
from app.request import Request
from rules.cautions import SELLING
from rules.engine import grade
from rules.errors import ContractError, InstallError, PhotoError
from rules.findings import Findings, Form
from rules.sheet import load_sheet
from rules.typed import TypedPiece
from tests.vision.drawn_examination import examination, findings, mm
from vision.problems import photo_error
from vision.types import Examination, Photo


def request() -> Request:
    return Request(sheet=load_sheet("house"))


def seen(*found: Findings, scale: bool = True) -> Examination:
    drawn = examination(size=(300, 400), pieces=len(found), scale=scale)
    pieces = tuple(
        replace(piece, findings=one) for piece, one in zip(drawn.pieces, found, strict=True)
    )
    return replace(drawn, pieces=pieces)


WIRE = findings(Form.WIRE, diameter=mm(2.0, 0.02), strand=mm(2.0, 0.02))
BUNDLE = findings(Form.STRANDED, diameter=mm(6.0, 0.05))


# The 16-gauge rule asks for a strand of wire, for tube's outer diameter, of sheet for none
# (house sheet: common practice, no source).
@pytest.mark.parametrize(
    ("found", "measured"),
    [
        pytest.param((WIRE,), True, id="wire with its strand"),
        pytest.param((BUNDLE,), False, id="a bundle without its strand"),
        pytest.param((findings(Form.WIRE, diameter=mm(2, 0.02)),), False, id="solid or strands"),
        pytest.param((findings(Form.TUBE, diameter=mm(15, 0.1)),), True, id="tube"),
        pytest.param((findings(Form.TUBE),), False, id="tube without a diameter"),
        pytest.param((findings(Form.SHEET),), True, id="sheet has none"),
        pytest.param((WIRE, BUNDLE), False, id="one of two is not"),
        pytest.param((), False, id="nothing there"),
    ],
)
def test_a_photo_counts_as_graded_where_every_size_that_is_asked_for_was_measured(
    found: tuple[Findings, ...], *, measured: bool
) -> None:
    expected = PhotoOutcome.GRADED if measured else PhotoOutcome.NOT_MEASURABLE
    assert grade_examination(seen(*found), request()).outcome is expected


def test_without_a_scale_nothing_is_measured() -> None:
    told = grade_examination(seen(WIRE, scale=False), request())
    assert told.outcome is PhotoOutcome.NOT_MEASURABLE
    assert [problem.code for problem in told.problems] == ["no_reference"]


def test_each_piece_is_graded_by_what_the_photo_shows_as_bench_rates_have_it() -> None:
    told = grade_examination(seen(WIRE, BUNDLE), request())
    for piece, reading in zip(told.pieces, told.examination.pieces, strict=True):  # type: ignore[union-attr]
        assert piece.findings == reading.findings
        assert piece.grading == grade(piece.findings, request().sheet)


def test_cautions_come_once_and_the_rules_on_selling_last() -> None:
    soldered = findings(Form.TUBE, diameter=mm(15, 0.1), solder=0.97)
    told = grade_examination(seen(soldered, soldered), request())
    assert len(set(told.cautions)) == len(told.cautions)
    assert told.cautions[-1] == SELLING
    assert any("lead" in caution for caution in told.cautions[:-1])


def test_typed_findings_keep_their_names_and_need_no_photo() -> None:
    typed = [TypedPiece(name="pipe", findings=WIRE), TypedPiece(name=None, findings=BUNDLE)]
    told = grade_typed(typed, request(), name="by hand")
    assert told.outcome is PhotoOutcome.GRADED
    assert [piece.name for piece in told.pieces] == ["pipe", None]
    assert told.examination is None
    assert told.pieces[0].grading == grade(WIRE, request().sheet)


# --------------------------------------------------------------------- faults


def test_a_photo_that_can_not_be_read_says_what_to_do() -> None:
    told = unreadable("a.jpg", photo_error("no_strand_ends"))
    assert told.outcome is PhotoOutcome.UNREADABLE
    assert (told.name, told.pieces) == ("a.jpg", ())
    (problem,) = told.problems
    assert problem.code == "no_strand_ends" and problem.fix


@pytest.mark.parametrize("fault", [ValueError("secret path"), ContractError("odd", where="x")])
def test_a_fault_of_ours_costs_one_photo_and_shows_no_inside(
    fault: Exception, caplog: pytest.LogCaptureFixture
) -> None:
    (problem,) = unreadable("a.jpg", fault).problems
    assert problem.code == "internal"
    assert "secret path" not in problem.text
    assert "a.jpg" in caplog.text, "but the log has it"


def test_a_part_of_the_program_that_is_missing_costs_all_photos() -> None:
    with pytest.raises(InstallError):
        unreadable("a.jpg", InstallError("is missing", where="models/surface.onnx"))


def test_a_flash_photo_that_can_not_be_loaded_leaves_the_plain_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plain = seen(WIRE)
    monkeypatch.setattr("vision.examine.examine", lambda photo, **_: plain)

    def broken() -> Photo:
        raise PhotoError("can't be read", code="not_a_photo", fix="Take it again.", where="b.jpg")

    told = grade_loaded(plain.photo, request(), flash=broken)
    assert len(told.pieces) == 1
    assert [problem.code for problem in told.problems] == ["not_a_photo"]
    assert told.problems[0].text.startswith("b.jpg: ")
