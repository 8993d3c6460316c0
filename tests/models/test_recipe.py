"""The scene recipe: exact geometry, honest colours, truth that adds up."""

from __future__ import annotations

import csv
import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest

from models.recipe.look import optics
from models.recipe.look.camera import develop, make_camera
from models.recipe.look.finishes import FINISHES, copper
from models.recipe.look.lights import irradiance, make_light
from models.recipe.pieces.piece import awg_mm
from models.recipe.pieces.tubes import tube_sizes
from models.recipe.pieces.wires import cut_end
from models.recipe.scene import assembly as scene
from models.recipe.scene import references, truth
from models.recipe.scene.ground import Ground
from models.recipe.scene.meshes import (
    concentric_offsets,
    outward,
    round_profile,
    strand_paths,
    sweep,
)
from vision.types import Surface

DATA = Path(optics.__file__).parents[1] / "data"


@pytest.mark.parametrize(("sides", "diameter_mm"), [(10, 0.16), (24, 1.2908), (48, 15.875)])
def test_mean_width_of_a_swept_wire_is_its_diameter(sides: int, diameter_mm: float) -> None:
    # Cauchy: the mean width of a convex figure over all directions is perimeter / pi.
    points, _ = round_profile(diameter_mm, sides=sides)
    perimeter = np.linalg.norm(np.diff(points, axis=0), axis=1).sum()
    assert perimeter / np.pi == pytest.approx(diameter_mm, rel=1e-12)


def test_a_straight_sweep_keeps_the_profile_and_looks_outward() -> None:
    line = np.column_stack([np.linspace(0, 50, 12), np.zeros(12), np.full(12, 2.0)])
    mesh = outward(sweep(line, round_profile(4.0, sides=32)))
    ring = mesh.points[: 12 * 33]
    radius = np.hypot(ring[:, 1], ring[:, 2] - 2.0)
    expected = 2.0 * (np.pi / 32) / np.sin(np.pi / 32)
    assert np.allclose(radius, expected, rtol=1e-9)
    assert mesh.points[:, 2].min() == pytest.approx(0.0, abs=0.004)
    a, b, c = (mesh.points[mesh.faces[:, k]] for k in range(3))
    middle = (a + b + c) / 3
    side = np.abs(middle[:, 0] - 25) < 24
    axis = np.column_stack([middle[:, 0], np.zeros(len(middle)), np.full(len(middle), 2.0)])
    flat = np.cross(b - a, c - a)
    assert (np.einsum("nk,nk->n", flat, middle - axis)[side] > 0).all()


def test_seven_strands_touch_and_turn_once_in_a_lay() -> None:
    strand, lay = 1.5, 50.0
    offsets, layers = concentric_offsets(7, strand)
    path = np.column_stack([np.linspace(0, 100, 401), np.zeros((401, 2))])
    paths = strand_paths(path, offsets=offsets, lay_mm=np.full(7, lay), floor_mm=-10)
    assert (layers[1:] == 1).all()
    assert len(np.unique(np.round(offsets, 9), axis=0)) == 7
    # Six round one: neighbours in the layer touch, and so does each the middle.
    gaps = np.linalg.norm(paths[1:, 0] - np.roll(paths[1:, 0], 1, axis=0), axis=1)
    assert np.allclose(gaps, strand)
    assert np.allclose(np.hypot(paths[1:, :, 1], paths[1:, :, 2]), strand)
    assert np.allclose(paths[:, 0, 1:], paths[:, 200, 1:], atol=1e-9), "one lay is one turn"
    assert not np.allclose(paths[1, 0, 1:], paths[1, 100, 1:])


def test_nineteen_strands_fill_two_layers() -> None:
    offsets, layers = concentric_offsets(19, 1.0)
    assert np.bincount(layers).tolist() == [1, 6, 12]
    # Outer diameter of 19 concentric strands is five of one: ASTM B8 geometry.
    assert 2 * np.hypot(*offsets.T).max() + 1.0 == pytest.approx(5.0)


@pytest.mark.parametrize(
    # ASTM B258 by the formula, tabled to 4 significant figures.
    ("number", "diameter_mm"),
    [(10, 2.588), (16, 1.291), (17, 1.150), (18, 1.024)],
)
def test_wire_gauge_follows_the_standard(number: int, diameter_mm: float) -> None:
    assert awg_mm(number) == pytest.approx(diameter_mm, abs=5e-4)


