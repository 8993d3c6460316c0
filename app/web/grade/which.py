"""Which of several pieces is looked at? The picture is tapped, or a number in the list below it."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from html import escape

import cv2
import numpy as np
import streamlit as st

from app.grading import GradedPiece, Result
from app.web.desk.again import Taps
from app.web.desk.state import Visit
from app.web.grade.answers import Answer
from app.web.grade.tapping import Point, on_photo
from app.web.grade.verdict import as_line
from app.web.plain import plain
from app.web.pressing import typed
from app.words import confidence_words, grade_words, is_unsure
from rules.engine import Grading
from rules.sentences import sentence
from rules.sheet import RuleSheet
from vision.picture.panel import doubt_first, heading_of
from vision.pieces.left_out import TAP_OFF_SHARE
from vision.types import FloatArray, Why

NOTHING_THERE = "nothing_there"
"""Code of the problem that a tap met nothing."""

FINGER_SHARE = 0.05
"""A tap may miss a piece by so much of the picture's width: a fingertip is 8 to 10 mm wide, and
a phone 70 mm. Common practice, no source."""


def by_doubt(pieces: Sequence[GradedPiece]) -> list[int]:
    """Return the pieces' indices: those that need a check first, the worst doubt before all."""
    return doubt_first([(is_unsure(one.grading), one.grading.confidence) for one in pieces])


def checks_words(pieces: Sequence[GradedPiece]) -> list[str]:
    """Return a line for each check that pieces wait for, with their numbers, most first."""
    waiting: dict[str, list[int]] = {}
    for number, piece in enumerate(pieces, start=1):
        if piece.grading.settle:
            waiting.setdefault(piece.grading.settle, []).append(number)
    ordered = sorted(waiting.items(), key=lambda one: -len(one[1]))
    return [f"**{', '.join(map(str, n))}**: {plain(sentence(check))}" for check, n in ordered]


def tapped(result: Result, at: Point, *, width_px: int) -> int | None:
    """Return the piece that is meant by a tap on the photo, ``width_px`` wide; None for none."""
    return _piece_at(result, at, reach_px=FINGER_SHARE * width_px)


def _piece_at(result: Result, at: Point, *, reach_px: float = 0.0) -> int | None:
    if result.examination is None:
        return None
    outlines = [one.region.outline_px for one in result.examination.pieces]
    return _nearest(outlines, at, reach_px)


def left_out_at(result: Result, at: Point) -> bool:
    """Whether a tap is on something that was left out."""
    if result.examination is None:
        return False
    outlines = [one.outline_px for one in result.examination.left_out]
    return _nearest(outlines, at, 0.0) is not None


def _nearest(outlines: Sequence[FloatArray], at: Point, reach_px: float) -> int | None:
    """Return the outline that holds a point, the smallest first, or that is within reach."""
    inside = [
        cv2.pointPolygonTest(outline.astype(np.float32), at, measureDist=True)
        for outline in outlines
    ]
    held = [index for index, way in enumerate(inside) if way >= 0]
    if held:
        return min(held, key=lambda index: cv2.contourArea(outlines[index].astype(np.float32)))
    nearest = max(range(len(inside)), key=inside.__getitem__, default=None)
    return nearest if nearest is not None and inside[nearest] >= -reach_px else None


def show_which(told: Answer, here: Visit, sheet: RuleSheet) -> int:
    """Show the picture and the list of several pieces, and return the one that is looked at."""
    pieces = told.result.pieces
    order = by_doubt(pieces)
    taken = here.seen.pop(_taken_at(told), None)
    if isinstance(taken, tuple):
        new = _piece_at(told.result, taken, reach_px=_off_px(told))
        if new is not None:
            here.seen[_looked_at(told)] = new
    now = here.seen.get(_looked_at(told), order[0])
    chosen = now if isinstance(now, int) and now < len(pieces) else order[0]
    tap_picture(told, here)
    for problem in told.result.problems:
        if problem.code == NOTHING_THERE:  # far below, nobody would see what the tap came to
            st.warning(f"**{plain(as_line(problem.text))}** {plain(problem.fix)}")
    st.html(_in_a_line(pieces[chosen].grading, sheet, number=chosen + 1))
    unsure = sum(is_unsure(one.grading) for one in pieces)
    st.markdown(f"**{heading_of(unsure, len(pieces))}**")
    checks = checks_words(pieces)
    if checks:
        st.markdown("\n".join(f"- {line}" for line in checks))
    signs = ["? " if is_unsure(one.grading) else "" for one in pieces]
    words = [
        f"{number}  {sign}{grade_words(piece.grading, sheet)}"
        for number, (sign, piece) in enumerate(zip(signs, pieces, strict=True), start=1)
    ]
    # Its key goes with what is chosen, by a tap on the picture too: so it never says otherwise.
    key = f"piece-{told.kept.sha256[:12]}-{len(pieces)}-{chosen}"
    st.pills(
        f"{len(pieces)} pieces on this photo: tap one, here or on the picture",
        order,
        default=chosen,
        format_func=lambda index: plain(words[index]),
        required=True,
        wrap=True,
        key=key,
        on_change=lambda: here.seen.__setitem__(_looked_at(told), typed(key)),
    )
    return chosen


