"""The overlay: what it must show, on drawn examinations."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.vision.drawn_examination import examination
from vision.picture import overlay
from vision.picture.overlay import LONG_SIDE_PX, PANEL_WIDTH_PX, Caption, draw_marks, draw_overlay


def caption(**changed: Any) -> Caption:
    told: dict[str, Any] = {
        "title": "No. 1 or No. 2",
        "certainty": "borderline, 60 %",
        "confidence": 0.6,
        "lines": ("strand 1.29 mm ± 0.03, limit 1.291",),
    }
    return Caption(**(told | changed))


@pytest.mark.parametrize(("size", "beside"), [((900, 1200), False), ((1200, 900), True)])
def test_the_panel_stands_beside_an_upright_photo_and_below_a_wide_one(
    size: tuple[int, int], beside: bool
) -> None:
    drawn = draw_overlay(examination(size=size), [caption()] * 3)
    height, width = drawn.shape[:2]
    assert drawn.dtype == np.uint8
    assert (width == size[1] + PANEL_WIDTH_PX) if beside else (width == size[1])
    assert height >= size[0] if beside else height > size[0]


def test_a_large_photo_is_shown_small_and_left_as_it_was() -> None:
    found = examination(size=(1200, 2400), pieces=1)
    before = found.photo.rgb.copy()
    found.photo.rgb.flags.writeable = False
    drawn = draw_overlay(found, [caption()])
    assert drawn.shape[1] == LONG_SIDE_PX
    assert np.array_equal(found.photo.rgb, before)


def test_marks_lie_on_what_they_mark() -> None:
    """Where the overlay differs from the plain photo is at outlines, widths and labels."""
    found = examination(size=(900, 1200))
    drawn = draw_overlay(found, [caption()] * 3)[:900]
    changed = np.abs(drawn.astype(int) - found.photo.rgb).max(axis=2) > 40
    for piece in found.pieces:
        x, y = np.round(piece.region.outline_px).astype(int).T
        assert changed[y, x].mean() > 0.95
    assert found.scale is not None
    card = found.scale.outlines_px[0]
    middle_of_side = np.round((card[0] + card[1]) / 2).astype(int)
    near = changed[
        middle_of_side[1] - 20 : middle_of_side[1] + 21,
        middle_of_side[0] - 20 : middle_of_side[0] + 21,
    ]
    assert near.any()
    # An empty stretch of table stays as it was photographed.
    assert not changed[800:890, 30:400].any()


def boxes_of_labels(monkeypatch: pytest.MonkeyPatch, **kind: Any) -> list[Any]:
    placed = []
    place = overlay._Labels._place

    def remember(self: overlay._Labels, *args: Any, **named: Any) -> object:
        box = place(self, *args, **named)
        placed.append(box)
        return box

    monkeypatch.setattr(overlay._Labels, "_place", remember)
    draw_overlay(examination(**kind), [caption()] * 3)
    return placed


@pytest.mark.parametrize("size", [(900, 1200), (1200, 900), (700, 700)])
def test_no_label_covers_another_or_leaves_the_photo(
    size: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    placed = boxes_of_labels(monkeypatch, size=size)
    assert len(placed) >= 8
    for number, box in enumerate(placed):
        assert box.left >= 0
        assert box.top >= 0
        assert box.right <= size[1]
        assert box.bottom <= size[0]
        assert all(box.overlap(other) == 0 for other in placed[:number])


def test_every_mark_carries_its_word(monkeypatch: pytest.MonkeyPatch) -> None:
    words: list[str] = []
    want = overlay._Labels.want

    def remember(self: overlay._Labels, text: str, *args: Any, **named: Any) -> None:
        words.append(text)
        want(self, text, *args, **named)

    monkeypatch.setattr(overlay._Labels, "want", remember)
    draw_overlay(examination(size=(900, 1200)), [caption()] * 3)
    assert sorted(words) == sorted(
        ["reference: card", "brass?", "solder", "15.02 mm", "2.21 mm", "strand 1.29 mm"]
        + [f"{number}  {caption().title}" for number in (1, 2, 3)]
    )


def test_words_on_a_picture_for_a_phone_can_be_read_there(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sizes = set()
    font = overlay._font

    def noted(size: int) -> object:
        sizes.add(size)
        return font(size)

    monkeypatch.setattr(overlay, "_font", noted)
    drawn = draw_marks(examination(size=(1080, 1440)))
    shown = min(sizes) * 360 / drawn.shape[1]  # on a phone that is 360 points wide
    assert shown >= 9
    sizes.clear()
    draw_marks(examination(size=(1000, 750)))
    assert sizes == {overlay._Labels.SIZE}


def test_one_piece_needs_no_number(monkeypatch: pytest.MonkeyPatch) -> None:
    words: list[str] = []
    monkeypatch.setattr(overlay._Labels, "want", lambda self, text, *_, **__: words.append(text))
    draw_overlay(examination(size=(900, 1200), pieces=1), [caption()])
    assert "1" not in words


def test_without_pieces_the_problem_is_told() -> None:
    empty = examination(size=(900, 1200), pieces=0, scale=False)
    drawn = draw_overlay(empty, [])
    panel = drawn[900:]
    assert (panel.min(axis=2) < 100).sum() > 500, "no writing on the panel"


@pytest.mark.parametrize("confidence", [0.0, 0.25, 0.5, 1.0])
def test_the_bar_is_as_long_as_the_confidence(confidence: float) -> None:
    bar = overlay._bar(caption(confidence=confidence), 560)
    blue = (np.abs(bar.astype(int) - overlay._BAR).max(axis=2) < 10)[19]
    ground = (np.abs(bar.astype(int) - overlay._BAR_GROUND).max(axis=2) < 10)[19]
    share = blue.sum() / (blue.sum() + ground.sum())
    assert share == pytest.approx(confidence, abs=0.06)


def test_long_words_and_lines_stay_on_the_panel() -> None:
    text = "x" * 300 + " and a long explanation that goes on and on " * 4
    for row in overlay._wrapped(text, 21, 500):
        assert overlay._font(21).getlength(row) <= 500


def test_a_number_and_its_unit_stay_on_one_row() -> None:
    for width in range(80, 400, 7):
        for row in overlay._wrapped("compare it with 1.291 mm or 5 % of 20 min", 21, width):
            assert not row.startswith(("mm", "%", "min"))


def test_letters_that_the_font_lacks_are_told_by_others() -> None:
    assert overlay._writable("1.2 × 3 – 4 ± 1 ° ≥ 5 é") == "1.2 x 3 - 4 ± 1 ° at least 5 ?"


def test_each_of_several_pieces_wears_its_number_and_grade(monkeypatch: pytest.MonkeyPatch) -> None:
    words: list[str] = []
    monkeypatch.setattr(overlay._Labels, "want", lambda self, text, *_, **__: words.append(text))
    told = [caption(title="No. 1"), caption(title="No. 2 or No. 1", is_unsure=True), caption()]
    draw_overlay(examination(size=(900, 1200)), told)
    assert "1  No. 1" in words
    assert "2  ? No. 2 or No. 1" in words
    words.clear()
    draw_marks(examination(size=(900, 1200)))
    assert "2" in words, "without grades the number alone"


def test_an_unsure_piece_looks_unsure_without_its_colour_too() -> None:
    found = examination(size=(900, 1200))
    sure, unsure = (
        draw_marks(found, tags=[overlay.Tag(words="No. 1", is_unsure=is_unsure)] * 3)
        for is_unsure in (False, True)
    )
    x, y = np.round(found.pieces[0].region.outline_px).astype(int).T
    light = [image[y, x].astype(int).min(axis=1) > 90 for image in (sure, unsure)]
    assert light[1].mean() < 0.85 * light[0].mean(), "its outline is broken"
