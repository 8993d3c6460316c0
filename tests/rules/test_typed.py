"""Findings typed by hand: read as meant, refused with every fault and its line."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.engine import grade
from rules.errors import RuleFileError
from rules.findings import CutEnd, Facts, Finish, Form, Magnet, Origin, Presence, Source
from rules.sheet import load_sheet
from rules.typed import TYPED_SIZE_U_MM, facts_from, load_findings, parse_fact
from tests.rules.test_sheet import as_toml, trees

GOOD = """\
schema = "cuproscope.findings/1"

[[piece]]
name = "pipe from the cellar"
form = "tube"
diameter_mm = 15.0
u_diameter_mm = 0.05
shares = { tarnished = 0.95, green = 0.05 }
tarnish_level = 0.4
solder = true
brass = 0.2
brass_share = 0.1

[piece.facts]
magnet = "free"
oil = false

[[piece]]
form = "wire"
strand_diameter_mm = 1.8
finish = "bright"
"""


def load(text: str, tmp_path: Path) -> object:
    path = tmp_path / "findings.toml"
    path.write_text(text, encoding="utf-8")
    return load_findings(path)


def test_pieces_are_read_as_typed(tmp_path: Path) -> None:
    path = tmp_path / "findings.toml"
    path.write_text(GOOD, encoding="utf-8")
    pipe, wire = load_findings(path)
    assert pipe.name == "pipe from the cellar"
    found = pipe.findings
    assert found.form.value is Form.TUBE
    assert found.diameter is not None
    assert (found.diameter.value, found.diameter.u) == (15.0, 0.05)
    assert found.finish is not None
    assert found.finish.shares[Finish.GREEN] == 0.05
    assert found.finish.tarnish_level.value == 0.4
    assert (found.solder.p, found.brass.p, found.brass.share) == (1.0, 0.2, 0.1)
    assert found.facts == Facts(magnet=Magnet.FREE, oil=False)
    assert wire.name is None
    assert wire.findings.strand_diameter is not None
    assert wire.findings.strand_diameter.u == TYPED_SIZE_U_MM
    assert wire.findings.diameter == wire.findings.strand_diameter, "solid wire is one strand"


def test_presence_is_typed_as_yes_no_or_a_probability(tmp_path: Path) -> None:
    path = tmp_path / "findings.toml"
    path.write_text(
        """\
schema = "cuproscope.findings/1"

[[piece]]
form = "wire"
diameter_mm = 3.0
shares = { bright = 0.8, tinned = 0.2 }
coating = 0.3
coating_share = 0.6
insulation = true
not_metal = 0.01
[piece.facts]
source = "house_wiring"

