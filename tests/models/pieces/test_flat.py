"""Sheet and bar."""

from __future__ import annotations

import numpy as np
import pytest

from tests.models.pieces.laid import lay


@pytest.mark.parametrize("kind", ["sheet", "bar"])
def test_flat_pieces_are_as_thick_as_they_say(kind: str) -> None:
    for seed in range(5):
        (piece,) = lay(kind, seed=seed, finish="dull")
        thick = float(str(piece.facts["thickness_mm"]))
        points = piece.parts[0][0].points
        assert points[:, 2].min() == pytest.approx(0.0, abs=0.05)
        if kind == "bar":
            assert np.ptp(points[:, 2]) == pytest.approx(thick, rel=0.02)
        else:  # a sheet may curl, but never lies in the table
            assert np.ptp(points[:, 2]) >= thick - 1e-9
        assert piece.diameter_mm is None
