"""Command line: render labelled photos.

    python -m models.recipe.render --out DIR --split train --count 100 --first-seed 0 \
        --size 512x512 --samples 64 --jobs 4 [--views 8] [--skies DIR] [--kind wire,tube]

Training photos are windows of many views of each scene, close-ups and whole
scenes; validation photos and fixtures are whole photos, one a scene. The same
seed gives the same photo on the same variant of the renderer.
"""

from __future__ import annotations

import argparse
import gc
import json
import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from models.recipe.look.camera import (
    FULL_FRAME_DIAGONAL_MM,
    ORDINARY,
    develop,
    make_camera,
)
from models.recipe.look.lights import load_skies, make_light
from models.recipe.look.noise import Rng
from models.recipe.scene import assembly as scenes
from models.recipe.scene import bench_mix, settings
from models.recipe.scene.assembly import STRANGERS_FROM
from models.recipe.scene.bench_mix import Plan
from models.recipe.scene.rendering import Stage, Truth, load_mitsuba
from models.recipe.scene.stories import Story, story
from models.recipe.scene.truth import describe

# Seeds of the splits never meet, so neither do tables, prints and materials.
SPLIT_OFFSET = {"train": 10_000_000, "validation": 20_000_000, "fixtures": 30_000_000}

# What tells the seeds of the mixes apart.
MIXES: dict[str, tuple[int, ...]] = {"hard": (), "advised": (1,), "tableful": (2,)}
THREAD_SETTINGS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def seeded(split: str, seed: int, *, mix: str = "hard") -> Rng:
    """Return the randomness of one scene of a split."""
    return np.random.default_rng([SPLIT_OFFSET[split], seed, *MIXES[mix]])


TURNS = {
    "both": ("hard", "advised"),
    "all": ("advised", "hard", "tableful", "advised", "tableful", "hard", "advised", "tableful"),
}
"""Mixes by turns, seed after seed."""


def mix_of(seed: int, mix: str) -> str:
    """Return the mix of one scene; where several are asked for, seeds take turns."""
    turns = TURNS.get(mix, (mix,))
    return turns[seed % len(turns)]


def _save(
    out: Path, name: str, photo: np.ndarray, *, rng: Rng, focal_35mm: float | None, quality: int
) -> None:
    exif = Image.Exif()
    if focal_35mm is not None:
        exif.get_ifd(0x8769)[0xA405] = round(focal_35mm)
    subsampling = 2 if rng.random() < 0.85 else 0
    Image.fromarray(photo).save(
        out / f"{name}.jpg", quality=quality, subsampling=subsampling, exif=exif.tobytes()
    )


def _png(path: Path, array: np.ndarray) -> None:
    Image.fromarray(array).save(path, compress_level=6)


def write_numbers(out: Path, name: str, truth: Truth) -> None:
    """Write the label of each pixel, and the numbers of pieces and of strangers."""
    strange = truth.piece >= STRANGERS_FROM
    _png(out / f"{name}.labels.png", truth.label)
    _png(out / f"{name}.pieces.png", np.where(strange, 0, truth.piece).astype(np.uint8))
    if strange.any():
        numbers = np.where(strange, truth.piece - (STRANGERS_FROM - 1), 0)
        _png(out / f"{name}.strangers.png", numbers.astype(np.uint8))


