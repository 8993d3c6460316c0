"""Which colours and signs stand for what on a picture?

None of them says anything alone: grades differ in the sign's shape and in words as well,
what is unsure in its broken outline and its question mark.
"""

from __future__ import annotations

Tone = tuple[int, int, int]
"""sRGB codes; all of them by eye, none is a colour that copper has."""

PAPER: Tone = (247, 245, 240)
INK: Tone = (34, 34, 38)
SOFT_INK: Tone = (96, 94, 98)
RULE: Tone = (214, 208, 198)
BAR: Tone = (58, 92, 128)
BAR_GROUND: Tone = (225, 221, 212)

DARK: Tone = (24, 24, 28)
WHITE: Tone = (255, 255, 255)
BRASS: Tone = (255, 214, 92)
SOLDER: Tone = (150, 214, 255)
REFERENCE: Tone = (190, 240, 190)
UNSURE: Tone = (255, 176, 148)
LEFT_OUT: Tone = (205, 205, 210)
CUT: Tone = (255, 132, 88)

RANKS: tuple[Tone, ...] = ((150, 240, 170), (120, 225, 235), (225, 190, 255), (222, 222, 226))
"""Of the best grade, the next, the third, and of whatever is sold by another line."""

SIGNS = ("disc", "square", "diamond", "cross")
"""Their shapes, in the same order."""


def of_rank(rank: int) -> tuple[Tone, str]:
    """Return tone and sign of a grade, 0 the best; from the fourth on all wear the last.

    >>> of_rank(0)[1], of_rank(7)[1]
    ('disc', 'cross')
    """
    place = min(rank, len(RANKS) - 1)
    return RANKS[place], SIGNS[place]
