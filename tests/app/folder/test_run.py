"""A whole folder: same answers however many work on it, and no work twice."""

from __future__ import annotations

import io
import json
import shutil
import sys
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest
from PIL import Image

import vision.examine
from app.cli import main
from app.folder.photo import Graded
from app.folder.piece_table import COLUMNS
from app.folder.run import fingerprint, grade_folder
from app.folder.workers import Work, on_jobs
from app.grading import Result
from app.request import Request
from rules.errors import CuproscopeError, PhotoError
from rules.sheet import load_sheet
from tests.app.folder.dying import die_of_b
from tests.vision.drawn_examination import examination
from vision.types import Examination, Photo

REQUEST = Request(sheet=load_sheet("house"))


def write_photo(path: Path, seed: int) -> Path:
    pixels = np.full((480, 640, 3), (176, 142, 108 + seed), np.uint8)
    Image.fromarray(pixels).save(path, "JPEG", quality=80)
    return path


@pytest.fixture
def photos(tmp_path: Path) -> list[Path]:
    folder = tmp_path / "photos"
    folder.mkdir()
    found = [write_photo(folder / f"{name}.jpg", i) for i, name in enumerate("abcd")]
    found.append(Path(shutil.copy(found[0], folder / "twin.jpg")))
    bad = folder / "z.jpg"
    bad.write_text("no photo")
    return [*found, bad]


def _small_jpeg() -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (40, 30), (176, 142, 108)).save(out, "JPEG")
    return out.getvalue()


SMALL = _small_jpeg()
"""Stands for an overlay where nobody looks at it: drawing one takes a tenth of a second."""


