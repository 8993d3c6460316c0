"""Finish from colour: real coins and surfaces, drawn cylinders, relations, honest doubt.

Colours of drawn metal come from the film tables (tests/vision/finish/test_film.py checks
them against a table made elsewhere); what real photos show comes from their source
and by eye (fixtures/real/labels.toml).
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from rules.engine import Grading, grade
from rules.findings import Findings, Finish, Form, FormFinding, Measurement, Unit
from rules.sheet import load_sheet
from vision.finish.appearance import FEATURES, pixel_features, work_copy
from vision.finish.film import film_colours, metal_colour
from vision.finish.judging import (
    FinishReading,
    class_probabilities,
    gather_evidence,
    judge_finish,
    mixed,
)
from vision.finish.mix import Mix
from vision.photo.colour import from_linear, to_linear
from vision.photo.white import WhiteEstimate, WhiteOrigin, estimate_white
from vision.types import FloatArray, Image, Mask, Photo, Region, Surface, SurfaceMap

REAL = Path(__file__).parents[3] / "fixtures" / "real"
KNOWN = WhiteEstimate(rgb=np.full(3, 0.7), u=0.03, u_level=0.12, origin=WhiteOrigin.REFERENCE)
GUESSED = WhiteEstimate(rgb=np.full(3, 0.7), u=0.10, u_level=0.45, origin=WhiteOrigin.SCENE)
COPPER = film_colours([1.0]).linear_rgb[0]
BROWN = np.array([0.16, 0.085, 0.055])
"""Dull penny brown as a diffuse body (common practice, no source)."""


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


@dataclass(frozen=True)
class Drawn:
    """Linear light of a drawn scene, white on the table = 1, and the piece's pixels."""

    light: FloatArray
    mask: Mask

    def photo(self, white: FloatArray | float = 0.7) -> Photo:
        return photo_of(from_linear(np.clip(self.light * white, 0, 1)))


def cylinder(
    *,
    mirror: FloatArray | None = None,
    body: FloatArray | None = None,
    gloss: float = 0.0,
    table: float = 0.6,
    seed: int = 0,
    length: int = 200,
    width: int = 24,
) -> Drawn:
    """Return a lying cylinder: a metal mirror, a diffuse body, a clear coat's gloss.

    Light across it by the mirror law: a lamp, a sky above, the table below 45 degrees.
    ``mirror`` may be ``(3,)`` or ``(length, 3)``, one colour a column.
    """
    rng = np.random.default_rng(seed)
    u = (np.arange(width) + 0.5) / width * 2 - 1
    slope = np.arcsin(u)
    lamp = np.exp(-(((2 * slope - 0.5) / 0.35) ** 2))
    sharp = np.exp(-(((2 * slope - 0.5) / 0.3) ** 2))
    sky = 1 / (1 + np.exp((np.abs(2 * slope) - np.pi / 2) / 0.12))
    seen = 0.35 * sky + 1.1 * lamp + table * (1 - sky)
    facing = np.clip(np.cos(slope - 0.15), 0.1, 1)
    across = np.zeros((width, length, 3))
    if mirror is not None:
        across += seen[:, None, None] * np.broadcast_to(mirror, (length, 3))[None]
    if body is not None:
        across += facing[:, None, None] * np.broadcast_to(body, (length, 3))[None]
    across += gloss * (8.0 * sharp + 0.35 * sky)[:, None, None]
    light = np.full((width + 60, length + 60, 3), table)
    light *= 1 + 0.03 * rng.normal(size=light.shape[:2])[..., None]
    across = across * (
        1 + 0.04 * cv2.GaussianBlur(rng.normal(size=(width, length)), (0, 0), 2)[..., None]
    )
    light[30:-30, 30:-30] = across
    mask = np.zeros(light.shape[:2], bool)
    mask[30:-30, 30:-30] = True
    return Drawn(cv2.GaussianBlur(light, (0, 0), 0.7), mask)


def judge(drawn: Drawn, white: WhiteEstimate = KNOWN) -> FinishReading:
    return judge_finish(drawn.photo(), region_of(drawn.mask), white=white)


def dominant(reading: FinishReading) -> Finish:
    return max(reading.finish.shares, key=lambda f: reading.finish.shares[f])


# --- Real photos -----------------------------------------------------------------


