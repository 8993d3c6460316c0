"""The piece that a person taps, on drawn photos and maps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rules.errors import PhotoError
from tests.vision.pieces.test_finding import overlap, overview_of, photo_of, table, with_pieces
from vision.pieces.finding import pieces_on
from vision.pieces.tapped import _is_piece, region_at


@pytest.mark.parametrize("kind", ["paper", "wood", "slate"])
@pytest.mark.parametrize("which", [0, 1])
def test_the_tapped_piece_is_the_one_that_is_found(kind: str, which: int) -> None:
    rgb, masks = with_pieces(table(kind))
    middle = ((370.0, 220.0), (500.0, 560.0))[which]
    found = region_at(photo_of(rgb), middle, overview=overview_of(masks))
    assert overlap(found, masks[which]) > 0.8
    assert overlap(found, masks[1 - which]) < 0.1


def test_a_finger_beside_a_thin_wire_still_means_it() -> None:
    rgb, masks = with_pieces(table("paper"))
    found = region_at(photo_of(rgb), (370.0, 234.0), overview=overview_of(masks))
    assert overlap(found, masks[0]) > 0.8


def test_bare_table_and_reference_are_no_piece() -> None:
    rgb, masks = with_pieces(table("paper"))
    overview = overview_of(masks)
    for point in ((860.0, 120.0), (100.0, 300.0)):
        with pytest.raises(PhotoError, match="under the finger"):
            region_at(photo_of(rgb), point, overview=overview)
    card = np.array([[700.0, 60.0], [900.0, 60.0], [900.0, 200.0], [700.0, 200.0]])
    with pytest.raises(PhotoError, match="reference"):
        region_at(photo_of(rgb), (800.0, 120.0), reference_outlines_px=[card], overview=overview)


def test_what_the_network_hardly_sees_is_found_under_the_finger() -> None:
    """A tenth of a chance is no find, and still the tapped thing."""
    rgb, masks = with_pieces(table("paper"))
    faint = overview_of(masks)
    faint = replace(faint, outline=faint.outline * np.float32(0.15))
    assert pieces_on(photo_of(rgb), faint) == ()
    found = region_at(photo_of(rgb), (500.0, 560.0), overview=faint)
    assert overlap(found, masks[1]) > 0.8


def test_what_the_network_does_not_see_is_cut_out_by_its_colour() -> None:
    rgb, masks = with_pieces(table("slate"))
    blind = overview_of([np.zeros_like(masks[0])])
    found = region_at(photo_of(rgb), (500.0, 560.0), overview=blind)
    assert overlap(found, masks[1]) > 0.7


@pytest.mark.parametrize("which", [0, 1])
def test_a_turned_photo_gives_the_same_piece_turned(which: int) -> None:
    rgb, masks = with_pieces(table("paper"))
    middle = ((370.0, 220.0), (500.0, 560.0))[which]
    there = region_at(photo_of(rgb), middle, overview=overview_of(masks))
    around = [np.ascontiguousarray(mask[::-1, ::-1]) for mask in masks]
    back = region_at(
        photo_of(np.ascontiguousarray(rgb[::-1, ::-1])),
        (rgb.shape[1] - 1 - middle[0], rgb.shape[0] - 1 - middle[1]),
        overview=overview_of(around),
    )
    assert back.mask.sum() == pytest.approx(there.mask.sum(), rel=0.03)
    assert overlap(back, around[which]) > 0.8


@pytest.mark.parametrize("point", [(-50.0, 300.0), (5000.0, 5000.0)])
def test_a_tap_beside_the_photo_is_none_on_a_piece(point: tuple[float, float]) -> None:
    rgb, masks = with_pieces(table("paper"))
    with pytest.raises(PhotoError) as fault:
        region_at(photo_of(rgb), point, overview=overview_of(masks))
    assert fault.value.code == "nothing_there" and fault.value.fix


def test_most_of_the_photo_is_the_table_and_a_speck_is_nothing() -> None:
    canvas = np.zeros((100, 200), bool)
    canvas[40:60, 50:150] = True
    assert _is_piece(canvas)
    assert not _is_piece(~canvas)
    speck = np.zeros((1000, 2000), bool)
    speck[500, 900:910] = True
    assert not _is_piece(speck)
    rim = np.zeros((100, 200), bool)
    rim[:20] = rim[-20:] = True
    assert not _is_piece(rim), "only a table runs along the rim"
