"""What a piece is, what its metal may look like, and how it comes to lie on the table.

Diameters come from the wire-gauge formula of ASTM B258.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from models.recipe.look import coats
from models.recipe.look import finishes as fin
from models.recipe.look.finishes import Skin
from models.recipe.look.noise import Rng, clouds
from models.recipe.scene.ground import Ground
from models.recipe.scene.meshes import Array, Mesh, turn_z


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
                  "tinned": 2.0}  # fmt: skip


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
        few = rng.random() < 0.25  # a few spots, at a joint or a scratch
        share = np.exp(rng.uniform(np.log(0.01), np.log(0.1))) if few else rng.uniform(0.08, 0.95)
        skin = fin.verdigris(under, rng=rng, mm=mm, share=float(share))
    elif finish == "enamel":
        skin = coats.enamelled(shape, rng=rng, mm=mm)
    elif finish == "lacquer":
        skin = coats.lacquered(bare(float(rng.uniform(0.0, 0.35)), 0.03), rng=rng)
    elif finish == "oil":
        skin = coats.lacquered(bare(float(rng.uniform(0.1, 0.6)), 0.06), rng=rng, oil=True)
    elif finish == "paint":
        under = bare(float(rng.uniform(0.1, 0.7)), 0.06)
        skin = coats.painted(shape, rng=rng, mm=mm, under=under)
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
        reach = rng.uniform(0.3, 1.2) * (2.0 if style == "gentle" else 6.0) / length_mm
        curve = wave.astype(np.float64) * reach
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
    xy: Array,
    ground: Ground,
    *,
    radius: float,
    may_cross: float,
    stiff_mm: float,
    thick_mm: float | None = None,
) -> Array | None:
    """Put a flat path on the ground; return ``(n, 3)`` or None where there is no room.

    ``radius`` is half of how broad it lies, ``thick_mm`` how thick it is where that differs.
    """
    place = ground.find(xy, radius=radius, may_cross=may_cross)
    if place is None:
        return None
    angle, shift = place
    c, s = np.cos(angle), np.sin(angle)
    world = xy @ np.array([[c, s], [-s, c]]) + shift
    high = radius if thick_mm is None else thick_mm / 2
    z = ground.rest(world, radius=radius, stiff_mm=stiff_mm) + (high - radius)
    ground.stamp(world, radius=radius, top=z + high)
    return np.column_stack([world, z])


def sides_of(diameter_mm: float) -> int:
    """Return how many sides make a profile of that diameter look round.

    Seen from every direction a polygon of 32 sides is as wide as its circle to 0.3 %; one of 14,
    which thin wire had, to 1.7 %: more than its edges may be off.
    """
    return int(np.clip(12 + 6 * diameter_mm, 32, 64))


def room(ground: Ground, low: float, high: float, rng: Rng) -> float:
    """Return a length between ``low`` and ``high`` mm, less where the table is small."""
    limit = 1.7 * min(ground.half_mm)
    return float(rng.uniform(min(low, 0.6 * limit), min(high, 1.2 * limit)))


def shift_u(mesh: Mesh, k: int) -> Mesh:
    """Give each strand another part of the skin: u runs to and fro, so no seam shows."""
    mesh.uv[:, 0] = np.abs(((mesh.uv[:, 0] + 0.37 * k) % 2.0) - 1.0)
    return mesh


def eased(t: Array) -> Array:
    """Return 0 to 1 with level ends (smoothstep)."""
    t = np.clip(t, 0, 1)
    return t * t * (3 - 2 * t)


def put_down(
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


def strand_finish(rng: Rng) -> str:
    """Return a finish for strands: bright more often than other pieces, never painted."""
    return "bright" if rng.random() < 0.35 else pick_finish(rng, without=("paint", "heat"))


def resampled(path: Array, *, step_mm: float) -> Array:
    """Return the path with its points about ``step_mm`` apart, at most 300 of them."""
    arc = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    n = int(np.clip(arc[-1] / step_mm, 12, 300))
    at = np.linspace(0, arc[-1], n)
    return np.stack([np.interp(at, arc, path[:, c]) for c in range(3)], axis=1)
