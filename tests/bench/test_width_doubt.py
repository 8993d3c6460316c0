"""The fit of the widths' doubt finds what errors were drawn with."""

from __future__ import annotations

import numpy as np
import pytest

from bench.width_doubt import FREEDOM, Looks, fitted, looks_of
from vision.width.budget import DOUBT_SHARE


def test_the_fit_finds_what_the_errors_were_drawn_with() -> None:
    # The drawn parts are the outside source.
    rng = np.random.default_rng(1)
    n, parts = 4000, (0.2, 0.004, 1.5)
    empty = Looks(
        error=np.zeros(n),
        width_px=np.exp(rng.uniform(np.log(8), np.log(300), n)),
        doubt_px=rng.exponential(0.3, n),
        kept=np.full(n, 0.002),
    )
    error = empty.u(parts) * rng.standard_t(FREEDOM, n)
    looks = Looks(error=error, width_px=empty.width_px, doubt_px=empty.doubt_px, kept=empty.kept)
    assert fitted(looks) == pytest.approx(parts, rel=0.15)


def test_rows_give_what_the_network_doubted_back() -> None:
    budget = {"edges": 0.02, "layout": 0.1 * DOUBT_SHARE * 0.4, "scatter": 0.003, "scale": 0.004,
              "away_from_reference": 0.0, "camera_height": 0.0, "lift": 0.0}  # fmt: skip
    found = {"width_px": 20.0, "diameter": {"value": 2.0, "budget": budget}}
    truth = {"form": "wire", "diameter_mm": 1.9, "facts": {}}
    looks = looks_of([{"found": found, "truth": truth}, {"found": None, "truth": truth}])
    assert looks.doubt_px == pytest.approx([0.4])
    assert looks.kept == pytest.approx([0.0025])
    assert looks.error == pytest.approx([2.0 / 1.9 - 1])
