"""Reference objects of known size: ID-1 card, ArUco marker, coins."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from models.recipe.look import optics
from models.recipe.look.finishes import REFERENCE, TABLE, Skin, metal, plain
from models.recipe.look.noise import Rng, clouds, scratches, spots
from models.recipe.scene.meshes import Array, Mesh, grid, join, prism
from models.recipe.tables.printed import print_rows
from vision.reference.coin import kinds
from vision.reference.coin.kinds import CoinColour
from vision.reference.markers import MODULES, marker_bits
from vision.reference.sheet import MARGIN_MM, MARKER_SIDE_MM, sheet_geometry

# ISO/IEC 7810:2003, ID-1.
CARD_MM = (85.60, 53.98)
CARD_RADIUS_MM = 3.18
CARD_THICK_MM = 0.76


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reference:
    """A reference lying at the origin, its upper face at ``height_mm``.

    Attributes:
        key: As the command line says it: card, marker:40, eu-1c ...
        parts: Meshes with the skin each wears.
        outline_mm: ``(n, 2)`` outline that the size speaks of.
        height_mm: Height of the face over the table.
        reach_mm: Radius of a disc that holds the whole object.
    """

    key: str
    parts: list[tuple[Mesh, Skin]]
    outline_mm: Array
    height_mm: float
    reach_mm: float


def rounded_outline(width: float, height: float, radius: float, *, arc: int = 12) -> Array:
    """Return a rectangle with rounded corners about the origin, counter-clockwise."""
    out = []
    for k, (sx, sy) in enumerate([(1, 1), (-1, 1), (-1, -1), (1, -1)]):
        a = np.linspace(0, np.pi / 2, arc) + k * np.pi / 2
        centre = np.array([sx * (width / 2 - radius), sy * (height / 2 - radius)])
        out.append(centre + radius * np.stack([np.cos(a), np.sin(a)], axis=1))
    return np.concatenate(out)


def _colour(rng: Rng, low: float = 0.01, high: float = 0.8) -> NDArray[np.float64]:
    return np.clip(rng.uniform(low, high) * rng.dirichlet((1.5, 1.5, 1.5)) * 3, 0.005, 0.85)


def cardprint_rows(rng: Rng, *, px_per_mm: float = 6.0) -> Skin:
    """Return an invented card face: plain, gradient, stripes, a chip, rows of dashes."""
    w, h = round(CARD_MM[0] * px_per_mm), round(CARD_MM[1] * px_per_mm)
    y, x = np.mgrid[0:h, 0:w].astype(np.float32) / np.array([h, w], np.float32)[:, None, None]
    style = rng.choice(["white", "plain", "dark", "gradient", "stripes", "blobs"])
    first = {"white": np.array([0.8, 0.8, 0.79]), "dark": _colour(rng, 0.01, 0.06)}.get(
        str(style), _colour(rng)
    )
    base = np.broadcast_to(first, (h, w, 3)).astype(np.float32).copy()
    second = _colour(rng)
    if style == "gradient":
        a = rng.uniform(0, 2 * np.pi)
        t = np.clip(0.5 + (x - 0.5) * np.cos(a) + (y - 0.5) * np.sin(a), 0, 1)[..., None]
        base = base * (1 - t) + second * t
    elif style == "stripes":
        for _ in range(int(rng.integers(1, 5))):
            start, size = rng.uniform(0, 1), rng.uniform(0.03, 0.3)
            band = (y > start) & (y < start + size)
            base[band] = _colour(rng)
    elif style == "blobs":
        field = clouds((h, w), rng=rng, cell_px=(h / 2, h / 2), octaves=4)
        t = np.clip(field * 2 + 0.5, 0, 1)[..., None]
        base = base * (1 - t) + second * t
    rough = np.full((h, w), rng.uniform(0.15, 0.5), np.float32)
    metallic = np.zeros((h, w), np.float32)
    if rng.random() < 0.5:  # text-like rows
        box = (
            slice(int(h * rng.uniform(0.3, 0.6)), int(h * 0.95)),
            slice(int(w * 0.06), int(w * 0.9)),
        )
        ink = print_rows((base[box].shape[0], base[box].shape[1]), 1 / px_per_mm, rng)[..., None]
        colour = np.full(3, 0.02) if base.mean() > 0.25 else np.full(3, 0.75)
        base[box] = base[box] * (1 - ink) + colour * ink
    if rng.random() < 0.4:  # magnetic stripe
        top = int(h * rng.uniform(0.07, 0.12))
        base[top : top + int(h * 0.23)] = 0.012
    if rng.random() < 0.5:  # contact chip
        x0, y0 = int(w * 0.11), int(h * 0.36)
        cw, ch = int(13 * px_per_mm), int(11.5 * px_per_mm)
        gold = optics.GOLD if rng.random() < 0.7 else np.array([0.8, 0.8, 0.78])
        base[y0 : y0 + ch, x0 : x0 + cw] = gold
        metallic[y0 : y0 + ch, x0 : x0 + cw] = 1.0
        rough[y0 : y0 + ch, x0 : x0 + cw] = 0.3
        for k in (1, 2, 3):
            yy = y0 + ch * k // 4
            base[yy : yy + 2, x0 : x0 + cw] = 0.05
    if rng.random() < 0.3:  # a picture-like block
        x0, y0 = int(w * rng.uniform(0.5, 0.7)), int(h * rng.uniform(0.1, 0.4))
        base[y0 : y0 + h // 3, x0 : x0 + w // 5] = _colour(rng)
    lines = scratches((h, w), rng=rng, count=int(rng.integers(0, 40)), length_px=60)
    rough = np.clip(rough + 0.2 * lines, 0.1, 0.8)
    skin = plain((h, w), colour=(0.5, 0.5, 0.5), label=REFERENCE)
    return replace(
        skin,
        base=np.clip(base, 0.005, 0.9).astype(np.float32)[::-1].copy(),
        rough=rough.astype(np.float32)[::-1].copy(),
        metallic=metallic[::-1].copy(),
    )


def card(rng: Rng) -> Reference:
    """Return an ID-1 card with an invented print."""
    outline = rounded_outline(*CARD_MM, CARD_RADIUS_MM)
    mesh = prism(outline, bottom_mm=0.0, top_mm=CARD_THICK_MM, spread=1.0)
    return Reference(
        key="card",
        parts=[(mesh, cardprint_rows(rng))],
        outline_mm=outline,
        height_mm=CARD_THICK_MM,
        reach_mm=float(np.hypot(*CARD_MM) / 2),
    )


def marker(rng: Rng, *, side_mm: float | None = None) -> Reference:
    """Return one DICT_4X4_50 marker printed on paper or board with a quiet zone."""
    side = side_mm or float(rng.choice([10, 15, 20, 25, 30, 40, 50, 60]))
    number = int(rng.integers(50))
    cells = 6
    quiet = side * rng.uniform(0.18, 0.5)
    px_cell = 40
    art = cv2.aruco.generateImageMarker(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), number, cells * px_cell
    )
    scale = cells * px_cell / side
    pad = round(quiet * scale)
    quiet = pad / scale
    white = rng.uniform(0.6, 0.85) * np.array([1, 0.995, 0.97])
    black = rng.uniform(0.012, 0.05)
    face = np.pad(art.astype(np.float32) / 255, pad, constant_values=1.0)
    n = face.shape[0]
    fibre = clouds((n, n), rng=rng, cell_px=(1.5 * scale, 1.5 * scale), octaves=3)
    base = black + (white - black) * face[..., None] * (1 + 0.015 * fibre[..., None])
    skin = replace(
        plain((n, n), colour=(0.5, 0.5, 0.5), label=REFERENCE, rough=rng.uniform(0.35, 0.8)),
        base=np.clip(base, 0.005, 0.9).astype(np.float32)[::-1].copy(),
    )
    thick = float(rng.choice([0.1, 0.1, 0.2, 0.3, 1.5, 3.0]))
    half = side / 2 + quiet
    outline = np.array([[half, half], [-half, half], [-half, -half], [half, -half]])
    mesh = prism(outline, bottom_mm=0.0, top_mm=thick)
    black_outline = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * side / 2
    return Reference(
        key=f"marker:{side:g}",
        parts=[(mesh, skin)],
        outline_mm=black_outline,
        height_mm=thick,
        reach_mm=float(np.sqrt(2) * half),
    )


SHEET_TEXELS_MM = 5.0
SHEET_MM = 0.1
"""Thickness of the paper."""


def printed_sheet(rng: Rng) -> Reference:
    """Return the project's own sheet, its middle at the origin, pieces to be laid on it."""
    geometry = sheet_geometry("a4")
    w, h = geometry.width_mm, geometry.height_mm
    fine = 2 * SHEET_TEXELS_MM
    ink = np.ones((round(h * fine), round(w * fine)), np.float32)

    def box(x: float, y: float, wide: float, high: float, tone: float) -> None:
        x0, y0, x1, y1 = (round(v * fine) for v in (x, y, x + wide, y + high))
        ink[y0:y1, x0:x1] = tone

    for number, corners in geometry.markers.items():
        (x, y), module = corners[0], MARKER_SIDE_MM / MODULES
        box(x, y, MARKER_SIDE_MM, MARKER_SIDE_MM, 0.0)
        for row, column in np.argwhere(marker_bits(number) > 0):
            box(x + column * module, y + row * module, module, module, 1.0)
    for patch in geometry.patches:
        box(*patch.box_mm, patch.nominal_reflectance)
    (x0, y), (x1, _) = geometry.bar_mm
    box(x0, y - 0.1, x1 - x0, 0.2, 0.0)
    for x in (x0, x1):
        box(x - 0.1, y - 3.5, 0.2, 7.0, 0.0)
    left, top = MARGIN_MM + MARKER_SIDE_MM + 10.0, MARGIN_MM
    lines = (slice(round(top * fine), round((top + 24) * fine)),
             slice(round(left * fine), round((w - left) * fine)))  # fmt: skip
    ink[lines] -= 0.8 * print_rows(ink[lines].shape, 1 / fine, rng)
    size = (round(w * SHEET_TEXELS_MM), round(h * SHEET_TEXELS_MM))
    ink = np.asarray(cv2.resize(np.clip(ink, 0, 1), size, interpolation=cv2.INTER_AREA), np.float32)
    white = rng.uniform(0.74, 0.88) * np.array([1, 0.997, rng.uniform(0.96, 1.01)])
    black = rng.uniform(0.012, 0.05)
    fibre = clouds(ink.shape, rng=rng, cell_px=(8, 8), octaves=3)
    dip = clouds(ink.shape, rng=rng, cell_px=(600, 600), octaves=2)
    base = black + (white - black) * ink[..., None] * (1 + 0.012 * fibre[..., None])
    label = np.full(ink.shape, TABLE, np.uint8)
    for band in geometry.bands_mm:
        x0, y0, x1, y1 = (round(v * SHEET_TEXELS_MM) for v in
                          (band[0], band[1], band[0] + band[2], band[1] + band[3]))  # fmt: skip
        label[y0:y1, x0:x1] = REFERENCE
    skin = replace(
        plain(ink.shape, colour=(0.5, 0.5, 0.5), label=TABLE, rough=rng.uniform(0.6, 0.85)),
        base=np.clip(base, 0.005, 0.92).astype(np.float32)[::-1].copy(),
        height=(0.3 * dip * rng.random()).astype(np.float32),
        label=label[::-1].copy(),
    )
    outline = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]]) * np.array([w, h]) / 2
    return Reference(
        key="sheet",
        parts=[(prism(outline, bottom_mm=0.0, top_mm=SHEET_MM), skin)],
        outline_mm=outline,
        height_mm=SHEET_MM,
        reach_mm=float(np.hypot(w, h) / 2),
    )


