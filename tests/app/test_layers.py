"""No arrow climbs and no circle: neither between the app's modules nor between its rooms."""

from __future__ import annotations

import ast
from collections.abc import Iterable, Mapping
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
Graph = Mapping[str, set[str]]

ENTRANCES = {"app.__main__", "app.cli", "app.opening", "app.web.places", "app.web.frame"}
"""They put together what lies in the rooms below them: each is a room of its own."""


def modules() -> dict[str, Path]:
    found = {}
    for path in sorted((ROOT / "app").rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    assert len(found) > 100, "the test looks in the wrong place"
    return found


def imported_by(source: str, known: Iterable[str]) -> set[str]:
    """Modules that a source imports anywhere, in functions and for types too."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            own = {f"{node.module}.{alias.name}" for alias in node.names}
            names |= own & set(known) or {node.module}
    return names & set(known)


def room_of(module: str, path: Path) -> str:
    """The folder a module lies in."""
    if module in ENTRANCES:
        return module
    return ".".join(path.relative_to(ROOT).parent.parts)


def rooms(graph: Graph, paths: Mapping[str, Path]) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for module, below in graph.items():
        room = room_of(module, paths[module])
        found.setdefault(room, set()).update(room_of(one, paths[one]) for one in below)
    return {room: below - {room} for room, below in found.items()}


def circle(graph: Graph) -> list[str]:
    """One circle of a graph; empty where there is none."""
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as fault:
        return list(fault.args[1])
    return []


@pytest.fixture(scope="module")
def graph() -> dict[str, set[str]]:
    paths = modules()
    return {
        name: imported_by(path.read_text(encoding="utf-8"), paths) - {name}
        for name, path in paths.items()
    }


def test_no_module_comes_to_import_itself(graph: Graph) -> None:
    assert circle(graph) == []


def test_no_room_comes_to_import_itself(graph: Graph) -> None:
    assert circle(rooms(graph, modules())) == []


def test_nobody_opens_the_records_past_their_door(graph: Graph) -> None:
    """Opened elsewhere, tables that nobody imported would be missing without a word."""
    for name, path in modules().items():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        takes = {
            alias.name
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("app.records")
            for alias in node.names
        }
        assert name == "app.opening" or "open_records" not in takes, name


def test_the_walk_finds_a_circle_and_an_import_wherever_it_stands() -> None:
    source = "def f():\n    from app.load import bins\nfrom app.records.store import Records\n"
    assert imported_by(source, {"app.load.bins", "app.load", "app.records.store"}) == {
        "app.load.bins",
        "app.records.store",
    }
    assert circle({"a": {"b"}, "b": {"c"}, "c": {"a"}})
    assert circle({"a": {"b", "c"}, "b": {"c"}, "c": set()}) == []
