"""Arrows between the packages never turn back."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
OURS = {"rules", "vision", "app", "models"}
MAY_KNOW = {
    "rules": {"rules", "numpy"},
    "vision": {"rules", "vision", "models"},
    "app": {"rules", "vision", "app", "models"},
}


def imported_by(source: str, package: str) -> set[str]:
    """Top-level names of everything imported, also inside functions."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add(package if node.level else (node.module or "").split(".")[0])
        elif (
            isinstance(node, ast.Call)
            and getattr(node.func, "id", getattr(node.func, "attr", "")) == "import_module"
            and node.args
            and isinstance(node.args[0], ast.Constant)
        ):
            names.add(str(node.args[0].value).split(".")[0])
    return names


def modules(package: str) -> list[Path]:
    found = sorted((ROOT / package).rglob("*.py"))
    assert found, f"{package} has no modules: the test looks in the wrong place"
    return found


def test_rules_import_numpy_and_the_standard_library_only() -> None:
    allowed = MAY_KNOW["rules"] | set(sys.stdlib_module_names)
    for path in modules("rules"):
        strangers = imported_by(path.read_text(encoding="utf-8"), "rules") - allowed
        assert not strangers, f"{path.relative_to(ROOT)} imports {sorted(strangers)}"


@pytest.mark.parametrize("package", ["vision", "app"])
def test_no_package_knows_one_above_it(package: str) -> None:
    for path in modules(package):
        ours = imported_by(path.read_text(encoding="utf-8"), package) & OURS
        turned_back = ours - MAY_KNOW[package]
        assert not turned_back, f"{path.relative_to(ROOT)} imports {sorted(turned_back)}"


def test_the_walk_sees_imports_wherever_they_stand() -> None:
    source = (
        "import cv2.aruco\nfrom . import x\n"
        "def f():\n    from vision.types import y\n    importlib.import_module('app.cli')\n"
    )
    assert imported_by(source, "rules") == {"cv2", "rules", "vision", "app"}
