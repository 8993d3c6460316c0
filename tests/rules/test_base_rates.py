"""Base rates: Bayes worked by hand beside each check.

Source of the correction: Saerens, Latinne and Decaestecker, "Adjusting the outputs of a
classifier to new a priori probabilities", Neural Computation 14 (2002) 21, equation 2.4.
The rates themselves are common practice without a source, so nothing here checks them but
that they hang together.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.base_rates import (
    PRIOR_PIECES,
    BaseRates,
    Confirmed,
    is_raw,
    on_bench,
    shifted,
    shipped_rates,
)
from rules.draws import draw_pieces
from rules.engine import grade
from rules.errors import ContractError
from rules.findings import Facts, Findings, Form, FormFinding, Presence, Source, What
from rules.sheet import load_sheet
from tests.rules.pieces import SHINY, piece, tube

HOUSE = load_sheet("house")


def every(p: float) -> dict[Form, float]:
    return dict.fromkeys(Form, p)


def rates(p: float, forms: dict[Form, float] | None = None) -> BaseRates:
    """Return the same rate of everything, whatever the source."""
    mix = forms or every(1 / len(Form))
    there = {form: dict.fromkeys(What, p) for form in Form}
    sources = (None, *Source)
    return BaseRates(forms=dict.fromkeys(sources, mix), there=dict.fromkeys(sources, there))


def coated_tube(p: float, **said: object) -> Findings:
    learned = Presence(p=p, share=0.9, u_share=0.05, learned=every(0.4))
    none = Presence(p=0.0, learned=every(0.4))
    return replace(tube(), coating=learned, tin=none, green=none, facts=Facts(**said))  # type: ignore[arg-type]


def test_a_rarer_thing_is_less_likely_for_the_same_word_of_the_eye() -> None:
    # Learned where 4 in 10 wear a coat, read on a bench where 1 in 10 does:
    # odds 0.25/0.75 = 1/3 before; the learned odds are 4/6, the bench's 1/9.
    # 1/3 * (1/9) / (4/6) = 1/18, and odds of 1/18 are p = 1/19.
    found = on_bench(coated_tube(0.25), rates(0.1))
    assert found.coating is not None
    assert found.coating.p_given(Form.TUBE) == pytest.approx(1 / 19)
    assert found.p_of(What.COATING) == pytest.approx(1 / 19)
    assert found.coating.p == 0.25, "what was said of the photo stays"


@given(
    prior=st.floats(0.02, 0.98),
    likelihood_there=st.floats(0.01, 1),
    likelihood_absent=st.floats(0.01, 1),
    other=st.floats(0.02, 0.98),
)
def test_the_correction_is_bayes_with_the_other_prior(
    prior: float, likelihood_there: float, likelihood_absent: float, other: float
) -> None:
    def posterior(p: float) -> float:
        return p * likelihood_there / (p * likelihood_there + (1 - p) * likelihood_absent)

    flag = Presence(p=posterior(prior), learned=every(prior), bench=every(other))
    assert flag.p_given(Form.WIRE) == pytest.approx(posterior(other), rel=1e-6)


@given(p=st.floats(0, 1), rate=st.floats(0.01, 0.99))
def test_the_same_rate_changes_nothing(p: float, rate: float) -> None:
    flag = Presence(p=p, learned=every(rate), bench=every(rate))
    assert flag.p_given(Form.TUBE) == pytest.approx(p, abs=1e-12)


def test_a_form_gets_its_own_rate_and_the_piece_the_mean_over_its_forms() -> None:
    # As wire 1:1 * (9/1) / (1/1) = 9 : 1; as tube 1:1 * (1/9) / (1/1) = 1 : 9.
    # 0.75 * 0.9 + 0.25 * 0.1 = 0.7.
    flag = Presence(p=0.5, learned=every(0.5), bench={**every(0.5), Form.WIRE: 0.9, Form.TUBE: 0.1})
    found = replace(piece(), form=FormFinding(p={Form.WIRE: 0.75, Form.TUBE: 0.25}), coating=flag)
    assert found.p_of(What.COATING) == pytest.approx(0.7)
    drawn = draw_pieces(replace(found, brass=flag), draws=40_000).columns
    as_wire = drawn["form"] == tuple(Form).index(Form.WIRE)
    assert drawn["brass"][as_wire].mean() == pytest.approx(0.9, abs=0.01)
    assert drawn["brass"][~as_wire].mean() == pytest.approx(0.1, abs=0.01)


def test_the_form_is_told_for_the_bench_too() -> None:
    # Learned one in two of each, three quarters wire on the bench: 0.4 * 0.75 / 0.5 = 0.6
    # against 0.6 * 0.25 / 0.5 = 0.3; so 2 in 3.
    form = FormFinding(p={Form.WIRE: 0.4, Form.TUBE: 0.6}, learned=every(0.5))
    bench = {**every(0.001), Form.WIRE: 0.75, Form.TUBE: 0.25}
    told = on_bench(replace(piece(), form=form), rates(0.1, bench)).form
    assert told.p[Form.WIRE] == pytest.approx(2 / 3)
    assert told.learned[Form.WIRE] == 0.75, "so that another source can be put in later"
    again = on_bench(replace(piece(), form=told), rates(0.1, every(0.5))).form
    assert again.p[Form.WIRE] == pytest.approx(0.4)


def test_no_base_rate_moves_odds_by_more_than_ten_fold() -> None:
    # Learned 1 : 1, bench 1 : 999 held to 1 : 10; the eye's 9 : 1 becomes 0.9 : 1.
    flag = Presence(p=0.9, share=1.0, learned=every(0.5))
    found = on_bench(replace(tube(), coating=flag), rates(0.001))
    assert found.p_of(What.COATING) == pytest.approx(0.9 / 1.9)
    found = on_bench(replace(tube(), coating=replace(flag, p=0.1)), rates(0.999))
    assert found.p_of(What.COATING) == pytest.approx(1 / 1.9)  # 1 : 9 times 10


def test_a_stated_form_stays() -> None:
    stated = replace(piece(), form=FormFinding.of(Form.TUBE))
    assert on_bench(stated, rates(0.1)).form is stated.form


def test_a_mix_that_lacks_a_form_is_refused() -> None:
    form = FormFinding(p={Form.WIRE: 0.4, Form.TUBE: 0.6}, learned={Form.WIRE: 0.5})
    with pytest.raises(ContractError, match="lacks a form"):
        on_bench(replace(piece(), form=form))


@pytest.mark.parametrize("rate", [0.0, 1.0, -0.1])
def test_a_base_rate_of_never_or_always_is_refused(rate: float) -> None:
    with pytest.raises(ContractError, match="learned rate"):
        Presence(p=0.5, learned={Form.WIRE: rate})


def test_what_was_stated_or_typed_needs_no_correction() -> None:
    typed = replace(tube(), coating=Presence(p=0.3, share=1.0))
    assert not is_raw(typed)
    assert on_bench(typed).p_of(What.COATING) == 0.3


def test_grading_puts_the_bench_in_where_nobody_did() -> None:
    raw = coated_tube(0.4)
    assert is_raw(raw)
    assert not is_raw(on_bench(raw))
    assert grade(raw, HOUSE).p == grade(on_bench(raw), HOUSE).p
    # As a bench of nothing but coats would have it.
    everywhere = on_bench(raw, rates(0.95))
    assert grade(everywhere, HOUSE).suggested == "no2"
    assert grade(raw, HOUSE).suggested == "no1"


def test_where_it_comes_from_turns_what_is_likely() -> None:
    # Wire that looks half coated: from a motor it is, from a wall it is not.
    flag = Presence(p=0.5, share=1.0, u_share=0.0, learned=every(0.4))
    wire = replace(piece(shares=SHINY), coating=flag)
    said = {s: on_bench(replace(wire, facts=Facts(source=s))).p_of(What.COATING) for s in Source}
    assert said[Source.MOTOR_TRANSFORMER] > 0.9
    assert said[Source.HOUSE_WIRING] < 0.1
    assert (
        grade(replace(wire, facts=Facts(source=Source.MOTOR_TRANSFORMER)), HOUSE).p["no2"]
        > grade(replace(wire, facts=Facts(source=Source.HOUSE_WIRING)), HOUSE).p["no2"]
    )


# -- the file that ships -------------------------------------------------------------------


def test_what_ships_hangs_together() -> None:
    shipped = shipped_rates()
    for source in (None, *Source):
        assert sum(shipped.forms[source].values()) == pytest.approx(1)
        for form in Form:
            assert set(shipped.there[source][form]) == set(What)
            assert all(0 < p < 1 for p in shipped.there[source][form].values())


def test_nobody_said_is_all_sources_together() -> None:
    # Law of total probability, from the file's own figures for solder on tube: plumbing
    # 0.25 of the bench, 0.85 of it tube, 0.35 of that soldered; and so on.
    tubes = {"house": 0.35 * 0.01, "plumbing": 0.25 * 0.85, "cord": 0.15 * 0.01}
    tubes |= {"motor": 0.08 * 0.02, "appliance": 0.10 * 0.18, "outdoors": 0.07 * 0.25}
    soldered = {"house": 0.20, "plumbing": 0.35, "cord": 0.20}
    soldered |= {"motor": 0.06, "appliance": 0.13, "outdoors": 0.20}
    by_hand = sum(tubes[s] * soldered[s] for s in tubes) / sum(tubes.values())
    shipped = shipped_rates()
    assert shipped.forms[None][Form.TUBE] == pytest.approx(sum(tubes.values()))
    assert shipped.there[None][Form.TUBE][What.SOLDER] == pytest.approx(by_hand)


# -- the shop's own pieces -----------------------------------------------------------------


def test_confirmed_pieces_count_as_counts_in_a_dirichlet_prior() -> None:
    # Twenty prior pieces at 0.1 and ten of which six have it: (2 + 6) / 30.
    own = [Confirmed(form={Form.TUBE: 1.0}, there={What.SOLDER: 1.0})] * 6
    own += [Confirmed(form={Form.TUBE: 1.0}, there={What.SOLDER: 0.0})] * 4
    after = shifted(rates(0.1), own)
    assert PRIOR_PIECES == 20
    assert after.there[None][Form.TUBE][What.SOLDER] == pytest.approx(8 / 30)
    assert after.there[None][Form.WIRE][What.SOLDER] == 0.1, "wire says nothing of tube"
    assert after.there[None][Form.TUBE][What.BRASS] == 0.1, "what was not judged stays"
    # Ten tubes more to twenty pieces of which a fifth were: (4 + 10) / 30.
    assert after.forms[None][Form.TUBE] == pytest.approx(14 / 30)
    assert sum(after.forms[None].values()) == pytest.approx(1)


def test_a_stated_source_shifts_its_own_rates_and_the_rates_of_all() -> None:
    one = Confirmed(
        form={Form.WIRE: 1.0}, there={What.COATING: 1.0}, source=Source.MOTOR_TRANSFORMER
    )
    after = shifted(rates(0.1), [one] * 20)
    assert after.confirmed == {None: 20, Source.MOTOR_TRANSFORMER: 20}
    for source in (None, Source.MOTOR_TRANSFORMER):  # (2 + 20) / 40
        assert after.there[source][Form.WIRE][What.COATING] == pytest.approx(0.55)
    assert after.there[Source.PLUMBING][Form.WIRE][What.COATING] == 0.1


def test_a_doubtful_form_counts_in_parts() -> None:
    # Ten pieces half tube: five tubes' worth, all soldered: (2 + 5) / 25.
    own = [Confirmed(form={Form.TUBE: 0.5, Form.WIRE: 0.5}, there={What.SOLDER: 1.0})] * 10
    assert shifted(rates(0.1), own).there[None][Form.TUBE][What.SOLDER] == pytest.approx(7 / 25)


def test_no_confirmed_piece_changes_nothing() -> None:
    assert shifted(shipped_rates(), []) is shipped_rates()


@given(
    st.lists(st.tuples(st.sampled_from(Form), st.sampled_from(What), st.floats(0, 1)), max_size=300)
)
def test_shifted_rates_stay_rates(pieces: list[tuple[Form, What, float]]) -> None:
    own = [Confirmed(form={form: 1.0}, there={what: p}) for form, what, p in pieces]
    after = shifted(shipped_rates(), own)
    told = [p for form in Form for p in after.there[None][form].values()]
    assert np.all((np.array(told) > 0) & (np.array(told) < 1))
    assert sum(after.forms[None].values()) == pytest.approx(1)
