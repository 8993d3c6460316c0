"""A large JSON text, read value by value: never more of it in memory than one value takes."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

from app.records.codec import no_constant
from app.records.errors import BadArchiveError

_NO_BLANK = re.compile(r"[^ \t\n\r]")


class JsonStream:
    """What is left of a JSON text (RFC 8259), taken from its front.

    Attributes:
        longest: Longest text of one value that is taken; a longer one is refused.
    """

    def __init__(self, chunks: Iterator[str], *, longest: int) -> None:
        self.longest = longest
        self._chunks = chunks
        self._text = ""
        self._at = 0
        self._is_over = False
        self._decode = json.JSONDecoder(parse_constant=no_constant).raw_decode

    def value(self) -> Any:  # noqa: ANN401 (what JSON holds)
        """Take the next value whole."""
        self._peek()
        while True:
            try:
                value, end = self._decode(self._text, self._at)
            except RecursionError as fault:
                raise BadArchiveError("is nested too deeply") from fault
            except ValueError as fault:
                if self._is_over:
                    raise BadArchiveError("is no JSON") from fault
            else:
                # A number that ends with the text so far, or before its point, may go on.
                if self._is_over or self._text[end : end + 1] not in ("", *".eE"):
                    self._at = end
                    return value
            # Twice as much each time: trying again takes no longer than the last try.
            wanted = 2 * (len(self._text) - self._at)
            while len(self._text) - self._at < wanted and not self._is_over:
                if len(self._text) - self._at > self.longest:
                    raise BadArchiveError(f"holds a value of more than {self.longest} letters")
                self._more()

    def members(self) -> Iterator[str]:
        """Give the keys of an object; each key's value is to be taken before the next."""
        seen: set[str] = set()
        for _ in self._listed("{", "}"):
            key = self.value()
            if not isinstance(key, str) or key in seen:
                raise BadArchiveError("holds a key that is no key, or stands twice")
            seen.add(key)
            self._take(":")
            yield key

    def items(self) -> Iterator[int]:
        """Give the numbers of a list's items; each item is to be taken before the next."""
        return self._listed("[", "]")

    def end(self) -> None:
        """Refuse whatever follows."""
        if self._peek():
            raise BadArchiveError("goes on behind its end")

    def _listed(self, opening: str, closing: str) -> Iterator[int]:
        self._take(opening)
        number = 0
        while self._peek() != closing:
            if number:
                self._take(",")
            yield number
            number += 1
        self._take(closing)

    def _take(self, sign: str) -> None:
        if self._peek() != sign:
            raise BadArchiveError(f"is no JSON: {sign} is missing")
        self._at += 1

    def _peek(self) -> str:
        """Return the next sign that is no blank; empty at the end."""
        while True:
            found = _NO_BLANK.search(self._text, self._at)
            if found is not None:
                self._at = found.start()
                return found[0]
            self._at = len(self._text)
            if self._is_over:
                return ""
            self._more()

    def _more(self) -> None:
        chunk = next(self._chunks, None)
        self._is_over = chunk is None
        self._text, self._at = self._text[self._at :] + (chunk or ""), 0
