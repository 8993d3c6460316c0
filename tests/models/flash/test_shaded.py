"""Windows shaded directly, against Fresnel, Healey and the renderer that traces light."""

from __future__ import annotations

import importlib.util
from typing import Any

import numpy as np
import pytest

from models.recipe.flash.around import around, fresnel
from models.recipe.flash.draws import drawn
from models.recipe.flash.lamp import LAMP_FIREFLY, lamp
from models.recipe.flash.shaded import Bed, shade, shaded_window
from models.recipe.look.camera import Camera, make_camera
from models.recipe.look.finishes import BRIGHT, COATED, Skin, plain
from models.recipe.look.lights import Light, make_light
from models.recipe.look.optics import metal_colour
from models.recipe.scene.meshes import Array

COPPER = metal_colour("copper")
NEEDS_MITSUBA = pytest.mark.skipif(
    importlib.util.find_spec("mitsuba") is None, reason="Mitsuba is not installed here"
)


def skin_of(*, coat: float = 0.0, film: float = 0.02, rough: float = 0.4) -> Skin:
    label = COATED if coat else BRIGHT
    skin = plain((200, 120), colour=tuple(COPPER), label=label, rough=rough, metallic=1.0)
    skin.coat[:], skin.film[:] = coat, film
    return skin


def scene() -> tuple[Camera, Light, Light]:
    rng = np.random.default_rng(4)
    camera = make_camera(rng, size_px=(4000, 3000), height_mm=200.0, target_mm=np.zeros(2),
                         focal_35mm=26.0, tilt_deg=0.0)  # fmt: skip
    light = make_light(rng, skies=[], camera_mm=camera.origin_mm, style="overcast")
    return camera, light, lamp(rng, camera)


def window(skin: Skin) -> dict[str, Any]:
    camera, light, flash = scene()
    table = np.full(3, 0.8)
    bed = Bed(middle_mm=np.array([3.0, 2.0, 1.2]), way=np.array([0.6, 0.8, 0.0]), radius_mm=1.2,
              along=0.5, turn=0.3)  # fmt: skip
    ambient = around(light, camera, bed.middle_mm * [1, 1, 0], albedo=table)
    made = shade(skin, (60.0, 7.5), bed, camera=camera, flash=flash, ambient=ambient, albedo=table,
                 size=(52, 96), broad=32.0)  # fmt: skip
    return made | {"ambient_white": ambient.irradiance, "lamp_white": flash.irradiance}


def test_glass_reflects_what_fresnel_says() -> None:
    # ((n - 1) / (n + 1))² is 4 % at n = 1.5; at Brewster's angle, tan = n, half of what the
    # other polarisation gives, which is ((n² - 1) / (n² + 1))² (Born & Wolf, 1.5.3).
    assert fresnel(np.array(1.0)) == pytest.approx(0.04)
    brewster = np.cos(np.arctan(1.5))
    assert fresnel(np.array(brewster)) == pytest.approx((1.25 / 3.25) ** 2 / 2)


