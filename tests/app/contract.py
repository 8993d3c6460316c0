"""What each object of ``cuproscope grade --json`` holds: ``cuproscope.grade/1``."""

from __future__ import annotations

from typing import Any

import pytest

from rules.findings import Finish, Form

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
    keys += ["familiarity", "one_piece", "width_between_mm"]
    check_keys(piece, keys, more=("name", "notes"))
    if (between := piece["width_between_mm"]) is not None:
        assert piece["diameter_mm"] is None
        assert 0 <= between[0] <= between[1]
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
    for whole in (piece["other_metal"], piece["not_metal"], piece["one_piece"]):
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