def sheet_bands() -> list[Array]:
    """Return points all over the printed rows of the sheet and outside of it, mm."""
    geometry = sheet_geometry("a4")
    found = []
    for x, y, wide, high in geometry.bands_mm:
        gx, gy = np.meshgrid(np.arange(x, x + wide + 1, 2.0), np.arange(y, y + high + 1, 2.0))
        across, down = gx.ravel() - geometry.width_mm / 2, geometry.height_mm / 2 - gy.ravel()
        found.append(np.stack([across, down], axis=1))
    return found


def sheet_room_mm(half_mm: tuple[float, float]) -> tuple[float, float]:
    """Return half the sides of the work area, no more than is in view."""
    _, _, wide, high = sheet_geometry("a4").work_area_mm
    return min(max(half_mm), wide / 2), min(max(half_mm), high / 2)


# Coins that are laid. Copper-coloured ones are traps for a colour test.
COIN_KEYS = ("us-1c", "us-5c", "us-10c", "us-25c", "us-50c", "ca-10c", "ca-25c", "ca-2",
             "eu-1c", "eu-2c", "eu-5c", "eu-10c", "eu-20c", "eu-50c", "eu-1", "eu-2",
             "gb-1p", "gb-2p", "gb-5p", "gb-10p", "gb-2")  # fmt: skip
