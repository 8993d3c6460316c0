"""Sheet and flat bar."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.recipe.look import finishes as fin
from models.recipe.look.noise import Rng, clouds
from models.recipe.pieces.piece import Piece, lay_down, pick_finish, room, skin_of
from models.recipe.scene.ground import Ground
from models.recipe.scene.meshes import flat_profile, grid, join, sweep, turn_z


def sheet(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return an offcut of sheet, curled a little, or a strip of it."""
    finish = finish or pick_finish(rng, without=("enamel",))
    limit = 1.3 * min(ground.half_mm)
    long = float(rng.uniform(0.35, 0.95) * limit)
    wide = float(rng.uniform(0.15, 0.9) * long)
    thick = float(rng.choice([0.3, 0.5, 0.7, 1.0, 1.5]))
    n = 48
    a, b = np.meshgrid(np.linspace(-0.5, 0.5, n), np.linspace(-0.5, 0.5, n))
    skew = rng.normal(0, 0.12, 4)
    x = long * a * (1 + skew[0] * b) + skew[1] * wide * b
    y = wide * b * (1 + skew[2] * a) + skew[3] * 0.3 * long * a
    # Sheared edges wander a little.
    x = x + clouds((n, n), rng=rng, cell_px=(n / 3, n / 3), octaves=2) * 0.003 * long
    y = y + clouds((n, n), rng=rng, cell_px=(n / 3, n / 3), octaves=2) * 0.003 * long
    curl = rng.exponential(0.0012)
    dents = clouds((n, n), rng=rng, cell_px=(n / 3, n / 3), octaves=3) * rng.exponential(0.25)
    turn = rng.uniform(0, np.pi)
    z = curl * (x * np.cos(turn) + y * np.sin(turn)) ** 2 + dents
    z = z - z.min()
    flat = np.stack([x, y], axis=-1)
    outline = np.concatenate([flat[0], flat[:, -1], flat[-1, ::-1], flat[::-1, 0]])
    inside = flat[::4, ::4].reshape(-1, 2)
    cover = np.concatenate([outline, inside])
    place = ground.find(cover, radius=2.0, may_cross=0.0)
    if place is None:
        return None
    angle, shift = place
    matrix, offset = turn_z(angle), np.array([*shift, 0.0])
    upper = np.stack([x, y, z + thick], axis=-1)
    lower = np.stack([x, y, z], axis=-1)
    top = grid(upper)
    bottom = grid(lower, flip=True)
    rims = []
    for edge_u, edge_l in (
        (upper[0], lower[0]), (upper[-1, ::-1], lower[-1, ::-1]),
        (upper[::-1, 0], lower[::-1, 0]), (upper[:, -1], lower[:, -1]),
    ):  # fmt: skip
        rim = grid(np.stack([edge_l, edge_u]))
        rims.append(replace(rim, uv=rim.uv * np.array([1.0, 0.01])))
    mesh = join([top, bottom, *rims]).moved(matrix, offset)
    world = cover @ matrix[:2, :2].T + shift
    ground.stamp(world, radius=max(3.0, long / 20), top=float(z.max() + thick), close=True)
    rows = int(np.clip(wide / 0.2, 96, 520))
    skin = skin_of(finish, rng=rng, length_mm=rows * 0.15, round_mm=long, drawn=False)
    if rng.random() < 0.15:  # a soldered seam across it
        shape = skin.shape
        away = np.abs(np.linspace(0, 1, shape[0])[:, None] - rng.uniform(0.05, 0.95)) * wide
        wave = clouds(shape, rng=rng, cell_px=(shape[0] / 4, shape[1] / 8), octaves=4)
        edge = rng.uniform(1.0, 4.0) * (1 + 0.25 * wave) - away
        weight = np.clip(edge / 0.4 + 0.5, 0, 1).astype(np.float32)
        skin = fin.blend(skin, fin.solder(shape, rng=rng, mm=(wide, long)), weight)
    return Piece(form="sheet", parts=[(mesh, skin)], facts={"thickness_mm": thick})


def bus_bar(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return a flat bar with rounded edges."""
    finish = finish or pick_finish(rng, without=("enamel", "green"))
    wide, thick = float(rng.uniform(6, 30)), float(rng.choice([1.5, 2, 3, 5, 6]))
    length = room(ground, 40, 180, rng)
    xy = np.column_stack([np.linspace(-length / 2, length / 2, 40), np.zeros(40)])
    path = lay_down(xy, ground, radius=wide / 2, may_cross=0.0, stiff_mm=length, thick_mm=thick)
    if path is None:
        return None
    mesh = sweep(path, flat_profile(wide, thick, corner_mm=rng.uniform(0.2, 0.8)))
    skin = skin_of(finish, rng=rng, length_mm=length, round_mm=2 * (wide + thick))
    return Piece(form="sheet", parts=[(mesh, skin)], facts={"thickness_mm": thick, "bar": True})
