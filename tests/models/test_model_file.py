"""The shipped surface model: that it is the file described, runs, and holds to its contract.

How right it is stands in ``models/CARD.md`` and is measured by
``models/recipe/surface/evaluate.py``; here only what must hold of any model that ships.
The limit of 20 MB and opset 17 are the project's own; that an expected calibration
error is a mean over bins of equal numbers follows Guo et al. 2017 (arXiv 1706.04599).
"""

from __future__ import annotations

import hashlib
import tomllib
from importlib import resources

import numpy as np
import pytest

from vision.finish.surface import (
    SurfaceModel,
    load_surface_model,
    predict,
    surface_map,
)
from vision.types import Image, Photo, Surface, SurfaceMap

FILES = resources.files("models")


@pytest.fixture(scope="module")
def model() -> SurfaceModel:
    return load_surface_model()


def photo_of(rgb: Image) -> Photo:
    return Photo(name="drawn", sha256="0" * 64, rgb=rgb)


def cloth(seed: int, *, colour: tuple[int, int, int], size: tuple[int, int]) -> Image:
    """A plain table: one colour, woven noise, light that falls off to one side."""
    rng = np.random.default_rng(seed)
    width, height = size
    weave = 8 * np.sin(np.arange(width) * 0.9)[None] + 8 * np.sin(np.arange(height) * 1.1)[:, None]
    grain = weave + rng.normal(0, 5, (height, width))
    falloff = np.linspace(0.8, 1.1, width)[None, :, None]
    return np.clip((np.array(colour) + grain[..., None]) * falloff, 0, 255).astype(np.uint8)


def metal_share(answer: SurfaceMap) -> float:
    other = {Surface.TABLE, Surface.REFERENCE, Surface.INSULATION, Surface.STRANGER}
    metals = [k for k, surface in enumerate(Surface) if surface not in other]
    return float(answer.p[metals].sum(axis=0).mean())


def test_the_files_are_the_ones_described() -> None:
    content = (FILES / "surface.onnx").read_bytes()
    told = tomllib.loads((FILES / "surface.toml").read_text(encoding="utf-8"))
    assert told["sha256"] == hashlib.sha256(content).hexdigest()
    assert told["bytes"] == len(content) <= 20_000_000
    assert told["opset"] >= 17
    assert set(told["classes"]) <= set(Surface)
    assert told["input"]["white_linear_target"] == 0.8
    assert {"photos", "seed", "minutes", "steps"} <= told["training"].keys()
    assert 0 < told["figures"]["mean_iou"] <= 1


def test_the_card_names_the_model_that_ships() -> None:
    told = tomllib.loads((FILES / "surface.toml").read_text(encoding="utf-8"))
    card = (FILES / "CARD.md").read_text(encoding="utf-8")
    assert told["sha256"][:16] in card, "the card describes another model"


@pytest.mark.parametrize("size", [(32, 32), (128, 256), (320, 96)])
@pytest.mark.parametrize("level", [0, 128, 255])
def test_any_picture_gets_probabilities(
    model: SurfaceModel, size: tuple[int, int], level: int
) -> None:
    width, height = size
    view = np.full((height, width, 3), level, np.uint8)
    answer = predict(model, view, box_px=(0, 0, width, height))
    assert answer.p.shape == (len(Surface), height // 4, width // 4)
    assert answer.p.sum(axis=0) == pytest.approx(1.0, abs=1e-4)
    assert answer.p.min() >= 0.0
    assert answer.tarnish_level.min() >= 0.0
    assert answer.tarnish_level.max() <= 1.0


@pytest.mark.parametrize("colour", [(190, 190, 185), (60, 80, 120), (150, 125, 95)])
def test_an_empty_table_holds_no_metal(model: SurfaceModel, colour: tuple[int, int, int]) -> None:
    picture = cloth(4, colour=colour, size=(960, 720))
    assert metal_share(surface_map(photo_of(picture), model=model)) < 0.05


def test_the_same_photo_gives_the_same_answer_twice(model: SurfaceModel) -> None:
    picture = cloth(5, colour=(150, 150, 150), size=(640, 480))
    picture[200:240, 100:540] = (205, 120, 80)
    first = surface_map(photo_of(picture), model=model)
    second = surface_map(photo_of(picture), model=model)
    assert np.array_equal(first.p, second.p)
