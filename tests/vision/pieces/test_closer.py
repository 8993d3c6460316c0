"""What can't be parted from afar, looked at from closer by, on drawn maps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.pieces.test_finding import COPPER, overlap, overview_of, photo_of, table
from vision.pieces.closer import MOST_ISLANDS, SEVERAL_P
from vision.pieces.finding import pieces_on
from vision.types import SurfaceMap

Box = tuple[int, int, int, int]


def bundle(at: int = 300, *, rgb: np.ndarray | None = None) -> tuple[np.ndarray, list[np.ndarray]]:
    """Draw four bars side by side that touch; return the photo and their masks."""
    rgb = table("paper") if rgb is None else rgb
    masks = []
    for number in range(4):
        mask = np.zeros(rgb.shape[:2], bool)
        mask[at + 20 * number : at + 20 * number + 20, 200:700] = True
        rgb[mask] = np.array(COPPER) - 12 * number
        masks.append(mask)
    return rgb, masks


def seams(masks: list[np.ndarray]) -> np.ndarray:
    """Return two pixels along each border of two bars."""
    gap = np.zeros(masks[0].shape, bool)
    for mask in masks[1:]:
        top = int(np.flatnonzero(mask.any(axis=1))[0])
        gap[top - 2 : top + 2] = mask.any(axis=0)
    return gap


def blurred(masks: list[np.ndarray]) -> SurfaceMap:
    """Return what an overview makes of a bundle: borders all over, and nothing to part by."""
    together = np.any(masks, axis=0)
    overview = overview_of([together], gap=together)
    return replace(
        overview, outline=overview.outline * np.array([1, 0.5], np.float32)[:, None, None]
    )


def test_a_bundle_that_the_overview_takes_for_one_is_parted_from_closer_by() -> None:
    rgb, masks = bundle()
    asked: list[Box] = []

    def closer(box_px: Box) -> SurfaceMap:
        asked.append(box_px)
        return overview_of(masks, gap=seams(masks))

    (together,) = pieces_on(photo_of(rgb), blurred(masks))
    assert together.one_p < SEVERAL_P
    found = pieces_on(photo_of(rgb), blurred(masks), closer=closer)
    assert asked == [(200, 300, 501, 81)]
    assert len(found) == 4
    for mask in masks:
        assert max(overlap(region, mask) for region in found) > 0.8


def test_a_part_of_the_photo_gives_pieces_where_they_lie_on_all_of_it() -> None:
    # By relation: maps of a part, in their own pixels, and maps of all of it.
    rgb, masks = bundle()
    x, y, w, h = 160, 240, 640, 240
    part = [mask[y : y + h, x : x + w] for mask in masks]
    near = replace(overview_of(part, gap=seams(part)), box_px=(x, y, w, h))
    whole = overview_of(masks, gap=seams(masks))
    one = pieces_on(photo_of(rgb), blurred(masks), closer=lambda _: near)
    other = pieces_on(photo_of(rgb), blurred(masks), closer=lambda _: whole)
    assert len(one) == len(other) == 4
    for mask in masks:
        assert max(overlap(region, mask) for region in one) == pytest.approx(
            max(overlap(region, mask) for region in other), abs=0.02
        )


def test_a_look_that_shows_no_more_changes_nothing() -> None:
    rgb, masks = bundle()
    (afar,) = pieces_on(photo_of(rgb), blurred(masks))
    for closer in (lambda _: None, lambda _: blurred(masks)):
        (found,) = pieces_on(photo_of(rgb), blurred(masks), closer=closer)
        assert (found.box_px, found.one_p) == (afar.box_px, afar.one_p)


def test_what_lies_apart_is_not_looked_at_again() -> None:
    rgb, masks = bundle()

    def never(box_px: Box) -> SurfaceMap:
        raise AssertionError(box_px)

    assert len(pieces_on(photo_of(rgb), overview_of(masks[:1]), closer=never)) == 1


def test_a_table_of_bundles_is_not_looked_at_without_end() -> None:
    rgb = table("paper")
    masks = [mask for at in range(20, 620, 100) for mask in bundle(at, rgb=rgb)[1]]
    asked: list[Box] = []

    def closer(box_px: Box) -> None:
        asked.append(box_px)

    pieces_on(photo_of(rgb), blurred(masks), closer=closer)
    assert len(asked) == MOST_ISLANDS
