"""What the person asks for and states: the same for every photo of one run."""

from __future__ import annotations

from dataclasses import dataclass, field
from difflib import get_close_matches

from rules.base_rates import BaseRates
from rules.errors import CuproscopeError
from rules.findings import CUT_END, Facts, Form
from rules.sheet import RuleSheet

CHECK_BAR_MM = 50.0
"""Nominal length of the bar on the printed sheet (``vision/reference/sheet.py``)."""

FORMS = (*(str(form) for form in Form), CUT_END)


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """How each photo is to be graded.

    Attributes:
        sheet: The rule sheet.
        reference: Key of the reference object beside the piece.
        form: Form that the person states, or ``cut_end``; None lets the photo tell.
        facts: What else the person states.
        print_scale: Printed over nominal length of the sheet's check bar; 1 where
            nobody measured it.
        rates: Base rates of the bench; None takes those that ship.
    """

    sheet: RuleSheet
    reference: str = "auto"
    form: str | None = None
    facts: Facts = field(default_factory=Facts)
    print_scale: float = 1.0
    rates: BaseRates | None = None


def reference_key(text: str) -> str:
    """Return the key of what lies beside the piece, as it was typed, where there is such a thing.

    Raises:
        CuproscopeError: There is none; says which there are.
    """
    from vision.reference.references import parse_reference

    wanted = parse_reference(text)
    if wanted.kind == "coin":
        from vision.reference.coin.kinds import COIN_KEYS, NOT_USABLE, coin

        if wanted.key not in COIN_KEYS and wanted.key not in NOT_USABLE:
            known = ("auto", "card", "sheet", *COIN_KEYS)
            near = get_close_matches(text.lower(), known, n=1)
            meant = f" (did you mean {near[0]}?)" if near else ""
            raise CuproscopeError(
                f"no such reference {text!r}{meant}; say auto, card, sheet, marker:MM (its black "
                f"side in mm) or a coin: {', '.join(COIN_KEYS)}"
            )
        coin(wanted.key)
    return wanted.key
