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


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
