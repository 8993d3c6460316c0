"""Which gauge is a wire of this thickness? American wire gauge (AWG, B&S), no other."""

from __future__ import annotations

from math import floor, log

from rules.errors import ContractError

# ASTM B258: gauge 36 is 0.005 in, gauge 0000 (n = -3) is 0.46 in, 39 equal ratios between;
# its table ends at gauge 56 (from memory), 000000 goes two steps past the thick end.
_MM_OF_36 = 0.127
_RATIO = 92.0
_STEPS = 39.0
_FINEST_AWG, _THICKEST_AWG = 56.0, -5.0

# Density behind the conductor tables (IACS): 8.89 g/cm³, not the 8.96 of pure copper.
CONDUCTOR_KG_PER_M3 = 8890.0


def mm_from_awg(awg: float) -> float:
    """Return the diameter in mm of a gauge; 00, 000, 0000 are -1, -2, -3.

    Source: ASTM B258, ``0.127 mm x 92^((36 - n) / 39)``.

    >>> round(mm_from_awg(16), 4)
    1.2908
    """
    if not _THICKEST_AWG <= awg <= _FINEST_AWG:
        raise ContractError(f"gauge must be {_THICKEST_AWG} to {_FINEST_AWG}, not {awg}")
    return float(_MM_OF_36 * _RATIO ** ((36.0 - awg) / _STEPS))


def awg_from_mm(diameter_mm: float) -> float:
    """Return the gauge of a diameter, in fractions; thinner is more.

    >>> f"{awg_from_mm(1.2908):.1f}"
    '16.0'
    """
    if not 0 < diameter_mm < float("inf"):
        raise ContractError(f"diameter must be above 0 mm, not {diameter_mm}")
    return 36.0 - _STEPS * log(diameter_mm / _MM_OF_36) / log(_RATIO)


OFF_GAUGE = 0.2
"""Steps off the nearest gauge, 2.3 % of the diameter: drawn wire keeps to 1 % (ASTM B258)."""


def gauge_words(low_mm: float, high_mm: float) -> str | None:
    """Return the whole gauges nearest to both ends of an interval; None where no gauge is.

    >>> gauge_words(1.25, 1.33), gauge_words(1.23, 1.45), gauge_words(8.2, 8.3)
    ('about 16 AWG', '15 to 16 AWG', 'about 0 AWG')

    What surely lies a fifth of a step off every gauge is told between two of them: 1.25 mm
    is no 16 AWG to a rule that asks for it.

    >>> gauge_words(1.24, 1.26)
    'between 16 and 17 AWG'
    """
    if low_mm < mm_from_awg(_FINEST_AWG) or high_mm > mm_from_awg(_THICKEST_AWG):
        return None
    ends = awg_from_mm(high_mm), awg_from_mm(low_mm)
    thickest, finest = map(round, ends)
    if thickest != finest:
        return f"{_name(thickest)} to {_name(finest)} AWG"
    if ends[0] > finest + OFF_GAUGE or ends[1] < finest - OFF_GAUGE:
        return f"between {_name(floor(ends[0]))} and {_name(floor(ends[0]) + 1)} AWG"
    return f"about {_name(finest)} AWG"


def _name(whole: int) -> str:
    """Return what a gauge is called; past 0 the noughts are counted."""
    return f"{whole}" if whole >= 0 else f"{1 - whole}/0"
