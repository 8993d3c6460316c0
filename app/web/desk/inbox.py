"""Photos that were handed in, as files named by their hash; a page keeps only the name.

Uploads would otherwise stay in memory for as long as the page is open. What comes in is
stripped of the camera's notes first; it goes with the server, with the records, or after
a day, whichever comes first.
"""

from __future__ import annotations

import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from app.files import write_bytes_whole
from app.web.desk.without_notes import without_notes
from vision.photo.loading import MAX_BYTES
from vision.problems import photo_error

KEPT_S = 24 * 3600.0
KEPT_BYTES = 500 * 2**20
"""What was not saved to the records is dropped after a day, or beyond so many bytes."""

TIDIED_EVERY_S = 600.0

LONGEST_NAME = 80


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """One photo that lies in the inbox.

    Attributes:
        sha256: Hex digest of the file as it lies there: its name.
        name: What the person calls it; only ever shown.
    """

    sha256: str
    name: str


def keep(data: bytes, *, name: str, folder: Path) -> Kept:
    """Put a photo into the inbox without the camera's notes; reading it comes later.

    Raises:
        PhotoError: ``too_large``.
        OSError: The folder can't be written to.
    """
    if len(data) > MAX_BYTES:
        raise photo_error(
            "too_large.upload", where=name, mb=len(data) / 2**20, most_mb=MAX_BYTES // 2**20
        )
    data = without_notes(data)
    digest = sha256(data).hexdigest()
    path = folder / digest
    if not path.is_file():
        write_bytes_whole(path, data, mode=0o600)
    else:
        path.touch()
    return Kept(sha256=digest, name=name[:LONGEST_NAME] or "photo")


def path_of(kept: Kept, *, folder: Path) -> Path:
    """Return the file of a photo in the inbox.

    Raises:
        PhotoError: ``not_found``, it was dropped meanwhile.
    """
    path = folder / kept.sha256
    if not path.is_file():
        raise photo_error("not_found.upload", where=kept.name)
    return path


def tidy(folder: Path, *, now: float | None = None) -> None:
    """Drop what is older than a day, and the oldest beyond the size kept."""
    moment = time.time() if now is None else now
    found = []
    for path in folder.iterdir() if folder.is_dir() else ():
        with suppress(OSError):
            told = path.stat()
            found.append((told.st_mtime, told.st_size, path))
    total = 0
    for at, size, path in sorted(found, reverse=True):
        total += size
        if moment - at > KEPT_S or total > KEPT_BYTES:
            with suppress(OSError):
                path.unlink()


def empty(folder: Path) -> None:
    """Drop everything: at the server's start and end, and with the records."""
    for path in folder.iterdir() if folder.is_dir() else ():
        with suppress(OSError):
            path.unlink()


def tidy_on_time(folder: Path, *, every_s: float = TIDIED_EVERY_S) -> threading.Event:
    """Tidy the inbox again and again beside the server, until the event returned is set."""
    is_over = threading.Event()

    def run() -> None:
        while not is_over.wait(every_s):
            tidy(folder)

    threading.Thread(target=run, name="inbox", daemon=True).start()
    return is_over
