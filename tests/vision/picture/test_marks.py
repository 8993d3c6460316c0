"""What is drawn on the photo itself, on drawn examinations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.drawn_examination import examination
from tests.vision.picture.drawn import box_outline
from vision.picture import labels
from vision.picture.labels import Box, Label, Labels
from vision.picture.marks import (
    LEFT_OUT_WORDS,
    LONG_SIDE_PX,
    Tag,
    draw_marks,
    phone_label_px,
    shown,
)
from vision.picture.tones import RANKS, SIGNS, of_rank
from vision.picture.writing import font_of
from vision.types import LeftOut, Why


@pytest.fixture
def wanted(monkeypatch: pytest.MonkeyPatch) -> list[Label]:
    """Labels as they are asked for."""
    told: list[Label] = []
    want = Labels.want

    def remember(self: Labels, label: Label) -> None:
        told.append(label)
        want(self, label)

    monkeypatch.setattr(Labels, "want", remember)
    return told


def test_marks_lie_on_what_they_mark() -> None:
    """Where the picture differs from the plain photo is at outlines, widths and labels."""
    found = examination(size=(900, 1200))
    drawn = draw_marks(found)
    changed = np.abs(drawn.astype(int) - found.photo.rgb).max(axis=2) > 40
    for piece in found.pieces:
        x, y = np.round(piece.region.outline_px).astype(int).T
        assert changed[y, x].mean() > 0.95
    assert found.scale is not None
    card = found.scale.outlines_px[0]
    middle = np.round((card[0] + card[1]) / 2).astype(int)
    assert changed[middle[1] - 20 : middle[1] + 21, middle[0] - 20 : middle[0] + 21].any()
    # An empty stretch of table stays as it was photographed.
    assert not changed[800:890, 30:400].any()


def test_every_mark_carries_its_word(wanted: list[Label]) -> None:
    draw_marks(examination(size=(900, 1200)), tags=[Tag(words="No. 1", rank=1)] * 3)
    assert sorted(label.text for label in wanted) == sorted(
        ["reference: card", "brass?", "solder", "15.02 mm", "2.21 mm", "strand 1.29 mm"]
        + [f"{number}  No. 1" for number in (1, 2, 3)]
    )


def test_a_marker_is_told_with_its_size_and_not_by_its_key(wanted: list[Label]) -> None:
    found = examination(size=(900, 1200))
    assert found.scale is not None
    draw_marks(replace(found, scale=replace(found.scale, reference="marker:15")))
    assert "reference: 15 mm marker" in [label.text for label in wanted]


@pytest.mark.parametrize("size", [(900, 1200), (1200, 900), (700, 700)])
def test_no_label_covers_a_piece(size: tuple[int, int], monkeypatch: pytest.MonkeyPatch) -> None:
    placed = []
    place = Labels.placed

    def remember(self: Labels) -> list[tuple[Label, labels.Box]]:
        found = place(self)
        placed.extend(found)
        return found

    monkeypatch.setattr(Labels, "placed", remember)
    found = examination(size=size)
    draw_marks(found, tags=[Tag(words="No. 1", rank=1)] * 3)
    assert len(placed) >= 9
    for label, box in placed:
        if label.within:
            continue
        for piece in found.pieces:
            x, y, _, _ = piece.region.box_px
            top, left = max(0, round(box.top) + 4 - y), max(0, round(box.left) + 4 - x)
            bottom, right = max(0, round(box.bottom) - 4 - y), max(0, round(box.right) - 4 - x)
            assert not piece.region.mask[top:bottom, left:right].any(), label.text


def test_words_on_a_picture_for_a_phone_can_be_read_there(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sizes = set()

    def noted(size: int) -> object:
        sizes.add(size)
        return font_of(size)

    monkeypatch.setattr("vision.picture.labels.font_of", noted)
    drawn = draw_marks(examination(size=(1080, 1440)))
    shown = min(sizes) * 360 / drawn.shape[1]  # on a phone that is 360 points wide
    assert shown >= 9
    sizes.clear()
    draw_marks(examination(size=(1000, 750)))
    assert sizes == {labels.SIZE}


def test_one_piece_needs_no_number(wanted: list[Label]) -> None:
    draw_marks(examination(size=(900, 1200), pieces=1), tags=[Tag(words="No. 1", rank=1)])
    assert not any(label.text.startswith("1") and "No." in label.text for label in wanted)


def test_each_of_several_pieces_wears_its_number_and_grade(wanted: list[Label]) -> None:
    told = [Tag(words="No. 1", rank=1), Tag(words="No. 2", rank=2, is_unsure=True), Tag(words="x")]
    draw_marks(examination(size=(900, 1200)), tags=told)
    seen = {label.text: label for label in wanted}
    assert seen["1  No. 1"].sign == SIGNS[1]
    assert seen["2  ? No. 2"].sign == ""
    wanted.clear()
    draw_marks(examination(size=(900, 1200)))
    assert "2" in {label.text for label in wanted}, "without grades the number alone"


def test_no_two_grades_share_tone_or_sign() -> None:
    worn = [of_rank(rank) for rank in range(len(RANKS))]
    assert len({tone for tone, _ in worn}) == len({sign for _, sign in worn}) == len(RANKS)


def test_an_unsure_piece_looks_unsure_without_its_colour_too() -> None:
    found = examination(size=(900, 1200))
    sure, unsure = (
        draw_marks(found, tags=[Tag(words="No. 1", is_unsure=is_unsure)] * 3)
        for is_unsure in (False, True)
    )
    x, y = np.round(found.pieces[0].region.outline_px).astype(int).T
    light = [image[y, x].astype(int).min(axis=1) > 90 for image in (sure, unsure)]
    assert light[1].mean() < 0.85 * light[0].mean(), "its outline is broken"


def test_what_was_left_out_is_drawn_faintly_and_says_why(wanted: list[Label]) -> None:
    found = examination(size=(900, 1200), pieces=1)
    outline = box_outline(60, 640, 90, 60)
    seen = replace(found, left_out=(LeftOut(outline_px=outline, why=Why.STRANGER),))
    plain, drawn = draw_marks(found), draw_marks(seen)
    assert LEFT_OUT_WORDS[Why.STRANGER] in {label.text for label in wanted}
    rim = np.any(plain != drawn, axis=2)[636:704, 56:154]
    assert 0.02 < rim.mean() < 0.4, "dots, not a line, and nothing inside"
    assert not rim[12:56, 12:86].any()


def test_a_cut_marks_the_place() -> None:
    found = examination(size=(900, 1200), pieces=1)
    ends = np.array([[600.0, 800.0], [600.0, 880.0]])
    plain, drawn = draw_marks(found), draw_marks(found, cuts_px=[ends])
    rows, columns = np.nonzero((drawn != plain).any(axis=2)[798:883, 590:611])
    assert columns.mean() == pytest.approx(10, abs=1)
    assert np.ptp(rows) == pytest.approx(80, abs=6)


def test_the_words_at_a_cut_cover_no_other_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """The cut lies where the width was measured, so both want the same place."""
    stood: list[Box] = []
    placed = Labels.placed

    def remember(self: Labels) -> list[tuple[Label, Box]]:
        told = placed(self)
        stood.extend(box for _, box in told)
        return told

    monkeypatch.setattr(Labels, "placed", remember)
    found = examination(size=(900, 1200), pieces=1)
    lines = found.pieces[0].measured_lines_px
    draw_marks(found, cuts_px=[lines[len(lines) // 2]])
    boxes = np.array(stood)
    assert len(boxes) >= 3  # the reference, the size, the cut
    for i, one in enumerate(boxes):
        for other in boxes[:i]:
            apart = np.maximum(one[:2] - other[2:], other[:2] - one[2:])
            assert apart.max() >= 0


@pytest.mark.parametrize(("size", "long_side"), [((900, 1200), 1200), ((300, 400), 700)])
def test_a_small_photo_is_shown_large_enough_for_words(
    size: tuple[int, int], long_side: int
) -> None:
    assert max(draw_marks(examination(size=size)).shape[:2]) == long_side


def test_marks_of_a_photo_that_is_shown_large_lie_on_what_they_mark() -> None:
    found = examination(size=(300, 400), pieces=1)
    drawn = draw_marks(found)
    outline = (found.pieces[0].region.outline_px + 0.5) * 700 / 400 - 0.5
    x, y = np.round(outline).astype(int).T
    plain, _ = shown(found.photo.rgb, LONG_SIDE_PX)
    assert (drawn != plain).any(axis=2)[y, x].mean() > 0.95


def test_with_many_pieces_sizes_stand_in_the_list(wanted: list[Label]) -> None:
    found = examination(size=(900, 1200))
    draw_marks(replace(found, pieces=found.pieces * 2))
    assert not any(label.text.endswith("mm") for label in wanted)
    assert [label.text for label in wanted if label.text.isdigit()] == [*"123456"]


def test_tags_that_do_not_fit_the_pieces_are_left_out(wanted: list[Label]) -> None:
    draw_marks(examination(size=(900, 1200)), tags=[Tag(words="No. 1", rank=1)] * 2)
    assert not any("No. 1" in label.text for label in wanted)


@pytest.mark.parametrize(("width", "height"), [(880, 22), (1600, 40)])
def test_letters_for_a_phone_are_a_share_of_the_picture(width: int, height: int) -> None:
    # 9 of 360 points of a phone's width: a fortieth; never below the usual size.
    assert phone_label_px(width) == height
    assert phone_label_px(100) == labels.SIZE
