"""Pieces of many wires: fans of strands, opened cable, windings, hanks, rods side by side.

Like ``pieces.py``: each builder lays its piece in real contact with the table and
says what it truly is; None where there is no room.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.recipe.look import finishes as fin
from models.recipe.look.finishes import OTHER, STRANGER, Skin
from models.recipe.look.noise import Rng, clouds
from models.recipe.scene.ground import Ground
from models.recipe.scene.meshes import (
    Array,
    Mesh,
    bunched_offsets,
    frames,
    join,
    round_profile,
    strand_paths,
    sweep,
    tangents,
    turn_z,
)
from models.recipe.scene.pieces import (
    Piece,
    awg_mm,
    bent_path,
    lay_down,
    pick_finish,
    room,
    shift_u,
    sides_of,
    skin_of,
    stranded,
)

# Most points of a winding's mesh: with more, the ray tracer's tree takes longer than the scene.
MOST_POINTS = 110_000


def _smooth(t: Array) -> Array:
    t = np.clip(t, 0, 1)
    return t * t * (3 - 2 * t)


def spread(
    start: Array, heading: Array, *, length_mm: Array, rest_mm: float, rng: Rng, lift_mm: float
) -> Array:
    """Return paths ``(k, n, 3)`` that run on along +x from ``start`` and part company.

    Args:
        start: ``(k, 3)`` where each begins.
        heading: ``(k,)`` angle each turns to, radians.
        length_mm: ``(k,)`` length of each.
        rest_mm: Height of a centre line that lies on the table.
        rng: Randomness.
        lift_mm: How far some of them bow up from the table.
    """
    k, n = len(start), 40
    t = np.linspace(0, 1, n)[None]
    wave = clouds((k, n), rng=rng, cell_px=(1, n / 2.5), octaves=2)
    wave = (wave - wave[:, :1]) * rng.uniform(0.05, 0.3)
    bend = rng.normal(0, 0.35, (k, 1)) * rng.uniform(0, 1)
    turn = heading[:, None] * _smooth(t * rng.uniform(1.2, 3.0)) + bend * t**2 + wave
    step = np.stack([np.cos(turn), np.sin(turn)], axis=-1) * (length_mm / (n - 1))[:, None, None]
    step[:, 0] = 0
    out = np.zeros((k, n, 3))
    out[..., :2] = start[:, None, :2] + np.cumsum(step, axis=1)
    floor = rest_mm + np.abs(rng.normal(0, 0.25, (k, 1))) * lift_mm
    bow = np.abs(rng.normal(0, 0.5, (k, 1))) * lift_mm
    fall = _smooth(t * rng.uniform(1.0, 2.0))
    out[..., 2] = start[:, 2:3] * (1 - fall) + floor * fall + bow * np.sin(np.pi * t) ** 2
    out[..., 2] = np.maximum(out[..., 2], rest_mm)
    return out


def _ahead(base: Array, free: Array) -> Array:
    return np.concatenate([base, free[:, 1:]], axis=1)


def _mirrored(paths: Array) -> Array:
    return paths * np.array([-1.0, 1.0, 1.0])


def _placed(
    parts: list[tuple[Mesh, Skin]], ground: Ground, *, cover: Array, top: float, close: bool = False
) -> list[tuple[Mesh, Skin]] | None:
    """Move parts built about the origin to a free place and take it."""
    thin = cover[:: max(1, len(cover) // 150)]
    place = ground.find(thin, radius=1.5, may_cross=0.0)
    if place is None:
        return None
    angle, shift = place
    matrix = turn_z(angle)
    ground.stamp(thin @ matrix[:2, :2].T + shift, radius=2.5, top=top, close=close)
    return [(mesh.moved(matrix, np.array([*shift, 0.0])), skin) for mesh, skin in parts]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lead:
    """Sizes of a stranded lead whose end spreads.

    Attributes:
        count: Number of strands.
        strand_mm: Diameter of one.
        wall_mm: Thickness of the jacket, 0 for none.
        base_mm: Length of what is held together.
        reach_mm: Length of the loose end.
        brush: Whether the other end is loose too.
    """

    count: int
    strand_mm: float
    wall_mm: float
    base_mm: float
    reach_mm: float
    brush: bool = False


def _spread_end(
    rng: Rng, lead: Lead, *, finish: str
) -> tuple[list[tuple[Mesh, Skin]], Array, float, float]:
    """Return the parts of a lead along x, its plan ``(n, 2)``, its own and its core's diameter."""
    count, strand, base = lead.count, lead.strand_mm, lead.base_mm
    offsets = bunched_offsets(count, strand, rng=rng)
    outer = float(2 * np.hypot(offsets[:, 0], offsets[:, 1]).max() + strand)
    od = outer * 1.03 + 2 * lead.wall_mm
    n = int(np.clip(base / 1.5, 12, 60))
    line = np.column_stack([np.linspace(-base, 0, n), np.zeros(n), np.full(n, od / 2)])
    line[:, 1] = rng.normal(0, 0.08) * base * (line[:, 0] / base) ** 2
    turns = float(rng.uniform(8, 20)) * outer * rng.choice([-1.0, 1.0])
    held = strand_paths(line, offsets=offsets, lay_mm=np.full(count, turns), floor_mm=strand / 2)
    wide = float(rng.uniform(0.0, 1.3)) * float(rng.choice([0.25, 1.0]))

    def loose(tips: Array) -> Array:
        lateral = tips[:, 1] / max(outer / 2, 1e-6)
        heading = wide * (0.7 * lateral + 0.35 * rng.normal(0, 1, count))
        return spread(tips, heading, length_mm=lead.reach_mm * rng.uniform(0.8, 1.0, count),
                      rest_mm=strand / 2, rng=rng,
                      lift_mm=float(rng.exponential(1.5)))  # fmt: skip

    paths = _ahead(held, loose(held[:, -1]))
    if lead.brush:
        back = _mirrored(held[:, ::-1])
        other = _mirrored(loose(back[:, -1]))[:, ::-1]
        paths = np.concatenate([other[:, :-1], paths], axis=1)
    sides = 8 if strand < 0.25 else 10
    mesh = join(
        [shift_u(sweep(p, round_profile(strand, sides=sides)), k) for k, p in enumerate(paths)]
    )
    length = float(np.linalg.norm(np.diff(paths[0], axis=0), axis=1).sum())
    skin = skin_of(finish, rng=rng, length_mm=length, round_mm=np.pi * strand)
    if rng.random() < 0.1:
        at = 1 - lead.reach_mm * rng.uniform(0.2, 0.9) / length
        skin = fin.dipped(skin, rng=rng, mm=(length, np.pi * strand), at=float(max(at, 0.05)))
    parts = [(mesh, skin)]
    if lead.wall_mm > 0:
        cover = sweep(line[: max(6, n - int(rng.integers(0, 3)))],
                      round_profile(od, sides=sides_of(od)))  # fmt: skip
        parts.append((cover, fin.jacket((240, 64), rng=rng, mm=(base, np.pi * od))))
    flat = np.concatenate([paths[:, ::8, :2].reshape(-1, 2), line[::4, :2]])
    return parts, flat, od, outer