@pytest.fixture
def seen(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """Examinations are drawn, not measured; gives the names of the photos examined."""
    names: list[str] = []

    def stand_in(photo: Photo, **_: Any) -> Examination:
        names.append(photo.name)
        if photo.name == "d.jpg":
            raise PhotoError("it is of a cat", code="not_metal", fix="Try copper.")
        found = examination(size=(480, 640), pieces=2, scale=True)
        return Examination(photo=photo, scale=found.scale, pieces=found.pieces)

    def small(result: Result, request: Request) -> bytes | None:
        return None if result.examination is None else SMALL

    monkeypatch.setattr(vision.examine, "examine", stand_in)
    monkeypatch.setattr("app.folder.photo._overlay", small)
    yield names


def lines_of(out: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (out / "results.jsonl").read_text().splitlines()]


def test_every_photo_has_its_answer_in_order(
    photos: list[Path], seen: list[str], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    run = grade_folder(photos, REQUEST, out)
    told = lines_of(out)
    assert [one["photo"]["name"] for one in told] == [path.name for path in photos]
    assert [one.outcome for one in run.graded] == [0, 0, 0, 3, 0, 3]
    assert told[3]["problems"][0]["code"] == "not_metal"
    # The twin has the same bytes: it is examined once and told of twice.
    assert seen == ["a.jpg", "b.jpg", "c.jpg", "d.jpg"]
    assert told[4]["photo"]["sha256"] == told[0]["photo"]["sha256"]
    assert told[4]["pieces"] == told[0]["pieces"]
    assert sorted(path.name for path in (out / "overlays").iterdir()) == [
        f"{name}.cuproscope.jpg" for name in "abc"
    ]


def test_run_again_only_what_is_missing_is_graded(
    photos: list[Path], seen: list[str], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    grade_folder(photos, REQUEST, out)
    first = (out / "results.jsonl").read_bytes()
    seen.clear()
    run = grade_folder(photos, REQUEST, out)
    assert seen == ["d.jpg"], "what could not be read is tried again, nothing else"
    assert run.fresh == 2
    assert (out / "results.jsonl").read_bytes() == first
    seen.clear()
    more = write_photo(photos[0].with_name("e.jpg"), 9)
    (out / "overlays" / "b.cuproscope.jpg").unlink()
    grade_folder([*photos[:3], more], REQUEST, out)
    assert seen == ["b.jpg", "e.jpg"]
    assert len(lines_of(out)) == 4


def test_asked_differently_everything_is_graded_anew(
    photos: list[Path], seen: list[str], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    grade_folder(photos[:2], REQUEST, out)
    other = Request(sheet=load_sheet("circular-2017"))
    assert fingerprint(other) != fingerprint(REQUEST)
    seen.clear()
    grade_folder(photos[:2], other, out)
    assert seen == ["a.jpg", "b.jpg"]
    # The first answers are still known.
    seen.clear()
    grade_folder(photos[:2], REQUEST, out)
    assert seen == []


def test_stopped_half_way_the_rest_follows(
    photos: list[Path], seen: list[str], tmp_path: Path
) -> None:
    out = tmp_path / "out"

    def stop(_: Graded, done: int, whole: int) -> None:
        assert whole == 3
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        grade_folder(photos[:3], REQUEST, out, told=stop)
    assert not (out / "results.jsonl").exists()
    seen.clear()
    grade_folder(photos[:3], REQUEST, out)
    assert seen == ["c.jpg"]


@pytest.mark.parametrize("cut", [1, 40])
def test_a_line_that_a_kill_cut_off_is_graded_again(
    photos: list[Path], seen: list[str], tmp_path: Path, cut: int
) -> None:
    out = tmp_path / "out"
    grade_folder(photos[:3], REQUEST, out)
    whole = (out / "results.jsonl").read_bytes()
    state = out / "state.jsonl"
    state.write_bytes(state.read_bytes()[:-cut])
    seen.clear()
    grade_folder(photos[:3], REQUEST, out)
    assert seen == ["c.jpg"]
    assert (out / "results.jsonl").read_bytes() == whole
    seen.clear()
    grade_folder(photos[:3], REQUEST, out)
    assert seen == []


def test_a_damaged_state_is_told_and_not_overwritten(
    photos: list[Path], seen: list[str], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    grade_folder(photos[:2], REQUEST, out)
    state = out / "state.jsonl"
    broken = state.read_bytes().replace(b'"run"', b'"rum"', 1)
    state.write_bytes(broken)
    with pytest.raises(CuproscopeError, match="line 2"):
        grade_folder(photos[:2], REQUEST, out)
    assert state.read_bytes() == broken


def test_the_tables_hold_a_row_a_piece(photos: list[Path], seen: list[str], tmp_path: Path) -> None:
    import csv

    out = tmp_path / "out"
    grade_folder(photos, REQUEST, out)
    told = lines_of(out)
    table = pq.read_table(out / "pieces.parquet")
    rows = table.to_pylist()
    # Four photos with two pieces, and a row each for the two that could not be read.
    assert len(rows) == 4 * 2 + 2
    assert table.column_names == list(COLUMNS)
    assert rows[0]["diameter_mm"] == told[0]["pieces"][0]["diameter_mm"]["value"]
    assert rows[0]["grade"] == told[0]["pieces"][0]["grade"]["suggested"]
    assert rows[6]["problems"] == "not_metal"
    assert rows[6]["piece"] == 0
    with (out / "pieces.csv").open(encoding="utf-8-sig", newline="") as file:
        plain = list(csv.DictReader(file))
    assert [row["photo"] for row in plain] == [row["photo"] for row in rows]
    assert float(plain[0]["confidence"]) == rows[0]["confidence"]


def test_contact_sheets_hold_twenty_and_old_pages_go(seen: list[str], tmp_path: Path) -> None:
    folder, out = tmp_path / "p", tmp_path / "out"
    folder.mkdir()
    many = [write_photo(folder / f"n{i:02}.jpg", i) for i in range(21)]
    grade_folder(many, REQUEST, out)
    pages = sorted(path.name for path in out.glob("contact-*.jpg"))
    assert pages == ["contact-1.jpg", "contact-2.jpg"]
    with Image.open(out / "contact-1.jpg") as page:
        assert page.size == (4 * 492 + 12, 5 * 522 + 12)
    grade_folder(many[:3], REQUEST, out)
    assert [path.name for path in out.glob("contact-*.jpg")] == ["contact-1.jpg"]


def test_two_processes_tell_what_one_tells(tmp_path: Path) -> None:
    # Real processes and the real examination, of photos too plain to hold a piece.
    source = tmp_path / "p"
    source.mkdir()
    plain = [write_photo(source / f"{i}.jpg", i) for i in range(2)]
    grade_folder(plain, REQUEST, tmp_path / "one", jobs=1)
    run = grade_folder(plain, REQUEST, tmp_path / "two", jobs=2)
    assert run.fresh == 2
    for name in ("results.jsonl", "overlays/0.cuproscope.jpg"):
        one, two = (tmp_path / folder / name for folder in ("one", "two"))
        assert one.read_bytes() == two.read_bytes()


def test_a_photo_that_kills_its_process_costs_no_other(
    photos: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.folder.workers.grade_file", die_of_b)
    work = iter([Work(path, path.name, path.name) for path in photos[:3]])
    told = dict(on_jobs(2, REQUEST)(work))
    assert {name: one.outcome for name, one in told.items()} == {
        "a.jpg": 0, "b.jpg": 3, "c.jpg": 0,
    }  # fmt: skip
    assert json.loads(told["b.jpg"].line)["problems"][0]["code"] == "internal"


def test_a_cluster_tells_what_this_machine_tells(
    photos: list[Path], seen: list[str], tmp_path: Path
) -> None:
    distributed = pytest.importorskip("distributed")
    grade_folder(photos, REQUEST, tmp_path / "here")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with distributed.LocalCluster(
            n_workers=1, threads_per_worker=2, processes=False, dashboard_address=":0"
        ) as cluster:
            run = grade_folder(
                photos, REQUEST, tmp_path / "there", cluster=cluster.scheduler_address
            )
    assert run.fresh == 5
    here, there = (tmp_path / name / "results.jsonl" for name in ("here", "there"))
    assert here.read_bytes() == there.read_bytes()


def test_a_cluster_that_is_not_there_is_told(photos: list[Path], tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    with pytest.raises(CuproscopeError, match="reached"):
        grade_folder(photos, REQUEST, tmp_path / "out", cluster="nowhere")


def test_the_command_line_grades_a_folder(
    photos: list[Path], seen: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert main(["grade", str(photos[0].parent), "--jobs", "1", "--out", str(out)]) == 3
    told = capsys.readouterr().out
    assert "6 photos: 4 graded, 0 not measurable, 2 not read" in told
    assert (out / "pieces.parquet").is_file()
    assert main(["grade", str(photos[0]), "--out", str(out), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["photo"]["name"] == "a.jpg"
    assert main(["grade", str(photos[0]), "--jobs", "0", "--out", str(out)]) == 2
    assert main(["grade", str(photos[0]), "--jobs", "1", "--overlay", str(out)]) == 2


def test_help_needs_no_heavy_library() -> None:
    import subprocess

    code = (
        "import sys, app.cli; app.cli._parser(); "
        "heavy = {'streamlit', 'sqlalchemy', 'pyarrow', 'distributed', 'reportlab', 'numpy', "
        "'iso4217', 'shtab'} & set(sys.modules); sys.exit(str(heavy) if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
