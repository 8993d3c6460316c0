"""What the flash adds to a still's findings."""

from __future__ import annotations

from dataclasses import replace
from math import log

import pytest

from rules.base_rates import on_bench
from rules.findings import (
    Findings,
    Finish,
    FinishFinding,
    Form,
    FormFinding,
    Measurement,
    Origin,
    Presence,
    Unit,
    What,
)
from vision.flash.joined import joined
from vision.flash.types import FlashEvidence

LEARNED = dict.fromkeys(Form, 0.4)


def level(value: float, u: float) -> Measurement:
    return Measurement(value=value, u=u, unit=Unit.ONE, low95=0.0, high95=1.0)


def still(p: float = 0.5, *, origin: Origin = Origin.MEASURED) -> Findings:
    return Findings(
        form=FormFinding.of(Form.WIRE),
        finish=FinishFinding(shares={Finish.BRIGHT: 1.0}, u={}, tarnish_level=level(0.2, 0.1)),
        brass=Presence(p=0.0),
        solder=Presence(p=0.1),
        coating=Presence(p=p, share=0.9, learned=LEARNED, origin=origin),
    )


# Bayes' theorem in odds: 1/1 * 9 is 9 to 1; 1/4 * 9 is 9 to 4.
@pytest.mark.parametrize(("before", "after"), [(0.5, 0.9), (0.2, 9 / 13)])
def test_odds_are_multiplied_by_the_likelihood_ratio(before: float, after: float) -> None:
    told = joined(still(before), FlashEvidence(log_ratio={What.COATING: log(9)}, note=""))
    assert told.coating is not None
    assert told.coating.p == pytest.approx(after)
    assert told.coating.share == 0.9
    assert told.solder == still().solder


def test_base_rates_and_flash_multiply_in_any_order() -> None:
    told = FlashEvidence(log_ratio={What.COATING: 1.3}, note="")
    first, last = on_bench(joined(still(), told)), joined(on_bench(still()), told)
    assert first.p_of(What.COATING) == pytest.approx(last.p_of(What.COATING))


def test_what_the_person_stated_stays() -> None:
    stated = still(1.0, origin=Origin.STATED)
    assert joined(stated, FlashEvidence(log_ratio={What.COATING: -3.0}, note="")) == stated


def test_certainty_and_silence_stay_as_they_are() -> None:
    for one in (still(0.0), still(1.0)):
        assert joined(one, FlashEvidence(log_ratio={What.COATING: 2.0}, note="")) == one
    none = replace(still(), coating=None)
    assert joined(none, FlashEvidence(log_ratio={What.COATING: 2.0}, note="")) == none


# JCGM 100, H.5 and the weighted mean of two results: 0.2 ± 0.1 and 0.4 ± 0.1.
def test_two_tarnish_levels_give_their_weighted_mean() -> None:
    told = joined(still(), FlashEvidence(log_ratio={}, note="", tarnish=level(0.4, 0.1)))
    assert told.finish is not None
    assert told.finish.tarnish_level.value == pytest.approx(0.3)
    assert told.finish.tarnish_level.u == pytest.approx(0.1 / 2**0.5)


# With probability 0.8 it is a jacket, of which a highlight says nothing: 0.8 * 1 + 0.2 * 11 is 3.
def test_what_may_be_a_jacket_is_told_less_of() -> None:
    jacket = replace(still(), insulation=Presence(p=0.8))
    told = joined(jacket, FlashEvidence(log_ratio={What.COATING: log(11)}, note=""))
    assert told.coating is not None
    assert told.coating.p == pytest.approx(0.75)
