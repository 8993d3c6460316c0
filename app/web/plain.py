"""Text of people and files, made harmless for a page."""

from __future__ import annotations

_SPECIAL = frozenset("\\`*_{}[]()<>#+-!|~:$&^=")


def plain(text: str) -> str:
    """Return text that Markdown shows as it is: no links, pictures, signs, colours or lists."""
    return "".join(f"\\{c}" if c in _SPECIAL else " " if c in "\r\n" else c for c in text)