def marked() -> list[dict[str, object]]:
    with (REAL / "labels.toml").open("rb") as file:
        rows: list[dict[str, object]] = tomllib.load(file)["surface"]
    return rows


def read_marked(row: dict[str, object]) -> tuple[Photo, Mask]:
    bgr = cv2.imread(str(REAL / str(row["photo"])))
    assert bgr is not None, row["photo"]
    points = np.round(np.array(row["points_px"])).astype(np.int32)
    mask = np.zeros(bgr.shape[:2], np.uint8)
    if row["shape"] == "disc":
        cv2.circle(mask, tuple(int(v) for v in points[0]), int(float(str(row["radius_px"]))), 1, -1)
    elif row["shape"] == "strip":
        cv2.polylines(mask, [points], False, 1, round(float(str(row["width_px"]))))
    else:
        cv2.fillPoly(mask, [points], 1)
    return photo_of(np.asarray(bgr[..., ::-1], np.uint8)), mask > 0


def read_real(row: dict[str, object]) -> FinishReading:
    photo, mask = read_marked(row)
    return judge_finish(photo, region_of(mask), white=estimate_white(photo))


def test_real_copper_plated_and_brass_coloured_coins_are_told_apart() -> None:
    """Euro 1, 2 and 5 cent (copper-plated) against 10, 20 and 50 cent (Nordic gold).

    No reference is in view, under six lights from warm to neutral. Known miss: one
    10 cent coin tarnished to dark bronze.
    """
    coins = [row for row in marked() if row["shape"] == "disc"]
    assert len(coins) == 22
    brass = {str(r["photo"]): read_real(r).brass.p for r in coins if r["class"] == "brass"}
    copper = {str(r["photo"]): read_real(r).brass.p for r in coins if r["class"] == "copper"}
    assert max(copper.values()) < 0.5, copper
    assert sum(p > 0.5 for p in brass.values()) >= len(brass) - 1, brass


def test_real_surfaces_are_mostly_named_right_and_rarely_taken_for_bright() -> None:
    """Hand-marked surfaces of real photos, no reference in any."""
    told: dict[tuple[str, str], int] = {}
    for row in marked():
        if row["shape"] == "disc":
            continue
        reading = read_real(row)
        name = "brass" if reading.brass.p > 0.5 else dominant(reading).value
        if reading.solder.p > 0.5 and reading.solder.share > 0.5:
            name = "tinned"
        key = (str(row["class"]), name)
        told[key] = told.get(key, 0) + 1

    def share(truth: str, *names: str) -> float:
        total = sum(n for (t, _), n in told.items() if t == truth)
        return sum(n for (t, name), n in told.items() if t == truth and name in names) / total

    assert share("tinned", "tinned") >= 0.8, told
    assert share("green", "green") == 1.0, told
    assert share("brass", "brass") >= 0.6, told
    # Known misses: fans of 0.15 mm strands on white paper, six of seven told coated.
    assert share("bright", "bright") >= 0.4, told
    # Amber enamel and orange oxide look alike; what matters for the grade is that
    # neither is called bright. Known miss: an enamelled lead 8 px wide.
    assert share("coated", "coated") >= 0.6, told
    assert share("coated", "bright") <= 1 / 18, told
    assert share("bright", "green", "tinned", "brass") == 0.0, told


# --- Drawn pieces ----------------------------------------------------------------


@pytest.mark.parametrize("table", [0.8, 0.3])
def test_fresh_copper_is_bright(table: float) -> None:
    reading = judge(cylinder(mirror=COPPER, table=table))
    assert dominant(reading) is Finish.BRIGHT
    assert reading.finish.shares[Finish.BRIGHT] > 0.8
    assert reading.finish.tarnish_level.value < 0.2
    assert reading.brass.p < 0.1
    assert reading.solder.p < 0.1


def test_penny_brown_is_tarnished() -> None:
    film = film_colours([22.0]).linear_rgb[0].clip(0.02, 1)
    reading = judge(cylinder(mirror=0.25 * film, body=0.75 * BROWN))
    assert dominant(reading) is Finish.TARNISHED
    assert 0.3 < reading.finish.tarnish_level.value < 0.9


@pytest.mark.parametrize("green", [[0.16, 0.40, 0.30], [0.30, 0.55, 0.48]])
def test_verdigris_is_green(green: list[float]) -> None:
    assert dominant(judge(cylinder(body=np.array(green)))) is Finish.GREEN


