"""Bare wire and strands: single, laid, braided, in a heap, side by side, cut off.

Like every builder of pieces: each lays its piece in real contact with the table and says
what it truly is; None where there is no room.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.recipe.look import coats
from models.recipe.look import finishes as fin
from models.recipe.look.finishes import Skin
from models.recipe.look.noise import Rng, clouds
from models.recipe.pieces.piece import (
    Piece,
    bent_path,
    lay_down,
    pick_finish,
    resampled,
    room,
    shift_u,
    sides_of,
    skin_of,
    strand_finish,
)
from models.recipe.scene.ground import Ground
from models.recipe.scene.meshes import (
    Array,
    Mesh,
    bunched_offsets,
    concentric_offsets,
    frames,
    join,
    prism,
    ring_face,
    round_profile,
    strand_paths,
    sweep,
    tangents,
    turn_z,
)
from rules.gauge import mm_from_awg


def solid_wire(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return one solid wire, cut at both ends."""
    if rng.random() < 0.7:
        diameter_mm = mm_from_awg(float(rng.choice([8, 10, 12, 14, 15, 16, 17, 18, 20])))
    else:
        diameter_mm = float(np.exp(rng.uniform(np.log(0.3), np.log(6.0))))
    diameter_mm *= float(1 + rng.normal(0, 0.004))
    finish = finish or pick_finish(rng)
    length = room(ground, 40, 260, rng)
    xy = bent_path(length, rng=rng, min_radius_mm=max(2.5 * diameter_mm, 3.0),
                   step_mm=max(0.5, diameter_mm / 3))  # fmt: skip
    path = lay_down(
        xy, ground, radius=diameter_mm / 2, may_cross=8.0, stiff_mm=10 + 6 * diameter_mm
    )
    if path is None:
        return None
    mesh = sweep(path, round_profile(diameter_mm, sides=sides_of(diameter_mm)))
    skin = skin_of(finish, rng=rng, length_mm=length, round_mm=np.pi * diameter_mm)
    parts = [(mesh, skin)]
    if finish in ("enamel", "paint") and rng.random() < 0.4:  # scraped end
        clean = skin_of("bright", rng=rng, length_mm=length, round_mm=np.pi * diameter_mm)
        parts = [(mesh, fin.along(skin, clean, at=rng.uniform(0.8, 0.95), rng=rng))]
    return Piece(form="wire", parts=parts, diameter_mm=diameter_mm,
                 strand_diameter_mm=diameter_mm, strands=1,
                 round_runs=((path, diameter_mm),))  # fmt: skip