def _lead_piece(lead: Lead, parts: list[tuple[Mesh, Skin]], *, od: float, outer: float) -> Piece:
    facts: dict[str, object] = {"fanned": True}
    if lead.wall_mm > 0:
        facts |= {"insulation": True, "stripped": True, "conductor_mm": outer}
    return Piece(form="stranded", parts=parts, diameter_mm=od if lead.wall_mm > 0 else outer,
                 strand_diameter_mm=lead.strand_mm, strands=lead.count, facts=facts)  # fmt: skip


def _strand_finish(rng: Rng) -> str:
    return "bright" if rng.random() < 0.35 else pick_finish(rng, without=("paint", "heat"))


def _draw_lead(rng: Rng, ground: Ground, *, brush: bool, insulated: bool) -> Lead:
    count = int(rng.integers(7, 41))
    strand = float(np.exp(rng.uniform(np.log(0.1), np.log(0.6))))
    return Lead(
        count=count,
        strand_mm=strand,
        wall_mm=float(rng.uniform(0.25, 0.9)) if insulated else 0.0,
        base_mm=float(rng.uniform(3, 12)) if brush else room(ground, 15, 110, rng),
        reach_mm=float(rng.uniform(5, 14) + 10 * rng.random() * strand * np.sqrt(count)),
        brush=brush,
    )


