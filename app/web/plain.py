"""Text of people and files, made harmless for a page."""

from __future__ import annotations

import re

_SPECIAL = frozenset("\\`*_{}[]()<>#+-!|~:$&^=")


def plain(text: str) -> str:
    """Return text that Markdown shows as it is: no links, pictures, signs, colours or lists.

    Addresses are made links wherever they stand in the text, escaped or not (GitHub Flavored
    Markdown, 6.9): a sign that is not seen parts them.
    """
    text = _ADDRESS.sub(lambda found: found[0][0] + _UNSEEN + found[0][1:], text)
    return "".join(f"\\{c}" if c in _SPECIAL else " " if c in "\r\n" else c for c in text)


_UNSEEN = "\u2060"
"""Word joiner: no width, no break."""

_ADDRESS = re.compile(r"(?:https?|ftp|mailto|xmpp):|www\.|@[\w-]", re.IGNORECASE)
"""How an address begins, or the middle of an e-mail address."""
