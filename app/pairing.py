"""Which photos of a folder are one pair: by daylight, and a moment later with the flash on?

Told by what the cameras wrote. Files that lost it, as messengers send them, are looked at: of two
neighbours the second may be lit by a lamp at the lens. Whether they show the same pieces is found
when they are graded.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from rules.errors import PhotoError

APART_S = 60.0
"""Two photos of a pair are taken within so many seconds; a minute is enough to find the flash's
button (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A photo without notes: its size, and how likely the flash lit it."""

    path: Path
    size_px: tuple[int, int]
    lit_p: float


def pairs_in(photos: Sequence[Path]) -> dict[Path, Path]:
    """Return the photo with the flash for each photo that has one, each used once."""
    if len(photos) < 2:
        return {}
    plain: list[tuple[datetime, Path]] = []
    lit: list[tuple[datetime, Path]] = []
    untold: list[bool] = []
    for path in photos:
        taken, fired = _taken(path)
        untold.append(taken is None and fired is None)
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
    return pairs | dict(_by_light(photos, untold))


def _by_light(photos: Sequence[Path], untold: Sequence[bool]) -> Iterator[tuple[Path, Path]]:
    """Give neighbours without the camera's notes, the second lit from the lens, not the first."""
    before: Seen | None = None
    for at, path in enumerate(photos):
        beside = untold[max(at - 1, 0) : at + 2].count(True) > 1
        now = _seen(path) if untold[at] and beside else None
        if before is not None and now is not None and _pair(before, now):
            yield before.path, now.path
            now = None
        before = now


def _pair(plain: Seen, flash: Seen) -> bool:
    from vision.flash.recognise import LIT_P, UNTOLD_P

    return plain.size_px == flash.size_px and plain.lit_p < UNTOLD_P and flash.lit_p >= LIT_P


def _seen(path: Path) -> Seen | None:
    from vision.flash.recognise import recognised
    from vision.photo.loading import load_photo_file

    try:
        photo = load_photo_file(path)
    except PhotoError:
        return None
    return Seen(path=path, size_px=(photo.width_px, photo.height_px), lit_p=recognised(photo))


def _taken(path: Path) -> tuple[datetime | None, bool | None]:
    """Return when a photo was taken, and whether the flash fired, as far as its file says."""
    from vision.photo.loading import camera_notes

    notes = camera_notes(path)
    taken = None if notes.taken is None else datetime.fromisoformat(notes.taken)
    return taken, notes.flash_fired
