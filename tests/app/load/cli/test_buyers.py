"""Buyers, their own rules and their prices."""

from __future__ import annotations

from pathlib import Path

import pytest

from app.cli import main
from tests.app.load.cli.asking import Run, asked, filled


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
