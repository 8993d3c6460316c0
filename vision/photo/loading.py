"""How does a photo get in? One door for every source.

Bytes are capped, the header is read before any pixel, only known kinds are decoded,
orientation is applied, colours become sRGB. Anything wrong is one typed error that
names the file, the fault and the fix; a bad file never brings down the others.
"""

from __future__ import annotations

import glob
import hashlib
import io
import math
import warnings
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image as PillowImage
from PIL import UnidentifiedImageError

from rules.errors import PhotoError
from vision.photo.colour import display_p3_to_srgb
from vision.types import Image, Photo

MAX_BYTES = 25 * 2**20
"""Largest file that is read. A 12-megapixel JPEG is 3 to 8 MB, a 50-megapixel one 20 MB."""

MAX_PIXELS = 60_000_000
"""Most pixels that are decoded: past every phone's usual modes, and 180 MB at most."""

MIN_SIDE_PX = 32
"""Smaller pictures are icons, not photos."""

KINDS = ("JPEG", "PNG", "WEBP", "HEIF", "AVIF")
"""What is decoded. MPO, a JPEG with further pictures behind it that phones write, is
opened by Pillow as a JPEG; only its first picture is ever read."""

SUFFIXES = frozenset({".jpg", ".jpeg", ".jpe", ".png", ".webp", ".heic", ".heif", ".avif"})
"""File names that count as photos when a folder is given."""

KINDS_IN_WORDS = "JPEG, PNG, WebP, HEIC or AVIF"

FILM_DIAGONAL_MM = math.hypot(36, 24)
"""Diagonal of 35 mm film, to which "35 mm equivalent" focal lengths refer."""

SENSOR_RATIOS = (4 / 3, 3 / 2)
"""Shapes of a whole camera sensor. Another shape means a crop, and then the focal
length no longer tells the angle of view."""

PLAUSIBLE_FOCAL_35MM = (10.0, 300.0)

_TAG_ORIENTATION = 0x0112
_TAG_EXIF = 0x8769
_TAG_FOCAL_35MM = 0xA405

_SAME_COLOUR_CODES = 2
"""Two conversions that never differ by more codes than this are the same."""

_P3_PRIMARIES = 12
_PQ_OR_HLG = (16, 18)
"""Code points of ITU-T H.273: colour primaries, and the two HDR transfer curves."""

_LOOKS_LIKE = (
    (b"%PDF", "a PDF"),
    (b"GIF8", "a GIF"),
    (b"BM", "a BMP"),
    (b"II*\x00", "a TIFF or camera raw"),
    (b"MM\x00*", "a TIFF or camera raw"),
    (b"PK\x03\x04", "a ZIP archive"),
    (b"\x00\x00\x00\x0cjP  ", "a JPEG 2000"),
    (b"<svg", "an SVG"),
    (b"<?xml", "an XML"),
)


_FIRST_BYTES = ((b"\xff\xd8\xff", "JPEG"), (b"\x89PNG\r\n\x1a\n", "PNG"))
"""ISO/IEC 10918-1 and the PNG specification (W3C, 5.2)."""

_STILL_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"mif1", b"mif2", b"avif"})
"""Brands of HEIC and AVIF stills (ISO/IEC 23008-12; AV1 image format), cut short if unopened."""


def load_photo_file(path: Path) -> Photo:
    """Return the photo in a file, upright and in sRGB.

    Raises:
        PhotoError: Names the file, the fault and the fix; see :func:`load_photo`.
    """
    name = path.name or str(path)
    try:
        if path.is_dir():
            raise PhotoError(
                "holds no photo",
                code="empty_folder",
                fix=f"Give a folder with {KINDS_IN_WORDS} files in it.",
                where=name,
            )
        if path.exists() and not path.is_file():
            raise PhotoError(
                "is not an ordinary file",
                code="not_a_photo",
                fix="Save the photo as a file first.",
                where=name,
            )
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except FileNotFoundError as fault:
        raise PhotoError(
            "there is no such file",
            code="not_found",
            fix="Check the name and the folder; put quotation marks around names with spaces.",
            where=str(path),
        ) from fault
    except (OSError, ValueError) as fault:  # ValueError: a name with a NUL in it
        raise PhotoError(
            "the file can't be opened",
            code="unreadable",
            fix="Check that you may read it and that the disk or phone is still connected.",
            where=str(path),
        ) from fault
    return load_photo(data, name=name)


