"""A coin by another name is refused; discs that could be either are not guessed between."""

from __future__ import annotations

from math import pi
from pathlib import Path

import numpy as np
import pytest

from rules.errors import PhotoError
from tests.vision.coin_scenes import METALS
from tests.vision.drawn_places import seen_places
from vision.photo.loading import load_photo_file
from vision.reference.coin.coins import detect_coins, scale_from_coin
from vision.reference.coin.colours import Face
from vision.reference.coin.kinds import coin
from vision.reference.coin.naming import pick
from vision.reference.places import Place
from vision.types import Photo

REAL = Path(__file__).parents[4] / "fixtures" / "real" / "coins"


def face_of(key: str) -> Face:
    middle, ring = (np.array(light) for light in METALS[coin(key).colour.value])
    return Face(whole=(middle + ring) / 2, centre=middle, rim=ring, table=np.full(3, 0.6))


def picked(named: str, lying: list[str], *, px_per_mm: float = 10.0) -> list[int]:
    return pick(
        np.array([coin(key).diameter_mm * px_per_mm for key in lying]),
        [face_of(key) for key in lying],
        np.full(len(lying), 0.9),
        named=coin(named),
    )


def test_the_named_coin_is_picked_among_others() -> None:
    lying = ["eu-2", "eu-5c", "eu-1", "eu-50c"]
    for number, key in enumerate(lying):
        assert picked(key, lying) == [number]


def test_equal_coins_are_all_taken() -> None:
    assert sorted(picked("eu-1", ["eu-1", "eu-20c", "eu-1"])) == [0, 2]


@pytest.mark.parametrize(
    ("named", "lying", "looks"),
    [
        ("eu-1", "eu-5c", "copper-coloured all over, as EU 1 cent or EU 2 cent or EU 5 cent"),
        ("eu-5c", "eu-1", "white with a golden ring, as EU 1 euro"),
        ("eu-2", "eu-1", "white with a golden ring, as EU 1 euro"),
        ("eu-1", "eu-2", "golden with a white ring, as EU 2 euro"),
        ("eu-2", "eu-50c", "golden all over"),
        ("us-25c", "us-1c", "copper-coloured all over, as US 1 cent"),
    ],
)
def test_a_coin_of_another_colour_is_refused(named: str, lying: str, looks: str) -> None:
    with pytest.raises(PhotoError, match=looks) as refused:
        picked(named, [lying])
    assert refused.value.code == "other_reference"
    assert f"{coin(named).name} was named" in refused.value.message


def test_a_coin_of_its_colour_and_another_size_is_told_by_the_others() -> None:
    # As 20 cents the middle one would make the others 27.0 and 30.3 mm wide: no such coins.
    with pytest.raises(PhotoError, match="EU 10 cent") as refused:
        picked("eu-20c", ["eu-1", "eu-10c", "eu-2", "eu-5c"])
    assert refused.value.code == "other_reference"


def test_a_burnt_out_coin_is_taken_by_its_name() -> None:
    nothing = np.full(3, np.nan)
    burnt = Face(whole=nothing, centre=nothing, rim=nothing, table=np.full(3, 0.6))
    assert pick(np.array([200.0]), [burnt], np.array([0.9]), named=coin("us-1c")) == [0]


def test_a_coin_missing_on_a_phone_photo_is_refused() -> None:
    photo = load_photo_file(REAL / "euro_mixed_white_10.jpg")
    places = seen_places(photo)
    for absent in ("eu-1c", "eu-2c", "eu-10c"):
        with pytest.raises(PhotoError) as refused:
            scale_from_coin(photo, absent, places=places)
        assert refused.value.code in ("other_reference", "ambiguous_reference")


def test_one_coin_cut_out_of_a_phone_photo_goes_by_no_name_of_another_colour() -> None:
    whole = load_photo_file(REAL / "euro_mixed_white_9.jpg")
    x, y, half = 1366, 1035, 205  # a fresh 5 cents; its neighbour ends above the cut
    rgb = np.ascontiguousarray(whole.rgb[y - half : y + half, x - half : x + half])
    photo = Photo(name="cut", sha256="", rgb=rgb, focal_px=whole.focal_px)
    # Of a cut as narrow as this the network takes all for a reference: its patch by hand.
    box = (half - 161.0, half - 161.0, 322.0, 322.0)
    places = [Place(box_px=box, centre_px=(half, half), area_px=pi * 161.0**2)]
    assert len(detect_coins(photo, places=places)) == 1
    told = scale_from_coin(photo, "eu-5c", places=places)
    assert told.mm_per_px == pytest.approx(21.25 / 322, rel=0.02)  # outline read on the photo
    for key in ("eu-10c", "eu-20c", "eu-50c", "eu-1", "eu-2"):
        with pytest.raises(PhotoError, match="copper-coloured"):
            scale_from_coin(photo, key, places=places)


@pytest.mark.parametrize("px_per_mm", [3.0, 30.0])
def test_how_large_the_photo_is_does_not_matter(px_per_mm: float) -> None:
    lying = ["eu-2", "eu-5c", "eu-1", "eu-50c"]
    for number, key in enumerate(lying):
        assert picked(key, lying, px_per_mm=px_per_mm) == [number]


def test_the_order_in_which_coins_lie_does_not_matter() -> None:
    lying = ["eu-1", "eu-20c", "eu-1", "eu-2c"]
    for turn in range(4):
        order = lying[turn:] + lying[:turn]
        assert {order[i] for i in picked("eu-1", order)} == {"eu-1"}
        assert len(picked("eu-1", order)) == 2


@pytest.mark.parametrize("key", ["eu-1", "us-25c", "gb-2p", "ca-10c"])
def test_a_coin_alone_is_taken_by_its_name(key: str) -> None:
    assert picked(key, [key]) == [0]
