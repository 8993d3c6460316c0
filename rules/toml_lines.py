"""On which line of a TOML file does a value stand?

The reader of the standard library tells values but no lines. Its own verdict is
used to find them: one statement (a header, or a key with its value, however
many lines it takes) is the shortest run of lines that parses by itself.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path as FilePath
from typing import Any

from rules.errors import RuleFileError

Path = tuple[str | int, ...]

# A sheet is a page or two; the limit keeps a hostile file from costing time.
MAX_BYTES = 64 * 1024
# A longer statement gets no line of its own: each of its lines costs one parse.
MAX_STATEMENT_LINES = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class TomlText:
    """A parsed TOML file that remembers where things stand."""

    text: str
    values: Mapping[str, Any]

    def line(self, path: Path) -> int:
        """Return the line of a value, or of the nearest table around it."""
        lines = _lines_of(self.text)
        while path and path not in lines:
            if (*path, 0) in lines:  # the first of [[row]] stands for all of them
                return lines[*path, 0]
            path = path[:-1]
        return lines.get(path, 1)


def read_toml(path: FilePath) -> TomlText:
    """Read a small TOML file.

    Raises:
        RuleFileError: It can't be read, is too big, not UTF-8 or not TOML.
    """
    where = str(path)
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as fault:
        raise RuleFileError(f"can't be read: {fault}", where=where) from fault
    if len(data) > MAX_BYTES:
        raise RuleFileError(f"larger than {MAX_BYTES // 1024} KiB, so no such file", where=where)
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as fault:
        raise RuleFileError(f"not UTF-8 text (byte {fault.start})", where=where) from fault
    return parse_toml(text, where=where)


def parse_toml(text: str, *, where: str) -> TomlText:
    """Parse TOML text and find the line of every statement.

    Raises:
        RuleFileError: It is not TOML; the message holds the line.
    """
    try:
        values = tomllib.loads(text)
    except RecursionError as fault:
        raise RuleFileError("nested too deeply", where=where) from fault
    except ValueError as fault:  # TOMLDecodeError, and integers too long to convert
        raise RuleFileError(f"not valid TOML: {fault}", where=where) from fault
    return TomlText(text=text, values=values)


# Only a faulty file is asked for lines, then once for each fault.
@lru_cache(maxsize=4)
def _lines_of(text: str) -> dict[Path, int]:
    found: dict[Path, int] = {(): 1}
    table: Path = ()
    counts: dict[Path, int] = {}
    # TOML ends lines with \n or \r\n only; splitlines() would split on more.
    for first, statement in _statements(text.replace("\r\n", "\n").split("\n")):
        keys = tomllib.loads(statement)
        if not keys:
            continue
        if statement.lstrip().startswith("["):
            table = _header_path(keys, counts)
            found.setdefault(table, first)
            continue
        key = next(iter(keys))
        path = (*table, key)
        found.setdefault(path, first)
        if isinstance(keys[key], list):
            for index, line in enumerate(_item_lines(statement, first, len(keys[key]))):
                found[(*path, index)] = line
    return found


def _statements(lines: list[str]) -> list[tuple[int, str]]:
    statements, start = [], 0
    for end in range(1, len(lines) + 1):
        chunk = "\n".join(lines[start:end])
        try:
            tomllib.loads(chunk)
        except (ValueError, RecursionError):
            if end - start > MAX_STATEMENT_LINES:
                break
            continue
        statements.append((start + 1, chunk))
        start = end
    return statements


def _header_path(keys: Mapping[str, Any], counts: dict[Path, int]) -> Path:
    """Turn a parsed header into a path; a table under ``[[row]]`` is the latest row's."""
    path: Path = ()
    node: Any = keys
    while isinstance(node, dict) and node:
        key = next(iter(node))
        node = node[key]
        path = (*path, key)
        if isinstance(node, list):
            counts[path] = counts.get(path, -1) + 1
            node = node[0]
        if path in counts:
            path = (*path, counts[path])
    return path


def _item_lines(statement: str, first: int, count: int) -> list[int]:
    """Return the lines of the items of an array, if each has a line of its own."""
    lines = []
    for offset, line in enumerate(statement.split("\n")):
        try:
            tomllib.loads("item = " + line.strip().rstrip(","))
        except ValueError:
            continue
        lines.append(first + offset)
    return lines if len(lines) == count else []