def fan(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return a cable whose fine strands spread out at one end, or a brush of them at both."""
    brush = rng.random() < 0.25
    lead = _draw_lead(rng, ground, brush=brush, insulated=not brush and rng.random() < 0.65)
    parts, flat, od, outer = _spread_end(rng, lead, finish=finish or _strand_finish(rng))
    middle = flat.mean(axis=0)
    parts = [(m.moved(np.eye(3), np.array([*-middle, 0.0])), s) for m, s in parts]
    placed = _placed(parts, ground, cover=flat - middle, top=od)
    if placed is None:
        return None
    return _lead_piece(lead, placed, od=od, outer=outer)


def leads(rng: Rng, ground: Ground, *, finish: str | None = None) -> list[Piece] | None:
    """Return equal leads of several colours side by side, as they leave one loom."""
    lead = _draw_lead(rng, ground, brush=False, insulated=True)
    finish = finish or _strand_finish(rng)
    count = int(rng.integers(2, 7))
    apart = float(rng.uniform(1.15, 5.0))
    turn = rng.normal(0, 0.12)
    made, covers = [], []
    for k in range(count):
        parts, flat, od, outer = _spread_end(rng, lead, finish=finish)
        shift = np.array([rng.normal(0, 6), (k - (count - 1) / 2) * od * apart, 0.0])
        matrix = turn_z(float(turn * (k - (count - 1) / 2)))
        made.append(([(m.moved(matrix, shift), s) for m, s in parts], od, outer))
        covers.append(flat[::3] @ matrix[:2, :2].T + shift[:2])
    cover = np.concatenate(covers)
    middle = np.array([*cover.mean(axis=0), 0.0])
    place = ground.find(cover[:: max(1, len(cover) // 200)] - middle[:2], radius=1.5)
    if place is None:
        return None
    angle, shift2 = place
    matrix = turn_z(angle)
    ground.stamp((cover - middle[:2]) @ matrix[:2, :2].T + shift2, radius=2.5, top=made[0][1])
    offset = np.array([*shift2, 0.0])
    return [
        _lead_piece(
            lead,
            [(m.moved(np.eye(3), -middle).moved(matrix, offset), s) for m, s in parts],
            od=od,
            outer=outer,
        )
        for parts, od, outer in made
    ]


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


def _dense(path: Array, *, step_mm: float) -> Array:
    arc = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    n = int(np.clip(arc[-1] / step_mm, 12, 300))
    at = np.linspace(0, arc[-1], n)
    return np.stack([np.interp(at, arc, path[:, c]) for c in range(3)], axis=1)


def multicore(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return insulated wires that leave a common sheath, most of them stripped."""
    cores = int(rng.integers(2, 6))
    core = float(awg_mm(float(rng.choice([10, 12, 14, 16, 18, 20, 22]))))
    wall = float(rng.uniform(0.25, 0.9))
    od = core * 1.03 + 2 * wall
    fine = 7 if rng.random() < 0.5 else 1
    finish = finish or str(rng.choice(["bright", "bright", "light", "dull", "tinned"]))
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
              fin.jacket((240, 64), rng=rng, mm=(base, np.pi * sheath)))]  # fmt: skip
    stripped = rng.random() < 0.85
    for path in paths:
        full = _dense(path, step_mm=max(0.5, od / 4))
        cut = int(len(full) * (1 - rng.uniform(0.1, 0.5))) if stripped else len(full)
        cut = max(cut, 6)
        skin = fin.jacket((160, 48), rng=rng, mm=(reach, np.pi * od))
        parts.append((sweep(full[:cut], round_profile(od, sides=sides_of(od))), skin))
        if len(full) - cut > 3:
            bare = _dense(full[cut - 2 :], step_mm=max(0.25, core / 6))
            parts.append(_conductor(rng, ground, bare, core=core, finish=finish, fine=fine))
    flat = np.concatenate([paths[:, ::5, :2].reshape(-1, 2), line[::4, :2]])
    middle = flat.mean(axis=0)
    parts = [(m.moved(np.eye(3), np.array([*-middle, 0.0])), s) for m, s in parts]
    placed = _placed(parts, ground, cover=flat - middle, top=sheath)
    if placed is None:
        return None
    return Piece(form="wire" if fine == 1 else "stranded", parts=placed, diameter_mm=od,
                 strand_diameter_mm=core if fine == 1 else core / 3, strands=fine,
                 facts={"insulation": True, "stripped": stripped, "conductor_mm": core,
                        "cores": cores})  # fmt: skip


