"""What stated facts take out of the findings. No outside source: common practice of the trade."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.engine import grade
from rules.findings import (
    Facts,
    Findings,
    Finish,
    FinishFinding,
    Form,
    FormFinding,
    Measurement,
    Origin,
    Presence,
    Unit,
)
from rules.sheet import load_sheet
from rules.stated import with_stated


def tube(coated: float, *, facts: Facts) -> Findings:
    """Return a tarnished tube of which a photo takes this share for coated."""
    rest = 1 - coated
    return Findings(
        form=FormFinding.of(Form.TUBE),
        finish=FinishFinding(
            shares={Finish.BRIGHT: 0.3 * rest, Finish.TARNISHED: 0.7 * rest, Finish.COATED: coated},
            u={Finish.BRIGHT: 0.2, Finish.TARNISHED: 0.3, Finish.COATED: 0.4},
            tarnish_level=Measurement.normal(0.3, 0.1, Unit.ONE),
        ),
        brass=Presence(p=0.0),
        solder=Presence(p=0.0),
        facts=facts,
    )


SCRAPED = Facts(enamel=False, paint=False)


def test_a_scraped_spot_settles_what_the_photo_could_not() -> None:
    sheet = load_sheet("house")
    unsure = grade(tube(0.3, facts=Facts()), sheet)
    settled = grade(tube(0.3, facts=SCRAPED), sheet)
    assert unsure.p["no1"] < 0.8
    assert settled.suggested == "no1"
    assert settled.p["no1"] > 0.95


def test_the_other_shares_keep_their_odds_and_add_up() -> None:
    finish = with_stated(tube(0.5, facts=SCRAPED)).finish
    assert finish is not None
    assert finish.shares[Finish.COATED] == 0 == finish.u[Finish.COATED]
    assert sum(finish.shares.values()) == pytest.approx(1)
    assert finish.shares[Finish.TARNISHED] / finish.shares[Finish.BRIGHT] == pytest.approx(7 / 3)


@pytest.mark.parametrize(
    "facts",
    [
        Facts(),
        Facts(enamel=False),
        Facts(paint=False),
        Facts(enamel=False, paint=True),
        replace(SCRAPED, oil=True),
    ],
)
def test_less_than_that_changes_nothing(facts: Facts) -> None:
    piece = tube(0.3, facts=facts)
    assert with_stated(piece) is piece


def test_a_jacket_leaves_the_finish_as_seen() -> None:
    piece = tube(0.3, facts=replace(SCRAPED, insulation=True))
    assert with_stated(piece).finish is piece.finish


@pytest.mark.parametrize("said", [True, False])
def test_what_is_said_of_the_insulation_wins_over_what_was_seen(said: bool) -> None:
    seen = replace(tube(0.0, facts=Facts(insulation=said)), insulation=Presence(p=0.5, share=0.3))
    told = with_stated(seen)
    assert told.insulation == Presence(p=float(said), share=float(said), origin=Origin.STATED)
    assert with_stated(told) is told


def test_a_scraped_spot_takes_the_coating_away_whatever_its_presence() -> None:
    seen = replace(tube(0.0, facts=SCRAPED), coating=Presence(p=0.9, share=1.0, u_share=0.1))
    told = with_stated(seen)
    assert told.coating is not None
    assert told.coating.p == 0
    assert told.finish is seen.finish


def test_where_all_looked_coated_the_rest_is_unknown() -> None:
    assert with_stated(tube(0.99, facts=SCRAPED)).finish is None
