"""Tables with print or lines on them: paper, newspaper, cloth, cutting mats."""

from __future__ import annotations

import cv2
import numpy as np

from models.recipe.look.finishes import Skin
from models.recipe.look.noise import Field, Rng, clouds, scratches
from models.recipe.tables.table_skin import table_dye, table_skin, tinted


def paper(n: int, mm_px: float, rng: Rng, *, kind: str | None = None) -> Skin:
    """White, grey, kraft or printed paper; squared or lined at times."""
    kinds = ["white", "grey", "kraft", "lined", "squared", "printed", "coloured"]
    kind = kind or str(rng.choice(kinds, p=[0.25, 0.1, 0.1, 0.1, 0.2, 0.15, 0.1]))
    white = np.array([0.80, 0.80, 0.78]) * rng.uniform(0.85, 1.05)
    colour = {
        "grey": np.full(3, rng.uniform(0.2, 0.55)),
        "kraft": np.array([0.42, 0.27, 0.15]) * rng.uniform(0.8, 1.25),
        "coloured": np.clip(table_dye(rng, 0.1, 0.8), 0.05, 0.85),
    }.get(str(kind), white)
    fibre = clouds((n, n), rng=rng, cell_px=(1.5 / mm_px, 1.5 / mm_px), octaves=3)
    dip = clouds((n, n), rng=rng, cell_px=(120 / mm_px, 120 / mm_px), octaves=2)
    base = np.broadcast_to(colour, (n, n, 3)) * (1 + 0.02 * fibre[..., None])
    y, x = np.mgrid[0:n, 0:n].astype(np.float32) * mm_px
    if kind in ("lined", "squared"):
        pitch = float(rng.choice([4.0, 5.0, 8.0, 10.0]))
        ink = np.clip(rng.uniform(0.1, 0.7, 3), 0, 1)
        line = (x % pitch) < 0.25
        if kind == "squared":
            line = line | ((y % pitch) < 0.25)
        base = np.where(line[..., None], base * (0.4 + 0.5 * ink), base)
    if kind == "printed":
        base = base * (1 - 0.85 * print_rows((n, n), mm_px, rng)[..., None])
    return table_skin(
        base, rough=float(rng.choice([0.35, 0.7, 0.8])), height=0.008 * fibre + 0.6 * dip
    )


def white_paper(n: int, mm_px: float, rng: Rng) -> Skin:
    """White paper as most people have it: blank, else lined, squared or printed."""
    kind = str(rng.choice(["white", "lined", "squared", "printed"], p=[0.78, 0.07, 0.07, 0.08]))
    return paper(n, mm_px, rng, kind=kind)


def grey_paper(n: int, mm_px: float, rng: Rng) -> Skin:
    """Grey paper: where grey metal and its shadow are hardest to tell from what is below."""
    return paper(n, mm_px, rng, kind="grey")


def print_rows(shape: tuple[int, int], mm_px: float, rng: Rng) -> Field:
    """Rows of short dashes: the look of text without any."""
    ink = np.zeros(shape, np.uint8)
    size = rng.uniform(1.2, 3.5)
    y = rng.uniform(0, 10)
    while y < shape[0] * mm_px:
        x = rng.uniform(2, 20)
        if rng.random() < 0.12:
            y += 3 * size
            continue
        while x < shape[1] * mm_px:
            word = rng.uniform(1, 8) * size * 0.6
            for k in np.arange(x, x + word, size * 0.6):
                h = size * rng.uniform(0.6, 1.0)
                p = (int(k / mm_px), int((y - h) / mm_px))
                q = (int((k + size * 0.35) / mm_px), int(y / mm_px))
                cv2.rectangle(ink, p, q, 255, 1 if rng.random() < 0.6 else -1)
            x += word + size * rng.uniform(0.6, 1.2)
        y += size * 1.9
    return (ink / 255).astype(np.float32)