REEDED = ("us-10c", "us-25c", "us-50c", "ca-10c", "ca-25c")
"""Their edge is always grooved, that of one in five others is."""
# Brasses that stand for the golden coin alloys.
GOLDEN = ("brass85", "brass70", "brass90")
WORN = 0.25
"""Share of coins worn plain: no raised rim, hardly a mark."""
COPPER_COINS = ("us-1c", "eu-1c", "eu-2c", "eu-5c", "gb-1p", "gb-2p")


def _relief(n: int, rng: Rng, *, worn: bool = False) -> NDArray[np.float32]:
    """Rim, a ring of letter-like marks and a figure of blobs, 0..1. No real coin's art.

    A worn coin has no rim left and little of the rest.
    """
    c = (n - 1) / 2
    art = np.zeros((n, n), np.uint8)
    if not worn:
        cv2.circle(art, (int(c), int(c)), int(0.97 * c), 255, max(1, int(0.06 * c)))
    for angle in np.arange(0, 2 * np.pi * rng.uniform(0.5, 1.0), rng.uniform(0.14, 0.22)):
        p = c + 0.80 * c * np.array([np.cos(angle), np.sin(angle)])
        size = 0.055 * c
        box = cv2.boxPoints(
            ((float(p[0]), float(p[1])), (size * rng.uniform(0.4, 1.3), 1.7 * size),
             float(np.degrees(angle) + 90 + rng.normal(0, 6)))
        )  # fmt: skip
        cv2.polylines(art, [box.astype(np.int32)], True, int(rng.integers(120, 255)), 2)
    blob = clouds((n, n), rng=rng, cell_px=(n / 4, n / 4), octaves=4)
    y, x = np.mgrid[0:n, 0:n] - c
    inside = np.exp(-(((x / (0.45 * c)) ** 2 + (y / (0.55 * c)) ** 2) ** 2))
    figure = np.clip(inside * (1.2 + 0.5 * blob) - 0.35, 0, 1)
    for _ in range(int(rng.integers(0, 3))):
        p = c + rng.uniform(-0.5, 0.5, 2) * c
        cv2.putText(art, str(rng.integers(1, 99)), (int(p[0]), int(p[1])),
                    cv2.FONT_HERSHEY_DUPLEX, n / 250, 200, max(1, n // 120))  # fmt: skip
    both = np.maximum(cv2.GaussianBlur(art, (0, 0), n / 300).astype(np.float32) / 255, figure)
    wear = rng.uniform(n / 400, n / 90)
    if worn:
        both, wear = both * rng.uniform(0.02, 0.3), rng.uniform(n / 120, n / 25)
    return cv2.GaussianBlur(both.astype(np.float32), (0, 0), wear)


def coin(rng: Rng, *, key: str | None = None, label: int = REFERENCE) -> Reference:
    """Return a coin of tabled diameter and thickness with invented relief."""
    name = key or str(rng.choice(list(COIN_KEYS)))
    kind = kinds.coin(name)
    diameter, thick, colour = kind.diameter_mm, kind.thickness_mm, kind.colour
    n = 320
    mm = (diameter, diameter)
    dull = float(np.clip(rng.beta(1.2, 2.0), 0, 0.9))

    def silver() -> Skin:
        name_ = "nickel" if rng.random() < 0.7 else "steel"
        return metal((n, n), rng=rng, mm=mm, name=name_, label=label,
                     rough=rng.uniform(0.25, 0.4), dull=0.5 * dull)  # fmt: skip

    def golden() -> Skin:
        skin = metal((n, n), rng=rng, mm=mm, name=str(rng.choice(GOLDEN)),
                     label=label, rough=rng.uniform(0.25, 0.4))  # fmt: skip
        shade = 1 - dull * np.array([0.45, 0.52, 0.62])
        return replace(skin, base=(skin.base * shade).astype(np.float32),
                       rough=skin.rough + np.float32(0.15 * dull))  # fmt: skip

    y, x = np.mgrid[0:n, 0:n] - (n - 1) / 2
    radius = np.hypot(x, y) / (n / 2)
    worn = rng.random() < WORN
    relief = _relief(n, rng, worn=worn)
    if colour is CoinColour.COPPER:
        skin = _copper_coin((n, n), rng=rng, mm=mm, label=label)
    elif colour in (CoinColour.GOLDEN_RING, CoinColour.WHITE_RING):
        core = (radius < 0.68)[..., None]
        gold, white = golden(), silver()
        ring_gold = colour is CoinColour.GOLDEN_RING
        base = np.where(core ^ ring_gold, gold.base, white.base)
        skin = replace(white, base=base.astype(np.float32))
    elif colour is CoinColour.GOLDEN:
        skin = golden()
    else:
        skin = silver()
    # Dirt stays in the low parts.
    low = np.clip(1 - relief * 3, 0, 1)[..., None] * dull * (0.15 if worn else 0.5)
    skin = replace(
        skin,
        base=(skin.base * (1 - low)).astype(np.float32),
        height=(skin.height + relief * rng.uniform(0.05, 0.14)).astype(np.float32),
    )
    angle = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    circle = diameter / 2 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    bevel = float(rng.uniform(0.2, 0.45)) if worn else 0.12
    top = prism(circle * (1 - 2 * bevel / diameter), bottom_mm=thick - bevel, top_mm=thick)
    # The edge bulges to the full diameter below the bevel; uv stays on the rim.
    rings = np.array([[0, 1 - 2 * bevel / diameter], [bevel, 1], [thick - bevel, 1],
                      [thick, 1 - 2 * bevel / diameter]])  # fmt: skip
    closed = np.concatenate([circle, circle[:1]])
    points = np.stack([np.column_stack([closed * s, np.full(len(closed), z)]) for z, s in rings])
    edge = grid(points)
    if name in REEDED or rng.random() < 0.2:
        turn = edge.normals.copy()
        a = np.arctan2(edge.points[:, 1], edge.points[:, 0])
        shake = 0.5 * np.sign(np.sin(a * 120))
        turn[:, 0] += -np.sin(a) * shake
        turn[:, 1] += np.cos(a) * shake
        edge = replace(edge, normals=turn / np.linalg.norm(turn, axis=1, keepdims=True))
    rim_uv = 0.5 + 0.49 * edge.points[:, :2] / (diameter / 2)
    edge = replace(edge, uv=rim_uv)
    return Reference(
        key=name,
        parts=[(join([top, edge]), skin)],
        outline_mm=circle,
        height_mm=thick,
        reach_mm=diameter / 2,
    )


def _copper_coin(shape: tuple[int, int], *, rng: Rng, mm: tuple[float, float], label: int) -> Skin:
    from models.recipe.look.finishes import copper

    skin = copper(shape, rng=rng, mm=mm, level=float(rng.uniform(0.05, 0.85)), patchy=0.08,
                  rough=rng.uniform(0.25, 0.4), drawn=False)  # fmt: skip
    marks = spots(shape, rng=rng, count=int(rng.integers(0, 8)), radius_px=(2, 14))[..., None]
    return replace(
        skin,
        base=(skin.base * (1 - 0.5 * marks)).astype(np.float32),
        label=np.full(shape, label, np.uint8),
        level=np.zeros(shape, np.float32),
    )
