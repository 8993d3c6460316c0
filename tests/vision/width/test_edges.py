"""Both edges of drawn wires, against where they were drawn; Student's t against SciPy's."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import stats
from scipy.ndimage import median_filter

from tests.vision.drawn_wire import Bent, Look, Straight, draw, photo_of
from vision.pieces.centreline import CentreLine, centre_line
from vision.types import Photo
from vision.width.edges import (
    MAX_STRETCHES,
    Edges,
    _running_median,
    edges_at,
    expectation,
    find_edges,
)

AXIS = Straight(length=330, angle_deg=11, centre=(200, 130))
WIDTH_PX = 40.0
GREY = np.array([0.5, 0.5, 0.5])


def line_on(photo: Photo, region: object) -> CentreLine:
    x, y, _, _ = region.box_px  # type: ignore[attr-defined]
    line = centre_line(region.mask)  # type: ignore[attr-defined]
    assert line is not None
    return replace(line, points_px=line.points_px + np.array([x, y]))


@cache
def drawn(width_px: float = WIDTH_PX) -> tuple[Photo, CentreLine]:
    photo, region = draw(AXIS, width_px, Look(light_from=0.4, shadow=(0.1, 0.5)), seed=7)
    return photo, line_on(photo, region)


@cache
def found(width_px: float = WIDTH_PX) -> Edges:
    edges = find_edges(*drawn(width_px))
    assert edges is not None
    return edges


@pytest.mark.parametrize("width_px", [16.0, 40.0, 90.0])
def test_each_edge_lies_where_it_was_drawn(width_px: float) -> None:
    edges = found(width_px)
    for side in (edges.left_px, edges.right_px):
        across, _ = AXIS.across_and_along(side[:, 0], side[:, 1])
        assert np.median(np.abs(np.abs(across) - width_px / 2)) < 0.8
    # They are two edges, one on each side.
    left, _ = AXIS.across_and_along(*edges.left_px.T)
    right, _ = AXIS.across_and_along(*edges.right_px.T)
    assert np.sign(np.median(left)) == -np.sign(np.median(right))
    assert len(edges.left_px) <= MAX_STRETCHES


def test_the_line_is_moved_to_the_middle_between_them() -> None:
    photo, line = drawn()
    aside = replace(line, points_px=line.points_px + 4.0 * line.normals)
    edges = find_edges(photo, aside)
    assert edges is not None
    inner = edges.line.points_px[20:-20]
    across, _ = AXIS.across_and_along(inner[:, 0], inner[:, 1])
    assert np.abs(across).max() < 1.5


def test_a_photo_turned_by_a_quarter_gives_the_same_edges_turned() -> None:
    photo, line = drawn()
    turned = photo_of(np.ascontiguousarray(np.rot90(photo.rgb, -1)))

    def turn(points: np.ndarray) -> np.ndarray:
        return np.column_stack([photo.height_px - 1 - points[:, 1], points[:, 0]])

    along = np.column_stack([-line.tangents[:, 1], line.tangents[:, 0]])
    edges = find_edges(turned, replace(line, points_px=turn(line.points_px), tangents=along))
    assert edges is not None
    assert np.median(edges.width_px) == pytest.approx(np.median(found().width_px), abs=0.15)
    back = edges.left_px @ np.array([[0.0, -1.0], [1.0, 0.0]]) + [0, photo.height_px - 1]
    across, _ = AXIS.across_and_along(*back.T)
    assert np.median(np.abs(np.abs(across) - WIDTH_PX / 2)) < 0.8


def test_two_places_where_an_edge_may_be_are_doubt_or_told_apart() -> None:
    # A grey piece on grey paper, whose low sun's shadow is taken in by the outline.
    grey = Look(metal=GREY, table=0.9 * GREY, light_from=-1.0, shadow=(0.05, 0.2), cast=2.2)
    doubts = []
    for seed in range(4):
        photo, region = draw(AXIS, 40.0, grey, seed=seed, shadow_too=True)
        edges = find_edges(photo, line_on(photo, region))
        assert edges is not None
        doubts.append(float(np.median(edges.doubts_px)))
        assert abs(float(np.median(edges.width_px)) - 40.0) < max(2.0, 2 * doubts[-1])
    assert max(doubts) > 2
    assert np.median(found().doubts_px) < 0.5


def test_an_edge_past_the_border_of_the_photo_is_not_one() -> None:
    photo, line = drawn()
    outside = replace(line, points_px=line.points_px + np.array([0.0, photo.height_px - 135.0]))
    edges = find_edges(photo, outside)
    if edges is not None:
        most = np.array([photo.width_px, photo.height_px]) - 1
        for side in (edges.left_px, edges.right_px):
            assert (side > 0).all() and (side < most).all()


def test_a_line_too_short_for_a_few_stretches_has_no_edges() -> None:
    photo, line = drawn()
    few = slice(0, 2)
    short = replace(line, points_px=line.points_px[few], tangents=line.tangents[few])
    assert find_edges(photo, short) is None


def test_one_look_at_all_of_a_line_reaches_its_ends() -> None:
    photo, line = drawn()
    whole = edges_at(photo, line, width_px=WIDTH_PX, stretches=MAX_STRETCHES)
    assert whole is not None

    def reach(edges: Edges) -> float:
        _, along = AXIS.across_and_along(*((edges.left_px + edges.right_px) / 2).T)
        return float(np.ptp(along))

    assert reach(whole) > reach(found()) + WIDTH_PX / 2


def test_chosen_stretches_keep_their_own_edges_and_doubts() -> None:
    edges = found()
    kept = np.arange(len(edges.left_px)) % 3 == 0
    some = edges.only(kept)
    assert some.width_px == pytest.approx(edges.width_px[kept])
    assert some.doubts_px == pytest.approx(edges.doubts_px[kept])


@pytest.mark.parametrize("doubt_px", [0.5, 3.0])
def test_what_is_expected_is_students_t_of_two_degrees(doubt_px: float) -> None:
    offsets = np.linspace(-30, 30, 121)
    told = expectation(offsets, 20.0, doubt_px=doubt_px)
    for column, middle in enumerate((-10.0, 10.0)):
        reference = stats.t.logpdf(offsets, df=2, loc=middle, scale=doubt_px)
        assert told[:, column] - told[:, column].max() == pytest.approx(
            reference - reference.max(), abs=1e-9
        )


@pytest.mark.parametrize("size", [3, 5])
def test_one_stretch_astray_is_held_to_its_neighbours_as_scipys_filter_does(size: int) -> None:
    # scipy.ndimage.median_filter with its ends repeated, an independent implementation.
    values = np.random.default_rng(1).normal(size=17)
    expected = median_filter(values, size=size, mode="nearest")
    assert _running_median(values, size) == pytest.approx(expected)


def test_a_bent_piece_keeps_its_width_along_the_bend() -> None:
    bend = Bent(length=330, radius=220, centre=(200, 100))
    photo, region = draw(bend, 26.0, Look(), seed=4)
    edges = find_edges(photo, line_on(photo, region))
    assert edges is not None
    for side in (edges.left_px, edges.right_px):
        across, _ = bend.across_and_along(*side.T)
        assert np.median(np.abs(np.abs(across) - 13.0)) < 0.8


def test_two_pieces_of_one_photo_do_not_share_an_edge() -> None:
    # A second wire beside the first, a width of bare table between them.
    photo, line = drawn(16.0)
    beside, _ = draw(replace(AXIS, centre=(200, 100)), 16.0, Look(), seed=7)
    both = photo_of(np.where(np.arange(260)[:, None, None] < 100, beside.rgb, photo.rgb))
    edges = find_edges(both, line)
    assert edges is not None
    assert np.median(edges.width_px) == pytest.approx(16.0, abs=2.5)