def _in_a_line(grading: Grading, sheet: RuleSheet, *, number: int) -> str:
    """Return what was tapped, for a phone: there its answer stands far below the picture."""
    told = f"<strong>{number}. {escape(grade_words(grading, sheet))}</strong>"
    words = f"{told}: {escape(confidence_words(grading))}. More on it below."
    return f'<div class="cu narrow" role="status"><p>{words}</p></div>'


def _looked_at(told: Answer) -> str:
    """Return under which name the visit keeps the piece that is looked at."""
    return f"looked-at-{told.kept.sha256}"


def _taken_at(told: Answer) -> str:
    """Return under which name the visit keeps where a piece is to be taken in."""
    return f"taken-{told.kept.sha256}"


def _off_px(told: Answer) -> float:
    """Return how far beside its outline a piece is met that was taken in by a tap."""
    return TAP_OFF_SHARE * max(told.size_px or (0,))


def has_left_out(told: Answer) -> bool:
    """Whether something on the photo was seen to be no piece."""
    return told.result.examination is not None and bool(told.result.examination.left_out)


def tap_picture(told: Answer, here: Visit) -> None:
    """Show the whole photo; a tap on a piece looks at it, one on what was left out takes it in."""
    from PIL import Image
    from streamlit_image_coordinates import streamlit_image_coordinates

    assert told.size_px is not None
    whole = told.pictures[0].result()
    with Image.open(io.BytesIO(whole.jpeg)) as opened:
        picture = opened.convert("RGB")
    name = told.kept.sha256[:12]
    taps = here.taps.get(told.kept.sha256, Taps())
    key = f"look-{name}-{len(taps.also)}"
    # Its place is kept free from the start, so that nothing below it moves under a finger.
    st.html(
        f"<style>.st-key-{key} iframe {{ height: auto !important; "
        f"aspect-ratio: {picture.width} / {picture.height}; }}</style>"
        f'<p class="unseen">{escape(whole.alt)}</p>'
    )
    with st.container(key=key):
        streamlit_image_coordinates(
            picture,
            width="stretch",
            key=f"{key}-tap",
            image_format="JPEG",
            jpeg_quality=88,
            cursor="pointer",
            on_click=partial(_take, told, here, f"{key}-tap"),
        )
    examination = told.result.examination
    st.caption(_left_out_words([one.why for one in examination.left_out] if examination else []))


def _left_out_words(why: Sequence[Why]) -> str:
    strangers, short = why.count(Why.STRANGER), why.count(Why.SHORT)
    told = [f"{strangers} with no look of copper"] if strangers else []
    told += [f"{short} too short to sort"] if short else []
    missing = "Is one missing? Tap it, twice where it lies right beside another."
    if not told:
        return missing
    return f"Left out, with dots around: {' and '.join(told)}. A tap takes one in. {missing}"


def _take(told: Answer, here: Visit, tap_key: str) -> None:
    """Act on a tap: look at the piece under it, or take in what lies there and is none yet.

    Where a finger may just have missed a piece that piece is meant, unless it is looked at already.
    """
    tap: Mapping[str, float] | None = typed(tap_key)
    if not tap or told.size_px is None:
        return
    at = on_photo(tap, (0, 0, *told.size_px))
    sha = told.kept.sha256
    taps = here.taps.get(sha, Taps())
    # One that met nothing was told of, and is done with.
    pieces = [_piece_at(told.result, old, reach_px=_off_px(told)) for old in taps.also]
    met = tuple(old for old, piece in zip(taps.also, pieces, strict=True) if piece is not None)
    index = tapped(told.result, at, width_px=told.size_px[0])
    is_beside = index != _piece_at(told.result, at)
    is_new = index is None or (is_beside and here.seen.get(_looked_at(told)) == index)
    if is_new or left_out_at(told.result, at):
        here.taps[sha] = replace(taps, also=(*met, at))
        here.seen[_taken_at(told)] = at
        return
    here.seen[_looked_at(told)] = index
    if met != taps.also:
        here.taps[sha] = replace(taps, also=met)
