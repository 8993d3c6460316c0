"""Looks that the edges learn from: where outlines go wrong."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch", reason="trained with torch; it is not a dependency")

from models.recipe.edges.cutting import CELLS, REACH_WIDTHS  # noqa: E402
from models.recipe.edges.looks import (  # noqa: E402
    AT_SEAM_SHARE,
    MOST_SHADOW,
    SHADOWED_SHARE,
    Stretches,
    guesses,
    seams,
)
from models.recipe.edges.profiles import Draw  # noqa: E402

PIECES, STRETCHES = 400, 3


def shadowed(rim_widths: float) -> Stretches:
    """A grey table with a hard shadow from the piece's right edge to its rim."""
    at = torch.linspace(-REACH_WIDTHS, REACH_WIDTHS, CELLS)
    light = torch.where((at > 0.5) & (at < rim_widths), 0.1, 0.5)
    light = torch.where(at.abs() < 0.5, 0.4, light)[None, :, None]
    n = PIECES * STRETCHES
    return Stretches(
        light=light.expand(n, -1, 3),
        known=torch.ones(n, CELLS),
        edges=torch.tensor([[-0.5, 0.5]]).repeat(n, 1),
        width_px=torch.full((n,), 30.0),
    )


def test_a_seam_is_where_a_shadow_ends() -> None:
    # The drawn rim is the outside source; on the other side nothing changes.
    seam = seams(Draw(PIECES, "cpu", 1), shadowed(1.3), stretches=STRETCHES)
    right = seam > 0
    assert 0.4 < float(right.float().mean()) < 0.6
    assert seam[right].numpy() == pytest.approx(1.3, abs=0.02)


def test_some_outlines_end_at_the_seam_and_are_as_much_too_wide_as_off() -> None:
    d = Draw(PIECES, "cpu", 2)
    width, seam = torch.full((PIECES,), 300.0), torch.full((PIECES,), 1.3)
    guess, shift = guesses(d, width, stretches=STRETCHES, seam=seam)
    guess, middle = guess[::STRETCHES], shift.unflatten(0, (-1, STRETCHES)).mean(dim=1)
    # The outline's left edge is the piece's, its right one the shadow's rim.
    at_rim = ((middle + guess / 2 - 1.3).abs() < 0.15) & ((middle - guess / 2 + 0.5).abs() < 0.15)
    expected = SHADOWED_SHARE * AT_SEAM_SHARE
    assert 0.7 * expected < float(at_rim.float().mean()) < 1.6 * expected
    assert float((guess > 1.6).float().mean()) > 0.05
    assert float(guess.max()) <= 1.5 + MOST_SHADOW
