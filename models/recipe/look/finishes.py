"""Skins: what a surface looks like at each texel, and what it truly is.

A ``Skin`` holds the maps the renderer needs and the truth maps beside them, so
that a label can never disagree with the look. Rows run along a piece (v), columns
round it (u) for swept surfaces.
"""

from __future__ import annotations

import colorsys
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
        stretch: Anisotropy 0..1, rougher round than along.
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


def plain(
    shape: tuple[int, int],
    *,
    colour: NDArray[np.float64] | tuple[float, float, float],
    label: int,
    rough: float = 0.5,
    metallic: float = 0.0,
    coat: float = 0.0,
) -> Skin:
    """Return an even skin."""
    full = lambda value: np.full(shape, value, np.float32)  # noqa: E731
    base = np.broadcast_to(np.asarray(colour, np.float32), (*shape, 3)).copy()
    return Skin(
        base=base,
        rough=full(rough),
        metallic=full(metallic),
        stretch=full(0.0),
        coat=full(coat),
        film=full(MIRROR),
        height=full(0.0),
        label=np.full(shape, label, np.uint8),
        level=full(0.0),
    )


def gloss(shape: tuple[int, int], *, rng: Rng) -> Field:
    """Return the roughness of a clear coat's own surface: any from a mirror to dull, uneven."""
    alpha = np.exp(rng.uniform(np.log(MIRROR), np.log(DULL)))
    uneven = clouds(shape, rng=rng, cell_px=(shape[0] / 6, shape[1] / 2), octaves=3,
                    wrap_columns=True)  # fmt: skip
    return np.clip(alpha * np.exp(0.25 * uneven), MIRROR, DULL).astype(np.float32)


def matt_or_glossy(rng: Rng) -> float:
    """Return the roughness of plastic or paint, whose own surface is all the gloss there is."""
    return float(np.sqrt(np.exp(rng.uniform(np.log(MIRROR), np.log(0.5)))))


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
        stretch=np.full(shape, rng.uniform(0.2, 0.85) if drawn else 0.0, np.float32),
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


# What one pass down and back through a coloured enamel or varnish lets through.
ENAMELS = {
    "clear": (0.93, 0.84, 0.66),
    "amber": (0.80, 0.50, 0.20),
    "honey": (0.72, 0.38, 0.12),
    "red": (0.62, 0.16, 0.10),
    "maroon": (0.42, 0.10, 0.08),
    "brown": (0.36, 0.19, 0.10),
    "dark": (0.16, 0.09, 0.06),
    "green": (0.28, 0.50, 0.22),
    "rose": (0.80, 0.42, 0.34),
}
ENAMEL_WEIGHTS = {"clear": 1.5, "amber": 2.5, "honey": 2.0, "red": 2.0, "maroon": 1.0,
                  "brown": 1.8, "dark": 1.2, "green": 0.5, "rose": 1.0}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Dye:
    """A family of plastic or paint colours: how often, and ranges of HSV as coded in sRGB."""

    weight: float
    hue: tuple[float, float]
    pure: tuple[float, float]
    value: tuple[float, float]


