"""The photos kept as fixtures: each is the one registered, may be passed on, and has its truth.

Sizes of what lies beside the pieces: ISO/IEC 7810 ID-1 (85.60 x 53.98 mm, corners of
3.18 mm), the marker's side as its key says, coins by their mints (from memory: euro cents
by Council Regulation (EU) 729/2014; the others as the recipe's table has them, not checked
here).
"""

from __future__ import annotations

import hashlib
import json
import math
import tomllib
from fnmatch import fnmatch
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from vision.reference.references import parse_reference
from vision.types import Surface

FIXTURES = Path(__file__).parents[1] / "fixtures"
REGISTRY = tomllib.loads((FIXTURES / "REGISTRY.toml").read_text(encoding="utf-8"))["photo"]
PHOTOS = sorted(FIXTURES.rglob("*.jpg"))
TRUTHS = sorted([*(FIXTURES / "renders").glob("*.json"), *(FIXTURES / "demo").rglob("*.json")])
COIN_MM = {"eu-1c": 16.25, "eu-2c": 18.75, "eu-5c": 21.25, "eu-10c": 19.75, "eu-20c": 22.25,
           "eu-50c": 24.25, "eu-1": 23.25, "eu-2": 25.75}  # fmt: skip
MOST_BYTES = 12_000_000
"""A clone must stay quick on a poor line; the limit is the project's own."""


def load(path: Path) -> dict[str, Any]:
    told: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return told


def name_of(path: Path) -> str:
    return path.stem


def test_every_photo_is_registered_once_and_is_the_one_registered() -> None:
    rows = [row["file"] for row in REGISTRY]
    assert sorted(rows) == sorted(p.relative_to(FIXTURES).as_posix() for p in PHOTOS)
    for row in REGISTRY:
        digest = hashlib.sha256((FIXTURES / row["file"]).read_bytes()).hexdigest()
        assert digest == row["sha256"], row["file"]


def test_every_photo_may_be_passed_on_and_its_notice_travels_with_it() -> None:
    notices = (FIXTURES / "NOTICES.md").read_text(encoding="utf-8")
    for row in REGISTRY:
        assert {"licence", "copyright", "source", "for", "truth"} <= row.keys(), row["file"]
        assert row["licence"].replace("CC-BY-2.0", "CC BY 2.0") in notices, row["file"]
        if row["file"].startswith("real/"):
            holder = row["copyright"].split(",")[0].removeprefix("photo by ")
            assert holder in notices or holder.startswith("authors of "), row["file"]


def test_fixtures_stay_small_enough_to_clone() -> None:
    assert sum(p.stat().st_size for p in FIXTURES.rglob("*") if p.is_file()) < MOST_BYTES


def test_every_rendered_photo_has_its_truth() -> None:
    rendered = [p for p in PHOTOS if "real" not in p.relative_to(FIXTURES).parts]
    others = ((FIXTURES / name).glob("*.json") for name in ("pairs", "closeups"))
    truths = [*TRUTHS, *chain.from_iterable(others)]
    told = [truth.parent / load(truth)["photo"] for truth in truths]
    assert sorted(p.resolve() for p in told) == sorted(p.resolve() for p in rendered)


@pytest.mark.parametrize("truth", TRUTHS, ids=name_of)
def test_the_truth_fits_its_photo(truth: Path) -> None:
    told = load(truth)
    assert told["schema"] == "cuproscope.truth/1"
    with Image.open(truth.parent / told["photo"]) as photo:
        assert photo.size == (told["width_px"], told["height_px"])
        focal_35 = photo.getexif().get_ifd(0x8769).get(0xA405)
    if focal_35 is not None:  # Exif 2.32, 4.6.5: of the diagonal of 24 x 36 mm, 43.27 mm
        diagonal = math.hypot(told["width_px"], told["height_px"])
        assert told["focal_px"] == pytest.approx(focal_35 / 43.27 * diagonal, rel=0.002)
    with Image.open(truth.with_name(truth.stem + ".pieces.png")) as image:
        numbers = np.asarray(image)
    with Image.open(truth.with_name(truth.stem + ".labels.png")) as image:
        labels = np.asarray(image)
    assert numbers.shape == labels.shape
    assert told["width_px"] % numbers.shape[1] == told["height_px"] % numbers.shape[0] == 0
    assert set(np.unique(numbers)) - {0} == {p["id"] for p in told["pieces"]}
    assert labels.max() < len(Surface)
    assert (numbers[labels == list(Surface).index(Surface.TABLE)] == 0).all()


@pytest.mark.parametrize("truth", TRUTHS, ids=name_of)
def test_a_reference_has_the_size_that_camera_and_mint_say(truth: Path) -> None:
    told = load(truth)
    for reference in told["references"]:
        wanted = parse_reference(reference["key"])
        x, y = np.array(reference["outline_px"]).T
        area_px = abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))) / 2
        if wanted.kind == "card":
            area = 85.60 * 53.98 - (4 - math.pi) * 3.18**2
        elif wanted.kind == "marker":
            area = float(reference["key"].split(":")[1]) ** 2
        elif reference["key"] in COIN_MM:
            area = math.pi / 4 * COIN_MM[reference["key"]] ** 2
        else:
            continue
        away_mm = told["camera_height_mm"] - reference["face_height_mm"]
        # Tilt and place move the distance: half the picture's height is 0.5 of the distance.
        slack = 0.02 + 0.6 * math.tan(math.radians(told["tilt_deg"]))
        assert math.sqrt(area_px / area) == pytest.approx(told["focal_px"] / away_mm, rel=slack)


def test_a_wheel_carries_the_demos_and_the_practice_cards() -> None:
    """As setuptools collects them: each photo and each truth that the pages read."""
    from setuptools import find_namespace_packages

    root = FIXTURES.parent
    tool = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["tool"][
        "setuptools"
    ]
    find = tool["packages"]["find"]
    packages = find_namespace_packages(str(root), include=find["include"], exclude=find["exclude"])
    for path in [*TRUTHS, *(truth.parent / load(truth)["photo"] for truth in TRUTHS)]:
        inside = path.resolve().relative_to(root)
        package = ".".join(inside.parent.parts)
        assert package in packages, inside
        patterns = tool["package-data"][package]
        assert any(fnmatch(inside.name, pattern) for pattern in patterns), inside
    assert not any(package.startswith("fixtures.real") for package in packages)
