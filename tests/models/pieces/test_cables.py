"""Wire in its jacket."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.look.finishes import COATED, INSULATION
from rules.gauge import mm_from_awg
from tests.models.pieces.laid import labels, lay


def test_conductors_are_gauges_and_jackets_lie_round_them() -> None:
    # ASTM B258: 14 AWG is 1.628 mm, 18 AWG 1.024 mm (table 1, from memory to 1 um).
    assert mm_from_awg(14) == pytest.approx(1.628, abs=1e-3)
    assert mm_from_awg(18) == pytest.approx(1.024, abs=1e-3)
    gauges = [mm_from_awg(n) for n in range(6, 25)]
    solid = 0
    for seed in range(12):
        (piece,) = lay("insulated", seed=seed, finish="bright")
        assert piece.diameter_mm is not None
        core = float(str(piece.facts["conductor_mm"]))
        assert 0.25 < (piece.diameter_mm - core) / 2 < 0.8 + 0.1 * core
        if piece.form == "wire":
            solid += 1
            assert min(abs(core - g) for g in gauges) < 1e-9
        assert INSULATION in labels(piece)
        assert COATED not in labels(piece), "a jacket is no enamel"
    assert solid > 2


def test_a_stripped_end_shows_the_conductor_and_a_whole_one_does_not() -> None:
    bare = {True: 0, False: 0}
    for seed in range(20):
        (piece,) = lay("insulated", seed=seed, finish="bright")
        stripped = bool(piece.facts["stripped"])
        bare[stripped] += 1
        conductor = piece.parts[1:]
        reach = sum(float(np.ptp(mesh.points, axis=0).max()) for mesh, _ in conductor)
        assert (reach > 3) == stripped
    assert min(bare.values()) > 0


@pytest.mark.parametrize("kind", ["multicore", "twin"])
def test_a_cable_of_several_cores_has_a_jacket_a_core(kind: str) -> None:
    for seed in range(4):
        (piece,) = lay(kind, seed=seed, finish="bright")
        jackets = [s for _, s in piece.parts if (s.label == INSULATION).all()]
        sheath = kind == "multicore"
        assert len(jackets) == int(str(piece.facts["cores"])) + sheath
