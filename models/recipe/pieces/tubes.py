"""Tube, alone and with its joints, in the sizes it is made in (``rules.tube_sizes``)."""

from __future__ import annotations

import numpy as np

from models.recipe.look import finishes as fin
from models.recipe.look.noise import Rng
from models.recipe.pieces.brass import brass_end, brass_skin
from models.recipe.pieces.piece import (
    Piece,
    bent_path,
    lay_down,
    pick_finish,
    room,
    sides_of,
    skin_of,
)
from models.recipe.pieces.solder import joint_skin, pick_joint, solder_bead, solder_ring
from models.recipe.scene.ground import Ground
from models.recipe.scene.meshes import (
    Array,
    Mesh,
    join,
    ring_face,
    round_profile,
    sweep,
    tangents,
    turn_z,
)
from rules.tube_sizes import tube_sizes


def tube_mesh(path: Array, od: float, wall: float, *, scale: Array | None = None) -> Mesh:
    """Return a hollow tube along a path, both ends open."""
    sides = max(40, sides_of(od))
    outer_p, inner_p = round_profile(od, sides=sides), round_profile(od - 2 * wall, sides=sides)
    outer = sweep(path, outer_p, caps=False, scale=scale)
    inner = sweep(path, inner_p, caps=False, scale=scale, inward=True)
    p = sides + 1
    t = tangents(path)
    first = ring_face(inner.points[:p], outer.points[:p], -t[0], v=0.002)
    last = ring_face(outer.points[-p:], inner.points[-p:], t[-1], v=0.998)
    return join([outer, inner, first, last])


def pick_tube(rng: Rng, *, most_mm: float = 30.0) -> tuple[float, float]:
    """Return outside diameter and wall of a tabled tube."""
    sizes = sorted({size for size in tube_sizes() if size[0] <= most_mm})
    return sizes[int(rng.integers(len(sizes)))]