def stranded(
    rng: Rng,
    ground: Ground,
    *,
    finish: str | None = None,
    strand_mm: float | None = None,
    strands: int | None = None,
    path: Array | None = None,
) -> Piece | None:
    """Return a bare cable: 7, 19 or 37 laid strands, or a bunch of fine ones."""
    finish = finish or pick_finish(rng, without=("paint", "heat"))
    count = strands or int(
        rng.choice([7, 19, 37, 16, 26, 41], p=[0.35, 0.25, 0.05, 0.12, 0.13, 0.1])
    )
    fine = count not in (7, 19, 37)
    if strand_mm is None:
        top = 2.6 if count == 7 else 1.7
        strand_mm = (
            float(rng.choice([0.1601, 0.2019, 0.2546, 0.3211, 0.4]))
            if fine
            else float(np.exp(rng.uniform(np.log(0.35), np.log(top))))
        )
    if fine:
        offsets = bunched_offsets(count, strand_mm, rng=rng)
        layers = np.ones(count, int)
    else:
        offsets, layers = concentric_offsets(count, strand_mm * 1.01)
    outer = float(2 * np.hypot(offsets[:, 0], offsets[:, 1]).max() + strand_mm)
    lay = rng.uniform(8, 16) * outer * (1.6 if fine else 1.0)
    hand = np.where(layers % 2 == 0, 1.0, -1.0) * rng.choice([-1, 1])
    step = max(lay / 40, strand_mm * 0.5)
    if path is None:
        length = room(ground, 40, 200, rng)
        xy = bent_path(length, rng=rng, min_radius_mm=max(4 * outer, 8.0), step_mm=step)
        path = lay_down(xy, ground, radius=outer / 2, may_cross=8.0, stiff_mm=10 + 5 * outer)
        if path is None:
            return None
    length = float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())
    fan = np.ones(len(path))
    s = np.linspace(0, 1, len(path))
    fanned = rng.random() < (0.6 if fine else 0.35)
    if fanned:
        reach = np.clip(rng.uniform(8, 35) / length, 0.05, 0.6)
        fan = 1 + rng.uniform(0.3, 3.5) * np.clip((s - 1 + reach) / reach, 0, 1) ** 2
    loose = rng.uniform(1.0, 1.12) if fine else 1.0
    paths = strand_paths(path, offsets=offsets, lay_mm=lay * hand, fan=fan * loose,
                         floor_mm=strand_mm / 2)  # fmt: skip
    if fine or fanned:
        for k in range(len(paths)):  # every strand has a will of its own
            wave = clouds((len(path), 3), rng=rng, cell_px=(len(path) / 6, 1), octaves=2)
            paths[k] += wave * strand_mm * (0.12 * fan - 0.02)[:, None] * (0.6 if fine else 0.15)
        paths[..., 2] = np.maximum(paths[..., 2], strand_mm / 2)
        ends = rng.uniform(0.94, 1.0, len(paths))
        trimmed = []
        for k, e in enumerate(ends):
            keep = max(8, int(len(path) * e))
            trimmed.append(paths[k, :keep])
        meshes = join(
            [
                shift_u(sweep(p, round_profile(strand_mm, sides=10 if fine else 16)), k)
                for k, p in enumerate(trimmed)
            ]
        )
    else:
        meshes = join(
            [shift_u(sweep(p, round_profile(strand_mm, sides=18)), k) for k, p in enumerate(paths)]
        )
    skin = skin_of(finish, rng=rng, length_mm=length, round_mm=np.pi * strand_mm)
    if rng.random() < 0.07:
        at = 1 - np.clip(rng.uniform(3, 15) / length, 0.03, 0.5)
        skin = fin.dipped(skin, rng=rng, mm=(length, np.pi * strand_mm), at=float(at))
    return Piece(form="stranded", parts=[(meshes, skin)], diameter_mm=outer,
                 strand_diameter_mm=strand_mm, strands=count)  # fmt: skip


