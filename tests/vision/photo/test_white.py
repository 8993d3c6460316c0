"""The light's colour off white paper, against whites whose light the test sets itself."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.vision.drawn_map import map_over
from vision.photo.colour import from_linear
from vision.photo.white import NOTES, paper_white, white_of
from vision.types import Photo, Scale, Surface, SurfaceMap

SIZE = (640, 480)
LAMPS = [(1.0, 1.0, 1.0), (1.1, 1.0, 0.85), (0.92, 1.0, 1.12)]


def table(
    rng: np.random.Generator,
    *,
    light: tuple[float, float, float] = (1.0, 1.0, 1.0),
    albedo: tuple[float, float, float] = (0.8, 0.8, 0.8),
    level: float = 0.7,
    grain: float = 0.0,
) -> Photo:
    """A table in this light with a dark bar for a piece across its middle."""
    w, h = SIZE
    linear = np.ones((h, w, 3)) * level * np.array(light) * np.array(albedo) / 0.8
    if grain:
        rough = cv2.GaussianBlur(rng.normal(0, 1, (h, w)), (0, 0), 1.5)
        linear *= np.clip(1 + grain * rough / rough.std(), 0.2, 3)[..., None]
    linear[220:260, 100:540] = 0.05
    linear += rng.normal(0, 0.004, linear.shape)
    rgb = from_linear(np.clip(linear, 0, 1))
    rgb.flags.writeable = False
    return Photo(name="table", sha256="", rgb=rgb)


def looked_at(photo: Photo) -> SurfaceMap:
    """What the network makes of it: the bar is metal, all else table."""
    seen = map_over(photo, Surface.TABLE)
    p = seen.p.copy()
    p[:, 55:65, 25:135] = 0.0
    p[list(Surface).index(Surface.BRIGHT), 55:65, 25:135] = 1.0
    return replace(seen, p=p)


@pytest.mark.parametrize("lamp", LAMPS)
def test_white_paper_tells_the_colour_of_the_light(lamp: tuple[float, float, float]) -> None:
    photo = table(np.random.default_rng(1), light=lamp)
    white = white_of(photo, looked_at(photo), None)
    near = white.near((100, 220, 440, 40))
    assert near is not None
    assert near / near[1] == pytest.approx(np.array(lamp) / lamp[1], abs=0.02)
    assert white.note == NOTES["paper"]


def test_how_bright_paper_is_changes_no_brightness() -> None:
    """A grey table passes for paper: its colour is right, its brightness would not be."""
    for level in (0.3, 0.6):
        photo = table(np.random.default_rng(2), level=level)
        near = white_of(photo, looked_at(photo), None).near((100, 220, 440, 40))
        assert near == pytest.approx([0.8] * 3, abs=0.02)


@pytest.mark.parametrize(
    "kind",
    [
        {"albedo": (0.62, 0.42, 0.26)},  # beech: CIE L* about 70, b* about 25 (from memory)
        {"albedo": (0.30, 0.50, 0.75)},  # a blue plastic tray
        {"grain": 0.15},  # concrete, cloth
        {"level": 0.1},  # unlit, or dark grey
        {"level": 1.3},  # burnt out: no colour is left in it
    ],
)
def test_a_table_that_is_no_lit_white_paper_tells_nothing(kind: dict[str, object]) -> None:
    photo = table(np.random.default_rng(3), **kind)  # type: ignore[arg-type]
    assert paper_white(photo, looked_at(photo)) is None
    white = white_of(photo, looked_at(photo), None)
    assert white.near((0, 0, 10, 10)) is None
    assert white.note == NOTES["none"]


def test_the_white_beside_a_piece_counts_where_the_light_changes_over_the_table() -> None:
    photo = table(np.random.default_rng(4))
    rgb = photo.rgb.copy()
    rgb[:, :140] = from_linear(np.array([[[0.72, 0.68, 0.62]]]))[0, 0]
    rgb.flags.writeable = False
    mixed = Photo(name="mixed", sha256="", rgb=rgb)
    white = white_of(mixed, looked_at(mixed), None)
    left, right = white.near((20, 300, 60, 60)), white.near((500, 300, 60, 60))
    assert left is not None and right is not None
    assert left[0] / left[2] == pytest.approx(0.72 / 0.62, abs=0.02)
    assert right[0] / right[2] == pytest.approx(1.0, abs=0.02)


def test_the_white_of_the_reference_counts_before_the_paper() -> None:
    """And a card's or coin's face never counts: their scale shows no white."""
    photo = table(np.random.default_rng(5))
    overview = looked_at(photo)
    assert white_of(photo, overview, scale_with(None)).note == NOTES["paper"]
    seen = white_of(photo, overview, scale_with((0.6, 0.5, 0.4)))
    assert seen.near((0, 0, 9, 9)) == pytest.approx([0.6, 0.5, 0.4])
    assert seen.note == NOTES["marker"]


def scale_with(white: tuple[float, float, float] | None) -> Scale:
    return Scale(
        reference="marker:30" if white else "card",
        mm_from_px=np.eye(3),
        mm_per_px=1.0,
        u_rel=0.001,
        budget={},
        tilt_deg=0.0,
        residual_px=0.1,
        camera_mm=(0.0, 0.0, 300.0),
        outlines_px=(),
        white=None if white is None else np.array(white),
    )
