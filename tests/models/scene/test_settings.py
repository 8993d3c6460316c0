"""Tables full of things: what lies on what, and how much of it shows."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.look import finishes as fin
from models.recipe.look.camera import make_camera
from models.recipe.render import seeded
from models.recipe.scene import assembly, bench_mix, settings, truth
from models.recipe.scene.assembly import STRANGERS_FROM, Pile
from models.recipe.scene.ground import Ground
from models.recipe.scene.rendering import Truth


def test_a_rigid_thing_on_another_is_lifted_by_it_and_a_wire_bends_over_it() -> None:
    ground = Ground(half_mm=(30, 30), rng=np.random.default_rng(1))
    block = np.stack(np.meshgrid(np.arange(-80, 81, 2.0), np.arange(-80, 81, 2.0)), -1)
    ground.stamp(block.reshape(-1, 2), radius=2.0, top=7.0, close=True)
    rod = np.column_stack([np.linspace(-10, 10, 21), np.zeros(21)])
    assert ground.find(rod, radius=2.0) is None, "closed where nothing may lie on others"
    ground.pile(12.0, keep=False)
    place = ground.find(rod, radius=2.0)
    assert place is not None
    ground.stamp(rod + place[1], radius=2.0, top=4.0, close=True)
    assert ground.height.max() == 11.0
    assert ground.lifted() == (7.0, 7.0)
    assert ground.lifted() == (0.0, 0.0), "told once"
    assert ground.find(rod, radius=1.0) is not None
    z = ground.rest(rod, radius=1.0, stiff_mm=20)
    assert z.min() >= 8.0 - 1e-9
    assert ground.lifted()[0] == 0.0, "it rests already"
    ground.pile(5.0, keep=False)
    assert ground.find(rod, radius=2.0) is None, "too high to lie on"


def test_what_is_kept_free_stays_free() -> None:
    ground = Ground(half_mm=(60, 60), rng=np.random.default_rng(2))
    card = np.stack(np.meshgrid(np.arange(-20, 21, 2.0), np.arange(-20, 21, 2.0)), -1)
    ground.stamp(card.reshape(-1, 2), radius=2.0, top=0.8, close=True)
    ground.pile(30.0, keep=True)
    for _ in range(60):
        place = ground.find(np.zeros((2, 2)), radius=3.0)
        assert place is not None
        assert np.abs(place[1]).max() > 20


def test_a_heap_is_laid_in_layers() -> None:
    rng = np.random.default_rng(4)
    scene = assembly.build(
        rng, half_mm=(80, 70), kinds=["tube", "coupling", "tube", "wire", "stranded", "elbow"],
        reference="none", pile=Pile(most_mm=45.0, within=0.35, over_reference=True),
    )  # fmt: skip
    over = [float(str(p.facts.get("over_mm", 0.0))) for p in scene.pieces]
    assert len(over) >= 4
    assert max(over) > 5
    for piece, under in zip(scene.pieces, over, strict=True):
        if piece.form == "tube" and piece.facts.get("coupling"):
            low = min(mesh.points[:, 2].min() for mesh, _ in piece.parts)
            assert low == pytest.approx(under, abs=1.2)
            axis, diameter = piece.round_runs[0]
            assert axis[:, 2].min() >= under + diameter / 2 - 0.1


def test_a_tableful_holds_many_pieces_and_strangers() -> None:
    made = [settings.tableful(seeded("train", k, mix="tableful")).scene for k in range(3)]
    assert max(len(s.pieces) for s in made) > 8
    assert sum(len(s.strangers) for s in made) > 2
    assert all(len(s.pieces) < STRANGERS_FROM for s in made)


def test_half_of_a_piece_under_another_is_half_visible() -> None:
    scene = assembly.build(np.random.default_rng(5), half_mm=(60, 50), kinds=["sheet"],
                           finishes=["bright"], reference="none")  # fmt: skip
    camera = make_camera(np.random.default_rng(6), size_px=(400, 300), height_mm=160,
                         target_mm=scene.mesh.points[scene.mesh.faces[scene.face_piece == 1]]
                         .reshape(-1, 3).mean(axis=0)[:2], focal_35mm=26, tilt_deg=0)  # fmt: skip
    points = scene.mesh.points[np.unique(scene.mesh.faces[scene.face_piece == 1])]
    xy = camera.project(points)
    piece = np.zeros((300, 400), np.uint8)
    x0, y0 = np.maximum(xy.min(axis=0).astype(int), 0)
    x1, y1 = xy.max(axis=0).astype(int) + 2
    piece[y0:y1, x0:x1] = 1
    label = np.where(piece > 0, fin.BRIGHT, 0).astype(np.uint8)
    whole = Truth(label=label, piece=piece, level=np.zeros_like(piece))
    assert truth.visible_share(scene, camera, whole, 1) == pytest.approx(1.0, abs=0.01)
    middle = int(np.median(xy[:, 0]))
    covered = piece.copy()
    covered[:, middle:] = 2
    half = Truth(label=label, piece=covered, level=np.zeros_like(piece))
    assert truth.visible_share(scene, camera, half, 1) == pytest.approx(0.5, abs=0.15)


def test_as_advised_the_reference_is_whole_in_the_picture() -> None:
    """README, 'Take a photo that can be measured': all four corners in the picture."""
    whole = []
    for seed in range(12):
        rng = np.random.default_rng([77, seed])
        plan = bench_mix.plan(rng, skies=False)
        size = (800, 600) if seed % 4 else (600, 800)
        scene = settings.lay(rng, plan)
        camera = settings.camera_over(rng, scene, plan, size_px=size)
        for lies in scene.references:
            at = np.column_stack([lies.outline_mm, np.full(len(lies.outline_mm), lies.height_mm)])
            seen = camera.project(at)
            whole.append(bool((seen >= 0).all() and (seen <= np.array(size) - 1).all()))
    assert len(whole) >= 10
    assert sum(whole) >= len(whole) - 1  # a steep view may cut a corner of the sheet
