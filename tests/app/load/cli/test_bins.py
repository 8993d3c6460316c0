"""Pieces are moved and taken out."""

from __future__ import annotations

from decimal import Decimal

from tests.app.load.cli.asking import Run, asked, filled


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
