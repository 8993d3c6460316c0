"""Pieces of scrap as a yard sees them: wire, cable, tube, sheet, coil, odd ends.

Each builder lays its piece on the ground in real contact and says what it truly
is. Diameters come from the wire-gauge formula of ASTM B258 and from the tube
tables in ``data/tubes.csv`` (ASTM B88, B280, EN 1057).
"""

from __future__ import annotations

import csv
import itertools
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np

from models.recipe.look import finishes as fin
from models.recipe.look import optics
from models.recipe.look.finishes import BRASS, COATED, OTHER, STRANGER, Skin
from models.recipe.look.noise import Rng, clouds
from models.recipe.scene.ground import Ground
from models.recipe.scene.meshes import (
    Array,
    Mesh,
    bunched_offsets,
    concentric_offsets,
    flat_profile,
    grid,
    join,
    prism,
    ring_face,
    round_profile,
    strand_paths,
    sweep,
    tangents,
    turn_z,
)


def awg_mm(number: float) -> float:
    """Return the diameter of an AWG number, ASTM B258: 0.127 mm x 92^((36 - n) / 39)."""
    return 0.127 * 92.0 ** ((36.0 - number) / 39.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """One piece with the truth about it.

    Attributes:
        form: wire, stranded, tube, sheet or other.
        parts: Meshes in place, each with its skin.
        material: What the piece mainly is.
        diameter_mm: Outer diameter (bundle of a cable), None where there is none.
        strand_diameter_mm: Of one bare strand.
        strands: Number of strands.
        facts: What a person could state.
        stated_form: A form that has to be stated, e.g. ``cut_end``.
        round_runs: Centre lines ``(n, 3)`` of what is round all along, each with its diameter.
        source: Where it comes from, as a person may state it; None where nobody would know.
    """

    form: str
    parts: list[tuple[Mesh, Skin]]
    material: str = "copper"
    diameter_mm: float | None = None
    strand_diameter_mm: float | None = None
    strands: int | None = None
    facts: dict[str, object] = field(default_factory=dict)
    stated_form: str | None = None
    round_runs: tuple[tuple[Array, float], ...] = ()
    source: str | None = None


FINISH_NAMES = ("bright", "light", "dull", "dark", "black", "heat", "green", "enamel", "lacquer",
                "oil", "paint", "tinned")  # fmt: skip
FINISH_WEIGHTS = {"bright": 4.0, "light": 2.5, "dull": 3.0, "dark": 2.0, "black": 0.7, "heat": 0.8,
                  "green": 2.0, "enamel": 2.0, "lacquer": 0.7, "oil": 0.7, "paint": 0.8,
                  "tinned": 1.3}  # fmt: skip


# How often a dull brown haze lies over the film.
HAZY = {"light": 0.45, "dull": 0.5, "dark": 0.3, "green": 0.2}


def pick_finish(rng: Rng, *, without: tuple[str, ...] = ()) -> str:
    """Return a finish name by the weights of what scrap looks like."""
    names = [n for n in FINISH_NAMES if n not in without]
    weights = np.array([FINISH_WEIGHTS[n] for n in names])
    return str(rng.choice(names, p=weights / weights.sum()))


def skin_of(  # noqa: PLR0912 - one branch a finish
    finish: str, *, rng: Rng, length_mm: float, round_mm: float, drawn: bool = True
) -> Skin:
    """Return the skin of a copper surface ``length_mm`` by ``round_mm``."""
    rows = int(np.clip(length_mm / 0.15, 96, 1400))
    columns = int(np.clip(round_mm / 0.12, 24, 420))
    shape, mm = (rows, columns), (max(length_mm, 1.0), max(round_mm, 0.5))
    rough = rng.uniform(0.2, 0.45)

    def bare(level: float, patchy: float) -> Skin:
        return fin.copper(shape, rng=rng, mm=mm, level=level, patchy=patchy, rough=rough,
                          drawn=drawn)  # fmt: skip

    if finish == "bright":
        skin = bare(float(rng.uniform(0.0, 0.09)), float(rng.uniform(0.005, 0.03)))
    elif finish == "light":
        skin = bare(float(rng.uniform(0.18, 0.36)), float(rng.uniform(0.02, 0.08)))
    elif finish == "dull":
        skin = bare(float(rng.uniform(0.38, 0.6)), float(rng.uniform(0.03, 0.10)))
    elif finish == "dark":
        skin = bare(float(rng.uniform(0.62, 0.85)), float(rng.uniform(0.03, 0.12)))
    elif finish == "black":
        skin = bare(float(rng.uniform(0.86, 1.0)), float(rng.uniform(0.01, 0.06)))
    elif finish == "heat":
        skin = fin.heat_coloured(shape, rng=rng, mm=mm, rough=rough)
    elif finish == "green":
        under = bare(float(rng.uniform(0.35, 0.9)), 0.1)
        skin = fin.verdigris(under, rng=rng, mm=mm, share=float(rng.uniform(0.08, 0.95)))
    elif finish == "enamel":
        skin = fin.enamelled(shape, rng=rng, mm=mm)
    elif finish == "lacquer":
        skin = fin.lacquered(bare(float(rng.uniform(0.0, 0.35)), 0.03), rng=rng)
    elif finish == "oil":
        skin = fin.lacquered(bare(float(rng.uniform(0.1, 0.6)), 0.06), rng=rng, oil=True)
    elif finish == "paint":
        under = bare(float(rng.uniform(0.1, 0.7)), 0.06)
        skin = fin.painted(shape, rng=rng, mm=mm, under=under)
    elif finish == "tinned":
        skin = fin.tinned(shape, rng=rng, mm=mm)
    else:
        raise KeyError(finish)
    if finish in HAZY and rng.random() < HAZY[finish]:
        skin = fin.hazed(skin, rng=rng, amount=float(rng.uniform(0.06, 0.5)))
    if rng.random() < 0.3:
        skin = fin.dusty(skin, rng=rng, amount=float(rng.uniform(0.05, 0.35)))
    return skin


def bent_path(length_mm: float, *, rng: Rng, min_radius_mm: float, step_mm: float) -> Array:
    """Return a flat path ``(n, 2)`` of that length: straight runs, arcs and sharp bends."""
    n = int(np.clip(length_mm / step_mm, 24, 900))
    s = np.linspace(0, length_mm, n)
    style = rng.choice(
        ["straight", "gentle", "wavy", "bends", "arc"], p=[0.25, 0.25, 0.2, 0.2, 0.1]
    )
    curve = np.zeros(n)
    if style in ("gentle", "wavy"):
        wave = clouds((n, 1), rng=rng, cell_px=(n / (2.0 if style == "gentle" else 5.0), 1),
                      octaves=2)[:, 0]  # fmt: skip
        curve = wave * rng.uniform(0.3, 1.2) * (2.0 if style == "gentle" else 6.0) / length_mm
    elif style == "arc":
        curve = np.full(n, rng.uniform(1.0, 4.5) / length_mm)
    elif style == "bends":
        for _ in range(int(rng.integers(1, 4))):
            at, turn = rng.uniform(0.15, 0.85) * length_mm, rng.normal(0, 1.0)
            width = max(min_radius_mm * abs(turn), 2 * step_mm)
            curve += turn / (width * np.sqrt(np.pi)) * np.exp(-(((s - at) / width) ** 2))
    curve += clouds((n, 1), rng=rng, cell_px=(n / 8, 1), octaves=3)[:, 0] * 0.15 / length_mm * 3
    curve = np.clip(curve, -1 / min_radius_mm, 1 / min_radius_mm)
    heading = np.cumsum(curve) * (length_mm / (n - 1))
    step = length_mm / (n - 1)
    xy = np.cumsum(np.stack([np.cos(heading), np.sin(heading)], axis=1) * step, axis=0)
    return xy - xy.mean(axis=0)


def lay_down(
    xy: Array, ground: Ground, *, radius: float, may_cross: float, stiff_mm: float
) -> Array | None:
    """Put a flat path on the ground; return ``(n, 3)`` or None where there is no room."""
    place = ground.find(xy, radius=radius, may_cross=may_cross)
    if place is None:
        return None
    angle, shift = place
    c, s = np.cos(angle), np.sin(angle)
    world = xy @ np.array([[c, s], [-s, c]]) + shift
    z = ground.rest(world, radius=radius, stiff_mm=stiff_mm)
    ground.stamp(world, radius=radius, top=z + radius)
    return np.column_stack([world, z])


def sides_of(diameter_mm: float) -> int:
    """Return how many sides make a profile of that diameter look round."""
    return int(np.clip(12 + 6 * diameter_mm, 14, 64))


def room(ground: Ground, low: float, high: float, rng: Rng) -> float:
    """Return a length between ``low`` and ``high`` mm, less where the table is small."""
    limit = 1.7 * min(ground.half_mm)
    return float(rng.uniform(min(low, 0.6 * limit), min(high, 1.2 * limit)))


def solid_wire(
    rng: Rng, ground: Ground, *, finish: str | None = None, diameter_mm: float | None = None
) -> Piece | None:
    """Return one solid wire, cut at both ends."""
    if diameter_mm is None:
        if rng.random() < 0.7:
            diameter_mm = awg_mm(float(rng.choice([8, 10, 12, 14, 15, 16, 17, 18, 20])))
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


def shift_u(mesh: Mesh, k: int) -> Mesh:
    """Give each strand another part of the skin: u runs to and fro, so no seam shows."""
    mesh.uv[:, 0] = np.abs(((mesh.uv[:, 0] + 0.37 * k) % 2.0) - 1.0)
    return mesh


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


@cache
def tube_sizes() -> tuple[tuple[float, float], ...]:
    """Return outside diameter and wall of the tabled tubes up to 35 mm, in mm."""
    with (optics.DATA / "tubes.csv").open(encoding="utf-8") as handle:
        rows = [(float(r["od_mm"]), float(r["wall_mm"])) for r in csv.DictReader(handle)]
    return tuple(sorted({r for r in rows if r[0] <= 36}))


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
    sizes = [s for s in tube_sizes() if s[0] <= most_mm]
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


def _bead(path: Array, diameter: float, *, rng: Rng, swell: float) -> Mesh:
    """An uneven ring or blob of solder about a short path."""
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
        return [_bead(run(-0.4, wide), od + thick, rng=rng, swell=rng.uniform(0.0, 0.04))]
    ring = _bead(run(-0.5, rng.uniform(1.0, 4.5)), od + rng.uniform(0.15, 0.7), rng=rng,
                 swell=rng.uniform(0.02, 0.10))  # fmt: skip
    if style == "sleeve":  # solder wiped all round along the tube
        return [ring, _bead(run(0.0, rng.uniform(3, 14)), od + 0.08, rng=rng, swell=0.008)]
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


def _joint_skin(rng: Rng, style: str, od: float) -> Skin:
    dull = float(rng.uniform(0.45, 0.95)) if style == "thin" and rng.random() < 0.7 else None
    return fin.solder((64, 160), rng=rng, mm=(6, np.pi * od), dull=dull)


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
        parts.append((join(beads), _joint_skin(rng, style, od)))
    return Piece(form="tube", parts=parts, diameter_mm=od,
                 facts={"wall_mm": wall, "elbow": True},
                 round_runs=((a0, od), (a1, od)))  # fmt: skip


def _brass_skin(rng: Rng, mm: tuple[float, float], shape: tuple[int, int] = (160, 160)) -> Skin:
    return fin.metal(shape, rng=rng, mm=mm, name=str(rng.choice(["brass70", "brass70", "brass85"])),
                     label=BRASS, rough=rng.uniform(0.12, 0.45),
                     dull=float(rng.beta(1.1, 1.8)))  # fmt: skip


def _hex(across_mm: float, length_mm: float, bore_mm: float) -> Mesh:
    """A hexagonal nut lying on a flat, its axis along x from 0, chamfered ends."""
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


def _fitting(rng: Rng, od: float) -> tuple[Mesh, float, float]:
    """Return a brass end along +x from 0, its across-flats and its length."""
    across = od * rng.uniform(1.3, 1.65) + 2
    nut_len = od * rng.uniform(0.6, 1.1) + 3
    nut = _hex(across, nut_len, od + 0.4)
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
        second = _hex(across * rng.uniform(0.9, 1.1), nut_len * 0.7, od + 0.4)
        meshes.append(second.moved(np.eye(3), np.array([total, 0, 0])))
        total += nut_len * 0.7
        across = across * 1.1
    return join(meshes), across, total


def fitting_tube(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return a tube with a brass fitting or flare nut on one end."""
    od, wall = pick_tube(rng, most_mm=23)
    finish = finish or pick_finish(rng, without=("enamel", "tinned"))
    brass, across, brass_len = _fitting(rng, od)
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
    parts = [(barrel, skin), (brass_mesh, _brass_skin(rng, (brass_len, np.pi * across)))]
    if rng.random() < 0.3:
        run = np.linspace(-rng.uniform(1.0, 3.0), 0.5, 12)
        bead_line = np.column_stack([run, np.zeros(12), across / 2 + run * np.tan(dip)]) + middle
        bead = _bead(bead_line @ matrix.T + offset, od + 0.4, rng=rng, swell=0.08)
        parts.append((bead, fin.solder((48, 120), rng=rng, mm=(4, np.pi * od))))
    return Piece(form="tube", parts=parts, diameter_mm=od, facts={"wall_mm": wall},
                 round_runs=((axis, od),))  # fmt: skip


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
    path = lay_down(xy, ground, radius=wide / 2, may_cross=0.0, stiff_mm=length)
    if path is None:
        return None
    path[:, 2] = thick / 2
    mesh = sweep(path, flat_profile(wide, thick, corner_mm=rng.uniform(0.2, 0.8)))
    skin = skin_of(finish, rng=rng, length_mm=length, round_mm=2 * (wide + thick))
    return Piece(form="sheet", parts=[(mesh, skin)], facts={"thickness_mm": thick, "bar": True})


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


def insulated(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return an insulated wire, whole or stripped at one end, solid or stranded."""
    solid = rng.random() < 0.5
    count = 1 if solid else int(rng.choice([7, 19, 26, 41]))
    strand = (
        awg_mm(float(rng.choice([6, 8, 10, 12, 14, 16, 18, 20, 22, 24])))
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
    parts = [(cover, fin.jacket((320, 72), rng=rng, mm=(length, np.pi * od)))]
    runs = [(path[:cut], od)]
    finish = finish or str(rng.choice(["bright", "bright", "light", "dull", "tinned", "enamel"]))
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
        bead = _bead(run, d * rng.uniform(1.06, 1.3), rng=rng, swell=float(rng.uniform(0.05, 1.3)))
        low = bead.points[:, 2].min()
        if low < 0:
            bead = replace(bead, points=bead.points + np.array([0, 0, -low]))
        beads.append(bead)
    parts = [(join(meshes), skin)]
    if beads:
        parts.append((join(beads), fin.solder((96, 120), rng=rng, mm=(12, np.pi * d))))
    return Piece(form="wire", parts=parts, diameter_mm=d, strand_diameter_mm=d, strands=1,
                 round_runs=((path, d),))  # fmt: skip


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
        parts.append((join(beads), _joint_skin(rng, style, od)))
    return Piece(form="tube", parts=parts, diameter_mm=od,
                 facts={"wall_mm": wall, "coupling": True},
                 round_runs=((whole, od),))  # fmt: skip


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
        _hex(across, ends, od * 0.7),
        belly.moved(np.eye(3), np.array([ends, 0, 0])),
        _hex(across, ends, od * 0.7).moved(np.eye(3), np.array([ends + body, 0, 0])),
    ]
    long = across * rng.uniform(0.6, 1.6)
    side = np.array([0.0, 1.0, 0.0])
    stem = np.array([ends + body / 2, 0, 0]) + np.linspace(0, long, 12)[:, None] * side
    meshes.append(sweep(stem, round_profile(od * rng.uniform(0.4, 0.8), sides=32)))
    middle = np.array([-total / 2, 0, across / 2])
    brass = join(meshes).moved(np.eye(3), middle)
    parts = [(brass, _brass_skin(rng, (total, np.pi * across)))]
    if rng.random() < 0.6:
        bar = np.linspace(-0.3, rng.uniform(0.6, 2.0), 12)[:, None] * across
        grip = stem[-1] + bar * np.array([1.0, 0, 0])
        handle = sweep(grip, flat_profile(od * 0.6, od * 0.25, corner_mm=1.0))
        parts.append((handle.moved(np.eye(3), middle),
                      fin.plain((8, 8), colour=fin.dye(rng), label=STRANGER,
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
    mesh, across, total = _fitting(rng, od)
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
    skin = _brass_skin(rng, (total, np.pi * across), (400, 200) if rod else (160, 160))
    if rod and rng.random() < 0.5:
        skin = knurled(skin, mm=(total, np.pi * across), pitch_mm=float(rng.uniform(0.7, 1.6)))
    return Piece(form="other", parts=[(mesh, skin)], material="brass")


def other_metal(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:  # noqa: ARG001
    """Return wire or tube of steel, aluminium, zinc or nickel."""
    name = str(rng.choice(["steel", "aluminium", "zinc", "nickel"]))
    hollow = rng.random() < 0.3
    d = float(rng.uniform(6, 18)) if hollow else float(np.exp(rng.uniform(np.log(0.6), np.log(6))))
    length = room(ground, 30, 180, rng)
    if hollow:
        xy = np.column_stack([np.linspace(-length / 2, length / 2, 40), np.zeros(40)])
    else:
        xy = bent_path(length, rng=rng, min_radius_mm=4 * d, step_mm=max(0.5, d / 3))
    path = lay_down(xy, ground, radius=d / 2, may_cross=0.0 if hollow else 8.0, stiff_mm=10 + 6 * d)
    if path is None:
        return None
    mesh = tube_mesh(path, d, 1.0) if hollow else sweep(path, round_profile(d, sides=sides_of(d)))
    rows = int(np.clip(length / 0.15, 96, 1200))
    skin = fin.metal((rows, 64), rng=rng, mm=(length, np.pi * d), name=name, label=OTHER,
                     rough=rng.uniform(0.15, 0.5), dull=float(rng.beta(1.2, 2)),
                     drawn=True)  # fmt: skip
    if rng.random() < 0.2:
        skin = fin.painted((rows, 64), rng=rng, mm=(length, np.pi * d), under=skin)
        skin = replace(
            skin, label=np.where(skin.label == COATED, OTHER, skin.label).astype(np.uint8)
        )
    return Piece(form="tube" if hollow else "wire", parts=[(mesh, skin)], material=name,
                 diameter_mm=d, strand_diameter_mm=None if hollow else d,
                 strands=None if hollow else 1, round_runs=((path, d),))  # fmt: skip


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
                fin.jacket((120, 96), rng=rng, mm=(height_mm, 3 * outer)),
            )
        )
    ground.stamp(shift[None], radius=outer / 2 + 3, top=height_mm, close=True)
    return Piece(form="stranded", parts=parts, diameter_mm=outer, strand_diameter_mm=strand,
                 strands=count, stated_form="cut_end",
                 facts={"insulation": coated, "face_height_mm": height_mm})  # fmt: skip
