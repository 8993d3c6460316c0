"""Findings, gradings and places as versioned JSON that reads back without loss.

Any frozen dataclass of the contracts is written field by field and read back by its
type hints, so that a field added later with a default needs nothing here. Floats keep
every bit (JSON numbers written by ``repr``); an infinite bound is written as a word.
Reading is strict: an unknown key, a wrong type or a newer schema is refused.
"""

from __future__ import annotations

import json
import types
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from datetime import datetime
from decimal import Decimal, InvalidOperation
from enum import StrEnum
from functools import cache
from math import inf, isfinite
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from app.records.errors import RecordsError
from app.records.times import time_from_text, time_to_text
from app.records.types import Place
from rules.engine import Grading
from rules.errors import ContractError
from rules.findings import Findings

FINDINGS_SCHEMA = "cuproscope.record.findings/1"
GRADING_SCHEMA = "cuproscope.record.grading/1"
PLACE_SCHEMA = "cuproscope.record.place/1"

MAX_CHARS = 2_000_000
"""Longest text that is read; an outline of ten thousand points takes 0.4 million."""

_WORDS = {inf: "Infinity", -inf: "-Infinity"}
_NUMBERS = {word: number for number, word in _WORDS.items()}

T = TypeVar("T")
Json = Any
"""What ``json`` gives or takes: its types nest, so the checker sees anything."""

Hint = Any
"""A type hint: a class, or a form like ``tuple[int, ...]``."""


def findings_to_json(findings: Findings) -> str:
    """Return findings as one line of ASCII JSON."""
    return _written(findings, FINDINGS_SCHEMA)


def findings_from_json(text: str) -> Findings:
    """Return the findings of :func:`findings_to_json`.

    Raises:
        RecordsError: It is not such a text, was written by a newer version, or holds
            values that no findings can have.
    """
    return read_json(text, Findings, FINDINGS_SCHEMA)


def grading_to_json(grading: Grading) -> str:
    """Return a grading as one line of ASCII JSON."""
    return _written(grading, GRADING_SCHEMA)


def grading_from_json(text: str) -> Grading:
    """Return the grading of :func:`grading_to_json`; raises RecordsError as for findings."""
    return read_json(text, Grading, GRADING_SCHEMA)


def place_to_json(place: Place) -> str:
    """Return where a piece is on its photo as one line of ASCII JSON."""
    return _written(place, PLACE_SCHEMA)


def place_from_json(text: str) -> Place:
    """Return the place of :func:`place_to_json`; raises RecordsError as for findings."""
    return read_json(text, Place, PLACE_SCHEMA)


def _written(value: Findings | Grading | Place, schema: str) -> str:
    return json.dumps({"schema": schema, **plain(value)}, allow_nan=False, separators=(",", ":"))


def plain(value: object) -> Json:  # noqa: PLR0911 (one return a kind reads best)
    """Return ``value`` as what JSON knows."""
    if is_dataclass(value):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, datetime):
        return time_to_text(value)
    if isinstance(value, Decimal):
        return format(value, "f")
    if value is None or isinstance(value, bool | str):
        return str(value) if isinstance(value, StrEnum) else value
    if isinstance(value, int):
        return value
    number = float(value)  # type: ignore[arg-type]  # numpy's own floats too
    return number if isfinite(number) else _WORDS[number]


def read_json(text: str, kind: type[T], schema: str, *, longest: int = MAX_CHARS) -> T:
    """Return JSON text as a value of ``kind``, a dataclass; raises RecordsError."""
    where = schema.split("/", maxsplit=1)[0].rsplit(".", maxsplit=1)[-1]
    if len(text) > longest:
        raise RecordsError(f"longer than {longest} letters", where=where)
    try:
        value = json.loads(text, parse_constant=_no_constant)
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
        return typed(value, kind)  # type: ignore[no-any-return]
    except (TypeError, ValueError, ContractError) as fault:
        raise RecordsError(f"can't be read: {fault}", where=where) from fault


def _no_constant(word: str) -> None:
    raise ValueError(f"{word} is no number")


@cache
def _hints(kind: type) -> Mapping[str, Any]:
    return get_type_hints(kind)


def typed(value: Json, hint: Hint) -> Json:  # noqa: PLR0911 (one return a kind reads best)
    """Return ``value`` as the type that ``hint`` asks for, or raise TypeError or ValueError."""
    origin: Hint = get_origin(hint)
    inside = get_args(hint)
    if origin in (Union, types.UnionType):
        (only,) = (arm for arm in inside if arm is not type(None))
        return None if value is None else typed(value, only)
    if origin is tuple:
        return _tuple(value, inside)
    if origin is not None and issubclass(origin, Mapping):
        _expect(value, dict, "an object")
        key, item = inside
        return {typed(k, key): typed(v, item) for k, v in value.items()}
    if isinstance(hint, type) and is_dataclass(hint):
        return _dataclass(value, hint)
    if hint is float:
        if isinstance(value, str) and value in _NUMBERS:
            return _NUMBERS[value]
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise TypeError(f"{value!r:.40} is no number")
        return float(value)
    if hint is int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise TypeError(f"{value!r:.40} is no whole number")
        return value
    if hint is datetime:
        _expect(value, str, "a time")
        return time_from_text(value)
    if hint is Decimal:
        return _decimal(value)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return hint(value)
    _expect(value, hint, hint.__name__)
    return value


def _decimal(value: Json) -> Decimal:
    _expect(value, str, "an amount")
    try:
        amount = Decimal(value)
    except InvalidOperation:
        raise ValueError(f"{value!r:.40} is no amount") from None
    if not amount.is_finite() or len(value) > 40:
        raise ValueError(f"{value!r:.40} is no amount")
    return amount


def _tuple(value: Json, inside: tuple[Any, ...]) -> tuple[Any, ...]:
    _expect(value, list, "a list")
    if len(inside) == 2 and inside[1] is Ellipsis:
        return tuple(typed(item, inside[0]) for item in value)
    if len(value) != len(inside):
        raise TypeError(f"{len(value)} values, not {len(inside)}")
    return tuple(typed(item, hint) for item, hint in zip(value, inside, strict=True))


def _dataclass(value: Json, kind: type) -> Json:
    _expect(value, dict, "an object")
    hints = _hints(kind)
    known = {field.name: field for field in fields(kind)}
    if strangers := set(value) - set(known):
        raise TypeError(f"unknown key {min(strangers)!r:.40}")
    missing = [
        name
        for name, field in known.items()
        if name not in value and field.default is MISSING and field.default_factory is MISSING
    ]
    if missing:
        raise TypeError(f"{missing[0]} is missing")
    return kind(**{name: typed(item, hints[name]) for name, item in value.items()})


def _expect(value: Json, kind: type, words: str) -> None:
    if not isinstance(value, kind):
        raise TypeError(f"{value!r:.40} is not {words}")
