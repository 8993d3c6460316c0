"""The one command that makes the networks again names real modules and options."""

from __future__ import annotations

import argparse
import ast
from pathlib import Path

import pytest

from models.recipe.remake import main

RECIPE = Path(__file__).parents[2] / "models" / "recipe"


@pytest.mark.parametrize(("begin", "steps"), [("--weights", 13), ("--start", 15)])
def test_every_step_names_options_that_its_module_has(
    capsys: pytest.CaptureFixture[str], begin: str, steps: int
) -> None:
    own = [begin, "before", "--surroundings", "photos"]
    assert main([*own, "--out", "made", "--skies", "skies", "--dry-run"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == steps
    for line in lines:
        words = line.split()
        module = RECIPE.parents[1] / words[2].replace(".", "/")
        file = module / "__main__.py" if module.is_dir() else module.with_suffix(".py")
        source = file.read_text(encoding="utf-8")
        known = {
            call.args[0].value
            for call in ast.walk(ast.parse(source))
            if isinstance(call, ast.Call)
            and isinstance(call.func, ast.Attribute)
            and call.func.attr == "add_argument"
            and isinstance(call.args[0], ast.Constant)
        }
        assert {word for word in words if word.startswith("--")} <= known


def test_it_asks_for_the_encoder_s_weights() -> None:
    with pytest.raises((SystemExit, argparse.ArgumentError)):
        main(["--out", "made"])
