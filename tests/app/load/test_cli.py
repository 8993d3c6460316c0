"""The load commands end to end, as text and as JSON."""

from __future__ import annotations

import io
import json
import shutil
import subprocess
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import vision.examine
from app.cli import main
from app.load.demo import LOAD, WEIR
from app.load.pictures import picture_of
from app.opening import open_records
from tests.vision.drawn_examination import examination
from vision.types import Examination, Photo

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(folder: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    def call(*words: object) -> tuple[int, str, str]:
        told = [str(word) for word in words]
        code = main(["load", *told, "--data", str(folder), "--day", "2026-03-20"])
        out, err = capsys.readouterr()
        return code, out, err

    return call


def asked(run: Run, *words: object) -> dict[str, Any]:
    code, out, err = run(*words, "--json")
    assert code == 0, err
    assert out.count("\n") == 1
    told: dict[str, Any] = json.loads(out)
    return told


def filled(run: Run) -> None:
    """A small load and a buyer, typed in as a person would."""
    assert run("buyer", "Yard", "--currency", "USD", "--travel", "4")[0] == 0
    assert run("price", "Yard", "no1=3.74", "no2=3.26", "bare_bright=3.95")[0] == 0
    assert (
        run("add", "--lot", "tube from the cellar", "--grade", "no1", "--weight", "12 lb")[0] == 0
    )
    assert run("add", "--lot", "thin wire", "--grade", "no2", "--weight", "5.5 lb")[0] == 0


def test_a_whole_sale_from_the_first_lot_to_the_money(run: Run, tmp_path: Path) -> None:
    filled(run)
    assert run("weigh", "no1", "14.4", "--tare", "2.0")[0] == 0
    load = asked(run, "list")
    # 12.4 lb of No. 1 on the scale and 5.5 lb stated: 17.9 lb = 8.119303423 kg.
    assert load["kg"] == "8.119303423"
    assert [b["weight"]["is"] for b in load["bins"]] == ["scale", "scale"]
    plan = asked(run, "plan", "--hourly", "20")
    # 12.4 * 3.74 = 46.376 -> 46.38; 5.5 * 3.26 = 17.93; together 64.31.
    assert plan["offers"][0]["labelled"] == "64.31"
    assert plan["offers"][0]["net"] == pytest.approx(64.31 - 4, abs=0.01)
    ticket = asked(run, "ticket", "Yard", "--out", tmp_path / "t")
    assert ticket["code"] == "2026-03-20-1"
    assert all(Path(path).is_file() for path in ticket["files"])
    code, out, _ = run("settle", "2026-03-20-1", "no1=40.42@no2", "--note", "a joint in it")
    assert code == 0
    # No. 1 paid as No. 2: 40.42 instead of 46.38, 5.96 less.
    assert "-5.96" in out
    settled = asked(run, "list", "tickets")["tickets"][0]["settled"]
    assert settled["paid"] == "58.35"
    assert [one["difference"] for one in settled["by_grade"]] == ["-5.96", "0.00"]
    assert asked(run, "list")["bins"] == []


def test_moving_and_taking_out_keep_every_gram(run: Run) -> None:
    filled(run)
    before = Decimal(asked(run, "list")["kg"])
    load = asked(run, "move", "p2", "no1")
    assert Decimal(load["kg"]) == before
    assert [len(b["pieces"]) for b in load["bins"]] == [2, 0]
    load = asked(run, "out", "p2")
    assert Decimal(load["kg"]) == before - Decimal("5.5") * Decimal("0.45359237")
    load = asked(run, "out", "no1")
    assert [b["name"] for b in load["bins"]] == ["no2"]


def test_a_buyers_own_rules_are_kept_and_shown(run: Run) -> None:
    filled(run)
    told = asked(
        run, "buyer", "yard", "--limit", "strand=1.35,fails", "--solder", "passes",
        "--deduction", "2.5", "--least", "20 lb", "--forgives", "1",
    )  # fmt: skip
    (shown,) = told["buyers"]
    assert shown["name"] == "Yard"
    assert shown["limits"] == {"strand": {"value": 1.35, "at_limit": "fails"}}
    assert (shown["deduction"], shown["travel"], shown["forgiven"]) == ("0.025", "4.00", 1)
    assert shown["least_kg"] == "9.07184740"
    assert "own strand 1.35 (fails on the limit)" in run("list", "buyers")[1]
    code, _, err = run("buyer", "Yard", "--limit", "colour=1")
    assert (code, "no limit 'colour'" in err) == (2, True)


def test_prices_grow_a_history_and_turn_stale(
    run: Run, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    filled(run)
    asked(run, "price", "Yard", "no1=3.80", "--from", "100 lb")
    current = asked(run, "list", "prices")["prices"]
    assert [(one["grade"], one["amount"]) for one in current if one["grade"] == "no1"] == [
        ("no1", "3.74"), ("no1", "3.80"),
    ]  # fmt: skip
    assert not any(one["stale"] for one in current)
    assert len(asked(run, "list", "history")["prices"]) == 4
    main(["load", "list", "prices", "--data", str(folder), "--day", "2026-04-20"])
    assert "STALE, 31 days old" in capsys.readouterr().out


def test_the_demo_plans_and_goes_again(run: Run, tmp_path: Path) -> None:
    assert run("demo")[0] == 0
    chart = tmp_path / "c.svg"
    words = ("plan", "--load", LOAD, "--hourly", "20", "--weekly", "no1=5 lb", "--chart", chart)
    code, out, _ = run(*words)
    assert code == 0
    headings = ("Which buyer", "What to pull", "Worth the time", "From which weight on")
    told = (*headings, "Go now, or wait", "Mind", "Never burn off", "prices are up to 24")
    assert [one for one in told if one not in out] == []
    assert all(len(line) <= 80 for line in out.splitlines())
    assert chart.read_text().startswith("<?xml")
    plan = asked(run, "plan", "--load", LOAD, "--hourly", "20", "--buyer", WEIR)
    assert plan["for_buyer"] == WEIR
    assert len(plan["offers"]) == 3
    tub = plan["pulls"]["blue tub"]
    assert {one["piece"] for one in tub["first_first"]} == {"p3", "p4"}
    assert tub["p_downgrade"] > 0.99 > tub["p_downgrade_after"]
    assert run("demo", "--remove")[0] == 0
    assert asked(run, "list", "loads")["loads"] == []


def test_an_empty_load_names_the_others(run: Run) -> None:
    assert run("demo")[0] == 0
    assert f'--load "{LOAD}"' in run("list")[1]
    for words in (("plan",), ("ticket", WEIR)):
        code, _, err = run(*words)
        assert code == 2
        assert f'--load "{LOAD}"' in err


def test_all_bins_without_a_weight_are_named_at_once(run: Run) -> None:
    filled(run)
    for grade in ("no2", "set_aside"):
        run("add", "--lot", "bits", "--grade", grade, "--bin", f"{grade} tub")
    code, _, err = run("plan")
    assert code == 2
    assert "no2 tub (1 of 1 pieces), set_aside tub (1 of 1 pieces)" in err
    assert 'load weigh "no2 tub" READING' in err
    run("weigh", "no2 tub", "3.0")
    assert 'load weigh "set_aside tub" READING' in run("plan")[2]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("plan",), "nothing in this load"),
        (("add",), "name photos"),
        (("add", "--lot", "x"), "say its grade"),
        (("add", "--lot", "x", "--grade", "no1", "--weight", "12"), "say the unit"),
        (("buyer", "New"), "in which money"),
        (("buyer", "New", "--currency", "Taler"), "ISO 4217"),
        (("price", "Nobody", "no1=1"), "no buyer"),
        (("weigh", "p9", "5"), "no piece"),
        (("move", "p9", "no1"), "no piece"),
        (("ticket", "Nobody"), "no buyer"),
        (("settle", "1999-01-01-1"), "no ticket"),
        (("plan", "--weekly", "no1"), "GRADE=MASS"),
        (("plan", "--chart", "x.png"), ".pdf or .svg"),
    ],
)
def test_what_can_not_be_done_is_said_and_ends_with_two(
    run: Run, words: tuple[str, ...], said: str
) -> None:
    code, out, err = run(*words)
    assert code == 2
    assert out == ""
    assert said in err


