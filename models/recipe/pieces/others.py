"""What wears something else: lugs on cable, plastic round tube, and metals that are no copper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.recipe.look import coats
from models.recipe.look import finishes as fin
from models.recipe.look.finishes import BRASS, COATED, OTHER, TINNED, Skin
from models.recipe.look.noise import Rng
from models.recipe.pieces.flat import sheet
from models.recipe.pieces.piece import (
    Piece,
    bent_path,
    lay_down,
    room,
    sides_of,
    skin_of,
    strand_finish,
)
from models.recipe.pieces.tubes import pick_tube, tube_mesh
from models.recipe.pieces.wires import stranded
from models.recipe.scene.ground import Ground
from models.recipe.scene.meshes import (
    Array,
    Mesh,
    flat_profile,
    join,
    round_profile,
    sweep,
    tangents,
)

FORMS = {"wire": 0.45, "tube": 0.2, "stranded": 0.2, "sheet": 0.15}
"""How often another metal comes in which form."""


def _metal_skin(rng: Rng, shape: tuple[int, int], mm: tuple[float, float], name: str) -> Skin:
    skin = fin.metal(shape, rng=rng, mm=mm, name=name, label=OTHER, rough=rng.uniform(0.15, 0.5),
                     dull=float(rng.beta(1.2, 2)), drawn=True)  # fmt: skip
    if rng.random() < 0.2:
        skin = coats.painted(shape, rng=rng, mm=mm, under=skin)
        label = np.where(skin.label == COATED, OTHER, skin.label).astype(np.uint8)
        skin = replace(skin, label=label)
    return skin


def other_metal(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:  # noqa: ARG001
    """Return wire, strands, tube or sheet of steel, aluminium, zinc or nickel."""
    name = str(rng.choice(["steel", "aluminium", "zinc", "nickel"]))
    form = str(rng.choice(list(FORMS), p=list(FORMS.values())))
    if form in ("stranded", "sheet"):
        made = (stranded if form == "stranded" else sheet)(rng, ground, finish="bright")
        if made is None:
            return None
        parts = [
            (mesh, _metal_skin(rng, skin.shape, (0.15 * skin.shape[0], 0.12 * skin.shape[1]), name))
            for mesh, skin in made.parts
        ]
        return replace(made, parts=parts, material=name)
    hollow = form == "tube"
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
    skin = _metal_skin(rng, (rows, 64), (length, np.pi * d), name)
    return Piece(form=form, parts=[(mesh, skin)], material=name,
                 diameter_mm=d, strand_diameter_mm=None if hollow else d,
                 strands=None if hollow else 1, round_runs=((path, d),))  # fmt: skip


def _lug(rng: Rng, end: Array, way: Array, outer: float) -> Mesh:
    """Return a lug crimped on a cable that runs out along ``way``: ring, blade or pin."""
    style = str(rng.choice(["ring", "ring", "blade", "pin"]))
    barrel_od = outer * rng.uniform(1.15, 1.5)
    barrel = barrel_od * rng.uniform(1.0, 2.2)
    t = np.linspace(-barrel, 0.4 * outer, 16)[:, None]
    dent = 1 - 0.25 * np.exp(-(((np.linspace(0, 1, 16) - 0.5) / 0.18) ** 2))
    meshes = [sweep(end + t * way, round_profile(barrel_od, sides=28),
                    scale=np.column_stack([np.ones(16), dent]))]  # fmt: skip
    thick = max(0.5, barrel_od * rng.uniform(0.15, 0.3))
    low = end * np.array([1, 1, 0]) + np.array([0, 0, max(end[2] - barrel_od / 4, thick / 2)])
    reach = barrel_od * rng.uniform(0.6, 1.8)
    if style == "pin":
        line = end + np.linspace(0, 1.5 * reach, 10)[:, None] * way
        return join([*meshes, sweep(line, round_profile(0.5 * barrel_od, sides=20))])
    wide = barrel_od * rng.uniform(0.8, 1.2)
    tongue = low + np.linspace(0, reach, 10)[:, None] * way
    meshes.append(sweep(tongue, flat_profile(wide, thick, corner_mm=0.15 * thick)))
    if style == "ring":
        rim, radius = 0.35 * barrel_od, barrel_od * rng.uniform(0.6, 0.95)
        a = np.linspace(0, 2 * np.pi, 49)
        side = np.array([-way[1], way[0], 0.0])
        middle = low + way * (reach + radius)
        ring = middle + radius * (np.cos(a)[:, None] * way + np.sin(a)[:, None] * side)
        meshes.append(sweep(ring, flat_profile(rim, thick, corner_mm=0.1 * thick), caps=False))
    return join(meshes)


def lugged(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return a stranded cable with a lug of brass, tinned or bare copper crimped on its end."""
    count = int(rng.choice([7, 19, 26]))
    strand = float(rng.uniform(0.25, 0.45) if count == 26 else rng.uniform(0.3, 1.2))
    outer = strand * {7: 3.0, 19: 5.0, 26: 6.3}[count]
    jacket = rng.random() < 0.6
    od = outer * 1.05 + 2 * float(rng.uniform(0.4, 1.0)) if jacket else outer
    length = room(ground, 40, 150, rng)
    xy = bent_path(length, rng=rng, min_radius_mm=max(4 * od, 10), step_mm=max(0.6, od / 5))
    path = lay_down(xy, ground, radius=od / 2, may_cross=8.0, stiff_mm=10 + 5 * od)
    if path is None:
        return None
    finish = finish or strand_finish(rng)
    core = stranded(rng, ground, finish=finish, strand_mm=strand, strands=count, path=path)
    if core is None:
        return None
    parts = list(core.parts)
    runs: tuple[tuple[Array, float], ...] = ()
    if jacket:
        bare = float(rng.uniform(1, 8)) + 2 * outer
        cut = max(8, int(len(path) * (1 - min(bare / length, 0.6))))
        cover = sweep(path[:cut], round_profile(od, sides=sides_of(od)))
        parts.append((cover, coats.jacket((240, 64), rng=rng, mm=(length, np.pi * od))))
        runs = ((path[:cut], od),)
    way = tangents(path)[-1] * np.array([1, 1, 0])
    way /= np.linalg.norm(way)
    mesh = _lug(rng, path[-1], way, outer)
    # The table pushes a barrel thicker than its cable up.
    mesh = mesh.moved(np.eye(3), np.array([0, 0, max(0.0, -float(mesh.points[:, 2].min()))]))
    mm = (4 * outer, 4 * outer)
    made_of = str(rng.choice(["brass", "tin", "copper"], p=[0.5, 0.35, 0.15]))
    if made_of == "copper":
        skin = skin_of("light", rng=rng, length_mm=15, round_mm=12, drawn=False)
    else:
        name, label = ("brass70", BRASS) if made_of == "brass" else ("tin", TINNED)
        skin = fin.metal((96, 96), rng=rng, mm=mm, name=name, label=label,
                         rough=rng.uniform(0.15, 0.4), dull=float(rng.beta(1.2, 2)))  # fmt: skip
    parts.append((mesh, skin))
    facts: dict[str, object] = {"lug": made_of}
    if jacket:
        facts |= {"insulation": True, "stripped": True, "conductor_mm": outer}
    return Piece(form="stranded", parts=parts, diameter_mm=od, strand_diameter_mm=strand,
                 strands=count, facts=facts, round_runs=runs)  # fmt: skip


