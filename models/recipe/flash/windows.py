"""Small windows of single pieces, traced by the light that was there and by the lamp alone.

    python -m models.recipe.flash.windows --out DIR --first-seed 410000 --count 300 [--skies DIR]

writes one ``NAME.npz`` a scene. Training and judging draw photos of them, each time anew
(``draws.py``). Seeds from ``HELD_OUT`` on judge and are never learned from.
"""

from __future__ import annotations

import argparse
import gc
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from models.recipe.flash.lamp import LAMP_FIREFLY, lamp
from models.recipe.look.camera import Camera, make_camera
from models.recipe.look.lights import STYLES, load_skies, make_light
from models.recipe.look.noise import Rng
from models.recipe.pieces.piece import Piece
from models.recipe.scene import assembly, bench_mix
from models.recipe.scene.assembly import Scene
from models.recipe.scene.meshes import Array
from models.recipe.scene.rendering import Stage, load_mitsuba

HELD_OUT = 420_000
"""First seed of what judges."""

KINDS = {"wire": 5.0, "tube": 2.5, "stranded": 2.0, "soldered": 1.6, "coupling": 0.8, "elbow": 0.6,
         "fitting": 0.4, "hank": 0.4, "rods": 0.5, "brass": 0.3}  # fmt: skip
FINISHES = {"enamel": 4.5, "lacquer": 2.5, "oil": 0.4, "paint": 0.5, "bright": 2.6, "light": 1.6,
            "dull": 1.6, "dark": 0.9, "heat": 0.2, "green": 0.5, "tinned": 1.0}  # fmt: skip
"""As many coated as bare, clear ones foremost: what learns needs the hard cases, not a bench."""

PIECES = 6
CAMERAS = 2
BAD_LIGHT = 0.35
"""Share of cameras whose light is any of all styles, not one by day."""

FEWEST_PX = 10.0
"""A piece is at least so broad in a window."""

WINDOWS = {17.0: (30, 52), 24.0: (40, 72), 32.0: (52, 96), 64.0: (96, 96)}
"""Size of the window by the most that a piece is broad in it, pixels; of a broader piece a
smaller photo is traced. Few sizes, since the renderer compiles each."""

AMBIENT_SAMPLES, LAMP_SAMPLES = 32, 16
AWAY = 0.25
"""Share of windows that lie anywhere along the piece, not where the lamp is mirrored."""


def light_style(rng: Rng, *, skies: bool) -> str:
    """Return the light that is there: by day, or any that is neither a sky's picture nor a lamp
    at the lens."""
    style = bench_mix.light(rng, skies=skies)
    if rng.random() < BAD_LIGHT:
        style = str(rng.choice([s for s in STYLES if "flash" not in s and s != "sky_image"]))
    return style


def spot(rng: Rng, piece: Piece, camera: Camera) -> tuple[Array, Array, float] | None:
    """Return a point on a piece, the way it runs there, and how broad it is, mm."""
    points = np.concatenate([mesh.points for mesh, _ in piece.parts])
    breadth = piece.diameter_mm or 6.0
    if piece.round_runs:
        runs = [run for run in piece.round_runs if len(run[0]) > 4]
        axis, breadth = runs[int(rng.integers(len(runs)))]
        ways = np.gradient(axis, axis=0)
    else:
        axis = points[rng.integers(len(points), size=40)]
        ways = np.stack([_way(points, at, 2.0 * breadth) for at in axis])
    ways = ways / np.maximum(np.linalg.norm(ways, axis=1, keepdims=True), 1e-9)
    to_lens = camera.origin_mm - axis
    to_lens /= np.linalg.norm(to_lens, axis=1, keepdims=True)
    aslant = np.abs((ways * to_lens).sum(axis=1))
    best = int(aslant.argmin())
    if rng.random() < AWAY:
        best = int(rng.integers(len(axis)))
    if aslant[best] > 0.8:
        return None
    at = axis[best] + ways[best] * rng.normal(0, 0.6) * breadth
    return at, ways[best], float(breadth)


def _way(points: Array, at: Array, reach: float) -> Array:
    near = points[np.linalg.norm(points - at, axis=1) < reach]
    _, _, axes = np.linalg.svd(near - near.mean(axis=0), full_matrices=False)
    return np.asarray(axes[0])


def window_on(
    camera: Camera, at: Array, way: Array, breadth_mm: float
) -> tuple[Camera, float] | None:
    """Return the camera rolled so that a piece runs down its window, and how broad that is, px."""
    depth = float((at - camera.origin_mm) @ camera.forward)
    broad = camera.focal_px * breadth_mm / depth
    if broad < FEWEST_PX:
        return None
    shrink = min(1.0, max(WINDOWS) / broad)
    broad *= shrink
    width, height = next(size for most, size in WINDOWS.items() if broad <= most + 1e-6)
    down = way - camera.forward * (way @ camera.forward)
    down /= np.linalg.norm(down)
    side = round(np.hypot(camera.width_px, camera.height_px) * shrink)
    rolled = replace(
        camera, right=np.cross(down, camera.forward), down=down, width_px=side, height_px=side,
        focal_px=camera.focal_px * shrink, window=(0, 0, side, side),
    )  # fmt: skip
    x, y = rolled.project(at[None])[0]
    left, top = round(x - width / 2), round(y - height / 2)
    return replace(rolled, window=(left, top, width, height)), broad


