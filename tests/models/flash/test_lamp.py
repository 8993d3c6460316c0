"""The phone's lamp and what two shots make of one scene."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.flash.lamp import (
    BESIDE_MM,
    PULLED_EV,
    TIMES,
    Traced,
    flash_shot,
    lamp,
    plain_shot,
)
from models.recipe.flash.photos import changed, held_again
from models.recipe.flash.windows import lit_there
from models.recipe.look.camera import GOOD, Camera, make_camera
from models.recipe.scene import assembly


def camera(height: float = 200.0) -> Camera:
    return make_camera(np.random.default_rng(1), size_px=(400, 300), height_mm=height,
                       target_mm=np.zeros(2), focal_35mm=26.0, tilt_deg=0.0)  # fmt: skip


@pytest.mark.parametrize("height", [150.0, 300.0])
def test_the_lamp_sits_beside_the_lens_and_lights_white_by_one(height: float) -> None:
    held = camera(height)
    light = lamp(np.random.default_rng(2), held)
    (emitter,) = light.emitters
    beside = np.linalg.norm(emitter.centre_mm - held.origin_mm)
    assert BESIDE_MM[0] <= beside <= BESIDE_MM[1]
    # Radiance times area over the distance squared: irradiance of a small lamp straight above.
    shed = emitter.radiance * emitter.size_mm**2 / height**2
    assert shed == pytest.approx(light.irradiance)


def test_its_light_falls_off_by_the_fourth_power_of_the_cosine() -> None:
    held = camera()
    for away in (0.0, 100.0, 200.0):
        cosine = 200 / np.hypot(200, away)
        assert lit_there(held, np.array([away, 0.0, 0.0])) == pytest.approx(cosine**4)


def grey_table() -> Traced:
    even = np.full((60, 80, 3), 0.8 / np.pi, np.float32)
    return Traced(ambient=even, lamp=even, ambient_white=np.ones(3), lamp_white=np.ones(3))


def test_a_pulled_down_flash_photo_is_darker_by_what_it_says() -> None:
    for seed in range(6):
        shot = flash_shot(grey_table(), rng=np.random.default_rng(seed), camera=camera(),
                          albedo=0.8, pulled=True, habits=GOOD)  # fmt: skip
        assert TIMES[0] <= shot.times <= TIMES[1]
        assert PULLED_EV[0] <= shot.pulled_ev <= PULLED_EV[1]
        assert float(shot.white.mean()) < 1.7 * 2.0**-shot.pulled_ev
        # What white is told to be is what a table of 0.8 shows, against matt white's 0.88.
        seen = np.median((shot.rgb[20:40, 30:50] / 255.0) ** 2.2)
        assert seen == pytest.approx(float(shot.white.mean()) * 0.8 / 0.88, rel=0.35)


def test_a_plain_photo_tells_no_flash() -> None:
    shot = plain_shot(grey_table(), rng=np.random.default_rng(0), camera=camera(), albedo=0.8)
    assert (shot.times, shot.pulled_ev) == (0.0, 0.0)


def test_a_hand_comes_back_nearly_to_the_same_place() -> None:
    first = camera()
    again = held_again(np.random.default_rng(3), first)
    assert 0 < np.linalg.norm(again.origin_mm - first.origin_mm) < 30
    axes = np.stack([again.right, again.down, again.forward])
    assert axes @ axes.T == pytest.approx(np.eye(3), abs=1e-9)


@pytest.mark.parametrize("change", ["moved", "turned"])
def test_only_one_piece_is_moved_or_turned(change: str) -> None:
    rng = np.random.default_rng(5)
    scene = assembly.build(rng, half_mm=(70.0, 50.0), kinds=["tube", "wire"], reference="card")
    after = changed(rng, scene, change)
    gone = np.linalg.norm(after.mesh.points - scene.mesh.points, axis=1)
    moved = {int(n) for n in scene.face_piece[(gone[scene.mesh.faces] > 1).any(axis=1)]}
    assert len(moved) == 1
    assert 0 not in moved
    # As solid as before: distances within the piece stay.
    own = np.unique(scene.mesh.faces[scene.face_piece == moved.pop()])[::50]
    before = np.linalg.norm(scene.mesh.points[own] - scene.mesh.points[own[0]], axis=1)
    assert np.linalg.norm(after.mesh.points[own] - after.mesh.points[own[0]], axis=1) == (
        pytest.approx(before, abs=1e-6)
    )
    assert changed(rng, scene, "none") is scene
