"""How does a fragment become a sentence, whose numbers stay with their units?"""

from __future__ import annotations

import re

_BEFORE_UNIT = re.compile(
    r"(?<=\d) (?=(?:%|mm|cm|min|kg|lb|±)(?!\w))|(?<=±) (?=\d)|(?<=\bNo\.) (?=\d)"
)


def sentence(text: str) -> str:
    """Return a text that begins with a capital and ends with one mark.

    >>> sentence("the file is empty")
    'The file is empty.'
    """
    text = text.strip()
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith((".", "!", "?")) else ".")


def with_units_kept(text: str) -> str:
    """Return a text in which a number and its unit, or a grade's number, stay on one line.

    >>> with_units_kept("1.6 mm ± 0.1 mm of 12 mice").split(" ")
    ['1.6\\xa0mm', '±\\xa00.1\\xa0mm', 'of', '12', 'mice']
    >>> with_units_kept("it stays No. 2")
    'it stays No.\\xa02'
    """
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text)
