"""The catalogue of problems: whole, used, and the same whatever the channel."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path
from string import Formatter

import pytest

from app.how import TAPPED, TYPED, fix_with
from rules.errors import PhotoError
from vision.problems import CATALOGUE, as_problem, in_words, photo_error, problem_of
from vision.types import Problem

ROOT = Path(__file__).parents[2]


def calls() -> Iterator[tuple[str, ast.Call, str]]:
    """Every call by a plain name in what is shipped: where it stands, and what is called."""
    for package in ("vision", "rules", "app"):
        for path in sorted((ROOT / package).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                    yield f"{path.relative_to(ROOT)}:{node.lineno}", node, node.func.id


CATALOGUE_FILE = "vision/problems.py"
RAISED = [
    (where, node)
    for where, node, name in calls()
    if name in ("problem_of", "photo_error") and not where.startswith(CATALOGUE_FILE)
]


def named(text: str) -> set[str]:
    return {field for _, field, _, _ in Formatter().parse(text) if field}


def test_each_problem_that_is_raised_is_in_the_catalogue_with_all_that_its_words_name() -> None:
    for where, node in RAISED:
        assert isinstance(node.args[0], ast.Constant), where
        key = str(node.args[0].value)
        assert key in CATALOGUE, f"{where} raises {key}"
        if any(word.arg is None for word in node.keywords):
            continue  # unpacked; the problem's own test says it in full
        given = {word.arg for word in node.keywords} - {"where"}
        text, fix = CATALOGUE[key]
        assert given == named(text) | named(fix), f"{where} raises {key} with {given}"


def test_nothing_stands_in_the_catalogue_that_is_never_raised() -> None:
    raised = {
        str(node.args[0].value) for _, node in RAISED if isinstance(node.args[0], ast.Constant)
    }
    assert raised == set(CATALOGUE)


def test_no_problem_is_worded_elsewhere() -> None:
    # The second hands on what the process that decoded the photo said.
    own = (CATALOGUE_FILE, "vision/photo/guarded.py")
    for where, _, name in calls():
        if name in ("Problem", "PhotoError"):
            assert where.startswith(own), f"{where} words a problem of its own"


@pytest.mark.parametrize("key", CATALOGUE)
def test_what_to_do_is_said_whatever_the_channel(key: str) -> None:
    text, fix = CATALOGUE[key]
    assert "--" not in text + fix, "that is how the command line has it: app/how.py"
    assert fix.endswith((".", "}")), "a fix is a sentence"


def test_a_channel_speaks_of_known_problems_only() -> None:
    assert set(TYPED) | set(TAPPED) <= set(CATALOGUE)
    assert not any("--" in how for how in TAPPED.values())


def test_a_channel_adds_its_way_behind_the_fix_of_its_variant_alone() -> None:
    plain, card = problem_of("no_reference"), problem_of("no_reference.card")
    assert plain.code == card.code == "no_reference"
    assert fix_with(plain, TYPED).startswith(plain.fix + " Name it with --reference")
    assert fix_with(card, TYPED) == card.fix


def test_an_error_and_its_problem_say_the_same() -> None:
    fault = photo_error("tilt_too_big", tilt_deg=23.4, where="a.jpg")
    assert str(fault) == "a.jpg: the phone was tilted by 23 degrees against the table"
    assert as_problem(fault) == problem_of("tilt_too_big", tilt_deg=23.4)
    assert isinstance(fault, PhotoError)


@pytest.mark.parametrize(
    ("pieces", "told"),
    [
        ((), "It is thin."),
        ((2,), "Piece 2: It is thin."),
        ((1, 3, 4), "Pieces 1, 3 and 4: It is thin."),
    ],
)
def test_pieces_are_named_before_the_text(pieces: tuple[int, ...], told: str) -> None:
    assert in_words(Problem(code="a", text="It is thin.", fix="Go nearer.", pieces=pieces)) == told