def test_tubes_come_from_the_table_with_room_inside() -> None:
    sizes = tube_sizes()
    assert (15.875, 1.016) in sizes, "ASTM B88 type L 1/2"
    assert all(od > 2 * wall > 0 for od, wall in sizes)


def _csv(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8") as handle:
        return list(csv.DictReader(handle))


@pytest.mark.parametrize("oxide", ["cu2o", "cuo"])
def test_film_reflectance_agrees_with_the_reference_table(oxide: str) -> None:
    # The table was computed from Johnson & Christy copper and Palik oxides and
    # checked against the package tmm; n and k at three wavelengths are beside it.
    metals = {row["material_source"]: row for row in _csv("metal_colours.csv")}
    copper_row = metals["Cu (Johnson & Christy 1972)"]
    film_row = metals["Cu2O bulk (Palik 1991)" if oxide == "cu2o" else "CuO bulk (Palik 1991)"]
    for row in _csv(f"{oxide}_film_colours.csv"):
        nm = float(row["thickness_nm"])
        if nm > 150:
            continue
        for wave in (450, 550, 650):
            n = [
                complex(float(r[f"n_{wave}"]), float(r[f"k_{wave}"]))
                for r in (film_row, copper_row)
            ]
            got = optics.film_reflectance(nm, wavelength_nm=wave, film=n[0], metal=n[1])
            assert got == pytest.approx(float(row[f"R_{wave}"]), abs=2e-3)


def test_film_colours_are_those_of_the_table() -> None:
    row = next(r for r in _csv("cu2o_film_colours.csv") if r["thickness_nm"] == "10")
    coded = np.array([float(row[f"sRGB_{c}"]) for c in "RGB"]) / 255
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    got = optics.film_colour(np.array([10.0]), spread=0.0)[0]
    assert np.allclose(got, linear, atol=0.01)


def test_tarnish_darkens_from_copper_to_black_brown() -> None:
    colour, metallic = optics.tarnish_look(np.linspace(0, 1, 21))
    luminance = colour @ np.array([0.2126, 0.7152, 0.0722])
    assert (np.diff(luminance) < 1e-9).all()
    assert (np.diff(metallic) <= 1e-9).all()
    assert np.allclose(colour[0], optics.metal_colour("copper"), atol=0.03)
    assert (colour[:, 0] > colour[:, 2]).all(), "copper under oxide never turns blue"


@pytest.mark.parametrize("level", [0.03, 0.3, 0.8])
def test_label_and_level_of_copper_agree(level: float) -> None:
    skin = copper(
        (200, 40), rng=np.random.default_rng(4), mm=(40, 5), level=level, patchy=0.02, rough=0.3
    )
    bright = skin.level <= optics.BRIGHT_BELOW_LEVEL + 1e-6
    assert ((skin.label == FINISHES["bright"]) == bright).all()
    assert float(np.median(skin.level)) == pytest.approx(level, abs=0.05)


def test_label_numbers_are_the_order_of_the_surface_map() -> None:
    order = list(Surface)
    assert [str(order[k]) for k in FINISHES.values()] == list(FINISHES)
    assert order[truth.BRASS] is Surface.BRASS
    assert order[truth.SOLDER] is Surface.SOLDER


def test_shares_add_up_to_one() -> None:
    label = np.random.default_rng(1).integers(0, 10, 5000).astype(np.uint8)
    assert sum(truth.shares(label).values()) == pytest.approx(1.0)
    assert sum(truth.shares(np.zeros(4, np.uint8)).values()) == 0.0


def test_a_card_is_id_1() -> None:
    card = references.card(np.random.default_rng(2))
    low, high = card.outline_mm.min(axis=0), card.outline_mm.max(axis=0)
    # ISO/IEC 7810:2003: 85.60 x 53.98 x 0.76 mm.
    assert np.allclose(high - low, [85.60, 53.98])
    assert card.parts[0][0].points[:, 2].max() == pytest.approx(0.76)


def test_a_rendered_marker_is_read_by_opencv() -> None:
    cv2 = pytest.importorskip("cv2")
    marker = references.marker(np.random.default_rng(3), side_mm=40)
    face = marker.parts[0][1].base.mean(axis=2)[::-1]
    image = np.pad((np.clip(face, 0, 1) * 255).astype(np.uint8), 40, constant_values=200)
    detector = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), cv2.aruco.DetectorParameters()
    )
    corners, ids, _ = detector.detectMarkers(image)
    assert ids is not None
    quiet = (marker.reach_mm * np.sqrt(2) - 40) / 2
    px_per_mm = face.shape[0] / (40 + 2 * quiet)
    side = np.linalg.norm(corners[0][0][0] - corners[0][0][1])
    assert side / px_per_mm == pytest.approx(40, rel=0.01)


