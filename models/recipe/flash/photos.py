"""Whole photos taken twice, without and with the flash, each with its truth.

    python -m models.recipe.flash.photos --out DIR --first-seed 8200 --count 24 \
        --size 1600x1200 --samples 16 [--change none|moved|turned] [--skies DIR]

writes ``NAME.plain.jpg``, ``NAME.flash.jpg`` and ``NAME.plain.json``, ``NAME.flash.json``, the
truth of each. The hand moves a little between the shots; ``--change`` says what became of the
largest piece meanwhile.
"""

from __future__ import annotations

import argparse
import gc
import json
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from models.recipe.flash.lamp import LAMP_FIREFLY, Shot, Traced, flash_shot, lamp, plain_shot
from models.recipe.look.camera import Camera
from models.recipe.look.lights import load_skies, make_light
from models.recipe.look.noise import Rng
from models.recipe.render import seeded
from models.recipe.scene import bench_mix, settings
from models.recipe.scene.assembly import Scene
from models.recipe.scene.meshes import turn_z
from models.recipe.scene.rendering import Stage, load_mitsuba
from models.recipe.scene.truth import describe

CHANGES = ("none", "moved", "turned")
HAND_MM, HAND_DEG = 4.0, 1.5
"""How far a phone held again over the same spot is off (an estimate)."""

FLASH_FIRED, FLASH_OFF = 0x09, 0x10
"""EXIF 2.3, tag Flash: fired and told to; did not fire and told not to."""


def held_again(rng: Rng, camera: Camera) -> Camera:
    """Return the camera as a hand brings it back over the same spot."""
    roll = np.deg2rad(rng.normal(0, HAND_DEG))
    right = camera.right * np.cos(roll) + camera.down * np.sin(roll)
    return replace(
        camera,
        origin_mm=camera.origin_mm + rng.normal(0, HAND_MM, 3),
        right=right,
        down=np.cross(camera.forward, right),
    )


def changed(rng: Rng, scene: Scene, change: str) -> Scene:
    """Return the scene with its largest piece moved by some of its breadth, or turned flat."""
    if change == "none" or not scene.pieces:
        return scene
    counts = np.bincount(scene.face_piece, minlength=128)[1:128]
    own = np.unique(scene.mesh.faces[scene.face_piece == counts.argmax() + 1])
    points, normals = scene.mesh.points.copy(), scene.mesh.normals.copy()
    middle = points[own].mean(axis=0) * [1, 1, 0]
    if change == "turned":
        matrix, shift = turn_z(np.deg2rad(rng.uniform(25, 65)) * rng.choice([-1, 1])), np.zeros(3)
    else:
        angle = rng.uniform(0, 2 * np.pi)
        matrix = np.eye(3)
        shift = rng.uniform(15, 30) * np.array([np.cos(angle), np.sin(angle), 0.0])
    points[own] = (points[own] - middle) @ matrix.T + middle + shift
    normals[own] = normals[own] @ matrix.T
    return replace(scene, mesh=replace(scene.mesh, points=points, normals=normals))


def pair_of(
    seed: int, *, size: tuple[int, int], samples: int, change: str, skies: list[Any]
) -> dict[str, tuple[Shot, dict[str, Any]]]:
    """Return the shots ``plain`` and ``flash`` of one scene as advised, each with its truth."""
    rng = seeded("validation", seed, mix="advised")
    plan = bench_mix.plan(rng, skies=bool(skies))
    while not plan.kinds:
        plan = bench_mix.plan(rng, skies=bool(skies))
    scene = settings.lay(rng, plan)
    camera = settings.camera_over(rng, scene, plan, size_px=size)
    light = make_light(rng, skies=skies, camera_mm=camera.origin_mm, style=plan.light)
    shots = {}
    for k, (name, view) in enumerate((("plain", camera), ("flash", held_again(rng, camera)))):
        if name == "flash":
            scene = changed(rng, scene, change)
        stage = Stage(scene)
        ambient, truth = stage.shoot(view, light, samples=samples, seed=seed * 4 + k)
        alone = lamp(rng, view)
        by_lamp = ambient
        if name == "flash":
            by_lamp, _ = stage.shoot(
                view, alone, samples=samples, seed=seed * 4 + 2, firefly=LAMP_FIREFLY
            )
        traced = Traced(ambient=ambient, lamp=by_lamp, ambient_white=light.irradiance,
                        lamp_white=alone.irradiance)  # fmt: skip
        if name == "plain":
            shot = plain_shot(traced, rng=rng, camera=view, albedo=scene.albedo)
        else:
            shot = flash_shot(traced, rng=rng, camera=view, albedo=scene.albedo, pulled=True)
        told = describe(
            scene, view, truth, photo=f"{name_of(seed)}.{name}.jpg", split="validation", seed=seed,
            light=light.name, white_linear=shot.white, mix="advised",
        )  # fmt: skip
        told["flash"] = {"fired": name == "flash", "times": round(shot.times, 3),
                         "pulled_ev": round(shot.pulled_ev, 3), "change": change}  # fmt: skip
        shots[name] = (shot, told)
    return shots


def name_of(seed: int) -> str:
    """Return the name of a pair's files."""
    return f"p{seed:05d}"


def save(out: Path, seed: int, shots: dict[str, tuple[Shot, dict[str, Any]]]) -> None:
    """Write both photos as a phone does, the second 20 seconds later, and their truth."""
    for k, (name, (shot, told)) in enumerate(shots.items()):
        exif = Image.Exif()
        notes = exif.get_ifd(0x8769)
        notes[0xA405] = round(told["focal_35mm"])
        notes[0x9209] = FLASH_FIRED if name == "flash" else FLASH_OFF
        taken = datetime(2026, 11, 30, 8) + timedelta(minutes=3 * (seed % 200), seconds=20 * k)
        notes[0x9003] = f"{taken:%Y:%m:%d %H:%M:%S}"
        stem = f"{name_of(seed)}.{name}"
        Image.fromarray(shot.rgb).save(out / f"{stem}.jpg", quality=93, exif=exif.tobytes())
        (out / f"{stem}.json").write_text(json.dumps(told), encoding="utf-8")


def main() -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Render scenes twice, without and with flash.")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--first-seed", type=int, required=True)
    parser.add_argument("--count", type=int, required=True)
    parser.add_argument("--size", default="1600x1200")
    parser.add_argument("--samples", type=int, default=16)
    parser.add_argument("--change", choices=CHANGES, default="none")
    parser.add_argument("--skies", type=Path)
    options = parser.parse_args()
    load_mitsuba()
    options.out.mkdir(parents=True, exist_ok=True)
    width, height = (int(part) for part in options.size.split("x"))
    skies = load_skies(options.skies, split="validation")
    for seed in range(options.first_seed, options.first_seed + options.count):
        shots = pair_of(seed, size=(width, height), samples=options.samples,
                        change=options.change, skies=skies)  # fmt: skip
        save(options.out, seed, shots)
        gc.collect()
        print(f"pair {seed} done", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
