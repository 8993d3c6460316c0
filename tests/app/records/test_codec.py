"""What is written as JSON reads back as it was, bit for bit; nonsense is refused."""

from __future__ import annotations

import json
from math import inf
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.records.codec import (
    findings_from_json,
    findings_to_json,
    grading_from_json,
    grading_to_json,
    place_from_json,
    place_to_json,
)
from app.records.errors import RecordsError
from app.records.types import PlaceOnPhoto
from rules.engine import Grading
from rules.findings import (
    CutEnd,
    Facts,
    Findings,
    Finish,
    FinishFinding,
    Form,
    FormFinding,
    Magnet,
    Measurement,
    Origin,
    Presence,
    Source,
    Unit,
    What,
)
from rules.reasons import Reason
from rules.table import Lift
from tests.app.records.pieces import FINDINGS, GRADING

numbers = st.floats(allow_nan=False, allow_infinity=False)
shares = st.floats(0, 1)
words = st.text(max_size=20)
origins = st.sampled_from(Origin)


@st.composite
def measurements(draw: Any, unit: Unit = Unit.MILLIMETRE, smallest: float = 1e-12) -> Measurement:
    value = draw(st.floats(smallest, 1e6))
    low = draw(st.one_of(st.just(-inf), st.floats(-1e6, value)))
    high = draw(st.one_of(st.just(inf), st.floats(value, 1e9)))
    return Measurement(
        value=value,
        u=draw(st.floats(0, 1e6)),
        unit=unit,
        low95=low,
        high95=high,
        origin=draw(origins),
        budget=draw(st.dictionaries(words, numbers, max_size=3)),
    )


def adding_to_one(draw: Any, kinds: Any) -> dict[Any, float]:
    parts = np.array(draw(st.lists(st.floats(0.01, 1), min_size=len(kinds), max_size=len(kinds))))
    return {kind: float(p) for kind, p in zip(kinds, parts / parts.sum(), strict=True)}


@st.composite
def finishes(draw: Any) -> FinishFinding:
    return FinishFinding(
        shares=adding_to_one(draw, list(Finish)),
        u=draw(st.dictionaries(st.sampled_from(Finish), shares)),
        tarnish_level=draw(measurements(unit=Unit.ONE, smallest=0.0)),
        origin=draw(origins),
    )


maybe = st.sampled_from([None, True, False])
rates = st.dictionaries(st.sampled_from(Form), st.floats(0.001, 0.999), max_size=5)
flags = st.builds(
    Presence,
    p=shares,
    share=shares,
    origin=origins,
    u_share=st.none() | shares,
    learned=rates,
    bench=rates,
)


@st.composite
def any_findings(draw: Any) -> Findings:
    return Findings(
        form=FormFinding(
            p=adding_to_one(draw, list(Form)), stated=draw(st.booleans()), learned=draw(rates)
        ),
        finish=draw(st.none() | finishes()),
        brass=draw(flags),
        solder=draw(flags),
        coating=draw(st.none() | flags),
        insulation=draw(st.none() | flags),
        tin=draw(st.none() | flags),
        green=draw(st.none() | flags),
        other_metal=draw(flags),
        not_metal=draw(flags),
        familiarity=draw(shares),
        one_piece=draw(shares),
        width_between_mm=draw(st.none() | st.sampled_from([(0.0, 0.7), (1.5, 4.0)])),
        diameter=draw(st.none() | measurements()),
        strand_diameter=draw(st.none() | measurements()),
        facts=Facts(
            magnet=draw(st.none() | st.sampled_from(Magnet)),
            cut_end=draw(st.none() | st.sampled_from(CutEnd)),
            motor_wire=draw(maybe),
            oil=draw(maybe),
            paint=draw(maybe),
            enamel=draw(maybe),
            insulation=draw(maybe),
            weight_kg=draw(st.none() | st.floats(1e-9, 1e9)),
            source=draw(st.none() | st.sampled_from(Source)),
        ),
    )


gradings = st.builds(
    Grading,
    suggested=st.none() | words,
    confidence=shares,
    p=st.dictionaries(words, shares, max_size=4),
    borderline=st.booleans(),
    settle=st.none() | words,
    reasons=st.lists(
        st.builds(Reason, row=words, text=words, margin=st.none() | numbers, p=shares), max_size=3
    ).map(tuple),
    lifts=st.lists(
        st.builds(
            Lift,
            action=words,
            to=words,
            minutes=numbers,
            clears=st.lists(words, max_size=2).map(tuple),
        ),
        max_size=2,
    ).map(tuple),
    deciding=st.none() | words,
    assumed=st.lists(words, max_size=2).map(tuple),
    guess=st.booleans(),
)

boxes = st.tuples(st.integers(), st.integers(), st.integers(), st.integers())
points = st.tuples(numbers, numbers)
places = st.builds(
    PlaceOnPhoto,
    box_px=boxes,
    outline_px=st.lists(points, max_size=4).map(tuple),
    brass_boxes_px=st.lists(boxes, max_size=2).map(tuple),
    solder_boxes_px=st.lists(boxes, max_size=2).map(tuple),
    measured_lines_px=st.lists(st.tuples(points, points), max_size=2).map(tuple),
)


