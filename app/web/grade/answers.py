"""From a photo in the inbox to all that a page shows of it; the last ones stay at hand."""

from __future__ import annotations

import io
import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Generic, TypeVar

from app.exit_codes import PhotoOutcome
from app.grading import GradedPiece, Result, grade_examination, unreadable
from app.overlays import tags_of
from app.request import Request
from app.web.desk.again import Taps, examined
from app.web.desk.inbox import Kept, path_of
from app.words import form_words, grade_words

if TYPE_CHECKING:
    from rules.findings import Findings
    from vision.picture.marks import Tag
    from vision.picture.side_by_side import Look
    from vision.types import Examination, Image, Photo

JPEG_QUALITY = 88

LONG_SIDE_PX = 1440
"""Pictures are drawn at most this long: Streamlit makes one wider than 1460 px anew, which
takes longer than drawing it, and shows none wider than half of that."""

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
        flash: The second photo with the flash, if there is one.
        result: The grades; its photo holds no pixels any more.
        pictures: The whole photo with all marks first, then each piece from near; drawn
            beside the page, which can tell the grade without them.
        size_px: Width and height of the photo, None where it could not be read.
        pairs: Each piece in both photos, labelled by what the flash shows; None where it was
            not found again.
    """

    kept: Kept
    request: Request
    taps: Taps
    result: Result
    pictures: tuple[Future[Picture], ...] = ()
    flash: Kept | None = None
    pairs: tuple[Future[Picture] | None, ...] = ()
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

    def clear(self) -> None:
        """Forget all of them."""
        with self._lock:
            self._held.clear()


_SHELF: Shelf[Answer] = Shelf()
_PAINTER = ThreadPoolExecutor(max_workers=1, thread_name_prefix="pictures")


def forget_answers() -> None:
    """Forget every answer that was made, with its pictures."""
    _SHELF.clear()


def answer(
    kept: Kept,
    request: Request,
    *,
    folder: Path,
    taps: Taps | None = None,
    flash: Kept | None = None,
) -> Answer:
    """Return the answer to one photo; what goes wrong is among its problems.

    Args:
        kept: The photo.
        request: How it is to be graded.
        folder: The inbox.
        taps: What the person tapped.
        flash: The same pieces with the flash on.
    """
    taps = taps or Taps()
    key = (kept, request.reference, request.form, request.facts, request.print_scale)
    # These hold tables, so they have no hash of their own.
    tables = repr(request.sheet), repr(request.rates)
    return _SHELF.get((key, tables, taps, flash), lambda: _made(kept, request, taps, folder, flash))


def _made(kept: Kept, request: Request, taps: Taps, folder: Path, flash: Kept | None) -> Answer:
    try:
        photo = load_kept(kept, folder)
        second = None if flash is None else partial(load_kept, flash, folder)
        examination = examined(photo, request, taps, flash=second)
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
        flash=flash,
        pairs=_pairs(result),
    )


def load_kept(kept: Kept, folder: Path) -> Photo:
    """Return a photo of the inbox under the name that the person gave it.

    Raises:
        PhotoError: It is gone, or can't be read.
    """
    from vision.photo.loading import load_photo_file

    return replace(load_photo_file(path_of(kept, folder=folder)), name=kept.name)


def _pairs(result: Result) -> tuple[Future[Picture] | None, ...]:
    """Begin to draw each piece in both photos."""
    from vision.picture.side_by_side import looks_of

    examination = result.examination
    if examination is None or examination.flash is None:
        return ()
    found = [looks_of(examination, number) for number in range(len(examination.pieces))]
    notes = ["" if one is None else one.evidence.note for one in examination.flash.pieces]
    return tuple(
        None if looks is None else _PAINTER.submit(_pair, looks, note)
        for looks, note in zip(found, notes, strict=True)
    )


def _pair(looks: tuple[Look, Look], note: str) -> Picture:
    from vision.picture.side_by_side import side_by_side

    return Picture(
        label=note,
        jpeg=as_jpeg(side_by_side(*looks)),
        alt=f"The piece without and with the flash, its bright spot marked: {note}",
    )


def without_pixels(result: Result) -> Result:
    """Return a result whose photo is a single pixel; 36 MB less for 12 megapixels."""
    if result.examination is None:
        return result
    photo = result.examination.photo
    flash = result.examination.flash
    if flash is not None:
        flash = replace(flash, photo=_bare(flash.photo))
    examination = replace(result.examination, photo=_bare(photo), flash=flash)
    return replace(result, examination=examination)


def _bare(photo: Photo) -> Photo:
    return replace(photo, rgb=photo.rgb[:1, :1].copy())


def _pictures(result: Result, request: Request) -> tuple[Future[Picture], ...]:
    """Begin to draw all pictures, in the order in which a person comes to see them."""
    assert result.examination is not None
    examination: Examination = result.examination
    cut = [piece.findings for piece in result.pieces if _is_lifted_by_a_cut(piece)]
    tags = tags_of(result.pieces, request.sheet)
    whole = _PAINTER.submit(_whole, examination, cut, tags, _alt(result, request))
    return whole, *(
        _PAINTER.submit(_near, examination, cut, number, piece)
        for number, piece in enumerate(result.pieces)
    )


def _is_lifted_by_a_cut(piece: GradedPiece) -> bool:
    """Whether cutting brass or solder off is worth it: else no place to cut is shown."""
    return any({"brass", "solder"} & set(lift.clears) for lift in piece.grading.lifts)


def _whole(
    examination: Examination, cut: Sequence[Findings], tags: Sequence[Tag], alt: str
) -> Picture:
    return Picture(label="Whole photo", jpeg=as_jpeg(_drawn(examination, cut, tags)), alt=alt)


def _near(
    examination: Examination, cut: Sequence[Findings], number: int, piece: GradedPiece
) -> Picture:
    from vision.picture.closeup import closeup

    many = len(examination.pieces) > 1
    own = replace(examination, pieces=examination.pieces[number : number + 1])
    what = form_words(piece.findings)
    return Picture(
        label=f"Piece {number + 1}" if many else "From near",
        jpeg=as_jpeg(_drawn(closeup(own, own.pieces[0].region.box_px), cut)),
        alt=f"Piece {number + 1} from near, {what}, with its outline and the measured widths",
    )


def _drawn(examination: Examination, cut: Sequence[Findings], tags: Sequence[Tag] = ()) -> Image:
    """Return the photo with all marks, and where to cut the pieces of these findings."""
    from vision.finish.cuts import cut_lines
    from vision.picture.marks import draw_marks

    worth = (one for one in examination.pieces if any(one.findings is given for given in cut))
    cuts = [ends for reading in worth for ends in cut_lines(reading)]
    return draw_marks(examination, long_side_px=LONG_SIDE_PX, tags=tags, cuts_px=cuts)


def _alt(result: Result, request: Request) -> str:
    pieces = "; ".join(
        f"{form_words(piece.findings)}: {grade_words(piece.grading, request.sheet)}"
        for piece in result.pieces
    )
    found = pieces or "no piece was found"
    return f"The photo with what was found drawn on it. {found}"


def as_jpeg(rgb: Image) -> bytes:
    """Return an RGB image as the bytes of a JPEG file."""
    from PIL import Image as PillowImage

    file = io.BytesIO()
    PillowImage.fromarray(rgb).save(file, "JPEG", quality=JPEG_QUALITY)
    return file.getvalue()


def is_readable(answer: Answer) -> bool:
    """Whether the photo could be read at all."""
    return answer.result.outcome is not PhotoOutcome.UNREADABLE