def load_photo(data: bytes, *, name: str) -> Photo:
    """Return the photo in these bytes, upright and in sRGB.

    Only the first picture of a file with several is read; transparent parts become
    white; 16-bit and grey pictures become 8-bit RGB; colour profiles are applied.
    ``notes`` of the photo say what was done.

    Args:
        data: The file as it came.
        name: What the person calls it; shown, never opened.

    Raises:
        PhotoError: ``too_large``, ``empty``, ``not_a_photo``, ``wrong_kind``,
            ``too_many_pixels``, ``too_small``, ``hdr_photo`` or ``damaged``.
    """
    _check_bytes(data, name)
    kinds = _kinds_of(data)
    try:
        with warnings.catch_warnings():
            # Between one and two times its own limit Pillow only warns of a bomb.
            warnings.simplefilter("error", PillowImage.DecompressionBombWarning)
            # Anything else a damaged file makes a decoder warn of is for us, not for the person.
            warnings.filterwarnings("ignore", module=r"PIL\.")
            with PillowImage.open(io.BytesIO(data), formats=kinds) as picture:
                _check_header(picture, name)
                return _decode(picture, data, name)
    except PhotoError:
        raise
    except (PillowImage.DecompressionBombError, PillowImage.DecompressionBombWarning) as fault:
        raise _too_many_pixels(None, name) from fault
    except UnidentifiedImageError as fault:
        raise _not_a_photo(data, name) from fault
    except Exception as fault:
        # Decoders raise whatever they like on a damaged file: OSError, SyntaxError,
        # struct.error, KeyError, RuntimeError, MemoryError were all seen.
        raise _damaged(name) from fault


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


def _kinds_of(data: bytes) -> tuple[str, ...]:
    """Return the kinds that these bytes may be of, and teach Pillow them.

    It knows JPEG and PNG by itself; the others take 30 ms to load, so only what is
    neither waits for them.
    """
    for magic, kind in _FIRST_BYTES:
        if data.startswith(magic):
            return (kind,)
    _register_kinds()
    return KINDS


@cache
def _register_kinds() -> None:
    """Teach Pillow the kinds we allow: it raises KeyError for a kind it was not taught."""
    import pillow_heif
    from PIL import (  # noqa: F401 (importing one registers it)
        AvifImagePlugin,
        WebPImagePlugin,
    )

    pillow_heif.register_heif_opener(thumbnails=False)


def _check_bytes(data: bytes, name: str) -> None:
    if not data:
        raise PhotoError(
            "the file is empty",
            code="empty",
            fix="Copy the photo again; the last copy did not finish.",
            where=name,
        )
    if len(data) > MAX_BYTES:
        raise PhotoError(
            f"the file is larger than {MAX_BYTES // 2**20} MB",
            code="too_large",
            fix="Save it as a JPEG, or set the camera to its normal resolution (12 megapixels).",
            where=name,
        )


def _check_header(picture: PillowImage.Image, name: str) -> None:
    width, height = picture.size
    if width * height > MAX_PIXELS:
        raise _too_many_pixels((width, height), name)
    if min(width, height) < MIN_SIDE_PX:
        raise PhotoError(
            f"the picture is only {width} x {height} pixels",
            code="too_small",
            fix="Send the photo in its original size, not a preview of it.",
            where=name,
        )
    nclx = picture.info.get("nclx_profile") or {}
    if nclx.get("transfer_characteristics") in _PQ_OR_HLG:
        raise PhotoError(
            "an HDR photo, whose brightness depends on the screen",
            code="hdr_photo",
            fix="Turn HDR off in the camera's settings, or save the photo as a JPEG.",
            where=name,
        )


