"""Findings, gradings and places as versioned JSON that reads back without loss.

Any frozen dataclass of the contracts is written field by field and read back by its
type hints, so that a field added later with a default needs nothing here. Floats keep
every bit (JSON numbers written by ``repr``); an infinite bound is written as a word.
Reading is strict: an unknown key, a wrong type or a newer schema is refused.
"""

from __future__ import annotations

import json
import types
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from datetime import datetime
from decimal import Decimal, InvalidOperation
from enum import StrEnum
from functools import cache
from math import inf, isfinite
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from app.records.errors import RecordsError
from app.records.times import time_from_text, time_to_text
from app.records.types import PlaceOnPhoto
from rules.engine import Grading
from rules.errors import ContractError
from rules.findings import Findings

FINDINGS_SCHEMA = "cuproscope.record.findings/1"
GRADING_SCHEMA = "cuproscope.record.grading/1"
PLACE_SCHEMA = "cuproscope.record.place/1"

MAX_CHARS = 2_000_000
"""Longest text that is read; an outline of ten thousand points takes 0.4 million."""

LONGEST_WORD = 60
"""Longest word of a fixed set; longer ones are cut, and then are none."""

_WORDS = {inf: "Infinity", -inf: "-Infinity"}
_NUMBERS = {word: number for number, word in _WORDS.items()}

T = TypeVar("T")
Json = Any
"""What ``json`` gives or takes: its types nest, so the checker sees anything."""

Hint = Any
"""A type hint: a class, or a form like ``tuple[int, ...]``."""


def findings_to_json(findings: Findings) -> str:
    """Return findings as one line of ASCII JSON."""
    return write_json(findings, FINDINGS_SCHEMA)


def findings_from_json(text: str) -> Findings:
    """Return the findings of :func:`findings_to_json`.

    Raises:
        RecordsError: It is not such a text, was written by a newer version, or holds
            values that no findings can have.
    """
    return read_json(text, Findings, FINDINGS_SCHEMA)


def grading_to_json(grading: Grading) -> str:
    """Return a grading as one line of ASCII JSON."""
    return write_json(grading, GRADING_SCHEMA)


def grading_from_json(text: str) -> Grading:
    """Return the grading of :func:`grading_to_json`; raises RecordsError as for findings."""
    return read_json(text, Grading, GRADING_SCHEMA)


def place_to_json(place: PlaceOnPhoto) -> str:
    """Return where a piece is on its photo as one line of ASCII JSON."""
    return write_json(place, PLACE_SCHEMA)


def place_from_json(text: str) -> PlaceOnPhoto:
    """Return the place of :func:`place_to_json`; raises RecordsError as for findings."""
    return read_json(text, PlaceOnPhoto, PLACE_SCHEMA)


def write_json(value: object, schema: str) -> str:
    """Return a dataclass as one line of ASCII JSON that :func:`read_json` reads back."""
    return json.dumps({"schema": schema, **plain(value)}, allow_nan=False, separators=(",", ":"))


def plain(value: object) -> Json:  # noqa: PLR0911 (one return a kind reads best)
    """Return ``value`` as what JSON knows."""
    # By exact type first: an outline is thousands of numbers.
    kind: Hint = type(value)
    if kind is float:
        return value if isfinite(value) else _WORDS[value]  # type: ignore[arg-type, index]
    if kind is tuple or kind is list:
        return [plain(item) for item in value]  # type: ignore[attr-defined]
    if kind in (str, int, bool, type(None)):
        return value
    if is_dataclass(value):
        return {name: plain(getattr(value, name)) for name in _names(kind)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, datetime):
        return time_to_text(value)
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, str):
        return str(value)
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    return plain(float(value))  # type: ignore[arg-type]  # numpy's own numbers


@cache
def _names(kind: type) -> tuple[str, ...]:
    return tuple(field.name for field in fields(kind))