def test_photos_go_into_the_bin_that_fits_and_into_the_records(
    run: Run, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stand_in(photo: Photo, **_: Any) -> Examination:
        found = examination(size=(480, 640), pieces=2, scale=True)
        return Examination(photo=photo, scale=found.scale, pieces=found.pieces)

    monkeypatch.setattr(vision.examine, "examine", stand_in)
    good, bad = tmp_path / "a.jpg", tmp_path / "b.jpg"
    Image.fromarray(np.full((480, 640, 3), (176, 142, 108), np.uint8)).save(good)
    bad.write_text("no photo")
    code, out, err = run("add", good, bad, "--json")
    assert code == 3, "one could not be read"
    assert "b.jpg" in err
    pieces = [piece for b in json.loads(out)["bins"] for piece in b["pieces"]]
    assert [piece["name"] for piece in pieces] == ["a 1", "a 2"]
    assert all(piece["record"] and piece["photo"] for piece in pieces)
    for b in json.loads(out)["bins"]:
        assert all(piece["grade"] == b["grade"] for piece in b["pieces"])
    # The ticket's picture is cut to the piece; without its record it is the whole photo.
    with open_records(folder) as records:
        first = pieces[0]
        cut = picture_of(records, first["photo"], first["record"])
        whole = picture_of(records, first["photo"], None)
        assert cut is not None
        assert whole is not None
        sizes = [Image.open(io.BytesIO(data)).size for data in (cut, whole)]
        assert max(sizes[0]) == 480
        assert sizes[0] != sizes[1] == (480, 360)
        assert picture_of(records, "0" * 64, None) is None


def test_completion_scripts_know_the_load_commands(capsys: pytest.CaptureFixture[str]) -> None:
    for shell in ("bash", "zsh", "tcsh"):
        assert main(["completion", shell]) == 0
        script = capsys.readouterr().out
        assert "settle" in script
        assert shell == "tcsh" or "--cluster" in script


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
def test_bash_completes_commands_and_options(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["completion", "bash"]) == 0
    script = capsys.readouterr().out
    asked_of_it = """
    complete -p cuproscope
    for words in "cuproscope load se" "cuproscope load plan --h" "cuproscope grade --cl"; do
        COMP_WORDS=($words); COMP_CWORD=$((${#COMP_WORDS[@]} - 1)); COMPREPLY=()
        $(complete -p cuproscope | sed 's/.*-F \\([^ ]*\\).*/\\1/')
        echo "${COMPREPLY[@]}"
    done
    """
    done = subprocess.run(
        ["bash", "-c", f"{script}\n{asked_of_it}"], capture_output=True, text=True, check=False
    )
    told = done.stdout.splitlines()
    assert "settle" in told[1].split(), done.stderr
    assert "--hourly" in told[2].split()
    assert "--cluster" in told[3].split()


@pytest.mark.parametrize(
    "words",
    [
        ("weigh", "no1", "1e-400"),
        ("weigh", "no1", "12.5", "--tare", "1e-400"),
        ("weigh", "no1", "12.5", "--step", "1e-400"),
        ("weigh", "no1", "0." + "0" * 30 + "1"),
        ("weigh", "no1", "1e400"),
        ("add", "--lot", "x", "--grade", "no1", "--weight", "1e-400 lb"),
        ("buyer", "Yard", "--least", "1e-400 lb"),
        ("buyer", "Yard", "--deduction", "1e-400"),
        ("buyer", "Yard", "--travel", "1e-400"),
        ("buyer", "Yard", "--sheet", "../house.toml"),
        ("price", "Yard", "no1=1e-400"),
        ("price", "Yard", "no1=3.80", "--from", "1e-400 lb"),
    ],
    ids=" ".join,
)
def test_what_could_not_be_read_again_is_not_taken(run: Run, words: tuple[str, ...]) -> None:
    filled(run)
    before = [asked(run, "list", what) for what in ("bins", "buyers", "prices")]
    code, _, err = run(*words)
    assert code == 2
    assert err.count("\n") == 1 and len(err) < 200
    assert [asked(run, "list", what) for what in ("bins", "buyers", "prices")] == before


def test_the_finest_that_is_taken_is_read_again(run: Run) -> None:
    filled(run)
    assert run("weigh", "no1", "12.123456789", "--tare", "0.000000001")[0] == 0
    assert run("buyer", "Yard", "--least", "0.000000001 lb", "--deduction", "0.000000001")[0] == 0
    assert run("price", "Yard", "no1=3.123456", "--from", "0.000000001 lb")[0] == 0
    assert run("plan")[0] == 0
    assert asked(run, "list", "bins")["bins"]


def test_a_full_disk_leaves_no_ticket(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(run)

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr("app.load.ticket_csv.write_whole", full)
        code, out, err = run("ticket", "Yard", "--out", tmp_path)
    assert (code, out) == (2, "") and "No space" in err
    assert asked(run, "list", "tickets")["tickets"] == []
    assert run("ticket", "Yard", "--out", tmp_path)[0] == 0
    (ticket,) = asked(run, "list", "tickets")["tickets"]
    assert ticket["code"] == "2026-03-20-1"


def test_a_sold_number_is_never_given_again(run: Run, tmp_path: Path) -> None:
    filled(run)
    assert run("ticket", "Yard", "--out", tmp_path)[0] == 0  # names p1 and p2
    assert run("out", "p2")[0] == 0
    assert run("add", "--lot", "not for sale yet", "--grade", "no2", "--weight", "3 lb")[0] == 0
    assert run("settle", "2026-03-20-1")[0] == 0
    left = [piece["name"] for b in asked(run, "list", "bins")["bins"] for piece in b["pieces"]]
    assert left == ["not for sale yet"]


def test_not_even_by_a_load_that_was_made_again(run: Run, tmp_path: Path) -> None:
    filled(run)
    assert run("ticket", "Yard", "--out", tmp_path)[0] == 0
    for name in ("no1", "no2"):
        assert run("out", name)[0] == 0
    assert run("add", "--lot", "new", "--grade", "no1", "--weight", "3 lb")[0] == 0
    (b,) = asked(run, "list", "bins")["bins"]
    assert [piece["id"] for piece in b["pieces"]] == ["p3"]
