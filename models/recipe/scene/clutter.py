"""Things that lie about and are no piece: tools, paper, screws, plastic, loose coins.

Among them the traps: copper-coloured coins, green plastic and enamel for verdigris,
gold plating for brass, reddish rubber and pencils for copper.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np

from models.recipe.look import coats
from models.recipe.look import finishes as fin
from models.recipe.look.finishes import OTHER, REFERENCE, STRANGER, TABLE, Skin
from models.recipe.look.noise import Rng, clouds
from models.recipe.pieces.brass import hexagon
from models.recipe.pieces.piece import bent_path
from models.recipe.pieces.tubes import tube_mesh
from models.recipe.scene import references as ref
from models.recipe.scene.ground import Ground
from models.recipe.scene.meshes import (
    Array,
    Mesh,
    flat_profile,
    join,
    prism,
    round_profile,
    sweep,
    turn_z,
)
from models.recipe.tables import tables
from models.recipe.tables.printed import print_rows

Parts = list[tuple[Mesh, Skin]]


def _put(parts: Parts, ground: Ground, *, length: float, radius: float, top: float) -> Parts:
    line = np.column_stack([np.linspace(-length / 2, length / 2, 16), np.zeros(16)])
    place = ground.find(line, radius=radius, may_cross=0.0)
    if place is None:
        return []
    angle, shift = place
    matrix = turn_z(angle)
    ground.stamp(line @ matrix[:2, :2].T + shift, radius=radius, top=top, close=True)
    return [(m.moved(matrix, np.array([*shift, 0.0])), s) for m, s in parts]


def _line(x0: float, x1: float, z: float, n: int = 12) -> Array:
    return np.column_stack([np.linspace(x0, x1, n), np.zeros(n), np.full(n, z)])


def _plastic(rng: Rng, *, rough: float | None = None) -> Skin:
    return fin.plain((8, 8), colour=coats.dye(rng), label=STRANGER,
                     rough=rough or coats.matt_or_glossy(rng))  # fmt: skip


def _steel(rng: Rng, name: str = "steel") -> Skin:
    return fin.metal((200, 48), rng=rng, mm=(60, 20), name=name, label=OTHER,
                     rough=rng.uniform(0.15, 0.45), dull=float(rng.beta(1, 3)))  # fmt: skip


def screwdriver(rng: Rng, ground: Ground) -> Parts:
    """A handle of plastic and a shaft of steel."""
    grip, shaft = rng.uniform(9, 14), rng.uniform(1.5, 3)
    long = rng.uniform(30, 80)
    x = np.linspace(-45, 0, 40)
    swell = 1 + 0.12 * np.sin(x / 7)
    handle = sweep(_line(-45, 0, grip * 1.12, 40), round_profile(2 * grip, sides=32),
                   scale=np.column_stack([swell, swell]))  # fmt: skip
    rod = sweep(_line(0, long, grip * 1.12), round_profile(2 * shaft, sides=24))
    return _put([(handle, _plastic(rng)), (rod, _steel(rng))], ground,
                length=45 + long, radius=grip, top=2 * grip)  # fmt: skip


def pen(rng: Rng, ground: Ground) -> Parts:
    """A pencil or a pen."""
    d = rng.uniform(6, 11)
    sides = int(rng.choice([6, 32]))
    body = sweep(_line(-60, 50, d / 2), round_profile(d, sides=sides))
    taper = np.linspace(1, 0.2, 12)
    cone = sweep(_line(50, 62, d / 2), round_profile(d, sides=24),
                 scale=np.column_stack([taper, taper]))  # fmt: skip
    wood = fin.plain((4, 4), colour=(0.48, 0.30, 0.16), label=STRANGER, rough=0.7)
    tip = wood if sides == 6 else _plastic(rng)
    return _put([(body, _plastic(rng, rough=0.25)), (cone, tip)], ground,
                length=124, radius=d / 2, top=d)  # fmt: skip


def screw(rng: Rng, ground: Ground) -> Parts:
    """A screw lying down."""
    d, long = rng.uniform(2.5, 6), rng.uniform(10, 40)
    x = np.linspace(0, long, 160)
    turn = 1 - 0.12 * (0.5 + 0.5 * np.sin(2 * np.pi * x / (0.25 * d)))
    z = 0.95 * d
    shank = sweep(np.column_stack([x, np.zeros(160), np.full(160, z)]), round_profile(d, sides=20),
                  scale=np.column_stack([turn, turn]))  # fmt: skip
    head = sweep(_line(-0.6 * d, 0, z, 6), round_profile(1.9 * d, sides=28))
    name = str(rng.choice(["steel", "zinc", "nickel"]))
    shift = np.array([-long / 2, 0, 0])
    mesh = join([shank, head]).moved(np.eye(3), shift)
    return _put([(mesh, _steel(rng, name))], ground, length=long, radius=d, top=2 * d)


def nut(rng: Rng, ground: Ground) -> Parts:
    """A steel nut or washer lying flat."""
    across = rng.uniform(5, 16)
    mesh = hexagon(across, across * rng.uniform(0.3, 0.5), across * 0.55)
    stand = np.array([[0.0, 0, -1], [0, 1, 0], [1, 0, 0]])
    return _put([(mesh.moved(stand, np.zeros(3)), _steel(rng))], ground, length=1,
                radius=across * 0.6, top=across * 0.4)  # fmt: skip


def note(rng: Rng, ground: Ground) -> Parts:
    """A slip of paper with rows of dashes; may lie under nothing else."""
    w, h = rng.uniform(25, 90), rng.uniform(20, 70)
    px = 3
    shape = (int(h * px), int(w * px))
    ink = print_rows(shape, 1 / px, rng)[..., None] * (rng.random() < 0.7)
    white = np.array([0.78, 0.78, 0.75]) * rng.uniform(0.7, 1.05)
    if rng.random() < 0.3:
        white = np.array([0.75, 0.65, 0.18]) * rng.uniform(0.7, 1.1)
    skin = replace(
        fin.plain(shape, colour=(0.5, 0.5, 0.5), label=TABLE, rough=0.75),
        base=(white * (1 - 0.85 * ink)).astype(np.float32) * np.ones((*shape, 3), np.float32),
    )
    outline = np.array([[w, h], [-w, h], [-w, -h], [w, -h]]) / 2
    return _put([(prism(outline, bottom_mm=0, top_mm=0.12), skin)], ground, length=w,
                radius=h / 2, top=0.12)  # fmt: skip


def band(rng: Rng, ground: Ground) -> Parts:
    """A rubber band or an O-ring, red-brown among its colours."""
    d, reach = rng.uniform(1, 3.5), rng.uniform(6, 22)
    a = np.linspace(0, 2 * np.pi, 160)
    wobble = 1 + 0.15 * clouds((160, 1), rng=rng, cell_px=(50, 1), octaves=2)[:, 0]
    wobble[-1] = wobble[0]
    path = np.column_stack([reach * wobble * np.cos(a), reach * 0.8 * wobble * np.sin(a),
                            np.full(160, d / 2)])  # fmt: skip
    colour = (0.30, 0.10, 0.05) if rng.random() < 0.3 else None
    skin = _plastic(rng, rough=0.5)
    if colour is not None:
        skin = fin.plain((8, 8), colour=colour, label=STRANGER, rough=0.5)
    return _put([(sweep(path, round_profile(d, sides=16), caps=False), skin)], ground,
                length=reach, radius=reach, top=d)  # fmt: skip


def hose(rng: Rng, ground: Ground) -> Parts:
    """A cord, hose or cable tie of plastic: green, red and brown among its colours."""
    d = rng.uniform(1.5, 8)
    long = rng.uniform(40, 160)
    xy = bent_path(long, rng=rng, min_radius_mm=4 * d, step_mm=max(0.8, d / 4))
    place = ground.find(xy, radius=d / 2, may_cross=6.0)
    if place is None:
        return []
    angle, shift = place
    world = xy @ turn_z(angle)[:2, :2].T + shift
    z = ground.rest(world, radius=d / 2, stiff_mm=20 + 4 * d)
    ground.stamp(world, radius=d / 2, top=z + d / 2)
    path = np.column_stack([world, z])
    profile = round_profile(d, sides=28) if rng.random() < 0.7 else flat_profile(
        d, d * 0.35, corner_mm=0.3
    )  # fmt: skip
    skin = _plastic(rng)
    if rng.random() < 0.3:  # green like verdigris
        skin = fin.plain((8, 8), colour=rng.uniform(0.7, 1.2) * np.array([0.10, 0.36, 0.27]),
                         label=STRANGER, rough=rng.uniform(0.2, 0.6))  # fmt: skip
    return [(sweep(path, profile), skin)]


def lid(rng: Rng, ground: Ground) -> Parts:
    """A flat round or square thing of plastic or enamel."""
    r, thick = rng.uniform(6, 22), rng.uniform(1, 8)
    n = int(rng.choice([4, 48, 48]))
    a = np.linspace(0, 2 * np.pi, n, endpoint=False)
    outline = r * np.stack([np.cos(a), np.sin(a)], axis=1)
    return _put([(prism(outline, bottom_mm=0, top_mm=thick), _plastic(rng))], ground,
                length=1, radius=r, top=thick)  # fmt: skip


def gold_plug(rng: Rng, ground: Ground) -> Parts:
    """A gold-plated plug: a trap for brass."""
    d, long = rng.uniform(2, 6), rng.uniform(8, 25)
    x = np.linspace(-long / 2, long / 2, 40)
    step = np.where(x > long * 0.1, 0.75, 1.0)
    mesh = sweep(np.column_stack([x, np.zeros(40), np.full(40, d / 2)]),
                 round_profile(d, sides=32), scale=np.column_stack([step, step]))  # fmt: skip
    skin = fin.metal((64, 48), rng=rng, mm=(long, 3 * d), name="gold", label=OTHER,
                     rough=rng.uniform(0.12, 0.3))  # fmt: skip
    return _put([(mesh, skin)], ground, length=long, radius=d / 2, top=d)


def loose_coin(rng: Rng, ground: Ground) -> Parts:
    """A coin that is not the reference, copper-coloured more often than not."""
    key = str(rng.choice(ref.COPPER_COINS)) if rng.random() < 0.65 else None
    coin = ref.coin(rng, key=key, label=REFERENCE)
    return _put(coin.parts, ground, length=1, radius=coin.reach_mm + 0.5, top=coin.height_mm)


def chip(rng: Rng, ground: Ground) -> Parts:
    """A leaf, a flake of paint or a scrap of foil of any outline and colour."""
    n = 40
    a = np.linspace(0, 2 * np.pi, n, endpoint=False)
    wob = 1 + 0.3 * clouds((n, 1), rng=rng, cell_px=(10, 1), octaves=3)[:, 0]
    r = rng.uniform(3, 18) * np.clip(wob, 0.3, 2)
    stretch = np.array([1.0, rng.uniform(0.4, 1.0)])
    outline = r[:, None] * np.stack([np.cos(a), np.sin(a)], axis=1) * stretch
    colour = np.clip(rng.uniform(0.05, 0.6) * rng.dirichlet((2, 2, 2)) * 3, 0.01, 0.8)
    skin = fin.plain((8, 8), colour=colour, label=STRANGER, rough=rng.uniform(0.3, 0.8))
    if rng.random() < 0.2:
        skin = _steel(rng, "aluminium")
    return _put([(prism(outline, bottom_mm=0, top_mm=0.3), skin)], ground, length=1,
                radius=float(r.max()), top=0.3)  # fmt: skip


def pliers(rng: Rng, ground: Ground) -> Parts:
    """Pliers or cutters: dark jaws, two dipped handles that part from the joint."""
    thick, wide = rng.uniform(6, 10), rng.uniform(7, 11)
    jaw = sweep(_line(-2, rng.uniform(18, 40), thick / 2), flat_profile(wide * 1.4, thick,
                corner_mm=1.5), scale=np.linspace(1, 0.45, 12)[:, None] * np.ones(2))  # fmt: skip
    grips = []
    t = np.linspace(0, 1, 30)
    for sign in (-1.0, 1.0):
        path = np.column_stack([-t * 75, sign * (3 + 9 * np.sin(t * 2.2)), np.full(30, thick / 2)])
        grips.append(sweep(path, flat_profile(wide, thick, corner_mm=3.0)))
    steel = replace(_steel(rng), label=np.full((200, 48), OTHER, np.uint8))
    steel = replace(steel, base=(steel.base * rng.uniform(0.1, 0.8)).astype(np.float32))
    return _put([(jaw, steel), (join(grips), _plastic(rng))], ground,
                length=115, radius=15, top=thick)  # fmt: skip


def green_block(rng: Rng, ground: Ground) -> Parts:
    """A connector, cap or tab of green plastic or green enamel: a trap for verdigris."""
    w, h = rng.uniform(6, 30, 2)
    thick = rng.uniform(1.5, 9)
    colour = np.array([rng.uniform(0.02, 0.25), rng.uniform(0.15, 0.5), rng.uniform(0.05, 0.4)])
    skin = fin.plain((64, 64), colour=colour, label=STRANGER, rough=coats.matt_or_glossy(rng))
    skin = coats.soiled(skin, rng=rng, px=(64 / h, 64 / w))
    outline = np.array([[w, h], [-w, h], [-w, -h], [w, -h]]) / 2
    return _put([(prism(outline, bottom_mm=0, top_mm=thick), skin)], ground, length=w,
                radius=h / 2 + 1, top=thick)  # fmt: skip


def board(rng: Rng, ground: Ground) -> Parts:
    """A printed circuit board: green, blue or black, tracks, dark parts, gold and tin pads."""
    w, h = rng.uniform(15, 60), rng.uniform(12, 40)
    px = 6
    rows, columns = int(h * px), int(w * px)
    masks = np.array([[0.02, 0.20, 0.06], [0.02, 0.10, 0.30], [0.02, 0.02, 0.02],
                      [0.30, 0.03, 0.03], [0.03, 0.30, 0.12]])  # fmt: skip
    colour = masks[int(rng.integers(5))] * rng.uniform(0.6, 1.3)
    base = np.broadcast_to(colour, (rows, columns, 3)).astype(np.float32).copy()
    label = np.full((rows, columns), STRANGER, np.uint8)
    metallic = np.zeros((rows, columns), np.float32)
    for _ in range(int(rng.integers(10, 50))):  # tracks under the mask
        p = (int(rng.integers(columns)), int(rng.integers(rows)))
        q = (p[0], int(rng.integers(rows))) if rng.random() < 0.5 else (int(rng.integers(columns)),
                                                                       p[1])  # fmt: skip
        tone = tuple(float(v) for v in colour * 1.5 + 0.01)
        cv2.line(base, p, q, tone, int(rng.integers(1, 4)))
    pad = fin.optics.GOLD if rng.random() < 0.5 else fin.optics.TIN
    for _ in range(int(rng.integers(5, 60))):
        y, x = int(rng.integers(rows)), int(rng.integers(columns))
        size = int(rng.integers(3, 12))
        spot = (slice(y, y + size), slice(x, x + int(rng.integers(3, 12))))
        base[spot], label[spot], metallic[spot] = pad, OTHER, 1.0
    for _ in range(int(rng.integers(1, 12))):
        y, x = int(rng.integers(rows)), int(rng.integers(columns))
        spot = (slice(y, y + int(rng.integers(8, 50))), slice(x, x + int(rng.integers(8, 50))))
        base[spot], label[spot], metallic[spot] = rng.uniform(0.01, 0.08), STRANGER, 0.0
    skin = replace(fin.plain((rows, columns), colour=colour, label=STRANGER, rough=0.15),
                   base=base, label=label, metallic=metallic)  # fmt: skip
    outline = np.array([[w, h], [-w, h], [-w, -h], [w, -h]]) / 2
    return _put([(prism(outline, bottom_mm=0, top_mm=1.6), skin)], ground, length=w,
                radius=h / 2 + 1, top=1.6)  # fmt: skip


def pin_row(rng: Rng, ground: Ground) -> Parts:
    """A row of gold-plated or tin-plated pins in black plastic: a trap for brass."""
    count, pitch = int(rng.integers(3, 16)), float(rng.choice([1.27, 2.0, 2.54]))
    long = count * pitch
    body = flat_profile(pitch, pitch, corner_mm=0.1)
    bar = sweep(_line(-long / 2, long / 2, pitch / 2), body)
    pins = []
    for k in range(count):
        x = -long / 2 + (k + 0.5) * pitch
        y = np.linspace(-3.0, 6.0, 6)
        line = np.column_stack([np.full(6, x), y, np.full(6, pitch / 2)])
        pins.append(sweep(line, flat_profile(0.6, 0.6, corner_mm=0.05)))
    metal = fin.metal((64, 32), rng=rng, mm=(9, 2.4), name=str(rng.choice(["gold", "gold", "tin"])),
                      label=OTHER, rough=rng.uniform(0.1, 0.3))  # fmt: skip
    dark = fin.plain((8, 8), colour=(0.02, 0.02, 0.02), label=STRANGER, rough=0.5)
    return _put([(bar, dark), (join(pins), metal)], ground, length=long, radius=6.5, top=pitch)


def plastic_pipe(rng: Rng, ground: Ground) -> Parts:
    """A length of plastic pipe, hollow: what lies beside copper tube in any house."""
    od, long = rng.uniform(10, 26), rng.uniform(40, 150)
    pipe = tube_mesh(_line(-long / 2, long / 2, od / 2), od, rng.uniform(1.2, 2.6))
    return _put([(pipe, _plastic(rng))], ground, length=long, radius=od / 2, top=od)


def plastic_bend(rng: Rng, ground: Ground) -> Parts:
    """A bend of plastic pipe."""
    od = rng.uniform(8, 20)
    a = np.linspace(0, np.pi / 2, 24)
    r = od * rng.uniform(0.7, 1.4)
    path = np.column_stack([r * np.sin(a), r * (1 - np.cos(a)), np.full(24, od / 2)])
    path -= np.array([r / 2, r / 2, 0])
    return _put([(tube_mesh(path, od, 1.8), _plastic(rng))], ground, length=r, radius=r + od / 2,
                top=od)  # fmt: skip


def stick(rng: Rng, ground: Ground) -> Parts:
    """A stick or an offcut of wood."""
    wide, thick, long = rng.uniform(5, 28), rng.uniform(3, 14), rng.uniform(35, 130)
    skin = tables.wood(160, long / 160, rng)
    skin = replace(skin, label=np.full(skin.shape, STRANGER, np.uint8))
    mesh = sweep(_line(-long / 2, long / 2, thick / 2), flat_profile(wide, thick, corner_mm=0.4))
    return _put([(mesh, skin)], ground, length=long, radius=wide / 2, top=thick)


def rag(rng: Rng, ground: Ground) -> Parts:
    """A patch of cloth: jeans, a glove's finger, a rag."""
    skin = tables.cloth(200, 0.25, rng)
    skin = replace(skin, label=np.full(skin.shape, STRANGER, np.uint8))
    a = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    r = rng.uniform(12, 30) * np.clip(
        1 + 0.25 * clouds((48, 1), rng=rng, cell_px=(12, 1), octaves=3)[:, 0], 0.4, 1.6
    )
    outline = r[:, None] * np.stack([np.cos(a), rng.uniform(0.5, 1.0) * np.sin(a)], axis=1)
    thick = rng.uniform(0.6, 2.0)
    return _put([(prism(outline, bottom_mm=0, top_mm=thick), skin)], ground, length=1,
                radius=float(r.max()), top=thick)  # fmt: skip


