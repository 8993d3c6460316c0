"""From the first lot to the money."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.app.load.cli.asking import Run, asked, filled


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