def tube(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return a length of tube, straight or bent, ends open or crushed."""
    od, wall = pick_tube(rng)
    finish = finish or pick_finish(rng, without=("enamel", "tinned"))
    length = room(ground, max(35, 2 * od), 220, rng)
    bent = rng.random() < 0.35 and od < 20
    if bent:
        xy = bent_path(length, rng=rng, min_radius_mm=2.2 * od, step_mm=max(1.0, od / 10))
    else:
        xy = np.column_stack([np.linspace(-length / 2, length / 2, 60), np.zeros(60)])
    path = lay_down(xy, ground, radius=od / 2, may_cross=0.0, stiff_mm=length)
    if path is None:
        return None
    scale = np.ones((len(path), 2))
    crushed = rng.random() < 0.15
    if crushed:
        s = np.linspace(0, 1, len(path))
        flat = np.clip((s - 1 + 2.0 * od / length) / (2.0 * od / length), 0, 1)
        flat = flat * flat * (3 - 2 * flat) * rng.uniform(0.4, 0.85)
        scale[:, 1] = 1 - flat
        scale[:, 0] = 1 + 0.45 * flat
        path = path.copy()
        path[:, 2] = od / 2 * scale[:, 1] + (path[:, 2] - od / 2)
    skin = skin_of(finish, rng=rng, length_mm=length, round_mm=np.pi * od, drawn=rng.random() < 0.6)
    if rng.random() < 0.14:  # pulled out of a joint
        at = 1 - np.clip(rng.uniform(4, 18) / length, 0.02, 0.4)
        skin = fin.dipped(skin, rng=rng, mm=(length, np.pi * od), at=float(at))
    return Piece(form="tube", parts=[(tube_mesh(path, od, wall, scale=scale), skin)],
                 diameter_mm=od, facts={"wall_mm": wall, "crushed": crushed},
                 round_runs=() if crushed else ((path, od),))  # fmt: skip


def elbow_tube(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return two lengths of tube in a soldered elbow."""
    od, wall = pick_tube(rng, most_mm=23)
    if od < 6:
        od, wall = 15.0, 1.0
    finish = finish or pick_finish(rng, without=("enamel", "tinned", "paint"))
    fit = od + 2 * wall + 0.3
    radius = od * rng.uniform(0.75, 1.2)
    turn = float(rng.choice([np.pi / 2, np.pi / 2, np.pi / 4]))
    arms = [float(rng.uniform(15, max(20, 0.9 * min(ground.half_mm)))) for _ in range(2)]
    arc = np.linspace(0, turn, 40)
    bend = radius * np.stack([np.sin(arc), 1 - np.cos(arc)], axis=1)
    cup = 0.9 * od
    d0, d1 = np.array([1.0, 0.0]), np.array([np.cos(turn), np.sin(turn)])
    first = np.linspace(-(cup + arms[0]), 0, 40)[:, None] * d0
    last = bend[-1] + np.linspace(0, cup + arms[1], 40)[:, None] * d1
    xy = np.concatenate([first[:-1], bend, last[1:]])
    shift0 = xy.mean(axis=0)
    place = ground.find(xy - shift0, radius=fit / 2, may_cross=0.0)
    if place is None:
        return None
    angle, shift = place
    turn3 = turn_z(angle)

    def put(flat: Array) -> Array:
        out = np.column_stack([flat - shift0, np.zeros(len(flat))]) @ turn3.T
        out[:, :2] += shift
        out[:, 2] = fit / 2
        return out

    world = put(xy)
    ground.stamp(world[:, :2], radius=fit / 2, top=fit, close=True)
    a0 = put(np.linspace(-(cup + arms[0]), -0.2 * cup, 30)[:, None] * d0)
    a1 = put(bend[-1] + np.linspace(0.2 * cup, cup + arms[1], 30)[:, None] * d1)
    body = put(np.concatenate([
        np.linspace(-cup, 0, 16)[:-1, None] * d0, bend,
        bend[-1] + np.linspace(0, cup, 16)[1:, None] * d1,
    ]))  # fmt: skip
    length = sum(arms)
    tubes = join([tube_mesh(a0, od, wall), tube_mesh(a1, od, wall)])
    skin = skin_of(finish, rng=rng, length_mm=length / 2, round_mm=np.pi * od)
    other = (
        finish if rng.random() < 0.6 else pick_finish(rng, without=("enamel", "tinned", "paint"))
    )
    elbow_skin = skin_of(other, rng=rng, length_mm=2 * cup + radius, round_mm=np.pi * fit,
                         drawn=False)  # fmt: skip
    elbow = tube_mesh(body, fit, wall)
    parts = [(tubes, skin), (elbow, elbow_skin)]
    style = pick_joint(rng)
    beads = []
    for at, d in ((np.array([-cup, 0.0]), d0), (bend[-1] + cup * d1, d1)):
        outward = -d if at[0] < 0 and d is d0 else d

        def run(a: float, b: float, *, start: Array = at, way: Array = outward) -> Array:
            return put(start + np.linspace(a, b, 14)[:, None] * way)

        beads += solder_ring(rng, run, od=od, style=style)
    if beads:
        parts.append((join(beads), joint_skin(rng, style, od)))
    return Piece(form="tube", parts=parts, diameter_mm=od,
                 facts={"wall_mm": wall, "elbow": True},
                 round_runs=((a0, od), (a1, od)))  # fmt: skip


def fitting_tube(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return a tube with a brass fitting or flare nut on one end."""
    od, wall = pick_tube(rng, most_mm=23)
    finish = finish or pick_finish(rng, without=("enamel", "tinned"))
    brass, across, brass_len = brass_end(rng, od)
    length = room(ground, 30, 150, rng)
    total = length + brass_len
    xy = np.column_stack([np.linspace(-total / 2, total / 2, 60), np.zeros(60)])
    place = ground.find(xy, radius=across * 0.58, may_cross=0.0)
    if place is None:
        return None
    angle, shift = place
    dip = np.arctan2(across / 2 - od / 2, length)
    # The tube leans from the fitting's flat down to its own far end.
    x = np.linspace(-length, 3.0, 60)
    line = np.column_stack([x, np.zeros(60), across / 2 + np.minimum(x, 0) * np.tan(dip)])
    matrix, offset = turn_z(angle), np.array([*shift, 0.0])
    middle = np.array([total / 2 - brass_len, 0, 0])
    axis = (line + middle) @ matrix.T + offset
    barrel = tube_mesh(axis, od, wall)
    brass_mesh = brass.moved(np.eye(3), np.array([0, 0, across / 2]) + middle).moved(matrix, offset)
    world = np.column_stack([xy, np.zeros(60)]) @ matrix.T + offset
    ground.stamp(world[:, :2], radius=across * 0.58, top=across, close=True)
    skin = skin_of(finish, rng=rng, length_mm=length, round_mm=np.pi * od)
    parts = [(barrel, skin), (brass_mesh, brass_skin(rng, (brass_len, np.pi * across)))]
    if rng.random() < 0.3:
        run = np.linspace(-rng.uniform(1.0, 3.0), 0.5, 12)
        bead_line = np.column_stack([run, np.zeros(12), across / 2 + run * np.tan(dip)]) + middle
        bead = solder_bead(bead_line @ matrix.T + offset, od + 0.4, rng=rng, swell=0.08)
        parts.append((bead, fin.solder((48, 120), rng=rng, mm=(4, np.pi * od))))
    return Piece(form="tube", parts=parts, diameter_mm=od, facts={"wall_mm": wall},
                 round_runs=((axis, od),))  # fmt: skip


def coupling_tube(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return two lengths of tube in a straight soldered sleeve, seams thin to smeared."""
    od, wall = pick_tube(rng, most_mm=23)
    finish = finish or pick_finish(rng, without=("enamel", "tinned", "paint"))
    fit = od + 2 * wall + 0.3
    cup = rng.uniform(0.7, 1.2) * od
    length = max(room(ground, 40, 180, rng), 3 * cup)
    centre = float(rng.uniform(-0.25, 0.25)) * length
    xy = np.column_stack([np.linspace(-length / 2, length / 2, 60), np.zeros(60)])
    place = ground.find(xy, radius=fit / 2, may_cross=0.0)
    if place is None:
        return None
    angle, shift = place
    matrix, offset = turn_z(angle), np.array([*shift, 0.0])
    ground.stamp(xy @ matrix[:2, :2].T + shift, radius=fit / 2, top=fit, close=True)

    def run(x0: float, x1: float, n: int) -> Array:
        flat = np.column_stack([np.linspace(x0, x1, n), np.zeros(n), np.full(n, fit / 2)])
        moved: Array = flat @ matrix.T + offset
        return moved

    bare = skin_of(finish, rng=rng, length_mm=length, round_mm=np.pi * od)
    sleeve_finish = finish if rng.random() < 0.6 else pick_finish(
        rng, without=("enamel", "tinned", "paint"))  # fmt: skip
    sleeve = skin_of(sleeve_finish, rng=rng, length_mm=2 * cup, round_mm=np.pi * fit, drawn=False)
    style = pick_joint(rng)
    if style != "none" and rng.random() < 0.25:
        at = (centre + cup * rng.choice([-1.0, 1.0]) + length / 2) / length
        bare = fin.wiped(bare, rng=rng, mm=(length, np.pi * od), at=float(at),
                         reach_mm=float(rng.uniform(2, 12)))  # fmt: skip
    whole = run(-length / 2, length / 2, 40)
    parts = [(tube_mesh(whole, od, wall), bare),
             (tube_mesh(run(centre - cup, centre + cup, 24), fit, wall), sleeve)]  # fmt: skip
    beads = []
    for sign in (-1.0, 1.0):

        def line(a: float, b: float, *, way: float = sign) -> Array:
            edge = centre + way * cup
            return run(edge + way * a, edge + way * b, 14)

        beads += solder_ring(rng, line, od=od, style=style)
    if beads:
        parts.append((join(beads), joint_skin(rng, style, od)))
    return Piece(form="tube", parts=parts, diameter_mm=od,
                 facts={"wall_mm": wall, "coupling": True},
                 round_runs=((whole, od),))  # fmt: skip
