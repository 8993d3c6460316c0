from pathlib import Path

import pytest

from rules.errors import RuleFileError
from rules.toml_faults import TomlReader

TEXT = """\
schema = "a/1"
[[row]]
id = "first"
odd = 1
[[row]]
id = "second"
"""


@pytest.fixture
def reader(tmp_path: Path) -> TomlReader:
    path = tmp_path / "rows.toml"
    path.write_text(TEXT, encoding="utf-8")
    return TomlReader(path)


def test_all_faults_are_told_at_once_by_line_each_once(reader: TomlReader) -> None:
    reader.fault(("row", 1, "id"), "is odd")
    reader.keys(reader.text.values["row"][0], {"id"}, ("row", 0))
    reader.fault(("row", 1, "id"), "is odd")
    reader.schema("b/1")
    assert str(reader.error()) == (
        f'{reader.path}: line 1: the file must say schema = "b/1"; '
        "line 4: unknown key 'odd'; known: id; line 6: is odd"
    )


def test_a_sound_file_has_no_faults(reader: TomlReader) -> None:
    reader.schema("a/1")
    reader.keys(reader.text.values["row"][1], {"id"}, ("row", 1))
    assert reader.faults == []


def test_a_hint_stands_in_place_of_the_known_keys(reader: TomlReader) -> None:
    reader.keys({"row": 1}, {"limit"}, (), hint="only limits")
    assert reader.faults == [(2, "unknown key 'row'; only limits")]


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(RuleFileError, match="absent"):
        TomlReader(tmp_path / "absent.toml")