# Made up, no maker's scheme; black and white lead, as on cable and paint.
DYES = (
    Dye(weight=4.0, hue=(0.0, 1.0), pure=(0.0, 0.18), value=(0.05, 0.22)),  # black
    Dye(weight=1.5, hue=(0.0, 1.0), pure=(0.0, 0.12), value=(0.22, 0.45)),  # dark grey
    Dye(weight=1.5, hue=(0.0, 1.0), pure=(0.0, 0.10), value=(0.45, 0.80)),  # grey
    Dye(weight=3.0, hue=(0.08, 0.20), pure=(0.0, 0.06), value=(0.82, 0.97)),  # white
    Dye(weight=1.5, hue=(0.08, 0.14), pure=(0.08, 0.35), value=(0.70, 0.95)),  # ivory, beige
    Dye(weight=2.6, hue=(0.97, 1.025), pure=(0.65, 0.97), value=(0.35, 0.92)),  # red
    Dye(weight=1.6, hue=(0.54, 0.68), pure=(0.40, 0.95), value=(0.25, 0.90)),  # blue
    Dye(weight=1.6, hue=(0.26, 0.48), pure=(0.35, 0.95), value=(0.20, 0.80)),  # green
    Dye(weight=1.2, hue=(0.12, 0.17), pure=(0.55, 0.98), value=(0.65, 0.97)),  # yellow
    Dye(weight=1.1, hue=(0.04, 0.10), pure=(0.70, 0.98), value=(0.60, 0.97)),  # orange
    Dye(weight=1.6, hue=(0.02, 0.08), pure=(0.35, 0.80), value=(0.18, 0.50)),  # brown
    Dye(weight=0.6, hue=(0.72, 0.86), pure=(0.30, 0.80), value=(0.25, 0.75)),  # violet
    Dye(weight=0.6, hue=(0.90, 1.00), pure=(0.20, 0.60), value=(0.65, 0.95)),  # pink
)  # fmt: skip


def dye(rng: Rng) -> NDArray[np.float64]:
    """Return the linear RGB of some plastic or paint, drawn continuously."""
    weights = np.array([d.weight for d in DYES])
    family = DYES[int(rng.choice(len(DYES), p=weights / weights.sum()))]
    coded = colorsys.hsv_to_rgb(
        float(rng.uniform(*family.hue)) % 1.0,
        float(rng.uniform(*family.pure)),
        float(rng.uniform(*family.value)),
    )
    return np.clip(np.array(coded) ** 2.2, 0.004, 0.90)


def enamelled(
    shape: tuple[int, int], *, rng: Rng, mm: tuple[float, float], kind: str | None = None
) -> Skin:
    """Return copper under a clear or coloured wire enamel, gloss above the metal."""
    weights = np.array([ENAMEL_WEIGHTS[name] for name in ENAMELS])
    draw = lambda: str(rng.choice(list(ENAMELS), p=weights / weights.sum()))  # noqa: E731
    name = kind or draw()
    # Enamels come in every shade between these, and in one to several coats.
    toward = float(rng.uniform(0, 0.4)) if kind is None else 0.0
    film = np.array(ENAMELS[name]) ** (1 - toward) * np.array(ENAMELS[draw()]) ** toward
    coats = float(np.exp(rng.uniform(np.log(0.6), np.log(1.8))))
    under = copper(shape, rng=rng, mm=mm, level=rng.uniform(0.0, 0.12), patchy=0.02,
                   rough=rng.uniform(0.15, 0.45))  # fmt: skip
    px = shape[0] / mm[0]
    even = clouds(shape, rng=rng, cell_px=(20 * px, shape[1]), octaves=3, wrap_columns=True)
    passes = film ** (coats * (1 + 0.08 * even[..., None]))
    hidden = 1 - float(film.mean()) ** coats
    return replace(
        under,
        base=np.clip(under.base * passes, 0.004, 1).astype(np.float32),
        metallic=np.full(shape, 0.98 - 0.5 * hidden * rng.uniform(0.2, 1.0), np.float32),
        coat=np.ones(shape, np.float32),
        film=gloss(shape, rng=rng),
        label=np.full(shape, COATED, np.uint8),
        height=under.height * 0.5,
    )


def lacquered(under: Skin, *, rng: Rng, oil: bool = False) -> Skin:
    """Return any metal under clear lacquer, or under oil (darker, uneven)."""
    shape = under.shape
    field = clouds(shape, rng=rng, cell_px=(shape[0] / 5, shape[1] / 2), octaves=4,
                   wrap_columns=True)  # fmt: skip
    where = mask(field, share=rng.uniform(0.6, 1.0) if oil else 1.0, edge=0.2)
    tint = np.array([0.80, 0.68, 0.42]) if oil else np.array([0.97, 0.93, 0.82])
    thick = rng.uniform(0.5, 1.6) if oil else rng.uniform(0.4, 1.2)
    over = replace(
        under,
        base=(under.base * tint**thick).astype(np.float32),
        coat=np.ones(shape, np.float32),
        film=gloss(shape, rng=rng),
        label=np.full(shape, COATED, np.uint8),
        rough=np.clip(under.rough, 0.1, 0.5),
    )
    return blend(under, over, where)


