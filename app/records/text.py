"""What people type, made fit to be kept: plain text, no control characters, bounded.

Characters that turn the direction of all text behind them (Unicode Standard Annex 9, 2.1 to
2.5) are dropped too: a name could turn around what a page or a ticket says beside it.
"""

from __future__ import annotations

import unicodedata

from app.records.models import NAME_LENGTH, NOTES_LENGTH, WORD_LENGTH

_TURNING = dict.fromkeys([*range(0x202A, 0x202F), *range(0x2066, 0x206A)])
"""Embeddings, overrides and isolates with their ends. The marks U+200E, U+200F and U+061C stay:
they turn nothing but their own place, and names in Arabic or Hebrew need them."""


def one_line(text: str, *, longest: int = NAME_LENGTH) -> str:
    """Return a name: one line, single spaces, without control characters."""
    return " ".join(_kept(text, "").split())[:longest].strip()


def many_lines(text: str) -> str:
    """Return notes: line ends as ``\\n``, tabs kept, no other control characters."""
    return _kept(text.replace("\r\n", "\n").replace("\r", "\n"), "\n\t")[:NOTES_LENGTH].strip()


def word(text: str) -> str:
    """Return a tag: a short name in small letters."""
    return one_line(text, longest=WORD_LENGTH).lower()


def name_key(name: str) -> str:
    """Return a name as it is compared: case and ways to write a letter don't matter."""
    return unicodedata.normalize("NFKC", one_line(name)).casefold()[:NAME_LENGTH]


def unturned(text: str) -> str:
    """Return a text without the characters that turn the text beside them around."""
    return text.translate(_TURNING)


def _kept(text: str, also: str) -> str:
    """Drop control characters, halves of surrogate pairs and the like; blanks stay."""
    return "".join(
        c if c in also or unicodedata.category(c) not in ("Cc", "Cs", "Co", "Cn") else " "
        for c in unicodedata.normalize("NFC", unturned(text))
    )
