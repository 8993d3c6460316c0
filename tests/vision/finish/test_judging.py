"""Finish from the network's map: real surfaces, drawn maps, relations, honest doubt.

What real photos show comes from their source and by eye (fixtures/real/labels.toml); what a
drawn map says is given, so that only what is made of it is tested.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from functools import cache
from math import exp, log
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from rules.confidence import FAMILIAR
from rules.findings import ON_THE_PIECE, Finish, Form, What
from tests.vision.drawn_head import head_of
from vision.finish.judging import FinishReading, judge_finish
from vision.finish.surface import load_surface_model, surface_map
from vision.types import Image, Mask, Photo, Region, Surface, SurfaceMap

REAL = Path(__file__).parents[3] / "fixtures" / "real"
SURFACES = list(Surface)
HEIGHT, WIDTH = 84, 260


def photo_of(rgb: Image) -> Photo:
    return Photo(name="drawn", sha256="0" * 64, rgb=np.ascontiguousarray(rgb))


def region_of(mask: Mask) -> Region:
    rows, columns = np.nonzero(mask)
    x, y = int(columns.min()), int(rows.min())
    w, h = int(columns.max()) - x + 1, int(rows.max()) - y + 1
    return Region(
        box_px=(x, y, w, h),
        mask=mask[y : y + h, x : x + w],
        outline_px=np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]], float),
        score=1.0,
    )


def wire() -> tuple[Photo, Region]:
    """A lying wire 200 px long and 24 wide, lit so that none of it is clipped or dark."""
    rgb = np.full((HEIGHT, WIDTH, 3), 200, np.uint8)
    mask = np.zeros((HEIGHT, WIDTH), bool)
    mask[30:54, 30:230] = True
    rgb[mask] = (190, 110, 70)
    return photo_of(rgb), region_of(mask)


def map_of(
    surface: Surface,
    *,
    where: slice = slice(None),
    p: float = 0.91,
    level: float = 0.1,
    strangeness: float = 0.3,
) -> SurfaceMap:
    """Return a map at half size that takes columns for one surface, bright copper elsewhere."""
    h, w = HEIGHT // 2, WIDTH // 2
    planes = np.full((len(Surface), h, w), (1 - p) / (len(Surface) - 1), np.float32)
    own = np.zeros((h, w), bool)
    own[:, where] = True
    planes[SURFACES.index(surface)][own] = p
    planes[SURFACES.index(Surface.BRIGHT)][~own] = p
    return SurfaceMap(
        p=planes / planes.sum(axis=0),
        tarnish_level=np.full((h, w), level, np.float32),
        box_px=(0, 0, WIDTH, HEIGHT),
        outline=np.zeros((2, HEIGHT, WIDTH), np.float32),
    )


def judge(surface: SurfaceMap, **said: Any) -> FinishReading:
    photo, region = wire()
    return judge_finish(photo, region, surface=surface, model=head_of(**said))


# --- Real photos -----------------------------------------------------------------


@cache
def told() -> Counter[tuple[str, str]]:
    """How often each labelled surface of a real photo is named what; no reference in any."""
    with (REAL / "labels.toml").open("rb") as file:
        rows = tomllib.load(file)["surface"]
    model = load_surface_model()
    counted: Counter[tuple[str, str]] = Counter()
    for row in rows:
        if row["shape"] == "disc":  # coins are references to the network, not pieces
            continue
        bgr = np.asarray(cv2.imread(str(REAL / row["photo"])))
        points = np.round(np.array(row["points_px"])).astype(np.int32)
        mask = np.zeros(bgr.shape[:2], np.uint8)
        if row["shape"] == "strip":
            cv2.polylines(mask, [points], False, 1, round(row["width_px"]))
        else:
            cv2.fillPoly(mask, [points], 1)
        photo, region = photo_of(bgr[..., ::-1]), region_of(mask > 0)
        seen = surface_map(photo, model=model, box=region.box_px)
        reading = judge_finish(photo, region, surface=seen, model=model.piece)
        counted[row["class"], name_of(reading)] += 1
    return counted


def name_of(reading: FinishReading) -> str:
    """Return what most of a piece shows, if it is there; else how its bare metal looks.

    All grey metals are one here: a photo can't tell tin from steel for sure, and both are
    told to be filed.
    """
    named = {
        What.COATING: "coated",
        What.INSULATION: "coated",
        What.TIN: "tinned",
        What.SOLDER: "tinned",
        What.OTHER_METAL: "tinned",
        What.GREEN: "green",
        What.BRASS: "brass",
    }
    if reading.familiarity < FAMILIAR or reading.seen[What.NOT_METAL].p > 0.5:
        return "strange"
    likely = {w: f.share for w, f in reading.seen.items() if w in named and f.p > 0.5}
    most = max(likely, key=lambda what: likely[what], default=None)
    if most is not None and likely[most] > 0.3:
        return named[most]
    assert reading.finish is not None
    shares = reading.finish.shares
    return max((Finish.BRIGHT, Finish.TARNISHED), key=lambda f: shares[f]).value


def share(truth: str, *names: str) -> float:
    total = sum(n for (t, _), n in told().items() if t == truth)
    return sum(n for (t, name), n in told().items() if t == truth and name in names) / total


@pytest.mark.parametrize(("truth", "least"), [("bright", 0.6), ("coated", 0.55)])  # 17 of 29 coated
def test_real_surfaces_are_mostly_named_right(truth: str, least: float) -> None:
    """13 of 18 bright ones and 21 of 29 coats when this was written."""
    assert share(truth, truth) >= least, told()


def test_hardly_a_real_surface_that_is_not_bare_passes_for_bare_copper() -> None:
    # What lies on copper, or is none, costs a grade; strange is told as a guess at most.
    bare = ("bright", "tarnished")
    assert share("coated", *bare) <= 5 / 29, told()  # four
    assert share("tinned", *bare) <= 2 / 16, told()
    assert share("green", *bare) == 0.0, told()
    assert share("brass", *bare) <= 1 / 6, told()  # gilded plugs, all of them


def test_no_bright_copper_is_called_green_grey_or_brass() -> None:
    assert share("bright", "green", "tinned", "brass") == 0.0, told()


# --- What the head and the map say --------------------------------------------------


def test_what_is_there_comes_from_the_head_and_where_from_the_map() -> None:
    seen = map_of(Surface.BRASS, where=slice(15, 40))
    reading = judge(seen, presence={What.BRASS: 4.0}, share={What.BRASS: (-1.0, 4.0)})
    flag = reading.seen[What.BRASS]
    assert flag.p == pytest.approx(1 / (1 + exp(-4)))
    assert flag.share == pytest.approx(1 / (1 + exp(1)))
    ((x, _, w, _),) = reading.boxes_px[What.BRASS]
    assert abs(x - 30) < 12
    assert abs(x + w - 80) < 12
    assert What.SOLDER not in reading.boxes_px, "what is not there is pointed at nowhere"


def test_shares_are_what_is_expected_of_the_copper_in_sight() -> None:
    # A fifth jacket for sure, a coat on 0.4 of it with even odds, a quarter of the bare
    # metal shines: copper 0.8, of it 0.5 * 0.4 = 0.2 expected under a coat.
    reading = judge(
        map_of(Surface.BRIGHT),
        presence={What.INSULATION: 30.0, What.COATING: 0.0},
        share={What.INSULATION: (log(0.2 / 0.8), 9.0), What.COATING: (log(0.4 / 0.6), 9.0)},
        shine=log(1 / 3),
    )
    assert reading.finish is not None
    shares = reading.finish.shares
    assert sum(shares.values()) == pytest.approx(1)
    assert shares[Finish.COATED] == pytest.approx(0.2 / 0.8, abs=0.01)
    assert shares[Finish.BRIGHT] / shares[Finish.TARNISHED] == pytest.approx(1 / 3, abs=0.01)
    assert reading.finish.u[Finish.COATED] > 0.3, "there or not is no small doubt"


def test_the_tarnish_level_and_form_are_the_heads() -> None:
    reading = judge(map_of(Surface.BRIGHT), tarnish=(0.4, log(0.07)), form={Form.TUBE: 9.0})
    assert reading.finish is not None
    assert reading.finish.tarnish_level.value == pytest.approx(0.4)
    assert reading.finish.tarnish_level.u == pytest.approx(0.07)
    assert reading.form is not None
    assert reading.form.value is Form.TUBE


def test_how_familiar_it_is_goes_along_and_a_note_says_what_is_strange() -> None:
    known, strange = (judge(map_of(Surface.BRIGHT), strangeness=s) for s in (0.2, 1.5))
    assert known.familiarity > 0.9
    assert strange.familiarity < 0.5
    assert not any("unlike any" in note for note in known.notes)
    assert any("unlike any" in note for note in strange.notes)


# --- Honest doubt ----------------------------------------------------------------


@pytest.mark.parametrize("code", [2, 255])
def test_a_black_or_burnt_piece_gets_no_finish_but_a_note(code: int) -> None:
    photo, region = wire()
    x, y, w, h = region.box_px
    rgb = photo.rgb.copy()
    rgb[y : y + h, x : x + w] = code
    reading = judge_finish(photo_of(rgb), region, surface=map_of(Surface.BRIGHT), model=head_of())
    assert reading.finish is None
    assert reading.form is None
    assert all(0 < flag.p < 1 for flag in reading.seen.values())
    assert reading.notes


def test_a_mostly_clipped_piece_says_so_and_is_less_sure() -> None:
    photo, region = wire()
    rgb = photo.rgb.copy()
    rgb[:, 30:170] = 255
    burnt = judge_finish(photo_of(rgb), region, surface=map_of(Surface.BRIGHT), model=head_of())
    here = judge(map_of(Surface.BRIGHT))
    assert any("of the piece is too bright" in note for note in burnt.notes)
    assert burnt.finish is not None
    assert here.finish is not None
    assert sum(burnt.finish.u.values()) > sum(here.finish.u.values())
    for what in ON_THE_PIECE:
        wide, narrow = burnt.seen[what].u_share, here.seen[what].u_share
        assert wide is not None
        assert narrow is not None
        assert wide > narrow


@pytest.mark.parametrize("seed", range(12))
def test_any_pixels_under_any_mask_and_map_get_a_whole_answer(seed: int) -> None:
    rng = np.random.default_rng(seed)
    height, width = (int(n) for n in rng.integers(40, 400, 2))
    rgb = rng.integers(0, 256, (height, width, 3), dtype=np.uint8)
    canvas = np.zeros((height, width), np.uint8)
    for _ in range(int(rng.integers(1, 4))):
        start, end = ((int(rng.integers(0, width)), int(rng.integers(0, height))) for _ in range(2))
        cv2.line(canvas, start, end, 1, int(rng.integers(1, 50)))
    cells = (int(rng.integers(4, 40)), int(rng.integers(4, 40)))
    p = rng.gamma(0.3, size=(len(Surface), *cells)).astype(np.float32) + 1e-6
    seen = SurfaceMap(
        p=p / p.sum(axis=0),
        tarnish_level=rng.random(cells).astype(np.float32),
        box_px=(0, 0, width, height),
        outline=np.zeros((2, height, width), np.float32),
    )
    model = head_of(presence={what: float(rng.normal(0, 4)) for what in What})
    reading = judge_finish(photo_of(rgb), region_of(canvas > 0), surface=seen, model=model)
    assert reading.finish is not None
    assert sum(reading.finish.shares.values()) == pytest.approx(1)
    for boxes in reading.boxes_px.values():
        for x, y, w, h in boxes:
            assert x >= 0
            assert y >= 0
            assert 0 < w <= width - x
            assert 0 < h <= height - y
