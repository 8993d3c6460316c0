"""Cable whose strands part company at an end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.recipe.look import coats
from models.recipe.look import finishes as fin
from models.recipe.look.finishes import Skin
from models.recipe.look.noise import Rng, clouds
from models.recipe.pieces.piece import (
    Piece,
    eased,
    put_down,
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
    join,
    round_profile,
    strand_paths,
    sweep,
    turn_z,
)


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
    turn = heading[:, None] * eased(t * rng.uniform(1.2, 3.0)) + bend * t**2 + wave
    step = np.stack([np.cos(turn), np.sin(turn)], axis=-1) * (length_mm / (n - 1))[:, None, None]
    step[:, 0] = 0
    out = np.zeros((k, n, 3))
    out[..., :2] = start[:, None, :2] + np.cumsum(step, axis=1)
    floor = rest_mm + np.abs(rng.normal(0, 0.25, (k, 1))) * lift_mm
    bow = np.abs(rng.normal(0, 0.5, (k, 1))) * lift_mm
    fall = eased(t * rng.uniform(1.0, 2.0))
    out[..., 2] = start[:, 2:3] * (1 - fall) + floor * fall + bow * np.sin(np.pi * t) ** 2
    out[..., 2] = np.maximum(out[..., 2], rest_mm)
    return out


def _ahead(base: Array, free: Array) -> Array:
    return np.concatenate([base, free[:, 1:]], axis=1)


def _mirrored(paths: Array) -> Array:
    return paths * np.array([-1.0, 1.0, 1.0])


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
    if rng.random() < 0.2:
        at = 1 - lead.reach_mm * rng.uniform(0.2, 0.9) / length
        skin = fin.dipped(skin, rng=rng, mm=(length, np.pi * strand), at=float(max(at, 0.05)))
    parts = [(mesh, skin)]
    if lead.wall_mm > 0:
        cover = sweep(line[: max(6, n - int(rng.integers(0, 3)))],
                      round_profile(od, sides=sides_of(od)))  # fmt: skip
        parts.append((cover, coats.jacket((240, 64), rng=rng, mm=(base, np.pi * od))))
    flat = np.concatenate([paths[:, ::8, :2].reshape(-1, 2), line[::4, :2]])
    return parts, flat, od, outer


def _lead_piece(lead: Lead, parts: list[tuple[Mesh, Skin]], *, od: float, outer: float) -> Piece:
    facts: dict[str, object] = {"fanned": True}
    if lead.wall_mm > 0:
        facts |= {"insulation": True, "stripped": True, "conductor_mm": outer}
    return Piece(form="stranded", parts=parts, diameter_mm=od if lead.wall_mm > 0 else outer,
                 strand_diameter_mm=lead.strand_mm, strands=lead.count, facts=facts)  # fmt: skip


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
    parts, flat, od, outer = _spread_end(rng, lead, finish=finish or strand_finish(rng))
    middle = flat.mean(axis=0)
    parts = [(m.moved(np.eye(3), np.array([*-middle, 0.0])), s) for m, s in parts]
    placed = put_down(parts, ground, cover=flat - middle, top=od)
    if placed is None:
        return None
    return _lead_piece(lead, placed, od=od, outer=outer)


def leads(rng: Rng, ground: Ground, *, finish: str | None = None) -> list[Piece] | None:
    """Return equal leads of several colours side by side, as they leave one loom."""
    lead = _draw_lead(rng, ground, brush=False, insulated=True)
    finish = finish or strand_finish(rng)
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