def lit_there(camera: Camera, at: Array) -> float:
    """Return the lamp's irradiance on the level table at a point, over that under the lens."""
    away = at - camera.origin_mm
    far = float(np.linalg.norm(away))
    out, down = float(away @ camera.forward) / far, -float(away[2]) / far
    return out * down * (camera.origin_mm[2] / far) ** 2


def windows_of(seed: int, *, skies: list[Any]) -> list[dict[str, Any]]:
    """Return the windows of one scene, each with its truth."""
    rng = np.random.default_rng([40_000_000, seed])
    kinds = [bench_mix.draw(rng, KINDS) for _ in range(PIECES)]
    finishes = [bench_mix.draw(rng, FINISHES) for _ in range(PIECES)]
    order = np.argsort([kind not in ("coupling", "elbow", "fitting", "tube") for kind in kinds])
    kinds, finishes = [kinds[k] for k in order], [finishes[k] for k in order]
    scene = assembly.build(
        rng, half_mm=(75.0, 55.0), kinds=kinds, finishes=finishes, gap_mm=3.0, reference="none",
        table=bench_mix.draw(rng, bench_mix.TABLES), sources=finishes,
    )  # fmt: skip
    stage = Stage(scene)
    found = []
    for view in range(CAMERAS):
        focal = float(rng.choice(bench_mix.FOCAL_35MM))
        size = (4000, 3000) if rng.random() < 0.7 else (2800, 2100)
        camera = make_camera(
            rng, size_px=size, height_mm=float(rng.uniform(*bench_mix.HEIGHT_MM)),
            target_mm=rng.uniform(-25, 25, 2), focal_35mm=focal,
            tilt_deg=float(min(abs(rng.normal(0, 8.0)), 25.0)),
        )  # fmt: skip
        style = light_style(rng, skies=bool(skies))
        light = make_light(rng, skies=skies, camera_mm=camera.origin_mm, style=style)
        flash = lamp(rng, camera)
        for number, piece in enumerate(scene.pieces, start=1):
            aim = spot(rng, piece, camera)
            seen = None if aim is None else window_on(camera, *aim)
            if aim is None or seen is None:
                continue
            window, broad = seen
            shot = (seed * 64 + view * 16 + number) * 2
            ambient, truth = stage.shoot(window, light, samples=AMBIENT_SAMPLES, seed=shot)
            by_lamp, _ = stage.shoot(
                window, flash, samples=LAMP_SAMPLES, seed=shot + 1, firefly=LAMP_FIREFLY
            )
            own = truth.piece == number
            if own.sum() < 0.25 * broad * window.window[3]:
                continue  # hidden, or out of the window
            found.append(
                {
                    "ambient": ambient.astype(np.float16),
                    "lamp": by_lamp.astype(np.float16),
                    "own": own,
                    "label": truth.label,
                    "window": np.array(window.window),
                    "whole": np.array([window.width_px, window.height_px]),
                    "ambient_white": light.irradiance,
                    "lamp_white": flash.irradiance * lit_there(camera, aim[0]),
                    "albedo": scene.albedo,
                    "white_table": scene.table in ("white_paper", "backdrop"),
                    "finish": piece.source,
                    "form": piece.form,
                    "light": light.name,
                    "broad": broad,
                    "number": seed * 16 + number,
                    **_skin(scene, truth.texel, own, truth.level),
                }
            )
    return found


def _skin(scene: Scene, texel: Any, own: Any, level: Any) -> dict[str, Any]:  # noqa: ANN401
    """Return the means of what a piece's surface is made of, over what shows of it."""
    at = texel[own]
    take = lambda plane: plane.reshape(-1, *plane.shape[2:])[at].mean(axis=0)  # noqa: E731
    atlas = scene.atlas
    return {
        "base": take(atlas.base),
        "alpha": float(take(atlas.rough)) ** 2,
        "film": float(take(atlas.film)),
        "coat": float(take(atlas.coat)),
        "metallic": float(take(atlas.metallic)),
        "level": float(level[own].mean() / 255),
    }


def main() -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Trace windows of pieces, with and without flash.")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--first-seed", type=int, required=True)
    parser.add_argument("--count", type=int, required=True, help="scenes")
    parser.add_argument("--skies", type=Path)
    options = parser.parse_args()
    load_mitsuba()
    options.out.mkdir(parents=True, exist_ok=True)
    split = "train" if options.first_seed < HELD_OUT else "validation"
    skies = load_skies(options.skies, split=split)
    start, total = time.monotonic(), 0
    for seed in range(options.first_seed, options.first_seed + options.count):
        try:
            found = windows_of(seed, skies=skies)
        except Exception as fault:  # one bad scene must not stop a night's work
            print(f"seed {seed} failed: {type(fault).__name__}: {fault}", file=sys.stderr)
            continue
        finally:
            gc.collect()
        np.savez_compressed(options.out / f"w{seed}.npz", windows=np.array(found, dtype=object))
        total += len(found)
        told = f"{time.process_time():.0f} s of processor, {time.monotonic() - start:.0f} s"
        print(f"seed {seed}: {total} windows, {told}", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
