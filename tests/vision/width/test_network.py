"""Both parts of the strip network are asked apart, and say what they say together."""

from __future__ import annotations

import numpy as np
import pytest

from vision.width.edge_net import SAMPLES, inputs, neighbours
from vision.width.network import shipped
from vision.width.strip_look import ACROSS_PX, ALONG_PX, BINS, LOOKS


def test_each_part_alone_says_what_it_says_beside_the_other() -> None:
    rng = np.random.default_rng(3)
    profiles = inputs(rng.uniform(0.02, 0.9, (4, SAMPLES, 3)).astype(np.float32), 30.0)
    light = rng.normal(0, 0.5, (2, ALONG_PX, ACROSS_PX, 3)).astype(np.float32)
    log_step = np.array([-1.0, 0.3], np.float32)
    net = shipped()
    shares = neighbours(4, None)
    given = {"profiles": profiles, "neighbours": shares, "light": light, "log_step": log_step}
    together = net.run.run(["edges", "looks", "shares"], given)
    assert net.edges(profiles, shares) == pytest.approx(together[0], abs=1e-4)
    looks, of_bundle = net.looks(light, log_step)
    assert looks == pytest.approx(together[1], abs=1e-4)
    assert of_bundle == pytest.approx(together[2], abs=1e-4)


def test_what_it_says_are_log_probabilities() -> None:
    # The sum of probabilities is one, by definition.
    rng = np.random.default_rng(5)
    looks, shares = shipped().looks(
        rng.normal(0, 0.5, (3, ALONG_PX, ACROSS_PX, 3)).astype(np.float32), np.zeros(3, np.float32)
    )
    assert looks.shape == (3, len(LOOKS)) and shares.shape == (3, BINS)
    assert np.exp(looks).sum(axis=1) == pytest.approx(1.0, abs=1e-4)
    assert np.exp(shares).sum(axis=1) == pytest.approx(1.0, abs=1e-4)
