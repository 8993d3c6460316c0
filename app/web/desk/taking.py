"""Photos that are handed in: kept in the inbox, or told why not."""

from __future__ import annotations

from app.web.desk.inbox import Kept, keep
from app.web.desk.state import Visit, inbox_folder
from app.web.desk.uploads import let_go, still_held
from app.web.plain import plain
from rules.errors import PhotoError
from rules.sentences import sentence, with_units_kept

TYPES = ("jpg", "jpeg", "png", "webp", "heic", "heif", "avif")
"""How the names of files end that a page takes for photos."""


def take_file(here: Visit, data: bytes, name: str) -> Kept | None:
    """Return a photo as it lies in the inbox; None where it can't, with the fault on the desk."""
    try:
        return keep(data, name=name, folder=inbox_folder())
    except PhotoError as fault:
        told = with_units_kept(sentence(fault.message))
        here.faults.append(f"{plain(name)}: {told} {fault.fix}")
    except OSError:
        here.faults.append(f"{plain(name)} could not be kept: is the disk full?")
    return None


def take_upload(here: Visit, key: str) -> Kept | None:
    """Return the one photo that an uploader holds, which lets go of it; None where none is kept."""
    held = still_held(key)
    if not held:
        return None
    kept = take_file(here, held[0].getvalue(), held[0].name)
    let_go(held[:1])
    here.rounds += 1  # a fresh uploader no longer asks for it
    return kept
