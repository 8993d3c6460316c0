"""Read a rule sheet from a file, telling every fault of it at once, with its line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

from rules.errors import RuleFileError
from rules.findings import Unit
from rules.reach import TooTangledError, piece_caught_by_none, piece_decided_by
from rules.table import (
    EXCLUSIVE,
    NAME_COMPARISONS,
    NUMBER_COMPARISONS,
    AtLimit,
    Comparison,
    Condition,
    Grade,
    Lift,
    Limit,
    Row,
    RuleSheet,
)
from rules.toml_faults import TomlReader
from rules.toml_lines import Path as Where
from rules.vocabulary import VOCABULARY, Kind, Term

__all__ = [
    "CLEARABLE",
    "Comparison",
    "Condition",
    "Grade",
    "Lift",
    "Limit",
    "Row",
    "RuleSheet",
    "load_sheet",
    "sheet_names",
]

SCHEMA = "cuproscope.rules/1"
MAX_ROWS = 100
"""Three times the longest shipped sheet (28 rows), so that checking one takes no long time."""

MAX_MINUTES = 600.0
"""No lift takes more than a working day: common practice, no source."""

_TOP_KEYS = {"schema", "name", "title", "based_on", "grade", "limit", "row"}
_OVERRIDE_KEYS = {"schema", "name", "title", "based_on", "limit"}
_GRADE_KEYS = {"id", "title", "note"}
_LIMIT_KEYS = {"value", "unit", "what", "source", "at_limit"}
_ROW_KEYS = {"id", "grade", "when", "reason", "source", "lift", "line"}
_CONDITION_KEYS = {"finding", "comparison", "threshold", "unit"}
_LIFT_KEYS = {"action", "to", "minutes", "clears"}


def sheet_names() -> tuple[str, ...]:
    """Return the names of the sheets that come with the program."""
    names = (entry.name for entry in files("rules").joinpath("sheets").iterdir())
    return tuple(sorted(name[:-5] for name in names if name.endswith(".toml")))


def load_sheet(name_or_path: str | Path) -> RuleSheet:
    """Return a checked rule sheet: one that comes with the program, or a file.

    A buyer's own sheet is a file with ``based_on = "house"`` and nothing but
    ``[limit.NAME]`` tables: it overrides thresholds only.

    >>> load_sheet("house").grade_ids
    ('bare_bright', 'no1', 'no2', 'set_aside')

    Raises:
        RuleFileError: Names the file and every fault with its line: unknown
            finding, unknown grade, a row that can never decide, a missing or
            wrong unit, a number out of range, an unknown key.
    """
    if isinstance(name_or_path, str) and name_or_path in sheet_names():
        return _load_shipped(name_or_path)
    path = Path(name_or_path)
    if not _is_file(path):
        raise RuleFileError(
            f"no such sheet; give a file or one of: {', '.join(sheet_names())}",
            where=str(name_or_path),
        )
    return _load_file(path)


@cache
def _load_shipped(name: str) -> RuleSheet:
    with as_file(files("rules").joinpath("sheets", f"{name}.toml")) as path:
        return _load_file(path)


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _load_file(path: Path) -> RuleSheet:
    reader = _Reader(path)
    sheet = reader.override() if "based_on" in reader.text.values else reader.whole_sheet()
    if reader.faults:
        raise reader.error()
    return sheet


class _Reader(TomlReader):
    """Turns parsed TOML into a sheet and gathers the faults on the way."""

    # -- whole files ------------------------------------------------------

    def override(self) -> RuleSheet:
        """Read a buyer's sheet: limits over those of a sheet that comes with the program."""
        top = self.text.values
        self.keys(top, _OVERRIDE_KEYS, (), hint="a buyer's own sheet overrides limits only")
        self.schema(SCHEMA)
        base_name = top["based_on"]
        if not isinstance(base_name, str) or base_name not in sheet_names():
            self.fault(("based_on",), f"based_on must be one of: {', '.join(sheet_names())}")
            raise self.error()
        base = load_sheet(base_name)
        name = self.string(top, "name", ())
        title = self.string(top, "title", (), default=f"{name}, based on {base.title}")
        limits = dict(base.limits)
        for key, table in self.tables(top, "limit"):
            old = base.limits.get(key)
            if old is None:
                self.fault(
                    ("limit", key), f"{base_name} has no limit {key!r}, only {', '.join(limits)}"
                )
                continue
            limits[key] = self.limit(key, table, base=old)
        # The base's rows are read again with the new limits, its own text keeping the lines.
        rows = tuple(_with_limits(row, base.limits, limits) for row in base.rows)
        if not self.faults:
            self.check_reach(rows, at=("limit",))
        return RuleSheet(
            name=name,
            title=title,
            grades=base.grades,
            limits=limits,
            rows=rows,
            based_on=base_name,
        )

    def whole_sheet(self) -> RuleSheet:
        """Read a sheet of its own."""
        top = self.text.values
        self.keys(top, _TOP_KEYS - {"based_on"}, ())
        self.schema(SCHEMA)
        grades = tuple(self.grade(table, at) for at, table in self.array(top, "grade"))
        self.unique([g.id for g in grades], "grade", "grade")
        limits = {key: self.limit(key, table) for key, table in self.tables(top, "limit")}
        self.grade_ids = {grade.id for grade in grades}
        self.limits = limits
        rows = tuple(self.row(table, at) for at, table in self.array(top, "row"))
        self.unique([r.id for r in rows], "row", "row")
        if not grades:
            self.fault((), "no [[grade]]: a sheet needs at least one")
        if not rows:
            self.fault((), "no [[row]]: a sheet needs at least one")
        if len(rows) > MAX_ROWS:
            self.fault((), f"{len(rows)} rows; at most {MAX_ROWS} are read")
        name = self.string(top, "name", ())
        title = self.string(top, "title", (), default=name)
        if not self.faults:
            self.check_reach(rows)
            self.check_unused(rows)
        return RuleSheet(name=name, title=title, grades=grades, limits=limits, rows=rows)

    # -- parts ------------------------------------------------------------

    def grade(self, table: Mapping[str, Any], at: Where) -> Grade:
        self.keys(table, _GRADE_KEYS, at)
        grade_id = self.string(table, "id", at)
        return Grade(
            id=grade_id,
            title=self.string(table, "title", at, default=grade_id),
            note=self.string(table, "note", at, default=""),
        )

    def limit(self, key: str, table: object, *, base: Limit | None = None) -> Limit:
        at: Where = ("limit", key)
        if not isinstance(table, dict):
            self.fault(at, f"limit {key!r} must be a table with value and unit")
            table = {}
        self.keys(table, _LIMIT_KEYS, at)
        unit = self.unit(table, at)
        if base is not None and unit is not None and unit is not base.unit:
            self.fault((*at, "unit"), f"limit {key!r} is in {base.unit!s}, not {unit!s}")
        return Limit(
            value=self.number(table, "value", at, high=_highest(unit)),
            unit=unit or Unit.ONE,
            what=self.string(table, "what", at, default=base.what if base else None),
            source=self.string(table, "source", at, default="the buyer's own" if base else None),
            at_limit=self.at_limit(table, at, base),
        )

    def row(self, table: Mapping[str, Any], at: Where) -> Row:
        self.keys(table, _ROW_KEYS, at)
        grade = self.string(table, "grade", at)
        self.known_grade(grade, (*at, "grade"))
        when = table.get("when", [])
        if not isinstance(when, list):
            self.fault((*at, "when"), "when must be a list of conditions")
            when = []
        conditions = [self.condition(item, (*at, "when", index)) for index, item in enumerate(when)]
        lift = table.get("lift")
        return Row(
            id=self.string(table, "id", at),
            conditions=tuple(c for c in conditions if c is not None),
            grade=grade,
            reason=self.string(table, "reason", at),
            source=self.string(table, "source", at),
            lift=None if lift is None else self.lift(lift, (*at, "lift")),
            line=self.string(table, "line", at) if "line" in table else None,
        )

    def condition(self, table: object, at: Where) -> Condition | None:
        if not isinstance(table, dict):
            self.fault(at, "a condition must be a table: finding, comparison, threshold, unit")
            return None
        self.keys(table, _CONDITION_KEYS, at)
        name = self.string(table, "finding", at)
        term = VOCABULARY.get(name)
        if term is None:
            if name:
                self.fault(at, f"unknown finding {name!r}; known: {', '.join(VOCABULARY)}")
            return None
        comparison = next(
            (c for c in _COMPARISONS[term.kind] if c == table.get("comparison")), None
        )
        if comparison is None:
            allowed = ", ".join(_COMPARISONS[term.kind])
            self.fault(at, f"comparison of {name} must be one of: {allowed}")
        if "threshold" not in table:
            self.fault(at, f"condition on {name} has no threshold")
        if comparison is None or "threshold" not in table:
            return None
        read = self.number_condition if term.kind is Kind.NUMBER else self.name_condition
        return read(term, comparison, table, at)

    def number_condition(
        self, term: Term, comparison: Comparison, table: Mapping[str, Any], at: Where
    ) -> Condition | None:
        unit = self.unit(table, at, finding=term)
        threshold = table["threshold"]
        limit_name = None
        if isinstance(threshold, str):
            limit_name = threshold
            limit = self.limits.get(limit_name)
            if limit is None:
                self.fault(at, f"there is no [limit.{limit_name}]")
                return None
            if limit.unit is not term.unit:
                self.fault(at, f"limit {limit_name!r} is in {limit.unit!s}, {term.name} is not")
            comparison = _at_limit(comparison, limit)
            value = limit.value
        else:
            value = self.number(table, "threshold", at, high=term.high)
        return Condition(
            finding=term.name, comparison=comparison, threshold=value, unit=unit, limit=limit_name
        )

    def name_condition(
        self, term: Term, comparison: Comparison, table: Mapping[str, Any], at: Where
    ) -> Condition | None:
        if "unit" in table:
            self.fault(at, f"{term.name} has no unit")
        threshold = table["threshold"]
        if term.kind is Kind.FLAG:
            if not isinstance(threshold, bool):
                self.fault(at, f"threshold of {term.name} must be true or false")
                return None
            return Condition(finding=term.name, comparison=comparison, threshold=threshold)
        names = threshold if comparison is Comparison.ONE_OF else [threshold]
        if (
            not isinstance(names, list)
            or not names
            or not all(isinstance(n, str) and n in term.values for n in names)
        ):
            self.fault(at, f"threshold of {term.name} must be of: {', '.join(term.values)}")
            return None
        return Condition(finding=term.name, comparison=comparison, threshold=tuple(names))

    def lift(self, table: object, at: Where) -> Lift | None:
        if not isinstance(table, dict):
            self.fault(at, "lift must be a table: action, to, minutes, clears")
            return None
        self.keys(table, _LIFT_KEYS, at)
        to = self.string(table, "to", at)
        self.known_grade(to, (*at, "to"))
        clears = table.get("clears")
        if (
            not isinstance(clears, list)
            or not clears
            or not all(isinstance(c, str) and c in CLEARABLE for c in clears)
        ):
            self.fault(at, f"lift must say what it clears, of: {', '.join(CLEARABLE)}")
            clears = []
        return Lift(
            action=self.string(table, "action", at),
            to=to,
            minutes=self.number(table, "minutes", at, high=MAX_MINUTES),
            clears=tuple(clears),
        )

    # -- checks over the whole ---------------------------------------------

    def check_reach(self, rows: tuple[Row, ...], *, at: Where | None = None) -> None:
        """Refuse rows that can never decide, and pieces that no row catches.

        A size limit of 0 stands for 'none agreed yet': a row that waits for it to be
        set may stay idle until then.
        """
        rows = tuple(replace(row, conditions=_agreed(row.conditions)) for row in rows)
        try:
            for index, row in enumerate(rows):
                if piece_decided_by(rows, index) is None:
                    self.fault(
                        at or ("row", index),
                        f"row {row.id!r} can never decide: the rows before it, or its own "
                        "conditions, leave nothing",
                    )
            missed = piece_caught_by_none(rows)
        except TooTangledError:
            self.fault(at or (), "too tangled to check that every row can decide; simplify it")
            return
        if missed is not None:
            shown = ", ".join(
                f"{name} {value:.4g}" if isinstance(value, float) else f"{name} {value}"
                for name, value in missed.items()
                if name in {c.finding for row in rows for c in row.conditions}
            )
            self.fault(
                at or ("row", len(rows) - 1),
                f"no row decides this piece: {shown}; end with a row that always holds",
            )

    def check_unused(self, rows: tuple[Row, ...]) -> None:
        used_limits = {c.limit for row in rows for c in row.conditions}
        for key in self.limits:
            if key not in used_limits:
                self.fault(("limit", key), f"limit {key!r} is used by no row")
        used_grades = {row.grade for row in rows}
        for index, grade in enumerate(self.text.values["grade"]):
            if grade["id"] not in used_grades:
                self.fault(("grade", index), f"grade {grade['id']!r} is given by no row")

    def known_grade(self, grade: str, at: Where) -> None:
        if grade and grade not in self.grade_ids:
            self.fault(at, f"unknown grade {grade!r}; known: {', '.join(sorted(self.grade_ids))}")

    def unique(self, ids: list[str], key: str, what: str) -> None:
        for index, name in enumerate(ids):
            if name and name in ids[:index]:
                self.fault((key, index), f"{what} {name!r} stands twice")

    # -- single values ------------------------------------------------------

    def array(self, top: Mapping[str, Any], key: str) -> list[tuple[Where, Mapping[str, Any]]]:
        items = top.get(key, [])
        if not isinstance(items, list):
            self.fault((key,), f"{key} must be written as [[{key}]]")
            return []
        found: list[tuple[Where, Mapping[str, Any]]] = []
        for index, item in enumerate(items):
            if isinstance(item, dict):
                found.append(((key, index), item))
            else:
                self.fault((key, index), f"{key} must be written as [[{key}]]")
        return found

    def tables(self, top: Mapping[str, Any], key: str) -> list[tuple[str, Any]]:
        items = top.get(key, {})
        if not isinstance(items, dict):
            self.fault((key,), f"{key} must be written as [{key}.NAME]")
            return []
        return list(items.items())

    def string(
        self, table: Mapping[str, Any], key: str, at: Where, *, default: str | None = None
    ) -> str:
        value = table.get(key, default)
        if not isinstance(value, str) or (default is None and not value.strip()):
            what = "is missing" if key not in table else "must be text"
            self.fault((*at, key), f"{key} {what}")
            return ""
        return value

    def number(self, table: Mapping[str, Any], key: str, at: Where, *, high: float) -> float:
        value = table.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float):
            what = "is missing" if key not in table else "must be a number"
            self.fault((*at, key), f"{key} {what}")
            return 0.0
        # Whole numbers of any length compare with a float, but may not become one. NaN
        # compares with nothing, so it fails here too.
        if not 0 <= value <= high:
            shown = f"{value:.6g}" if isinstance(value, float) or abs(value) < 1e9 else "that"
            self.fault((*at, key), f"{key} must be 0 to {high:g}, not {shown}")
            return 0.0
        return float(value)

    def unit(
        self, table: Mapping[str, Any], at: Where, *, finding: Term | None = None
    ) -> Unit | None:
        value = table.get("unit")
        of = f" of {finding.name}" if finding else ""
        if value is None:
            self.fault(at, f"unit{of} is missing")
            return None
        if finding is not None and value != str(finding.unit):
            self.fault(at, f'unit{of} must be "{finding.unit}", not {value!r}')
            return finding.unit
        if value not in (str(Unit.MILLIMETRE), str(Unit.ONE)):
            self.fault((*at, "unit"), f'unit must be "mm" or "1", not {value!r}')
            return None
        return Unit(value)

    def at_limit(self, table: Mapping[str, Any], at: Where, base: Limit | None) -> AtLimit:
        value = table.get("at_limit", base.at_limit if base else AtLimit.PASSES)
        for known in AtLimit:
            if value == known:
                return known
        self.fault((*at, "at_limit"), f"at_limit must be one of: {', '.join(AtLimit)}")
        return AtLimit.PASSES


