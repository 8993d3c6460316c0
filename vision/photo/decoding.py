"""From a file's bytes to upright sRGB pixels.

A decoder's complaint is a fault, whatever it gives besides: nothing partial leaves here.
"""

from __future__ import annotations

import io
import math
import warnings
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any

import cv2
import numpy as np
from PIL import Image as PillowImage
from PIL import UnidentifiedImageError

from rules.errors import PhotoError
from vision.photo.colour import display_p3_to_srgb
from vision.photo.container import (
    check_size,
    kind_of,
    not_a_photo,
    too_many_pixels,
)
from vision.problems import photo_error
from vision.types import Image

KINDS = ("JPEG", "PNG", "WEBP", "HEIF", "AVIF")
"""What is decoded. MPO, a JPEG with further pictures behind it that phones write, is
opened by Pillow as a JPEG; only its first picture is ever read."""

# Tags of Exif (CIPA DC-008).
_TAG_ORIENTATION = 0x0112
_TAG_EXIF = 0x8769
_TAG_FOCAL_35MM = 0xA405
_TAG_FLASH = 0x9209
_TAG_TAKEN = 0x9003

_SAME_COLOUR_CODES = 2
"""Two conversions that never differ by more codes than this are the same."""

_P3_PRIMARIES = 12
_PQ_OR_HLG = (16, 18)
"""Code points of ITU-T H.273: colour primaries, and the two HDR transfer curves."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraNotes:
    """What a camera writes beside the picture (EXIF 2.3); None where it says nothing.

    Attributes:
        focal_35mm: "35 mm equivalent" focal length, mm.
        flash_fired: Whether the flash fired (lowest bit of the tag Flash).
        taken: When, in the camera's own time, as ISO 8601.
    """

    focal_35mm: float | None = None
    flash_fired: bool | None = None
    taken: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decoded:
    """The pixels of a photo and what was done to them.

    Attributes:
        rgb: ``(height, width, 3)`` uint8, sRGB, upright.
        camera: What the camera's notes say.
        notes: What decoding did, in words.
    """

    rgb: Image
    camera: CameraNotes
    notes: tuple[str, ...]


def decode(data: bytes, *, name: str) -> Decoded:
    """Return the pixels in these bytes, upright and in sRGB.

    Raises:
        PhotoError: ``not_a_photo``, ``wrong_kind``, ``too_many_pixels``, ``too_small``,
            ``odd_shape``, ``hdr_photo``, ``out_of_memory`` or ``damaged``.
    """
    try:
        with warnings.catch_warnings():
            # Between one and two times its own limit Pillow only warns of a bomb.
            warnings.simplefilter("error", PillowImage.DecompressionBombWarning)
            # Anything else a damaged file makes a decoder warn of is for us, not for the person.
            warnings.filterwarnings("ignore", module=r"PIL\.")
            with PillowImage.open(io.BytesIO(data), formats=_kinds_of(data)) as picture:
                _check_header(picture, name)
                return _decoded(picture, data)
    except PhotoError:
        raise
    except (PillowImage.DecompressionBombError, PillowImage.DecompressionBombWarning) as fault:
        raise too_many_pixels(None, name) from fault
    except UnidentifiedImageError as fault:
        raise not_a_photo(data, name) from fault
    except MemoryError as fault:
        raise photo_error("out_of_memory", where=name) from fault
    except Exception as fault:
        # Decoders raise whatever they like on a damaged file: OSError, SyntaxError,
        # struct.error, KeyError, RuntimeError were all seen.
        raise photo_error("damaged", where=name) from fault


def camera_notes_of(data: bytes) -> CameraNotes:
    """Return what the camera wrote beside a JPEG or HEIC; nothing is decoded, nothing fails."""
    try:
        with (
            warnings.catch_warnings(),
            PillowImage.open(io.BytesIO(data), formats=_kinds_of(data)) as picture,
        ):
            warnings.simplefilter("ignore")
            # Looking for a PNG's notes would decode it, and no phone writes one.
            return CameraNotes() if picture.format == "PNG" else _exif_facts(picture, [])[1]
    except Exception:  # what is wrong with the file is told when it is read
        return CameraNotes()


def _kinds_of(data: bytes) -> tuple[str, ...]:
    """Return the kinds that these bytes may be of, and teach Pillow them.

    It knows JPEG and PNG by itself; the others take 30 ms to load, so only what is
    neither waits for them.
    """
    kind = kind_of(data)
    if kind is not None:
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


def _check_header(picture: PillowImage.Image, name: str) -> None:
    check_size(*picture.size, name)
    nclx = picture.info.get("nclx_profile") or {}
    if nclx.get("transfer_characteristics") in _PQ_OR_HLG:
        raise photo_error("hdr_photo", where=name)


def _decoded(picture: PillowImage.Image, data: bytes) -> Decoded:
    notes: list[str] = []
    profile = picture.info.get("icc_profile")
    is_p3_heif = (picture.info.get("nclx_profile") or {}).get("color_primaries") == _P3_PRIMARIES
    # Pixels first: looking for a PNG's camera notes decodes it, and would swallow its faults.
    rgb = _pixels(picture, data, notes)
    orientation, camera = _exif_facts(picture, notes)
    if isinstance(profile, bytes) and profile:
        rgb = _to_srgb(rgb, profile, notes)
    elif is_p3_heif:
        rgb = display_p3_to_srgb(rgb)
        notes.append("converted from Display P3")
    if orientation in _TURNS:
        rgb = _TURNS[orientation](rgb)
        notes.append("turned upright")
    return Decoded(rgb=np.ascontiguousarray(rgb), camera=camera, notes=tuple(notes))


def _exif_facts(picture: PillowImage.Image, notes: list[str]) -> tuple[int, CameraNotes]:
    """Return the EXIF orientation (1 where untold) and what else the camera noted."""
    try:
        exif = picture.getexif()
        orientation = exif.get(_TAG_ORIENTATION, 1)
        told = exif.get_ifd(_TAG_EXIF)
        focal, flash = told.get(_TAG_FOCAL_35MM), told.get(_TAG_FLASH)
        focal_mm = float(focal) if focal else None
        fired = None if flash is None else bool(int(flash) & 1)
    except Exception:  # camera notes are often malformed; the picture is still good
        notes.append("the camera's notes in the file could not be read")
        return 1, CameraNotes()
    if focal_mm is not None and not math.isfinite(focal_mm):
        focal_mm = None
    camera = CameraNotes(focal_35mm=focal_mm, flash_fired=fired, taken=_time(told.get(_TAG_TAKEN)))
    return orientation, camera


def _time(told: object) -> str | None:
    """Return the time of the tag DateTimeOriginal, None where it is none."""
    try:
        return datetime.strptime(str(told).strip(), "%Y:%m:%d %H:%M:%S").isoformat()
    except ValueError:  # absent, blank, or zeros, as cameras without a clock write
        return None


def _pixels(picture: PillowImage.Image, data: bytes, notes: list[str]) -> Image:
    """Return ``(h, w, 3)`` uint8 as stored: not turned, colours not converted."""
    if picture.format in ("JPEG", "MPO") and picture.mode in ("RGB", "L"):
        import simplejpeg

        # Three times as quick as Pillow, and strict: libjpeg's warnings are errors here.
        decoded = simplejpeg.decode_jpeg(data, "RGB", strict=True)
        if decoded.shape[:2] != picture.size[::-1]:
            raise OSError("two decoders see two sizes")
        return np.asarray(decoded, dtype=np.uint8)

    picture.load()
    if picture.mode.startswith("I"):
        # Pillow's own conversion clips 16 bits to 255 instead of scaling them.
        notes.append("16-bit grey scaled to 8 bits")
        grey = cv2.convertScaleAbs(np.asarray(picture), alpha=1 / 257)
        return cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB)
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
    if cv2.absdiff(seen, probe).max() <= _SAME_COLOUR_CODES:
        return rgb
    if cv2.absdiff(seen, display_p3_to_srgb(probe)).max() <= _SAME_COLOUR_CODES:
        notes.append("converted from Display P3")
        return display_p3_to_srgb(rgb)
    notes.append("converted from another colour profile")
    return apply(rgb)
