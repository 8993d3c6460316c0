"""The command line end to end, with the examination replaced: contract, codes, output."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import vision.examine
from app.cli import main
from rules.errors import PhotoError
from rules.findings import Facts, Finish, Form, Magnet, Measurement, Unit
from tests.vision.drawn_examination import examination
from vision.types import Examination, Photo, Problem

ROOT = Path(__file__).parents[2]

# ------------------------------------------------------------------- stand-ins


@pytest.fixture
def seen(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[dict[str, Any]]]:
    """Replace the examination by one that answers by the photo's name; keep the calls."""
    calls: list[dict[str, Any]] = []

    def stand_in(photo: Photo, **asked: Any) -> Examination:
        calls.append({"name": photo.name, **asked})
        if photo.name.startswith("crash"):
            raise ZeroDivisionError("a fault of ours")
        if photo.name.startswith("refuse"):
            raise PhotoError("it is of a cat", code="not_metal", fix="Try copper.")
        without = photo.name.startswith("noscale")
        found = examination(
            size=(480, 640),
            pieces=0 if photo.name.startswith("empty") else 1 if without else 3,
            scale=not without,
        )
        pieces = found.pieces
        if without:
            pieces = tuple(_without_mm(piece) for piece in pieces)
        return Examination(photo=photo, scale=found.scale, pieces=pieces, problems=found.problems)

    monkeypatch.setattr(vision.examine, "examine", stand_in)
    yield calls


def _without_mm(piece: Any) -> Any:
    from dataclasses import replace

    bare = replace(piece.findings, diameter=None, strand_diameter=None)
    return replace(piece, findings=bare, measured_lines_px=np.zeros((0, 2, 2)))


def write_photo(folder: Path, name: str) -> Path:
    path = folder / name
    pixels = np.full((480, 640, 3), (176, 142, 108), np.uint8)
    Image.fromarray(pixels).save(path, "JPEG", quality=80)
    return path


def run(capsys: pytest.CaptureFixture[str], *argv: object) -> tuple[int, str, str]:
    code = main([str(word) for word in argv])
    out, err = capsys.readouterr()
    return code, out, err


def objects(out: str) -> list[dict[str, Any]]:
    assert out.endswith("\n") or out == ""
    return [json.loads(line, parse_constant=_never) for line in out.splitlines()]


def _never(constant: str) -> None:
    raise AssertionError(f"{constant} is not JSON")


# -------------------------------------------------------------------- contract

NUMBER = (int, float)
FORMS = [str(form) for form in Form]
FINISHES = [str(finish) for finish in Finish]
GRADES = ["bare_bright", "no1", "no2", "set_aside"]


def check_keys(value: Any, keys: list[str], *, more: tuple[str, ...] = ()) -> None:
    """Keys in the contract's order; what was added since stands behind."""
    assert list(value)[: len(keys)] == keys
    assert set(value) - set(keys) <= set(more)


def check_measured(value: Any) -> None:
    if value is None:
        return
    check_keys(value, ["value", "u", "low95", "high95"])
    assert all(type(v) in NUMBER for v in value.values())
    assert value["low95"] <= value["value"] <= value["high95"]


def check_box(box: Any) -> None:
    assert len(box) == 4
    assert all(type(v) is int for v in box)


