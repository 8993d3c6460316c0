"""Form and widths of one piece: the whole way on drawn pieces, with networks that say one thing."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from rules.findings import Form, FormFinding
from tests.vision.drawn_map import map_over
from tests.vision.drawn_wire import Look, Straight, draw, scale_from_above
from tests.vision.width.strand.test_cut_end import drawn_face, photo_with
from tests.vision.width.strand.test_strip_look import model_of, peak_at
from vision.types import Photo, Region, Scale, Surface
from vision.width.piece import Widths, widths_of
from vision.width.strand.strip_look import BINS, LOOKS, StripModel

STRIP_MODEL = "vision.width.strand.strands.load_strip_model"
WIRE = Straight(length=330, angle_deg=11, centre=(200, 130))


def measured(photo: Photo, region: Region) -> Widths:
    detail = map_over(photo)
    return widths_of(photo, region, scale_from_above(), None, lambda: detail, cut_end=False)


def test_a_photo_s_strand_is_the_network_s_share_of_its_bundle(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The whole way: a drawn piece, its measured width, a network that always says a fifth."""
    stranded = np.where(np.array(LOOKS) == "stranded", 0.0, -9.0)
    model = model_of(stranded, np.log(peak_at(0.2, u_log=0.04) + 1e-9))
    monkeypatch.setattr(STRIP_MODEL, lambda: model)
    photo, region = draw(
        Straight(length=330, angle_deg=11, centre=(200, 130)), 26.0, Look(), seed=3
    )
    widths = widths_of(
        photo, region, scale_from_above(), None, lambda: map_over(photo), cut_end=False
    )
    assert widths.form.value is Form.STRANDED
    assert widths.diameter is not None
    assert widths.strand_diameter is not None
    assert widths.strand_diameter.value == pytest.approx(0.2 * widths.diameter.value, rel=0.01)
    assert set(widths.strand_diameter.budget) == {"bundle", "ratio"}


def model_that_says(look: str) -> StripModel:
    return model_of(
        np.where(np.array(LOOKS) == look, 0.0, -9.0), np.log(peak_at(0.2, u_log=0.04) + 1e-9)
    )


@pytest.mark.parametrize("length_px", [330.0, 60.0])
def test_turns_that_the_network_sees_have_no_width(
    monkeypatch: pytest.MonkeyPatch, length_px: float
) -> None:
    """A long piece and one too short to be straightened: it is looked at along its axis."""
    axis = Straight(length=length_px, angle_deg=11, centre=(200, 130))
    photo, region = draw(axis, 26.0, Look(shiny=False), seed=3)
    for look, expected in (("wound", True), ("solid", False)):
        model = model_that_says(look)
        monkeypatch.setattr(STRIP_MODEL, lambda model=model: model)
        widths = widths_of(
            photo, region, scale_from_above(), None, lambda: map_over(photo), cut_end=False
        )
        assert ("coil_or_tangle" in [p.code for p in widths.problems]) is expected
        assert widths.many_turns is expected
        assert widths.diameter is None or not expected


def test_of_many_turns_the_surface_alone_tells_the_form(monkeypatch: pytest.MonkeyPatch) -> None:
    axis = Straight(length=330, angle_deg=11, centre=(200, 130))
    photo, region = draw(axis, 26.0, Look(), seed=3)
    model = model_that_says("wound")
    monkeypatch.setattr(STRIP_MODEL, lambda: model)
    even = dict.fromkeys(Form, 0.2)
    head = FormFinding(p={**dict.fromkeys(Form, 0.05), Form.STRANDED: 0.8}, learned=even)
    widths = widths_of(
        photo, region, scale_from_above(), None, lambda: map_over(photo),
        cut_end=False, by_surface=lambda: head,
    )  # fmt: skip
    assert widths.many_turns
    assert widths.form.p[Form.STRANDED] == pytest.approx(0.8)


@pytest.mark.parametrize(
    ("mm_per_px", "surface", "turns"),
    [
        (0.1, Surface.TARNISHED, False),  # 2.6 mm
        (0.19, Surface.TARNISHED, False),  # 4.9 mm, 4 AWG is 5.19 (ASTM B258)
        (0.4, Surface.TARNISHED, True),  # 10 mm
        (0.4, Surface.INSULATION, False),  # a cable of 10 mm in its jacket
    ],
)
def test_bare_wire_thicker_than_any_is_several(
    monkeypatch: pytest.MonkeyPatch, mm_per_px: float, surface: Surface, turns: bool
) -> None:
    """A coil that is wound closely looks smooth, and its surface like wire."""
    monkeypatch.setattr(STRIP_MODEL, lambda: model_that_says("solid"))
    photo, region = draw(WIRE, 26.0, Look(shiny=False), seed=3)
    even = dict.fromkeys(Form, 0.2)
    head = FormFinding(p={**dict.fromkeys(Form, 0.001), Form.WIRE: 0.996}, learned=even)
    widths = widths_of(
        photo, region, scale_from_above(mm_per_px=mm_per_px), None,
        lambda: map_over(photo, surface), cut_end=False, by_surface=lambda: head,
    )  # fmt: skip
    assert widths.form.value is Form.WIRE
    assert widths.many_turns is turns
    assert (widths.diameter is None) is turns


