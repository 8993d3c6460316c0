"""A shop's own confirmed pieces shift what is likely; Bayes by hand beside each check.

Method: counts added to a Dirichlet prior (any textbook on Bayesian statistics).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from app.records import CONFIRMED, NewPiece, Records
from app.records.own_rates import confirmed, own_rates
from rules.base_rates import PRIOR_PIECES, shipped_rates
from rules.findings import Facts, Form, Presence, Source, What
from tests.app.records.pieces import GRADING, HOUSE
from tests.rules.pieces import tube

COATED = replace(
    tube(),
    coating=Presence(p=1.0, share=1.0),
    facts=Facts(source=Source.PLUMBING),
)


def save(records: Records, count: int, *tags: str) -> None:
    one = NewPiece(findings=COATED, grading=GRADING, sheet=HOUSE, tags=tags)
    records.save_pieces([one] * count)


def test_no_record_leaves_the_rates_that_ship(records: Records) -> None:
    assert own_rates(records) is shipped_rates()


def test_only_what_somebody_vouches_for_counts(records: Records) -> None:
    save(records, 3)
    assert own_rates(records) is shipped_rates()


def test_twenty_painted_tubes_outweigh_what_ships(records: Records) -> None:
    save(records, 20, CONFIRMED)
    rates = own_rates(records)
    before = shipped_rates().there[Source.PLUMBING][Form.TUBE][What.COATING]
    # (20 p + 20) / 40, in the source's own rates and in those of all sources.
    after = rates.there[Source.PLUMBING][Form.TUBE][What.COATING]
    assert PRIOR_PIECES == 20
    assert after == pytest.approx((20 * before + 20) / 40)
    assert rates.confirmed == {None: 20, Source.PLUMBING: 20}
    outdoors = shipped_rates().there[Source.OUTDOORS]
    assert rates.there[Source.OUTDOORS] == outdoors


def test_a_record_says_only_what_was_judged(records: Records) -> None:
    save(records, 1, CONFIRMED)
    told = confirmed(records.pieces()[0])
    assert told.there[What.COATING] == 1
    assert What.TIN not in told.there
    assert told.source is Source.PLUMBING
