"""The plan asks for what it needs."""

from __future__ import annotations

from tests.app.load.cli.asking import Run, filled


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