_COMPARISONS = {
    Kind.NUMBER: NUMBER_COMPARISONS,
    Kind.CATEGORY: NAME_COMPARISONS,
    Kind.FLAG: (Comparison.IS,),
}

# What an action can take off a piece; the other findings stay as they are.
CLEARABLE = (
    "brass",
    "solder",
    "green_share",
    "coated_share",
    "tarnish_level",
    "insulation",
    "oil",
    "paint",
)


def _highest(unit: Unit | None) -> float:
    return max(t.high for t in VOCABULARY.values() if unit is None or t.unit is unit)


def _at_limit(comparison: Comparison, limit: Limit) -> Comparison:
    if limit.at_limit is AtLimit.FAILS:
        return EXCLUSIVE.get(comparison, comparison)
    return comparison


def _agreed(conditions: tuple[Condition, ...]) -> tuple[Condition, ...]:
    return tuple(
        replace(c, threshold=_ANY_AGREED_MM)
        if c.limit is not None and c.threshold == 0.0 and c.unit is Unit.MILLIMETRE
        else c
        for c in conditions
    )


_ANY_AGREED_MM = 1.0  # any size above 0 does
_INCLUSIVE = {exclusive: inclusive for inclusive, exclusive in EXCLUSIVE.items()}


def _with_limits(row: Row, old: Mapping[str, Limit], new: Mapping[str, Limit]) -> Row:
    """Return a row with its named thresholds taken from other limits."""

    def renewed(condition: Condition) -> Condition:
        if condition.limit is None:
            return condition
        comparison = condition.comparison
        if old[condition.limit].at_limit is AtLimit.FAILS:
            comparison = _INCLUSIVE.get(comparison, comparison)
        limit = new[condition.limit]
        return replace(condition, comparison=_at_limit(comparison, limit), threshold=limit.value)

    return replace(row, conditions=tuple(renewed(c) for c in row.conditions))
