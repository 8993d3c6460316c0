"""What is typed or tapped for a fix: it can be typed, and its problem can come up."""

from __future__ import annotations

import re
import shlex

import pytest

from app.cli import _parser
from app.how import TAPPED, TYPED, fix_with
from vision.problems import problem_of
from vision.types import Problem

FLAGS = re.compile(r"--[a-z]+(?: [\w:]+)?")


@pytest.mark.parametrize("key", sorted(TYPED))
def test_what_is_to_be_typed_can_be_typed(key: str) -> None:
    """By the command line's own parser, in front of a photo."""
    said = [flag for flag in FLAGS.findall(TYPED[key]) if not flag.startswith("--debug")]
    for flag in said:
        _parser().parse_args(["grade", *shlex.split(flag), "photo.jpg"])
    assert said or "--debug" in TYPED[key]


def test_nothing_is_typed_on_the_pages() -> None:
    assert not any("--" in text for text in TAPPED.values())


@pytest.mark.parametrize(
    ("variant", "how", "told"),
    [
        ("", {"no_piece": "Tap it."}, "Move closer. Tap it."),
        ("", {"no_piece.small": "Tap it."}, "Move closer."),
        ("small", {"no_piece.small": "Tap it.", "no_piece": "No."}, "Move closer. Tap it."),
        ("small", {"no_piece": "No."}, "Move closer."),
        ("", {}, "Move closer."),
    ],
)
def test_a_channel_adds_its_own_way_to_its_own_variant(
    variant: str, how: dict[str, str], told: str
) -> None:
    problem = Problem(code="no_piece", text="none", fix="Move closer.", variant=variant)
    assert fix_with(problem, how) == told


def test_a_problem_of_the_catalogue_gets_its_way() -> None:
    problem = problem_of("no_piece")
    assert fix_with(problem, TAPPED).startswith(problem.fix)
    assert fix_with(problem, TAPPED) != problem.fix
