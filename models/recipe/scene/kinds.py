"""All kinds of pieces and how often each is laid."""

from __future__ import annotations

from collections.abc import Callable

from models.recipe.scene import bundles, pieces
from models.recipe.scene.pieces import Piece

Builder = Callable[..., Piece | list[Piece] | None]
KINDS: dict[str, Builder] = {
    "wire": pieces.solid_wire,
    "stranded": pieces.stranded,
    "tube": pieces.tube,
    "elbow": pieces.elbow_tube,
    "fitting": pieces.fitting_tube,
    "sheet": pieces.sheet,
    "bar": pieces.bus_bar,
    "coil": pieces.coil,
    "insulated": pieces.insulated,
    "soldered": pieces.soldered_wire,
    "brass": pieces.brass_piece,
    "other_metal": pieces.other_metal,
    "tangle": pieces.tangle,
    "cut_end": pieces.cut_end,
    "coupling": pieces.coupling_tube,
    "valve": pieces.valve,
    "fan": bundles.fan,
    "leads": bundles.leads,
    "multicore": bundles.multicore,
    "twin": bundles.twin_cable,
    "hank": bundles.hank,
    "bobbin": bundles.bobbin,
    "rods": bundles.rods,
    "braid": bundles.braid,
}
WEIGHTS = {"wire": 5.0, "stranded": 4.0, "tube": 4.0, "elbow": 2.2, "fitting": 2.0, "sheet": 1.6,
           "bar": 0.8, "coil": 1.5, "insulated": 4.5, "soldered": 2.6, "brass": 1.5,
           "other_metal": 1.4, "tangle": 1.0, "cut_end": 0.0, "coupling": 1.5, "valve": 0.8,
           "fan": 2.0, "leads": 1.8, "multicore": 1.6, "twin": 1.2, "hank": 1.7, "bobbin": 1.0,
           "rods": 1.3, "braid": 1.2}  # fmt: skip
