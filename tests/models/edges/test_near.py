"""Looks from close by that the edges learn from: samples, labels and what is read from them."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch", reason="trained with torch; it is not a dependency")

from models.recipe.edges.cutting import NEAR_CELLS, NEAR_REACH_WIDTHS  # noqa: E402
from models.recipe.edges.looks import SAMPLES, Stretches  # noqa: E402
from models.recipe.edges.near import HALF, looked_near, near_edges, near_loss  # noqa: E402

WIDTHS_PX = (45.0, 150.0, 400.0)
GUESS, SHIFT = 1.03, -0.02


def drawn() -> Stretches:
    """Bright pieces on a dark table, from edge to edge of the true width."""
    at = torch.linspace(-NEAR_REACH_WIDTHS, NEAR_REACH_WIDTHS, NEAR_CELLS)
    n = len(WIDTHS_PX)
    return Stretches(
        light=torch.where(at.abs() < 0.5, 0.8, 0.1)[None, :, None].expand(n, -1, 3),
        known=torch.ones(n, NEAR_CELLS),
        edges=torch.tensor([[-0.5, 0.5]]).repeat(n, 1),
        width_px=torch.tensor(WIDTHS_PX),
        reach=NEAR_REACH_WIDTHS,
    )


def test_each_half_shows_its_edge_where_the_label_says() -> None:
    n = len(WIDTHS_PX)
    look = looked_near(drawn(), guess=torch.full((n,), GUESS), shift=torch.full((n,), SHIFT))
    light = look.profiles[:, 0]
    for row in range(n):
        rise = int((light[row, :HALF] > 0.45).nonzero()[0])
        fall = int((light[row, HALF:] < 0.45).nonzero()[0]) + HALF
        # The drawn step is the outside source; a cell of the strip is up to 1.5 samples.
        assert rise - 0.5 == pytest.approx(float(look.edges[row, 0]), abs=1.6)
        assert fall - 0.5 == pytest.approx(float(look.edges[row, 1]), abs=1.6)
    assert float(look.step_px[1]) == pytest.approx(50 / (HALF - 1), rel=0.04)


def test_sure_scores_at_the_label_give_the_true_edges_back() -> None:
    n = len(WIDTHS_PX)
    guess, shift = torch.full((n,), GUESS), torch.full((n,), SHIFT)
    look = looked_near(drawn(), guess=guess, shift=shift)
    at = torch.arange(SAMPLES)
    logits = -2 * (at - look.edges.unsqueeze(2)) ** 2
    width = torch.tensor(WIDTHS_PX)
    before = torch.tensor([-0.49, 0.51]).expand(n, 1, 2)
    told = near_edges(logits[:, None], before, guess=guess, shift=shift[:, None], width_px=width)
    assert told.numpy() == pytest.approx(
        torch.tensor([-0.5, 0.5]).expand(n, 1, 2).numpy(), abs=0.002
    )
    # An edge that the looks before found outside of the windows stays what it was.
    far = torch.tensor([-1.1, 0.5]).expand(n, 1, 2)
    kept = near_edges(logits[:, None], far, guess=guess, shift=shift[:, None], width_px=width)
    assert kept[..., 0].numpy() == pytest.approx(-1.1)
    assert float(near_loss(logits, look.edges)) < float(near_loss(logits, look.edges + 3))