def tangle(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return a loose heap of one wire, crossing itself many times."""
    finish = finish or pick_finish(rng, without=("paint", "heat"))
    d = float(np.exp(rng.uniform(np.log(0.3), np.log(2.5))))
    reach = float(rng.uniform(12, max(14, 0.45 * min(ground.half_mm))))
    n = 1400
    s = np.linspace(0, 1, n)
    path = np.zeros((n, 3))
    loops = rng.uniform(5, 16)
    base = 2 * np.pi * loops * s
    wobble = clouds((n, 3), rng=rng, cell_px=(n / loops, 1), octaves=3)
    r = reach * (0.55 + 0.25 * wobble[:, 0])
    a = base + 0.8 * wobble[:, 1]
    path[:, 0], path[:, 1] = r * np.cos(a), r * np.sin(a)
    path[:, 2] = d / 2 + np.clip(0.35 + 0.4 * wobble[:, 2], 0, None) * d * loops * 0.6
    ring = np.linspace(0, 2 * np.pi, 40)
    cover = reach * 0.7 * np.stack([np.cos(ring), np.sin(ring)], axis=1)
    place = ground.find(cover, radius=reach * 0.3, may_cross=0.0)
    if place is None:
        return None
    angle, shift = place
    matrix = turn_z(angle)
    mesh = sweep(path, round_profile(d, sides=12)).moved(matrix, np.array([*shift, 0.0]))
    ground.stamp(shift[None], radius=reach * 1.1, top=float(path[:, 2].max() + d), close=True)
    length = float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())
    skin = skin_of(finish, rng=rng, length_mm=min(length, 200), round_mm=np.pi * d)
    return Piece(form="wire", parts=[(mesh, skin)], diameter_mm=d, strand_diameter_mm=d, strands=1,
                 facts={"tangled": True})  # fmt: skip


def cut_end(
    rng: Rng, ground: Ground, *, finish: str | None = None, height_mm: float = 12.0
) -> Piece | None:
    """Return a short stub of cable standing up, its cut strands facing the camera."""
    count = int(rng.choice([7, 7, 19, 19, 37, 26, 41]))
    strand = float(np.exp(rng.uniform(np.log(0.45), np.log(2.6 if count == 7 else 1.6))))
    if count in (7, 19, 37):
        offsets, _ = concentric_offsets(count, strand * rng.uniform(1.01, 1.06))
    else:
        offsets = bunched_offsets(count, strand * 1.02, rng=rng)
    outer = float(2 * np.hypot(offsets[:, 0], offsets[:, 1]).max() + strand)
    place = ground.find(np.zeros((2, 2)), radius=outer / 2 + 3, may_cross=0.0)
    if place is None:
        return None
    _, shift = place
    turn = rng.uniform(0, 2 * np.pi)
    offsets = offsets @ turn_z(turn)[:2, :2].T
    outline_n = 48
    a = np.linspace(0, 2 * np.pi, outline_n, endpoint=False)
    radius = strand / 2 * (np.pi / outline_n) / np.sin(np.pi / outline_n)
    circle = radius * np.stack([np.cos(a), np.sin(a)], axis=1)
    tops = []
    for place2 in offsets:
        top = height_mm - abs(rng.normal(0, 0.08)) * strand
        tops.append(prism(circle + place2 + shift, bottom_mm=0.0, top_mm=top))
    finish = finish or pick_finish(rng, without=("paint", "heat", "oil", "lacquer"))
    faces = skin_of("bright", rng=rng, length_mm=20, round_mm=20, drawn=False)
    faces = replace(faces, height=faces.height + 0.01 * clouds(
        faces.shape, rng=rng, cell_px=(faces.shape[0], 6), octaves=2))  # fmt: skip
    if finish in ("light", "dull", "dark", "green") and rng.random() < 0.7:
        faces = skin_of(finish, rng=rng, length_mm=20, round_mm=20, drawn=False)
    parts: list[tuple[Mesh, Skin]] = [(join(tops), faces)]
    coated = rng.random() < 0.6
    if coated:
        skin_mm = rng.uniform(0.5, 1.3)
        below = height_mm - rng.uniform(0.0, 3.0)
        line = np.column_stack(
            [np.full(8, shift[0]), np.full(8, shift[1]), np.linspace(0, below, 8)]
        )
        x_up = np.array([1.0, 0, 0])
        tube_outer = sweep(line, round_profile(outer + 2 * skin_mm, sides=48), up=x_up, caps=False)
        tube_inner = sweep(line, round_profile(outer + 0.05, sides=48), up=x_up, caps=False,
                           inward=True)  # fmt: skip
        rim = ring_face(
            tube_outer.points[-49:], tube_inner.points[-49:], np.array([0, 0, 1.0]), v=0.9
        )
        parts.append(
            (
                join([tube_outer, tube_inner, rim]),
                coats.jacket((120, 96), rng=rng, mm=(height_mm, 3 * outer)),
            )
        )
    ground.stamp(shift[None], radius=outer / 2 + 3, top=height_mm, close=True)
    return Piece(form="stranded", parts=parts, diameter_mm=outer, strand_diameter_mm=strand,
                 strands=count, stated_form="cut_end",
                 facts={"insulation": coated, "face_height_mm": height_mm})  # fmt: skip


def rods(rng: Rng, ground: Ground, *, finish: str | None = None) -> list[Piece] | None:
    """Return equal wires lying side by side and touching, some on top: each its own piece."""
    d = float(np.exp(rng.uniform(np.log(0.8), np.log(6.0))))
    count = int(rng.integers(2, 8))
    across = count * d
    length = room(ground, 30, 180, rng)
    n = int(np.clip(length / max(0.6, d / 3), 24, 300))
    s = np.linspace(0, length, n)
    curve = np.zeros(n)
    if rng.random() < 0.5:  # bent to and fro
        for k in range(int(rng.integers(1, 5))):
            at, turn = rng.uniform(0.1, 0.9) * length, (-1) ** k * rng.uniform(0.3, 1.4)
            width = max(across * abs(turn) * 1.2, 3.0)
            curve += turn / (width * np.sqrt(np.pi)) * np.exp(-(((s - at) / width) ** 2))
        curve = np.clip(curve, -0.8 / across, 0.8 / across)
    heading = np.cumsum(curve) * length / (n - 1)
    xy = np.cumsum(np.stack([np.cos(heading), np.sin(heading)], axis=1) * length / (n - 1), axis=0)
    xy -= xy.mean(axis=0)
    place = ground.find(xy, radius=across / 2, may_cross=0.0)
    if place is None:
        return None
    angle, shift = place
    world = xy @ turn_z(angle)[:2, :2].T + shift
    ground.stamp(world, radius=across / 2, top=d)
    line = np.column_stack([world, np.full(n, d / 2)])
    t = tangents(line)
    side = np.stack([t[:, 1], -t[:, 0], np.zeros(n)], axis=1)
    slots: list[tuple[float, float]] = [((k - (count - 1) / 2) * d, 0.0) for k in range(count)]
    slots += [((k - (count - 2) / 2) * d, d * np.sqrt(3) / 2) for k in range(count - 1)
              if rng.random() < 0.25]  # fmt: skip
    finish = finish or pick_finish(rng)
    found = []
    for a, z in slots:
        own = line + side * a + np.array([0.0, 0.0, z])
        first = int(rng.uniform(0, 0.12) * n)
        own = own[first : n - int(rng.uniform(0, 0.12) * n)]
        look = finish if rng.random() < 0.75 else pick_finish(rng)
        run = float(np.linalg.norm(np.diff(own, axis=0), axis=1).sum())
        skin = skin_of(look, rng=rng, length_mm=run, round_mm=np.pi * d)
        mesh = sweep(own, round_profile(d, sides=sides_of(d)))
        found.append(Piece(form="wire", parts=[(mesh, skin)], diameter_mm=d,
                           strand_diameter_mm=d, strands=1,
                           facts={"side_by_side": True},
                           round_runs=((own, d),)))  # fmt: skip
    return found


def braid(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return a flat braid: bands of fine strands that cross over and under each other."""
    finish = finish or strand_finish(rng)
    strand = float(np.exp(rng.uniform(np.log(0.1), np.log(0.28))))
    side_by_side, bands = int(rng.integers(3, 6)), int(rng.integers(4, 9))
    wide = float(bands * side_by_side * strand * rng.uniform(1.0, 1.5))
    lay = wide * float(rng.uniform(1.6, 3.2))
    length = room(ground, 30, 150, rng)
    step = max(lay / 24, 0.4)
    xy = bent_path(length, rng=rng, min_radius_mm=max(4 * wide, 20.0), step_mm=step)
    thick = 4 * strand
    path = lay_down(xy, ground, radius=wide / 2, may_cross=0.0, stiff_mm=length, thick_mm=thick)
    if path is None:
        return None
    line = resampled(path, step_mm=step)
    arc = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    _, side, _ = frames(line)
    up = np.array([0.0, 0, 1.0])
    meshes: list[Mesh] = []
    for way in (-1.0, 1.0):
        for band in range(bands):
            for k in range(side_by_side):
                turn = way * (arc + 1.3 * strand * k) / lay + band / bands
                # A tube of bands pressed flat: across on one face, back on the other.
                across = 1 - 4 * np.abs(turn % 1.0 - 0.5)
                face = np.where(turn % 1.0 < 0.5, 1.0, -1.0)
                over = 0.45 * way * np.sin(2 * np.pi * bands * (turn % 1.0))
                high = strand * (1.6 + 0.7 * face + over)
                own = line + side * (across * wide / 2)[:, None]
                own[:, 2] += np.maximum(high, strand / 2) - thick / 2
                mesh = sweep(own, round_profile(strand, sides=6), up=up)
                meshes.append(shift_u(mesh, len(meshes)))
    skin = skin_of(finish, rng=rng, length_mm=length, round_mm=np.pi * strand)
    return Piece(form="stranded", parts=[(join(meshes), skin)], strand_diameter_mm=strand,
                 strands=len(meshes), facts={"braid": True, "width_mm": wide})  # fmt: skip