@pytest.mark.parametrize(("columns", "rows"), [(1, 1), (2, 1), (6, 1), (1, 9)])
def test_a_speck_is_laid_out_too(columns: int, rows: int) -> None:
    """A find of a few pixels in a row has no width by its outline, and still is looked at."""
    photo, _ = draw(Straight(length=60, angle_deg=0, centre=(60, 40)), 20.0, Look(), seed=3)
    corners = [(50, 40), (49 + columns, 40), (49 + columns, 39 + rows), (50, 39 + rows)]
    region = Region(
        box_px=(50, 40, columns, rows),
        mask=np.ones((rows, columns), bool),
        outline_px=np.array(corners, float),
        score=1.0,
    )
    assert measured(photo, region).form.p


def test_a_solid_wire_s_strand_is_the_wire(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(STRIP_MODEL, lambda: model_that_says("solid"))
    widths = measured(*draw(WIRE, 26.0, Look(), seed=3))
    assert widths.form.value is Form.WIRE
    assert widths.diameter is not None
    assert widths.strand_diameter == widths.diameter
    assert len(widths.lines_px) > 0


def test_a_wire_that_may_be_a_bundle_gets_no_strand_but_the_check(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    both = np.where(np.isin(LOOKS, ("solid", "stranded")), [0.0], [-9.0])
    model = model_of(both, np.log(peak_at(0.2, u_log=0.04) + 1e-9))
    monkeypatch.setattr(STRIP_MODEL, lambda: model)
    widths = measured(*draw(WIRE, 26.0, Look(), seed=3))
    assert widths.form.value is Form.WIRE
    assert widths.diameter is not None
    assert widths.strand_diameter is None
    assert "solid_or_strands" in [p.code for p in widths.problems]


def test_where_no_width_is_measured_the_outline_says_between_what_it_lies(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A drawn wire of known width, as one whose edges can't be read and as many turns."""
    monkeypatch.setattr(STRIP_MODEL, lambda: model_that_says("solid"))
    photo, region = draw(WIRE, 26.0, Look(shiny=False), seed=3)
    true_mm = 26.0 * scale_from_above().mm_per_px
    x, y, w, h = region.box_px
    corners = cv2.boxPoints(((200 - x, 130 - y), (330, 26), 11)).astype(np.int32)
    mask = cv2.fillPoly(np.zeros((h, w), np.uint8), [corners], (1,)) > 0
    region = replace(region, mask=mask)
    known = measured(photo, region)
    assert known.diameter is not None
    assert known.between_mm is None
    monkeypatch.setattr("vision.width.piece.measure_diameter", lambda *_: None)
    low, high = measured(photo, region).between_mm or (0.0, 0.0)
    assert true_mm / 2.2 < low < true_mm < high < 1.35 * true_mm
    monkeypatch.setattr(STRIP_MODEL, lambda: model_that_says("wound"))
    thinnest, most = measured(photo, region).between_mm or (0.0, 0.0)
    assert most == pytest.approx(high)
    assert thinnest < 0.1 * most, "of many turns each may be far thinner"


def test_several_side_by_side_have_no_width(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(STRIP_MODEL, lambda: model_that_says("solid"))
    photo, region = draw(WIRE, 26.0, Look(), seed=3)
    seen = map_over(photo)
    widths = widths_of(
        photo, region, scale_from_above(), None, lambda: seen, cut_end=False, bunch=True
    )
    assert widths.diameter is None
    assert [p.code for p in widths.problems] == ["pieces_side_by_side"]


def test_without_a_scale_there_is_a_form_and_no_millimetre(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(STRIP_MODEL, lambda: model_that_says("solid"))
    photo, region = draw(WIRE, 26.0, Look(), seed=3)
    seen = map_over(photo)
    widths = widths_of(photo, region, None, None, lambda: seen, cut_end=False)
    assert widths.form.p
    assert widths.diameter is None
    assert widths.strand_diameter is None


def test_a_stated_form_is_taken_as_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(STRIP_MODEL, lambda: model_that_says("stranded"))
    photo, region = draw(WIRE, 26.0, Look(), seed=3)
    seen = map_over(photo)
    widths = widths_of(photo, region, scale_from_above(), Form.TUBE, lambda: seen, cut_end=False)
    assert widths.form.stated
    assert widths.form.value is Form.TUBE
    assert widths.strand_diameter is None


@pytest.mark.parametrize(
    ("surface", "open_question"), [(Surface.COATED, True), (Surface.BRIGHT, False)]
)
def test_a_coated_sheet_may_be_wound_and_a_bare_one_may_not(
    monkeypatch: pytest.MonkeyPatch, surface: Surface, *, open_question: bool
) -> None:
    monkeypatch.setattr(STRIP_MODEL, lambda: model_that_says("other"))
    flat = Straight(length=150, angle_deg=0, centre=(200, 130))
    photo, region = draw(flat, 130.0, Look(flat=True), seed=3)
    seen = map_over(photo, surface)
    widths = widths_of(photo, region, scale_from_above(), None, lambda: seen, cut_end=False)
    assert widths.diameter is None, "a sheet has none"
    assert ("flat_or_wound" in [p.code for p in widths.problems]) is open_question


# ------------------------------------------------------------- onto a cut end


def at_cut_end(strand_px: float, layers: int, scale: Scale | None) -> Widths:
    """Seen straight onto a face of 7 wires in one layer, 1 in none (concentric lay, ASTM B8)."""
    photo, region = photo_with(drawn_face(layers, strand_px=strand_px, seed=1))
    return widths_of(photo, region, scale, None, lambda: map_over(photo), cut_end=True)


def test_of_a_cut_cable_the_strand_is_told_and_never_the_bundle() -> None:
    widths = at_cut_end(24.0, 1, scale_from_above())
    assert widths.form.value is Form.STRANDED
    assert widths.diameter is None, "a face shows no bundle's outer diameter"
    assert widths.strand_diameter is not None
    assert widths.strand_diameter.value == pytest.approx(2.4, rel=0.03)
    assert widths.notes == ("7 strand ends seen",)
    lengths = np.linalg.norm(widths.lines_px[:, 1] - widths.lines_px[:, 0], axis=1)
    assert len(lengths) == 7
    assert np.median(lengths) == pytest.approx(24.0, rel=0.06)


def test_one_end_alone_is_a_solid_wire() -> None:
    widths = at_cut_end(30.0, 0, scale_from_above())
    assert widths.form.value is Form.WIRE
    assert widths.diameter == widths.strand_diameter
    assert widths.diameter is not None
    assert widths.diameter.value == pytest.approx(3.0, rel=0.04)


def test_a_cut_end_without_a_scale_has_a_form_and_no_millimetre() -> None:
    widths = at_cut_end(24.0, 1, None)
    assert widths.form.value is Form.STRANDED
    assert widths.diameter is None and widths.strand_diameter is None


def test_a_cut_end_on_which_nothing_shows_says_what_to_do() -> None:
    photo, region = photo_with(np.full((120, 120, 3), 120, np.uint8))
    widths = widths_of(
        photo, region, scale_from_above(), None, lambda: map_over(photo), cut_end=True
    )
    assert widths.strand_diameter is None
    (problem,) = widths.problems
    assert problem.code == "no_strand_ends" and problem.fix


def test_a_stated_sheet_is_not_asked_for_a_thickness(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(STRIP_MODEL, lambda: model_that_says("solid"))
    photo, region = draw(WIRE, 26.0, Look(), seed=3)
    seen = map_over(photo)
    widths = widths_of(photo, region, scale_from_above(), Form.SHEET, lambda: seen, cut_end=False)
    assert widths.form.value is Form.SHEET and widths.form.stated
    assert widths.diameter is None and len(widths.lines_px) == 0


def test_strands_that_cant_be_told_apart_give_no_strand_but_what_is_known(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Seven wires are the fewest of a cable (ASTM B8): a strand is at most a third of it.
    stranded = np.where(np.array(LOOKS) == "stranded", 0.0, -9.0)
    flat = np.full(BINS, -np.log(BINS))
    monkeypatch.setattr(STRIP_MODEL, lambda: model_of(stranded, flat))
    widths = measured(*draw(WIRE, 26.0, Look(), seed=3))
    assert widths.form.value is Form.STRANDED
    assert widths.diameter is not None
    assert widths.strand_diameter is None
    told = {p.code: p.text for p in widths.problems}["strands_not_resolved"]
    most = float(next(word for word in told.split() if word.replace(".", "", 1).isdigit()))
    assert most == pytest.approx(widths.diameter.value / 3, abs=0.06)
