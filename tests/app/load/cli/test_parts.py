"""What all load commands refuse, and how they say it."""

from __future__ import annotations

import pytest

from app.load.demo import LOAD, WEIR
from tests.app.load.cli.asking import Run, asked, filled


def test_an_empty_load_names_the_others(run: Run) -> None:
    assert run("demo")[0] == 0
    assert f'--load "{LOAD}"' in run("list")[1]
    for words in (("plan",), ("ticket", WEIR)):
        code, _, err = run(*words)
        assert code == 2
        assert f'--load "{LOAD}"' in err


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
