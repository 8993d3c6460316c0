"""A rule sheet is refused with every fault of it and the line of each, or it is sound."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.engine import grade
from rules.errors import RuleFileError
from rules.sheet import Comparison, load_sheet, sheet_names
from tests.rules.pieces import mm, piece

GOOD = """\
schema = "cuproscope.rules/1"
name = "mine"

[[grade]]
id = "thick"

[[grade]]
id = "rest"

[limit.strand]
value = 2.0
unit = "mm"
what = "thick enough"
source = "common practice"

[[row]]
id = "thick"
grade = "thick"
when = [
  { finding = "strand_diameter", comparison = "at_least", threshold = "strand", unit = "mm" },
]
reason = "thick"
source = "common practice"

[row.lift]
action = "wipe"
to = "thick"
minutes = 1
clears = ["oil"]

[[row]]
id = "rest"
grade = "rest"
reason = "the rest"
source = "common practice"
"""


def faults_of(text: str, tmp_path: Path) -> str:
    path = tmp_path / "sheet.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RuleFileError) as caught:
        load_sheet(path)
    assert caught.value.where == str(path)
    return caught.value.message


def line_of(text: str, part: str) -> int:
    return text[: text.index(part)].count("\n") + 1


def test_three_sheets_come_with_the_program() -> None:
    assert sheet_names() == ("circular-2017", "circular-before-2017", "house")
    for name in sheet_names():
        sheet = load_sheet(name)
        assert sheet.name == name
        assert all(row.source and row.reason for row in sheet.rows)
        assert all(limit.source for limit in sheet.limits.values())


def test_the_house_sheet_has_the_four_grades_best_first() -> None:
    assert load_sheet("house").grade_ids == ("bare_bright", "no1", "no2", "set_aside")


def test_a_sound_sheet_loads(tmp_path: Path) -> None:
    path = tmp_path / "sheet.toml"
    path.write_text(GOOD, encoding="utf-8")
    sheet = load_sheet(path)
    assert sheet.grade_ids == ("thick", "rest")
    assert sheet.rows[0].conditions[0].threshold == 2.0
    assert sheet.rows[0].conditions[0].limit == "strand"
    assert sheet.title_of("thick") == "thick"
    assert grade(piece(diameter=mm(2.5)), sheet).suggested == "thick"


STRAND = (
    '{ finding = "strand_diameter", comparison = "at_least", threshold = "strand", unit = "mm" }'
)


@pytest.mark.parametrize(
    ("old", "new", "at", "told"),
    [
        (STRAND, STRAND.replace("strand_diameter", "colour"), "colour", "unknown finding 'colour'"),
        ('grade = "thick"', 'grade = "gold"', 'grade = "gold"', "unknown grade 'gold'"),
        ('to = "thick"', 'to = "gold"', 'to = "gold"', "unknown grade 'gold'"),
        (
            STRAND,
            STRAND.replace(', unit = "mm"', ""),
            "{ finding",
            "unit of strand_diameter is missing",
        ),
        (STRAND, STRAND.replace('"mm"', '"in"'), "{ finding", "must be \"mm\", not 'in'"),
        (STRAND, STRAND.replace('"mm"', '"1"'), "{ finding", "must be \"mm\", not '1'"),
        (STRAND, STRAND.replace("at_least", "about"), "{ finding", "comparison of strand_diameter"),
        (STRAND, STRAND.replace('"strand",', '"girth",'), "{ finding", "there is no [limit.girth]"),
        (STRAND, STRAND.replace('"strand",', "nan,"), "{ finding", "0 to 200, not nan"),
        (STRAND, STRAND.replace('"strand",', "-1,"), "{ finding", "0 to 200, not -1"),
        (STRAND, STRAND.replace('"strand",', "true,"), "{ finding", "must be a number"),
        (STRAND, STRAND.replace("finding", "finds"), "{ finds", "unknown key 'finds'"),
        (
            STRAND,
            '{ finding = "oil", comparison = "is", threshold = 1 }',
            "{ finding",
            "true or false",
        ),
        (
            STRAND,
            '{ finding = "form", comparison = "is", threshold = "rod" }',
            "{ finding",
            "must be of: wire",
        ),
        (
            STRAND,
            '{ finding = "form", comparison = "is", threshold = "tube", unit = "1" }',
            "{ finding",
            "has no unit",
        ),
        (
            STRAND,
            '{ finding = "oil", comparison = "at_least", threshold = true }',
            "{ finding",
            "one of: is",
        ),
        (STRAND, "7", "7,", "a condition must be a table"),
        ("value = 2.0", "value = inf", "value = inf", "0 to 200, not inf"),
        ("value = 2.0", "value = 0x" + "f" * 5000, "value = 0x", "0 to 200, not that"),
        ("value = 2.0", "", "[limit.strand]", "value is missing"),
        ('unit = "mm"\nwhat', 'unit = "kg"\nwhat', 'unit = "kg"', 'unit must be "mm" or "1"'),
        ("minutes = 1", "minutes = -1", "minutes", "minutes must be 0 to 600"),
        ('clears = ["oil"]', 'clears = ["form"]', "[row.lift]", "what it clears"),
        ('reason = "thick"', "", "[[row]]", "reason is missing"),
        (
            'source = "common practice"\n\n[row.lift]',
            "\n[row.lift]",
            "[[row]]",
            "source is missing",
        ),
        (
            'id = "rest"\ngrade',
            'id = "thick"\ngrade',
            '[[row]]\nid = "thick"\ngrade = "rest"',
            "row 'thick' stands twice",
        ),
        ('name = "mine"', "name = 5", "name = 5", "name must be text"),
        ('schema = "cuproscope.rules/1"', "", "", 'must say schema = "cuproscope.rules/1"'),
        (
            '[[grade]]\nid = "rest"',
            '[[grade]]\nid = "rest"\n[[grade]]\nid = "idle"',
            '[[grade]]\nid = "idle"',
            "grade 'idle' is given by no row",
        ),
        (
            STRAND,
            STRAND.replace('"strand",', "2.0,"),
            "[limit.strand]",
            "limit 'strand' is used by no row",
        ),
        ("[limit.strand]", "eval = 'x'\n[limit.strand]", "eval", "unknown key 'eval'"),
    ],
)
def test_a_fault_is_told_with_its_line(
    old: str, new: str, at: str, told: str, tmp_path: Path
) -> None:
    assert GOOD.count(old) >= 1
    text = GOOD.replace(old, new, 1)
    message = faults_of(text, tmp_path)
    assert told in message
    line = f"line {line_of(text, at)}: " if at else "line 1: "
    # A missing key is told at the table that lacks it.
    assert line in message, f"{message!r} names no {line!r}"


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    text = GOOD.replace('grade = "rest"', 'grade = "gold"').replace("value = 2.0", "value = -2")
    text = text.replace("minutes = 1", "minuts = 1")
    message = faults_of(text, tmp_path)
    for told in ("unknown grade 'gold'", "not -2", "unknown key 'minuts'", "minutes is missing"):
        assert told in message
    lines = [int(part.split(":")[0]) for part in message.split("line ")[1:]]
    assert lines == sorted(lines)


def row(row_id: str, *when: str, grade_id: str = "rest") -> str:
    listed = "".join(f"  {{ {condition} }},\n" for condition in when)
    return (
        f'[[row]]\nid = "{row_id}"\ngrade = "{grade_id}"\nwhen = [\n{listed}]\n'
        'reason = "r"\nsource = "s"\n'
    )


HEAD = 'schema = "cuproscope.rules/1"\nname = "m"\n[[grade]]\nid = "rest"\n'
SIZE = 'finding = "strand_diameter", comparison = "{}", threshold = {}, unit = "mm"'
SHARE = 'finding = "{}_share", comparison = "{}", threshold = {}, unit = "1"'
FORM = 'finding = "form", comparison = "{}", threshold = {}'


@pytest.mark.parametrize(
    ("rows", "idle"),
    [
        # Covered by one row before it.
        ([row("a", SIZE.format("at_least", 1.0)), row("b", SIZE.format("at_least", 2.0))], "b"),
        # Covered by two rows together: neither does it alone.
        (
            [
                row("a", SIZE.format("at_least", 1.0)),
                row("b", SIZE.format("below", 1.0)),
                row("c", FORM.format("is", '"tube"')),
            ],
            "c",
        ),
        (
            [
                row("a", FORM.format("one_of", '["wire", "stranded", "tube"]')),
                row("b", FORM.format("is", '"sheet"')),
                row("c", FORM.format("is_not", '"other"')),
            ],
            "c",
        ),
        # Its own conditions leave nothing.
        ([row("a", SIZE.format("more_than", 2.0), SIZE.format("at_most", 2.0))], "a"),
        ([row("a", SHARE.format("green", "more_than", 1.0))], "a"),
        ([row("a", SHARE.format("green", "below", 0.0))], "a"),
        # Shares add up to 1.
        (
            [
                row(
                    "a",
                    SHARE.format("green", "at_least", 0.6),
                    SHARE.format("bright", "at_least", 0.6),
                )
            ],
            "a",
        ),
        # Solid wire is one strand: the outer diameter is the strand's.
        (
            [
                row(
                    "a",
                    FORM.format("is", '"wire"'),
                    SIZE.format("at_least", 2.0),
                    SIZE.format("below", 1.0).replace("strand_diameter", "diameter"),
                )
            ],
            "a",
        ),
        # No brass has no share of brass.
        (
            [
                row(
                    "a",
                    'finding = "brass", comparison = "is", threshold = false',
                    SHARE.format("brass", "at_least", 0.5),
                )
            ],
            "a",
        ),
    ],
)
def test_a_row_that_can_never_decide_is_refused(rows: list[str], idle: str, tmp_path: Path) -> None:
    message = faults_of(HEAD + "".join(rows) + row("last"), tmp_path)
    assert f"row {idle!r} can never decide" in message


def test_rows_that_only_overlap_are_fine(tmp_path: Path) -> None:
    path = tmp_path / "sheet.toml"
    rows = [
        row("a", SIZE.format("at_least", 1.0), FORM.format("is", '"wire"')),
        row("b", SIZE.format("at_least", 1.0)),
        row("c", SIZE.format("at_least", 0.5)),
        row("last"),
    ]
    path.write_text(HEAD + "".join(rows), encoding="utf-8")
    assert len(load_sheet(path).rows) == 4


def test_a_sheet_that_lets_a_piece_through_is_refused_with_the_piece(tmp_path: Path) -> None:
    message = faults_of(HEAD + row("a", SIZE.format("at_least", 1.0)), tmp_path)
    assert "no row decides this piece: strand_diameter 0.5" in message


def test_rows_that_together_hold_always_need_no_last_one(tmp_path: Path) -> None:
    path = tmp_path / "sheet.toml"
    rows = [row("a", SIZE.format("at_least", 1.0)), row("b", SIZE.format("below", 1.0))]
    path.write_text(HEAD + "".join(rows), encoding="utf-8")
    assert len(load_sheet(path).rows) == 2


# -- a buyer's own sheet ---------------------------------------------------------------

BUYER = """\
schema = "cuproscope.rules/1"
name = "yard at the corner"
based_on = "house"

