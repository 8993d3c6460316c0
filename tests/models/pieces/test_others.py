"""Lugs, sleeves and metals that are no copper."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.look.finishes import BRASS, INSULATION, OTHER, TINNED
from models.recipe.pieces.others import FORMS
from tests.models.pieces.laid import labels, lay


def test_a_lug_is_what_it_says_and_sits_at_the_end_of_the_cable() -> None:
    seen = set()
    for seed in range(14):
        (piece,) = lay("lugged", seed=seed, finish="dull")
        made_of = str(piece.facts["lug"])
        seen.add(made_of)
        surface = {"brass": BRASS, "tin": TINNED}.get(made_of)
        if surface is not None:
            assert surface in labels(piece)
        lug, cable = piece.parts[-1][0].points, piece.parts[0][0].points
        assert lug[:, 2].min() > -0.2
        gap = np.linalg.norm(cable[::5, None] - lug[None, ::9], axis=2).min()
        assert gap < 0.5, "it holds the strands"
        assert (INSULATION in labels(piece)) == bool(piece.facts.get("insulation"))
    assert len(seen) >= 2


def test_a_sleeve_lies_round_its_tube_and_leaves_an_end_bare() -> None:
    for seed in range(5):
        (piece,) = lay("sleeved", seed=seed, finish="bright")
        tube, sleeve = (mesh.points for mesh, _ in piece.parts)
        assert (piece.parts[1][1].label == INSULATION).all()
        assert piece.diameter_mm is not None
        assert piece.diameter_mm > float(str(piece.facts["conductor_mm"]))
        assert np.ptp(sleeve[:, 2]) == pytest.approx(piece.diameter_mm, rel=0.03)
        away = np.linalg.norm(tube[::9, None] - sleeve[None, ::9], axis=2).min(axis=1)
        assert away.max() > 2.0, "some of the tube stands out"


def test_other_metal_comes_in_every_form_and_is_no_copper_anywhere() -> None:
    forms = set()
    for seed in range(16):
        (piece,) = lay("other_metal", seed=seed)
        forms.add(piece.form)
        assert labels(piece) == {OTHER}
        assert piece.material in ("steel", "aluminium", "zinc", "nickel")
    assert forms == set(FORMS)
