"""What people type, made fit to be kept: plain text, no control characters, bounded."""

from __future__ import annotations

import unicodedata

from app.records.models import NAME_LENGTH, NOTES_LENGTH, WORD_LENGTH


def one_line(text: str, *, longest: int = NAME_LENGTH) -> str:
    """Return a name: one line, single spaces, without control characters."""
    return " ".join(_kept(text, "").split())[:longest].strip()


def many_lines(text: str, *, longest: int = NOTES_LENGTH) -> str:
    """Return notes: line ends as ``\\n``, tabs kept, no other control characters."""
    return _kept(text.replace("\r\n", "\n").replace("\r", "\n"), "\n\t")[:longest].strip()


def word(text: str) -> str:
    """Return a tag: a short name in small letters."""
    return one_line(text, longest=WORD_LENGTH).lower()


def name_key(name: str) -> str:
    """Return a name as it is compared: case and ways to write a letter don't matter."""
    return unicodedata.normalize("NFKC", one_line(name)).casefold()[:NAME_LENGTH]


def _kept(text: str, also: str) -> str:
    """Drop control characters, halves of surrogate pairs and the like; blanks stay."""
    return "".join(
        c if c in also or unicodedata.category(c) not in ("Cc", "Cs", "Co", "Cn") else " "
        for c in unicodedata.normalize("NFC", text)
    )