def charger(rng: Rng, ground: Ground) -> Parts:
    """The power supply of a phone: a block with two pins and a cord."""
    wide, long, high = rng.uniform(22, 40), rng.uniform(30, 60), rng.uniform(14, 26)
    outline = ref.rounded_outline(long, wide, rng.uniform(2, 7))
    block = _plastic(rng, rough=float(rng.uniform(0.25, 0.6)))
    pins = [
        sweep(_line(-long / 2 - 14, -long / 2, high / 2) + np.array([0, y, 0]),
              flat_profile(1.6, 5.0, corner_mm=0.3))
        for y in (-6.0, 6.0)
    ]  # fmt: skip
    x = np.linspace(0, rng.uniform(30, 90), 60)
    bow = rng.uniform(-25, 25) * (x / x[-1]) ** 2
    drop = 2.0 + (high / 2 - 2.0) * np.exp(-x / 8)
    cord = np.column_stack([long / 2 + x, bow, drop])
    return _put([(prism(outline, bottom_mm=0, top_mm=high), block), (join(pins), _steel(rng)),
                 (sweep(cord, round_profile(rng.uniform(2.5, 4), sides=16)), block)],
                ground, length=long + 20 + x[-1], radius=wide / 2, top=high)  # fmt: skip


def battery(rng: Rng, ground: Ground) -> Parts:
    """A round cell in a printed sleeve, copper-coloured bands among its colours."""
    d, long = rng.choice([10.5, 14.5, 26.0]), rng.uniform(44, 51)
    skin = fin.plain((120, 48), colour=coats.dye(rng), label=STRANGER, rough=0.25)
    band = slice(int(rng.uniform(60, 100)), 114)
    skin.base[band] = np.array([0.55, 0.27, 0.13]) if rng.random() < 0.5 else coats.dye(rng)
    skin.label[114:] = OTHER
    skin.base[114:], skin.metallic[114:] = 0.6, 1.0
    mesh = sweep(_line(-long / 2, long / 2, d / 2), round_profile(float(d), sides=36))
    return _put([(mesh, skin)], ground, length=long, radius=d / 2, top=float(d))


