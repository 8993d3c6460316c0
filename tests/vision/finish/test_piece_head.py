"""What the head's numbers mean: worked out by hand beside each check.

Log-odds and logits by their definition; the variance of a Beta distribution by any textbook,
``m (1 - m) / (a + b + 1)``.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from hashlib import sha256
from math import exp, log
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from rules.base_rates import on_bench, shipped_rates
from rules.errors import ContractError, InstallError
from rules.findings import ON_THE_PIECE, Findings, Form, FormFinding, What
from tests.vision.drawn_head import LEARNED, head_of
from vision.finish.piece_head import (
    SURE_LOGIT,
    PieceTold,
    RawAnswers,
    read_piece_model,
    tell_piece,
    unseen,
)
from vision.types import Float32Array

TINY = Path(__file__).parents[1] / "data" / "pooling.onnx"
FEATURES = np.zeros((3, 4, 6), np.float32)
COVER = np.ones((4, 6), np.float32)


def told(**said: Any) -> PieceTold:
    return tell_piece(head_of(**said), FEATURES, COVER)


def test_presence_is_its_log_odds_with_the_rates_it_was_learned_with() -> None:
    seen = told(presence={What.COATING: log(3), What.TIN: 0.0}).seen
    assert seen[What.COATING].p == pytest.approx(0.75)  # odds of 3 : 1
    assert seen[What.TIN].p == pytest.approx(0.5)
    assert seen[What.COATING].learned == LEARNED[What.COATING]
    assert set(seen) == set(What)


def test_a_share_is_the_mean_of_a_beta_distribution_and_its_spread() -> None:
    # Mean 0.5, kappa 3: variance 0.5 * 0.5 / 4 = 1/16.
    flag = told(share={What.GREEN: (0.0, log(3))}).seen[What.GREEN]
    assert flag.share == pytest.approx(0.5)
    assert flag.u_share == pytest.approx(0.25)


def test_no_presence_is_told_surer_than_the_calibration_bears_out() -> None:
    seen = told(presence={What.BRASS: 80.0, What.SOLDER: -80.0}).seen
    assert seen[What.BRASS].p == pytest.approx(1 / (1 + exp(-SURE_LOGIT)))
    assert seen[What.SOLDER].p == pytest.approx(1 / (1 + exp(SURE_LOGIT)))


def test_what_makes_it_no_copper_is_said_of_the_whole_piece() -> None:
    seen = told().seen
    for what in set(What) - set(ON_THE_PIECE):
        assert (seen[what].share, seen[what].u_share) == (1.0, 0.0)


def test_form_and_level_are_told_as_they_come() -> None:
    found = told(form={Form.TUBE: log(2), Form.WIRE: log(2)}, tarnish=(0.3, log(0.1)))
    # e^0 : 2 among five forms of which two count double: 2 of 2 + 2 + 3 * 1.
    assert found.form.p[Form.TUBE] == pytest.approx(2 / 7)
    assert not found.form.stated
    assert found.tarnish.value == pytest.approx(0.3)
    assert found.tarnish.u == pytest.approx(0.1)
    assert (found.tarnish.low95, found.tarnish.high95) == pytest.approx((0.104, 0.496))


def test_the_shine_is_least_sure_where_half_of_it_shines() -> None:
    half = told(shine=0.0)
    assert (half.shine, half.u_shine) == pytest.approx((0.5, 0.5))
    assert told(shine=log(9)).u_shine == pytest.approx(0.3)  # sqrt(0.9 * 0.1)


def test_spreads_are_told_as_the_calibration_found_them(folder: Path) -> None:
    model = replace(
        head_of(share={What.GREEN: (0.0, log(6))}, tarnish=(0.3, log(0.1))),
        u_tarnish_scale=1.5,
        kappa_scale=0.5,
    )
    found = tell_piece(model, FEATURES, COVER)
    assert found.tarnish.u == pytest.approx(0.15)
    assert found.seen[What.GREEN].u_share == pytest.approx(0.25)  # kappa 6 counts as 3
    read = read_piece_model(description(), folder=folder)
    assert (read.strangeness_limit, read.u_tarnish_scale, read.kappa_scale) == (2.0, 1.5, 0.5)


def test_at_the_limit_a_piece_is_as_strange_as_familiar() -> None:
    assert told(strangeness=2.0, limit=2.0).familiarity == pytest.approx(0.5)
    values = [told(strangeness=s).familiarity for s in (0.0, 0.5, 1.0, 2.0, 50.0)]
    assert values == sorted(values, reverse=True)
    assert values[0] == 1.0


def test_a_piece_outside_of_the_map_is_refused() -> None:
    with pytest.raises(ContractError, match="outside"):
        tell_piece(head_of(), FEATURES, np.zeros_like(COVER))


def test_what_cannot_be_seen_is_what_the_bench_makes_likely() -> None:
    flags: dict[str, Any] = {str(what): flag for what, flag in unseen().items()}
    blind = Findings(form=FormFinding.of(Form.TUBE), finish=None, **flags)
    rates = shipped_rates().there[None][Form.TUBE]
    for what in What:
        assert on_bench(blind).p_of(what) == pytest.approx(rates[what], abs=0.002)


@given(
    numbers=arrays.arrays(np.float32, 8 + 12 + 5 + 2 + 1 + 1, elements=st.floats(-30, 30, width=32))
)
def test_whatever_comes_out_of_it_findings_can_be_made_of_it(numbers: np.ndarray) -> None:
    parts = np.split(numbers, np.cumsum([8, 12, 5, 2, 1]))
    raw = RawAnswers(
        presence=parts[0][None],
        share=parts[1].reshape(1, 6, 2),
        form=parts[2][None],
        tarnish=np.clip(parts[3], -5, 1)[None],
        shine=parts[4],
        strangeness=np.abs(parts[5]),
    )
    found = tell_piece(head_of(raw=raw), FEATURES, COVER)
    flags: dict[str, Any] = {str(what): flag for what, flag in found.seen.items()}
    Findings(form=found.form, finish=None, familiarity=found.familiarity, **flags)


# -- the file ------------------------------------------------------------------------------


def description() -> dict[str, Any]:
    rates = {str(form): {str(what): 0.2 for what in What} for form in Form}
    rates["form"] = {str(form): 0.2 for form in Form}
    piece = {
        "file": "piece.onnx",
        "sha256": sha256(TINY.read_bytes()).hexdigest(),
    }
    calibration = {"strangeness_limit": 2.0, "u_tarnish_scale": 1.5, "kappa_scale": 0.5}
    return {"piece": piece, "learned_rates": rates, "piece_calibration": calibration}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copy(TINY, tmp_path / "piece.onnx")
    return tmp_path


def test_a_head_from_a_file_pools_over_the_piece_alone(folder: Path) -> None:
    model = read_piece_model(description(), folder=folder)
    features = np.zeros((3, 4, 6), np.float32)
    features[0, :, :3] = 255.0  # red on the left half
    left = np.zeros((4, 6), np.float32)
    left[:, :3] = 1.0
    # The file's own presence of coating is four times the mean red: log-odds 4, or 0.
    assert tell_piece(model, features, left).seen[What.COATING].p == pytest.approx(
        1 / (1 + exp(-4))
    )
    assert tell_piece(model, features, 1 - left).seen[What.COATING].p == pytest.approx(0.5)
    # Half a cell counts half: mean red 0.5 / 1.5 of it.
    edge = left.copy()
    edge[:, :3] *= 0.5
    edge[:, 3:] = 1.0
    assert tell_piece(model, features, edge).seen[What.COATING].p == pytest.approx(
        1 / (1 + exp(-4 / 3))
    )


@pytest.mark.parametrize(
    ("table", "key", "value"),
    [
        ("piece_calibration", "strangeness_limit", 0.0),
        ("piece_calibration", "kappa_scale", "much"),
        ("learned_rates", "form", {}),
        ("learned_rates", "tube", {str(what): 1.0 for what in What}),
        ("learned_rates", "tube", {str(what): 0 for what in What}),
    ],
)
def test_a_description_that_lacks_something_is_refused(
    folder: Path, table: str, key: str, value: object
) -> None:
    said = description()
    said[table][key] = value
    with pytest.raises(InstallError, match="does not say all of the head") as raised:
        read_piece_model(said, folder=folder)
    assert raised.value.where == "models/surface.toml"


def test_a_form_that_taught_nothing_of_a_thing_takes_the_rate_of_all_forms(folder: Path) -> None:
    # Never on four forms of a fifth each, on half of the last: 0.2 * 0.5 = 0.1 of all.
    said = description()
    for form in Form:
        said["learned_rates"][form]["brass"] = 0.5 if form is Form.OTHER else 0.00001
    learned = read_piece_model(said, folder=folder).learned[What.BRASS]
    assert learned[Form.WIRE] == pytest.approx(0.1, abs=1e-4)
    assert learned[Form.OTHER] == 0.5


def test_a_missing_head_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InstallError, match="is missing"):
        read_piece_model(description(), folder=tmp_path)
    with pytest.raises(InstallError, match="does not say"):
        read_piece_model({}, folder=tmp_path)


def test_the_head_is_shown_no_more_than_the_cells_around_the_piece() -> None:
    """By construction: a piece of 3 x 5 cells on a map of 12 x 16."""
    shown: list[tuple[int, ...]] = []

    def head(features: Float32Array, cover: Float32Array) -> RawAnswers:
        shown.extend((features.shape, cover.shape))
        return head_of().head(features, cover)

    cover = np.zeros((12, 16), np.float32)
    cover[4:7, 8:13] = 0.5
    tell_piece(replace(head_of(), head=head), np.zeros((2, 12, 16), np.float32), cover)
    assert shown == [(2, 3, 5), (1, 3, 5)]