@pytest.mark.parametrize("body", [[0.05, 0.1, 0.5], [0.6, 0.45, 0.03], [0.45, 0.03, 0.03]])
def test_coloured_plastic_is_a_coat(body: list[float]) -> None:
    assert dominant(judge(cylinder(body=np.array(body), gloss=0.04))) is Finish.COATED


def test_tin_all_over_is_tinned_and_not_solder() -> None:
    reading = judge(cylinder(mirror=np.array([0.78, 0.77, 0.75])))
    assert dominant(reading) is Finish.TINNED
    assert reading.solder.p < 0.3


def test_tarnish_level_grows_with_tarnish() -> None:
    levels = []
    for nm, brown, depth in ((0, 0.0, 1.0), (11, 0.12, 1.0), (22, 0.65, 1.0), (30, 1.0, 0.3)):
        film = film_colours([float(nm)]).linear_rgb[0].clip(0.02, 1)
        base = film * (1 - brown) + depth * BROWN * brown
        metallic = 1 - 0.6 * brown
        drawn = cylinder(mirror=metallic * base, body=(1 - metallic) * base)
        levels.append(judge(drawn).finish.tarnish_level.value)
    assert levels == sorted(levels)
    assert levels[-1] - levels[0] > 0.4


def test_a_metals_highlight_keeps_its_colour_and_a_coats_does_not() -> None:
    """The dichromatic cue (Shafer; Healey 1989): same body colour, other highlight."""

    def highlight_change(drawn: Drawn) -> float:
        photo = drawn.photo(0.35)
        work = work_copy(photo.rgb, *region_args(drawn))
        features = pixel_features(work, np.full(3, 0.35))
        high = features[:, FEATURES.index("high_bg")].mean()
        low = features[:, FEATURES.index("low_bg")].mean()
        return float(high - low)

    metal = highlight_change(cylinder(mirror=np.array([0.8, 0.32, 0.12])))
    coat = highlight_change(cylinder(body=np.array([0.5, 0.2, 0.075]), gloss=0.05))
    assert abs(metal) < 0.2
    assert coat > metal + 0.15


def region_args(drawn: Drawn) -> tuple[Mask, tuple[int, int, int, int]]:
    region = region_of(drawn.mask)
    return region.mask, region.box_px


def test_a_brass_end_is_found_where_it_is() -> None:
    colours = np.repeat(COPPER[None], 200, axis=0)
    colours[:50] = metal_colour("cu70zn30").linear_rgb[0]
    reading = judge(cylinder(mirror=colours))
    assert reading.brass.p > 0.5
    assert reading.brass.share == pytest.approx(0.25, abs=0.07)
    x, _, w, _ = reading.brass_boxes_px[0]
    assert abs(x - 30) < 8
    assert abs(x + w - 80) < 8
    assert dominant(reading) is Finish.BRIGHT


def test_a_gold_film_that_fades_through_purple_is_not_brass() -> None:
    nm = 65 * np.exp(-(((np.arange(200) - 100) / 45.0) ** 2))
    film = cylinder(mirror=film_colours(nm).linear_rgb.clip(0.02, 1))
    assert judge(film).brass.p < 0.5
    assert judge(film).finish.shares[Finish.TINNED] < 0.3


# --- Relations -------------------------------------------------------------------

PIECES = {
    "bright": cylinder(mirror=COPPER),
    "green": cylinder(body=np.array([0.2, 0.45, 0.36])),
    "blue coat": cylinder(body=np.array([0.05, 0.1, 0.5]), gloss=0.04),
    "tin": cylinder(mirror=np.array([0.78, 0.77, 0.75])),
    "brown": cylinder(body=BROWN, gloss=0.005),
}


@pytest.mark.parametrize("name", PIECES)
@pytest.mark.parametrize("ev", [-0.7, 0.4])
def test_exposure_does_not_change_the_finish(name: str, ev: float) -> None:
    """Minus 0.7 and plus 0.4 EV about a white at 0.5; further up the lamp's mirror clips."""
    drawn = PIECES[name]

    def at(level: float) -> FinishReading:
        white = WhiteEstimate(
            rgb=np.full(3, level), u=0.03, u_level=0.12, origin=WhiteOrigin.REFERENCE
        )
        return judge_finish(drawn.photo(level), region_of(drawn.mask), white=white)

    there, here = at(0.5 * 2**ev), at(0.5)
    assert dominant(there) is dominant(here)
    best = dominant(here)
    assert abs(there.finish.shares[best] - here.finish.shares[best]) < 0.3


