"""Brass and solder told from films by shape, edge and place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vision.finish.flags import (
    PartEvidence,
    PartScene,
    Shape,
    brass_probability,
    find_brass,
    find_solder,
    measure_shape,
    part_probability,
    solder_probability,
)
from vision.finish.mix import FlagWeights
from vision.types import Float32Array, Mask

# Log ratios to white of clean surfaces, from their linear sRGB (vision.finish.film).
COPPER = (0.40, -0.18)
BRASS = (0.16, -0.61)
GREY = (0.02, -0.04)
PURPLE = (1.2, 0.5)


def tube(
    *,
    part: tuple[int, int] | None,
    colour: tuple[float, float] = BRASS,
    wider: int = 0,
    blur: float = 0.0,
    halo: tuple[float, float] | None = None,
) -> PartScene:
    """Return a lying tube, 12 px wide, 160 long, with another surface from x to x."""
    mask = np.zeros((40, 180), bool)
    mask[14:26, 10:170] = True
    rg, bg = np.full(mask.shape, COPPER[0]), np.full(mask.shape, COPPER[1])
    p = np.full(mask.shape, 0.03)
    if part is not None:
        start, end = part
        mask[14 - wider : 26 + wider, start:end] = True
        x = np.arange(180, dtype=float)
        if blur:
            inside = 1 / (1 + np.exp(-(x - start) / blur)) - 1 / (1 + np.exp(-(x - end) / blur))
        else:
            inside = ((x >= start) & (x < end)).astype(float)
        rg = rg + inside * (colour[0] - COPPER[0])
        bg = bg + inside * (colour[1] - COPPER[1])
        p = p + 0.85 * inside
        if halo is not None:
            ring = ((x >= start - 14) & (x < start)) | ((x >= end) & (x < end + 14))
            rg, bg = np.where(ring, halo[0], rg), np.where(ring, halo[1], bg)

    def plane(values: np.ndarray) -> Float32Array:
        return np.broadcast_to(values, mask.shape).astype(np.float32)

    other = plane(np.asarray(p))
    nothing = np.full(mask.shape, 0.02, np.float32)
    grey = colour == GREY
    return PartScene(
        mask=mask,
        brass=nothing if grey else other,
        grey=other if grey else nothing,
        log_rg=plane(rg),
        log_bg=plane(bg),
        width_px=12.0,
    )


def test_a_wider_sharp_part_at_the_end_is_a_fitting() -> None:
    flag, parts = find_brass(tube(part=(10, 40), wider=5))
    assert flag.p > 0.9
    assert len(parts) == 1
    assert flag.share == pytest.approx(parts[0].share)
    assert 0.2 < flag.share < 0.35


def test_the_same_colour_fading_in_among_films_is_not() -> None:
    film, _ = find_brass(tube(part=(70, 100), blur=6.0, halo=PURPLE))
    fitting, _ = find_brass(tube(part=(10, 40), wider=5))
    assert film.p < 0.5 < fitting.p


def test_plain_copper_has_no_brass_and_no_solder() -> None:
    scene = tube(part=None)
    assert find_brass(scene)[0].p < 0.03
    assert find_solder(scene)[0].p < 0.03
    assert find_brass(scene)[1] == ()


def test_a_grey_blob_between_two_tubes_is_solder() -> None:
    flag, parts = find_solder(tube(part=(80, 100), colour=GREY, wider=4))
    assert flag.p > 0.9
    assert flag.share < 0.3
    assert parts[0].mask[20, 90]


def test_a_piece_grey_all_over_is_tinned_not_soldered() -> None:
    flag, _ = find_solder(tube(part=(10, 170), colour=GREY))
    assert flag.p < 0.1


def test_an_evenly_grey_end_is_less_likely_solder_than_a_blob_at_a_joint() -> None:
    end, _ = find_solder(tube(part=(10, 40), colour=GREY))
    joint, _ = find_solder(tube(part=(80, 100), colour=GREY, wider=4))
    assert end.p < joint.p


@pytest.mark.parametrize(("x", "left"), [((10, 40), 1), ((80, 100), 2), ((10, 170), 0)])
def test_place_is_told_by_what_the_piece_falls_into(x: tuple[int, int], left: int) -> None:
    scene = tube(part=x)
    part: Mask = (scene.brass > 0.5) & scene.mask
    assert measure_shape(scene, part).pieces_left == left


def test_a_jump_is_sharp_and_a_fade_is_not() -> None:
    def sharpness(blur: float) -> float:
        scene = tube(part=(70, 110), blur=blur)
        found = measure_shape(scene, (scene.brass > 0.5) & scene.mask).sharp
        assert found is not None
        return found

    values = [sharpness(blur) for blur in (0.0, 2.0, 5.0)]
    assert values == sorted(values, reverse=True)
    assert values[0] > 0.9
    assert values[2] < 0.5


def shape(**changes: float) -> Shape:
    base = {"share": 0.2, "sharp": 0.9, "width_ratio": 1.0, "pieces_left": 1, "films": 0.0}
    return Shape(**{**base, **changes})  # type: ignore[arg-type]


def test_more_colour_evidence_never_makes_a_part_less_likely() -> None:
    for probability in (brass_probability, solder_probability):
        found = [probability(p, shape()) for p in (0.1, 0.3, 0.5, 0.7, 0.9)]
        assert found == sorted(found)
        assert 0 < found[0] < found[-1] < 1


def test_film_colours_around_speak_against_brass() -> None:
    assert brass_probability(0.8, shape(films=0.8)) < brass_probability(0.8, shape())


# --- With a network's map ----------------------------------------------------------

WEIGHTS = FlagWeights(bias=0.0, network=1.0, physics=0.3, size=0.0)


def seen_by_network(scene: PartScene, *, p: float, x: tuple[int, int]) -> PartScene:
    """Return the scene with a network that suspects brass and solder from x to x."""
    plane = np.full(scene.mask.shape, 0.01, np.float32)
    plane[:, x[0] : x[1]] = p
    return replace(scene, network_brass=plane, network_solder=plane)


def test_a_networks_sure_word_is_found_where_it_lies() -> None:
    scene = seen_by_network(tube(part=(80, 100), colour=GREY), p=0.97, x=(80, 100))
    flag, parts = find_solder(scene, WEIGHTS)
    assert flag.p > 0.9
    columns = np.flatnonzero(parts[0].mask.any(axis=0))
    assert abs(columns[0] - 80) <= 4
    assert abs(columns[-1] - 99) <= 4
    assert flag.share == pytest.approx(20 / 160, abs=0.05)


def test_a_network_that_sees_nothing_rules_brass_out() -> None:
    scene = seen_by_network(tube(part=None), p=0.01, x=(10, 40))
    flag, _ = find_brass(scene, WEIGHTS)
    assert flag.p < 0.02


def test_rings_of_film_veto_a_network_that_leans_to_brass() -> None:
    """Purple beside gold is one film growing (tests/vision/finish/test_film.py has the colours)."""
    bare = tube(part=(70, 100), blur=6.0)
    ringed = tube(part=(70, 100), blur=6.0, halo=PURPLE)
    leaning, vetoed = (
        find_brass(seen_by_network(scene, p=0.85, x=(70, 100)), WEIGHTS)[0]
        for scene in (bare, ringed)
    )
    assert leaning.p > 0.5 > vetoed.p


def test_more_of_any_evidence_never_makes_a_part_less_likely() -> None:
    base = PartEvidence(peak=0.5, physics=0.5, widths2=1.0)
    weights = FlagWeights(bias=-0.2, network=0.9, physics=0.3, size=0.1)
    for name, values in (
        ("peak", (0.05, 0.3, 0.6, 0.9)),
        ("physics", (0.0, 0.3, 0.6, 1.0)),
        ("widths2", (0.0, 0.3, 1.0, 9.0)),
    ):
        p = [part_probability(replace(base, **{name: v}), weights) for v in values]
        assert p == sorted(p)
        assert p[0] < p[-1]


def test_tin_worn_through_in_the_middle_is_still_not_solder() -> None:
    """Two grey parts that together cover most of the wire."""
    scene = tube(part=(10, 80), colour=GREY)
    grey = scene.grey.copy()
    grey[:, 100:170] = 0.88
    worn = PartScene(
        mask=scene.mask,
        brass=scene.brass,
        grey=grey,
        log_rg=scene.log_rg,
        log_bg=scene.log_bg,
        width_px=12.0,
    )
    assert find_solder(worn)[0].p < 0.1


def test_yellow_all_along_a_wire_is_a_coat_and_a_stout_fitting_is_brass() -> None:
    def whole(long_widths2: float) -> float:
        shape = Shape(
            share=1.0, sharp=None, width_ratio=1.0, pieces_left=0, films=0.0,
            long_widths2=long_widths2,
        )  # fmt: skip
        return brass_probability(0.9, shape)

    assert whole(3.0) > 0.8
    assert whole(40.0) < 0.3
    assert whole(3.0) >= whole(14.0) >= whole(40.0)