def painted(
    shape: tuple[int, int], *, rng: Rng, mm: tuple[float, float], under: Skin | None = None
) -> Skin:
    """Return opaque paint of any colour, whole or chipped to the metal where there is one."""
    colour = dye(rng)
    px = (shape[0] / mm[0], shape[1] / mm[1])
    tone = clouds(shape, rng=rng, cell_px=(6 * px[0], max(6 * px[1], 2)), octaves=4,
                  wrap_columns=True)  # fmt: skip
    over = replace(
        plain(shape, colour=colour, label=COATED, rough=matt_or_glossy(rng)),
        base=np.clip(colour * (1 + 0.06 * tone[..., None]), 0.004, 0.9).astype(np.float32),
        height=(0.05 + 0.01 * tone).astype(np.float32),
    )  # fmt: skip
    over = soiled(over, rng=rng, px=px)
    if under is None or rng.random() < 0.3:
        return over
    field = clouds(shape, rng=rng, cell_px=(10 * px[0], max(10 * px[1], 3)), octaves=5,
                   fall=0.65, wrap_columns=True)  # fmt: skip
    return blend(under, over, mask(field, share=rng.uniform(0.3, 0.97), edge=0.08))


def soiled(skin: Skin, *, rng: Rng, px: tuple[float, float]) -> Skin:
    """Return plastic or paint that was used: dust, dark smears, pale scuffs.

    ``px`` are texels a mm along rows and columns.
    """
    shape = skin.shape
    dust = unit(clouds(shape, rng=rng, cell_px=(shape[0] / 8, shape[1] / 2), octaves=5))
    smear = unit(clouds(shape, rng=rng, cell_px=(9 * px[0], max(3 * px[1], 2)), octaves=5,
                        fall=0.7) - 0.8)  # fmt: skip
    scuff = scratches(shape, rng=rng, count=int(rng.integers(0, 40)), length_px=4 * max(px))
    pale, dark = float(rng.beta(1, 3)) * 0.5 * dust, float(rng.beta(1, 3)) * 0.8 * smear
    base = skin.base * (1 - pale[..., None]) + 0.20 * pale[..., None]
    base = base * (1 - dark[..., None]) + np.array([0.035, 0.03, 0.025]) * dark[..., None]
    base = base + (scuff * rng.uniform(0, 0.12))[..., None]
    return replace(
        skin,
        base=np.clip(base, 0.004, 0.92).astype(np.float32),
        rough=np.clip(skin.rough + 0.25 * pale + 0.2 * dark + 0.2 * scuff, 0.08, 0.9).astype(
            np.float32
        ),
        coat=(skin.coat * (1 - np.clip(pale + dark, 0, 1))).astype(np.float32),
        height=(skin.height - 0.01 * scuff).astype(np.float32),
    )


def printed_dashes(
    skin: Skin, *, rng: Rng, px: tuple[float, float], colour: NDArray[np.float64]
) -> None:
    """Print rows of short marks along the piece: the look of a cable's lettering."""
    rows, columns = skin.shape
    high = max(1, round(rng.uniform(0.9, 2.2) * px[1]))  # round the cable
    left = int(rng.uniform(0.0, 0.9) * max(columns - high, 1))
    step = max(2, round(rng.uniform(0.8, 1.6) * px[0]))
    at = int(rng.uniform(0, 10 * px[0]))
    while at < rows:
        for _ in range(int(rng.integers(2, 12))):
            low = left + int(rng.uniform(0, 0.4) * high)
            mark = slice(at, at + max(1, round(step * rng.uniform(0.25, 0.7))))
            skin.base[mark, low : left + high] = colour
            at += step
        at += step * int(rng.integers(1, 9))


