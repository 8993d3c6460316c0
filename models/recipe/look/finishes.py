"""Skins: what a surface looks like at each texel, and what it truly is.

A ``Skin`` holds the maps the renderer needs and the truth maps beside them, so
that a label can never disagree with the look. Rows run along a piece (v), columns
round it (u) for swept surfaces.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.recipe.look import optics
from models.recipe.look.noise import Field, Rng, clouds, mask, scratches, spots, unit

# Order of vision.types.Surface; kept here as numbers so that rendering needs no vision.
(TABLE, REFERENCE, BRIGHT, TARNISHED, GREEN, COATED, INSULATION, TINNED, BRASS, SOLDER, OTHER,
 STRANGER) = range(12)  # fmt: skip


MIRROR = 0.01


DULL = 0.25


FINISHES = {"bright": BRIGHT, "tarnished": TARNISHED, "green": GREEN, "coated": COATED,
            "tinned": TINNED}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Skin:
    """Maps of one surface, all ``(rows, columns)``, base colour with 3 planes.

    Attributes:
        base: Linear RGB; reflectance at normal incidence where metallic.
        rough: Roughness 0..1 of the principled model (its square is GGX alpha).
        metallic: Share of the metal's mirror against the diffuse.
        stretch: Anisotropy, from 0 to 1 rougher round than along, as drawing leaves it; from
            0 to -1 rougher along, as scouring round it does.
        coat: Share of the surface under a clear coat of refractive index 1.5, 0 to 1.
        film: GGX alpha of that coat's own surface: 0.01 a mirror, 0.25 dull.
        height: Relief in mm.
        label: Index of ``vision.types.Surface``.
        level: Tarnish level 0..1.
    """

    base: NDArray[np.float32]
    rough: Field
    metallic: Field
    stretch: Field
    coat: Field
    film: Field
    height: Field
    label: NDArray[np.uint8]
    level: Field

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.rough.shape[0], self.rough.shape[1]


def _stretch(rng: Rng) -> float:
    """Return the anisotropy of a drawn wire or tube; one in four was scoured round."""
    return float(rng.uniform(0.2, 0.85) * (1 if rng.random() < 0.75 else -1))


def plain(
    shape: tuple[int, int],
    *,
    colour: NDArray[np.float64] | tuple[float, float, float],
    label: int,
    rough: float = 0.5,
    metallic: float = 0.0,
) -> Skin:
    """Return an even skin."""
    full = lambda value: np.full(shape, value, np.float32)  # noqa: E731
    base = np.broadcast_to(np.asarray(colour, np.float32), (*shape, 3)).copy()
    return Skin(
        base=base,
        rough=full(rough),
        metallic=full(metallic),
        stretch=full(0.0),
        coat=full(0.0),
        film=full(MIRROR),
        height=full(0.0),
        label=np.full(shape, label, np.uint8),
        level=full(0.0),
    )


def _drawn_lines(shape: tuple[int, int], rng: Rng) -> Field:
    """Lines left by the drawing die: long along v, fine along u."""
    return clouds(shape, rng=rng, cell_px=(shape[0] / 3, 2.0), octaves=2, wrap_columns=True)


def copper(
    shape: tuple[int, int],
    *,
    rng: Rng,
    mm: tuple[float, float],
    level: float,
    patchy: float,
    rough: float,
    drawn: bool = True,
) -> Skin:
    """Return bare copper of a mean tarnish level with natural variation.

    Args:
        shape: Rows, columns.
        rng: Randomness.
        mm: Size of the surface along rows and columns, mm.
        level: Mean tarnish level 0..1 (see ``optics.tarnish_look``).
        patchy: Deviation of the level over patches of 3 to 40 mm.
        rough: Principled roughness of the clean metal.
        drawn: Whether lines along the piece are seen.
    """
    px = (shape[0] / mm[0], shape[1] / mm[1])
    cell = rng.uniform(4, 40)
    big = clouds(shape, rng=rng, cell_px=(cell * px[0], max(cell * px[1], 2)), octaves=4,
                 fall=0.6, wrap_columns=True)  # fmt: skip
    fine = clouds(shape, rng=rng, cell_px=(2.5 * px[0], max(2.5 * px[1], 2)), octaves=3,
                  wrap_columns=True)  # fmt: skip
    lines = _drawn_lines(shape, rng) if drawn else np.zeros(shape, np.float32)
    spread = patchy * (0.75 * big + 0.25 * fine) + 0.25 * patchy * lines
    levels = np.clip(level + spread, 0.0, 1.0)
    if level < optics.BRIGHT_BELOW_LEVEL and patchy < 0.05:
        levels = np.minimum(levels, optics.BRIGHT_BELOW_LEVEL)
    # Scratches bring fresh metal back.
    count = int(rng.integers(0, 30))
    lines_px = scratches(shape, rng=rng, count=count, length_px=8 * max(px))
    levels = levels * (1 - 0.8 * lines_px)
    base, metallic = optics.tarnish_look(levels)
    # What scatters off the surface is darker than the mirror: soot and dust.
    dirt = unit(fine) * rng.uniform(0, 0.12)
    base = base * (1 - dirt[..., None]) + np.array([0.06, 0.05, 0.04]) * dirt[..., None]
    roughness = rough + 0.30 * np.clip(levels, 0, 0.7) + 0.03 * fine + 0.02 * lines
    height = 0.002 * lines + 0.0015 * fine + 0.004 * big * level
    return Skin(
        base=base.astype(np.float32),
        rough=np.clip(roughness, 0.1, 0.75).astype(np.float32),
        metallic=metallic.astype(np.float32),
        stretch=np.full(shape, _stretch(rng) if drawn else 0.0, np.float32),
        coat=np.zeros(shape, np.float32),
        film=np.full(shape, MIRROR, np.float32),
        height=height.astype(np.float32),
        label=np.where(levels <= optics.BRIGHT_BELOW_LEVEL + 1e-6, BRIGHT, TARNISHED).astype(
            np.uint8
        ),
        level=levels.astype(np.float32),
    )


HAZE = np.array([0.17, 0.105, 0.066])
"""Linear reflectance of the dull brown that lies over a thin film; by eye, no table."""


HAZE_LEVEL = 0.5
"""Tarnish level that a full haze adds to that of the film below it."""


def hazed(skin: Skin, *, rng: Rng, amount: float) -> Skin:
    """Return copper under an uneven dull brown haze: what handling and damp leave on a film."""
    shape = skin.shape
    field = clouds(shape, rng=rng, cell_px=(shape[0] / 5, shape[1] / 2), octaves=5,
                   wrap_columns=True)  # fmt: skip
    weight = np.clip(amount * (1 + 0.45 * field), 0, 0.9).astype(np.float32)
    tone = HAZE * rng.uniform(0.6, 1.3)
    copper_of = np.isin(skin.label, (BRIGHT, TARNISHED))
    weight = np.where(copper_of, weight, 0).astype(np.float32)
    level = np.clip(skin.level + HAZE_LEVEL * weight, 0, 1).astype(np.float32)
    dim = copper_of & (level > optics.BRIGHT_BELOW_LEVEL + 1e-6)
    return replace(
        skin,
        base=(skin.base * (1 - weight[..., None]) + tone * weight[..., None]).astype(np.float32),
        metallic=(skin.metallic * (1 - 0.85 * weight)).astype(np.float32),
        rough=np.clip(skin.rough + 0.3 * weight, 0.1, 0.85).astype(np.float32),
        level=level,
        label=np.where(dim, TARNISHED, skin.label).astype(np.uint8),
    )


def heat_coloured(
    shape: tuple[int, int], *, rng: Rng, mm: tuple[float, float], rough: float
) -> Skin:
    """Return copper with the colours of a flame: film orders falling off along v."""
    skin = copper(shape, rng=rng, mm=mm, level=0.1, patchy=0.03, rough=rough)
    v = np.linspace(0, 1, shape[0], dtype=np.float32)[:, None]
    centre = rng.uniform(0.1, 0.9)
    reach = rng.uniform(0.12, 0.4)
    wave = clouds(shape, rng=rng, cell_px=(shape[0] / 6, shape[1]), octaves=3, wrap_columns=True)
    nm = np.clip(125 * np.exp(-(((v - centre) / reach) ** 2)) * (1 + 0.12 * wave), 3, 140)
    base = optics.film_colour(nm, oxide="cu2o" if rng.random() < 0.5 else "cuo", spread=0.2)
    level = np.clip(nm / 45 * 0.5, 0.05, 0.6).astype(np.float32)
    return replace(
        skin,
        base=(base * (1 - 0.1 * rng.random())).astype(np.float32),
        metallic=np.clip(1 - 0.35 * level, 0.6, 1).astype(np.float32),
        level=level,
        label=np.where(level <= optics.BRIGHT_BELOW_LEVEL, BRIGHT, TARNISHED).astype(np.uint8),
    )


def blend(under: Skin, over: Skin, weight: Field) -> Skin:
    """Return ``over`` laid on ``under``; the label changes where weight passes a half."""
    w = weight[..., None]
    mix = lambda a, b: a * (1 - weight) + b * weight  # noqa: E731
    return Skin(
        base=under.base * (1 - w) + over.base * w,
        rough=mix(under.rough, over.rough),
        metallic=mix(under.metallic, over.metallic),
        stretch=mix(under.stretch, over.stretch),
        coat=mix(under.coat, over.coat),
        film=np.where(under.coat > 0, mix(under.film, over.film), over.film),
        height=mix(under.height, over.height),
        label=np.where(weight > 0.5, over.label, under.label).astype(np.uint8),
        level=mix(under.level, over.level),
    )


def verdigris(under: Skin, *, rng: Rng, mm: tuple[float, float], share: float) -> Skin:
    """Return ``under`` with green corrosion over about ``share`` of it."""
    shape = under.shape
    px = (shape[0] / mm[0], shape[1] / mm[1])
    cell = rng.uniform(3, 25)
    field = clouds(shape, rng=rng, cell_px=(cell * px[0], max(cell * px[1], 3)), octaves=5,
                   fall=0.6, wrap_columns=True)  # fmt: skip
    grain = clouds(shape, rng=rng, cell_px=(0.8 * px[0], max(0.8 * px[1], 2)), octaves=2,
                   wrap_columns=True)  # fmt: skip
    pick = rng.choice(len(optics.VERDIGRIS), 2, replace=False)
    tone = unit(clouds(shape, rng=rng, cell_px=(8 * px[0], max(8 * px[1], 3)), octaves=4,
                       wrap_columns=True))[..., None]  # fmt: skip
    colour = optics.VERDIGRIS[pick[0]] * tone + optics.VERDIGRIS[pick[1]] * (1 - tone)
    if rng.random() < 0.5:  # weathered: chalky or dirty, most of the green gone
        grey = rng.uniform(0.2, 0.75)
        dirt = np.array([1.0, 0.96, 0.88]) * colour.mean() * rng.uniform(0.55, 1.15)
        colour = colour * (1 - grey) + dirt * grey
    colour = colour * (1 + 0.12 * grain[..., None]) * rng.uniform(0.75, 1.1)
    over = replace(
        plain(shape, colour=(0.2, 0.4, 0.3), label=GREEN, rough=rng.uniform(0.7, 0.95)),
        base=np.clip(colour, 0.01, 0.85).astype(np.float32),
        height=(0.03 + 0.012 * grain).astype(np.float32),
        level=np.full(shape, 0.8, np.float32),
    )
    return blend(under, over, mask(field, share=share, edge=rng.uniform(0.1, 0.7)))


def metal(
    shape: tuple[int, int],
    *,
    rng: Rng,
    mm: tuple[float, float],
    name: str,
    label: int,
    rough: float,
    dull: float = 0.0,
    drawn: bool = False,
) -> Skin:
    """Return a metal other than copper, fresh or dulled by its own grey-brown film."""
    px = (shape[0] / mm[0], shape[1] / mm[1])
    colour = optics.metal_colour(name)
    cloud = clouds(shape, rng=rng, cell_px=(6 * px[0], max(6 * px[1], 2)), octaves=5,
                   wrap_columns=True)  # fmt: skip
    lines = _drawn_lines(shape, rng) if drawn else np.zeros(shape, np.float32)
    weight = np.clip(dull * (1 + 0.5 * cloud), 0, 0.95)[..., None]
    film = colour * (0.35 if label != BRASS else np.array([0.42, 0.34, 0.22]))
    base = colour * (1 - weight) + film * weight
    fine = scratches(shape, rng=rng, count=int(rng.integers(0, 40)), length_px=5 * max(px))
    return Skin(
        base=np.clip(base * (1 + 0.03 * lines[..., None]), 0.01, 1).astype(np.float32),
        rough=np.clip(rough + 0.25 * weight[..., 0] + 0.04 * cloud, 0.1, 0.8).astype(np.float32),
        metallic=np.clip(1 - 0.5 * weight[..., 0], 0.3, 1).astype(np.float32),
        stretch=np.full(shape, _stretch(rng) if drawn else 0.0, np.float32),
        coat=np.zeros(shape, np.float32),
        film=np.full(shape, MIRROR, np.float32),
        height=(0.003 * cloud + 0.002 * lines - 0.004 * fine).astype(np.float32),
        label=np.full(shape, label, np.uint8),
        level=np.zeros(shape, np.float32),
    )


def tinned(shape: tuple[int, int], *, rng: Rng, mm: tuple[float, float]) -> Skin:
    """Return tin over copper, worn through in places at times."""
    skin = metal(shape, rng=rng, mm=mm, name="tin", label=TINNED, rough=rng.uniform(0.25, 0.5),
                 dull=rng.uniform(0, 0.5), drawn=True)  # fmt: skip
    if rng.random() < 0.25:
        under = copper(shape, rng=rng, mm=mm, level=rng.uniform(0.05, 0.4), patchy=0.08, rough=0.35)
        px = (shape[0] / mm[0], shape[1] / mm[1])
        field = clouds(shape, rng=rng, cell_px=(5 * px[0], max(5 * px[1], 2)), octaves=4,
                       wrap_columns=True)  # fmt: skip
        skin = blend(skin, under, mask(field, share=rng.uniform(0.02, 0.15), edge=0.3))
    return skin


def dusty(skin: Skin, *, rng: Rng, amount: float) -> Skin:
    """Return the skin under a thin uneven dust; what it is does not change."""
    shape = skin.shape
    field = unit(clouds(shape, rng=rng, cell_px=(shape[0] / 6, shape[1] / 2), octaves=5))
    drops = spots(shape, rng=rng, count=int(rng.integers(0, 12)), radius_px=(1, 5))
    weight = np.clip(amount * (field + 0.6 * drops), 0, 0.6).astype(np.float32)
    grey = np.array([0.25, 0.23, 0.20], np.float32)
    return replace(
        skin,
        base=skin.base * (1 - weight[..., None]) + grey * weight[..., None],
        metallic=skin.metallic * (1 - weight),
        rough=np.clip(skin.rough + 0.3 * weight, 0, 0.9),
    )


def along(first: Skin, second: Skin, *, at: float, edge: float = 0.01, rng: Rng) -> Skin:
    """Return ``first`` up to ``at`` of the length, then ``second`` (a dipped end)."""
    shape = first.shape
    v = np.linspace(0, 1, shape[0], dtype=np.float32)[:, None]
    wave = clouds(shape, rng=rng, cell_px=(shape[0] / 10, shape[1] / 2), octaves=3,
                  wrap_columns=True)  # fmt: skip
    weight = np.clip((v - at + 0.006 * wave) / max(edge, 1e-3) + 0.5, 0, 1)
    return blend(first, second, np.broadcast_to(weight, shape).astype(np.float32))


def solder(
    shape: tuple[int, int], *, rng: Rng, mm: tuple[float, float], dull: float | None = None
) -> Skin:
    """Return solder, shining to leaden grey, wavy, with brown flux on it at times."""
    skin = metal(shape, rng=rng, mm=mm, name="solder", label=SOLDER, rough=rng.uniform(0.12, 0.45),
                 dull=float(rng.uniform(0, 0.95)) if dull is None else dull)  # fmt: skip
    px = (shape[0] / mm[0], shape[1] / mm[1])
    wave = clouds(shape, rng=rng, cell_px=(2.5 * px[0], max(2.5 * px[1], 2)), octaves=3,
                  wrap_columns=True)  # fmt: skip
    skin = replace(skin, height=(skin.height + 0.03 * wave).astype(np.float32))
    if rng.random() < 0.3:
        skin = fluxed(skin, rng=rng, weight=mask(wave, share=rng.uniform(0.05, 0.3), edge=0.5))
    return skin


def fluxed(skin: Skin, *, rng: Rng, weight: Field) -> Skin:
    """Return the skin under burnt flux where ``weight`` is 1; what it is does not change."""
    burnt = np.array([0.55, 0.30, 0.12]) ** rng.uniform(0.5, 1.8)
    return replace(
        skin,
        base=(skin.base * (1 - weight[..., None] * (1 - burnt))).astype(np.float32),
        coat=np.maximum(skin.coat, weight).astype(np.float32),
        film=np.where(skin.coat > 0, skin.film, np.float32(rng.uniform(0.02, 0.15))),
    )


def wiped(skin: Skin, *, rng: Rng, mm: tuple[float, float], at: float, reach_mm: float) -> Skin:
    """Return the skin with solder smeared over part of its round at ``at`` of its length."""
    rows, columns = skin.shape
    v = (np.linspace(0, 1, rows, dtype=np.float32)[:, None] - at) * mm[0] / reach_mm
    side = np.arange(columns)[None] / columns - rng.random()
    side = np.abs((side + 0.5) % 1.0 - 0.5) / rng.uniform(0.08, 0.5)
    ragged = clouds(skin.shape, rng=rng, cell_px=(rows * 0.4 * reach_mm / mm[0], columns / 3),
                    octaves=4, wrap_columns=True)  # fmt: skip
    weight = np.clip((1 - np.hypot(v, side) + 0.25 * ragged) * 6, 0, 1).astype(np.float32)
    return blend(skin, solder(skin.shape, rng=rng, mm=mm), weight)


def dipped(skin: Skin, *, rng: Rng, mm: tuple[float, float], at: float) -> Skin:
    """Return the skin with solder from ``at`` of its length on, flux-brown before it."""
    over = solder(skin.shape, rng=rng, mm=mm)
    v = np.linspace(0, 1, skin.shape[0], dtype=np.float32)[:, None]
    if rng.random() < 0.6:
        near = np.exp(-((np.clip(at - v, 0, None) * mm[0] / rng.uniform(1.0, 6.0)) ** 2))
        wave = clouds(skin.shape, rng=rng, cell_px=(skin.shape[0] / 12, skin.shape[1] / 2),
                      octaves=3, wrap_columns=True)  # fmt: skip
        weight = np.clip(near * (0.7 + 0.4 * wave), 0, 1).astype(np.float32)
        skin = fluxed(skin, rng=rng, weight=weight)
    return along(skin, over, at=at, edge=min(0.05, rng.uniform(0.3, 3.0) / mm[0]), rng=rng)