def train_scene(
    seed: int, *, out: Path, size: tuple[int, int], samples: int, views: int, skies: list,
    kinds: list[str] | None, mix: str, widest_mm: float | None = None,
) -> int:  # fmt: skip
    """Render the views of one training scene; return how many photos were written.

    With ``widest_mm`` every view is cut about a piece and spans half of that at least.
    """
    mix = mix_of(seed, mix)
    rng = seeded("train", seed, mix=mix)
    if mix == "advised":
        setting = settings.advised(rng, skies=skies, kinds=kinds)
    elif mix == "tableful":
        setting = settings.tableful(rng)
    else:
        setting = settings.hard(rng, kinds=kinds)
    scene, half, plan = setting.scene, setting.half_mm, setting.plan
    stage = Stage(scene)
    light = None
    points = scene.mesh.points[np.unique(scene.mesh.faces[scene.face_piece > 0])]
    for view in range(views):
        focal_35 = float(rng.choice([24, 25, 26, 27, 28, 50], p=[0.15, 0.15, 0.3, 0.15, 0.1, 0.15]))
        tilt = min(float(abs(rng.normal(0, 11))), 35.0)
        if plan is not None:
            focal_35 = plan.focal_35mm
            tilt = min(float(abs(rng.normal(0, bench_mix.TILT_DEG))), bench_mix.MOST_TILT_DEG)
        width, height = size
        # What the window spans on the table: the whole scene or a part of it.
        whole = (view % 3 == 0 and widest_mm is None) or len(points) == 0
        span = 2.2 * half if whole else _span(rng, half, widest_mm)
        span_px = max(width, height)
        lowest, highest = (110, 520)
        camera_height = float(
            np.clip(rng.uniform(1.0, 2.2) * 1.1 * half * focal_35 / 26, lowest, highest)
        )
        if plan is not None:
            camera_height = plan.camera_height_mm * float(rng.uniform(0.85, 1.15))
        # The window is cut from a larger picture whose scale gives that span.
        focal_px = span_px * camera_height / span
        diagonal = focal_px * FULL_FRAME_DIAGONAL_MM / focal_35
        full_w, full_h = round(diagonal * 0.8), round(diagonal * 0.6)
        full_w, full_h = max(full_w, width), max(full_h, height)
        target = rng.uniform(-0.2, 0.2, 2) * half * (0.3 if plan is not None else 1.0)
        camera = make_camera(
            rng, size_px=(full_w, full_h), height_mm=camera_height + scene.plane_mm,
            target_mm=target, focal_35mm=focal_35, tilt_deg=tilt,
            focus_z_mm=1.0 + scene.plane_mm,
        )  # fmt: skip
        aim = np.array([[*target, 0.0]])
        if not whole:
            aim = points[int(rng.integers(len(points)))][None]
        at = camera.project(aim)[0] + rng.uniform(-0.25, 0.25, 2) * span_px
        x = int(np.clip(at[0] - width / 2, 0, full_w - width))
        y = int(np.clip(at[1] - height / 2, 0, full_h - height))
        camera = replace(camera, window=(x, y, width, height))
        if light is None or view % 2 == 0:
            style = None if plan is None else bench_mix.light(rng, skies=bool(skies))
            light = make_light(rng, skies=skies, camera_mm=camera.origin_mm, style=style)
        linear, truth = stage.shoot(
            camera, light, samples=samples, seed=seed * 64 + view, phone=rng.random() < 0.75
        )
        photo, white = develop(linear, rng=rng, camera=camera, irradiance=light.irradiance,
                        scene_albedo=scene.albedo,
                        habits=None if plan is None else ORDINARY)  # fmt: skip
        name = f"t{seed:06d}_{view}"
        _save(out, name, photo, rng=rng, focal_35mm=None, quality=int(rng.integers(72, 97)))
        write_numbers(out, name, truth)
        _png(out / f"{name}.level.png", truth.level)
        told = describe(scene, camera, truth, photo=f"{name}.jpg", split="train", seed=seed,
                        light=light.name, white_linear=white, mix=mix)  # fmt: skip
        (out / f"{name}.json").write_text(json.dumps(told), encoding="utf-8")
    return views


def _span(rng: np.random.Generator, half_mm: float, widest_mm: float | None) -> float:
    """Return how many millimetres a view shows that is cut about a piece."""
    low, high = (18, 1.5 * half_mm) if widest_mm is None else (widest_mm / 2, widest_mm)
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def whole_photo(
    seed: int, *, out: Path, size: tuple[int, int], samples: int, split: str, skies: list,
    kinds: list[str] | None, mix: str,
) -> int:  # fmt: skip
    """Render one whole photo of a validation or fixture scene."""
    mix = mix_of(seed, mix)
    rng = seeded(split, seed, mix=mix)
    advised = mix == "advised"
    plan: Plan | Story = (
        bench_mix.plan(rng, skies=bool(skies))
        if advised
        else story(seed, rng=rng, split=split, kinds=kinds)
    )
    width, height = size
    if rng.random() < 0.25:
        width, height = height, width
    diagonal = float(np.hypot(width, height))
    focal_px = plan.focal_35mm / FULL_FRAME_DIAGONAL_MM * diagonal
    reach = plan.camera_height_mm / focal_px * 0.42
    if isinstance(plan, Plan):
        scene = settings.lay(rng, plan)
    elif mix == "tableful":
        full = settings.tableful(rng)
        scene = full.scene
        seen = full.half_mm * float(rng.uniform(0.95, 1.2))
        half_high = bench_mix.PICTURE_MM[1] / 2
        plan = replace(plan, camera_height_mm=seen / half_high * plan.focal_35mm)
    else:
        for _ in range(settings.TRIES):  # now and then nothing finds room beside the reference
            scene = scenes.build(
                rng,
                half_mm=(reach * min(width, height) * 1.05, reach * min(width, height)),
                kinds=plan.kinds,
                finishes=plan.finishes,
                reference=plan.reference,
                clutter_count=plan.clutter,
            )
            if scene.pieces:
                break
    camera = settings.camera_over(rng, scene, plan, size_px=(width, height))
    style = plan.light if isinstance(plan, Plan) else None
    light = make_light(rng, skies=skies, camera_mm=camera.origin_mm, style=style)
    stage = Stage(scene)
    linear, truth = stage.shoot(camera, light, samples=samples, seed=seed)
    photo, white = develop(linear, rng=rng, camera=camera, irradiance=light.irradiance,
                    scene_albedo=scene.albedo, gentle=split == "fixtures",
                    habits=ORDINARY if advised else None)  # fmt: skip
    name = f"{'v' if split == 'validation' else 'f'}{seed:05d}"
    told_focal = plan.focal_35mm if rng.random() < 0.6 else None
    _save(out, name, photo, rng=rng, focal_35mm=told_focal, quality=int(rng.integers(82, 96)))
    write_numbers(out, name, truth)
    told = describe(scene, camera, truth, photo=f"{name}.jpg", split=split, seed=seed,
                    light=light.name, white_linear=white, mix=mix)  # fmt: skip
    (out / f"{name}.json").write_text(json.dumps(told, indent=1), encoding="utf-8")
    return 1


