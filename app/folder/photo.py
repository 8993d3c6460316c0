"""What is the answer to one photo of a folder, ready to be written down?"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from app.grading import Result
    from app.request import Request


OVERLAY_LONG_SIDE_PX = 1600
OVERLAY_QUALITY = 85


@dataclass(frozen=True, slots=True, kw_only=True)
class Graded:
    """One graded photo, ready to be written down.

    Attributes:
        sha256: Hash of the photo's bytes; empty where they could not be read.
        name: What the person called it.
        outcome: Exit code of this photo alone.
        line: Its line of JSON (``cuproscope.grade/1``).
        overlay: The answer drawn on it, as JPEG; None where it could not be read.
        overlay_name: File of the overlay within the output folder.
    """

    sha256: str
    name: str
    outcome: int
    line: str
    overlay: bytes | None = field(default=None, repr=False)
    overlay_name: str | None = None


def grade_bytes(
    name: str, data: bytes, request: Request, flash: tuple[str, bytes] | None = None
) -> Graded:
    """Return a photo's grades and its overlay; what goes wrong is in its line.

    Args:
        name: What the person calls it.
        data: The file.
        request: How it is to be graded.
        flash: Name and file of what may be the same with the flash on.
    """
    from app.grading import grade_loaded, unreadable
    from app.json_lines import as_line
    from vision.photo.loading import load_photo

    try:
        second = None if flash is None else partial(load_photo, flash[1], name=flash[0])
        photo = load_photo(data, name=name)
        result = grade_loaded(photo, request, flash=second, guessed=True)
        overlay = _overlay(result, request)
    except Exception as fault:  # one photo's fault must not cost the others
        result, overlay = unreadable(name, fault), None
    return Graded(
        sha256=hashlib.sha256(data).hexdigest(),
        name=name,
        outcome=int(result.outcome),
        line=as_line(result),
        overlay=overlay,
    )


def grade_file(path: Path, name: str, request: Request, flash: Path | None = None) -> Graded:
    """Return the answer to a file, as :func:`grade_bytes`."""
    try:
        data = path.read_bytes()
    except OSError:
        return unread(path, request)
    return grade_bytes(name, data, request, flash_bytes(flash))


def flash_bytes(path: Path | None) -> tuple[str, bytes] | None:
    """Return name and bytes of the second photo; none where it can't be read any more."""
    from vision.photo.loading import shown_name

    if path is None:
        return None
    try:
        return shown_name(path), path.read_bytes()
    except OSError:
        return None


def renamed(graded: Graded, name: str) -> Graded:
    """Return an answer under another name: the same photo may lie there twice."""
    if graded.name == name:
        return graded
    told = json.loads(graded.line)
    told["photo"]["name"] = name
    line = json.dumps(told, allow_nan=False, separators=(", ", ": "))
    return replace(graded, name=name, line=line)


def _overlay(result: Result, request: Request) -> bytes | None:
    import io

    from PIL import Image

    from app.overlays import drawn

    if result.examination is None:
        return None
    picture = Image.fromarray(drawn(result, request.sheet))
    picture.thumbnail((OVERLAY_LONG_SIDE_PX, OVERLAY_LONG_SIDE_PX))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=OVERLAY_QUALITY)
    return out.getvalue()


def unread(path: Path, request: Request) -> Graded:
    """Return the answer for a file whose bytes can't even be read, in grade_photo's words."""
    from app.grading import grade_photo
    from app.json_lines import as_line

    result = grade_photo(path, request)
    return Graded(sha256="", name=result.name, outcome=int(result.outcome), line=as_line(result))


def killed(name: str) -> Graded:
    """Return the answer for a photo that took its process down."""
    from app.grading import unreadable
    from app.json_lines import as_line

    result = unreadable(name, RuntimeError("the process that graded it died"))
    return Graded(sha256="", name=name, outcome=int(result.outcome), line=as_line(result))