def test_camera_projection_and_its_inverse_agree() -> None:
    rng = np.random.default_rng(5)
    camera = make_camera(
        rng,
        size_px=(1600, 1200),
        height_mm=250,
        target_mm=np.zeros(2),
        focal_35mm=26,
        tilt_deg=18,
    )
    pixels = rng.uniform(0, 1200, (20, 2))
    table = camera.on_plane(pixels)
    back = camera.project(np.column_stack([table, np.zeros(20)]))
    assert np.allclose(back, pixels, atol=1e-6)
    angle = np.degrees(np.arccos(-camera.forward[2]))
    assert angle == pytest.approx(18)


def test_irradiance_of_an_even_sky_is_pi() -> None:
    # A hemisphere of radiance 1 sheds pi on the ground (Lambert).
    assert np.allclose(irradiance(np.ones((256, 512, 3), np.float32)), np.pi, rtol=1e-3)


def test_a_wire_laid_over_another_rests_on_it() -> None:
    ground = Ground(half_mm=(60, 60), rng=np.random.default_rng(1))
    below = np.column_stack([np.zeros(50), np.linspace(-40, 40, 50)])
    ground.stamp(below, radius=1.5, top=3.0)
    over = np.column_stack([np.linspace(-40, 40, 161), np.zeros(161)])
    z = ground.rest(over, radius=1.0, stiff_mm=12)
    assert z[80] == pytest.approx(4.0, abs=0.05)
    assert z[0] == pytest.approx(1.0)


def test_cut_end_is_stated_and_level_with_its_height() -> None:
    ground = Ground(half_mm=(60, 60), rng=np.random.default_rng(1))
    piece = cut_end(np.random.default_rng(2), ground, height_mm=9.0)
    assert piece is not None
    assert piece.stated_form == "cut_end"
    assert 8.5 < max(mesh.points[:, 2].max() for mesh, _ in piece.parts) <= 9.0


def test_the_same_seed_builds_the_same_scene() -> None:
    made = [
        scene.build(np.random.default_rng(8), half_mm=(80, 60), kinds=["wire"], reference="card")
        for _ in range(2)
    ]
    assert np.array_equal(made[0].mesh.points, made[1].mesh.points)
    assert np.array_equal(made[0].atlas.base, made[1].atlas.base)
    assert made[0].mesh.points[made[0].mesh.faces[made[0].face_piece == 1]].min() > -80


@pytest.mark.skipif(
    importlib.util.find_spec("mitsuba") is None, reason="Mitsuba is not installed here"
)
def test_a_rendered_card_lies_where_its_outline_says() -> None:
    from models.recipe.scene.rendering import Stage

    rng = np.random.default_rng(11)
    made = scene.build(rng, half_mm=(60, 50), kinds=["wire"], reference="card", table="paper")
    camera = make_camera(
        rng, size_px=(160, 120), height_mm=260, target_mm=np.zeros(2), focal_35mm=26, tilt_deg=12
    )
    light = make_light(rng, skies=[], camera_mm=camera.origin_mm, style="overcast")
    linear, seen = Stage(made).shoot(camera, light, samples=4, seed=1, phone=False)
    assert linear.shape == (120, 160, 3)
    assert np.isfinite(linear).all()
    photo, white = develop(
        linear, rng=rng, camera=camera, irradiance=light.irradiance, scene_albedo=made.albedo
    )
    told = truth.describe(
        made,
        camera,
        seen,
        photo="x.jpg",
        split="fixtures",
        seed=0,
        light=light.name,
        white_linear=white,
    )
    json.dumps(told)
    outline = np.array(told["references"][0]["outline_px"])
    ys, xs = np.nonzero(seen.label == list(Surface).index(Surface.REFERENCE))
    for values, edge in ((xs, outline[:, 0]), (ys, outline[:, 1])):
        assert values.min() == pytest.approx(max(edge.min(), 0), abs=1.0)
    assert photo.dtype == np.uint8
    assert photo.std() > 5
