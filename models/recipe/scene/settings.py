"""What the scenes of each half hold: as advised, hard, and tables full of things."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.recipe.look.camera import Camera, make_camera
from models.recipe.look.noise import Rng
from models.recipe.pieces.kinds import WEIGHTS
from models.recipe.scene import bench_mix
from models.recipe.scene.assembly import Pile, Scene, build
from models.recipe.scene.bench_mix import Plan
from models.recipe.scene.stories import Story

GREY_KINDS = ("wire", "stranded", "tube", "other_metal", "rods")
GREY_FINISHES = ("tinned", "tinned", "dark", "black")
# As advised, pieces lie so far apart.
APART_MM = 4.0
# How often a whole photo is laid anew until a piece lies on it.
TRIES = 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Setting:
    """What a training scene lays, and how far away its cameras are.

    Attributes:
        scene: What is laid.
        half_mm: Half the shorter side of what a whole view spans.
        plan: The photo as advised; None in the hard half.
    """

    scene: Scene
    half_mm: float
    plan: Plan | None


def advised(rng: Rng, *, skies: list, kinds: list[str] | None) -> Setting:
    """Return what a photo as advised shows; only pieces of ``kinds`` where they are named."""
    plan = bench_mix.plan(rng, skies=bool(skies))
    if kinds:
        laid = tuple(str(rng.choice(kinds)) for _ in plan.kinds or (0,))
        plan = replace(plan, kinds=laid, finishes=(None,) * len(laid), sources=(None,) * len(laid))
    scene = lay(rng, plan)
    return Setting(scene=scene, half_mm=plan.half_mm[1], plan=plan)


def lay(rng: Rng, plan: Plan) -> Scene:
    """Return the scene of a photo as advised; anew where nothing found room."""
    for _ in range(TRIES):
        scene = build(
            rng, half_mm=plan.half_mm, kinds=plan.kinds, finishes=plan.finishes, table=plan.table,
            reference=plan.reference, clutter_count=plan.clutter, sources=plan.sources,
            gap_mm=APART_MM,
        )  # fmt: skip
        if scene.pieces or not plan.kinds:
            break
    return scene


def camera_over(rng: Rng, scene: Scene, plan: Plan | Story, *, size_px: tuple[int, int]) -> Camera:
    """Return the camera of a whole photo: as advised square to what lies there, else any way."""
    roll_deg = plan.roll_deg if isinstance(plan, Plan) else None
    if roll_deg is not None and size_px[0] < size_px[1]:
        roll_deg += 90.0
    return make_camera(
        rng,
        size_px=size_px,
        height_mm=plan.camera_height_mm + scene.plane_mm,
        target_mm=rng.uniform(-0.03, 0.03, 2) * plan.camera_height_mm,
        focal_35mm=plan.focal_35mm,
        tilt_deg=plan.tilt_deg,
        focus_z_mm=1.0 + scene.plane_mm,
        roll_deg=roll_deg,
    )


def hard(rng: Rng, *, kinds: list[str] | None) -> Setting:
    """Return anything under any circumstances; only pieces of ``kinds`` where they are named."""
    half = float(np.exp(rng.uniform(np.log(45), np.log(150))))
    close_scene = half < 70
    finishes: list[str] | None = None
    table = None
    chance = rng.random() if kinds is None else 1.0
    count = int(rng.integers(1, 4)) if close_scene else None
    clutter = int(rng.choice([0, 1, 2, 4, 7], p=[0.35, 0.2, 0.2, 0.15, 0.1]))
    if chance < 0.07:
        laid: list[str] | None = ["cut_end"] * int(rng.integers(1, 4))
    elif chance < 0.12:  # grey on grey, where a shadow is easily taken for the piece
        laid = [str(k) for k in rng.choice(GREY_KINDS, int(rng.integers(1, 4)))]
        finishes = [str(f) for f in rng.choice(GREY_FINISHES, len(laid))]
        table = "grey_paper"
    elif chance < 0.16:  # nothing of the trade at all
        laid, clutter = [], max(clutter, 3)
    elif chance < 0.28:
        return tableful(rng)
    else:
        laid = [str(rng.choice(kinds)) for _ in range(int(rng.integers(1, 5)))] if kinds else None
    scene = build(
        rng,
        half_mm=(half * rng.uniform(0.9, 1.3), half),
        kinds=laid,
        finishes=finishes,
        count=count,
        table=table,
        clutter_count=clutter,
    )
    return Setting(scene=scene, half_mm=half, plan=None)


LIGHTER = {"tangle": 0.3, "coil": 0.4, "hank": 0.4, "bobbin": 0.4, "leads": 0.4, "rods": 0.5,
           "fan": 0.6, "braid": 0.5, "cut_end": 0.0}  # fmt: skip
"""Of a table full of things: kinds of many wires are laid less often than elsewhere."""


def tableful(rng: Rng) -> Setting:
    """Return 5 to 30 pieces with strangers among them: side by side, crossing or in a heap."""
    half = float(rng.uniform(90, 160))
    count = round(float(np.exp(rng.uniform(np.log(5), np.log(30)))))
    rates = {k: w * LIGHTER.get(k, 1.0) for k, w in WEIGHTS.items()}
    names = [bench_mix.draw(rng, rates) for _ in range(count)]
    style = str(rng.choice(["beside", "across", "heap"], p=[0.3, 0.45, 0.25]))
    over = bool(rng.random() < 0.3)
    pile = {
        "beside": None,
        "across": Pile(most_mm=14.0, within=0.9, over_reference=over),
        "heap": Pile(most_mm=45.0, within=float(rng.uniform(0.45, 0.7)), over_reference=over),
    }[style]
    scene = build(rng, half_mm=(half * 1.3, half), kinds=names, pile=pile,
                  table=bench_mix.draw(rng, bench_mix.TABLES) if rng.random() < 0.5 else None,
                  clutter_count=int(rng.integers(0, 1 + max(3, count // 3))))  # fmt: skip
    return Setting(scene=scene, half_mm=half, plan=None)