def parse(arguments: list[str] | None = None) -> argparse.Namespace:
    """Return the options of the command line."""
    parser = argparse.ArgumentParser(description="Render labelled photos of scrap copper.")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--split", choices=sorted(SPLIT_OFFSET), required=True)
    parser.add_argument("--count", type=int, required=True, help="scenes to render")
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--size", default="512x512", help="width x height in pixels")
    parser.add_argument("--samples", type=int, default=64, help="samples a pixel")
    parser.add_argument("--views", type=int, default=8, help="views of a training scene")
    parser.add_argument("--widest-mm", type=float, help="most that a training view spans")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--skies", type=Path, help="folder of NAME.npz skies")
    parser.add_argument("--kind", help="only these pieces, comma separated")
    parser.add_argument(
        "--mix",
        choices=(*MIXES, *TURNS),
        default="hard",
        help="as people are advised to photograph, anyhow, a table full; by turns the\n"
        "first two, or all",
    )
    parser.add_argument("--variant", help="Mitsuba variant; CUDA where there is one")
    parser.add_argument("--stride", type=int, default=1, help=argparse.SUPPRESS)
    parser.add_argument("--seconds", type=float, help="stop starting scenes after so long")
    return parser.parse_args(arguments)


def run(options: argparse.Namespace, seeds: range) -> None:
    """Render the scenes of these seeds in this process, telling the pace."""
    mi = load_mitsuba(options.variant)
    if all(os.environ.get(name) == "1" for name in THREAD_SETTINGS):
        cv2.setNumThreads(1)
        if mi.variant().startswith("cuda"):
            import drjit

            drjit.set_thread_count(1)
    width, height = (int(part) for part in options.size.split("x"))
    options.out.mkdir(parents=True, exist_ok=True)
    skies = load_skies(options.skies, split=options.split)
    kinds = options.kind.split(",") if options.kind else None
    start, photos = time.monotonic(), 0
    for seed in seeds:
        if options.seconds is not None and time.monotonic() - start > options.seconds:
            break
        common = {"out": options.out, "size": (width, height), "samples": options.samples,
                  "skies": skies, "kinds": kinds, "mix": options.mix}  # fmt: skip
        try:
            if options.split == "train":
                photos += train_scene(
                    seed, views=options.views, widest_mm=options.widest_mm, **common
                )
            else:
                photos += whole_photo(seed, split=options.split, **common)
        except Exception as fault:  # one bad scene must not stop a night's work
            print(
                f"seed {seed} failed: {type(fault).__name__}: {fault}", file=sys.stderr, flush=True
            )
            continue
        finally:
            # A scene left alive would be compiled into the next one's kernels.
            gc.collect()
        pace = photos / (time.monotonic() - start)
        print(f"seed {seed}: {photos} photos, {pace:.2f} a second", flush=True)


def main() -> int:
    """Run the command line, over several processes where asked."""
    options = parse()
    last = options.first_seed + options.count
    if options.jobs == 1:
        run(options, range(options.first_seed, last, options.stride))
        return 0
    # Many processes share the cores: none of them should start threads of its own.
    alone = dict.fromkeys(THREAD_SETTINGS, "1")
    children = []
    for job in range(options.jobs):
        seeds = range(options.first_seed + job, last, options.jobs)
        command = [sys.executable, "-m", "models.recipe.render", *_passed(options), "--jobs", "1",
                   "--first-seed", str(seeds.start),
                   "--count", str(last - seeds.start)]  # fmt: skip
        children.append(
            subprocess.Popen([*command, "--stride", str(options.jobs)], env={**os.environ, **alone})
        )
    return max(child.wait() for child in children)


def _passed(options: argparse.Namespace) -> list[str]:
    skip = {"jobs", "first_seed", "count", "stride"}
    out = []
    for name, value in vars(options).items():
        if name not in skip and value is not None:
            out += [f"--{name.replace('_', '-')}", str(value)]
    return out


if __name__ == "__main__":
    raise SystemExit(main())
