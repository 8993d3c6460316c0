"""The form by outline and surface, worked out by hand beside each check.

Source of the pool: Genest and Zidek, Statistical Science 1 (1986) 114: the weighted product of
probabilities, scaled to add up to 1.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.findings import Form, FormFinding
from vision.pieces.form_together import BY_OUTLINE, BY_SURFACE, together

EVEN = dict.fromkeys(Form, 0.2)


def finding(form: Form, p: float) -> FormFinding:
    rest = (1 - p) / (len(Form) - 1)
    return FormFinding(p={f: p if f is form else rest for f in Form}, learned=EVEN)


def test_two_that_agree_are_surer_than_either_and_less_than_two_witnesses() -> None:
    one = finding(Form.TUBE, 0.6)  # 6 : 1 against each other form
    odds = 6 ** (BY_OUTLINE + BY_SURFACE)
    assert together(one, one).p[Form.TUBE] == pytest.approx(odds / (odds + 4))
    assert 0.6 < together(one, one).p[Form.TUBE] < 36 / 40


def test_what_the_surface_learned_of_the_mix_counts_for_nothing() -> None:
    outline = finding(Form.WIRE, 0.5)
    mix = {**dict.fromkeys(Form, 0.1), Form.TUBE: 0.6}
    told = together(outline, FormFinding(p=mix, learned=mix))
    without = together(outline, FormFinding(p=EVEN, learned=EVEN))
    assert told.p == pytest.approx(without.p)


def test_a_stated_form_stands_and_a_surface_nobody_saw_says_nothing() -> None:
    stated, seen = FormFinding.of(Form.WIRE), finding(Form.TUBE, 0.99)
    assert together(stated, seen) is stated
    assert together(seen, None) is seen


@given(st.sampled_from(Form), st.floats(0, 1), st.sampled_from(Form), st.floats(0, 1))
def test_whatever_they_say_it_adds_up_and_nothing_is_ruled_out(
    one: Form, p: float, other: Form, q: float
) -> None:
    told = together(finding(one, p), finding(other, q)).p
    assert sum(told.values()) == pytest.approx(1)
    assert all(value > 0 for value in told.values())


@given(st.permutations(list(Form)), st.floats(0.05, 0.9), st.floats(0.05, 0.9))
def test_the_names_of_the_forms_do_not_matter(order: list[Form], p: float, q: float) -> None:
    """Renamed before or after, it comes to the same."""
    new = dict(zip(Form, order, strict=True))

    def renamed(found: FormFinding) -> FormFinding:
        return FormFinding(p={new[f]: v for f, v in found.p.items()}, learned=EVEN)

    one, other = finding(Form.WIRE, p), finding(Form.TUBE, q)
    there = together(renamed(one), renamed(other)).p
    assert there == pytest.approx({new[f]: v for f, v in together(one, other).p.items()})


def test_odds_are_the_weighted_product_of_both_odds() -> None:
    # Outline 0.7 to 0.1, surface 0.2 to 0.4 of an even mix: log odds add, weighted.
    outline = FormFinding(
        p={Form.WIRE: 0.7, Form.STRANDED: 0.1, Form.TUBE: 0.1, Form.SHEET: 0.05, Form.OTHER: 0.05}
    )
    surface = FormFinding(
        p={Form.WIRE: 0.2, Form.STRANDED: 0.4, Form.TUBE: 0.2, Form.SHEET: 0.1, Form.OTHER: 0.1},
        learned=EVEN,
    )
    told = together(outline, surface).p
    odds = (0.7 / 0.1) ** BY_OUTLINE * (0.2 / 0.4) ** BY_SURFACE
    assert told[Form.WIRE] / told[Form.STRANDED] == pytest.approx(odds)