@pytest.mark.parametrize("name", PIECES)
@pytest.mark.parametrize("cast", [[1.15, 1.0, 0.8], [0.88, 1.0, 1.2]])
def test_a_known_cast_does_not_change_the_finish(name: str, cast: list[float]) -> None:
    drawn = PIECES[name]
    tinted = np.array(cast) * 0.6
    white = WhiteEstimate(rgb=tinted, u=0.03, u_level=0.12, origin=WhiteOrigin.REFERENCE)
    reading = judge_finish(drawn.photo(tinted), region_of(drawn.mask), white=white)
    assert dominant(reading) is dominant(judge(drawn))


@pytest.mark.parametrize("name", PIECES)
def test_turning_the_photo_changes_nothing(name: str) -> None:
    drawn = PIECES[name]
    turned = Drawn(np.rot90(drawn.light).copy(), np.rot90(drawn.mask).copy())
    here, there = judge(drawn), judge(turned)
    for finish in Finish:
        assert there.finish.shares[finish] == pytest.approx(here.finish.shares[finish], abs=0.05)


def test_more_doubt_about_the_white_never_makes_the_finish_surer() -> None:
    """Over the pieces together: one share may happen to be flat in the white."""
    sums = []
    for u in (0.03, 0.08, 0.15, 0.25):
        white = WhiteEstimate(rgb=np.full(3, 0.7), u=u, u_level=0.2, origin=WhiteOrigin.SCENE)
        sums.append(sum(sum(judge(d, white).finish.u.values()) for d in PIECES.values()))
    assert sums == sorted(sums)


# --- Honest doubt ----------------------------------------------------------------


@pytest.mark.parametrize("code", [2, 255])
def test_a_black_or_burnt_piece_gets_no_finish_but_a_note(code: int) -> None:
    rgb = np.full((80, 200, 3), 120, np.uint8)
    mask = np.zeros((80, 200), bool)
    mask[30:50, 20:180] = True
    rgb[mask] = code
    reading = judge_finish(photo_of(rgb), region_of(mask), white=KNOWN)
    assert reading.finish is None
    assert 0 < reading.brass.p < 0.5
    assert reading.notes


def test_a_mostly_clipped_piece_says_so() -> None:
    drawn = cylinder(mirror=COPPER)
    reading = judge_finish(drawn.photo(2.5), region_of(drawn.mask), white=KNOWN)
    assert any("too bright" in note for note in reading.notes)
    here = judge(drawn)
    assert sum(reading.finish.u.values()) > sum(here.finish.u.values())


def test_without_a_white_the_answer_comes_with_a_note_and_more_doubt() -> None:
    drawn = cylinder(mirror=COPPER)
    known, guessed = judge(drawn), judge(drawn, GUESSED)
    assert any("guess" in note for note in guessed.notes)
    assert not any("guess" in note for note in known.notes)
    assert sum(guessed.finish.u.values()) > sum(known.finish.u.values())


def test_shares_add_up_and_the_map_covers_the_piece() -> None:
    drawn = cylinder(mirror=COPPER)
    reading = judge(drawn)
    assert sum(reading.finish.shares.values()) == pytest.approx(1)
    x, y, w, h = reading.class_map_box_px
    assert (x, y) <= (30, 30)
    assert x + w >= 230
    assert y + h >= 54
    table = list(Surface).index(Surface.TABLE)
    inside = reading.class_map != table
    assert 0.4 < inside.mean() * w * h / drawn.mask.sum() < 1.1


def test_class_probabilities_are_probabilities() -> None:
    rng = np.random.default_rng(5)
    seen = class_probabilities(rng.normal(0, 3, (500, len(FEATURES))).astype(np.float32))
    assert np.allclose(seen.p.sum(axis=1), 1, atol=1e-5)
    for told in (seen.p, seen.level, seen.own):
        assert told.min() >= 0
        assert told.max() <= 1


