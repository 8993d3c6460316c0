"""Finding pieces on a table, against drawn truth; rendered photos are in test_examine.py."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

import vision.pieces.finding
from vision.pieces.finding import (
    guided_filter,
    pieces_on,
    reference_mask,
)
from vision.types import Photo, Surface, SurfaceMap

COPPER = (190, 110, 70)


def table(kind: str, *, size: tuple[int, int] = (720, 960), seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    base = {"paper": (232, 230, 225), "wood": (168, 132, 96), "slate": (70, 74, 80)}[kind]
    image = np.ones((*size, 3), np.float32) * base
    grain = cv2.GaussianBlur(rng.normal(size=size).astype(np.float32), (0, 0), 1, sigmaY=25)
    image += (grain / grain.std() * {"paper": 1.5, "wood": 7, "slate": 4}[kind])[..., None]
    falloff = np.linspace(1.0, 0.8, size[1], dtype=np.float32)
    image *= falloff[None, :, None]
    image += rng.normal(0, 2, image.shape)
    return np.clip(image, 0, 255).astype(np.uint8)


def with_pieces(image: np.ndarray, *, shadow: bool = True) -> tuple[np.ndarray, list[np.ndarray]]:
    """Draw a wire and a tube with soft shadows; return the photo and their true masks."""
    masks = []
    photo = image.astype(np.float32)
    for start, end, width in (((120, 140), (620, 300), 14), ((200, 600), (800, 520), 56)):
        mask = np.zeros(image.shape[:2], np.uint8)
        cv2.line(mask, start, end, (1,), width)
        if shadow:
            dark = cv2.GaussianBlur(
                np.roll(mask, (width // 3, width // 3), (0, 1)) * 1.0, (0, 0), 5
            )
            photo *= 1 - 0.35 * dark[..., None] * (mask == 0)[..., None]
        photo[mask > 0] = COPPER
        masks.append(mask > 0)
    photo = np.asarray(cv2.GaussianBlur(photo, (0, 0), 0.8))
    return np.clip(photo, 0, 255).astype(np.uint8), masks


def photo_of(rgb: np.ndarray) -> Photo:
    return Photo(name="drawn", sha256="0" * 64, rgb=rgb)


def overlap(region: object, mask: np.ndarray) -> float:
    x, y, w, h = region.box_px  # type: ignore[attr-defined]
    full = np.zeros(mask.shape, bool)
    full[y : y + h, x : x + w] = region.mask  # type: ignore[attr-defined]
    return float((full & mask).sum() / (full | mask).sum())


def overview_of(masks: list[np.ndarray], *, gap: np.ndarray | None = None) -> SurfaceMap:
    """Return what a network that makes no mistakes would say, at half the photo's size."""
    half = [mask[::2, ::2] for mask in masks]
    piece = np.any(half, axis=0).astype(np.float32)
    between = np.zeros_like(piece) if gap is None else gap[::2, ::2].astype(np.float32)
    h, w = piece.shape
    # Each piece has a look of its own.
    look = np.max([4 * k * m for k, m in enumerate(half, start=1)], axis=0).astype(np.float32)
    cells = (len(Surface), h // 4, w // 4)
    return SurfaceMap(
        p=np.full(cells, 1 / len(Surface), np.float32),
        tarnish_level=np.zeros(cells[1:], np.float32),
        box_px=(0, 0, masks[0].shape[1], masks[0].shape[0]),
        outline=np.stack([piece, between]),
        features=look[None, : 4 * (h // 4), : 4 * (w // 4)]
        .reshape(1, h // 4, 4, w // 4, 4)
        .mean(axis=(2, 4)),
    )


@pytest.mark.parametrize("kind", ["paper", "wood", "slate"])
def test_an_overview_gives_outlines_at_full_resolution(kind: str) -> None:
    rgb, masks = with_pieces(table(kind))
    regions = pieces_on(photo_of(rgb), overview_of(masks))
    assert len(regions) == 2
    for mask in masks:
        assert max(overlap(region, mask) for region in regions) > 0.9


def crossing() -> tuple[np.ndarray, list[np.ndarray], np.ndarray]:
    """Draw a dark wire over a copper one; return photo, masks and where the network sees it."""
    rgb = table("paper")
    masks = []
    for start, width, colour in ((90.0, 14, COPPER), (0.0, 24, (40, 40, 45))):
        way = np.array([np.cos(np.deg2rad(start)), np.sin(np.deg2rad(start))])
        ends = [np.array([480, 360]) + side * 300 * way for side in (-1, 1)]
        mask = np.zeros(rgb.shape[:2], np.uint8)
        cv2.polylines(mask, [np.round(ends).astype(np.int32)], False, (1,), width)
        rgb[mask > 0] = colour
        masks.append(mask > 0)
    masks[0] &= ~masks[1]
    near = cv2.dilate(masks[1].astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    return rgb, masks, 0.9 * (near & masks[0])


def test_a_wire_under_another_is_one_piece_with_two_ends() -> None:
    rgb, masks, border = crossing()
    regions = pieces_on(photo_of(rgb), overview_of(masks, gap=border))
    assert len(regions) == 2
    assert all(0.5 < region.one_p < 1 for region in regions)
    for mask in masks:
        assert max(overlap(region, mask) for region in regions) > 0.85


def test_what_lies_apart_is_one_piece_for_sure() -> None:
    rgb, masks = with_pieces(table("paper"))
    found = pieces_on(photo_of(rgb), overview_of(masks))
    assert [region.one_p for region in found] == [1.0, 1.0]


@pytest.mark.parametrize("surface", [Surface.TABLE, Surface.REFERENCE])
def test_what_the_classes_take_for_ground_is_no_piece(surface: Surface) -> None:
    # By construction: both outlines are drawn, one of them on what is no metal.
    rgb, masks = with_pieces(table("wood"))
    overview = overview_of(masks)
    below = np.zeros(overview.p.shape[1:], bool)
    below[60:] = True  # the tube lies in the photo's lower part, the wire in its upper one
    p = np.where(
        below, 0.6 * (np.arange(len(Surface)) == list(Surface).index(surface))[:, None, None], 0
    )
    overview = replace(
        overview, p=np.where(below, p + 0.4 / len(Surface), overview.p).astype(np.float32)
    )
    regions = pieces_on(photo_of(rgb), overview)
    assert len(regions) == 1
    assert overlap(regions[0], masks[0]) > 0.9


def test_pieces_that_touch_come_apart_where_the_overview_says_so() -> None:
    rgb = table("paper")
    masks = [np.zeros(rgb.shape[:2], bool) for _ in range(2)]
    masks[0][300:340, 100:800] = True
    masks[1][340:380, 100:800] = True
    rgb[masks[0]] = COPPER
    rgb[masks[1]] = (120, 70, 50)
    gap = np.zeros(rgb.shape[:2], bool)
    gap[338:342] = True
    regions = pieces_on(photo_of(rgb), overview_of(masks, gap=gap))
    assert len(regions) == 2
    for mask in masks:
        assert max(overlap(region, mask) for region in regions) > 0.85


@pytest.mark.parametrize(
    "reference",
    [
        [[600, 400], [800, 400], [800, 480], [600, 480]],  # on nothing
        [[300, 100], [420, 100], [420, 330], [300, 330]],  # across the wire
    ],
)
def test_pieces_drawn_before_the_reference_was_known_come_out_the_same(
    reference: list[list[float]],
) -> None:
    # By relation: what was drawn early may save work, and change nothing.
    rgb, masks = with_pieces(table("wood"))
    outlines = [np.array(reference, float)]
    photo, overview = photo_of(rgb), overview_of(masks)
    early = pieces_on(photo, overview)
    plain = pieces_on(photo, overview, reference_outlines_px=outlines)
    saved = pieces_on(photo, overview, reference_outlines_px=outlines, early=early)
    assert [region.box_px for region in saved] == [region.box_px for region in plain]
    for one, other in zip(saved, plain, strict=True):
        assert one.score == other.score
        np.testing.assert_array_equal(one.mask, other.mask)
        np.testing.assert_array_equal(one.outline_px, other.outline_px)


def test_pieces_that_the_reference_does_not_lie_on_are_not_drawn_again() -> None:
    rgb, masks = with_pieces(table("wood"))
    photo, overview = photo_of(rgb), overview_of(masks)
    early = pieces_on(photo, overview)
    on_nothing = np.array([[600, 400], [800, 400], [800, 480], [600, 480]], float)
    assert pieces_on(photo, overview, reference_outlines_px=[on_nothing], early=early) is early
    assert pieces_on(photo, overview, early=early) is early


def test_a_speck_beside_a_piece_goes_and_one_inside_its_hole_too() -> None:
    # By construction: a ring with a dot in its hole and one beside it, both under a tenth.
    mask = np.zeros((200, 300), np.uint8)
    cv2.circle(mask, (100, 100), 80, (1,), 20)
    ring = mask.copy()
    cv2.circle(mask, (100, 100), 8, (1,), -1)
    cv2.circle(mask, (260, 40), 8, (1,), -1)
    outline = vision.pieces.finding._without_specks(mask)
    np.testing.assert_array_equal(mask, ring)
    assert outline is not None
    assert cv2.boundingRect(outline) == cv2.boundingRect(ring)


def test_an_empty_table_has_no_pieces() -> None:
    rgb = table("wood", seed=3)
    nothing = [np.zeros(rgb.shape[:2], bool)]
    assert pieces_on(photo_of(rgb), overview_of(nothing)) == ()


def test_the_reference_is_never_a_piece() -> None:
    rgb = table("paper")
    cv2.rectangle(rgb, (600, 100), (800, 230), COPPER, -1)
    seen = (rgb == COPPER).all(axis=2)
    outline = np.array([[600, 100], [800, 100], [800, 230], [600, 230]], float)
    overview = overview_of([seen])
    assert len(pieces_on(photo_of(rgb), overview)) == 1
    assert pieces_on(photo_of(rgb), overview, reference_outlines_px=[outline]) == ()


@pytest.mark.parametrize("turn", [1, 2, 3])
def test_a_turned_photo_shows_the_same_pieces(turn: int) -> None:
    rgb, masks = with_pieces(table("paper"))
    upright = pieces_on(photo_of(rgb), overview_of(masks))
    turned = pieces_on(
        photo_of(np.ascontiguousarray(np.rot90(rgb, turn))),
        overview_of([np.rot90(mask, turn) for mask in masks]),
    )
    areas = [sorted(int(r.mask.sum()) for r in regions) for regions in (upright, turned)]
    assert len(areas[0]) == len(areas[1]) == 2
    assert areas[1] == pytest.approx(areas[0], rel=0.05)


def test_the_reference_mask_lands_on_the_reduced_photo() -> None:
    outline = np.array([[100, 200], [300, 200], [300, 400], [100, 400]], float)
    mask = reference_mask((150, 200), [outline], 4.0, margin_px=0)
    ys, xs = np.nonzero(mask)
    assert (xs.min(), xs.max(), ys.min(), ys.max()) == pytest.approx((25, 75, 50, 100), abs=1)


def test_a_guided_edge_moves_to_the_picture_s_edge() -> None:
    """He, Sun and Tang 2013: where the guide steps, the filtered mask steps."""
    guide = np.zeros((60, 60), np.uint8)
    guide[:, 30:] = 200
    soft = np.zeros((60, 60), np.float32)
    soft[:, 27:] = 1.0  # three pixels off
    moved = guided_filter(soft, guide, radius_px=8)
    before = np.abs((soft[30] > 0.5).astype(int) - (guide[30] > 0)).sum()
    after = np.abs((moved[30] > 0.5).astype(int) - (guide[30] > 0)).sum()
    assert after < before
