"""Which photos of a folder are one pair: by daylight, and a moment later with the flash on?

Told by what the cameras wrote; whether they show the same pieces is found when they are graded.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

APART_S = 60.0
"""Two photos of a pair are taken within so many seconds; a minute is enough to find the flash's
button (common practice, no source)."""


def pairs_in(photos: Sequence[Path]) -> dict[Path, Path]:
    """Return the photo with the flash for each photo that has one, each used once."""
    if len(photos) < 2:
        return {}
    plain: list[tuple[datetime, Path]] = []
    lit: list[tuple[datetime, Path]] = []
    for path in photos:
        taken, fired = _taken(path)
        if taken is not None:
            (lit if fired else plain).append((taken, path))
    near = sorted(
        (abs((at - then).total_seconds()), str(path), path, flash)
        for at, flash in lit
        for then, path in plain
    )
    pairs: dict[Path, Path] = {}
    for apart_s, _, path, flash in near:
        if apart_s <= APART_S and path not in pairs and flash not in pairs.values():
            pairs[path] = flash
    return pairs


def _taken(path: Path) -> tuple[datetime | None, bool]:
    """Return when a photo was taken, and whether the flash fired, as far as its file says."""
    from vision.photo.loading import camera_notes

    notes = camera_notes(path)
    taken = None if notes.taken is None else datetime.fromisoformat(notes.taken)
    return taken, bool(notes.flash_fired)
