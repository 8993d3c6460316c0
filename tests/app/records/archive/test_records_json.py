"""``records.json`` read piece by piece: the first thing that no export holds, and where."""

from __future__ import annotations

import copy
import json
import zipfile
from collections.abc import Callable
from typing import Any

import pytest

from app.opening import open_records
from app.records.archive import export_zip, records_json
from app.records.archive.records_json import read_archive
from app.records.errors import BadArchiveError
from tests.app.records.pieces import new_piece, save_piece

Content = dict[str, Any]


@pytest.fixture(scope="module")
def content(tmp_path_factory: pytest.TempPathFactory) -> Content:
    """What an export of two pieces holds."""
    folder = tmp_path_factory.mktemp("one")
    with open_records(folder / "data") as records:
        save_piece(records, new_piece(1, name="pipe"))
        save_piece(records, new_piece(2, name="cable"))
        export_zip(records, folder / "out.zip")
    with zipfile.ZipFile(folder / "out.zip") as archive:
        read: Content = json.loads(archive.read("records.json"))
    return read


def told(content: Content) -> BadArchiveError:
    with pytest.raises(BadArchiveError) as fault:
        read_archive(iter([json.dumps(content)]))
    return fault.value


@pytest.mark.parametrize("size", [1, 7, 10**6])
def test_however_it_is_cut_all_of_it_is_read(content: Content, size: int) -> None:
    text = json.dumps(content)
    archive = read_archive(text[at : at + size] for at in range(0, len(text), size))
    assert [piece.name for piece in archive.pieces] == ["pipe", "cable"]
    assert [p.sha256 for p in archive.photos] == [p["sha256"] for p in content["photos"]]
    assert set(archive.tables) == set(content["tables"])
    assert archive.written_utc.isoformat()[:10] == content["written_utc"][:10]


CASES: dict[str, tuple[Callable[[Content], object], str]] = {
    "second piece": (lambda c: c["pieces"][1].update(id="x"), "piece no. 2"),
    "first photo": (lambda c: c["photos"][0].update(kind="gif"), "photo no. 1"),
    "row of a table": (lambda c: c["tables"].update(buyer=[{"a": []}]), "buyer no. 1"),
    "off its photo": (
        lambda c: c["pieces"][0]["photos"][0]["place"].update(box_px=[0, 0, 61, 41]),
        "piece no. 1",
    ),
    "a photo twice": (lambda c: c["photos"].append(c["photos"][0]), "photo no. 3"),
}


@pytest.mark.parametrize(("change", "place"), CASES.values(), ids=CASES.keys())
def test_a_fault_is_told_with_its_place_and_what_to_do(
    content: Content, change: Callable[[Content], object], place: str
) -> None:
    changed = copy.deepcopy(content)
    change(changed)
    fault = told(changed)
    assert fault.where is not None
    assert fault.where.startswith(f"records.json, {place}")
    assert fault.fix


def test_a_file_of_a_newer_version_says_to_use_that(content: Content) -> None:
    fault = told(content | {"schema": "cuproscope.records/9"})
    assert "newer" in fault.fix


def test_what_it_is_comes_first(content: Content) -> None:
    last = {key: value for key, value in content.items() if key != "schema"}
    assert "what it is" in told(last | {"schema": content["schema"]}).message


@pytest.mark.parametrize("limit", ["MAX_PIECES", "MAX_PHOTOS"])
def test_more_than_the_limit_is_refused(
    content: Content, limit: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(records_json, limit, 1)
    assert "more than 1" in told(content).message