def _too_many_pixels(size: tuple[int, int] | None, name: str) -> PhotoError:
    told = f"the picture is {size[0]} x {size[1]} pixels" if size else "the picture is enormous"
    return PhotoError(
        f"{told}, more than {MAX_PIXELS // 10**6} megapixels",
        code="too_many_pixels",
        fix="Set the camera to its normal resolution (12 megapixels is plenty).",
        where=name,
    )


def _damaged(name: str) -> PhotoError:
    return PhotoError(
        "the file is damaged or cut short",
        code="damaged",
        fix="Send or copy the photo again, or take a new one.",
        where=name,
    )


def _not_a_photo(data: bytes, name: str) -> PhotoError:
    head = data[:16].lstrip()
    looks = next((words for magic, words in _LOOKS_LIKE if head.startswith(magic)), None)
    if looks is None and data[4:8] == b"ftyp":
        if data[8:12] in _STILL_BRANDS:
            return _damaged(name)
        looks = "a video"
    if looks is None:
        return PhotoError(
            "this is not a photo",
            code="not_a_photo",
            fix=f"Give a {KINDS_IN_WORDS} file straight from the phone.",
            where=name,
        )
    return PhotoError(
        f"this is {looks} file, which can't be read",
        code="wrong_kind",
        fix=f"Save or export the photo as {KINDS_IN_WORDS}.",
        where=name,
    )


def _decode(picture: PillowImage.Image, data: bytes, name: str) -> Photo:
    notes: list[str] = []
    profile = picture.info.get("icc_profile")
    is_p3_heif = (picture.info.get("nclx_profile") or {}).get("color_primaries") == _P3_PRIMARIES
    orientation, focal_35mm = _exif_facts(picture, notes)

    rgb = _pixels(picture, data, notes)
    if isinstance(profile, bytes) and profile:
        rgb = _to_srgb(rgb, profile, notes)
    elif is_p3_heif:
        rgb = display_p3_to_srgb(rgb)
        notes.append("converted from Display P3")
    rgb = _upright(rgb, orientation)
    if orientation in _TURNS:
        notes.append("turned upright")

    rgb = np.ascontiguousarray(rgb)
    rgb.flags.writeable = False
    return Photo(
        name=name,
        sha256=hashlib.sha256(data).hexdigest(),
        rgb=rgb,
        focal_px=focal_px(focal_35mm, width_px=rgb.shape[1], height_px=rgb.shape[0]),
        notes=tuple(notes),
    )


def focal_px(focal_35mm: float | None, *, width_px: int, height_px: int) -> float | None:
    """Return the focal length in pixels, or None where it can't be told.

    ``focal_35mm / 43.27 mm * diagonal in pixels``: "35 mm equivalent" means the same
    angle of view across the diagonal (EXIF tag FocalLengthIn35mmFilm; CIPA DCG-001,
    from memory). A resized photo keeps it; a cropped one doesn't, and a shape that no
    sensor has gives it away.
    """
    low, high = PLAUSIBLE_FOCAL_35MM
    if focal_35mm is None or not low <= focal_35mm <= high:
        return None
    ratio = max(width_px, height_px) / min(width_px, height_px)
    if not any(abs(ratio / whole - 1) < 0.015 for whole in SENSOR_RATIOS):
        return None
    return focal_35mm / FILM_DIAGONAL_MM * math.hypot(width_px, height_px)


def _exif_facts(picture: PillowImage.Image, notes: list[str]) -> tuple[int, float | None]:
    """Return the EXIF orientation (1 where untold) and 35 mm focal length."""
    try:
        exif = picture.getexif()
        orientation = exif.get(_TAG_ORIENTATION, 1)
        focal = exif.get_ifd(_TAG_EXIF).get(_TAG_FOCAL_35MM)
        focal_mm = float(focal) if focal else None
    except Exception:  # camera notes are often malformed; the picture is still good
        notes.append("the camera's notes in the file could not be read")
        return 1, None
    if focal_mm is not None and not math.isfinite(focal_mm):
        focal_mm = None
    return (orientation if orientation in _TURNS else 1), focal_mm