def see_through(shape: tuple[int, int], *, rng: Rng, mm: tuple[float, float]) -> Skin:
    """Return a clear jacket: the twist of bright strands seen through glossy plastic."""
    under = copper(shape, rng=rng, mm=mm, level=rng.uniform(0, 0.3), patchy=0.03, rough=0.4)
    v = np.arange(shape[0])[:, None] / shape[0] * mm[0]
    u = np.arange(shape[1])[None] / shape[1]
    twist = np.sin(2 * np.pi * (u * int(rng.integers(5, 12)) + v / rng.uniform(4, 15)))
    milky = rng.uniform(0.05, 0.45)
    shade = (0.75 + 0.25 * twist)[..., None]
    base = under.base * shade * np.array([0.95, 0.93, 0.88]) * (1 - milky) + 0.5 * milky
    return replace(
        under,
        base=np.clip(base, 0.004, 1).astype(np.float32),
        metallic=np.full(shape, rng.uniform(0.4, 0.8), np.float32),
        coat=np.ones(shape, np.float32),
        film=gloss(shape, rng=rng),
        label=np.full(shape, INSULATION, np.uint8),
        level=np.zeros(shape, np.float32),
    )


def jacket(
    shape: tuple[int, int],
    *,
    rng: Rng,
    mm: tuple[float, float] = (150.0, 12.0),
    colour: NDArray[np.float64] | None = None,
    label: int = INSULATION,
) -> Skin:
    """Return the plastic, rubber or braid of an insulated wire, plain, striped or lettered.

    ``label`` says what it is where it is no jacket: tape or a tie about a bundle.
    """
    if colour is None and label == INSULATION and rng.random() < 0.05:
        return see_through(shape, rng=rng, mm=mm)
    colour = dye(rng) if colour is None else colour
    px = (shape[0] / mm[0], shape[1] / mm[1])
    skin = plain(shape, colour=colour, label=label, rough=matt_or_glossy(rng))
    tone = clouds(shape, rng=rng, cell_px=(25 * px[0], shape[1] / 2), octaves=4,
                  wrap_columns=True)  # fmt: skip
    skin.base[:] = np.clip(skin.base * (1 + rng.uniform(0, 0.07) * tone[..., None]), 0.004, 0.9)
    other = dye(rng)
    style = rng.random()
    if style < 0.18:  # tracer stripes
        for _ in range(int(rng.integers(1, 3))):
            start = int(rng.uniform(0, 0.85) * shape[1])
            skin.base[:, start : start + max(1, round(shape[1] * rng.uniform(0.06, 0.4)))] = other
    elif style < 0.26:  # bands or a helix
        v = np.arange(shape[0])[:, None] / px[0] + np.arange(shape[1])[None] / shape[1] * (
            rng.uniform(0, 12)
        )
        skin.base[(v % rng.uniform(4, 20)) < rng.uniform(1, 3)] = other
    elif style < 0.33:  # braid of cotton or glass
        a = np.arange(shape[0])[:, None] / px[0] * 1.6
        b = np.arange(shape[1])[None] / shape[1] * 14
        weave = (np.sin(2 * np.pi * (a + b / 2)) * np.sin(2 * np.pi * (a - b / 2))).astype(
            np.float32
        )
        skin.base[:] *= (0.8 + 0.3 * weave)[..., None]
        skin = replace(skin, height=0.04 * weave, rough=np.full(shape, 0.8, np.float32))
    if rng.random() < 0.35:
        ink = np.full(3, 0.75) if colour.mean() < 0.25 else np.full(3, 0.02)
        printed_dashes(skin, rng=rng, px=px, colour=ink if rng.random() < 0.8 else other)
    return soiled(skin, rng=rng, px=px)


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
        stretch=np.full(shape, 0.6 if drawn else 0.0, np.float32),
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
