"""What the person says of the piece, in plain words, and what that means to the rules."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

from app.request import CHECK_BAR_MM, Request
from rules.findings import CutEnd, Facts, Form, Magnet, Source
from rules.sheet import RuleSheet, load_sheet

NOT_SAID = "Not said"
YES, NO = "Yes", "No"

FORMS = {
    "Let the photo tell": None,
    "Solid wire": str(Form.WIRE),
    "Stranded wire": str(Form.STRANDED),
    "Cut end of a cable": "cut_end",
    "Tube": str(Form.TUBE),
    "Sheet or bar": str(Form.SHEET),
    "Something else": str(Form.OTHER),
}

SOURCES = {
    NOT_SAID: None,
    "House wiring": Source.HOUSE_WIRING,
    "Water or heating": Source.PLUMBING,
    "Cord or cable": Source.CORD_CABLE,
    "Motor, coil, transformer": Source.MOTOR_TRANSFORMER,
    "Appliance, electronics": Source.APPLIANCE,
    "Outdoors": Source.OUTDOORS,
}
"""Where a piece comes from: it says what is likely on it before anyone looks."""

MAGNETS = {NOT_SAID: None, "It sticks": Magnet.STICKS, "It does not": Magnet.FREE}

CUT_ENDS = {
    NOT_SAID: None,
    "Copper all through": CutEnd.COPPER,
    "Something else inside": CutEnd.OTHER,
}

QUESTIONS = {
    "motor_wire": "Wire from a motor, coil or transformer?",
    "insulation": "Insulation still on it?",
    "enamel": "Enamel on the wire?",
    "paint": "Paint on it?",
    "oil": "Oil or grease on it?",
}
"""Asked in this order; the keys are fields of ``rules.findings.Facts``."""

REFERENCES = {
    "Find it (card or printed sheet)": "auto",
    "Bank or identity card": "card",
    "The printed sheet": "sheet",
    "A coin": "coin",
    "A printed marker": "marker",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """The answers as they stand on the page; words are the keys of the tables above."""

    reference: str = next(iter(REFERENCES))
    coin: str | None = None
    marker_mm: float = 40.0
    bar_mm: float = CHECK_BAR_MM
    form: str = next(iter(FORMS))
    source: str = NOT_SAID
    magnet: str = NOT_SAID
    cut_end: str = NOT_SAID
    yes_no: tuple[tuple[str, str], ...] = ()
    sheet: str = "house"
    buyer_id: str | None = None


def request_of(stated: Stated) -> Request:
    """Return what the rules and the eye are asked, from the words on the page."""
    said = {YES: True, NO: False}
    yes_no: dict[str, Any] = {
        name: said.get(answer) for name, answer in stated.yes_no if name in QUESTIONS
    }
    facts = Facts(
        magnet=MAGNETS.get(stated.magnet),
        cut_end=CUT_ENDS.get(stated.cut_end),
        source=SOURCES.get(stated.source),
        **yes_no,
    )
    return Request(
        sheet=shipped_sheet(stated.sheet),
        reference=reference_key(stated),
        form=FORMS.get(stated.form),
        facts=facts,
        print_scale=stated.bar_mm / CHECK_BAR_MM if _is_on_printed_sheet(stated) else 1.0,
    )


def _is_on_printed_sheet(stated: Stated) -> bool:
    return REFERENCES.get(stated.reference) == "sheet"


def reference_key(stated: Stated) -> str:
    """Return the key of the reference, as on the command line."""
    kind = REFERENCES.get(stated.reference, "auto")
    if kind == "coin":
        return stated.coin or "auto"
    if kind == "marker":
        return f"marker:{stated.marker_mm:g}"
    return kind


def count_said(stated: Stated) -> int:
    """Return how many things the person stated, for beneath a closed part."""
    said = [answer for _, answer in stated.yes_no] + [stated.magnet, stated.cut_end]
    return sum(answer not in (NOT_SAID, "") for answer in said) + (
        FORMS.get(stated.form) is not None
    )


@cache
def coins() -> dict[str, str]:
    """Return what coins are called on the page, and their keys; only those that can serve."""
    from vision.reference.coin.kinds import COIN_KEYS, NOT_USABLE, coin

    return {coin(key).name: key for key in COIN_KEYS if key not in NOT_USABLE}


@cache
def shipped_sheet(name: str) -> RuleSheet:
    """Return a rule sheet that comes with the program."""
    return load_sheet(name)
