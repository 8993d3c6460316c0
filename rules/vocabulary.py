"""Which findings may a rule ask about, in which unit, and what are they called?

A sheet that names anything else is refused when it is loaded.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from rules.findings import CutEnd, Finish, Form, Magnet, Unit

MAX_DIAMETER_MM = 200.0
"""Thicker is nothing that lies on a sorting bench: common practice, no source."""


class Kind(StrEnum):
    """What values a finding has."""

    NUMBER = "number"
    CATEGORY = "category"
    FLAG = "flag"


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One finding as the rules know it.

    Attributes:
        name: What a sheet calls it.
        kind: Number, category or yes-no flag.
        words: What a person calls it.
        unit: Unit of a number; None for the others.
        high: Largest value a number can have; the smallest is 0.
        values: The names that a category can take.
        settle: The one check that takes the doubt away; ``{limit}`` is filled in, and
            ``{what}`` is to be measured.
        minutes: What that check takes. Common practice, no source: a feel is quicker than a
            scratch, a scratch than wiping it and judging its shine, that than a caliper.
        unstated: For facts that only the person can know: what counts where nobody said.
    """

    name: str
    kind: Kind
    words: str
    unit: Unit | None = None
    high: float = 1.0
    values: tuple[str, ...] = ()
    settle: str = ""
    minutes: float = 0.5
    unstated: str | bool | None = None


def _mm(name: str, words: str, settle: str) -> Term:
    return Term(
        name=name,
        kind=Kind.NUMBER,
        words=words,
        unit=Unit.MILLIMETRE,
        high=MAX_DIAMETER_MM,
        settle=settle,
        minutes=0.5,
    )


def _ratio(name: str, words: str, settle: str, *, minutes: float = 0.3) -> Term:
    return Term(
        name=name, kind=Kind.NUMBER, words=words, unit=Unit.ONE, settle=settle, minutes=minutes
    )


def _flag(name: str, words: str, settle: str, *, minutes: float = 0.3, fact: bool = False) -> Term:
    return Term(
        name=name,
        kind=Kind.FLAG,
        words=words,
        settle=settle,
        minutes=minutes,
        unstated=False if fact else None,
    )


_BRASS_CHECK = "scratch the spot with a file: yellow means brass, red means copper"
_BRASS_SHARE_CHECK = (
    "see how much of the piece is brass: mostly brass sells as brass, until it is cut off"
)
_METAL_CHECK = "file a spot: red means copper, grey or white right through another metal"
_SOLDER_CHECK = "scratch the grey spot with a blade: soft and grey right through means solder"
_JACKET_CHECK = "feel for plastic or rubber on it: what peels off in one piece is a jacket"

FORM_WORDS = {
    Form.WIRE: "solid wire",
    Form.STRANDED: "stranded wire",
    Form.TUBE: "tube",
    Form.SHEET: "sheet",
    Form.OTHER: "other shape",
}
"""What a person calls a form."""

_TERMS = (
    # In the order in which a tie over the deciding finding is broken.
    _mm(
        "strand_diameter",
        "strand",
        "measure {what} with a caliper: does it reach {limit} mm?",
    ),
    Term(
        name="form",
        kind=Kind.CATEGORY,
        words="shape",
        values=tuple(Form),
        settle="look at a cut end and state the shape: one solid wire, many strands, "
        "a hollow tube or a flat sheet",
        minutes=0.2,
    ),
    _flag("insulation", "insulation", _JACKET_CHECK, minutes=0.1),
    _flag("brass", "brass fitting", _BRASS_CHECK),
    _flag("solder", "solder", _SOLDER_CHECK),
    _flag(
        "not_metal",
        "no metal",
        "pick it up: metal is heavy and cold, plastic and wood are neither",
        minutes=0.1,
    ),
    _flag("other_metal", "another metal", _METAL_CHECK),
    _ratio(
        "coated_share",
        "coating",
        "scrape a spot with a blade: enamel, lacquer or paint comes off in flakes, "
        "bare copper only shines",
    ),
    _ratio(
        "tinned_share",
        "tin",
        "scratch a spot with a file: red under the grey means tinned copper, "
        "grey right through means no copper at all",
    ),
    _ratio(
        "green_share",
        "green corrosion",
        "wipe a spot with a wet rag: dirt comes off, green corrosion stays",
    ),
    _ratio(
        "tarnish_level",
        "tarnish level",
        "hold it in daylight beside a freshly sanded piece and an old brown penny, "
        "and judge by the nearer one",
        minutes=0.5,
    ),
    _ratio(
        "bright_share",
        "shiny",
        "wipe it and turn it in daylight: does most of the metal shine?",
        minutes=0.4,
    ),
    _ratio(
        "tarnished_share",
        "tarnished",
        "wipe it and turn it in daylight: is most of the metal dull?",
        minutes=0.4,
    ),
    _mm(
        "diameter",
        "outer diameter",
        "measure the outer diameter with a caliper: does it reach {limit} mm?",
    ),
    _ratio("insulation_share", "jacket, share of the area", _JACKET_CHECK, minutes=0.1),
    _ratio("brass_share", "brass, share of the area", _BRASS_SHARE_CHECK, minutes=0.2),
    _ratio("solder_share", "solder, share of the area", _SOLDER_CHECK),
    Term(
        name="magnet",
        kind=Kind.CATEGORY,
        words="magnet",
        values=tuple(Magnet),
        settle="try a magnet: steel inside sticks, copper does not",
        minutes=0.1,
        unstated=str(Magnet.FREE),
    ),
    Term(
        name="cut_end",
        kind=Kind.CATEGORY,
        words="fresh cut",
        values=tuple(CutEnd),
        settle="cut or file into it: red right through means copper",
        minutes=0.5,
        unstated=str(CutEnd.COPPER),
    ),
    _flag("motor_wire", "motor or coil wire", "ask where it came from: a motor?", fact=True),
    _flag("oil", "oil", "wipe it with a white rag: oil leaves a mark", fact=True),
    _flag("paint", "paint", "scrape a spot: does paint come off?", fact=True),
    _flag("enamel", "enamel", "scrape a spot: does clear enamel come off?", fact=True),
)

VOCABULARY: dict[str, Term] = {term.name: term for term in _TERMS}

SHARE_OF_FINISH: dict[Finish, str] = {finish: f"{finish}_share" for finish in Finish}
FACT_NAMES: tuple[str, ...] = tuple(t.name for t in _TERMS if t.unstated is not None)
"""What the rules ask of the person alone; insulation may be stated, and is seen as well."""
