"""From a photo in the inbox to all that a page shows of it; the last ones stay at hand."""

from __future__ import annotations

import io
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Generic, TypeVar

from app.grading import Outcome, Result, grade_examination, unreadable
from app.request import Request
from app.web.again import Taps, examined
from app.web.inbox import Kept, path_of
from app.words import form_words, grade_words

if TYPE_CHECKING:
    from vision.types import Examination, Image

JPEG_QUALITY = 88
MOST_ANSWERS = 24
"""One is about 1 MB: pictures as JPEG, the photo's own pixels are dropped."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """One picture of an answer.

    Attributes:
        label: What it shows, in a word or two.
        jpeg: The file.
        alt: The same for people who can't see it.
    """

    label: str
    jpeg: bytes
    alt: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Answer:
    """What a page shows of one photo.

    Attributes:
        kept: The photo.
        request: How it was graded.
        taps: What the person tapped.
        result: The grades; its photo holds no pixels any more.
        pictures: The whole photo with all marks first, then each piece from near.
        size_px: Width and height of the photo, None where it could not be read.
    """

    kept: Kept
    request: Request
    taps: Taps
    result: Result
    pictures: tuple[Picture, ...] = ()
    size_px: tuple[int, int] | None = None


class Shelf(Generic[T]):
    """The answers made last, by what was asked; shared by all who look at the pages."""

    def __init__(self, most: int = MOST_ANSWERS) -> None:
        self.most = most
        self._held: OrderedDict[object, T] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: object, make: Callable[[], T]) -> T:
        """Return what was made for this key, or make it."""
        with self._lock:
            if key in self._held:
                self._held.move_to_end(key)
                return self._held[key]
        made = make()
        with self._lock:
            self._held[key] = made
            while len(self._held) > self.most:
                self._held.popitem(last=False)
        return made


_SHELF: Shelf[Answer] = Shelf()


def answer(kept: Kept, request: Request, *, folder: Path, taps: Taps | None = None) -> Answer:
    """Return the answer to one photo; what goes wrong is among its problems."""
    taps = taps or Taps()
    key = (kept, request.reference, request.form, request.facts, request.print_scale)
    sheet = repr(request.sheet)  # it holds tables, so it has no hash of its own
    return _SHELF.get((key, sheet, taps), lambda: _made(kept, request, taps, folder))


def _made(kept: Kept, request: Request, taps: Taps, folder: Path) -> Answer:
    from vision.photo import load_photo_file

    try:
        photo = replace(load_photo_file(path_of(kept, folder=folder)), name=kept.name)
        examination = examined(photo, request, taps)
        result = grade_examination(examination, request)
    except Exception as fault:
        return Answer(kept=kept, request=request, taps=taps, result=unreadable(kept.name, fault))
    return Answer(
        kept=kept,
        request=request,
        taps=taps,
        result=without_pixels(result),
        pictures=_pictures(result, request),
        size_px=(photo.width_px, photo.height_px),
    )


def without_pixels(result: Result) -> Result:
    """Return a result whose photo is a single pixel; 36 MB less for 12 megapixels."""
    if result.examination is None:
        return result
    photo = result.examination.photo
    bare = replace(photo, rgb=photo.rgb[:1, :1].copy())
    return replace(result, examination=replace(result.examination, photo=bare))


def _pictures(result: Result, request: Request) -> tuple[Picture, ...]:
    from vision.closeup import closeup

    assert result.examination is not None
    examination: Examination = result.examination
    many = len(result.pieces) > 1
    whole = Picture(
        label="Whole photo",
        jpeg=as_jpeg(_drawn(examination)),
        alt=_alt(result, request),
    )
    near = []
    for number, piece in enumerate(result.pieces, start=1):
        assert piece.reading is not None
        what = form_words(piece.findings)
        near.append(
            Picture(
                label=f"Piece {number}" if many else "From near",
                jpeg=as_jpeg(_drawn(closeup(examination, piece.reading.region.box_px))),
                alt=f"Piece {number} from near, {what}, with its outline and the measured widths",
            )
        )
    return (whole, *near)


def _drawn(examination: Examination) -> Image:
    """Return the photo with all marks, and where to cut."""
    from vision.cuts import cut_lines, draw_cuts
    from vision.overlay import draw_marks

    image = draw_marks(examination)
    factor = examination.photo.width_px / image.shape[1]
    for reading in examination.pieces:
        image = draw_cuts(image, cut_lines(reading), factor=factor)
    return image


def _alt(result: Result, request: Request) -> str:
    pieces = "; ".join(
        f"{form_words(piece.findings)}: {grade_words(piece.grading, request.sheet)}"
        for piece in result.pieces
    )
    found = pieces or "no piece was found"
    return f"The photo with what was found drawn on it. {found}"


def as_jpeg(rgb: Image, *, quality: int = JPEG_QUALITY) -> bytes:
    """Return an RGB image as the bytes of a JPEG file."""
    from PIL import Image as PillowImage

    file = io.BytesIO()
    PillowImage.fromarray(rgb).save(file, "JPEG", quality=quality)
    return file.getvalue()


def is_readable(answer: Answer) -> bool:
    """Whether the photo could be read at all."""
    return answer.result.outcome is not Outcome.UNREADABLE