def test_a_burnt_out_white_blob_at_a_joint_is_suspected_to_be_solder() -> None:
    """Copper's blue clips last: only grey metal burns out to white over a wide spot."""
    drawn = cylinder(mirror=COPPER)
    photo = drawn.photo(0.6)
    rows, columns = np.nonzero(drawn.mask)
    middle = (columns.min() + columns.max()) // 2
    half = (rows.max() - rows.min()) // 2
    burnt = photo.rgb.copy()
    blob = np.zeros_like(drawn.mask)
    blob[:, middle - half : middle + half] = True
    burnt[blob & drawn.mask] = 255
    region = region_of(drawn.mask)
    plain = judge_finish(photo, region, white=KNOWN)
    marked_white = judge_finish(photo_of(burnt), region, white=KNOWN)
    assert marked_white.solder.p > plain.solder.p + 0.3


# --- With a network's map ----------------------------------------------------------


def surface_of(
    drawn: Drawn,
    surface: Surface,
    *,
    where: slice = slice(None),
    level: float = 0.1,
    others: float = 0.01,
) -> SurfaceMap:
    """Return a map at half size that is sure of one surface, bright copper elsewhere."""
    h, w = (n // 2 for n in drawn.mask.shape)
    p = np.full((len(Surface), h, w), others, np.float32)
    rest = np.ones((h, w), bool)
    rest[:, where] = False
    p[list(Surface).index(surface)][~rest] = 1 - 9 * others
    p[list(Surface).index(Surface.BRIGHT)][rest] = 1 - 9 * others
    p /= p.sum(axis=0)
    return SurfaceMap(
        p=p,
        tarnish_level=np.full((h, w), level, np.float32),
        box_px=(0, 0, drawn.mask.shape[1], drawn.mask.shape[0]),
    )


def test_the_network_leads_where_it_is_sure() -> None:
    drawn = cylinder(mirror=COPPER)
    region = region_of(drawn.mask)
    seen = surface_of(drawn, Surface.COATED)
    reading = judge_finish(drawn.photo(), region, white=KNOWN, surface=seen)
    assert dominant(reading) is Finish.COATED
    agreed = judge_finish(
        drawn.photo(), region, white=KNOWN, surface=surface_of(drawn, Surface.BRIGHT)
    )
    assert agreed.finish.shares[Finish.BRIGHT] > reading.finish.shares[Finish.COATED]


def test_the_networks_solder_is_flagged_where_it_lies() -> None:
    colours = np.repeat(COPPER[None], 200, axis=0)
    colours[90:120] = np.array([0.72, 0.71, 0.70])
    drawn = cylinder(mirror=colours)
    seen = surface_of(drawn, Surface.SOLDER, where=slice(60, 75))
    reading = judge_finish(drawn.photo(), region_of(drawn.mask), white=KNOWN, surface=seen)
    assert reading.solder.p > 0.8
    x, _, w, _ = reading.solder_boxes_px[0]
    assert 105 < x + w / 2 < 165


def test_physics_can_turn_an_unsure_network_and_not_a_sure_one() -> None:
    """About even odds between bright and coated: the colour of fresh copper decides."""
    drawn = cylinder(mirror=COPPER)
    region = region_of(drawn.mask)
    order = list(Surface)

    def told(coated: float) -> Finish:
        seen = surface_of(drawn, Surface.BRIGHT)
        p = np.full_like(seen.p, 0.002)
        p[order.index(Surface.COATED)], p[order.index(Surface.BRIGHT)] = coated, 1 - coated
        seen = replace(seen, p=p / p.sum(axis=0))
        return dominant(judge_finish(drawn.photo(), region, white=KNOWN, surface=seen))

    assert told(0.52) is Finish.BRIGHT
    assert told(0.998) is Finish.COATED


@pytest.mark.parametrize("strangeness", [0.2, 1.6])
def test_physics_judges_alone_what_the_network_takes_for_no_piece_or_does_not_know(
    strangeness: float,
) -> None:
    """A coin is a reference to the network; its sure words on strange things are no words."""
    drawn = cylinder(mirror=COPPER)
    named = Surface.REFERENCE if strangeness < 1 else Surface.COATED
    seen = surface_of(drawn, named)
    seen = replace(seen, strangeness=np.full_like(seen.tarnish_level, strangeness))
    evidence = gather_evidence(drawn.photo(), region_of(drawn.mask), white=KNOWN, surface=seen)
    assert evidence is not None
    assert evidence.trust() < 0.2
    # The network's share of the word is what trust says it is, so this is nearly physics.
    both = mixed(evidence, Mix(network=0.7, physics=0.6))[evidence.work.mask]
    assert np.abs(both - evidence.physics[evidence.work.mask]).mean() < 0.05


def test_an_unfamiliar_surface_never_gets_a_sure_grade() -> None:
    """End to end: a finish that would be a sure bare bright, on a map that is strange."""
    drawn = cylinder(mirror=COPPER)
    region = region_of(drawn.mask)
    wire = Measurement.normal(3.0, 0.02, Unit.MILLIMETRE)

    def graded(strangeness: float) -> tuple[FinishReading, Grading]:
        seen = surface_of(drawn, Surface.BRIGHT, others=0.003)
        level = np.zeros_like(seen.tarnish_level)
        strange = np.full_like(level, strangeness)
        seen = replace(seen, strangeness=strange, tarnish_level=level)
        reading = judge_finish(drawn.photo(), region, white=KNOWN, surface=seen)
        findings = Findings(
            form=FormFinding.of(Form.WIRE),
            finish=reading.finish,
            brass=reading.brass,
            solder=reading.solder,
            diameter=wire,
            strand_diameter=wire,
        )
        return reading, grade(findings, load_sheet("house"))

    usual, strange = graded(0.3), graded(1.5)
    assert usual[1].suggested == "bare_bright"
    assert not usual[1].borderline
    assert strange[1].borderline
    assert strange[1].settle
    assert any("unlike any" in note for note in strange[0].notes)
    assert not any("unlike any" in note for note in usual[0].notes)


def test_the_less_the_network_knows_a_piece_the_more_physics_says_of_brass() -> None:
    """Brass by colour, bright copper by a network that knows such surfaces less and less."""
    drawn = cylinder(mirror=metal_colour("cu70zn30").linear_rgb[0], length=80)
    seen = surface_of(drawn, Surface.BRIGHT)
    told = []
    for strangeness in (0.2, 0.95, 1.05, 1.6):
        strange = replace(seen, strangeness=np.full_like(seen.tarnish_level, strangeness))
        reading = judge_finish(drawn.photo(), region_of(drawn.mask), white=KNOWN, surface=strange)
        told.append(reading.brass.p)
        assert bool(reading.brass_boxes_px) == (reading.brass.p >= 0.5)
    assert told == sorted(told)
    assert told[0] < 0.2
    assert told[-1] > 0.5


def test_a_piece_of_another_metal_is_told_to_be_tried_with_magnet_and_file() -> None:
    drawn = cylinder(mirror=np.array([0.55, 0.55, 0.56]))
    region = region_of(drawn.mask)
    steel, tin = (
        judge_finish(drawn.photo(), region, white=KNOWN, surface=surface_of(drawn, what))
        for what in (Surface.OTHER_METAL, Surface.TINNED)
    )
    assert any("magnet" in note for note in steel.notes)
    assert not any("magnet" in note for note in tin.notes)


def test_codes_and_light_round_trip_in_the_drawings() -> None:
    """The drawings write codes as the photo would; a wrong curve would bend every test."""
    light = np.linspace(0, 1, 50)[None, :, None].repeat(3, axis=2)
    assert np.abs(to_linear(from_linear(light)) - light).max() < 0.005


@pytest.mark.parametrize("seed", range(12))
def test_any_pixels_under_any_mask_get_a_whole_answer(seed: int) -> None:
    rng = np.random.default_rng(seed)
    height, width = (int(n) for n in rng.integers(40, 400, 2))
    rgb = rng.integers(0, 256, (height, width, 3), dtype=np.uint8)
    canvas = np.zeros((height, width), np.uint8)
    for _ in range(int(rng.integers(1, 4))):
        start, end = ((int(rng.integers(0, width)), int(rng.integers(0, height))) for _ in range(2))
        cv2.line(canvas, start, end, 1, int(rng.integers(1, 50)))
    reading = judge_finish(photo_of(rgb), region_of(canvas > 0), white=GUESSED)
    assert reading.finish is not None
    assert sum(reading.finish.shares.values()) == pytest.approx(1, abs=1e-3)
    for x, y, w, h in (*reading.brass_boxes_px, *reading.solder_boxes_px):
        assert x >= 0
        assert y >= 0
        assert x + w <= width
        assert y + h <= height