def spanner(rng: Rng, ground: Ground) -> Parts:
    """A spanner: a flat steel bar with two broad ends."""
    thick, wide, long = rng.uniform(4, 7), rng.uniform(8, 14), rng.uniform(80, 140)
    t = np.linspace(-1, 1, 60)
    broad = 1 + 1.1 * np.clip((np.abs(t) - 0.72) / 0.2, 0, 1)
    mesh = sweep(_line(-long / 2, long / 2, thick / 2, 60), flat_profile(wide, thick, corner_mm=1),
                 scale=np.column_stack([broad, np.ones(60)]))  # fmt: skip
    return _put([(mesh, _steel(rng))], ground, length=long, radius=wide, top=thick)


def crumb(rng: Rng, ground: Ground) -> Parts:
    """A lump of plaster, mortar or brick."""
    n = 36
    a = np.linspace(0, 2 * np.pi, n, endpoint=False)
    r = rng.uniform(4, 14) * np.clip(
        1 + 0.25 * clouds((n, 1), rng=rng, cell_px=(7, 1), octaves=3)[:, 0], 0.4, 1.6
    )
    high = rng.uniform(2, 9)
    colour = np.array([[0.7, 0.69, 0.66], [0.4, 0.38, 0.35], [0.42, 0.16, 0.09]])[
        int(rng.integers(3))
    ]
    skin = fin.plain((64, 64), colour=colour, label=STRANGER, rough=0.85)
    grain = clouds((64, 64), rng=rng, cell_px=(16, 16), octaves=5)
    skin = replace(skin, base=np.clip(skin.base * (1 + 0.15 * grain[..., None]), 0.01, 0.9),
                   height=(0.3 * grain).astype(np.float32))  # fmt: skip
    outline = r[:, None] * np.stack([np.cos(a), np.sin(a)], axis=1)
    return _put([(prism(outline, bottom_mm=0, top_mm=high), skin)], ground, length=1,
                radius=float(r.max()), top=high)  # fmt: skip


KINDS: tuple[Callable[[Rng, Ground], Parts], ...] = (
    screwdriver, pen, screw, nut, note, band, hose, hose, lid, gold_plug, loose_coin, loose_coin,
    chip, pliers, pen, screw, green_block, board, pin_row, plastic_pipe, plastic_pipe,
    plastic_bend, stick, rag, charger, charger, battery, spanner, crumb, pliers,
)  # fmt: skip


def scatter(rng: Rng, ground: Ground, *, count: int) -> list[tuple[str, Parts]]:
    """Return up to ``count`` things with their names, laid where there is room."""
    found = []
    for _ in range(count):
        kind = KINDS[int(rng.integers(len(KINDS)))]
        parts = kind(rng, ground)
        if parts:
            up = np.array([0.0, 0.0, ground.lifted()[0]])
            found.append((kind.__name__, [(m.moved(np.eye(3), up), s) for m, s in parts]))
    return found