def newspaper(n: int, mm_px: float, rng: Rng) -> Skin:
    """Columns of small print, headlines and grey or coloured pictures on thin grey paper."""
    white = rng.uniform(0.40, 0.70) * np.array(
        [1.0, rng.uniform(0.95, 1.0), rng.uniform(0.8, 0.95)]
    )
    ink = np.zeros((n, n), np.float32)
    column = round(rng.uniform(38, 60) / mm_px)
    small = print_rows((n, min(column, n)), mm_px, rng)
    for left in range(0, n, column + round(4 / mm_px)):
        wide = min(column, n - left)
        ink[:, left : left + wide] = np.roll(small, int(rng.integers(n)), axis=0)[:, :wide]
    base = np.broadcast_to(white, (n, n, 3)) * (1 - 0.8 * ink[..., None])
    for _ in range(int(rng.integers(2, 9))):
        h, w = (int(v / mm_px) for v in rng.uniform(15, 90, 2))
        y, x = int(rng.uniform(0, max(n - h, 1))), int(rng.uniform(0, max(n - w, 1)))
        h, w = min(h, n - y), min(w, n - x)
        if rng.random() < 0.35:  # a headline
            bold = print_rows((max(h // 2, 8), w), mm_px / 4, rng)[..., None]
            base[y : y + len(bold), x : x + w] = white * (1 - 0.9 * bold[: n - y])
            continue
        picture = clouds((h, w), rng=rng, cell_px=(h / 2, w / 2), octaves=5)
        light = white * rng.uniform(0.6, 1.0)
        dark = (
            np.clip(table_dye(rng, 0.02, 0.25), 0.01, 0.5)
            if rng.random() < 0.6
            else np.full(3, 0.05)
        )
        base[y : y + h, x : x + w] = tinted(picture, dark, light)
    dip = clouds((n, n), rng=rng, cell_px=(90 / mm_px, 90 / mm_px), octaves=3)
    return table_skin(base, rough=0.8, height=0.9 * dip * rng.random())


def printed_cloth(n: int, mm_px: float, rng: Rng) -> Skin:
    """A tablecloth of oilcloth or cotton printed with dots, rings, checks or flowers."""
    ground = np.clip(table_dye(rng, 0.05, 0.8), 0.01, 0.85)
    if rng.random() < 0.5:
        ground = np.array([0.75, 0.74, 0.70]) * rng.uniform(0.8, 1.1)
    art = np.broadcast_to(ground, (n, n, 3)).astype(np.float32).copy()
    inks = [np.clip(table_dye(rng, 0.04, 0.7), 0.01, 0.85) for _ in range(3)]
    pitch = rng.uniform(8, 45) / mm_px
    motif = rng.choice(["dots", "rings", "flowers", "checks"])
    if motif == "checks":
        y, x = np.mgrid[0:n, 0:n]
        w = 0.5 * ((x % pitch) < pitch / 2) + 0.5 * ((y % pitch) < pitch / 2)
        art = (art * (1 - w[..., None]) + inks[0] * w[..., None]).astype(np.float32)
    else:
        for i in range(int(n / pitch) + 2):
            for j in range(int(n / pitch) + 2):
                c = ((j + 0.5 * (i % 2)) * pitch, i * pitch)
                centre = (int(c[0]), int(c[1]))
                ink = tuple(float(v) for v in inks[int(rng.integers(3))])
                r = max(2, int(pitch * 0.25))
                if motif == "flowers":
                    for a in np.arange(0, 2 * np.pi, np.pi / 3):
                        petal = (int(c[0] + r * np.cos(a)), int(c[1] + r * np.sin(a)))
                        cv2.circle(art, petal, max(1, r // 2), ink, -1, cv2.LINE_AA)
                    cv2.circle(art, centre, max(1, r // 2), (0.6, 0.4, 0.05), -1, cv2.LINE_AA)
                else:
                    thick = -1 if motif == "dots" else max(1, r // 4)
                    cv2.circle(art, centre, r, ink, thick, cv2.LINE_AA)
    y, x = np.mgrid[0:n, 0:n].astype(np.float32) * mm_px
    weave = np.sin(2 * np.pi * x / 0.9) * np.sin(2 * np.pi * y / 0.9)
    oiled = rng.random() < 0.5
    dip = clouds((n, n), rng=rng, cell_px=(60 / mm_px, 60 / mm_px), octaves=3)
    height = 0.5 * dip * rng.random() + (0.0 if oiled else 0.06) * weave
    return table_skin(art, rough=0.3 if oiled else 0.85, height=height)


def cutting_mat(n: int, mm_px: float, rng: Rng) -> Skin:
    """A cutting mat: green, blue, grey or black, with a grid of pale lines and cuts."""
    colour = np.array([[0.02, 0.16, 0.10], [0.02, 0.10, 0.20], [0.05, 0.05, 0.055],
                       [0.16, 0.17, 0.18], [0.03, 0.22, 0.17], [0.30, 0.05, 0.12]])[
        int(rng.integers(6))
    ] * rng.uniform(0.7, 1.4)  # fmt: skip
    y, x = np.mgrid[0:n, 0:n].astype(np.float32) * mm_px
    line = ((x % 10) < 0.3) | ((y % 10) < 0.3)
    bold = ((x % 50) < 0.6) | ((y % 50) < 0.6)
    tick = (((x % 1) < 0.25) & ((y % 50) < 2)) | (((y % 1) < 0.25) & ((x % 50) < 2))
    ink = np.clip(0.55 * line + 0.9 * bold + 0.6 * tick * (rng.random() < 0.6), 0, 1)
    pale = np.array([0.70, 0.68, 0.40]) if rng.random() < 0.5 else np.full(3, 0.6)
    cuts = scratches((n, n), rng=rng, count=int(rng.integers(0, 90)), length_px=50 / mm_px)
    base = colour * (1 - ink[..., None] * 0.8) + pale * ink[..., None] * 0.8
    base = base * (1 + 0.5 * cuts[..., None])
    grain = clouds((n, n), rng=rng, cell_px=(0.8 / mm_px, 0.8 / mm_px), octaves=2)
    return table_skin(base, rough=float(rng.uniform(0.4, 0.7)), height=0.01 * grain - 0.02 * cuts)
