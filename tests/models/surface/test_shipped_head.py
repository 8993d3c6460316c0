"""The two networks that ship fit together, and the head sees what lies under a cover alone."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from onnxruntime import InferenceSession

from models.loader import session

MODELS = Path(__file__).parents[3] / "models"
Floats = NDArray[np.float32]


@cache
def described() -> Mapping[str, Any]:
    return tomllib.loads((MODELS / "surface.toml").read_text(encoding="utf-8"))


@cache
def networks() -> tuple[InferenceSession, InferenceSession]:
    return session(described()), session(described()["piece"])


@cache
def features() -> Floats:
    rng = np.random.default_rng(3)
    rgb = rng.integers(0, 256, (1, 96, 128, 3), dtype=np.uint8)
    (told,) = networks()[0].run(["features"], {"rgb": rgb})
    return np.asarray(told)


def answers(cover: Floats, seen: Floats | None = None) -> list[Floats]:
    given = {"features": features() if seen is None else seen, "cover": cover}
    return networks()[1].run(described()["piece"]["outputs"], given)


def two_covers() -> Floats:
    cover = np.zeros((2, 24, 32), np.float32)
    cover[0, 4:9, 3:20] = 1.0
    cover[1, 12:20, 10:14] = 0.5
    return cover


def test_features_have_the_channels_that_the_description_tells() -> None:
    assert features().shape == (1, described()["output"]["features"], 24, 32)


def test_the_answers_have_the_shapes_of_the_contract() -> None:
    shapes = [part.shape for part in answers(two_covers())]
    assert shapes == [(2, 8), (2, 6, 2), (2, 5), (2, 2), (2,), (2,)]


def test_a_piece_is_told_the_same_beside_another_one() -> None:
    both, cover = answers(two_covers()), two_covers()
    for k in (0, 1):
        for alone, beside in zip(answers(cover[k : k + 1]), both, strict=True):
            np.testing.assert_allclose(alone[0], beside[k], atol=1e-4)


def test_what_lies_beside_the_cover_does_not_count() -> None:
    cover = two_covers()[:1]
    other = features().copy()
    other[:, :, cover[0] == 0] = 5.0
    for was, now in zip(answers(cover), answers(cover, other), strict=True):
        np.testing.assert_allclose(was, now, atol=1e-4)


def test_level_and_strangeness_stay_in_their_ranges() -> None:
    *_, tarnish, _, strange = answers(two_covers())
    assert ((tarnish[:, 0] >= 0) & (tarnish[:, 0] <= 1)).all()
    assert (strange >= 0).all()


@pytest.mark.parametrize("form", ["wire", "stranded", "tube", "sheet", "other", "form"])
def test_learned_rates_are_probabilities_that_odds_can_be_made_of(form: str) -> None:
    rates = described()["learned_rates"][form]
    names = described()["piece"]["forms" if form == "form" else "presence"]
    assert list(rates) == names
    assert all(0 < rate < 1 for rate in rates.values())
    if form == "form":
        assert sum(rates.values()) == pytest.approx(1, abs=0.02)
