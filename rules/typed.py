"""Findings without a photo: typed in a file, or as facts on the command line."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields
from math import isfinite
from pathlib import Path
from typing import Any, TypeVar

from rules.errors import CuproscopeError, RuleFileError
from rules.findings import (
    Facts,
    Findings,
    Finish,
    FinishFinding,
    Flag,
    Form,
    FormFinding,
    Measurement,
    Origin,
    Unit,
)
from rules.toml_lines import TomlText, read_toml
from rules.vocabulary import FACT_NAMES, MAX_DIAMETER_MM, VOCABULARY, Kind

SCHEMA = "cuproscope.findings/1"
MAX_WEIGHT_KG = 10_000.0
# A person judges by eye: common practice, no source. One share is good to about 5
# points, a tarnish level to about a tenth.
TYPED_SHARE_U = 0.05
TYPED_LEVEL_U = 0.1
# What a person means by one word for the finish, as a tarnish level.
LEVEL_OF_FINISH = {
    Finish.BRIGHT: 0.05,
    Finish.TARNISHED: 0.5,
    Finish.GREEN: 0.5,
    Finish.COATED: 0.25,
    Finish.TINNED: 0.25,
}

T = TypeVar("T")

_YES_NO = {"yes": True, "no": False}
_TOP_KEYS = {
    "schema",
    "form",
    "diameter",
    "strand_diameter",
    "finish",
    "brass",
    "solder",
    "facts",
}


def parse_fact(text: str) -> tuple[str, str | bool | float]:
    """Turn ``magnet=sticks`` into a fact's name and value.

    Raises:
        RuleFileError: No such fact or value; the message lists those there are.
    """
    name, equals, value = (part.strip() for part in text.partition("="))
    where = f"fact {text[:60]!r}"
    if not equals:
        raise RuleFileError("write it as NAME=VALUE, e.g. magnet=sticks", where=where)
    if name == "weight_kg":
        try:
            weight = float(value)
        except ValueError:
            weight = -1.0
        if not (isfinite(weight) and 0 < weight <= MAX_WEIGHT_KG):
            raise RuleFileError(
                f"weight_kg must be a number above 0, at most {MAX_WEIGHT_KG:g}", where=where
            )
        return name, weight
    if name not in FACT_NAMES:
        known = ", ".join((*FACT_NAMES, "weight_kg"))
        raise RuleFileError(f"no such fact; known: {known}", where=where)
    allowed = _allowed(name)
    if value not in allowed:
        raise RuleFileError(f"{name} must be one of: {', '.join(allowed)}", where=where)
    return name, allowed[value]


def facts_from(texts: Iterable[str]) -> Facts:
    """Turn several ``NAME=VALUE`` into facts; their order does not matter.

    Raises:
        RuleFileError: One is wrong, or two contradict each other.
    """
    stated: dict[str, Any] = {}
    for text in texts:
        name, value = parse_fact(text)
        if name in stated and stated[name] != value:
            raise RuleFileError(f"{name} is stated twice, differently", where="facts")
        stated[name] = value
    return Facts(**stated)


def load_findings(path: str | Path) -> Findings:
    """Read the findings of one piece from a TOML file.

    Everything in it counts as stated, never as measured. What is left out is unknown,
    except brass and solder, which count as not there. See ``findings_to_dict`` for the
    keys; ``finish`` may be one word, ``brass`` and ``solder`` true or false.

    Raises:
        RuleFileError: Names the file and every fault with its line.
    """
    text = read_toml(Path(path))
    return _Reader(text, where=str(path)).findings()


def findings_to_dict(findings: Findings) -> dict[str, Any]:
    """Return findings as plain values, ready for JSON or TOML."""
    facts = {f.name: getattr(findings.facts, f.name) for f in fields(findings.facts)}
    facts_said = {
        name: value if isinstance(value, bool | float) else str(value)
        for name, value in facts.items()
        if value is not None
    }
    plain: dict[str, Any] = {
        "schema": SCHEMA,
        "form": {str(form): p for form, p in findings.form.p.items() if p > 0},
        "brass": {"p": findings.brass.p, "share": findings.brass.share},
        "solder": {"p": findings.solder.p, "share": findings.solder.share},
    }
    for name in ("diameter", "strand_diameter"):
        measured = getattr(findings, name)
        if measured is not None:
            plain[name] = _measured(measured)
    if findings.finish is not None:
        plain["finish"] = {
            "shares": {str(f): findings.finish.shares.get(f, 0.0) for f in Finish},
            "u": {str(f): findings.finish.u.get(f, 0.0) for f in Finish},
            "tarnish_level": _measured(findings.finish.tarnish_level),
        }
    if facts_said:
        plain["facts"] = facts_said
    return plain


def findings_from_dict(values: Mapping[str, Any], *, where: str = "findings") -> Findings:
    """Read findings back from plain values, as ``load_findings`` does from a file.

    Raises:
        RuleFileError: Names every fault.
    """
    return _Reader(TomlText(text="", values=values), where=where).findings()


def _measured(measured: Measurement) -> dict[str, Any]:
    return {
        "value": measured.value,
        "u": measured.u,
        "unit": str(measured.unit),
        "low95": measured.low95,
        "high95": measured.high95,
    }


def _allowed(name: str) -> Mapping[str, str | bool]:
    term = VOCABULARY[name]
    return _YES_NO if term.kind is Kind.FLAG else {value: value for value in term.values}


class _Reader:
    """Turns plain values into findings and gathers the faults on the way."""

    def __init__(self, text: TomlText, *, where: str) -> None:
        self.text, self.where = text, where
        self.faults: list[tuple[int, str]] = []

    def findings(self) -> Findings:
        top = self.text.values
        self.keys(top, _TOP_KEYS, ())
        if top.get("schema") != SCHEMA:
            self.fault(("schema",), f'the file must say schema = "{SCHEMA}"')
        parts: dict[str, Any] = {
            "form": self.form(top.get("form")),
            "finish": self.finish(top["finish"]) if "finish" in top else None,
            "brass": self.flag(top.get("brass", False), "brass"),
            "solder": self.flag(top.get("solder", False), "solder"),
            "facts": self.facts(top.get("facts", {})),
        }
        for name in ("diameter", "strand_diameter"):
            parts[name] = self.size(top[name], name) if name in top else None
        if not self.faults:
            try:
                return Findings(**parts)
            except CuproscopeError as fault:
                self.fault((), str(fault))
        listed = sorted(set(self.faults))
        lines = (f"line {line}: {fault}" if self.text.text else fault for line, fault in listed)
        raise RuleFileError("; ".join(lines), where=self.where)

    def form(self, value: object) -> FormFinding | None:
        forms = ", ".join(Form)
        if isinstance(value, str) and value in tuple(Form):
            return FormFinding.of(Form(value))
        if not isinstance(value, dict) or not value:
            self.fault(("form",), f"form must be one of: {forms}; or a probability for each")
            return None
        p = {}
        for name, share in value.items():
            if name not in tuple(Form):
                self.fault(("form", name), f"form {name!r} is none of: {forms}")
            else:
                p[Form(name)] = self.number(share, ("form", name), high=1.0)
        return self.built(("form",), lambda: FormFinding(p=p, stated=True))

    def size(self, value: object, name: str) -> Measurement | None:
        return self.measurement(
            value, (name,), unit=Unit.MILLIMETRE, high=MAX_DIAMETER_MM, u_default=0.0
        )

    def finish(self, value: object) -> FinishFinding | None:
        at = ("finish",)
        names = ", ".join(Finish)
        if isinstance(value, str) and value in tuple(Finish):
            value = {"shares": {value: 1.0}}
        if not isinstance(value, dict):
            self.fault(at, f"finish must be one of: {names}; or a table with shares")
            return None
        self.keys(value, {"shares", "u", "tarnish_level"}, at)
        shares = self.per_finish(value.get("shares"), (*at, "shares"))
        u = value.get("u", TYPED_SHARE_U)
        if isinstance(u, dict):
            u_of = dict.fromkeys(Finish, 0.0) | self.per_finish(u, (*at, "u"))
        else:
            u_of = dict.fromkeys(Finish, self.number(u, (*at, "u"), high=1.0))
        if not shares:
            return None
        if "tarnish_level" in value:
            level = self.measurement(
                value["tarnish_level"],
                (*at, "tarnish_level"),
                unit=Unit.ONE,
                high=1.0,
                u_default=TYPED_LEVEL_U,
            )
        else:
            main = max(shares, key=lambda f: shares[f])
            level = Measurement.normal(
                LEVEL_OF_FINISH[main], TYPED_LEVEL_U, Unit.ONE, origin=Origin.STATED
            )
        if level is None:
            return None
        return self.built(
            at,
            lambda: FinishFinding(shares=shares, u=u_of, tarnish_level=level, origin=Origin.STATED),
        )

    def per_finish(self, value: object, at: tuple[str, ...]) -> dict[Finish, float]:
        if not isinstance(value, dict) or not value:
            self.fault(at, f"{at[-1]} must give a number for each of: {', '.join(Finish)}")
            return {}
        numbers = {}
        for name, share in value.items():
            if name not in tuple(Finish):
                self.fault((*at, name), f"{name!r} is none of: {', '.join(Finish)}")
            else:
                numbers[Finish(name)] = self.number(share, (*at, name), high=1.0)
        return numbers

    def flag(self, value: object, name: str) -> Flag | None:
        if isinstance(value, bool):
            return Flag(p=float(value), origin=Origin.STATED)
        if not isinstance(value, dict):
            self.fault((name,), f"{name} must be true, false, or a table with p and share")
            return None
        self.keys(value, {"p", "share"}, (name,))
        p = self.number(value.get("p"), (name, "p"), high=1.0)
        share = self.number(value.get("share", 0.0), (name, "share"), high=1.0)
        return Flag(p=p, share=share, origin=Origin.STATED)

    def facts(self, value: object) -> Facts | None:
        if not isinstance(value, dict):
            self.fault(("facts",), "facts must be a table")
            return None
        stated: dict[str, Any] = {}
        for name, said in value.items():
            shown = {True: "yes", False: "no"}[said] if isinstance(said, bool) else str(said)[:60]
            try:
                key, parsed = parse_fact(f"{name}={shown}")
            except RuleFileError as fault:
                self.fault(("facts", name), fault.message)
            else:
                stated[key] = parsed
        return Facts(**stated)

    def measurement(
        self, value: object, at: tuple[str, ...], *, unit: Unit, high: float, u_default: float
    ) -> Measurement | None:
        if not isinstance(value, dict):
            self.fault(at, f"{at[-1]} must be a table with value, u and unit")
            return None
        self.keys(value, {"value", "u", "unit", "low95", "high95"}, at)
        said = value.get("unit", str(unit) if unit is Unit.ONE else None)
        if said != str(unit):
            self.fault((*at, "unit"), f'unit of {at[-1]} must be "{unit}"')
        best = self.number(value.get("value"), (*at, "value"), high=high)
        u = self.number(value.get("u", u_default), (*at, "u"), high=high)
        if u == 0 and unit is Unit.MILLIMETRE and "u" not in value:
            self.fault((*at, "u"), f"u of {at[-1]} is missing: a caliper is good to about 0.02 mm")
        low95, high95 = (
            self.number(value.get(key, end), (*at, key), low=-2 * high, high=3 * high)
            for key, end in (("low95", best - 1.96 * u), ("high95", best + 1.96 * u))
        )
        return self.built(
            at,
            lambda: Measurement(
                value=best, u=u, unit=unit, low95=low95, high95=high95, origin=Origin.STATED
            ),
        )

    def built(self, at: tuple[str, ...], build: Callable[[], T]) -> T | None:
        """Build a contract; what it refuses is a fault of the file."""
        try:
            return build()
        except CuproscopeError as fault:
            self.fault(at, str(fault))
            return None

    def number(self, value: object, at: tuple[str, ...], *, high: float, low: float = 0.0) -> float:
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or not low <= value <= high
        ):
            self.fault(at, f"{'.'.join(at)} must be a number, {low:g} to {high:g}")
            return 0.0
        return float(value)

    def keys(self, table: Mapping[str, Any], known: set[str], at: tuple[str, ...]) -> None:
        for key in table:
            if key not in known:
                self.fault((*at, key), f"unknown key {key!r}; known: {', '.join(sorted(known))}")

    def fault(self, at: tuple[str, ...], message: str) -> None:
        self.faults.append((self.text.line_of(at), message))
