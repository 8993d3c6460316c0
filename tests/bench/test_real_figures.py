"""Figures of answers on real photos, against counts made by hand."""

from __future__ import annotations

from typing import Any

from bench.real_figures import Answer, rates, report
from bench.real_pictures import reliability, risk_coverage, worst
from bench.real_truth import RIGHT_GRADES, Truth


def answer(kind: str, top: str, p: float, *, words: str = "sure", **more: Any) -> Answer:
    other = "no1" if top != "no1" else "no2"
    piece = {
        "box_px": [0, 0, 10, 10],
        "outline_px": [[0, 0], [9, 0], [9, 9]],
        "form": {"value": "wire"},
        "finish": {"shares": {"bright": 0.2, "coated": 0.7, "tinned": 0.1}},
        "brass": {"p": 0.0, "share": 0.0},
        "solder": {"p": 0.0, "share": 0.0},
        "other_metal": {"p": 0.0},
        "grade": {
            "p": {top: p, other: 1 - p},
            "suggested": top,
            "borderline": words == "borderline",
        },
        "words": f"{words}, {p:.0%}",
        "tapped": False,
        **more,
    }
    grades = RIGHT_GRADES.get(kind, frozenset())
    return Answer(photo="a.jpg", truth=Truth(kind=kind, grades=grades), piece=piece)


def line(text: str, name: str) -> str:
    return next(row for row in text.splitlines() if row.startswith(f"| {name} |"))


def test_only_what_is_told_as_sure_counts_as_sure() -> None:
    text = report(
        [
            answer("insulated", "set_aside", 0.97),
            answer("insulated", "no2", 0.99),
            answer("insulated", "no2", 0.6, words="borderline"),
            answer("stranger", "no2", 0.9, words="likely"),
            answer("mixed", "no2", 0.99),
        ],
        found={},
    )
    assert "| 50.0 % |" in line(text, "of the answers told as sure, right")
    assert "n 2" in line(text, "of the answers told as sure, right")
    assert "| 33.3 % |" in line(text, "of the decided, right")
    assert "| 0.0 % |" in line(text, "no copper, graded as copper and sure")
    assert "| 100.0 % |" in line(text, "no copper, graded as copper and decided")
    assert "| 1; 1, 0 |" in line(text, "photos; answers left out: mixed, unsure")


def test_a_jacket_told_as_a_coat_has_the_right_look_but_the_wrong_grade() -> None:
    one = answer("insulated", "no2", 0.99)
    assert not one.is_right
    assert "1 of 1" in line(report([one], found={}), "insulated")


def test_presence_is_counted_where_it_is_and_where_it_is_not() -> None:
    seen = {w: {"p": 0.9, "share": 0.9} for w in ("insulation", "coating", "tin")}
    text = report([answer("insulated", "set_aside", 0.9, seen=seen)], found={})
    assert line(text, "insulation").startswith("| insulation | 100.0 % |")
    unseen = answer("insulated", "set_aside", 0.9, seen=dict.fromkeys(seen))
    assert "insulation" not in report([unseen], found={})
    assert line(text, "coating").startswith("| coating | - | n 0 | 100.0 % |")


def test_the_risk_falls_to_the_axis_only_where_nothing_is_wrong() -> None:
    right, wrong = (answer("stranger", g, 0.9) for g in ("set_aside", "no2"))
    # By hand: all right keeps a risk of 0, all wrong one of 1, whatever is kept.
    low, high = (risk_coverage(rates([a] * 5)) for a in (right, wrong))
    ink = [(picture != 255).any(axis=2).sum(axis=1) for picture in (low, high)]
    assert ink[0][-63:].sum() > ink[1][-63:].sum()  # the line lies on the lower axis
    assert ink[1][44:49].sum() > ink[0][44:49].sum()  # and here on the upper one


def test_diagrams_draw_every_group_and_a_single_answer() -> None:
    pairs = rates([answer("stranger", "set_aside", 0.9), answer("insulated", "no2", 0.8)])
    assert set(pairs) == {"surfaces", "strangers"}
    for picture in (reliability(pairs), risk_coverage(pairs)):
        assert picture.shape == (520, 520, 3)
        assert len({tuple(pixel) for pixel in picture.reshape(-1, 3)}) > 4


def test_there_is_no_worst_where_all_is_right(tmp_path: Any) -> None:
    assert worst([answer("stranger", "set_aside", 0.9)], photos=tmp_path) is None


def test_inside_a_mark_the_table_is_right_for_strangers_only() -> None:
    p = {"table": 0.6, "coated": 0.3, "other_metal": 0.1}
    marks = [{"kind": k, "group": "", "p": p} for k in ("stranger", "insulated", "bright")]
    text = report([], found={}, inside=marks)
    assert line(text, "stranger").startswith("| stranger | 100.0 % |")
    assert line(text, "insulated").startswith("| insulated | 100.0 % |")
    assert line(text, "bright").startswith("| bright | 0.0 % |")
    assert "| 50.0 % |" in line(text, "all surfaces but coins and other metals")


def test_copper_told_as_no_metal_has_the_wrong_look() -> None:
    assert answer("coated", "set_aside", 0.9).look == "coated"
    assert answer("coated", "set_aside", 0.9, not_metal={"p": 0.8}).look == "not_metal"
