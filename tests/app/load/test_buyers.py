"""A buyer's own rules change what they see, and nothing else."""

from __future__ import annotations

from decimal import Decimal

import pytest

from app.load.buyers import Buyer, OwnLimit, Stance, seen_by, sheet_of
from app.load.units import LoadError
from rules.errors import RuleFileError
from rules.findings import Form
from rules.sheet import load_sheet
from rules.table import AtLimit
from tests.app.load.loads import graded_by
from tests.rules.pieces import DULL, mm, piece, tube


def buyer(**said: object) -> Buyer:
    return Buyer(name='Yard "A" \\ 1', currency="USD", **said)  # type: ignore[arg-type]


def test_without_own_limits_the_sheet_is_the_shipped_one() -> None:
    assert sheet_of(buyer()) is load_sheet("house")
    assert sheet_of(buyer(sheet="circular-2017")).name == "circular-2017"


def test_an_own_gauge_limit_moves_a_thin_wire() -> None:
    wire = piece(Form.WIRE, diameter=mm(1.2, 0.005))
    assert graded_by(buyer(), wire).suggested == "no2"
    lenient = buyer(limits={"strand": OwnLimit(value=1.0)})
    assert graded_by(lenient, wire).suggested == "bare_bright"
    assert sheet_of(lenient).limits["strand"].value == 1.0
    assert sheet_of(lenient).limits["green"] == load_sheet("house").limits["green"]


def test_more_than_instead_of_at_least_on_the_limit() -> None:
    # A wire of exactly the limit, no doubt left: passes at 'at least', fails at 'more than'.
    wire = piece(Form.WIRE, diameter=mm(1.291, 0.0))
    assert graded_by(buyer(), wire).suggested == "bare_bright"
    strict = buyer(limits={"strand": OwnLimit(at_limit=AtLimit.FAILS)})
    assert sheet_of(strict).limits["strand"].value == 1.291
    assert graded_by(strict, wire).suggested == "no2"


def test_an_own_tarnish_cut_off() -> None:
    dull = tube(shares=DULL, level=0.65, u_level=0.01)
    assert graded_by(buyer(), dull).suggested == "no1"
    strict = buyer(limits={"no1_tarnish": OwnLimit(value=0.55)})
    assert graded_by(strict, dull).suggested == "no2"


def test_solder_and_brass_that_are_let_pass_are_not_seen() -> None:
    soldered, brassy = tube(solder=1.0), tube(brass=1.0)
    assert graded_by(buyer(), soldered).suggested == "no2"
    assert graded_by(buyer(solder=Stance.PASSES), soldered).suggested == "no1"
    assert graded_by(buyer(solder=Stance.PASSES), brassy).suggested == "no2"
    assert graded_by(buyer(fittings=Stance.PASSES), brassy).suggested == "no1"
    assert seen_by(buyer(), soldered) == soldered


def test_limits_that_make_no_sense_are_refused() -> None:
    with pytest.raises(LoadError, match="no limit"):
        sheet_of(buyer(limits={"colour": OwnLimit(value=1.0)}))
    with pytest.raises(RuleFileError):
        sheet_of(buyer(limits={"green": OwnLimit(value=1.5)}))
    for sheet in ("nowhere", "../rules/sheets/house.toml", "/etc/passwd"):
        with pytest.raises(LoadError, match="no rule sheet"):
            sheet_of(buyer(sheet=sheet))


@pytest.mark.parametrize(
    "said",
    [
        {"name": " ", "currency": "USD"},
        {"name": "A", "currency": "Dollar"},
        {"name": "A", "currency": "USD", "deduction": Decimal(1)},
        {"name": "A", "currency": "USD", "travel": Decimal(-1)},
        {"name": "A", "currency": "USD", "least_kg": Decimal("NaN")},
        {"name": "A", "currency": "USD", "forgiven": -1},
    ],
)
def test_a_buyer_that_can_not_be_is_refused(said: dict[str, object]) -> None:
    with pytest.raises(LoadError):
        Buyer(**said)  # type: ignore[arg-type]


def test_the_same_thresholds_are_read_once_and_others_anew() -> None:
    own, same = (buyer(limits={"strand": OwnLimit(value=1.5)}) for _ in range(2))
    assert sheet_of(own) is sheet_of(same)
    assert sheet_of(buyer(limits={"strand": OwnLimit(value=1.6)})) != sheet_of(own)