def core_and_ring(made: dict[str, Any]) -> tuple[Array, Array]:
    """Return the colours of the highlight's brightest hundredth, and of the metal beside it."""
    light = made["lamp"] / made["lamp_white"]
    own = light[made["own"]]
    core = own[np.argsort(own[:, 1])[-len(own) // 100 :]].mean(axis=0)
    middle = int(light[..., 1].sum(axis=0).argmax())  # the piece is 32 columns wide
    return core, light[:, [middle - 4, middle + 4]].mean(axis=(0, 1))


# Healey 1989: a metal's highlight has one colour all over, its own; on a coat the core is the
# lamp's, the ring stays the metal's.
def test_the_highlight_of_bare_metal_has_the_metals_colour_all_over() -> None:
    for colour in core_and_ring(window(skin_of())):
        assert colour[0] / colour[1] == pytest.approx(COPPER[0] / COPPER[1], rel=0.05)
        assert colour[2] / colour[1] == pytest.approx(COPPER[2] / COPPER[1], rel=0.05)


def test_the_core_of_the_highlight_of_a_coat_is_whiter_than_its_ring() -> None:
    core, ring = core_and_ring(window(skin_of(coat=1.0, rough=0.5)))
    bare = COPPER[0] / COPPER[1]
    assert ring[0] / ring[1] == pytest.approx(bare, rel=0.05)
    assert core[0] / core[1] < 1 + 0.6 * (bare - 1)


def test_over_smooth_metal_the_core_stays_copper_coloured() -> None:
    rough, _ = core_and_ring(window(skin_of(coat=1.0, rough=0.5)))
    smooth, _ = core_and_ring(window(skin_of(coat=1.0, rough=0.2)))
    assert smooth[0] / smooth[1] > rough[0] / rough[1]


def test_grooves_along_spread_the_highlight_round_the_piece() -> None:
    # Ward 1992, "Measuring and modeling anisotropic reflection": highlights are wide across
    # brushed lines, not along them.
    def columns(stretch: float) -> int:
        skin = skin_of()
        skin.stretch[:] = stretch
        across = window(skin)["lamp"][..., 1].mean(axis=0)[11:41]  # inside the edges
        return int((across > across.max() / 2).sum())

    assert columns(-0.8) < columns(0.0) < columns(0.8)


def test_the_same_seed_gives_the_same_window() -> None:
    one, other = (shaded_window(11, skies=[]) for _ in range(2))
    assert np.array_equal(one["lamp"], other["lamp"])
    assert one["finish"] == other["finish"]
    assert min(one["ambient"].min(), one["lamp"].min()) >= 0


def test_photos_of_windows_are_drawn_with_their_truth() -> None:
    windows = [shaded_window(seed, skies=[]) for seed in range(4)]
    data = drawn(windows, rng=np.random.default_rng(0), times=2)
    assert data.plain.shape == data.flash.shape == (8, data.plain.shape[1])
    assert np.isfinite(data.plain).all()
    assert np.isfinite(data.flash).all()
    coats = [w["label"][w["own"]] == COATED for w in windows]
    assert [there > 0 for there in data.there[::2, 0]] == [c.mean() > 0.3 for c in coats]


@NEEDS_MITSUBA
@pytest.mark.parametrize(
    ("coat", "film", "rough", "stretch"),
    [(0.0, 0.02, 0.4, 0.0), (1.0, 0.06, 0.4, 0.0), (0.0, 0.02, 0.35, 0.8), (0.0, 0.02, 0.35, -0.8)],
)
def test_the_lamps_highlight_is_the_one_that_is_traced(
    coat: float, film: float, rough: float, stretch: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    from models.recipe.flash import windows
    from models.recipe.pieces import wires
    from models.recipe.scene import assembly
    from models.recipe.scene.rendering import Stage

    skin = skin_of(coat=coat, film=film, rough=rough)
    skin.stretch[:] = stretch
    monkeypatch.setattr(wires, "skin_of", lambda *_, **__: skin)
    monkeypatch.setattr(
        wires, "bent_path", lambda length, **_: np.linspace(-1, 1, 60)[:, None] * [length / 2, 0]
    )
    camera, light, flash = scene()
    rng = np.random.default_rng(3)
    laid = assembly.build(rng, half_mm=(70.0, 50.0), kinds=["wire"], finishes=["bright"],
                          table="white_paper", reference="none")  # fmt: skip
    path, diameter = laid.pieces[0].round_runs[0]
    at, way = path[30], (path[31] - path[29]) / np.linalg.norm(path[31] - path[29])
    seen = windows.window_on(camera, at, way, diameter)
    assert seen is not None
    rolled, broad = seen
    traced, truth = Stage(laid).shoot(rolled, flash, samples=64, seed=1, firefly=LAMP_FIREFLY)
    table = laid.atlas.base[:500, :500].reshape(-1, 3).mean(axis=0)
    made = shade(skin, (60.0, np.pi * diameter),
                 Bed(middle_mm=at, way=way, radius_mm=diameter / 2, along=0.5, turn=0.3),
                 camera=rolled, flash=flash, albedo=table, size=rolled.window[2:], broad=broad,
                 ambient=around(light, camera, at * [1, 1, 0], albedo=table))  # fmt: skip
    own = truth.piece == 1
    for share in (0.5, 0.9, 0.98):
        wanted = np.quantile(traced[own][:, 1], share)
        assert np.quantile(made["lamp"][made["own"]][:, 1], share) == pytest.approx(wanted, rel=0.3)
    assert made["lamp"][made["own"]].mean(axis=0) == pytest.approx(
        traced[own].mean(axis=0), rel=0.15
    )
