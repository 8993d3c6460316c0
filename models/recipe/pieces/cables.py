"""Wire in its jacket: whole, stripped at one end, several in one sheath."""

from __future__ import annotations

import numpy as np

from models.recipe.look import coats
from models.recipe.look.finishes import Skin
from models.recipe.look.noise import Rng
from models.recipe.pieces.fans import _ahead, spread
from models.recipe.pieces.piece import (
    Piece,
    bent_path,
    eased,
    lay_down,
    put_down,
    resampled,
    room,
    sides_of,
    skin_of,
)
from models.recipe.pieces.wires import stranded
from models.recipe.scene.ground import Ground
from models.recipe.scene.meshes import (
    Array,
    Mesh,
    bunched_offsets,
    frames,
    round_profile,
    strand_paths,
    sweep,
    tangents,
)
from rules.gauge import mm_from_awg

BARE_ENDS = ("bright", "bright", "light", "dull", "tinned", "tinned")
"""What is on the bare end of a lead; tinned as often as bright. Common practice, no source."""


def insulated(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return an insulated wire, whole or stripped at one end, solid or stranded."""
    solid = rng.random() < 0.5
    count = 1 if solid else int(rng.choice([7, 19, 26, 41]))
    strand = (
        mm_from_awg(float(rng.choice([6, 8, 10, 12, 14, 16, 18, 20, 22, 24])))
        if solid
        else float(rng.uniform(0.12, 0.45) if count > 19 else rng.uniform(0.2, 1.8))
    )
    if solid:
        core = strand
    elif count in (7, 19):
        core = strand * (3 if count == 7 else 5)
    else:
        core = 2 * float(np.hypot(*bunched_offsets(count, strand, rng=rng).T).max()) + strand
    skin_mm = float(rng.uniform(0.25, 0.8) + 0.08 * core * rng.random())
    od = core * 1.03 + 2 * skin_mm
    length = room(ground, 50, 220, rng)
    step = max(0.6, od / 5)
    xy = bent_path(length, rng=rng, min_radius_mm=max(4 * od, 8), step_mm=step)
    path = lay_down(xy, ground, radius=od / 2, may_cross=8.0, stiff_mm=10 + 5 * od)
    if path is None:
        return None
    stripped = rng.random() < 0.75
    n = len(path)
    cut = int(n * (1 - np.clip(rng.uniform(6, 60) / length, 0.05, 0.6))) if stripped else n
    cut = min(max(cut, 8), n)
    cover = sweep(path[:cut], round_profile(od, sides=sides_of(od)))
    parts = [(cover, coats.jacket((320, 72), rng=rng, mm=(length, np.pi * od)))]
    runs = [(path[:cut], od)]
    finish = finish or str(rng.choice((*BARE_ENDS, "enamel")))
    if stripped and n - cut > 4:
        bare = path[max(cut - 2, 0) :].copy()
        # The bare end sinks to the table over its first centimetre.
        arc = np.linspace(0, 1, len(bare))
        drop = np.clip(arc * (n - cut) * length / n / 12.0, 0, 1)
        bare[:, 2] -= (od / 2 - core / 2) * drop * drop * (3 - 2 * drop) * rng.uniform(0, 1)
        dense = int(np.clip((n - cut) * length / n / max(0.3 * strand, 0.25), 20, 500))
        bare = np.stack([np.interp(np.linspace(0, 1, dense), arc, bare[:, c]) for c in range(3)], 1)
        if solid:
            run = float(np.linalg.norm(np.diff(bare, axis=0), axis=1).sum())
            mesh = sweep(bare, round_profile(core, sides=sides_of(core)))
            parts.append((mesh, skin_of(finish, rng=rng, length_mm=run, round_mm=np.pi * core)))
            runs.append((bare, core))
        else:
            inner = stranded(rng, ground, finish=finish, strand_mm=strand, strands=count, path=bare)
            if inner is not None:
                parts += inner.parts
    elif not stripped:
        clean = skin_of("bright", rng=rng, length_mm=2.0, round_mm=np.pi * core)
        end = sweep(path[-3:] + tangents(path)[-1] * 0.15, round_profile(core, sides=24))
        parts.append((end, clean))
    return Piece(form="wire" if solid else "stranded", parts=parts, diameter_mm=od,
                 strand_diameter_mm=strand, strands=count,
                 facts={"insulation": True, "stripped": stripped,
                        "conductor_mm": core},
                 round_runs=tuple(runs))  # fmt: skip


def _conductor(
    rng: Rng, ground: Ground, path: Array, *, core: float, finish: str, fine: int
) -> tuple[Mesh, Skin]:
    """Return the bare end of a core: solid where ``fine`` is 1, else of that many strands."""
    if fine > 1:
        inner = stranded(rng, ground, finish=finish, strand_mm=core / 3, strands=7, path=path)
        if inner is not None:
            return inner.parts[0]
    length = float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())
    skin = skin_of(finish, rng=rng, length_mm=length, round_mm=np.pi * core)
    return sweep(path, round_profile(core, sides=sides_of(core))), skin


def multicore(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return insulated wires that leave a common sheath, most of them stripped."""
    cores = int(rng.integers(2, 6))
    core = float(mm_from_awg(float(rng.choice([10, 12, 14, 16, 18, 20, 22]))))
    wall = float(rng.uniform(0.25, 0.9))
    od = core * 1.03 + 2 * wall
    fine = 7 if rng.random() < 0.5 else 1
    finish = finish or str(rng.choice(BARE_ENDS))
    ring = od / 2 * 1.02 / np.sin(np.pi / cores)
    a = 2 * np.pi * np.arange(cores) / cores + rng.uniform(0, 2 * np.pi)
    offsets = ring * np.stack([np.cos(a), np.sin(a)], axis=1)
    sheath = 2 * ring + od + 2 * float(rng.uniform(0.4, 1.4))
    base = room(ground, 15, 90, rng)
    n = int(np.clip(base / 1.5, 12, 60))
    line = np.column_stack([np.linspace(-base, 0, n), np.zeros(n), np.full(n, sheath / 2)])
    line[:, 1] = rng.normal(0, 0.08) * base * (line[:, 0] / base) ** 2
    held = strand_paths(line, offsets=offsets, lay_mm=np.full(cores, 18 * sheath), floor_mm=od / 2)
    tips = held[:, -1]
    lateral = tips[:, 1] / max(ring, 1e-6)
    heading = rng.uniform(0.15, 1.0) * (lateral + 0.3 * rng.normal(0, 1, cores))
    reach = room(ground, 15, 80, rng)
    free = spread(tips, heading, length_mm=reach * rng.uniform(0.7, 1.0, cores), rest_mm=od / 2,
                  rng=rng, lift_mm=float(rng.exponential(1.0)))  # fmt: skip
    paths = _ahead(held[:, -4:], free)
    parts = [(sweep(line, round_profile(sheath, sides=sides_of(sheath))),
              coats.jacket((240, 64), rng=rng, mm=(base, np.pi * sheath)))]  # fmt: skip
    stripped = rng.random() < 0.85
    for path in paths:
        full = resampled(path, step_mm=max(0.5, od / 4))
        cut = int(len(full) * (1 - rng.uniform(0.1, 0.5))) if stripped else len(full)
        cut = max(cut, 6)
        skin = coats.jacket((160, 48), rng=rng, mm=(reach, np.pi * od))
        parts.append((sweep(full[:cut], round_profile(od, sides=sides_of(od))), skin))
        if len(full) - cut > 3:
            bare = resampled(full[cut - 2 :], step_mm=max(0.25, core / 6))
            parts.append(_conductor(rng, ground, bare, core=core, finish=finish, fine=fine))
    flat = np.concatenate([paths[:, ::5, :2].reshape(-1, 2), line[::4, :2]])
    middle = flat.mean(axis=0)
    parts = [(m.moved(np.eye(3), np.array([*-middle, 0.0])), s) for m, s in parts]
    placed = put_down(parts, ground, cover=flat - middle, top=sheath)
    if placed is None:
        return None
    return Piece(form="wire" if fine == 1 else "stranded", parts=placed, diameter_mm=od,
                 strand_diameter_mm=core if fine == 1 else core / 3, strands=fine,
                 facts={"insulation": True, "stripped": stripped, "conductor_mm": core,
                        "cores": cores})  # fmt: skip


def twin_cable(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return flat cable: two jackets grown together side by side, stripped at one end or not."""
    core = float(mm_from_awg(float(rng.choice([14, 16, 18, 20, 22]))))
    od = core * 1.03 + 2 * float(rng.uniform(0.3, 0.9))
    fine = 7 if rng.random() < 0.7 else 1
    finish = finish or str(rng.choice(BARE_ENDS))
    length = room(ground, 40, 200, rng)
    xy = bent_path(length, rng=rng, min_radius_mm=max(8 * od, 10), step_mm=max(0.6, od / 4))
    path = lay_down(xy, ground, radius=od, may_cross=0.0, stiff_mm=20 + 5 * od, thick_mm=od)
    if path is None:
        return None
    _, side, _ = frames(path)
    stripped = rng.random() < 0.75
    n = len(path)
    cut = max(8, n - int(n * np.clip(rng.uniform(6, 40) / length, 0.05, 0.5))) if stripped else n
    colour = coats.dye(rng)
    parts = []
    for sign in (-1.0, 1.0):
        own = path + sign * side * od * 0.48
        parts.append((sweep(own[:cut], round_profile(od, sides=sides_of(od))),
                      coats.jacket((240, 48), rng=rng, mm=(length, np.pi * od),
                                 colour=colour if rng.random() < 0.8 else None)))  # fmt: skip
        if n - cut > 3:
            away = eased(np.linspace(0, 1, n - cut + 2))[:, None] * rng.uniform(0, 0.6) * od
            bare = own[cut - 2 :] + sign * side[cut - 2 :] * away
            bare = resampled(bare, step_mm=max(0.25, core / 6))
            parts.append(_conductor(rng, ground, bare, core=core, finish=finish, fine=fine))
    return Piece(form="wire" if fine == 1 else "stranded", parts=parts, diameter_mm=od,
                 strand_diameter_mm=core if fine == 1 else core / 3, strands=fine,
                 facts={"insulation": True, "stripped": stripped, "conductor_mm": core,
                        "cores": 2})  # fmt: skip
