"""Files that are either whole or not there."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Callable, Container
from pathlib import Path

LONGEST_STEM = 80


def write_whole(path: Path, write: Callable[[Path], None], *, mode: int | None = None) -> None:
    """Write a file so that no reader ever sees half of it.

    ``write`` fills a temporary file in the same folder, which then takes the name in
    one step; whatever goes wrong before leaves what was there.

    Args:
        path: The file.
        write: Fills the file whose path it is given.
        mode: Who may read and write it; None takes what the system gives to new files.

    Raises:
        OSError: The folder can't be written to.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    number, name = tempfile.mkstemp(dir=path.parent, prefix=".cuproscope-", suffix=path.suffix)
    os.close(number)
    part = Path(name)
    try:
        write(part)
        part.chmod(0o666 & ~_umask() if mode is None else mode)
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def write_bytes_whole(path: Path, data: bytes, *, mode: int | None = None) -> None:
    """Write these bytes as :func:`write_whole` does."""
    write_whole(path, lambda part: _fill(part, data), mode=mode)


def _fill(part: Path, data: bytes) -> None:
    part.write_bytes(data)


def safe_stem(name: str, *, taken: Container[str]) -> str:
    """Return a file name (without suffix) that a photo's own name can't misuse.

    Letters, digits, space, dot, hyphen and underscore stay; a name that is taken gets
    a number.
    """
    stem = Path(name).stem
    stem = re.sub(r"[^\w .-]", "_", stem)[:LONGEST_STEM].strip(" .") or "photo"
    chosen, number = stem, 2
    while chosen.lower() in taken:
        chosen, number = f"{stem}-{number}", number + 1
    return chosen


def harmless(text: str) -> str:
    """Return text that no spreadsheet runs as a formula, for a cell of a CSV file.

    A cell counts as one by its first sign that is to be seen, also in full-width letters
    (OWASP, "CSV Injection"; ``|`` and ``%`` are from older advice, from memory), and by a tab
    or a line end before it. It gets an apostrophe in front.
    """
    seen = text.lstrip(_UNSEEN + " \t\r\n\v\f\u00a0\u3000")
    return f"'{text}" if seen.startswith(_RISKY) or text[:1] in ("\t", "\r", "\n") else text


_RISKY = tuple("=+-@|%＝＋－＠｜％")
_UNSEEN = "\u200b\u200c\u200d\u200e\u200f\u2060\ufeff"


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
