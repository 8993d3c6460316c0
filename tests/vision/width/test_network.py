"""All parts of the strip network are asked apart, and say what they say together."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from models import loader
from rules.errors import InstallError
from vision.width.edge_net import SAMPLES, inputs, neighbours
from vision.width.network import METADATA_FILE, MODEL_FILE, read_network, shipped
from vision.width.strand.strip_look import ACROSS_PX, ALONG_PX, BINS, LOOKS

SHIPPED = Path(loader.__file__).parent


def test_each_part_alone_says_what_it_says_beside_the_other() -> None:
    rng = np.random.default_rng(3)
    profiles = inputs(rng.uniform(0.02, 0.9, (4, SAMPLES, 3)).astype(np.float32), 30.0)
    light = rng.normal(0, 0.5, (2, ALONG_PX, ACROSS_PX, 3)).astype(np.float32)
    log_step = np.array([-1.0, 0.3], np.float32)
    net = shipped()
    shares = neighbours(4, None)
    given = {"profiles": profiles, "neighbours": shares, "light": light, "log_step": log_step}
    given |= {"near_profiles": profiles, "near_neighbours": shares}
    together = net.run.run(["edges", "looks", "shares", "near_edges"], given)
    assert net.edges(profiles, shares) == pytest.approx(together[0], abs=1e-4)
    assert net.near_edges(profiles, shares) == pytest.approx(together[3], abs=1e-4)
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


def test_a_network_read_from_elsewhere_says_the_same(tmp_path: Path) -> None:
    for name in (MODEL_FILE, METADATA_FILE):
        shutil.copy(SHIPPED / name, tmp_path / name)
    light = np.zeros((1, ALONG_PX, ACROSS_PX, 3), np.float32)
    one, other = (
        net.looks(light, np.zeros(1, np.float32)) for net in (shipped(), read_network(tmp_path))
    )
    assert one[0] == pytest.approx(other[0], abs=1e-6)


@pytest.mark.parametrize("name", [MODEL_FILE, METADATA_FILE])
def test_a_file_that_is_missing_or_torn_is_named(tmp_path: Path, name: str) -> None:
    for file in (MODEL_FILE, METADATA_FILE):
        shutil.copy(SHIPPED / file, tmp_path / file)
    (tmp_path / name).write_bytes((tmp_path / name).read_bytes()[:40])
    with pytest.raises(InstallError) as torn:
        read_network(tmp_path)
    (tmp_path / name).unlink()
    with pytest.raises(InstallError) as missing:
        read_network(tmp_path)
    for raised in (torn, missing):
        assert raised.value.where == f"models/{name}"
        assert raised.value.fix


def test_no_profiles_at_all_are_answered_with_none() -> None:
    looks, shares = shipped().looks(
        np.zeros((0, ALONG_PX, ACROSS_PX, 3), np.float32), np.zeros(0, np.float32)
    )
    assert looks.shape == (0, len(LOOKS)) and shares.shape == (0, BINS)
