"""The phone's own lamp, and what two shots make of one scene.

Light adds up: a scene is traced once by the light that is there and once by the lamp alone,
and any strength of the flash is a sum of the two.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.recipe.look.camera import ORDINARY, Camera, Habits, develop
from models.recipe.look.lights import Emitter, Light
from models.recipe.look.noise import Rng
from models.recipe.look.optics import blackbody_rgb
from models.recipe.scene.meshes import Array

BESIDE_MM = (8.0, 20.0)
"""How far phones have the lamp beside the lens (read off photos of phones; from memory)."""

SIZE_MM = (2.0, 5.0)
"""Side of what lights up there (from memory)."""

KELVIN = (4500.0, 6000.0)
"""Colour of white phone lamps (from memory)."""

TIMES = (1.5, 20.0)
"""Light of the flash over the light that was there, on the table under the lens."""

PULLED_EV = (1.0, 3.0)
"""How far a person pulls the exposure down."""

CLIPPED_AT = (0.5, 1.6)
"""Linear light of white paper in a photo exposed as it comes."""

LAMP_FIREFLY = 3e4
"""A lamp mirrored in a smooth coat is thousands of times as bright as paper, and is meant."""


def lamp(rng: Rng, camera: Camera) -> Light:
    """Return the phone's lamp alone, in the dark; under the lens white gets irradiance 1.

    Its colour is the lamp's own, green 1.
    """
    turn = rng.uniform(0, 2 * np.pi)
    beside = rng.uniform(*BESIDE_MM) * (np.cos(turn) * camera.right + np.sin(turn) * camera.down)
    centre = camera.origin_mm + beside
    size = rng.uniform(*SIZE_MM)
    colour = blackbody_rgb(float(rng.uniform(*KELVIN)))
    # A level patch straight below: radiance times the lamp's solid angle.
    radiance = colour * camera.origin_mm[2] ** 2 / size**2
    emitter = Emitter(
        centre_mm=centre, target_mm=centre + 100 * camera.forward, size_mm=size, radiance=radiance
    )
    dark = np.zeros((0, 0, 3), np.float32)
    return Light(
        name="phone", env=dark, emitters=(emitter,), blockers=np.zeros((0, 4, 3)), irradiance=colour
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Traced:
    """A window of a scene by the light that was there and by the lamp, linear radiance.

    Attributes:
        ambient, lamp: ``(h, w, 3)``.
        ambient_white, lamp_white: ``(3,)`` irradiance on the level table under the lens.
    """

    ambient: NDArray[np.float32]
    lamp: NDArray[np.float32]
    ambient_white: Array
    lamp_white: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shot:
    """One developed photo of a window, and what a matte white beside it comes out as, linear."""

    rgb: NDArray[np.uint8]
    white: Array
    times: float = 0.0
    pulled_ev: float = 0.0


def plain_shot(
    traced: Traced, *, rng: Rng, camera: Camera, albedo: float, habits: Habits = ORDINARY
) -> Shot:
    """Return the photo without the flash."""
    photo, white = develop(
        traced.ambient, rng=rng, camera=camera, irradiance=traced.ambient_white,
        scene_albedo=albedo, habits=habits,
    )  # fmt: skip
    return Shot(rgb=photo, white=white)


def flash_shot(
    traced: Traced,
    *,
    rng: Rng,
    camera: Camera,
    albedo: float,
    pulled: bool,
    habits: Habits = ORDINARY,
) -> Shot:
    """Return the photo with the flash, exposed as it comes or pulled down."""
    times = float(np.exp(rng.uniform(*np.log(TIMES))))
    strength = times * float(traced.ambient_white.mean() / traced.lamp_white.mean())
    light = traced.ambient + np.float32(strength) * traced.lamp
    irradiance = traced.ambient_white + strength * traced.lamp_white
    ev = float(rng.uniform(*PULLED_EV)) if pulled else 0.0
    white = float(np.exp(rng.uniform(*np.log(CLIPPED_AT)))) * 2.0**-ev
    exposed = replace(habits, exposure=(0.0, 1.0, 0.0), white=(white, white))
    photo, seen = develop(
        light, rng=rng, camera=camera, irradiance=irradiance, scene_albedo=albedo, habits=exposed
    )
    return Shot(rgb=photo, white=seen, times=times, pulled_ev=ev)
