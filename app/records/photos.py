"""Photos as files, named by the hash of their bytes.

Each is encoded anew from its pixels before it is stored: orientation is applied, and
nothing of the original file remains (place, camera, comments, whatever was hidden
behind the picture). A file is written beside its place and moved there in one step.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
import time
from collections.abc import Container, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from app.records.errors import PhotoLostError, RecordsError
from app.records.types import NewPhoto

if TYPE_CHECKING:
    from vision.types import Image

JPEG_QUALITY = 92
"""Quality of stored JPEGs, colour at full resolution: a 12-megapixel photo takes 3 to 6 MB."""

MAX_STORED_BYTES = 120 * 2**20
"""Largest stored photo: 60 megapixels (vision/photo/loading.py) as PNG without much to squeeze."""

THUMBNAIL_QUALITY = 80
FORGOTTEN_AFTER_SECONDS = 3600.0
"""A file half written an hour ago is what a kill left behind."""

SUFFIX_OF_KIND = {"jpeg": ".jpg", "png": ".png"}
_HASH = re.compile(r"[0-9a-f]{64}")
_PART = ".part-"


@dataclass(frozen=True, slots=True, kw_only=True)
class EncodedPhoto:
    """A photo ready to be stored."""

    data: bytes
    sha256: str
    kind: str
    width_px: int
    height_px: int


def is_hash(text: str) -> bool:
    """Return whether ``text`` is a SHA-256 in hex."""
    return _HASH.fullmatch(text) is not None


def encode_photo(rgb: Image, *, lossless: bool = False) -> EncodedPhoto:
    """Return the photo as JPEG, or as PNG where every code must stay.

    Args:
        rgb: ``(height, width, 3)`` uint8, upright, sRGB.
        lossless: PNG instead of JPEG.
    """
    pixels = np.asarray(rgb)
    if pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.dtype != np.uint8:
        raise ValueError(f"a photo is (height, width, 3) uint8, not {pixels.shape} {pixels.dtype}")
    settings = [] if lossless else [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
    if not lossless:
        settings += [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
    bgr = cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR)
    done, coded = cv2.imencode(".png" if lossless else ".jpg", bgr, settings)
    if not done:
        raise RecordsError("the photo can't be encoded")
    data = coded.tobytes()
    return EncodedPhoto(
        data=data,
        sha256=hashlib.sha256(data).hexdigest(),
        kind="png" if lossless else "jpeg",
        width_px=int(pixels.shape[1]),
        height_px=int(pixels.shape[0]),
    )


class Encoder:
    """Encodes each picture once, however many pieces are on it."""

    def __init__(self) -> None:
        self._done: dict[tuple[int, bool], EncodedPhoto] = {}

    def add(self, photo: NewPhoto) -> None:
        """Encode a photo's picture, unless that is done."""
        key = id(photo.rgb), photo.lossless
        if key not in self._done:
            self._done[key] = encode_photo(photo.rgb, lossless=photo.lossless)

    def of(self, photo: NewPhoto) -> EncodedPhoto:
        """Return what a photo that was added became."""
        return self._done[id(photo.rgb), photo.lossless]

    def __iter__(self) -> Iterator[EncodedPhoto]:
        return iter(self._done.values())