@settings(max_examples=40, deadline=None)
@given(any_findings())
def test_findings_read_back_as_they_were(findings: Findings) -> None:
    text = findings_to_json(findings)
    again = findings_from_json(text)
    assert again == findings
    assert findings_to_json(again) == text
    assert type(next(iter(again.form.p))) is Form
    assert text.isascii()


@settings(max_examples=25, deadline=None)
@given(gradings)
def test_gradings_read_back_as_they_were(grading: Grading) -> None:
    assert grading_from_json(grading_to_json(grading)) == grading


@settings(max_examples=25, deadline=None)
@given(places)
def test_places_read_back_as_they_were(place: PlaceOnPhoto) -> None:
    assert place_from_json(place_to_json(place)) == place


def test_what_the_engine_really_says_reads_back() -> None:
    assert grading_from_json(grading_to_json(GRADING)) == GRADING


def test_numpys_own_numbers_are_kept() -> None:
    flag = Presence(p=np.float32(0.1), share=np.float64(0.2))  # type: ignore[arg-type]
    findings = Findings(form=FINDINGS.form, finish=None, brass=flag, solder=flag)
    assert findings_from_json(findings_to_json(findings)) == findings


def test_a_field_that_came_later_takes_its_default() -> None:
    text = json.loads(grading_to_json(GRADING))
    del text["assumed"]
    assert grading_from_json(json.dumps(text)).assumed == ()


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"schema": "cuproscope.record.findings/2"}, "findings/1"),
        ({"brass": {"p": 2.0}}, "between 0 and 1"),
        ({"brass": {"p": True}}, "no number"),
        ({"brass": {"p": "0.5"}}, "no number"),
        ({"brass": {}}, "p is missing"),
        ({"brass": None}, "not an object"),
        ({"form": {"p": {"ball": 1.0}}}, "ball"),
        ({"diameter": {"value": 1.0, "u": 0.1, "unit": "mm"}}, "missing"),
        ({"surprise": 1}, "unknown key"),
        ({"facts": {"oil": 1}}, "bool"),
    ],
)
def test_nonsense_is_refused(change: dict[str, object], told: str) -> None:
    text = json.dumps(json.loads(findings_to_json(FINDINGS)) | change)
    with pytest.raises(RecordsError, match=told):
        findings_from_json(text)


@pytest.mark.parametrize(
    "text", ["", "[]", "{", "NaN", '{"schema": NaN}', "[" * 100_000, '"x"', "\ud800"]
)
def test_what_is_no_such_json_is_refused(text: str) -> None:
    with pytest.raises(RecordsError):
        findings_from_json(text)


OLD_FINDINGS = (
    '{"schema":"cuproscope.record.findings/1","form":{"p":{"wire":0.0,"stranded":0.0,"tube":1.0,'
    '"sheet":0.0,"other":0.0},"stated":false},"finish":{"shares":{"bright":0.97,"tarnished":0.03},'
    '"u":{"bright":0.02,"tarnished":0.02},"tarnish_level":{"value":0.05,"u":0.04,"unit":"1",'
    '"low95":0.0,"high95":0.128,"origin":"measured","budget":{}},"origin":"measured"},'
    '"brass":{"p":0.3,"share":0.1,"origin":"measured"},'
    '"solder":{"p":0.0,"share":0.0,"origin":"measured"},"diameter":{"value":15.0,"u":0.02,'
    '"unit":"mm","low95":14.9608,"high95":15.0392,"origin":"measured","budget":{}},'
    '"strand_diameter":null,"facts":{"magnet":null,"cut_end":null,"motor_wire":null,"oil":null,'
    '"paint":null,"enamel":null,"insulation":null,"weight_kg":null},'
    '"other_metal":{"p":0.0,"share":0.0,"origin":"measured"}}'
)
OLD_GRADING = (
    '{"schema":"cuproscope.record.grading/1","suggested":"no1","confidence":0.7,'
    '"p":{"bare_bright":0.0,"no1":0.7,"no2":0.3,"set_aside":0.0},"borderline":true,'
    '"settle":"scratch the spot","reasons":[{"row":"clean-tube","text":"Clean copper tube",'
    '"margin":17.5,"p":0.666}],"lifts":[],"deciding":"brass","assumed":["magnet"],'
    '"plausible":["no1","no2"]}'
)
"""As the records were written before presence was told apart from share."""


def test_records_from_before_presence_are_read_as_they_were() -> None:
    found = findings_from_json(OLD_FINDINGS)
    assert found.brass == Presence(p=0.3, share=0.1)
    assert found.coating is None
    assert found.familiarity == found.one_piece == 1.0
    assert set(found.seen) == {What.BRASS, What.SOLDER, What.OTHER_METAL, What.NOT_METAL}
    assert not grading_from_json(OLD_GRADING).guess