def read_json(text: str, kind: type[T], schema: str) -> T:
    """Return JSON text as a value of ``kind``, a dataclass; raises RecordsError."""
    where = schema.split("/", maxsplit=1)[0].rsplit(".", maxsplit=1)[-1]
    if len(text) > MAX_CHARS:
        raise RecordsError(f"longer than {MAX_CHARS} letters", where=where)
    try:
        value = json.loads(text, parse_constant=no_constant)
    except (ValueError, RecursionError) as fault:
        raise RecordsError("is no JSON", where=where) from fault
    if not isinstance(value, dict):
        raise RecordsError("must be a JSON object", where=where)
    found = value.pop("schema", None)
    if found != schema:
        raise RecordsError(
            f"has schema {str(found)[:60]!r}, this version reads {schema!r}",
            fix="Use the version of the program that wrote it, or a newer one.",
            where=where,
        )
    try:
        whole: T = typed(value, kind)
    except (TypeError, ValueError, OverflowError, ContractError) as fault:
        raise RecordsError(f"can't be read: {fault}", where=where) from fault
    return whole


def no_constant(word: str) -> None:
    """Refuse NaN and Infinity, which JSON (RFC 8259, section 6) has not."""
    raise ValueError(f"{word} is no number")


def typed(value: Json, hint: Hint) -> Json:
    """Return ``value`` as the type that ``hint`` asks for, or raise TypeError or ValueError."""
    return _reader(hint)(value)


@cache
def _reader(hint: Hint) -> Callable[[Json], Json]:
    """Return what reads a value of this type; worked out once for each type."""
    origin: Hint = get_origin(hint)
    inside = get_args(hint)
    if origin in (Union, types.UnionType):
        (only,) = (_reader(arm) for arm in inside if arm is not type(None))
        return lambda value: None if value is None else only(value)
    if origin is tuple:
        return _tuple_reader(inside)
    if origin is not None and issubclass(origin, Mapping):
        read_key, read_item = _reader(inside[0]), _reader(inside[1])
        return lambda value: {
            read_key(k): read_item(v) for k, v in _expected(value, dict, "an object").items()
        }
    if isinstance(hint, type) and is_dataclass(hint):
        return _dataclass_reader(hint)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return lambda value: hint(_expected(value, str, "a word")[:LONGEST_WORD])
    known: dict[Hint, Callable[[Json], Json]] = {
        float: _float,
        int: _int,
        object: lambda value: value,
        datetime: lambda value: time_from_text(_expected(value, str, "a time")),
        Decimal: _decimal,
    }
    return known.get(hint) or (lambda value: _expected(value, hint, hint.__name__))


def _float(value: Json) -> float:
    if type(value) is float:
        return value
    if isinstance(value, str) and value in _NUMBERS:
        return _NUMBERS[value]
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(f"{value!r:.40} is no number")
    return float(value)


def _int(value: Json) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise TypeError(f"{value!r:.40} is no whole number")
    return value


def _tuple_reader(inside: tuple[Hint, ...]) -> Callable[[Json], Json]:
    if len(inside) == 2 and inside[1] is Ellipsis:
        read = _reader(inside[0])
        return lambda value: tuple(map(read, _expected(value, list, "a list")))
    readers = tuple(map(_reader, inside))
    all_floats = all(hint is float for hint in inside)

    def read_fixed(value: Json) -> Json:
        _expected(value, list, "a list")
        if len(value) != len(readers):
            raise TypeError(f"{len(value)} values, not {len(readers)}")
        if all_floats and set(map(type, value)) == {float}:
            return tuple(value)
        return tuple(read(item) for read, item in zip(readers, value, strict=True))

    return read_fixed


def _dataclass_reader(kind: type) -> Callable[[Json], Json]:
    hints = get_type_hints(kind)
    readers = {field.name: _reader(hints[field.name]) for field in fields(kind)}
    needed = {
        field.name
        for field in fields(kind)
        if field.default is MISSING and field.default_factory is MISSING
    }

    def read(value: Json) -> Json:
        _expected(value, dict, "an object")
        if strangers := value.keys() - readers.keys():
            raise TypeError(f"unknown key {min(strangers)!r:.40}")
        if missing := needed - value.keys():
            raise TypeError(f"{min(missing)} is missing")
        return kind(**{name: readers[name](item) for name, item in value.items()})

    return read


def _decimal(value: Json) -> Decimal:
    _expected(value, str, "an amount")
    try:
        amount = Decimal(value)
    except InvalidOperation:
        raise ValueError(f"{value!r:.40} is no amount") from None
    if not amount.is_finite() or len(value) > 40:
        raise ValueError(f"{value!r:.40} is no amount")
    return amount


def _expected(value: Json, kind: type, words: str) -> Json:
    if not isinstance(value, kind):
        raise TypeError(f"{value!r:.40} is not {words}")
    return value
