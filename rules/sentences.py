"""How does a fragment become a sentence?"""

from __future__ import annotations


def sentence(text: str) -> str:
    """Return a text that begins with a capital and ends with one mark.

    >>> sentence("the file is empty")
    'The file is empty.'
    """
    text = text.strip()
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith((".", "!", "?")) else ".")
