"""The examples in docstrings run as tests, so that none of them tells what is no longer so."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
from types import ModuleType

import pytest

import app.load
import rules
import vision

LEAST_EXAMPLES = 35
"""Of all packages; fewer mean that the walk lost them."""


def modules(package: ModuleType) -> list[str]:
    found = pkgutil.walk_packages(package.__path__, f"{package.__name__}.")
    return [package.__name__, *(module.name for module in found)]


NAMES = [*modules(rules), *modules(vision), *modules(app.load)]
FINDER = doctest.DocTestFinder(exclude_empty=True)


@pytest.mark.parametrize("name", NAMES)
def test_examples_tell_what_comes_out(name: str) -> None:
    failed, _ = doctest.testmod(importlib.import_module(name))
    assert failed == 0


def test_there_are_examples() -> None:
    tests = [test for name in NAMES for test in FINDER.find(importlib.import_module(name))]
    assert sum(bool(test.examples) for test in tests) >= LEAST_EXAMPLES
