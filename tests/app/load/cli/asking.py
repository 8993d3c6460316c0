"""What the tests of the load commands ask and fill in."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

Run = Callable[..., tuple[int, str, str]]


def asked(run: Run, *words: object) -> dict[str, Any]:
    code, out, err = run(*words, "--json")
    assert code == 0, err
    assert out.count("\n") == 1
    told: dict[str, Any] = json.loads(out)
    return told


def filled(run: Run) -> None:
    """A small load and a buyer, typed in as a person would."""
    assert run("buyer", "Yard", "--currency", "USD", "--travel", "4")[0] == 0
    assert run("price", "Yard", "no1=3.74", "no2=3.26", "bare_bright=3.95")[0] == 0
    assert (
        run("add", "--lot", "tube from the cellar", "--grade", "no1", "--weight", "12 lb")[0] == 0
    )
    assert run("add", "--lot", "thin wire", "--grade", "no2", "--weight", "5.5 lb")[0] == 0
