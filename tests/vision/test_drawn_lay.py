"""The drawn lays themselves, by brute force over a turn of the helix."""

from __future__ import annotations

import numpy as np
import pytest

from tests.vision.drawn_lay import mean_silhouette, strand_from_bundle
from vision.width.strand.strands import SEVEN_SHARE


@pytest.mark.parametrize("layers", [1, 2, 3])
def test_the_mean_outline_is_that_of_the_drawn_lay(layers: int) -> None:
    """The outermost wire sets the outline."""
    turn = np.linspace(0, 2 * np.pi, 7200, endpoint=False)
    wires = turn[:, None] + 2 * np.pi * np.arange(6 * layers) / (6 * layers)
    half_width = (2 * layers * np.sin(wires) + 1).max(axis=1).mean()
    assert mean_silhouette(layers) == pytest.approx(half_width / (2 * layers + 1), rel=1e-6)
    assert strand_from_bundle(layers) == pytest.approx(1 / half_width, rel=1e-6)


def test_seven_wires_have_the_share_that_the_measuring_takes() -> None:
    assert pytest.approx(strand_from_bundle(1), rel=1e-12) == SEVEN_SHARE