def sleeved_tube(rng: Rng, ground: Ground, *, finish: str | None = None) -> Piece | None:
    """Return copper tube in a sleeve of plastic, cut back at one end at least."""
    od, wall = pick_tube(rng, most_mm=23)
    finish = finish or str(rng.choice(["bright", "light", "dull"]))
    thick = float(rng.uniform(0.8, 2.5))
    length = room(ground, max(40, 3 * od), 200, rng)
    xy = bent_path(length, rng=rng, min_radius_mm=6 * od, step_mm=max(1.0, od / 8))
    path = lay_down(xy, ground, radius=od / 2 + thick, may_cross=0.0, stiff_mm=length)
    if path is None:
        return None
    n = len(path)
    first = 0 if rng.random() < 0.5 else int(n * rng.uniform(0.04, 0.3))
    last = n if first and rng.random() < 0.3 else int(n * rng.uniform(0.6, 0.95))
    sleeve = path[first : max(last, first + 8)]
    outer = od + 2 * thick
    skin = skin_of(finish, rng=rng, length_mm=length, round_mm=np.pi * od)
    parts = [
        (tube_mesh(path, od, wall), skin),
        (tube_mesh(sleeve, outer, thick * 0.98),
         coats.jacket((320, 96), rng=rng, mm=(length, np.pi * outer))),
    ]  # fmt: skip
    return Piece(form="tube", parts=parts, diameter_mm=outer,
                 facts={"wall_mm": wall, "insulation": True, "stripped": True,
                        "conductor_mm": od},
                 round_runs=((sleeve, outer),))  # fmt: skip
