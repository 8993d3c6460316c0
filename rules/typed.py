"""Findings without a photo: typed in a file, or as facts on the command line.

    schema = "cuproscope.findings/1"

    [[piece]]
    name = "pipe from the cellar"
    form = "tube"
    diameter_mm = 15.0
    u_diameter_mm = 0.05
    shares = { tarnished = 1.0 }
    tarnish_level = 0.4
    solder = true
    green = 0.3           # a probability; green_share says how much, if it is there

    [piece.facts]
    magnet = "free"

Everything typed counts as stated, never as measured. What is left out is not known,
except what may be on the piece or make it no copper, which counts as not there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any, TypeVar

from rules.errors import CuproscopeError, RuleFileError
from rules.findings import (
    ON_THE_PIECE,
    Facts,
    Findings,
    Finish,
    FinishFinding,
    Form,
    FormFinding,
    Measurement,
    Origin,
    Presence,
    Source,
    Unit,
    What,
)
from rules.toml_faults import TomlReader
from rules.toml_lines import Path as Where
from rules.vocabulary import FACT_NAMES, MAX_DIAMETER_MM, VOCABULARY, Kind

SCHEMA = "cuproscope.findings/1"
MAX_WEIGHT_KG = 10_000.0
MAX_PIECES = 1000
"""More than a lorry's load of one piece, or than anybody types: a slip of the pen."""

# Doubt of what is typed without one: common practice, no source. A caliper's step and
# its jaws on a slightly oval wire; shares and tarnish judged by eye.
TYPED_SIZE_U_MM = 0.03
TYPED_SHARE_U = 0.05
TYPED_LEVEL_U = 0.1
# What one word for the finish means as a tarnish level: common practice, no source.
LEVEL_OF_FINISH = {
    Finish.BRIGHT: 0.05,
    Finish.TARNISHED: 0.5,
    Finish.GREEN: 0.5,
    Finish.COATED: 0.25,
    Finish.TINNED: 0.25,
}

# How much of the piece it covers where only its presence was typed: common practice, no
# source. A jacket, enamel or tin are all over; of green corrosion nothing is known (0 to 1
# is as likely everywhere: mean 1/2, u = 1/sqrt(12)).
SHARE_IF_THERE = {
    What.COATING: (1.0, 0.0),
    What.INSULATION: (1.0, 0.0),
    What.TIN: (1.0, 0.0),
    What.GREEN: (0.5, 12**-0.5),
}
# The share of the finish that says the same as one of these.
_FINISH_OF = {
    What.COATING: Finish.COATED,
    What.TIN: Finish.TINNED,
    What.GREEN: Finish.GREEN,
}

_YES_NO = {"yes": True, "no": False}
_STATABLE = (*FACT_NAMES, "insulation")
_SIZES = ("diameter_mm", "strand_diameter_mm")
_PIECE_KEYS = {
    "name",
    "form",
    *_SIZES,
    *(f"u_{size}" for size in _SIZES),
    "finish",
    "shares",
    "u_shares",
    "tarnish_level",
    "u_tarnish_level",
    *What,
    *(f"{what}_share" for what in ON_THE_PIECE),
    "facts",
}

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedPiece:
    """One piece as typed; ``name`` is what the person calls it, None where unsaid."""

    name: str | None
    findings: Findings


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
    if name not in (*_STATABLE, "source"):
        known = ", ".join((*_STATABLE, "source", "weight_kg"))
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


def load_findings(path: str | Path) -> tuple[TypedPiece, ...]:
    """Return the pieces of a findings file, telling every fault of it at once.

    ``form`` is a name, or a table with a probability for each; ``finish`` is one word
    in place of ``shares``; ``brass`` and ``solder`` are true, false or a probability.

    Raises:
        RuleFileError: Names the file and every fault with its line.
    """
    reader = _Reader(Path(path))
    pieces = reader.pieces()
    if reader.faults:
        raise reader.error()
    return pieces


def _allowed(name: str) -> Mapping[str, str | bool]:
    if name == "source":
        return {str(source): source for source in Source}
    term = VOCABULARY[name]
    return _YES_NO if term.kind is Kind.FLAG else {value: value for value in term.values}


