"""Figures of answers on real photos: how much of what is told as sure is right, and more.

Pure arithmetic on answers and their truth. Shares come with n and their 95 % interval
(Wilson 1927), as if answers were independent.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from app.practice.statistics import share_of
from bench.real_truth import RIGHT_LOOKS, STRANGE, Truth
from models.recipe.figures import calibration_error

COPPER = frozenset({"bare_bright", "no1", "no2"})
PRESENT = {
    "coated": "coating",
    "insulated": "insulation",
    "tinned": "tin",
    "green": "green",
    "brass": "brass",
    "solder": "solder",
}
"""What is there where a kind is: the words of the answer's ``seen``."""

NO_COPPER = frozenset({"table", "reference", "other_metal", "stranger"})

THERE = 0.5

Pairs = list[tuple[float, bool]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What was told of one piece on one photo (``piece`` as the JSON has it), and its truth."""

    photo: str
    truth: Truth
    piece: Mapping[str, Any]

    @property
    def top(self) -> str:
        """The likeliest grade, decided or not."""
        p = self.piece["grade"]["p"]
        return str(max(p, key=p.__getitem__))

    @property
    def confidence(self) -> float:
        """How likely the likeliest grade is told to be."""
        return float(self.piece["grade"]["p"][self.top])

    @property
    def is_decided(self) -> bool:
        """Whether one grade is named, as sure or as likely."""
        grade = self.piece["grade"]
        return grade["suggested"] is not None and not grade["borderline"]

    @property
    def is_sure(self) -> bool:
        """Whether the person reads 'sure'."""
        return str(self.piece["words"]).startswith("sure")

    @property
    def is_right(self) -> bool:
        """Whether the likeliest grade is one of the right ones."""
        return self.top in self.truth.grades

    @property
    def is_strange(self) -> bool:
        """Whether the piece is no copper at all."""
        return self.truth.kind in STRANGE

    def seen(self, what: str) -> Mapping[str, Any] | None:
        """What is told of a thing on the piece; None where it was not looked for."""
        told: Mapping[str, Any] | None = self.piece.get("seen", {}).get(what)
        return told

    @property
    def look(self) -> str:
        """What is told to cover most of the piece."""
        told = self.piece
        for what in ("brass", "solder", "insulation"):
            flag = self.seen(what) or told.get(what)
            if flag and flag["p"] > THERE and flag["share"] > THERE:
                return what
        for what in ("other_metal", "not_metal"):
            if told.get(what, {"p": 0.0})["p"] > THERE:
                return what
        shares = (told["finish"] or {"shares": {"unseen": 1.0}})["shares"]
        return str(max(shares, key=shares.__getitem__))


def report(
    answers: Sequence[Answer],
    *,
    found: Mapping[str, Sequence[bool]],
    inside: Sequence[Mapping[str, Any]] = (),
    faults: int = 0,
) -> str:
    """Return all tables as Markdown."""
    judged = [a for a in answers if not a.truth.is_left_out]
    parts = [
        _head(answers, judged, faults),
        _by_kind(judged),
        _presence(judged),
        _inside(inside),
        _found(found),
    ]
    return "\n".join(part for part in parts if part)


def rates(answers: Sequence[Answer]) -> dict[str, Pairs]:
    """Return the answers' confidence and whether they are right, by kind of thing."""
    groups = {"surfaces": [a for a in answers if not a.is_strange]}
    groups["strangers"] = [a for a in answers if a.is_strange]
    return {name: [(a.confidence, a.is_right) for a in of] for name, of in groups.items() if of}


def _head(answers: Sequence[Answer], judged: Sequence[Answer], faults: int) -> str:
    sure = [a for a in judged if a.is_sure]
    decided = [a for a in judged if a.is_decided]
    strange = [a for a in judged if a.is_strange]
    asked = [a for a in judged if a.truth.kind in RIGHT_LOOKS]
    plain = [a for a in asked if not a.is_strange]
    formed = [a for a in judged if a.truth.form]
    tapped = sum(a.piece["tapped"] for a in judged)
    rows = [
        ("of the answers told as sure, right", _right(sure)),
        (
            "the same, pieces found without a tap",
            _right([a for a in sure if not a.piece["tapped"]]),
        ),
        ("of the decided, right", _right(decided)),
        ("told as sure", _share(judged, lambda a: a.is_sure)),
        ("decided", _share(judged, lambda a: a.is_decided)),
        ("no copper, told as sure, whatever the grade", _share(strange, lambda a: a.is_sure)),
        ("no copper, graded as copper and sure", _share(strange, _is_sure_copper)),
        ("no copper, graded as copper and decided", _share(strange, _is_decided_copper)),
        ("finish right (dominant look, other metals apart)", _share(plain, _is_look_right)),
        ("form right, where it is sure", _share(formed, _is_form_right)),
        ("expected calibration error of the grade", f"{_error(judged):.3f} |"),
        (
            "photos; answers left out: mixed, unsure",
            f"{len({a.photo for a in answers})}; "
            f"{sum(a.truth.kind == 'mixed' for a in answers)}, "
            f"{sum(a.truth.kind == 'unsure' for a in answers)} | "
            f"{tapped} of {len(judged)} answers by a tap; {faults} taps failed",
        ),
    ]
    return _table(("figure", "value", "95 % interval, n"), [(n, v) for n, v in rows])


def _error(judged: Sequence[Answer]) -> float:
    said, right = [a.confidence for a in judged], [a.is_right for a in judged]
    return calibration_error(said, right, bins=10)


def _by_kind(judged: Sequence[Answer]) -> str:
    names = sorted({_name(a) for a in judged}, key=lambda n: (n.startswith("coin"), n))
    rows = []
    for name in names:
        of = [a for a in judged if _name(a) == name]
        sure = [a for a in of if a.is_sure]
        decided = [a for a in of if a.is_decided]
        looks = [a for a in of if a.truth.kind in RIGHT_LOOKS]
        rows.append(
            (
                name,
                f"{len(of)} | {_count(sure)} | {_count(decided)} | "
                f"{sum(map(_is_look_right, looks))} of {len(looks)} | {_familiar(of)}",
            )
        )
    head = ("kind", "n", "sure: right of", "decided: right of", "finish right", "familiar, median")
    return _table(head, rows)


def _presence(judged: Sequence[Answer]) -> str:
    """Return how often each thing is told to be there, where it is and where it is not."""
    rows = []
    for kind, what in PRESENT.items():
        told = [
            (kind in a.truth.shows or a.truth.kind == kind, seen["p"])
            for a in judged
            if (seen := a.seen(what)) is not None
        ]
        there = [p > THERE for is_there, p in told if is_there]
        absent = [p > THERE for is_there, p in told if not is_there]
        if told:
            rows.append((what, f"{_of(there)} | {_of(absent)}"))
    return _table(("told as there", "where it is", "n", "where it is not", "n"), rows)


def _inside(marks: Sequence[Mapping[str, Any]]) -> str:
    """Return how often the surface map names the right look inside the marks.

    Of a stranger it is right to see table, another metal or a stranger.
    """
    hits: dict[str, list[bool]] = {}
    for mark in marks:
        p, kind = mark["p"], mark["kind"]
        strange = kind == "stranger"
        named = {n: v for n, v in p.items() if strange or n not in {"table", "reference"}}
        right = NO_COPPER if strange else RIGHT_LOOKS[kind]
        is_right = max(named, key=named.__getitem__) in right
        name = f"{mark['group']}, {kind}".lstrip(", ")
        hits.setdefault(name, []).append(is_right)
        if not mark["group"] and kind not in STRANGE:
            hits.setdefault("all surfaces but coins and other metals", []).append(is_right)
    rows = [(name, _of(right)) for name, right in sorted(hits.items())]
    return _table(("surface map inside the mark: look right", "share", "n"), rows)


def _found(found: Mapping[str, Sequence[bool]]) -> str:
    rows = [(kind, _of(list(hits))) for kind, hits in sorted(found.items())]
    return _table(("marks covered by pieces found without a tap", "share", "n"), rows)


def _name(answer: Answer) -> str:
    return f"{answer.truth.group}, {answer.truth.kind}".lstrip(", ")


def _familiar(of: Sequence[Answer]) -> str:
    told = [a.piece["familiarity"] for a in of if a.piece.get("familiarity") is not None]
    return f"{np.median(told):.2f}" if told else "-"


def _is_sure_copper(answer: Answer) -> bool:
    return answer.is_sure and answer.top in COPPER


def _is_decided_copper(answer: Answer) -> bool:
    return answer.is_decided and answer.top in COPPER


def _is_look_right(answer: Answer) -> bool:
    return answer.look in RIGHT_LOOKS[answer.truth.kind]


def _is_form_right(answer: Answer) -> bool:
    return bool(answer.piece["form"]["value"] == answer.truth.form)


def _right(answers: Sequence[Answer]) -> str:
    return _share(answers, lambda a: a.is_right)


def _count(answers: Sequence[Answer]) -> str:
    return f"{sum(a.is_right for a in answers)} of {len(answers)}"


def _share(answers: Sequence[Answer], holds: Callable[[Answer], bool]) -> str:
    return _of([holds(a) for a in answers])


def _of(hits: Sequence[bool]) -> str:
    share = share_of(sum(hits), len(hits))
    if share is None:
        return "- | n 0"
    return f"{share.value:.1%} | {share.low95:.1%} to {share.high95:.1%}, n {share.count}".replace(
        "%", " %"
    )


def _table(head: Sequence[str], rows: Sequence[tuple[str, str]]) -> str:
    if not rows:
        return ""
    lines = ["| " + " | ".join(head) + " |", "| --- " * len(head) + "|"]
    return "\n".join(lines + [f"| {name} | {rest} |" for name, rest in rows]) + "\n"