[limit.strand]
value = 1.6
unit = "mm"
"""


def buyers(text: str, tmp_path: Path) -> Path:
    path = tmp_path / "buyer.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_buyer_overrides_a_threshold_and_nothing_else(tmp_path: Path) -> None:
    house, buyer = load_sheet("house"), load_sheet(buyers(BUYER, tmp_path))
    assert buyer.based_on == "house"
    assert buyer.limits["strand"].value == 1.6
    assert [r.id for r in buyer.rows] == [r.id for r in house.rows]
    assert house.limits["strand"].value == 1.291, "the house sheet stays as it is"
    wire = piece(diameter=mm(1.45))
    assert grade(wire, house).suggested == "bare_bright"
    assert grade(wire, buyer).suggested == "no2"


def test_at_least_and_more_than_differ_on_the_limit_only(tmp_path: Path) -> None:
    exact = piece(diameter=mm(1.291, 0.0))
    strict = load_sheet(buyers(BUYER.replace("1.6", "1.291") + 'at_limit = "fails"\n', tmp_path))
    assert grade(exact, load_sheet("house")).suggested == "bare_bright"
    assert grade(exact, strict).suggested == "no2"
    comparisons = {c.comparison for r in strict.rows for c in r.conditions if c.limit == "strand"}
    assert comparisons == {Comparison.MORE_THAN, Comparison.AT_MOST}
    assert grade(piece(diameter=mm(1.2911, 0.0)), strict).suggested == "bare_bright"


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("[limit.strand]", "[limit.girth]", "line 5: house has no limit 'girth'"),
        ('unit = "mm"', "", "line 5: unit is missing"),
        ('unit = "mm"', 'unit = "1"', "line 7: limit 'strand' is in mm, not 1"),
        ("value = 1.6", "value = nan", "line 6: value must be 0 to 200, not nan"),
        ('"house"', '"attic"', "line 3: based_on must be one of"),
        (
            "[limit.strand]",
            '[[grade]]\nid = "x"\n[limit.strand]',
            "line 5: unknown key 'grade'; a buyer's",
        ),
        (
            "[limit.strand]",
            '[[row]]\nid = "x"\n[limit.strand]',
            "line 5: unknown key 'row'; a buyer's",
        ),
        # A shine of more than all of the metal leaves bare bright idle.
        (
            '[limit.strand]\nvalue = 1.6\nunit = "mm"',
            '[limit.green]\nvalue = 0.9\nunit = "1"',
            "row 'green' can never decide",
        ),
    ],
)
def test_a_faulty_buyers_sheet_is_refused(old: str, new: str, told: str, tmp_path: Path) -> None:
    assert old in BUYER
    with pytest.raises(RuleFileError) as caught:
        load_sheet(buyers(BUYER.replace(old, new, 1), tmp_path))
    assert told in caught.value.message


# -- files that are no sheets ------------------------------------------------------------


@pytest.mark.parametrize("name", ["attic", "", ".", "no/such/file.toml", "a\0b"])
def test_a_sheet_that_is_not_there_is_refused_with_those_there_are(name: str) -> None:
    with pytest.raises(RuleFileError, match="house"):
        load_sheet(name)


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"\xff\xfe", "not UTF-8"),
        (b"a = ", "not valid TOML"),
        (b"a = " + b"[" * 5000, "TOML|nested"),
        (b"# " + b"x" * 70_000, "larger than 64 KiB"),
        (b"a = 1\na = 2", "not valid TOML"),
        (b"", "must say schema"),
    ],
)
def test_a_file_that_is_no_sheet_is_refused(data: bytes, told: str, tmp_path: Path) -> None:
    path = tmp_path / "sheet.toml"
    path.write_bytes(data)
    with pytest.raises(RuleFileError, match=told):
        load_sheet(path)


scalars = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=6)
    | st.sampled_from(["mm", "1", "is", "one_of", "at_least", "form", "green_share", "tube", "a"])
)
known_keys = st.sampled_from(
    [
        "schema", "name", "based_on", "grade", "limit", "row", "id", "when", "finding",
        "comparison", "threshold", "unit", "value", "lift", "to", "minutes", "clears",
        "action", "reason", "source", "at_limit", "title", "piece", "facts", "shares",
    ]
)  # fmt: skip
trees = st.recursive(
    scalars,
    lambda kids: (
        st.lists(kids, max_size=3)
        | st.dictionaries(known_keys | st.text(max_size=4), kids, max_size=5)
    ),
    max_leaves=10,
)


def as_toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(as_toml(v) for v in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{as_toml(k)} = {as_toml(v)}" for k, v in value.items()) + "}"
    text = str(value)
    plain = "".join(f"\\U{ord(c):08x}" if not c.isalnum() else c for c in text if ord(c) < 0xD800)
    return f'"{plain}"'


@settings(max_examples=40, deadline=None)
@given(top=st.dictionaries(known_keys, trees, max_size=6))
def test_wild_toml_is_a_sheet_or_one_typed_error(
    top: dict[str, object], tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.getbasetemp() / "wild.toml"
    path.write_text("".join(f"{k} = {as_toml(v)}\n" for k, v in top.items()), encoding="utf-8")
    try:
        load_sheet(path)
    except RuleFileError as fault:
        assert fault.message


@settings(max_examples=80, deadline=None)
@given(data=st.data())
def test_a_mangled_sheet_is_a_sheet_or_one_typed_error(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    lines = GOOD.splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(lines) - 1))
        what = data.draw(st.sampled_from(["drop", "twice", "value", "swap"]))
        if what == "drop":
            del lines[at]
        elif what == "twice":
            lines.insert(at, lines[at])
        elif what == "swap":
            other = data.draw(st.integers(0, len(lines) - 1))
            lines[at], lines[other] = lines[other], lines[at]
        elif "=" in lines[at]:
            lines[at] = f"{lines[at].split('=')[0]}= {as_toml(data.draw(trees))}"
    path = tmp_path_factory.getbasetemp() / "mangled.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    try:
        sheet = load_sheet(path)
    except RuleFileError:
        return
    assert sum(grade(piece(), sheet, draws=50).p.values()) == pytest.approx(1)


def test_every_row_that_sets_a_named_thing_aside_names_its_line() -> None:
    aside = [row for row in load_sheet("house").rows if row.grade == "set_aside"]
    assert [row.id for row in aside if row.line is None] == ["other-shape"]
