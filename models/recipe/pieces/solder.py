"""Solder on pieces: rings at sockets, runs, drips, beads, dipped ends."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from models.recipe.look import finishes as fin
from models.recipe.look.finishes import Skin
from models.recipe.look.noise import Rng, clouds
from models.recipe.pieces.piece import (
    Piece,
    bent_path,
    lay_down,
    pick_finish,
    room,
    sides_of,
    skin_of,
)
from models.recipe.scene.ground import Ground
from models.recipe.scene.meshes import Array, Mesh, join, round_profile, sweep, tangents


def solder_bead(path: Array, diameter: float, *, rng: Rng, swell: float) -> Mesh:
    """Return an uneven ring or blob of solder about a short path."""
    n = len(path)
    profile = round_profile(diameter, sides=48)
    s = np.linspace(-1, 1, n)
    bump = 1 + swell * np.sqrt(np.clip(1 - s**2, 0, 1))
    mesh = sweep(path, profile, scale=np.column_stack([bump, bump]), caps=False)
    p = 49
    lumps = clouds((n, p), rng=rng, cell_px=(n, p / 5), octaves=3, wrap_columns=True)
    lumps[:, -1] = lumps[:, 0]
    push = (lumps * 0.25 * swell * diameter / 2 * (1 - s[:, None] ** 2)).reshape(-1, 1)
    return replace(mesh, points=mesh.points + push * mesh.normals)


Run = Callable[[float, float], Array]
"""From where to where along a tube, mm from the socket's edge outward, to a centre line."""


JOINTS = {"none": 0.12, "thin": 0.38, "ring": 0.25, "sleeve": 0.13, "drip": 0.12}
"""How solder shows at a socket: thin grey rings most of all (common practice, no source)."""


def pick_joint(rng: Rng) -> str:
    """Return how the solder of a fitting shows."""
    return str(rng.choice(list(JOINTS), p=list(JOINTS.values())))


def solder_ring(rng: Rng, run: Run, *, od: float, style: str) -> list[Mesh]:
    """Return the solder at one edge of a socket, on a tube of that outer diameter."""
    if style == "none" or rng.random() < 0.05:
        return []
    if style == "thin":
        wide, thick = rng.uniform(0.25, 1.4), rng.uniform(0.04, 0.35)
        return [solder_bead(run(-0.4, wide), od + thick, rng=rng, swell=rng.uniform(0.0, 0.5) / od)]
    ring = solder_bead(run(-0.5, rng.uniform(1.0, 4.5)), od + rng.uniform(0.15, 0.7), rng=rng,
                 swell=rng.uniform(0.02, 0.10))  # fmt: skip
    if style == "sleeve":  # solder wiped all round along the tube
        return [ring, solder_bead(run(0.0, rng.uniform(3, 14)), od + 0.08, rng=rng, swell=0.008)]
    if style == "drip":
        line = run(-0.5, rng.uniform(1.5, 9.0))
        along = tangents(line)[0]
        side = np.array([-along[1], along[0], 0.0])
        a = rng.uniform(-0.3, np.pi + 0.3)
        d = rng.uniform(0.8, max(1.0, 0.22 * od))
        off = (od / 2 + 0.1 * d) * (np.cos(a) * side + np.sin(a) * np.array([0, 0, 1.0]))
        taper = np.sin(np.linspace(0.25, np.pi * rng.uniform(0.8, 0.98), len(line))) ** 0.7
        blob = sweep(line + off, round_profile(d, sides=20), scale=np.column_stack([taper] * 2))
        return [ring, blob]
    return [ring]


def joint_skin(rng: Rng, style: str, od: float) -> Skin:
    """Return the solder of a joint; thin rings are mostly dull grey."""
    dull = float(rng.uniform(0.45, 0.95)) if style == "thin" and rng.random() < 0.7 else None
    return fin.solder((64, 160), rng=rng, mm=(6, np.pi * od), dull=dull)


def soldered_wire(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return a wire with a dipped end, solder blobs, or another wire soldered to it."""
    finish = finish or pick_finish(rng, without=("paint", "tinned"))
    d = float(np.exp(rng.uniform(np.log(0.4), np.log(4.0))))
    length = room(ground, 40, 180, rng)
    xy = bent_path(length, rng=rng, min_radius_mm=4 * d, step_mm=max(0.5, d / 4))
    path = lay_down(xy, ground, radius=d / 2, may_cross=6.0, stiff_mm=10 + 6 * d)
    if path is None:
        return None
    mm = (length, np.pi * d)
    skin = skin_of(finish, rng=rng, length_mm=length, round_mm=np.pi * d)
    style = str(rng.choice(["dip", "blob", "joint"], p=[0.35, 0.4, 0.25]))
    share = float(np.clip(rng.uniform(2, 18) / length, 0.03, 0.45))
    if style == "dip":
        skin = fin.dipped(skin, rng=rng, mm=mm, at=1 - share)
    elif rng.random() < 0.5:  # the flux ran further than the solder
        skin = fin.dipped(skin, rng=rng, mm=mm, at=float(min(1 - share * 0.3, 0.97)))
    mesh = sweep(path, round_profile(d, sides=sides_of(d)))
    beads: list[Mesh] = []
    spots = [] if style == "dip" and rng.random() < 0.6 else [1.0 - share]
    if style == "joint":
        spots = [float(rng.uniform(0.3, 0.7))]
    spots += [float(rng.uniform(0.05, 0.9)) for _ in range(int(rng.integers(0, 3)))]
    meshes = [mesh]
    for at in spots:
        k0 = int(at * (len(path) - 1))
        k1 = max(int(min(at + share * rng.uniform(0.3, 1.0), 1.0) * (len(path) - 1)), k0 + 4)
        run = path[k0:k1].copy()
        if len(run) < 4:
            continue
        if style == "joint" and not beads:  # a second wire leaves the joint
            way = tangents(run)[len(run) // 2]
            side = np.array([-way[1], way[0], 0.0]) * rng.choice([-1.0, 1.0])
            lean = rng.uniform(0.1, 1.2)
            leave = way * np.cos(lean) + side * np.sin(lean)
            t = np.linspace(0, rng.uniform(8, 35), 30)[:, None]
            start = run[len(run) // 2] + side * d * 0.7
            meshes.append(sweep(start - way * 2 * d + leave * t, round_profile(d, sides=14)))
        src = np.linspace(0, 1, len(run))
        run = np.stack([np.interp(np.linspace(0, 1, 16), src, run[:, c]) for c in range(3)], axis=1)
        bead = solder_bead(
            run, d * rng.uniform(1.06, 1.3), rng=rng, swell=float(rng.uniform(0.05, 1.3))
        )
        low = bead.points[:, 2].min()
        if low < 0:
            bead = replace(bead, points=bead.points + np.array([0, 0, -low]))
        beads.append(bead)
    parts = [(join(meshes), skin)]
    if beads:
        parts.append((join(beads), fin.solder((96, 120), rng=rng, mm=(12, np.pi * d))))
    return Piece(form="wire", parts=parts, diameter_mm=d, strand_diameter_mm=d, strands=1,
                 round_runs=((path, d),))  # fmt: skip
