"""Windows of straightened strips, how looks at them are joined, and what is refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import lognorm

from rules.errors import ContractError, InstallError
from tests.vision.drawn_lay import drawn_lay, mean_silhouette, strand_from_bundle
from vision.photo.loading import load_photo_file
from vision.types import Photo, Region
from vision.width.network import StripNetwork, shipped
from vision.width.strand.strands import (
    StraightStrip,
    along_axis,
    from_close_by,
    look_at_strip,
)
from vision.width.strand.strip_look import (
    ACROSS_PX,
    ALONG_PX,
    BINS,
    JOINING,
    LOOKS,
    MOST_LOG,
    MOST_WINDOWS,
    SPAN_WIDTHS,
    WOUND,
    StripLook,
    StripModel,
    bin_middles,
    joined,
    load_strip_model,
    look_at,
    strip_model_of,
    windows_of,
)

FIXTURES = Path(__file__).parents[4] / "fixtures"


def look_with(share_p: np.ndarray | None = None, **p: float) -> StripLook:
    rest = (1 - sum(p.values())) / max(len(LOOKS) - len(p), 1)
    return StripLook(
        p=np.array([p.get(name, rest) for name in LOOKS]),
        share_p=np.full(BINS, 1 / BINS) if share_p is None else share_p,
    )


def peak_at(share: float, *, u_log: float) -> np.ndarray:
    raised = np.exp(-0.5 * ((bin_middles() - np.log(share)) / u_log) ** 2)
    return np.asarray(raised / raised.sum())


def model_of(looks: np.ndarray, shares: np.ndarray, **changed: float) -> StripModel:
    """A network that says the same of every window."""
    joining = dict.fromkeys(JOINING, 1.0) | changed
    return StripModel(
        network=lambda light, _: (
            np.repeat(looks[None], len(light), axis=0),
            np.repeat(shares[None], len(light), axis=0),
        ),
        prior=np.full(len(LOOKS), 1 / len(LOOKS)),
        **joining,
    )


@pytest.mark.parametrize("width_px", [24.0, 60.0, 110.0])
def test_a_window_shows_the_piece_at_one_width_whatever_its_own(width_px: float) -> None:
    across = np.arange(int(width_px * 1.2) | 1)
    across = across - across.mean()
    light = 0.8 - 0.7 * np.clip(width_px / 2 + 0.5 - np.abs(across), 0, 1)
    strip = np.repeat(np.repeat(light[None, :, None], int(9 * width_px), 0), 3, 2)
    seen = windows_of(strip.astype(np.float32), width_px=width_px, step_px=0.4)
    assert seen.light.shape[1:] == (ALONG_PX, ACROSS_PX, 3)
    dark = (np.exp(seen.light[0, :, :, 0] - seen.light[0].max()) < 0.56).sum(axis=1)  # 0.45 of 0.8
    assert np.median(dark) == pytest.approx(ACROSS_PX / SPAN_WIDTHS, abs=2.5)
    # One pixel of the window is this many of the photo: by the definition of the window.
    assert 2**seen.log_step == pytest.approx(0.4 * width_px * SPAN_WIDTHS / ACROSS_PX)


@pytest.mark.parametrize("layers", [1, 2, 3])
def test_grooves_keep_their_share_of_the_width(layers: int) -> None:
    """Distance of grooves at the middle of a concentric lay: 2 r sin(pi / 6k), by geometry."""
    width = 60 * mean_silhouette(layers)
    strip = drawn_lay(layers, diameter_px=60, lay_ratio=12, seed=4)
    light = np.clip(strip, 0.001, None)[..., None].repeat(3, 2).astype(np.float32)
    seen = windows_of(light, width_px=width, step_px=1.0)
    rows = seen.light[0, :, 16:48, 1] - seen.light[0, :, 16:48, 1].mean(axis=1, keepdims=True)
    power = (np.abs(np.fft.rfft(rows * np.hanning(32), n=512, axis=1)) ** 2).mean(axis=0)
    pitch = 512 / (np.argmax(power[20:]) + 20)
    strand_px = strand_from_bundle(layers) * ACROSS_PX / SPAN_WIDTHS
    assert pitch == pytest.approx(strand_px, rel=0.25)


@pytest.mark.parametrize(("layers", "lay_ratio"), [(1, 10.0), (1, 14.0), (2, 10.0), (2, 14.0)])
def test_the_network_holds_the_true_share_of_a_drawn_lay_for_likely(
    layers: int, lay_ratio: float
) -> None:
    """Seven wires and nineteen, lays of 8 to 16 diameters (ASTM B8, from memory)."""
    strip = drawn_lay(layers, diameter_px=60, lay_ratio=lay_ratio, seed=4)
    light = np.clip(strip, 0.001, None)[..., None] * np.array([0.9, 0.6, 0.5], np.float32)
    width = 60 * mean_silhouette(layers)
    look = look_at(load_strip_model(), windows_of(light, width_px=width, step_px=1.0))
    assert look.groove_p > 0.9
    assert look.share_at(0.005) < strand_from_bundle(layers) < look.share_at(0.995)
    other = strand_from_bundle(3 - layers)
    assert not look.share_at(0.05) < other < look.share_at(0.95), "seven are told from nineteen"


def test_light_is_about_its_mean_and_darker_photos_look_alike() -> None:
    strip = np.clip(drawn_lay(1, diameter_px=40, lay_ratio=12, seed=1), 0.02, None)
    light = strip[..., None].repeat(3, 2).astype(np.float32)
    bright, dark = (windows_of(light * gain, width_px=40, step_px=1.0).light for gain in (1.0, 0.2))
    assert np.allclose(bright, dark, atol=1e-4)
    inner = bright[:, :, 11:53]
    assert abs(float(inner.mean())) < 0.02


def test_a_short_piece_is_one_window_with_nothing_beyond_its_ends() -> None:
    light = np.full((120, 61, 3), 0.5, np.float32) * np.linspace(0.5, 1.5, 61)[None, :, None]
    seen = windows_of(light.astype(np.float32), width_px=50, step_px=1.0)
    assert len(seen.light) == 1
    rows = np.flatnonzero(np.abs(seen.light[0]).max(axis=(1, 2)) > 0)
    assert len(rows) == pytest.approx(120 * ACROSS_PX / (SPAN_WIDTHS * 50), abs=2)
    assert seen.middles[0] == pytest.approx(60, abs=1)


def test_windows_that_agree_make_surer_by_the_power_they_count_with() -> None:
    one = np.log(np.array([[0.6, 0.4]]))
    alone = joined(one, temperature=1.0, power=0.5)
    assert alone == pytest.approx([0.6, 0.4])
    four = one.repeat(4, axis=0)
    assert joined(four, temperature=1.0, power=0.0) == pytest.approx([0.6, 0.4])
    odds = joined(four, temperature=1.0, power=1.0)
    assert odds[0] / odds[1] == pytest.approx(1.5**4)  # Bayes, four independent looks
    half = joined(four, temperature=1.0, power=0.5)
    assert half[0] / half[1] == pytest.approx(1.5**2)


def test_what_was_learned_more_often_is_no_likelier_for_that() -> None:
    prior = np.array([0.5, 0.1, 0.1, 0.1, 0.1, 0.1])
    model = model_of(np.log(prior), np.full(BINS, -np.log(BINS)))
    model = StripModel(network=model.network, prior=prior, **dict.fromkeys(JOINING, 1.0))
    seen = windows_of(np.ones((400, 61, 3), np.float32), width_px=50, step_px=1.0)
    assert look_at(model, seen).p == pytest.approx(np.full(len(LOOKS), 1 / len(LOOKS)))


def test_two_peaks_stay_two_peaks() -> None:
    both = 0.6 * peak_at(1 / 3, u_log=0.03) + 0.4 * peak_at(1 / 5, u_log=0.03)
    look = look_with(both, stranded=0.9)
    assert look.share_at(0.5) == pytest.approx(1 / 3, rel=0.06)
    assert look.share_at(0.025) < 0.21
    assert look.u_log_share == pytest.approx(0.25, abs=0.03)  # two points 0.51 apart


def test_a_jacket_says_nothing_of_what_is_in_it() -> None:
    assert look_with(jacket=1.0).groove_p == pytest.approx(0.5)
    assert look_with(stranded=0.98).groove_p > 0.95
    assert look_with(solid=0.98).groove_p < 0.05


def test_a_network_of_another_shape_is_refused() -> None:
    model = model_of(np.zeros(len(LOOKS) + 1), np.zeros(BINS))
    seen = windows_of(np.ones((400, 61, 3), np.float32), width_px=50, step_px=1.0)
    with pytest.raises(ContractError, match="looks of"):
        look_at(model, seen)


def described_as(**changed: object) -> StripNetwork:
    told = {
        "looks": list(LOOKS),
        "joining": dict.fromkeys(JOINING, 1.0),
        "prior": dict.fromkeys(LOOKS, 0.1),
    } | changed
    return replace(shipped(), metadata=told)


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"looks": ["solid"]}, "other looks"),
        ({"joining": dict.fromkeys(JOINING, 1.0) | {"share_power": "a"}}, "share_power"),
        ({"prior": dict.fromkeys(LOOKS, 0.1) | {"solid": -1}}, r"prior\.solid"),
    ],
)
def test_a_description_that_does_not_fit_is_refused_with_why(
    changed: dict[str, object], why: str
) -> None:
    with pytest.raises(InstallError, match=why) as raised:
        strip_model_of(described_as(**changed))
    assert raised.value.where == "models/strip.toml"


@pytest.mark.parametrize("quantile", [0.025, 0.5, 0.9])
def test_quantiles_are_those_of_a_log_normal_share(quantile: float) -> None:
    # scipy.stats.lognorm, an independent implementation; a histogram has steps of 3.2 %.
    look = look_with(peak_at(0.15, u_log=0.2))
    expected = lognorm.ppf(quantile, s=0.2, scale=0.15)
    assert look.share_at(quantile) == pytest.approx(expected, rel=0.02)
    assert look.u_log_share == pytest.approx(0.2, rel=0.02)


def test_a_range_holds_what_the_log_normal_holds_there() -> None:
    look = look_with(peak_at(0.15, u_log=0.2))
    expected = np.diff(lognorm.cdf([0.12, 0.2], s=0.2, scale=0.15))[0]
    assert look.share_within(0.12, 0.2) == pytest.approx(expected, abs=0.06)
    assert look.share_within(1e-6, 1.0) == pytest.approx(1.0)


def test_grooves_count_against_wire_and_tube_as_bayes_has_it() -> None:
    # Stranded against bare others at even odds, by hand: 0.3 / (0.3 + (0.2 + 0.2) / 2) = 0.6;
    # a tenth of a jacket leaves a toss-up: 0.9 * 0.6 + 0.1 * 0.5 = 0.59.
    look = look_with(stranded=0.3, solid=0.2, tube=0.2, jacket=0.1, wound=0.1, other=0.1)
    assert look.groove_p == pytest.approx(0.59)


@given(st.integers(5, 3000), st.floats(4.0, 200.0), st.floats(1.0, 8.0))
def test_any_strip_gives_windows_that_the_network_takes(
    rows: int, width_px: float, step_px: float
) -> None:
    light = np.full((rows, int(1.2 * width_px) | 1, 3), 0.4, np.float32)
    seen = windows_of(light, width_px=width_px, step_px=step_px)
    assert 1 <= len(seen.light) <= MOST_WINDOWS
    assert seen.light.shape[1:] == (ALONG_PX, ACROSS_PX, 3)
    assert np.isfinite(seen.light).all() and np.abs(seen.light).max() <= MOST_LOG
    assert ((seen.middles >= 0) & (seen.middles <= rows)).all()
    assert (np.diff(seen.middles) > 0).all()


def test_windows_spread_evenly_over_a_long_piece() -> None:
    seen = windows_of(np.ones((4000, 61, 3), np.float32), width_px=50, step_px=1.0)
    assert len(seen.light) == MOST_WINDOWS
    apart = np.diff(seen.middles)
    assert np.ptp(apart) <= 2
    assert seen.middles[0] + seen.middles[-1] == pytest.approx(4000, abs=2)


def test_the_network_is_told_how_coarse_the_pixels_are() -> None:
    # By geometry: a strip of 53 1/3 px a width of the piece is told at its own size.
    size = ACROSS_PX / SPAN_WIDTHS
    light = np.ones((200, 65, 3), np.float32)
    for step_px, told in ((1.0, 0.0), (2.0, 1.0), (0.25, -2.0)):
        seen = windows_of(light, width_px=size, step_px=step_px)
        assert seen.log_step == pytest.approx(told)


def test_close_windows_tell_turns_from_all_else_and_nothing_more() -> None:
    """By Bayes' rule with one binary question for a close look, worked by hand."""
    whole, near = np.full(len(LOOKS), 0.02), np.full(len(LOOKS), 0.02)
    whole[LOOKS.index("tube")], near[LOOKS.index("other")] = 0.90, 0.50
    near[WOUND] = 0.42

    def network(light: np.ndarray, _: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        rows = [near if one.any() else whole for one in light]
        return np.log(rows), np.full((len(light), BINS), -np.log(BINS))

    model = replace(model_of(whole, whole, look_power=0.0), network=network)
    seen = windows_of(np.ones((400, 61, 3), np.float32), width_px=50, step_px=1.0)
    close = replace(seen, light=seen.light[:1] + 1.0)
    seen = replace(seen, light=seen.light[:1] * 0.0)
    alone, both = look_at(model, seen), look_at(model, seen, close)
    assert alone.of("wound") == pytest.approx(0.02)
    odds = np.sqrt(0.02 / 0.98 * 0.42 / 0.58)  # the mean of both logits
    assert both.of("wound") == pytest.approx(odds / (1 + odds))
    assert both.of("tube") / both.of("other") == pytest.approx(0.90 / 0.02)
    assert both.p.sum() == pytest.approx(1.0)
    # Of what is surely turns nothing is left to share out.
    near[:], whole[:] = 1e-30, 1e-30
    near[WOUND] = whole[WOUND] = 1.0
    surely = look_at(replace(model, look_power=1.0), seen, close)
    assert surely.of("wound") == pytest.approx(1.0)
    assert np.isfinite(surely.p).all()


def test_fine_turns_on_a_former_are_seen_from_close_by_alone() -> None:
    """A rendered winding, 91 turns of 0.354 mm side by side: exact, by construction."""
    photo = load_photo_file(FIXTURES / "closeups" / "winding_on_a_former.jpg")
    corners = np.array([[120, 80], [500, 192], [465, 300], [75, 180]])
    x, y, w, h = cv2.boundingRect(corners)
    mask = cv2.fillPoly(np.zeros((h, w), np.uint8), [corners - (x, y)], (1,)) > 0
    outline = corners.astype(float)
    strip = along_axis(photo, Region(box_px=(x, y, w, h), mask=mask, outline_px=outline, score=1.0))
    whole = windows_of(strip.light, width_px=strip.width_px, step_px=strip.step_px)
    turn_px = np.hypot(*(corners[1] - corners[0])) / 91
    assert turn_px < 2.5 * SPAN_WIDTHS * strip.width_px * strip.step_px / ACROSS_PX
    assert look_at(load_strip_model(), whole).of("wound") < 0.5
    assert look_at_strip(photo, strip).of("wound") > 0.9


def test_a_narrow_piece_is_not_looked_at_twice() -> None:
    photo = Photo(name="", sha256="", rgb=np.full((400, 400, 3), 120, np.uint8))
    points = np.column_stack([np.arange(50.0, 350.0), np.full(300, 200.0)])

    def close_of(width_px: float) -> StraightStrip | None:
        strip = StraightStrip(
            light=np.ones((300, 9, 3), np.float32),
            width_px=width_px,
            step_px=1.0,
            points_px=points,
            normals=np.tile([0.0, 1.0], (300, 1)),
        )
        return from_close_by(photo, strip)

    assert close_of(60.0) is None
    close = close_of(200.0)
    assert close is not None
    # A window's pixel is one of the photo: the fewest that show the finest turns.
    seen = windows_of(close.light, width_px=close.width_px, step_px=close.step_px)
    assert seen.log_step == pytest.approx(0.0, abs=0.02)
