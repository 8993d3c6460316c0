"""All kinds of pieces and how often each is laid."""

from __future__ import annotations

from collections.abc import Callable

from models.recipe.pieces import brass, cables, fans, flat, others, solder, tubes, wires, wound
from models.recipe.pieces.piece import Piece

Builder = Callable[..., Piece | list[Piece] | None]
KINDS: dict[str, Builder] = {
    "wire": wires.solid_wire,
    "stranded": wires.stranded,
    "tube": tubes.tube,
    "elbow": tubes.elbow_tube,
    "fitting": tubes.fitting_tube,
    "sheet": flat.sheet,
    "bar": flat.bus_bar,
    "coil": wound.coil,
    "insulated": cables.insulated,
    "soldered": solder.soldered_wire,
    "brass": brass.brass_piece,
    "other_metal": others.other_metal,
    "tangle": wires.tangle,
    "cut_end": wires.cut_end,
    "coupling": tubes.coupling_tube,
    "valve": brass.valve,
    "fan": fans.fan,
    "leads": fans.leads,
    "multicore": cables.multicore,
    "twin": cables.twin_cable,
    "hank": wound.hank,
    "bobbin": wound.bobbin,
    "rods": wires.rods,
    "braid": wires.braid,
    "lugged": others.lugged,
    "sleeved": others.sleeved_tube,
}
WEIGHTS = {"wire": 5.0, "stranded": 4.0, "tube": 4.0, "elbow": 2.2, "fitting": 2.0, "sheet": 1.6,
           "bar": 0.8, "coil": 1.5, "insulated": 4.5, "soldered": 2.6, "brass": 1.5,
           "other_metal": 1.9, "tangle": 1.0, "cut_end": 0.0, "coupling": 1.5, "valve": 0.8,
           "fan": 2.0, "leads": 1.8, "multicore": 1.6, "twin": 1.2, "hank": 1.7, "bobbin": 1.0,
           "rods": 1.3, "braid": 1.2, "lugged": 1.3, "sleeved": 0.9}  # fmt: skip
