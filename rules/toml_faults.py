"""Gather every fault of a TOML file on the way through it, each with its line."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path as FilePath
from typing import Any

from rules.errors import RuleFileError
from rules.toml_lines import Path, read_toml


class TomlReader:
    """What turns a parsed TOML file into values; faults are gathered and told together.

    Attributes:
        path: Where the file is.
        text: What it says.
        faults: Line and words of each fault so far.
    """

    def __init__(self, path: FilePath) -> None:
        self.path = path
        self.text = read_toml(path)
        self.faults: list[tuple[int, str]] = []

    def fault(self, at: Path, message: str) -> None:
        """Note a fault of the value at this path."""
        self.faults.append((self.text.line(at), message))

    def schema(self, schema: str) -> None:
        """Note it where the file is not of this schema."""
        if self.text.values.get("schema") != schema:
            self.fault(("schema",), f'the file must say schema = "{schema}"')

    def keys(self, table: Mapping[str, Any], known: set[str], at: Path, *, hint: str = "") -> None:
        """Note each key of a table that nobody knows; ``hint`` says what there is instead."""
        for key in table:
            if key not in known:
                listed = hint or f"known: {', '.join(sorted(known))}"
                self.fault((*at, key), f"unknown key {key!r}; {listed}")

    def error(self) -> RuleFileError:
        """Return the error that names the file and each fault with its line."""
        told = "; ".join(f"line {line}: {fault}" for line, fault in sorted(set(self.faults)))
        return RuleFileError(told, where=str(self.path))
