"""Puts table, reference, pieces and clutter into one mesh with one texture atlas.

One mesh and one material make every scene the same program for the renderer: its
kernels are compiled once and reused, whatever lies on the table.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.recipe.look.finishes import Skin, plain
from models.recipe.look.noise import Rng
from models.recipe.pieces import kinds as catalogue
from models.recipe.pieces.piece import Piece
from models.recipe.scene import clutter, references
from models.recipe.scene.ground import Ground
from models.recipe.scene.meshes import Array, Mesh, join, outward, prism, turn_z
from models.recipe.tables import tables

ATLAS_ROWS, ATLAS_COLUMNS = 2048, 3072
TABLE_TEXELS = 1400
# Points of all meshes from which no further piece is laid: a tracer's tree takes its time.
MOST_POINTS = 1_500_000
FIELDS = ("rough", "metallic", "stretch", "coat", "film", "height", "level")
"""Maps of one number a texel."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacedReference:
    """A reference where it lies."""

    key: str
    outline_mm: Array
    height_mm: float


STRANGERS_FROM = 128
"""Number of the first stranger among the owners of faces; pieces are below it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """Everything but light and camera.

    Attributes:
        mesh: All surfaces in one, uv in the atlas.
        face_piece: Number of the piece a face is of, or of the stranger from
            ``STRANGERS_FROM`` on, 0 for none.
        atlas: All skins in one.
        pieces: What lies there, numbered from 1.
        strangers: What else lies there, by name, in the order of their numbers.
        references: Where the references lie.
        table: Kind of table.
        albedo: Mean reflectance of the table, for exposure.
        plane_mm: Height of the plane the photo is about (cut ends lie high).
    """

    mesh: Mesh
    face_piece: NDArray[np.uint8]
    atlas: Skin
    pieces: tuple[Piece, ...]
    strangers: tuple[str, ...]
    references: tuple[PlacedReference, ...]
    table: str
    albedo: float
    plane_mm: float


def pack(sizes: Sequence[tuple[int, int]]) -> list[tuple[int, int]] | None:
    """Return the upper left corner of each rectangle in the atlas, or None if full."""
    order = sorted(range(len(sizes)), key=lambda k: -sizes[k][0])
    corners = [(0, 0)] * len(sizes)
    # Shelves stand beside the table and under it.
    top, left, shelf = 0, 0, 0
    for k in order:
        rows, columns = sizes[k]
        if left + columns > ATLAS_COLUMNS:
            top, left, shelf = top + shelf, 0, 0
        if top + rows > ATLAS_ROWS - 8 or columns > ATLAS_COLUMNS:
            return None
        corners[k] = (top, left)
        left += columns
        shelf = max(shelf, rows)
    return corners


def _smaller(skin: Skin, factor: float) -> Skin:
    rows = max(8, int(skin.shape[0] * factor))
    columns = max(8, int(skin.shape[1] * factor))

    def fit(a: NDArray[Any], how: int) -> NDArray[Any]:
        return np.asarray(cv2.resize(a, (columns, rows), interpolation=how), a.dtype)

    area, near = cv2.INTER_AREA, cv2.INTER_NEAREST
    return Skin(
        base=fit(skin.base, area),
        rough=fit(skin.rough, area),
        metallic=fit(skin.metallic, area),
        stretch=fit(skin.stretch, area),
        coat=fit(skin.coat, area),
        film=fit(skin.film, area),
        height=fit(skin.height, area),
        label=fit(skin.label, near),
        level=fit(skin.level, area),
    )


def _atlas(skins: list[Skin]) -> tuple[Skin, list[tuple[int, int]], list[Skin]]:
    # The table keeps its texels; the rest shrinks until all fit.
    factor = 1.0
    used = skins
    corners = pack([(s.shape[0] + 2, s.shape[1] + 2) for s in used])
    while corners is None:
        factor *= 0.85
        used = [skins[0], *[_smaller(s, factor) for s in skins[1:]]]
        corners = pack([(s.shape[0] + 2, s.shape[1] + 2) for s in used])
        if factor < 0.05:
            raise ValueError("the atlas cannot hold so many skins")
    sheet = (ATLAS_ROWS, ATLAS_COLUMNS)
    atlas = Skin(
        base=np.zeros((*sheet, 3), np.float32),
        label=np.zeros(sheet, np.uint8),
        **{name: np.zeros(sheet, np.float32) for name in FIELDS},
    )
    # The last corner is never packed: dark glass for the phone.
    atlas.base[-8:, -8:] = 0.012
    atlas.rough[-8:, -8:] = 0.2
    for skin, (row, column) in zip(used, corners, strict=True):
        rows, columns = skin.shape
        for name in ("base", *FIELDS, "label"):
            source = getattr(skin, name)
            border = ((1, 1), (1, 1), (0, 0))[: source.ndim]
            getattr(atlas, name)[row : row + rows + 2, column : column + columns + 2] = np.pad(
                source, border, mode="edge"
            )
    return atlas, corners, used


def _into_atlas(mesh: Mesh, skin: Skin, corner: tuple[int, int]) -> Mesh:
    rows, columns = skin.shape
    # 0 and 1 are the outer edges of the first and last texel, not their centres: else a
    # print comes out larger than its outline, a marker by 0.27 %.
    u = (corner[1] + 1 + np.clip(mesh.uv[:, 0], 0, 1) * columns) / ATLAS_COLUMNS
    v = (corner[0] + 1 + np.clip(mesh.uv[:, 1], 0, 1) * rows) / ATLAS_ROWS
    return replace(mesh, uv=np.stack([u, v], axis=1))


def _table_mesh(extent_mm: float, *, turn: float) -> Mesh:
    """Squares of ``extent_mm`` around the origin, mirrored so that no seam shows."""
    reach = 3
    meshes = []
    for i in range(-reach, reach + 1):
        for j in range(-reach, reach + 1):
            x0, y0 = (i - 0.5) * extent_mm, (j - 0.5) * extent_mm
            uv = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]])
            if i % 2:
                uv[:, 0] = 1 - uv[:, 0]
            if j % 2:
                uv[:, 1] = 1 - uv[:, 1]
            points = np.array([[x0, y0, 0], [x0 + extent_mm, y0, 0],
                               [x0 + extent_mm, y0 + extent_mm, 0],
                               [x0, y0 + extent_mm, 0]])  # fmt: skip
            meshes.append(Mesh(points=points, normals=np.tile([0.0, 0, 1], (4, 1)), uv=uv,
                               faces=np.array([[0, 1, 2], [0, 2, 3]])))  # fmt: skip
    return join(meshes).moved(turn_z(turn), np.zeros(3))


@dataclass(frozen=True, slots=True, kw_only=True)
class Pile:
    """How things lie on each other.

    Attributes:
        most_mm: What is higher is not lain on.
        within: Share of the table that is used.
        over_reference: Whether the reference may be covered in part.
    """

    most_mm: float
    within: float
    over_reference: bool


def _raised(piece: Piece, *, lift_mm: float, under_mm: float) -> Piece:
    """Return a piece as it lies on others, with how high it lies among its facts."""
    if under_mm <= 0:
        return piece
    up = np.array([0.0, 0.0, lift_mm])
    return replace(
        piece,
        parts=[(mesh.moved(np.eye(3), up), skin) for mesh, skin in piece.parts],
        round_runs=tuple((axis + up, d) for axis, d in piece.round_runs),
        facts={**piece.facts, "over_mm": round(under_mm, 2)},
    )


def build(  # noqa: PLR0912, PLR0915 - lays one thing after the other
    rng: Rng,
    *,
    half_mm: tuple[float, float],
    kinds: Sequence[str] | None = None,
    finishes: Sequence[str | None] | None = None,
    count: int | None = None,
    table: str | None = None,
    reference: str | None = None,
    clutter_count: int = 0,
    sources: Sequence[str | None] | None = None,
    gap_mm: float = 0.0,
    pile: Pile | None = None,
) -> Scene:
    """Return a scene inside ``half_mm`` to each side of the origin.

    Args:
        rng: Randomness; the same state gives the same scene.
        half_mm: Half the width and height that is used.
        kinds: Pieces to lay, in order; drawn by weight where None.
        finishes: Finish of each piece, drawn where None.
        count: Number of pieces where ``kinds`` is None.
        table: Kind of table, drawn where None.
        reference: ``card``, ``marker``, ``marker:MM``, a coin's key, ``coin``,
            ``sheet`` (which pieces lie on), ``none``; drawn where None.
        clutter_count: Things that are no piece.
        sources: Where each piece comes from, as it may be stated.
        gap_mm: Things lie at least so far apart; 0 lets thin ones cross.
        pile: How things lie on each other, None where they don't.
    """
    extent = 2.6 * max(half_mm)
    name, table_skin = tables.table(TABLE_TEXELS, mm_px=extent / TABLE_TEXELS, rng=rng, kind=table)
    ground = Ground(half_mm=half_mm, rng=rng, gap_mm=gap_mm)
    parts: list[tuple[Mesh, Skin, int]] = [
        (_table_mesh(extent, turn=rng.uniform(0, 2 * np.pi)), table_skin, 0)
    ]
    cut = kinds is not None and "cut_end" in kinds
    plane = float(rng.uniform(4, 14)) if cut else 0.0
    placed = []
    choice = reference or str(
        rng.choice(["card", "marker", "coin", "none"], p=[0.33, 0.27, 0.28, 0.12])
    )
    if choice == "sheet":
        printed = references.printed_sheet(rng)
        parts += [(mesh, skin, 0) for mesh, skin in printed.parts]
        for band in references.sheet_bands():
            ground.stamp(band, radius=2.5, top=printed.height_mm, close=True)
        ground.half_mm = references.sheet_room_mm(half_mm)
        placed.append(PlacedReference(key="sheet", outline_mm=printed.outline_mm,
                                      height_mm=printed.height_mm))  # fmt: skip
    elif choice != "none":
        if choice == "card":
            made = references.card(rng)
        elif choice.startswith("marker"):
            side = float(choice.split(":")[1]) if ":" in choice else None
            if side is None:
                side = float(rng.choice([s for s in (10, 15, 20, 25, 30, 40, 50, 60)
                                         if s <= max(10, 0.9 * min(half_mm))]))  # fmt: skip
            made = references.marker(rng, side_mm=side)
        else:
            made = references.coin(rng, key=None if choice == "coin" else choice)
        if gap_mm > 0:  # as advised it lies there whole; nothing else does yet
            where = ground.find(made.outline_mm, radius=0.0)
        else:
            where = ground.find(np.zeros((2, 2)), radius=min(made.reach_mm, 0.8 * min(half_mm)))
        if where is None:
            where = (rng.uniform(0, 2 * np.pi), np.zeros(2))
        turn, shift = where
        matrix = turn_z(turn)
        lift = max(plane - made.height_mm, 0.0)
        for mesh, skin in made.parts:
            parts.append((mesh.moved(matrix, np.array([*shift, lift])), skin, 0))
        outline = made.outline_mm @ matrix[:2, :2].T + shift
        if lift > 0:  # a block under the reference brings it level with the cut face
            a = np.linspace(0, 2 * np.pi, 5)[:-1] + np.pi / 4
            square = made.reach_mm * 1.15 * np.stack([np.cos(a), np.sin(a)], axis=1) * np.sqrt(2)
            block = prism(square, bottom_mm=0, top_mm=lift - 0.02).moved(
                matrix, np.array([*shift, 0])
            )
            colour = rng.uniform(0.05, 0.7) * np.ones(3)
            parts.append((block, plain((8, 8), colour=colour, label=0, rough=0.7), 0))
        box = made.outline_mm
        lo, hi = box.min(axis=0) - 2, box.max(axis=0) + 2
        gx, gy = np.meshgrid(np.arange(lo[0], hi[0] + 1, 2.0), np.arange(lo[1], hi[1] + 1, 2.0))
        cover = np.stack([gx.ravel(), gy.ravel()], axis=1)
        if made.key.startswith("marker"):
            cover = cover * 1.5
        if made.key not in ("card",) and not made.key.startswith("marker"):
            cover = cover[np.hypot(cover[:, 0], cover[:, 1]) < made.reach_mm + 1.5]
        ground.stamp(
            cover @ matrix[:2, :2].T + shift, radius=2.0, top=made.height_mm + lift, close=True
        )
        placed.append(
            PlacedReference(key=made.key, outline_mm=outline, height_mm=made.height_mm + lift)
        )
    strange: list[str] = []

    def lay_strangers(number: int) -> None:
        for what, things in clutter.scatter(rng, ground, count=number):
            if what == "note":  # paper is what others lie on
                parts.extend((mesh, skin, 0) for mesh, skin in things)
                continue
            parts.extend((mesh, skin, STRANGERS_FROM + len(strange)) for mesh, skin in things)
            strange.append(what)

    if pile is not None:
        ground.pile(pile.most_mm, keep=not pile.over_reference)
        ground.half_mm = (ground.half_mm[0] * pile.within, ground.half_mm[1] * pile.within)
        below = int(rng.binomial(clutter_count, 0.5))
        lay_strangers(below)
        clutter_count -= below
    names = list(kinds) if kinds is not None else []
    if kinds is None:
        weights = np.array([catalogue.WEIGHTS[k] for k in catalogue.KINDS])
        total = (
            count
            if count is not None
            else int(rng.choice([1, 2, 3, 4, 5], p=[0.25, 0.25, 0.2, 0.17, 0.13]))
        )
        names = [
            str(k) for k in rng.choice(list(catalogue.KINDS), total, p=weights / weights.sum())
        ]
        # Big rigid things first, wires over them.
        rank = {"sheet": 0, "elbow": 1, "fitting": 1, "tube": 1, "bar": 1, "coupling": 1,
                "valve": 1, "rods": 1, "leads": 1, "coil": 2, "tangle": 2, "hank": 2, "bobbin": 2,
                "multicore": 2, "fan": 2, "twin": 2}  # fmt: skip
        names.sort(key=lambda k: rank.get(k, 3))
    lying: list[Piece] = []
    for k, kind in enumerate(names):
        finish = finishes[k] if finishes is not None else None
        extra = {"height_mm": plane} if kind == "cut_end" else {}
        made_of = catalogue.KINDS[kind](rng, ground, finish=finish, **extra)
        if made_of is None:
            continue
        lift, under = ground.lifted()
        for piece in made_of if isinstance(made_of, list) else [made_of]:
            lies = _raised(piece, lift_mm=lift, under_mm=under)
            lying.append(lies if sources is None else replace(lies, source=sources[k]))
            parts += [(mesh, skin, len(lying)) for mesh, skin in lies.parts]
        if sum(len(mesh.points) for mesh, _, _ in parts) > MOST_POINTS:
            break
    lay_strangers(clutter_count)
    atlas, corners, used = _atlas([skin for _, skin, _ in parts])
    meshes = [
        _into_atlas(mesh, skin, corner)
        for (mesh, _, _), skin, corner in zip(parts, used, corners, strict=True)
    ]
    owner = np.concatenate(
        [
            np.full(len(m.faces), number, np.uint8)
            for m, (_, _, number) in zip(meshes, parts, strict=True)
        ]
    )
    return Scene(
        mesh=outward(join(meshes)),
        face_piece=owner,
        atlas=atlas,
        pieces=tuple(lying),
        strangers=tuple(strange),
        references=tuple(placed),
        table=name,
        albedo=float(
            np.clip((parts[1] if choice == "sheet" else parts[0])[1].base.mean(), 0.02, 0.9)
        ),
        plane_mm=plane,
    )
