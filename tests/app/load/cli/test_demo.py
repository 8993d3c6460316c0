"""The invented load."""

from __future__ import annotations

from pathlib import Path

from app.load.demo import LOAD, WEIR
from tests.app.load.cli.asking import Run, asked


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