def check_piece(piece: dict[str, Any]) -> None:
    keys = ["box_px", "outline_px", "form", "diameter_mm", "strand_diameter_mm", "awg"]
    keys += ["finish", "brass", "solder", "grade", "other_metal", "not_metal", "seen"]
    check_keys(piece, [*keys, "familiarity"], more=("name", "notes"))
    if piece["box_px"] is not None:
        check_box(piece["box_px"])
        assert len(piece["outline_px"]) >= 3
        assert all(len(p) == 2 and all(type(v) in NUMBER for v in p) for p in piece["outline_px"])
    check_keys(piece["form"], ["value", "p", "stated"])
    assert piece["form"]["value"] in FORMS
    assert list(piece["form"]["p"]) == FORMS
    assert type(piece["form"]["stated"]) is bool
    check_measured(piece["diameter_mm"])
    check_measured(piece["strand_diameter_mm"])
    assert piece["awg"] is None or type(piece["awg"]) in NUMBER
    if piece["finish"] is not None:
        check_keys(piece["finish"], ["shares", "u", "tarnish_level"])
        assert list(piece["finish"]["shares"]) == FINISHES
        assert list(piece["finish"]["u"]) == FINISHES
        assert sum(piece["finish"]["shares"].values()) == pytest.approx(1, abs=0.02)
        check_keys(piece["finish"]["tarnish_level"], ["value", "u"])
    for flag in (piece["brass"], piece["solder"]):
        check_keys(flag, ["p", "share", "boxes_px"])
        assert 0 <= flag["p"] <= 1
        for box in flag["boxes_px"]:
            check_box(box)
    for whole in (piece["other_metal"], piece["not_metal"]):
        check_keys(whole, ["p"])
        assert 0 <= whole["p"] <= 1
    assert list(piece["seen"]) == ["coating", "insulation", "tin", "green", "brass", "solder"]
    for flag in piece["seen"].values():
        if flag is not None:
            check_keys(flag, ["p", "share", "u_share", "boxes_px"])
            assert all(0 <= flag[key] <= 1 for key in ("p", "share", "u_share"))
    assert 0 <= piece["familiarity"] <= 1
    check_grade(piece["grade"])


def check_grade(grade: dict[str, Any]) -> None:
    keys = ["suggested", "confidence", "p", "borderline", "settle", "reasons", "lifts"]
    keys += ["plausible", "guess"]
    check_keys(grade, keys)
    assert set(grade["plausible"]) <= set(grade["p"])
    assert grade["suggested"] is None or grade["suggested"] in grade["p"]
    assert sum(grade["p"].values()) == pytest.approx(1, abs=1e-3)
    assert type(grade["borderline"]) is type(grade["guess"]) is bool
    assert grade["settle"] is None or isinstance(grade["settle"], str)
    assert grade["reasons"]
    for reason in grade["reasons"]:
        check_keys(reason, ["row", "text", "margin", "p"])
        assert 0 <= reason["p"] <= 1
        assert reason["margin"] is None or type(reason["margin"]) in NUMBER
    for lift in grade["lifts"]:
        check_keys(lift, ["action", "to", "minutes"])
        assert lift["to"] in grade["p"]


def check_flash(flash: dict[str, Any] | None, *, pieces: int) -> None:
    if flash is None:
        return
    check_keys(flash, ["lit_p", "second"])
    assert 0 <= flash["lit_p"] <= 1
    second = flash["second"]
    if second is None:
        return
    check_keys(second, ["name", "sha256", "lit_p", "pieces"])
    assert len(second["pieces"]) == pieces
    for piece in filter(None, second["pieces"]):
        check_keys(piece, ["box_px", "overlap", "log_ratio", "note", "core_px", "ring_px"])
        assert 0 < piece["overlap"] <= 1
        for box in (piece["box_px"], *piece["core_px"], *piece["ring_px"]):
            check_box(box)


def check_contract(told: dict[str, Any]) -> None:
    """Everything that the contract ``cuproscope.grade/1`` promises of one object."""
    keys = ["schema", "photo", "scale", "pieces", "problems", "cautions", "left_out", "flash"]
    check_keys(told, keys)
    check_flash(told["flash"], pieces=len(told["pieces"]))
    assert told["schema"] == "cuproscope.grade/1"
    check_keys(told["photo"], ["name", "sha256", "width_px", "height_px", "notes"])
    if told["scale"] is not None:
        keys = ["reference", "mm_per_px", "u_rel", "tilt_deg", "residual_px"]
        check_keys(told["scale"], keys)
        assert all(type(told["scale"][key]) in NUMBER for key in keys[1:])
    for piece in told["pieces"]:
        check_piece(piece)
    for problem in told["problems"]:
        check_keys(problem, ["code", "text", "fix", "pieces"])
        assert all(
            problem[key] and isinstance(problem[key], str) for key in ("code", "text", "fix")
        )
        assert all(1 <= number <= len(told["pieces"]) for number in problem["pieces"])
    assert all(isinstance(text, str) for text in told["cautions"])
    for seen in told["left_out"]:
        check_keys(seen, ["why", "outline_px"])
        assert seen["why"] in ("stranger", "short")
        assert len(seen["outline_px"]) >= 3


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
    assert all(second["pieces"]) and len(second["pieces"]) == 4
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