def _pixels(picture: PillowImage.Image, data: bytes, notes: list[str]) -> Image:
    """Return ``(h, w, 3)`` uint8 as stored: not turned, colours not converted."""
    if picture.format in ("JPEG", "MPO") and picture.mode in ("RGB", "L"):
        # Twice as quick as Pillow (54 against 100 ms for 12 megapixels); the header has
        # been checked, and unlike a file read by name, cut bytes give None here.
        flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
        decoded = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
        if decoded is None or decoded.shape[:2] != picture.size[::-1]:
            raise OSError("the JPEG can't be decoded")
        return np.asarray(decoded, dtype=np.uint8)

    picture.load()
    if picture.mode.startswith("I") or picture.mode == "F":
        # Pillow's own conversion clips 16 bits to 255 instead of scaling them.
        notes.append("16-bit grey scaled to 8 bits")
        grey = np.clip(np.asarray(picture).astype(np.float64), 0, 65535)
        return np.repeat(np.round(grey / 257).astype(np.uint8)[..., None], 3, axis=2)
    if picture.has_transparency_data:
        notes.append("transparent parts shown white")
        layered = picture.convert("RGBA")
        ground = PillowImage.new("RGBA", layered.size, "white")
        picture = PillowImage.alpha_composite(ground, layered)
    if picture.mode != "RGB":
        picture = picture.convert("RGB")
    return np.asarray(picture)


# EXIF 2.3, tag Orientation: what takes the stored rows to an upright picture.
_TURNS: dict[int, Any] = {
    2: lambda rgb: cv2.flip(rgb, 1),
    3: lambda rgb: cv2.rotate(rgb, cv2.ROTATE_180),
    4: lambda rgb: cv2.flip(rgb, 0),
    5: cv2.transpose,
    6: lambda rgb: cv2.rotate(rgb, cv2.ROTATE_90_CLOCKWISE),
    7: lambda rgb: cv2.flip(cv2.transpose(rgb), -1),
    8: lambda rgb: cv2.rotate(rgb, cv2.ROTATE_90_COUNTERCLOCKWISE),
}


def _upright(rgb: Image, orientation: int) -> Image:
    turn = _TURNS.get(orientation)
    return rgb if turn is None else np.asarray(turn(rgb), dtype=np.uint8)


@cache
def _probe() -> Image:
    """Return a ``(5, 25, 3)`` picture of colours by which a profile is recognised."""
    steps = np.linspace(0, 255, 5).round().astype(np.uint8)
    return np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(5, 25, 3)


def _to_srgb(rgb: Image, profile: bytes, notes: list[str]) -> Image:
    """Return the picture in sRGB, by the quickest way that the profile allows.

    What a profile does is found by trying it on a few colours, not by its name: it
    does nothing (sRGB), or what Display P3 does (5 times quicker here), or something
    else (any other profile, by LittleCMS).
    """
    from PIL import ImageCms

    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        if source.profile.xcolor_space.strip() != "RGB":
            notes.append("its colour profile is not for RGB; colours taken as sRGB")
            return rgb
        transform = ImageCms.buildTransform(
            source,
            ImageCms.createProfile("sRGB"),
            "RGB",
            "RGB",
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        )
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        notes.append("its colour profile could not be read; colours taken as sRGB")
        return rgb

    def apply(image: Image) -> Image:
        done = ImageCms.applyTransform(PillowImage.fromarray(image), transform)
        return np.asarray(done)

    probe = _probe()
    seen = apply(probe)
    if _largest_difference(seen, probe) <= _SAME_COLOUR_CODES:
        return rgb
    if _largest_difference(seen, display_p3_to_srgb(probe)) <= _SAME_COLOUR_CODES:
        notes.append("converted from Display P3")
        return display_p3_to_srgb(rgb)
    notes.append("converted from another colour profile")
    return apply(rgb)


def _largest_difference(a: Image, b: Image) -> int:
    return int(np.abs(a.astype(np.int16) - b.astype(np.int16)).max())
