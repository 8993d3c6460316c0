"""Brass: ends and nuts on tube, valves, rods."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from models.recipe.look import coats
from models.recipe.look import finishes as fin
from models.recipe.look.finishes import BRASS, STRANGER, Skin
from models.recipe.look.noise import Rng
from models.recipe.pieces.piece import Piece, room
from models.recipe.scene.ground import Ground
from models.recipe.scene.meshes import (
    Mesh,
    flat_profile,
    join,
    ring_face,
    round_profile,
    sweep,
    turn_z,
)


def brass_skin(rng: Rng, mm: tuple[float, float], shape: tuple[int, int] = (160, 160)) -> Skin:
    """Return brass of one of two alloys, ``mm`` along and round, bright to brown."""
    return fin.metal(shape, rng=rng, mm=mm, name=str(rng.choice(["brass70", "brass70", "brass85"])),
                     label=BRASS, rough=rng.uniform(0.12, 0.45),
                     dull=float(rng.beta(1.1, 1.8)))  # fmt: skip


def hexagon(across_mm: float, length_mm: float, bore_mm: float) -> Mesh:
    """Return a hexagonal nut lying on a flat, its axis along x from 0, chamfered ends."""
    a = np.deg2rad(60 * np.arange(7) + 30)
    corner = across_mm / np.sqrt(3)
    outline = corner * np.stack([np.cos(a), np.sin(a)], axis=1)
    chamfer = min(0.08 * across_mm, 0.2 * length_mm)
    meshes = []
    stations = [(0.0, 0.90), (chamfer, 1.0), (length_mm - chamfer, 1.0), (length_mm, 0.90)]
    for (x0, s0), (x1, s1) in itertools.pairwise(stations):
        for k in range(6):
            quad = np.array([
                [x0, *(outline[k] * s0)], [x0, *(outline[k + 1] * s0)],
                [x1, *(outline[k + 1] * s1)], [x1, *(outline[k] * s1)],
            ])  # fmt: skip
            normal = np.cross(quad[1] - quad[0], quad[3] - quad[0])
            normal /= np.linalg.norm(normal)
            middle = quad.mean(axis=0)
            face = np.array([[0, 1, 2], [0, 2, 3]])
            if normal @ np.array([0, middle[1], middle[2]]) < 0:
                normal, face = -normal, face[:, ::-1]
            uv = np.array([[k / 6, x0 / length_mm], [(k + 1) / 6, x0 / length_mm],
                           [(k + 1) / 6, x1 / length_mm], [k / 6, x1 / length_mm]])  # fmt: skip
            meshes.append(Mesh(points=quad, normals=np.tile(normal, (4, 1)), uv=uv, faces=face))
    ring = np.linspace(0, 2 * np.pi, 49)
    circle = np.stack([np.zeros(49), np.cos(ring), np.sin(ring)], axis=1)
    hex_ring = circle.copy()
    reach = (across_mm / 2 * 0.90) / np.cos(
        (ring + np.pi / 6 - np.deg2rad(30)) % (np.pi / 3) - np.pi / 6
    )
    hex_ring *= reach[:, None]
    bore = circle * bore_mm / 2
    for x, sign in ((0.0, -1.0), (length_mm, 1.0)):
        shift = np.array([x, 0, 0])
        outer, inner = hex_ring + shift, bore + shift
        pair = (outer, inner) if sign > 0 else (inner, outer)
        meshes.append(ring_face(*pair, np.array([sign, 0, 0]), v=0.5))
    back = sweep(np.array([[0.0, 0, 0], [length_mm / 2, 0, 0], [length_mm, 0, 0]]),
                 round_profile(bore_mm, sides=40), caps=False, inward=True)  # fmt: skip
    return join([*meshes, back])


def brass_end(rng: Rng, od: float) -> tuple[Mesh, float, float]:
    """Return a brass end along +x from 0, its across-flats and its length."""
    across = od * rng.uniform(1.3, 1.65) + 2
    nut_len = od * rng.uniform(0.6, 1.1) + 3
    nut = hexagon(across, nut_len, od + 0.4)
    meshes = [nut]
    total = nut_len
    if rng.random() < 0.75:  # threaded or plain spigot
        spigot = across * rng.uniform(0.6, 0.85)
        run = od * rng.uniform(0.5, 1.2) + 4
        x = np.linspace(nut_len, nut_len + run, 90)
        line = np.column_stack([x, np.zeros((90, 2))])
        scale = np.ones(90)
        if rng.random() < 0.7:
            pitch = rng.uniform(0.9, 1.9)
            scale = 1 - 0.035 * (0.5 + 0.5 * np.sin(2 * np.pi * x / pitch)) * min(1, 12 / spigot)
        wall = 0.22 * spigot
        outer = sweep(line, round_profile(spigot, sides=48), caps=False,
                      scale=np.column_stack([scale, scale]))  # fmt: skip
        inner = sweep(line, round_profile(spigot - 2 * wall, sides=48), caps=False, inward=True)
        end = ring_face(outer.points[-49:], inner.points[-49:], np.array([1.0, 0, 0]), v=0.99)
        meshes += [outer, inner, end]
        total += run
    if rng.random() < 0.35:  # second hexagon
        second = hexagon(across * rng.uniform(0.9, 1.1), nut_len * 0.7, od + 0.4)
        meshes.append(second.moved(np.eye(3), np.array([total, 0, 0])))
        total += nut_len * 0.7
        across = across * 1.1
    return join(meshes), across, total


def knurled(skin: Skin, *, mm: tuple[float, float], pitch_mm: float) -> Skin:
    """Return the skin with the crossed ridges of a knurl over the middle of its length."""
    v = np.linspace(0, 1, skin.shape[0], dtype=np.float32)[:, None]
    u = np.linspace(0, 1, skin.shape[1], endpoint=False, dtype=np.float32)[None]
    around = max(8, round(mm[1] / pitch_mm))
    a, b = v * mm[0] / pitch_mm, u * around
    ridge = np.maximum(np.sin(2 * np.pi * (a + b) / 2), np.sin(2 * np.pi * (a - b) / 2))
    where = np.clip((0.38 - np.abs(v - 0.5)) * 60, 0, 1)
    relief = (0.22 * pitch_mm * ridge * where).astype(np.float32)
    shade = 1 - 0.3 * np.clip(-ridge, 0, 1) * where
    return replace(
        skin,
        height=skin.height + relief,
        base=(skin.base * shade[..., None]).astype(np.float32),
    )


def valve(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:  # noqa: ARG001
    """Return a brass valve: a body between two hexagons, a stem and often a coloured handle."""
    od = float(rng.uniform(6, 15))
    across, ends = od * rng.uniform(1.4, 1.8), od * rng.uniform(0.6, 1.1)
    body = od * rng.uniform(1.2, 2.2)
    total = 2 * ends + body
    x = np.linspace(0, body, 30)
    swell = 0.55 + 0.45 * np.clip(np.sin(np.pi * x / body), 0, 1) ** rng.uniform(0.4, 1.2)
    belly = sweep(np.column_stack([x, np.zeros((30, 2))]), round_profile(across * 1.05, sides=48),
                  scale=np.column_stack([swell, swell]))  # fmt: skip
    meshes = [
        hexagon(across, ends, od * 0.7),
        belly.moved(np.eye(3), np.array([ends, 0, 0])),
        hexagon(across, ends, od * 0.7).moved(np.eye(3), np.array([ends + body, 0, 0])),
    ]
    long = across * rng.uniform(0.6, 1.6)
    side = np.array([0.0, 1.0, 0.0])
    stem = np.array([ends + body / 2, 0, 0]) + np.linspace(0, long, 12)[:, None] * side
    meshes.append(sweep(stem, round_profile(od * rng.uniform(0.4, 0.8), sides=32)))
    middle = np.array([-total / 2, 0, across / 2])
    brass = join(meshes).moved(np.eye(3), middle)
    parts = [(brass, brass_skin(rng, (total, np.pi * across)))]
    if rng.random() < 0.6:
        bar = np.linspace(-0.3, rng.uniform(0.6, 2.0), 12)[:, None] * across
        grip = stem[-1] + bar * np.array([1.0, 0, 0])
        handle = sweep(grip, flat_profile(od * 0.6, od * 0.25, corner_mm=1.0))
        parts.append((handle.moved(np.eye(3), middle),
                      fin.plain((8, 8), colour=coats.dye(rng), label=STRANGER,
                                rough=0.35)))  # fmt: skip
    xy = np.column_stack([np.linspace(-total / 2, total / 2, 16), np.zeros(16)])
    arm = np.column_stack([np.zeros(10), np.linspace(0, long, 10)])
    cover = np.concatenate([xy, arm])
    place = ground.find(cover, radius=across * 0.58, may_cross=0.0)
    if place is None:
        return None
    angle, shift = place
    matrix, offset = turn_z(angle), np.array([*shift, 0.0])
    ground.stamp(cover @ matrix[:2, :2].T + shift, radius=across * 0.6, top=across, close=True)
    parts = [(m.moved(matrix, offset), s) for m, s in parts]
    return Piece(form="other", parts=parts, material="brass")


def brass_piece(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:  # noqa: ARG001
    """Return brass alone: a fitting, a nut or a rod."""
    od = float(rng.uniform(5, 18))
    mesh, across, total = brass_end(rng, od)
    mesh = mesh.moved(np.eye(3), np.array([-total / 2, 0, across / 2]))
    rod = rng.random() < 0.35
    if rod:
        total, across = room(ground, 15, 120, rng), float(rng.uniform(3, 12))
        line = np.column_stack([np.linspace(-total / 2, total / 2, 20), np.zeros(20),
                                np.full(20, across / 2)])  # fmt: skip
        mesh = sweep(line, round_profile(across, sides=36))
    xy = np.column_stack([np.linspace(-total / 2, total / 2, 16), np.zeros(16)])
    place = ground.find(xy, radius=across * 0.58, may_cross=0.0)
    if place is None:
        return None
    angle, shift = place
    mesh = mesh.moved(turn_z(angle), np.array([*shift, 0.0]))
    ground.stamp(xy @ turn_z(angle)[:2, :2].T + shift, radius=across * 0.58, top=across, close=True)
    skin = brass_skin(rng, (total, np.pi * across), (400, 200) if rod else (160, 160))
    if rod and rng.random() < 0.5:
        skin = knurled(skin, mm=(total, np.pi * across), pitch_mm=float(rng.uniform(0.7, 1.6)))
    return Piece(form="other", parts=[(mesh, skin)], material="brass")