# ------------------------------------------------------------------ exit codes


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


def test_a_photo_without_a_command_is_told_the_command(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["tube.jpg"])
    assert stop.value.code == 2
    err = capsys.readouterr().err
    assert "To grade photos: cuproscope grade tube.jpg" in err
    assert len(err.splitlines()) == 2


@pytest.mark.parametrize("words", [[], ["load"]])
def test_without_a_command_the_first_steps_are_told(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stop:
        main(words)
    assert stop.value.code == 2
    assert re.search(r"first (steps|evening)", "".join(capsys.readouterr()))


def test_an_unknown_reference_is_told_all_there_are(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (("grade", "x.jpg"), ("load", "add", "x.jpg")):
        code, _, err = run(capsys, *words, "--reference", "banana")
        assert code == 2
        assert "auto, card, sheet, marker:MM" in err
        assert "eu-1" in err


@pytest.mark.parametrize(
    "argv",
    [[], ["weigh"], ["grade", "x.jpg", "--form", "coil"], ["sheet", "x.pdf", "--paper", "b5"]],
)
def test_words_that_argparse_refuses_exit_with_2(argv: list[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(argv)
    assert stop.value.code == 2


# -------------------------------------------------------- bad among good ones


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


# ------------------------------------------------------------ what is asked for


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


# -------------------------------------------------------------------- overlays


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
    assert "can't be written" in err


# ---------------------------------------------------------------------- report


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


# ----------------------------------------------------------------------- sheet


def test_the_reference_sheet_is_written_whole(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for paper in ("a4", "letter"):
        path = tmp_path / f"{paper}.pdf"
        code, out, _ = run(capsys, "sheet", path, "--paper", paper)
        assert code == 0
        assert "100 %" in out
        assert path.read_bytes().startswith(b"%PDF")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a4.pdf", "letter.pdf"]


def test_a_sheet_that_can_not_be_written_is_wrong_usage(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("in the way")
    code, _, err = run(capsys, "sheet", tmp_path / "file" / "s.pdf")
    assert code == 2
    assert "can't be written" in err


# --------------------------------------------------------------------- process


def in_process(*argv: str, **options: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *argv], cwd=ROOT, text=True, capture_output=True, check=False, **options
    )


def test_help_loads_no_heavy_module() -> None:
    code = (
        "import sys\nfrom app.cli import main\n"
        "try:\n    main(['grade', '--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'cv2', 'scipy', 'skimage', 'onnxruntime', 'PIL'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    done = in_process("-c", code)
    assert done.returncode == 0, done.stderr
    assert "marker:MM" in done.stdout


def test_the_module_runs_as_the_command() -> None:
    done = in_process("-m", "app", "--version")
    assert done.returncode == 0
    assert done.stdout.startswith("cuproscope ")


@pytest.mark.skipif(os.name != "posix", reason="pipes of a POSIX shell")
def test_a_reader_that_goes_away_costs_no_trace(tmp_path: Path) -> None:
    for number in range(40):
        (tmp_path / f"{number}.jpg").write_text("no photo")
    command = f"{sys.executable} -m app grade --json {tmp_path} | head -n 1"
    done = subprocess.run(
        command, shell=True, cwd=ROOT, text=True, capture_output=True, check=False
    )
    assert done.stdout.count("\n") == 1
    assert done.stderr == ""


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


def test_measured_numbers_never_come_as_nan() -> None:
    from app.json_lines import json_number

    assert json_number(float("nan"), 3) is None
    assert json_number(float("inf"), 3) is None
    value = json_number(np.float64(1.23456), 3)
    assert type(value) is float
    assert value == 1.235
    assert str(json_number(-0.0001, 2)) == "0.0"
    assert Measurement.normal(1, 0.1, Unit.MILLIMETRE).value == 1


def test_problems_are_told_with_their_fix() -> None:
    from app.json_lines import _problem

    told = _problem(Problem(code="a", text="b", fix="c", pieces=(2, 3)))
    assert told == {"code": "a", "text": "b", "fix": "c", "pieces": [2, 3]}


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