def twin_cable(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return flat cable: two jackets grown together side by side, stripped at one end or not."""
    core = float(awg_mm(float(rng.choice([14, 16, 18, 20, 22]))))
    od = core * 1.03 + 2 * float(rng.uniform(0.3, 0.9))
    fine = 7 if rng.random() < 0.7 else 1
    finish = finish or str(rng.choice(["bright", "bright", "light", "dull", "tinned"]))
    length = room(ground, 40, 200, rng)
    xy = bent_path(length, rng=rng, min_radius_mm=max(8 * od, 10), step_mm=max(0.6, od / 4))
    path = lay_down(xy, ground, radius=od, may_cross=0.0, stiff_mm=20 + 5 * od)
    if path is None:
        return None
    path[:, 2] = od / 2
    _, side, _ = frames(path)
    stripped = rng.random() < 0.75
    n = len(path)
    cut = max(8, n - int(n * np.clip(rng.uniform(6, 40) / length, 0.05, 0.5))) if stripped else n
    colour = fin.dye(rng)
    parts = []
    for sign in (-1.0, 1.0):
        own = path + sign * side * od * 0.48
        parts.append((sweep(own[:cut], round_profile(od, sides=sides_of(od))),
                      fin.jacket((240, 48), rng=rng, mm=(length, np.pi * od),
                                 colour=colour if rng.random() < 0.8 else None)))  # fmt: skip
        if n - cut > 3:
            away = _smooth(np.linspace(0, 1, n - cut + 2))[:, None] * rng.uniform(0, 0.6) * od
            bare = own[cut - 2 :] + sign * side[cut - 2 :] * away
            bare = _dense(bare, step_mm=max(0.25, core / 6))
            parts.append(_conductor(rng, ground, bare, core=core, finish=finish, fine=fine))
    return Piece(form="wire" if fine == 1 else "stranded", parts=parts, diameter_mm=od,
                 strand_diameter_mm=core if fine == 1 else core / 3, strands=fine,
                 facts={"insulation": True, "stripped": stripped, "conductor_mm": core,
                        "cores": 2})  # fmt: skip


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
    w = _smooth((at - now - (1 - swap)) / swap)
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
    placed = _placed(
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
    return join(pieces), fin.jacket((96, 24), rng=rng, mm=(40, 3 * thick), label=STRANGER)


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
    x = pitch * (whole + _smooth((angle / (2 * np.pi) - whole - 0.9) / 0.1))
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
        else fin.plain((16, 16), colour=fin.dye(rng), label=STRANGER, rough=rng.uniform(0.2, 0.6))
    )
    parts.append((join(former), skin))
    cover = np.column_stack([np.linspace(-half - thick, half + thick, 24), np.zeros(24)])
    cover = np.concatenate([cover + np.array([0.0, y]) for y in (-flange, 0.0, flange)])
    placed = _placed(parts, ground, cover=cover, top=2 * flange, close=True)
    if placed is None:
        return None
    return Piece(form="wire", parts=placed, diameter_mm=d, strand_diameter_mm=d, strands=1,
                 facts={"coil": True, "turns": turns, "former": True})  # fmt: skip


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
    finish = finish or _strand_finish(rng)
    strand = float(np.exp(rng.uniform(np.log(0.1), np.log(0.28))))
    side_by_side, bands = int(rng.integers(3, 6)), int(rng.integers(4, 9))
    wide = float(bands * side_by_side * strand * rng.uniform(1.0, 1.5))
    lay = wide * float(rng.uniform(1.6, 3.2))
    length = room(ground, 30, 150, rng)
    step = max(lay / 24, 0.4)
    xy = bent_path(length, rng=rng, min_radius_mm=max(4 * wide, 20.0), step_mm=step)
    path = lay_down(xy, ground, radius=wide / 2, may_cross=0.0, stiff_mm=length)
    if path is None:
        return None
    line = _dense(path, step_mm=step)
    arc = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    _, side, _ = frames(line)
    up = np.array([0.0, 0, 1.0])
    meshes = []
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
                own[:, 2] = np.maximum(high, strand / 2)
                mesh = sweep(own, round_profile(strand, sides=6), up=up)
                meshes.append(shift_u(mesh, len(meshes)))
    skin = skin_of(finish, rng=rng, length_mm=length, round_mm=np.pi * strand)
    return Piece(form="stranded", parts=[(join(meshes), skin)], strand_diameter_mm=strand,
                 strands=len(meshes), facts={"braid": True, "width_mm": wide})  # fmt: skip
