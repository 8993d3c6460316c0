"""Windings: coils, hanks, bobbins."""

from __future__ import annotations

import numpy as np

from models.recipe.look import coats
from models.recipe.look import finishes as fin
from models.recipe.look.finishes import OTHER, STRANGER, Skin
from models.recipe.look.noise import Rng, clouds
from models.recipe.pieces.piece import Piece, eased, pick_finish, put_down, skin_of
from models.recipe.scene.ground import Ground
from models.recipe.scene.meshes import (
    Array,
    Mesh,
    bunched_offsets,
    join,
    round_profile,
    sweep,
    turn_z,
)


def coil(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return a hank or a close-wound coil of one wire, mostly enamelled."""
    finish = finish or ("enamel" if rng.random() < 0.65 else pick_finish(rng))
    d = float(np.exp(rng.uniform(np.log(0.25), np.log(2.2))))
    if rng.random() < 0.6:
        big = float(rng.uniform(12, max(14, 0.4 * min(ground.half_mm))))
        turns = int(np.clip(rng.uniform(4, 40), 4, 900 / (big * 0.6)))
        offsets = bunched_offsets(turns, d * 1.06, rng=rng)
        order = rng.permutation(turns)
        low = offsets[:, 1].min() - d / 2
        per = int(np.clip(2 * np.pi * big / max(0.8, d), 60, 200))
        angle = np.linspace(0, 2 * np.pi * turns, per * turns)
        place_at = angle / (2 * np.pi)
        rho = np.interp(place_at, np.arange(turns) + 0.5, offsets[order, 0])
        high = np.interp(place_at, np.arange(turns) + 0.5, offsets[order, 1]) - low
        wave = clouds((len(angle), 2), rng=rng, cell_px=(per / 2, 1), octaves=2) * 0.3 * d
        r = big + rho + wave[:, 0] * rng.uniform(0.3, 3)
        squash = rng.uniform(0.7, 1.0)
        path = np.stack([r * np.cos(angle), squash * r * np.sin(angle),
                         np.maximum(high + np.abs(wave[:, 1]), d / 2)], axis=1)  # fmt: skip
        reach = big + abs(offsets[:, 0]).max() + d
        top, up = float(path[:, 2].max() + d / 2), np.array([0.0, 0, 1.0])
        cover = np.stack([r * np.cos(angle), squash * r * np.sin(angle)], axis=1)[
            :: max(1, len(r) // 120)
        ]
    else:
        radius = float(rng.uniform(max(2 * d, 2.5), 12))
        turns = int(np.clip(rng.uniform(8, 60), 4, 70 / d))
        pitch = d * rng.uniform(1.02, 1.5)
        angle = np.linspace(0, 2 * np.pi * turns, 40 * turns)
        x = pitch * angle / (2 * np.pi)
        high = radius * np.sin(angle) + radius + d / 2
        path = np.stack([x - x.mean(), radius * np.cos(angle), high],
                        axis=1)  # fmt: skip
        reach, top, up = float(x.max() / 2 + radius), 2 * radius + d, np.array([1.0, 0, 0])
        cover = np.column_stack([np.linspace(-x.max() / 2, x.max() / 2, 20), np.zeros(20)])
    place = ground.find(cover, radius=min(6.0, reach / 3) if up[2] else top / 2, may_cross=0.0)
    if place is None:
        return None
    turn, shift = place
    matrix, offset = turn_z(turn), np.array([*shift, 0.0])
    mesh = sweep(path, round_profile(d, sides=12 if d < 1 else 16), up=up).moved(matrix, offset)
    ground.stamp(cover @ matrix[:2, :2].T + shift, radius=min(8.0, reach / 2), top=top, close=True)
    length = float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())
    skin = skin_of(finish, rng=rng, length_mm=min(length, 200), round_mm=np.pi * d)
    return Piece(form="wire", parts=[(mesh, skin)], diameter_mm=d, strand_diameter_mm=d, strands=1,
                 facts={"coil": True, "turns": turns})  # fmt: skip


# Most points of a winding's mesh: with more, the ray tracer's tree takes longer than the scene.
MOST_POINTS = 110_000


def _loop(long_mm: float, wide_mm: float, *, power: float, n: int) -> tuple[Array, Array]:
    """Return a closed superellipse ``(n + 1, 2)`` evenly by arc, and its outward normals."""
    a = np.linspace(0, 2 * np.pi, 2000)
    c, s = np.cos(a), np.sin(a)
    raw = np.stack([long_mm / 2 * np.sign(c) * np.abs(c) ** (2 / power),
                    wide_mm / 2 * np.sign(s) * np.abs(s) ** (2 / power)], axis=1)  # fmt: skip
    arc = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(raw, axis=0), axis=1))])
    at = np.linspace(0, arc[-1], n + 1)
    xy = np.stack([np.interp(at, arc, raw[:, k]) for k in range(2)], axis=1)
    t = np.roll(xy[:-1], -1, axis=0) - np.roll(xy[:-1], 1, axis=0)
    t = np.concatenate([t, t[:1]])
    normal = np.stack([t[:, 1], -t[:, 0]], axis=1)
    return xy, normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)


def hank(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return parallel turns of one wire: a tied hank, or a tight winding out of a machine."""
    winding = rng.random() < 0.5
    most = 0.75 * min(ground.half_mm)
    if winding:
        d = float(np.exp(rng.uniform(np.log(0.2), np.log(1.6))))
        turns = int(rng.integers(12, 70))
        finish = finish or ("enamel" if rng.random() < 0.85 else pick_finish(rng))
    else:
        d = float(np.exp(rng.uniform(np.log(0.5), np.log(3.5))))
        turns = int(rng.integers(3, 16))
        finish = finish or (
            "enamel" if rng.random() < 0.25 else pick_finish(rng, without=("paint",))
        )
    long = float(rng.uniform(min(20, most), 1.6 * most))
    wide = float(long * rng.uniform(0.25, 0.95))
    sides = 8 if d < 0.5 else 12
    per = int(np.clip(min(2.2 * long / max(d, 0.6), MOST_POINTS / ((sides + 1) * turns)), 40, 140))
    xy, normal = _loop(long, wide, power=float(rng.uniform(2.0, 4.5)), n=per)
    columns = max(1, round(np.sqrt(turns) * rng.uniform(0.6, 1.5)))
    slots = [(c, r) for r in range(-(-turns // columns)) for c in range(columns)][:turns]
    pitch = d * (rng.uniform(1.0, 1.03) if winding else rng.uniform(1.0, 1.25))
    rho = np.array([(c + 0.5 * (r % 2)) * pitch for c, r in slots])
    high = np.array([r * pitch * 0.88 for _, r in slots]) + d / 2
    if not winding:
        order = rng.permutation(turns)
        rho, high = rho[order], high[order]
    # A turn keeps its place and changes over to the next one's at the end.
    at = np.arange(turns * per) / per
    now = np.minimum(at.astype(int), turns - 1)
    after = np.minimum(now + 1, turns - 1)
    swap = 0.08 if winding else 0.25
    w = eased((at - now - (1 - swap)) / swap)
    spot = np.arange(turns * per) % per
    out = rho[now] * (1 - w) + rho[after] * w
    up = high[now] * (1 - w) + high[after] * w
    if not winding:
        wave = clouds((turns * per, 2), rng=rng, cell_px=(per / 3, 1), octaves=2)
        out = out + wave[:, 0] * d * rng.uniform(0.05, 0.9)
        up = up + np.abs(wave[:, 1]) * d * rng.uniform(0.0, 0.5)
    path = np.column_stack([xy[spot] + normal[spot] * out[:, None], np.maximum(up, d / 2)])
    mesh = sweep(path, round_profile(d, sides=sides))
    length = float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())
    parts = [(mesh, skin_of(finish, rng=rng, length_mm=min(length, 200), round_mm=np.pi * d))]
    top = float(path[:, 2].max() + d / 2)
    for _ in range(int(rng.choice([0, 1, 2, 3], p=[0.3, 0.3, 0.25, 0.15]))):
        parts.append(
            _tie(rng, xy, normal, reach=(float(out.min()), float(out.max())), top=top, d=d)
        )
    placed = put_down(
        parts, ground, cover=path[:: max(1, len(path) // 150), :2], top=top, close=True
    )
    if placed is None:
        return None
    return Piece(form="wire", parts=placed, diameter_mm=d, strand_diameter_mm=d, strands=1,
                 facts={"coil": True, "turns": turns, "parallel": True})  # fmt: skip


def _tie(
    rng: Rng, xy: Array, normal: Array, *, reach: tuple[float, float], top: float, d: float
) -> tuple[Mesh, Skin]:
    """Return a band of tape, plastic or wire about a bundle of turns."""
    k = int(rng.integers(1, len(xy) - 2))
    along = np.array([*(xy[k + 1] - xy[k]), 0.0])
    along /= np.linalg.norm(along)
    outward = np.array([*normal[k], 0.0])
    thick = float(rng.uniform(0.3, 1.0) * max(0.6, 0.6 * d))
    half_w, half_h = (reach[1] - reach[0]) / 2 + d / 2, top / 2
    middle = np.array([*(xy[k] + normal[k] * (reach[0] + reach[1]) / 2), top / 2])
    a = np.linspace(0, 2 * np.pi, 41)
    pieces = []
    wraps = int(rng.integers(1, 6))
    for j in range(wraps):
        ring = (
            middle
            + along * (j - wraps / 2) * thick * 1.05
            + np.cos(a)[:, None] * outward * (half_w + thick / 2) * 1.03
            + np.sin(a)[:, None] * np.array([0, 0, 1.0]) * (half_h + thick / 2) * 1.03
        )
        pieces.append(sweep(ring, round_profile(thick, sides=10), up=along, caps=False))
    return join(pieces), coats.jacket((96, 24), rng=rng, mm=(40, 3 * thick), label=STRANGER)


def bobbin(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return a close winding of fine wire on a former between two flanges."""
    d = float(np.exp(rng.uniform(np.log(0.12), np.log(0.9))))
    finish = finish or ("enamel" if rng.random() < 0.9 else pick_finish(rng, without=("paint",)))
    radius = float(rng.uniform(3, 10))
    turns = int(np.clip(rng.uniform(12, 110), 8, 40 / d))
    flange = radius + d + float(rng.uniform(0.3, 4))
    pitch = d * float(rng.uniform(1.0, 1.04))
    per = int(np.clip(MOST_POINTS / (9 * turns), 32, 60))
    angle = np.linspace(0, 2 * np.pi * turns, per * turns)
    # One turn lies beside the next and steps over in a tenth of it.
    whole = np.floor(angle / (2 * np.pi))
    x = pitch * (whole + eased((angle / (2 * np.pi) - whole - 0.9) / 0.1))
    x = x - x.mean()
    path = np.stack([x, radius * np.cos(angle), radius * np.sin(angle) + flange], axis=1)
    axis = np.array([1.0, 0, 0])
    half = float(x.max() + d / 2)
    wire = sweep(path, round_profile(d, sides=8), up=axis)
    length = float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())
    parts = [(wire, skin_of(finish, rng=rng, length_mm=min(length, 200), round_mm=np.pi * d))]
    thick = float(rng.uniform(0.8, 3))
    up = np.array([0.0, 0, 1.0])
    line = lambda a, b: np.column_stack(  # noqa: E731
        [np.linspace(a, b, 6), np.zeros(6), np.full(6, flange)]
    )
    former = [sweep(line(-half, half), round_profile(2 * radius - d, sides=40), up=up)]
    for a, b in ((-half - thick, -half), (half, half + thick)):
        former.append(sweep(line(a, b), round_profile(2 * flange, sides=40), up=up))
    skin = (
        fin.metal((96, 96), rng=rng, mm=(20, 40), name="steel", label=OTHER, rough=0.4, dull=0.5)
        if rng.random() < 0.4
        else fin.plain((16, 16), colour=coats.dye(rng), label=STRANGER, rough=rng.uniform(0.2, 0.6))
    )
    parts.append((join(former), skin))
    cover = np.column_stack([np.linspace(-half - thick, half + thick, 24), np.zeros(24)])
    cover = np.concatenate([cover + np.array([0.0, y]) for y in (-flange, 0.0, flange)])
    placed = put_down(parts, ground, cover=cover, top=2 * flange, close=True)
    if placed is None:
        return None
    return Piece(form="wire", parts=placed, diameter_mm=d, strand_diameter_mm=d, strands=1,
                 facts={"coil": True, "turns": turns, "former": True})  # fmt: skip