class _Reader(TomlReader):
    """Turns parsed TOML into pieces and gathers the faults on the way."""

    def pieces(self) -> tuple[TypedPiece, ...]:
        top = self.text.values
        self.keys(top, {"schema", "piece"}, ())
        self.schema(SCHEMA)
        tables = top.get("piece")
        if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
            self.fault(("piece",), "each piece must stand under a [[piece]] of its own")
            return ()
        if not 1 <= len(tables) <= MAX_PIECES:
            self.fault(("piece",), f"1 to {MAX_PIECES} pieces are read, not {len(tables)}")
            return ()
        read = [self.piece(table, ("piece", number)) for number, table in enumerate(tables)]
        return tuple(piece for piece in read if piece is not None)

    def piece(self, table: Mapping[str, Any], at: Where) -> TypedPiece | None:
        self.keys(table, _PIECE_KEYS, at)
        name = table.get("name")
        if name is not None and not isinstance(name, str):
            self.fault((*at, "name"), "name must be text")
        parts: dict[str, Any] = {
            "form": self.form(table, at),
            "finish": self.finish(table, at),
            **{str(what): self.flag(table, what, at) for what in What},
            "diameter": self.size(table, "diameter_mm", at),
            "strand_diameter": self.size(table, "strand_diameter_mm", at),
            "facts": self.facts(table.get("facts", {}), (*at, "facts")),
        }
        # Solid wire is one strand, whichever of the two was typed.
        if "form" in table and table["form"] == Form.WIRE:
            parts["diameter"] = parts["diameter"] or parts["strand_diameter"]
            parts["strand_diameter"] = parts["strand_diameter"] or parts["diameter"]
        if not any(str(what) in table for what in _FINISH_OF):
            # Said by their shares of the finish, or not at all.
            parts |= {str(what): None for what in _FINISH_OF}
        elif parts["finish"] is not None:
            parts |= self.from_shares(parts["finish"], table, at)
        if "insulation" not in table:
            parts["insulation"] = None
        if self.faults:
            return None
        findings = self.built(at, lambda: Findings(**parts))
        return None if findings is None else TypedPiece(name=name, findings=findings)

    def form(self, table: Mapping[str, Any], at: Where) -> FormFinding | None:
        at = (*at, "form")
        value, forms = table.get("form"), ", ".join(Form)
        if "form" not in table:
            return FormFinding(p={form: 1 / len(Form) for form in Form})
        if isinstance(value, str) and value in tuple(Form):
            return FormFinding.of(Form(value))
        if not isinstance(value, dict) or not value or set(value) - set(Form):
            self.fault(at, f"form must be one of: {forms}; or a table with a probability for each")
            return None
        p = {Form(name): self.number(value, name, at, high=1.0) for name in value}
        return self.built(at, lambda: FormFinding(p=p, stated=True))

    def size(self, table: Mapping[str, Any], key: str, at: Where) -> Measurement | None:
        if key not in table:
            if f"u_{key}" in table:
                self.fault((*at, f"u_{key}"), f"u_{key} without {key}")
            return None
        value = self.number(table, key, at, high=MAX_DIAMETER_MM)
        u = self.number(table, f"u_{key}", at, high=MAX_DIAMETER_MM, default=TYPED_SIZE_U_MM)
        if value <= 0:
            self.fault((*at, key), f"{key} must be above 0")
        return Measurement.normal(value, u, Unit.MILLIMETRE, origin=Origin.STATED)

    def finish(self, table: Mapping[str, Any], at: Where) -> FinishFinding | None:
        shares = self.shares(table, at)
        if shares is None:
            for key in ("u_shares", "tarnish_level", "u_tarnish_level"):
                if key in table:
                    self.fault((*at, key), f"{key} without shares, as in shares = {{ bright = 1 }}")
            return None
        u_share = self.number(table, "u_shares", at, high=1.0, default=TYPED_SHARE_U)
        main = max(shares, key=lambda finish: shares[finish])
        level = self.number(table, "tarnish_level", at, high=1.0, default=LEVEL_OF_FINISH[main])
        u_level = self.number(table, "u_tarnish_level", at, high=1.0, default=TYPED_LEVEL_U)
        return self.built(
            (*at, "shares"),
            lambda: FinishFinding(
                shares={finish: shares.get(finish, 0.0) for finish in Finish},
                # A finish that was not named was seen not to be there.
                u={finish: u_share if finish in shares else 0.0 for finish in Finish},
                tarnish_level=Measurement.normal(level, u_level, Unit.ONE, origin=Origin.STATED),
                origin=Origin.STATED,
            ),
        )

    def shares(self, table: Mapping[str, Any], at: Where) -> dict[Finish, float] | None:
        names = ", ".join(Finish)
        if "finish" in table:
            word = table["finish"]
            if "shares" in table:
                self.fault((*at, "finish"), "say either finish or shares")
            if isinstance(word, str) and word in tuple(Finish):
                return {Finish(word): 1.0}
            self.fault((*at, "finish"), f"finish must be one of: {names}")
            return None
        if "shares" not in table:
            return None
        shares = table["shares"]
        if not isinstance(shares, dict) or not shares or set(shares) - set(Finish):
            self.fault(
                (*at, "shares"), f"shares must be a table with a number for each of: {names}"
            )
            return None
        return {
            Finish(name): self.number(shares, name, (*at, "shares"), high=1.0) for name in shares
        }

    def flag(self, table: Mapping[str, Any], what: What, at: Where) -> Presence | None:
        key = str(what)
        value = table.get(key, False)
        if isinstance(value, bool):
            p = float(value)
        else:
            p = self.number(table, key, at, high=1.0, what="true, false or a probability")
        usual, u = SHARE_IF_THERE.get(what, (0.0, 0.0))
        share = self.number(table, f"{key}_share", at, high=1.0, default=usual if p else 0.0)
        u = 0.0 if f"{key}_share" in table else u
        return Presence(p=p, share=share, u_share=u, origin=Origin.STATED)

    def from_shares(
        self, finish: FinishFinding, table: Mapping[str, Any], at: Where
    ) -> dict[str, Presence]:
        """Return what was typed as a share of the finish: it is there, and covers so much."""
        found = {}
        for what, name in _FINISH_OF.items():
            share = finish.shares.get(name, 0.0)
            if str(what) in table and share > 0:
                self.fault((*at, str(what)), f"say either {what} or a share of {name}")
            elif share > 0:
                u = finish.u.get(name, 0.0)
                found[str(what)] = Presence(p=1.0, share=share, u_share=u, origin=Origin.STATED)
        return found

    def facts(self, value: object, at: Where) -> Facts | None:
        if not isinstance(value, dict):
            self.fault(at, "facts must be a table")
            return None
        stated: dict[str, Any] = {}
        for name, said in value.items():
            yes_no = {True: "yes", False: "no"}
            # Facts are read as on the command line; only yes and no have a value of their own.
            shown = yes_no[said] if isinstance(said, bool) else _short(said)
            try:
                key, parsed = parse_fact(f"{name}={shown}")
            except RuleFileError as fault:
                self.fault((*at, name), f"{name}: {fault.message}")
            else:
                stated[key] = parsed
        return Facts(**stated)

    def built(self, at: Where, build: Callable[[], T]) -> T | None:
        """Build a contract; what it refuses is a fault of the file."""
        try:
            return build()
        except CuproscopeError as fault:
            self.fault(at, str(fault))
            return None

    def number(
        self,
        table: Mapping[str, Any],
        key: str,
        at: Where,
        *,
        high: float,
        default: float | None = None,
        what: str = "a number",
    ) -> float:
        value = table.get(key, default)
        # NaN compares with nothing, so it is refused here too.
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= high:
            self.fault((*at, key), f"{key} must be {what}, 0 to {high:g}")
            return 0.0
        return float(value)


def _short(value: object) -> str:
    """Show a value of a file; an integer of thousands of digits can't be shown at all."""
    try:
        return str(value)[:60]
    except ValueError:
        return "a huge number"
