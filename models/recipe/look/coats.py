"""What lies over metal: enamel, lacquer, oil, paint, and the jackets of cables.

A clear coat has a gloss of its own; paint and plastic are opaque and have theirs.
"""

from __future__ import annotations

import colorsys
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.recipe.look.finishes import COATED, DULL, INSULATION, MIRROR, Skin, blend, copper, plain
from models.recipe.look.noise import Field, Rng, clouds, mask, scratches, unit


def gloss(shape: tuple[int, int], *, rng: Rng) -> Field:
    """Return the roughness of a clear coat's own surface: any from a mirror to dull, uneven."""
    alpha = np.exp(rng.uniform(np.log(MIRROR), np.log(DULL)))
    uneven = clouds(shape, rng=rng, cell_px=(shape[0] / 6, shape[1] / 2), octaves=3,
                    wrap_columns=True)  # fmt: skip
    return np.clip(alpha * np.exp(0.25 * uneven), MIRROR, DULL).astype(np.float32)


def matt_or_glossy(rng: Rng) -> float:
    """Return the roughness of plastic or paint, whose own surface is all the gloss there is."""
    return float(np.sqrt(np.exp(rng.uniform(np.log(MIRROR), np.log(0.5)))))


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


def enamelled(shape: tuple[int, int], *, rng: Rng, mm: tuple[float, float]) -> Skin:
    """Return copper under a clear or coloured wire enamel, gloss above the metal."""
    weights = np.array([ENAMEL_WEIGHTS[name] for name in ENAMELS])
    draw = lambda: str(rng.choice(list(ENAMELS), p=weights / weights.sum()))  # noqa: E731
    name = draw()
    # Enamels come in every shade between these, and in one to several coats.
    toward = float(rng.uniform(0, 0.4))
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