[[piece]]
form = "tube"
green = true
""",
        encoding="utf-8",
    )
    wire, pipe = (piece.findings for piece in load_findings(path))
    assert wire.coating == Presence(p=0.3, share=0.6, u_share=0.0, origin=Origin.STATED)
    assert wire.insulation == Presence(p=1.0, share=1.0, u_share=0.0, origin=Origin.STATED)
    assert wire.tin == Presence(p=1.0, share=0.2, u_share=0.05, origin=Origin.STATED)
    assert wire.green is not None
    assert wire.green.p == 0
    assert wire.not_metal.p == 0.01
    assert wire.facts.source is Source.HOUSE_WIRING
    assert grade(wire, load_sheet("house")).suggested == "set_aside"
    # It is green; how much of it nobody said, so it may be anything.
    assert pipe.green == Presence(p=1.0, share=0.5, u_share=12**-0.5, origin=Origin.STATED)
    assert grade(pipe, load_sheet("house")).p["no2"] > 0.9


def test_shares_alone_say_nothing_of_presence(tmp_path: Path) -> None:
    path = tmp_path / "findings.toml"
    path.write_text(GOOD, encoding="utf-8")
    found = load_findings(path)[0].findings
    assert found.coating is None
    assert found.green is None
    assert found.insulation is None


def test_what_is_typed_counts_as_stated(tmp_path: Path) -> None:
    path = tmp_path / "findings.toml"
    path.write_text(GOOD, encoding="utf-8")
    found = load_findings(path)[0].findings
    assert found.form.stated
    assert found.diameter is not None
    assert found.finish is not None
    for origin in (
        found.diameter.origin,
        found.finish.origin,
        found.finish.tarnish_level.origin,
        found.brass.origin,
        found.solder.origin,
    ):
        assert origin is Origin.STATED


def test_typed_pieces_are_graded_without_a_photo(tmp_path: Path) -> None:
    path = tmp_path / "findings.toml"
    path.write_text(GOOD, encoding="utf-8")
    house = load_sheet("house")
    grades = [grade(p.findings, house).suggested for p in load_findings(path)]
    assert grades == ["no2", "bare_bright"]


def test_a_form_left_out_is_any_form(tmp_path: Path) -> None:
    path = tmp_path / "findings.toml"
    path.write_text('schema = "cuproscope.findings/1"\n[[piece]]\n', encoding="utf-8")
    (unknown,) = load_findings(path)
    assert set(unknown.findings.form.p.values()) == {0.2}
    grading = grade(unknown.findings, load_sheet("house"))
    assert grading.borderline
    assert grading.settle is not None


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("solder = true", "green = 0.5", "line 10: say either green or a share of green"),
        ("solder = true", "coating = 2", "line 10: coating must be true, false or a probability"),
        ('form = "tube"', 'form = "rod"', "line 5: form must be one of: wire, stranded, tube"),
        ('form = "tube"', "form = { tube = 0.4 }", "line 5: form probabilities add up to 0.4"),
        ("diameter_mm = 15.0", "diameter_mm = -1", "line 6: diameter_mm must be a number"),
        ("diameter_mm = 15.0", "diameter_mm = nan", "line 6: diameter_mm must be a number"),
        ("diameter_mm = 15.0", "diameter_mm = 0", "line 6: diameter_mm must be above 0"),
        ("diameter_mm = 15.0\n", "", "line 6: u_diameter_mm without diameter_mm"),
        ("diameter_mm = 15.0", "diameter = 15.0", "line 6: unknown key 'diameter'"),
        ("green = 0.05", "green = 0.5", "line 8: finish: shares add up to 1.450"),
        ("green = 0.05", "mossy = 0.05", "line 8: shares must be a table"),
        (
            "tarnish_level = 0.4",
            "tarnish_level = 4",
            "line 9: tarnish_level must be a number, 0 to 1",
        ),
        ("solder = true", 'solder = "yes"', "line 10: solder must be true, false or a prob"),
        ('magnet = "free"', 'magnet = "maybe"', "line 15: magnet: magnet must be one of: sticks"),
        ("oil = false", "oil = 1", "line 16: oil: oil must be one of: yes, no"),
        ("oil = false", "aura = true", "line 16: aura: no such fact; known: magnet"),
        ('finish = "bright"', 'finish = "nice"', "line 21: finish must be one of: bright"),
        ('finish = "bright"', "tarnish_level = 0.1", "line 21: tarnish_level without shares"),
        ("findings/1", "findings/9", "line 1: the file must say schema"),
        ("[[piece]]\nname", "[piece]\nname", ""),
    ],
)
def test_a_fault_is_told_with_its_line(old: str, new: str, told: str, tmp_path: Path) -> None:
    assert old in GOOD
    with pytest.raises(RuleFileError) as caught:
        load(GOOD.replace(old, new, 1), tmp_path)
    assert told in caught.value.message
    assert caught.value.where == str(tmp_path / "findings.toml")


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    text = GOOD.replace('"tube"', '"rod"').replace("solder = true", "solder = 7")
    with pytest.raises(RuleFileError) as caught:
        load(text.replace('finish = "bright"', 'finish = "nice"'), tmp_path)
    for line in ("line 5: ", "line 10: ", "line 21: "):
        assert line in caught.value.message


@settings(max_examples=30, deadline=None)
@given(
    piece=st.dictionaries(
        st.sampled_from(["form", "diameter_mm", "shares", "finish", "facts", "brass", "name"]),
        trees,
        max_size=5,
    )
)
def test_wild_findings_are_pieces_or_one_typed_error(
    piece: dict[str, object], tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.getbasetemp() / "wild-findings.toml"
    body = "".join(f"{k} = {as_toml(v)}\n" for k, v in piece.items())
    path.write_text(f'schema = "cuproscope.findings/1"\n[[piece]]\n{body}', encoding="utf-8")
    try:
        pieces = load_findings(path)
    except RuleFileError:
        return
    assert len(pieces) == 1


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("magnet=sticks", ("magnet", "sticks")),
        (" cut_end = other ", ("cut_end", "other")),
        ("motor_wire=yes", ("motor_wire", True)),
        ("insulation=no", ("insulation", False)),
        ("weight_kg=2.5", ("weight_kg", 2.5)),
    ],
)
def test_a_fact_is_read_as_meant(text: str, expected: tuple[str, object]) -> None:
    assert parse_fact(text) == expected


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("magnet", "write it as NAME=VALUE, e.g. magnet=sticks"),
        ("magnet=maybe", "magnet must be one of: sticks, free"),
        ("cut_end=brass", "cut_end must be one of: copper, other"),
        ("oil=true", "oil must be one of: yes, no"),
        ("magnit=free", "no such fact; known: magnet, cut_end, motor_wire, oil, paint, enamel, "),
        ("weight_kg=heavy", "weight_kg must be a number above 0"),
        ("weight_kg=-1", "weight_kg must be a number above 0"),
        ("weight_kg=nan", "weight_kg must be a number above 0"),
        ("", "write it as NAME=VALUE"),
    ],
)
def test_a_wrong_fact_names_what_is_allowed(text: str, told: str) -> None:
    with pytest.raises(RuleFileError) as caught:
        parse_fact(text)
    assert told in caught.value.message
    assert text in str(caught.value)


def test_facts_come_together_in_any_order() -> None:
    expected = Facts(magnet=Magnet.FREE, cut_end=CutEnd.COPPER, oil=True, weight_kg=2.0)
    texts = ["magnet=free", "cut_end=copper", "oil=yes", "weight_kg=2"]
    assert facts_from(texts) == facts_from(reversed(texts)) == expected
    assert facts_from([]) == Facts()
    assert facts_from(["oil=yes", "oil=yes"]) == Facts(oil=True)


def test_facts_that_contradict_each_other_are_refused() -> None:
    with pytest.raises(RuleFileError, match="oil is stated twice, differently"):
        facts_from(["oil=yes", "oil=no"])