class PhotoFolder:
    """The folder that holds the photos."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @property
    def aside(self) -> Path:
        """Where photos lie that no record knows."""
        return self.folder.with_name(f"{self.folder.name} without a record")

    def path_of(self, sha256: str, kind: str) -> Path:
        """Return where a photo lies; a name that is no hash never becomes a path."""
        if not is_hash(sha256) or kind not in SUFFIX_OF_KIND:
            raise PhotoLostError("that is no photo of the records", where=sha256[:80])
        return self.folder / sha256[:2] / f"{sha256}{SUFFIX_OF_KIND[kind]}"

    def put(self, photo: EncodedPhoto) -> None:
        """Store a photo, whole or not at all; one that is there and sound stays."""
        path = self.path_of(photo.sha256, photo.kind)
        if _has_hash(path, photo.sha256):
            return
        path.parent.mkdir(parents=True, exist_ok=True)
        number, name = tempfile.mkstemp(dir=path.parent, prefix=_PART)
        part = Path(name)
        try:
            with os.fdopen(number, "wb") as file:
                file.write(photo.data)
                file.flush()
                os.fsync(file.fileno())
            part.replace(path)
            _sync_folder(path.parent)
        except BaseException:
            part.unlink(missing_ok=True)
            raise

    def get(self, sha256: str, kind: str) -> bytes:
        """Return a photo's bytes.

        Raises:
            PhotoLostError: The file is missing or was changed.
        """
        path = self.path_of(sha256, kind)
        fix = "Import an export that holds it, or take the photo again."
        try:
            if not path.exists():  # records that were imported again find their photos again
                self._taken_back(path)
            data = path.read_bytes()
        except OSError as fault:
            raise PhotoLostError("the photo's file is gone", fix=fix, where=path.name) from fault
        if hashlib.sha256(data).hexdigest() != sha256:
            raise PhotoLostError("the photo's file was changed", fix=fix, where=path.name)
        return data

    def remove(self, sha256: str, kind: str) -> bool:
        """Take a photo's file away; whether it is gone (one held open stays for now)."""
        try:
            self.path_of(sha256, kind).unlink(missing_ok=True)
        except OSError:
            return False
        return True

    def sweep_parts(self, *, older_than_s: float = FORGOTTEN_AFTER_SECONDS) -> None:
        """Remove what a kill left of files that were being written."""
        for path in self.folder.glob(f"[0-9a-f][0-9a-f]/{_PART}*"):
            with suppress(OSError):  # gone already, or held open by another program
                if time.time() - path.stat().st_mtime >= older_than_s:
                    path.unlink()

    def lay_aside_unknown(self, known: Container[str]) -> int:
        """Move photos that no record knows into the folder for them; return how many."""
        moved = 0
        for path in self._stored():
            if path.stem not in known:
                with suppress(OSError):
                    self.aside.mkdir(parents=True, exist_ok=True)
                    path.replace(self.aside / path.name)
                    moved += 1
        return moved

    def laid_aside(self) -> tuple[Path, ...]:
        """Return the photos that no record knows, by name."""
        return tuple(sorted(path for path in self.aside.glob("*") if _is_stored_name(path)))

    def remove_unknown(self, known: Container[str]) -> None:
        """Remove all photos that no record knows, with those laid aside."""
        for path in (*self._stored(), *self.laid_aside()):
            if path.stem not in known:
                with suppress(OSError):
                    path.unlink()
        self.sweep_parts(older_than_s=0)
        with suppress(OSError):
            self.aside.rmdir()

    def _stored(self) -> list[Path]:
        return [p for p in self.folder.glob("[0-9a-f][0-9a-f]/*") if _is_stored_name(p)]

    def _taken_back(self, path: Path) -> bool:
        """Put a photo that was laid aside back to its place, where there is one."""
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            (self.aside / path.name).replace(path)
        except OSError:
            return False
        return True


def _is_stored_name(path: Path) -> bool:
    return path.suffix in SUFFIX_OF_KIND.values() and is_hash(path.stem)


def small_picture(data: bytes, *, longest_px: int) -> bytes:
    """Return a small JPEG of a stored photo, for lists."""
    coded = np.frombuffer(data, np.uint8)
    picture = cv2.imdecode(coded, cv2.IMREAD_REDUCED_COLOR_4)
    if picture is None or max(picture.shape[:2]) < longest_px:
        picture = cv2.imdecode(coded, cv2.IMREAD_COLOR)
    if picture is None:
        raise PhotoLostError("the photo can't be decoded")
    height, width = picture.shape[:2]
    shrink = min(1.0, longest_px / max(height, width))
    if shrink < 1:
        size = max(1, round(width * shrink)), max(1, round(height * shrink))
        picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    _, small = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, THUMBNAIL_QUALITY])
    return small.tobytes()


def _has_hash(path: Path, sha256: str) -> bool:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest() == sha256
    except OSError:
        return False


def _sync_folder(folder: Path) -> None:
    """Make the new name outlive a power cut, where the system lets us."""
    try:
        number = os.open(folder, os.O_RDONLY)
    except OSError:  # Windows opens no folders
        return
    try:
        os.fsync(number)
    finally:
        os.close(number)
