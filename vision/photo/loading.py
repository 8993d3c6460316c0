"""How does a photo get in? One door for every source.

Bytes are capped, the header is read before any pixel, only known kinds are decoded,
orientation is applied, colours become sRGB. Anything wrong is one typed error that
names the file, the fault and the fix; a bad file never brings down the others.
"""

from __future__ import annotations

import glob
import hashlib
import math
from collections.abc import Iterable
from pathlib import Path

from rules.errors import PhotoError
from vision.photo.container import KINDS_IN_WORDS, check_claims
from vision.photo.decoding import CameraNotes, camera_notes_of, decode
from vision.photo.guarded import decode_guarded, wants_guard
from vision.problems import photo_error
from vision.types import Photo

MAX_BYTES = 25 * 2**20
"""Largest file that is read. A 12-megapixel JPEG is 3 to 8 MB, a 50-megapixel one 20 MB."""

SUFFIXES = frozenset({".jpg", ".jpeg", ".jpe", ".png", ".webp", ".heic", ".heif", ".avif"})
"""File names that count as photos when a folder is given."""

FILM_DIAGONAL_MM = math.hypot(36, 24)
"""Diagonal of 35 mm film, to which "35 mm equivalent" focal lengths refer."""

SENSOR_RATIOS = (4 / 3, 3 / 2)
"""Shapes of a whole camera sensor. Another shape means a crop, and then the focal
length no longer tells the angle of view."""

PLAUSIBLE_FOCAL_35MM = (10.0, 300.0)
"""Equivalents outside are no camera's: phones have 13 to 240 mm (from memory)."""


def load_photo_file(path: Path) -> Photo:
    """Return the photo in a file, upright and in sRGB.

    Raises:
        PhotoError: Names the file, the fault and the fix; see :func:`load_photo`.
    """
    name = shown_name(path)
    try:
        if path.is_dir():
            raise photo_error("empty_folder", where=name, kinds=KINDS_IN_WORDS)
        if path.exists() and not path.is_file():
            raise photo_error("not_a_photo.no_file", where=name)
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except FileNotFoundError as fault:
        raise photo_error("not_found", where=str(path)) from fault
    except (OSError, ValueError) as fault:  # ValueError: a name with a NUL in it
        raise photo_error("unreadable", where=str(path)) from fault
    return load_photo(data, name=name)


def camera_notes(path: Path) -> CameraNotes:
    """Return what the camera wrote beside the picture in a file; nothing where it can't be read."""
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
        _check_bytes(data, path.name)
        check_claims(data, path.name)
    except (OSError, ValueError, PhotoError):
        return CameraNotes()
    return camera_notes_of(data)


def shown_name(path: Path) -> str:
    """Return a file's name as it can be written anywhere.

    A name of a disk that is not UTF-8 holds lone surrogates (PEP 383), which no text file takes.

    >>> shown_name(Path("scrap/tube\\udcff.jpg"))
    'tube?.jpg'
    """
    return (path.name or str(path)).encode("utf-8", "replace").decode()


def load_photo(data: bytes, *, name: str) -> Photo:
    """Return the photo in these bytes, upright and in sRGB.

    Only the first picture of a file with several is read; transparent parts become
    white; 16-bit and grey pictures become 8-bit RGB; colour profiles are applied.
    ``notes`` of the photo say what was done.

    Args:
        data: The file as it came.
        name: What the person calls it; shown, never opened.

    Raises:
        PhotoError: ``too_large``, ``empty``, ``not_a_photo``, ``wrong_kind``, ``too_small``,
            ``too_many_pixels``, ``too_many_scans``, ``odd_shape``, ``hdr_photo``,
            ``out_of_memory``, ``too_slow`` or ``damaged``.
    """
    _check_bytes(data, name)
    scans = check_claims(data, name)
    decoded = (decode_guarded if wants_guard(data, scans=scans) else decode)(data, name=name)
    rgb = decoded.rgb
    rgb.flags.writeable = False
    return Photo(
        name=name,
        sha256=hashlib.sha256(data).hexdigest(),
        rgb=rgb,
        focal_px=focal_px(decoded.camera.focal_35mm, width_px=rgb.shape[1], height_px=rgb.shape[0]),
        flash_fired=decoded.camera.flash_fired,
        taken=decoded.camera.taken,
        notes=decoded.notes,
    )


def find_photos(sources: Iterable[str | Path]) -> tuple[Path, ...]:
    """Return the photo files that files, folders and glob patterns stand for, in order.

    A folder gives its own photos by name, not those of folders inside it. What can't
    be found is returned as it is, so that :func:`load_photo_file` tells of it while
    the other photos go on. No file comes twice.
    """
    found: dict[Path, None] = {}
    for source in sources:
        for path in _expand(Path(source)):
            found.setdefault(path)
    return tuple(found)


def _expand(source: Path) -> list[Path]:
    try:
        if source.is_dir():
            inside = sorted(p for p in source.iterdir() if _is_photo_name(p))
            return inside or [source]
        if source.exists() or not glob.has_magic(str(source)):
            return [source]
        matches = sorted(Path(p) for p in glob.glob(str(source), recursive=True))  # noqa: PTH207 (absolute patterns too)
        return [p for p in matches if p.is_file()] or [source]
    except (OSError, ValueError):  # not ours to read, or a name no file can have
        return [source]


def _is_photo_name(path: Path) -> bool:
    return path.suffix.lower() in SUFFIXES and not path.name.startswith(".") and path.is_file()


def _check_bytes(data: bytes, name: str) -> None:
    if not data:
        raise photo_error("empty", where=name)
    if len(data) > MAX_BYTES:
        raise photo_error("too_large", where=name, most_mb=MAX_BYTES // 2**20)


def focal_px(focal_35mm: float | None, *, width_px: int, height_px: int) -> float | None:
    """Return the focal length in pixels, or None where it can't be told.

    ``focal_35mm / 43.27 mm * diagonal in pixels``: "35 mm equivalent" means the same
    angle of view across the diagonal (EXIF tag FocalLengthIn35mmFilm; CIPA DCG-001,
    from memory). A resized photo keeps it; a cropped one doesn't, and a shape that no
    sensor has gives it away.

    >>> round(focal_px(26.0, width_px=4000, height_px=3000))
    3005
    """
    low, high = PLAUSIBLE_FOCAL_35MM
    if focal_35mm is None or not low <= focal_35mm <= high:
        return None
    ratio = max(width_px, height_px) / min(width_px, height_px)
    if not any(abs(ratio / whole - 1) < 0.015 for whole in SENSOR_RATIOS):
        return None
    return focal_35mm / FILM_DIAGONAL_MM * math.hypot(width_px, height_px)
