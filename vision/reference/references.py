"""The flat things of known size that can lie beside a piece.

Sizes are those of the standards; the uncertainties are standard ones (k = 1).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from vision.problems import photo_error
from vision.reference.coin.kinds import COIN_KEYS, coin

# ISO/IEC 7810 ID-1: 85.60 x 53.98 mm, corner radius 2.88 to 3.48 mm, thickness 0.68
# to 0.84 mm. Limits of an unused card, 85.47 to 85.72 x 53.92 to 54.03 mm, from memory;
# taken as rectangular distributions (JCGM 100:2008, 4.3.7).
CARD_WIDTH_MM = 85.60
CARD_HEIGHT_MM = 53.98
CARD_RADIUS_MM = 3.18
CARD_THICKNESS_MM = 0.76
U_CARD_WIDTH_REL = (85.72 - 85.47) / 2 / sqrt(3) / CARD_WIDTH_MM
U_CARD_HEIGHT_REL = (54.03 - 53.92) / 2 / sqrt(3) / CARD_HEIGHT_MM
U_CARD_THICKNESS_MM = (0.84 - 0.68) / 2 / sqrt(3)

# Printers are 0.5 to 2 % off; a person who asks for 100 % gets about 0.5 %: common
# practice, no source. A bar measured with a rule to 0.15 mm in 50 leaves 0.3 %,
# the same bar entered as a correction.
U_PRINT_REL = 0.005
U_PRINT_MEASURED_REL = 0.003
# Office paper is 0.1 mm; a marker may be glued to card of up to 1 mm.
PAPER_MM = 0.1
U_PAPER_MM = 0.15
# A sheet does not lie perfectly flat on a table.
U_SHEET_MM = 0.2

MARKER_KEY = "marker:"
# What people print: common practice, no source.
SMALLEST_MARKER_MM = 5.0
LARGEST_MARKER_MM = 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceKey:
    """A reference as the person named it.

    Attributes:
        kind: ``auto``, ``sheet``, ``card``, ``marker`` or ``coin``.
        key: As typed, in lower case.
        size_mm: Black side of a marker, else None.
    """

    kind: str
    key: str
    size_mm: float | None = None


def parse_reference(key: str) -> ReferenceKey:
    """Return what a reference key asks for; anything unknown is left to the coins.

    >>> parse_reference("marker:40").size_mm
    40.0

    Raises:
        PhotoError: code ``unknown_reference``, a marker without a sensible size.
    """
    key = key.strip().lower()
    if key in ("auto", "sheet", "card"):
        return ReferenceKey(kind=key, key=key)
    if key == "marker" or key.startswith(MARKER_KEY):
        return ReferenceKey(kind="marker", key=key, size_mm=_marker_side(key))
    return ReferenceKey(kind="coin", key=key)


def reference_name(key: str) -> str:
    """Return what the reference of a scale is called, not how its key is typed.

    >>> [reference_name(key) for key in ("card", "marker:15", "us-25c", "two points")]
    ['card', '15 mm marker', 'US 25 cent coin', 'two points']
    """
    if key.startswith(MARKER_KEY):
        return f"{_marker_side(key):g} mm marker"
    if key in COIN_KEYS:
        return f"{coin(key).name} coin"
    return "printed sheet" if key == "sheet" else key


def _marker_side(key: str) -> float:
    try:
        side = float(key.removeprefix(MARKER_KEY).removesuffix("mm"))
    except ValueError:
        side = float("nan")
    if not SMALLEST_MARKER_MM <= side <= LARGEST_MARKER_MM:
        raise photo_error("unknown_reference", told=key)
    return side
