"""Tables that scrap lies on: wood, concrete, cloth, paper and many more.

Training, validation and fixtures draw from disjoint seeds and colour ranges of
the same kinds; a few kinds are kept for validation and fixtures alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np

from models.recipe.look.finishes import Skin
from models.recipe.look.noise import Rng, clouds, scratches, spots
from models.recipe.tables.printed import (
    cutting_mat,
    grey_paper,
    newspaper,
    paper,
    printed_cloth,
    white_paper,
)
from models.recipe.tables.table_skin import table_dye, table_skin, tinted

WOODS = np.array([
    [0.46, 0.27, 0.13], [0.30, 0.13, 0.06], [0.16, 0.075, 0.04], [0.58, 0.42, 0.25],
    [0.36, 0.16, 0.08], [0.24, 0.20, 0.16], [0.52, 0.30, 0.18], [0.42, 0.19, 0.09],
    [0.64, 0.50, 0.34], [0.08, 0.05, 0.035],
])  # fmt: skip


def wood(n: int, mm_px: float, rng: Rng) -> Skin:
    """Planks or a board with grain; reddish and copper-like browns among them."""
    colour = WOODS[int(rng.integers(len(WOODS)))] * rng.uniform(0.8, 1.2)
    warp = clouds((n, n), rng=rng, cell_px=(60 / mm_px, 25 / mm_px), octaves=3)
    y = np.arange(n, dtype=np.float32)[None, :] * mm_px
    rings = np.sin(y / rng.uniform(3, 9) * 2 * np.pi / 3 + warp * rng.uniform(1, 4))
    fibre = clouds((n, n), rng=rng, cell_px=(30 / mm_px, 0.8 / mm_px), octaves=3, fall=0.7)
    field = 0.7 * rings + 0.6 * fibre
    base = tinted(field.astype(np.float32), colour * 0.65, colour * 1.2)
    height = 0.006 * fibre * rng.random()
    if rng.random() < 0.4:  # planks
        width = rng.uniform(60, 140)
        seam = np.abs(((y + rng.uniform(0, width)) % width) - width / 2) > width / 2 - 0.6
        base = np.where(np.broadcast_to(seam, (n, n))[..., None], base * 0.25, base)
        board = np.floor((y + width) / width).astype(int)
        tones = rng.uniform(0.8, 1.15, board.max() + 2)
        base = base * tones[board][..., None]
    gloss = rng.choice([0.25, 0.35, 0.6, 0.7])
    return table_skin(base, rough=float(gloss), height=height)


def concrete(n: int, mm_px: float, rng: Rng) -> Skin:
    """Concrete or screed, grey to warm, with pores."""
    grey = rng.uniform(0.15, 0.45) * np.array([1, rng.uniform(0.94, 1), rng.uniform(0.84, 0.98)])
    big = clouds((n, n), rng=rng, cell_px=(80 / mm_px, 80 / mm_px), octaves=6, fall=0.6)
    grain = clouds((n, n), rng=rng, cell_px=(1.2 / mm_px, 1.2 / mm_px), octaves=2)
    pores = spots((n, n), rng=rng, count=int(rng.integers(20, 300)), radius_px=(1, 2.0 / mm_px))
    base = tinted(big + 0.5 * grain, grey * 0.75, grey * 1.25) * (1 - 0.5 * pores[..., None])
    return table_skin(base, rough=0.75, height=0.03 * grain + 0.05 * big - 0.3 * pores)


def asphalt(n: int, mm_px: float, rng: Rng) -> Skin:
    """Dark aggregate with lighter stones."""
    stones = clouds((n, n), rng=rng, cell_px=(5 / mm_px, 5 / mm_px), octaves=3)
    grain = clouds((n, n), rng=rng, cell_px=(1 / mm_px, 1 / mm_px), octaves=2)
    tone = rng.uniform(0.03, 0.12)
    base = tinted(stones + 0.6 * grain, np.full(3, tone * 0.5), np.full(3, tone * 2.2))
    return table_skin(base, rough=0.7, height=0.12 * stones + 0.03 * grain)


def cloth(n: int, mm_px: float, rng: Rng) -> Skin:
    """Woven cloth, plain, striped or checked."""
    pitch = rng.uniform(0.5, 1.6)
    y, x = np.mgrid[0:n, 0:n].astype(np.float32) * mm_px
    warp = clouds((n, n), rng=rng, cell_px=(40 / mm_px, 40 / mm_px), octaves=3)
    a = np.sin(2 * np.pi * (x + 0.3 * warp) / pitch)
    b = np.sin(2 * np.pi * (y + 0.3 * warp) / pitch)
    weave = np.where((a > 0) ^ (b > 0), np.abs(a), np.abs(b)).astype(np.float32)
    colour = table_dye(rng, 0.03, 0.75)
    colour = np.clip(colour, 0.01, 0.8)
    base = np.broadcast_to(colour, (n, n, 3)) * (0.7 + 0.35 * weave[..., None])
    if rng.random() < 0.4:
        other = np.clip(table_dye(rng, 0.03, 0.7), 0.01, 0.8)
        band = rng.uniform(6, 40)
        stripe = (np.sin(2 * np.pi * x / band) > rng.uniform(-0.3, 0.7)).astype(np.float32)
        if rng.random() < 0.5:
            stripe = 0.5 * stripe + 0.5 * (np.sin(2 * np.pi * y / band) > 0.2)
        base = (
            base * (1 - stripe[..., None])
            + other * (0.7 + 0.35 * weave[..., None]) * stripe[..., None]
        )
    return table_skin(base, rough=0.85, height=0.12 * weave + 0.4 * warp * rng.random())


def plastic(n: int, mm_px: float, rng: Rng) -> Skin:
    """Smooth or leathery plastic of any colour, green among them."""
    colour = np.clip(table_dye(rng, 0.02, 0.8), 0.01, 0.85)
    grain = clouds((n, n), rng=rng, cell_px=(1.5 / mm_px, 1.5 / mm_px), octaves=2)
    lines = scratches((n, n), rng=rng, count=int(rng.integers(0, 60)), length_px=40 / mm_px)
    base = np.broadcast_to(colour, (n, n, 3)) * (1 + 0.15 * lines[..., None])
    return table_skin(
        base, rough=float(rng.uniform(0.15, 0.6)), height=0.008 * grain * rng.random()
    )


def bench(n: int, mm_px: float, rng: Rng) -> Skin:
    """A metal bench or painted steel, scratched, sometimes rusty."""
    lines = scratches((n, n), rng=rng, count=int(rng.integers(40, 250)), length_px=60 / mm_px)
    cloud = clouds((n, n), rng=rng, cell_px=(90 / mm_px, 90 / mm_px), octaves=6, fall=0.6)
    brushed = clouds((n, n), rng=rng, cell_px=(100 / mm_px, 0.5 / mm_px), octaves=2)
    if rng.random() < 0.6:
        tone = rng.uniform(0.35, 0.6)
        base = np.full((n, n, 3), tone, np.float32) * (1 + 0.05 * brushed[..., None])
        skin = table_skin(base, rough=np.clip(0.4 + 0.06 * cloud + 0.1 * lines, 0.2, 0.8))
        skin = replace(skin, metallic=np.full((n, n), rng.uniform(0.6, 0.95), np.float32))
    else:
        colour = np.clip(table_dye(rng, 0.03, 0.6), 0.01, 0.8)
        base = np.broadcast_to(colour, (n, n, 3)) * (1 - 0.3 * lines[..., None])
        skin = table_skin(base, rough=0.4, height=0.01 * cloud)
    if rng.random() < 0.35:
        rust = np.clip(cloud - rng.uniform(0.6, 1.6), 0, 1)[..., None]
        skin = replace(
            skin,
            base=(skin.base * (1 - rust) + np.array([0.25, 0.10, 0.04]) * rust).astype(np.float32),
            metallic=skin.metallic * (1 - rust[..., 0]),
        )
    return skin


def leather(n: int, mm_px: float, rng: Rng) -> Skin:
    """Leather, often in the browns of copper."""
    colour = np.array([[0.30, 0.12, 0.05], [0.12, 0.05, 0.03], [0.04, 0.035, 0.03],
                       [0.42, 0.22, 0.10], [0.35, 0.08, 0.05]])[int(rng.integers(5))]  # fmt: skip
    cell = clouds((n, n), rng=rng, cell_px=(2.2 / mm_px, 2.2 / mm_px), octaves=3)
    wrinkle = np.abs(cell)
    tone = clouds((n, n), rng=rng, cell_px=(60 / mm_px, 60 / mm_px), octaves=4)
    base = np.broadcast_to(colour, (n, n, 3)) * (1 + 0.12 * tone[..., None])
    base = base * (0.75 + 0.25 * np.clip(wrinkle * 3, 0, 1)[..., None])
    return table_skin(base, rough=0.45, height=0.08 * np.clip(wrinkle * 2, 0, 1))


def carpet(n: int, mm_px: float, rng: Rng) -> Skin:
    """Carpet or felt, speckled, reds and greens among them."""
    colour = np.clip(table_dye(rng, 0.03, 0.45), 0.01, 0.7)
    tuft = clouds((n, n), rng=rng, cell_px=(2.5 / mm_px, 2.5 / mm_px), octaves=4, fall=0.8)
    base = tinted(tuft, colour * 0.45, colour * 1.35)
    return table_skin(base, rough=0.9, height=0.25 * tuft)


def tile(n: int, mm_px: float, rng: Rng) -> Skin:
    """Glazed tile or stone with veins and joints."""
    colour = np.clip(rng.uniform(0.08, 0.8) * np.array([1, rng.uniform(0.85, 1.0),
                     rng.uniform(0.7, 1.0)]), 0.02, 0.85)  # fmt: skip
    cloud = clouds((n, n), rng=rng, cell_px=(50 / mm_px, 50 / mm_px), octaves=6, fall=0.65)
    vein = np.exp(-((cloud / 0.12) ** 2)) * rng.uniform(0, 0.5)
    speck = clouds((n, n), rng=rng, cell_px=(3 / mm_px, 3 / mm_px), octaves=2)
    base = np.broadcast_to(colour, (n, n, 3)) * (1 + 0.08 * cloud[..., None])
    base = base * (1 - vein[..., None])
    if rng.random() < 0.5:
        base = base * (1 + 0.25 * (np.abs(speck) > 1.4)[..., None] * rng.choice([-1, 1]))
    size = rng.uniform(90, 300)
    y, x = np.mgrid[0:n, 0:n].astype(np.float32) * mm_px
    shift = rng.uniform(0, size, 2)
    joint = (((x + shift[0]) % size) < 2.5) | (((y + shift[1]) % size) < 2.5)
    base = np.where(joint[..., None], 0.25, base)
    return table_skin(base, rough=float(rng.choice([0.15, 0.3, 0.6])), height=-0.4 * joint)


def gravel(n: int, mm_px: float, rng: Rng) -> Skin:
    """Sand or fine gravel, brown to grey."""
    colour = np.array([[0.35, 0.26, 0.17], [0.28, 0.27, 0.25], [0.45, 0.36, 0.24]])[
        int(rng.integers(3))
    ]
    grain = clouds((n, n), rng=rng, cell_px=(3 / mm_px, 3 / mm_px), octaves=4, fall=0.7)
    hue = clouds((n, n), rng=rng, cell_px=(2 / mm_px, 2 / mm_px), octaves=2)
    base = tinted(grain, colour * 0.5, colour * 1.4)
    base = base * (1 + 0.1 * hue[..., None] * np.array([1, 0, -1]))
    return table_skin(base, rough=0.85, height=0.2 * grain)


def cardboard(n: int, mm_px: float, rng: Rng) -> Skin:
    """Corrugated board, faintly ribbed."""
    colour = np.array([0.40, 0.26, 0.15]) * rng.uniform(0.8, 1.25)
    y = np.arange(n, dtype=np.float32)[:, None] * mm_px
    rib = np.broadcast_to(np.sin(2 * np.pi * y / 7.0), (n, n))
    fibre = clouds((n, n), rng=rng, cell_px=(2 / mm_px, 6 / mm_px), octaves=3)
    base = np.broadcast_to(colour, (n, n, 3)) * (1 + 0.04 * fibre + 0.02 * rib)[..., None]
    return table_skin(base.astype(np.float32), rough=0.75, height=0.04 * rib + 0.01 * fibre)


def steel(n: int, mm_px: float, rng: Rng) -> Skin:
    """Sheet steel or zinc: brushed, spangled, ribbed against slipping, oily or rusty."""
    style = rng.choice(["brushed", "spangled", "ribbed"])
    tone = rng.uniform(0.25, 0.65) * np.array([1.0, 1.0, rng.uniform(0.94, 1.06)])
    cloud = clouds((n, n), rng=rng, cell_px=(70 / mm_px, 70 / mm_px), octaves=6, fall=0.65)
    base = np.broadcast_to(tone, (n, n, 3)) * (1 + 0.05 * cloud[..., None])
    rough = 0.3 + 0.05 * cloud
    height = np.zeros((n, n), np.float32)
    if style == "brushed":
        lines = clouds((n, n), rng=rng, cell_px=(150 / mm_px, 0.4 / mm_px), octaves=2)
        base = base * (1 + 0.08 * lines[..., None])
    elif style == "spangled":
        count = int(np.clip((n * mm_px / rng.uniform(6, 15)) ** 2, 50, 1500))
        seeds = np.zeros((n, n), np.uint8)
        at = rng.integers(0, n, (count, 2))
        seeds[at[:, 0], at[:, 1]] = 1
        _, cell = cv2.distanceTransformWithLabels(
            1 - seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
        )
        tones = rng.uniform(0.75, 1.2, int(cell.max()) + 1)
        base = base * tones[cell][..., None]
        rough = rough + 0.15 * rng.random(len(tones))[cell]
    else:
        y, x = np.mgrid[0:n, 0:n].astype(np.float32) * mm_px
        pitch = rng.uniform(12, 28)
        i, j = np.floor(x / pitch), np.floor(y / pitch)
        u, v = x % pitch - pitch / 2, y % pitch - pitch / 2
        turned = ((i + j) % 2) > 0
        a, b = np.where(turned, u + v, u - v), np.where(turned, u - v, u + v)
        bump = np.clip(1 - (a / (0.75 * pitch)) ** 2 - (b / (0.2 * pitch)) ** 2, 0, 1)
        height = (rng.uniform(0.5, 1.2) * np.sqrt(bump)).astype(np.float32)
        base = base * (1 + 0.2 * (bump > 0.3))[..., None]
    metal = np.full((n, n), rng.uniform(0.6, 0.95), np.float32)
    if rng.random() < 0.4:
        rust = np.clip(cloud - rng.uniform(0.2, 1.4), 0, 1)
        base = base * (1 - rust[..., None]) + np.array([0.22, 0.09, 0.035]) * rust[..., None]
        metal = metal * (1 - rust)
    return replace(table_skin(base, rough=np.clip(rough, 0.15, 0.8), height=height),
                   metallic=metal.astype(np.float32))  # fmt: skip


def crate(n: int, mm_px: float, rng: Rng) -> Skin:
    """The floor of a plastic crate: ribs, and holes that look into the dark."""
    colour = np.clip(table_dye(rng, 0.03, 0.6), 0.01, 0.8)
    y, x = np.mgrid[0:n, 0:n].astype(np.float32) * mm_px
    pitch = rng.uniform(9, 32)
    bar = rng.uniform(0.2, 0.5) * pitch
    if rng.random() < 0.4:
        x, y = (x + y) / np.sqrt(2), (x - y) / np.sqrt(2)
    rib = ((x % pitch) < bar) | ((y % pitch) < bar)
    open_floor = rng.random() < 0.6
    tone = clouds((n, n), rng=rng, cell_px=(40 / mm_px, 40 / mm_px), octaves=5)
    base = np.broadcast_to(colour, (n, n, 3)) * (1 + 0.06 * tone[..., None])
    under = base * 0.7 if not open_floor else base * 0.05 + 0.01
    soft = cv2.GaussianBlur(rib.astype(np.float32), (0, 0), max(0.4 / mm_px, 0.6))
    base = np.where(rib[..., None], base, under)
    return table_skin(base, rough=float(rng.uniform(0.25, 0.6)), height=1.5 * soft)


def soil(n: int, mm_px: float, rng: Rng) -> Skin:
    """Earth with stones, straw and green bits."""
    colour = np.array([[0.10, 0.06, 0.04], [0.20, 0.13, 0.08], [0.30, 0.21, 0.14]])[
        int(rng.integers(3))
    ] * rng.uniform(0.7, 1.3)
    lump = clouds((n, n), rng=rng, cell_px=(14 / mm_px, 14 / mm_px), octaves=6, fall=0.75)
    base = tinted(lump, colour * 0.35, colour * 1.5)
    height = 0.6 * lump
    for _ in range(int(rng.integers(0, 4))):
        bits = spots((n, n), rng=rng, count=int(rng.integers(20, 220)),
                     radius_px=(0.8 / mm_px, rng.uniform(2, 8) / mm_px))  # fmt: skip
        tint = np.array([[0.35, 0.33, 0.30], [0.08, 0.20, 0.04], [0.45, 0.35, 0.15],
                         [0.16, 0.30, 0.12]])[int(rng.integers(4))]  # fmt: skip
        base = base * (1 - bits[..., None]) + tint * rng.uniform(0.6, 1.3) * bits[..., None]
        height = height + 0.6 * bits
    return table_skin(base, rough=0.9, height=height)


def mosaic(n: int, mm_px: float, rng: Rng) -> Skin:
    """Small tiles, each its own shade, with grout between."""
    size = float(rng.uniform(10, 55))
    joint = float(rng.uniform(1.0, 4.0))
    first, second = (np.clip(table_dye(rng, 0.05, 0.75), 0.02, 0.85) for _ in range(2))
    y, x = np.mgrid[0:n, 0:n].astype(np.float32) * mm_px
    row = np.floor(y / size).astype(int)
    x = x + (row % 2) * size / 2 * (rng.random() < 0.4)
    cell = np.floor(x / size).astype(int)
    shade = rng.uniform(0, 1, (row.max() + 1, cell.max() + 1))
    if rng.random() < 0.5:
        shade = (shade > 0.5).astype(float)
    w = shade[row, cell][..., None] * rng.uniform(0.2, 1.0)
    grain = clouds((n, n), rng=rng, cell_px=(6 / mm_px, 6 / mm_px), octaves=4)
    base = (first * (1 - w) + second * w) * (1 + 0.05 * grain[..., None])
    gap = ((x % size) < joint) | ((y % size) < joint)
    base = np.where(gap[..., None], rng.uniform(0.08, 0.55), base)
    rough = np.where(gap, 0.85, float(rng.uniform(0.12, 0.6)))
    return table_skin(base, rough=rough, height=-0.5 * gap)


def palm(n: int, mm_px: float, rng: Rng) -> Skin:
    """Skin of a hand or a glove: fingers side by side, creases, red and pale patches."""
    tones = np.array([[0.60, 0.36, 0.26], [0.45, 0.25, 0.16], [0.28, 0.14, 0.08],
                      [0.12, 0.06, 0.035], [0.66, 0.42, 0.33]])  # fmt: skip
    glove = rng.random() < 0.25
    colour = np.clip(table_dye(rng, 0.03, 0.6), 0.01, 0.8) if glove else tones[int(rng.integers(5))]
    red = clouds((n, n), rng=rng, cell_px=(22 / mm_px, 22 / mm_px), octaves=4)
    base = colour * (1 + 0.10 * red[..., None] * np.array([0.4, 1.0, 1.2]))
    pore = clouds((n, n), rng=rng, cell_px=(1.4 / mm_px, 1.4 / mm_px), octaves=3)
    y, x = np.mgrid[0:n, 0:n].astype(np.float32) * mm_px
    warp = clouds((n, n), rng=rng, cell_px=(60 / mm_px, 60 / mm_px), octaves=3)
    wide = rng.uniform(15, 24)
    across = (x + 4 * warp) % wide - wide / 2
    finger = np.sqrt(np.clip(1 - (across / (wide / 2)) ** 2, 0, 1))
    gap = np.clip(1 - finger * 2.2, 0, 1)
    joint = np.exp(-((((y + 5 * warp + 9 * np.floor((x + 4 * warp) / wide)) % 26) - 13) ** 2) / 0.5)
    crease = np.exp(-((warp + 0.25 * red) ** 2) / 0.0009) * 0.8
    dark = np.clip(0.8 * gap + 0.35 * joint * (rng.random(1) < 0.8) + 0.4 * crease, 0, 0.9)
    base = base * (1 - dark[..., None] * np.array([0.75, 0.9, 0.95])) * (1 + 0.03 * pore[..., None])
    height = 2.5 * finger * rng.uniform(0.3, 1.0) + 0.03 * pore - 0.3 * joint - 0.2 * crease
    return table_skin(base, rough=float(rng.uniform(0.35, 0.6)), height=height)


def backdrop(n: int, mm_px: float, rng: Rng) -> Skin:
    """The even white, grey or black of a photo for a catalogue."""
    low, high = ((0.75, 0.9), (0.15, 0.6), (0.01, 0.05))[int(rng.choice(3, p=[0.7, 0.15, 0.15]))]
    tone = float(rng.uniform(low, high))
    tint = np.clip(1 + rng.normal(0, 0.015, 3), 0.9, 1.1)
    grain = clouds((n, n), rng=rng, cell_px=(1.0 / mm_px, 1.0 / mm_px), octaves=2)
    base = np.broadcast_to(tone * tint, (n, n, 3)) * (1 + 0.006 * grain[..., None])
    return table_skin(base, rough=float(rng.choice([0.25, 0.6, 0.8])))


KINDS: dict[str, Callable[[int, float, Rng], Skin]] = {
    "wood": wood,
    "concrete": concrete,
    "cloth": cloth,
    "paper": paper,
    "plastic": plastic,
    "bench": bench,
    "leather": leather,
    "carpet": carpet,
    "tile": tile,
    "cardboard": cardboard,
    "asphalt": asphalt,
    "gravel": gravel,
    "newspaper": newspaper,
    "steel": steel,
    "crate": crate,
    "soil": soil,
    "mosaic": mosaic,
    "printed_cloth": printed_cloth,
    "cutting_mat": cutting_mat,
    "palm": palm,
    "backdrop": backdrop,
    "white_paper": white_paper,
    "grey_paper": grey_paper,
}


WEIGHTS = {"wood": 5.0, "concrete": 3.0, "cloth": 3.0, "paper": 5.0, "plastic": 2.0, "bench": 2.0,
           "leather": 1.0, "carpet": 1.0, "tile": 1.5, "cardboard": 1.5, "asphalt": 1.0,
           "gravel": 0.7, "newspaper": 1.2, "steel": 1.5, "crate": 0.8, "soil": 0.8, "mosaic": 0.8,
           "printed_cloth": 1.0, "cutting_mat": 1.2, "palm": 0.9, "backdrop": 3.0,
           "white_paper": 2.0, "grey_paper": 1.0}  # fmt: skip


def table(n: int, *, mm_px: float, rng: Rng, kind: str | None = None) -> tuple[str, Skin]:
    """Return a table's name and its skin of ``n`` by ``n`` texels, stained at times."""
    names = list(KINDS)
    weights = np.array([WEIGHTS[k] for k in names])
    name = kind or str(rng.choice(names, p=weights / weights.sum()))
    skin = KINDS[name](n, mm_px, rng)
    if rng.random() < (0.12 if name == "white_paper" else 0.4):
        stain = spots((n, n), rng=rng, count=int(rng.integers(1, 14)),
                      radius_px=(1.5 / mm_px, 25 / mm_px))[..., None]  # fmt: skip
        edge = clouds((n, n), rng=rng, cell_px=(10 / mm_px, 10 / mm_px), octaves=4)
        stain = stain * np.clip(0.6 + 0.4 * edge[..., None], 0, 1) * rng.uniform(0.1, 0.6)
        colour = np.clip(rng.uniform(0.01, 0.25, 3) * np.array([1.2, 0.9, 0.6]), 0, 1)
        skin = replace(skin, base=(skin.base * (1 - stain) + colour * stain).astype(np.float32))
    return name, skin
