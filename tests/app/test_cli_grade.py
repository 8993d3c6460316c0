"""``cuproscope grade`` end to end, with the examination replaced: contract, codes, output."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from app.cli import main
from rules.findings import Facts, Magnet
from tests.app.command import ROOT, in_process, objects, run, write_photo
from tests.app.contract import GRADES, check_contract

PAIR = [ROOT / "fixtures" / "pairs" / f"tubes_brass_coin_{k}.jpg" for k in ("plain", "flash")]


def test_a_pair_is_told_in_the_first_photos_object(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = run(capsys, "grade", PAIR[0], "--flash", PAIR[1], "--json")
    (told,) = objects(out)
    check_contract(told)
    assert code == 4  # the coin is cut by the photo's edge
    second = told["flash"]["second"]
    assert second["name"] == PAIR[1].name and second["lit_p"] > 0.9 > told["flash"]["lit_p"]
    # A screw may be taken for a fifth piece, which the second photo then does not show.
    assert sum(map(bool, second["pieces"])) >= 4 and len(second["pieces"]) <= 5
    run(capsys, "grade", PAIR[0], "--flash", PAIR[1], "--overlay", tmp_path)
    with Image.open(tmp_path / "tubes_brass_coin_plain.cuproscope.jpg") as drawn:
        assert drawn.height > 2 * drawn.width  # each piece in both photos below the answer


def test_a_folder_finds_its_pair_and_tells_of_the_flash_photo_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for path in PAIR:
        shutil.copy(path, tmp_path)
    _, out, _ = run(capsys, "grade", tmp_path, "--json")
    lit, plain = objects(out)  # by name: "…_flash" before "…_plain"
    assert plain["flash"]["second"]["name"] == lit["photo"]["name"] == PAIR[1].name
    assert "flash_lit" in [problem["code"] for problem in lit["problems"]]
    assert all(piece["grade"]["guess"] for piece in lit["pieces"])


@pytest.mark.usefixtures("seen")
def test_the_flash_goes_with_one_photo_and_its_fault_costs_only_itself(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one, two = (write_photo(tmp_path, name) for name in ("a.jpg", "b.jpg"))
    code, _, err = run(capsys, "grade", one, two, "--flash", one)
    assert code == 2 and "--flash: goes with one photo" in err
    code, out, _ = run(capsys, "grade", one, "--flash", tmp_path / "gone.jpg", "--json")
    (told,) = objects(out)
    assert code == 0 and len(told["pieces"]) == 3
    (fault,) = (p for p in told["problems"] if p["code"] == "not_found")
    assert "gone.jpg" in fault["text"]


@pytest.mark.usefixtures("seen")
def test_json_keeps_the_contract_for_every_kind_of_photo(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    names = ["a.jpg", "noscale.jpg", "empty.jpg", "crash.jpg", "refuse.jpg"]
    photos = [write_photo(tmp_path, name) for name in names]
    _, out, _ = run(capsys, "grade", "--json", *photos, tmp_path / "missing.jpg")
    told = objects(out)
    assert [one["photo"]["name"] for one in told] == [*names, "missing.jpg"]
    for one in told:
        check_contract(one)
    good, noscale, empty, crash, refuse, missing = told
    assert (good["photo"]["width_px"], good["photo"]["height_px"]) == (640, 480)
    assert len(good["photo"]["sha256"]) == 64
    assert good["pieces"][0]["grade"]["suggested"] == "no2"
    assert list(good["pieces"][0]["grade"]["p"]) == GRADES
    assert good["scale"]["reference"] == "card"
    assert noscale["scale"] is None
    assert noscale["pieces"][0]["diameter_mm"] is None
    assert noscale["pieces"][0]["finish"] is not None
    assert noscale["problems"][0]["code"] == "no_reference"
    assert empty["pieces"] == []
    assert crash["problems"][0]["code"] == "internal"
    assert refuse["problems"] == [
        {"code": "not_metal", "text": "It is of a cat.", "fix": "Try copper.", "pieces": []}
    ]
    assert missing["problems"][0]["code"] == "not_found"
    for unread in (crash, refuse, missing):
        assert unread["pieces"] == []
        assert unread["scale"] is None


@pytest.mark.usefixtures("seen")
@pytest.mark.parametrize(
    ("names", "code"),
    [
        (["a.jpg"], 0),
        (["a.jpg", "b.jpg"], 0),
        (["noscale.jpg"], 4),
        (["empty.jpg"], 4),
        (["a.jpg", "noscale.jpg"], 4),
        (["crash.jpg"], 3),
        (["refuse.jpg", "a.jpg"], 3),
        (["noscale.jpg", "crash.jpg", "a.jpg"], 3),
    ],
)
@pytest.mark.parametrize("form", [[], ["--json"]])
def test_exit_code_tells_the_worst_photo(
    names: list[str],
    code: int,
    form: list[str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    photos = [write_photo(tmp_path, name) for name in names]
    assert run(capsys, "grade", *form, *photos)[0] == code


@pytest.mark.parametrize(
    "argv",
    [
        ["grade"],
        ["grade", "x.jpg", "--reference", "us-7c"],
        ["grade", "x.jpg", "--reference", "marker:wide"],
        ["grade", "x.jpg", "--reference", "marker"],
        ["grade", "x.jpg", "--fact", "colour=red"],
        ["grade", "x.jpg", "--fact", "magnet"],
        ["grade", "x.jpg", "--fact", "weight_kg=-1"],
        ["grade", "x.jpg", "--sheet", "no-such-sheet"],
        ["grade", "--findings", "no-such-file.toml"],
    ],
)
def test_wrong_usage_is_told_in_one_line_and_opens_no_photo(
    argv: list[str], seen: list[Any], capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(capsys, *argv)
    assert code == 2
    assert out == ""
    assert err.startswith("cuproscope: ")
    assert "Traceback" not in err
    assert seen == []


@pytest.mark.usefixtures("seen")
def test_bad_files_among_good_ones_cost_only_themselves(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_photo(tmp_path, "a.jpg")
    (tmp_path / "b.jpg").write_text("a letter, renamed")
    (tmp_path / "c.jpg").write_bytes(b"")
    good = write_photo(tmp_path, "d.jpg").read_bytes()
    (tmp_path / "e.jpg").write_bytes(good[: len(good) // 2])
    write_photo(tmp_path, "f.jpg")
    (tmp_path / "notes.txt").write_text("not for us")
    code, out, err = run(capsys, "grade", "--json", tmp_path)
    told = objects(out)
    assert code == 3
    assert err == ""
    assert [one["photo"]["name"] for one in told] == [f"{c}.jpg" for c in "abcdef"]
    codes = [[problem["code"] for problem in one["problems"]] for one in told]
    assert codes == [[], ["not_a_photo"], ["empty"], [], ["damaged"], []]
    assert [len(one["pieces"]) for one in told] == [3, 0, 0, 3, 0, 3]


@pytest.mark.usefixtures("seen")
def test_a_crash_shows_no_trace_unless_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    photo = write_photo(tmp_path, "crash.jpg")
    code, out, err = run(capsys, "grade", photo)
    assert code == 3
    assert "ZeroDivisionError" in out
    assert "Traceback" not in out + err
    assert any(record.exc_info for record in caplog.records), "the trace is kept for --debug"


@pytest.mark.usefixtures("seen")
@pytest.mark.parametrize(
    ("count", "is_terminal", "shown"), [(3, True, True), (1, True, False), (3, False, False)]
)
def test_a_bar_shows_only_for_several_photos_on_a_terminal(
    count: int,
    is_terminal: bool,
    shown: bool,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    photos = [write_photo(tmp_path, f"empty{n}.jpg") for n in range(count)]
    monkeypatch.setattr(sys.stderr, "isatty", lambda: is_terminal)
    _, out, err = run(capsys, "grade", "--json", *photos)
    assert ("photo" in err) == shown
    assert len(objects(out)) == count, "the bar must not reach the JSON"


def test_debug_shows_where_it_went_wrong(tmp_path: Path) -> None:
    code = (
        "import sys, vision.examine\nfrom app.cli import main\n"
        "vision.examine.examine = lambda *a, **k: 1 / 0\n"
        "sys.exit(main(sys.argv[1:]))"
    )
    photo = str(write_photo(tmp_path, "a.jpg"))
    quiet = in_process("-c", code, "grade", photo)
    assert quiet.returncode == 3
    assert "Traceback" not in quiet.stderr + quiet.stdout
    told = in_process("-c", code, "grade", "--debug", "--json", photo)
    assert "ZeroDivisionError" in told.stderr
    assert objects(told.stdout)[0]["problems"][0]["code"] == "internal"


def test_what_the_person_states_reaches_the_examination(
    tmp_path: Path, seen: list[dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    photo = write_photo(tmp_path, "a.jpg")
    stated = ["--fact", "magnet=free", "--fact", "weight_kg=1.5", "--fact", "oil=yes"]
    asked = ["--reference", "EU-1", "--form", "cut_end"]
    assert run(capsys, "grade", photo, *stated, *asked)[0] == 0
    assert seen[0]["reference"] == "eu-1"
    assert seen[0]["form"] == "cut_end"
    assert seen[0]["facts"] == Facts(magnet=Magnet.FREE, weight_kg=1.5, oil=True)


@pytest.mark.usefixtures("seen")
def test_another_sheet_gives_its_own_grades(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo = write_photo(tmp_path, "a.jpg")
    _, out, _ = run(capsys, "grade", photo, "--json", "--sheet", "circular-2017")
    told = objects(out)[0]
    check_contract(told)
    assert set(told["pieces"][0]["grade"]["p"]) != set(GRADES)


TYPED = """
schema = "cuproscope.findings/1"
[[piece]]
name = "pipe from the cellar"
form = "tube"
diameter_mm = 15.0
u_diameter_mm = 0.05
shares = { tarnished = 1.0 }
tarnish_level = 0.4
solder = true
"""


def test_typed_findings_grade_without_a_photo(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "typed.toml"
    path.write_text(TYPED)
    code, out, _ = run(capsys, "grade", "--json", "--findings", path)
    told = objects(out)[0]
    check_contract(told)
    assert code == 0
    assert told["photo"]["name"] == "typed.toml"
    assert told["photo"]["sha256"] is None
    piece = told["pieces"][0]
    assert piece["name"] == "pipe from the cellar"
    assert piece["box_px"] is None
    # House sheet: solder on the piece makes No. 2, and cutting it off lifts the rest.
    assert piece["grade"]["suggested"] == "no2"
    assert piece["grade"]["lifts"][0]["to"] == "no1"
    code, out, _ = run(capsys, "grade", "--findings", path)
    assert code == 0
    assert "pipe from the cellar" in out


@pytest.mark.usefixtures("seen")
def test_overlays_are_drawn_for_what_was_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photos = tmp_path / "in"
    other = tmp_path / "other"
    photos.mkdir()
    other.mkdir()
    for folder, name in ((photos, "a.jpg"), (photos, "crash.jpg"), (other, "a.jpg")):
        write_photo(folder, name)
    out_folder = tmp_path / "out" / "deep"
    run(capsys, "grade", photos, other, "--json", "--overlay", out_folder)
    names = sorted(p.name for p in out_folder.iterdir())
    assert names == ["a-2.cuproscope.jpg", "a.cuproscope.jpg"]
    with Image.open(out_folder / "a.cuproscope.jpg") as picture:
        picture.load()
        assert picture.format == "JPEG"


@pytest.mark.usefixtures("seen")
def test_an_overlay_folder_that_can_not_be_written_is_wrong_usage(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo = write_photo(tmp_path, "a.jpg")
    (tmp_path / "file").write_text("in the way")
    code, _, err = run(capsys, "grade", photo, "--overlay", tmp_path / "file")
    assert code == 2
    assert "is a file; name a folder" in err


@pytest.mark.usefixtures("seen")
def test_the_report_fits_80_columns_and_says_it_all(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    names = ("a.jpg", "noscale.jpg", "crash.jpg")
    photos = [write_photo(tmp_path, name) for name in names]
    _, out, _ = run(capsys, "grade", *photos, "--overlay", tmp_path / "o")
    report = out.replace(str(tmp_path), "")
    assert max(map(len, report.splitlines())) <= 80
    for words in (
        "grade      No. 2 (",
        "borderline",
        "1.291",
        "(too near the limit",
        "on it      solder: there, on about 5 % of it",
        "brass: probably there (91 %)",
        "what to do",
        "bank card",
        "Piece 2 of 3, upper centre",
        "lift       ",
        "Not read.",
        "Mind",
    ):
        assert words in report
    assert report.count("Local rules on selling") == 1, "cautions come once, at the end"


@pytest.mark.usefixtures("seen")
def test_a_name_can_not_write_to_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo = write_photo(tmp_path, "a\x1b[31m\nb.jpg")
    _, out, _ = run(capsys, "grade", photo)
    assert "\x1b" not in out
    _, out, _ = run(capsys, "grade", "--json", photo)
    assert objects(out)[0]["photo"]["name"] == "a\x1b[31m\nb.jpg"


def test_a_terminal_that_lacks_a_letter_stops_nothing(tmp_path: Path) -> None:
    path = tmp_path / "typed.toml"
    path.write_text(TYPED)
    done = in_process(
        "-m",
        "app",
        "grade",
        "--findings",
        str(path),
        env=os.environ | {"PYTHONIOENCODING": "ascii"},
    )
    assert done.returncode == 0, done.stderr


def test_the_measured_check_bar_reaches_the_examination(
    seen: list[dict[str, Any]], tmp_path: Path
) -> None:
    photo = write_photo(tmp_path, "a.jpg")
    assert main(["grade", str(photo), "--reference", "sheet", "--check-bar", "49.6"]) == 0
    assert seen[0]["print_scale"] == pytest.approx(0.992)


@pytest.mark.parametrize("bar", ["40", "56", "nan", "long"])
def test_an_impossible_check_bar_is_wrong_usage(bar: str, tmp_path: Path) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["grade", str(tmp_path), "--check-bar", bar])
    assert stop.value.code == 2
