"""What the marks on real photos say, and which answers are right for it.

A mark (``bench/real_labels.toml``) is an outline that lies inside one thing, and what
that thing is. What is right follows the house sheet:

* insulated wire, brass alone, another metal, no metal at all: set aside. Any grade of
  bare copper, told as sure, is wrong: a coated No. 2 for a jacketed wire as well;
* enamel or lacquer: No. 2, and windings on their iron may be set aside as well;
* tinned or bare strands of house flex: No. 2 (far thinner than 16 AWG), or set aside,
  since they are the end of an insulated wire; never bare bright or No. 1;
* tube: No. 1, or No. 2 where its soldered elbows count;
* coins: set aside (another shape).

An answer that is not sure is never wrong: it says that it doesn't know. A found piece
answers for the marks that it covers. Where they disagree by the sheet (or lie on a part
of the photo that nobody was sure of), the piece is left out and counted as such.
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

MARKS = Path(__file__).with_name("real_labels.toml")
ROLES = Path(__file__).parents[1] / "models" / "recipe" / "data" / "real_split.csv"

SET_ASIDE = frozenset({"set_aside"})
RIGHT_GRADES: Mapping[str, frozenset[str]] = {
    "insulated": SET_ASIDE,
    "stranger": SET_ASIDE,
    "other_metal": SET_ASIDE,
    "brass": SET_ASIDE,
    "coated": frozenset({"no2"}),
    "tinned": frozenset({"no2", "set_aside"}),
    "solder": frozenset({"no2", "set_aside"}),
    "green": frozenset({"no2"}),
}
"""By kind, where the mark doesn't say it itself (bare copper always does)."""

RIGHT_LOOKS: Mapping[str, frozenset[str]] = {
    "bright": frozenset({"bright"}),
    "tarnished": frozenset({"tarnished"}),
    "copper": frozenset({"bright", "tarnished"}),
    "green": frozenset({"green"}),
    "coated": frozenset({"coated"}),
    # A tool without a word for jackets can only call them a coat.
    "insulated": frozenset({"insulation", "coated"}),
    "tinned": frozenset({"tinned", "solder"}),
    "solder": frozenset({"tinned", "solder"}),
    "brass": frozenset({"brass"}),
    "other_metal": frozenset({"other_metal", "tinned"}),
}
"""Which dominant look is right; of a stranger none is asked."""

ASIDE = frozenset({"insulated", "stranger", "other_metal", "brass"})
BARE = frozenset({"bright", "tarnished", "copper"})
STRANGE = frozenset({"stranger", "other_metal"})
REST = "rest"
UNSURE = "unsure"
MIXED = "mixed"

MOSTLY = 0.6
"""A piece is of a kind (or of kinds with the same right answers) where this share of its
marked part is."""

SOME = 0.2
"""A piece with this share in insulation is insulated wire, whatever its end shows."""

MARKED = 0.3
"""So much of a piece must be marked, since marks lie inside their things; with less it is
something else on the photo."""

STRAY = 0.1
"""What is no copper may hold so much of a mark of copper, by its ragged outline."""

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One thing on one photo.

    Attributes:
        kind: What it is.
        name: The same in words.
        shape: ``strip``, ``poly``, ``disc`` or ``ring``.
        points_px: ``(x, y)`` of its line, outline or centre.
        width_px: Width of a strip or ring.
        radius_px: Radius of a disc or ring.
        grades: What a sure answer may say.
        form: Its form where sure.
        group: ``coin`` for coins, which are told apart in every figure.
    """

    kind: str
    name: str
    shape: str
    points_px: tuple[tuple[float, float], ...]
    width_px: float = 0.0
    radius_px: float = 0.0
    grades: frozenset[str] = frozenset()
    form: str | None = None
    group: str = ""

    def mask(self, shape: tuple[int, int]) -> Mask:
        """Return its pixels, ``shape`` as (rows, columns)."""
        drawn = np.zeros(shape, np.uint8)
        points = np.round(np.array(self.points_px)).astype(np.int32)
        centre = (int(points[0, 0]), int(points[0, 1]))
        width = max(1, round(self.width_px))
        if self.shape == "disc":
            cv2.circle(drawn, centre, round(self.radius_px), (1,), -1)
        elif self.shape == "ring":
            cv2.circle(drawn, centre, round(self.radius_px), (1,), width)
        elif self.shape == "strip":
            cv2.polylines(drawn, [points], False, (1,), width)
        else:
            cv2.fillPoly(drawn, [points], (1,))
        filled: Mask = drawn > 0
        return filled


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkedPhoto:
    """One photo: where it is, its part in training, its marks, and what the rest shows."""

    file: str
    role: str
    rest: str
    marks: tuple[Mark, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What a piece is, by the marks that it covers.

    Attributes:
        kind: A kind of mark; ``mixed`` or ``unsure`` where it is left out.
        name: The thing in words.
        grades: What a sure answer may say.
        form: Its form where sure.
        group: ``coin`` or empty.
        shows: Kinds that cover some of it.
    """

    kind: str
    name: str = ""
    grades: frozenset[str] = frozenset()
    form: str | None = None
    group: str = ""
    shows: frozenset[str] = frozenset()

    @property
    def is_left_out(self) -> bool:
        """Whether nobody can say what is right."""
        return not self.grades


def read_marks(photos: Path, *, marks: Path = MARKS) -> tuple[MarkedPhoto, ...]:
    """Return the marked photos that lie under a folder.

    Photos lie there under their own names, or as the cut-out copies of ``fixtures/real``,
    whose marks are moved and scaled with them.
    """
    with ROLES.open(encoding="utf-8") as file:
        role = {f"surroundings/{row['file']}": row["role"] for row in csv.DictReader(file)}
    with marks.open("rb") as file_:
        told = tomllib.load(file_)["photo"]
    found = []
    for photo in told:
        whole = MarkedPhoto(
            file=photo["file"],
            role=role.get(photo["file"], "test"),
            rest=photo["rest"],
            marks=tuple(_mark(mark) for mark in photo.get("marks", ())),
        )
        if (photos / whole.file).is_file():
            found.append(whole)
        elif (photos / photo.get("fixture", "-")).is_file():
            found.append(_cut_out(whole, photo))
    return tuple(found)


def _mark(told: Mapping[str, Any]) -> Mark:
    shape = next(shape for shape in ("strip", "poly", "disc", "ring") if shape in told)
    kind = told["is"]
    return Mark(
        kind=kind,
        name=told["name"],
        shape=shape,
        points_px=tuple((float(x), float(y)) for x, y in told[shape]),
        width_px=float(told.get("width", 0)),
        radius_px=float(told.get("radius", 0)),
        grades=frozenset(told.get("grades", RIGHT_GRADES.get(kind, ()))),
        form=told.get("form"),
        group=told.get("group", ""),
    )


def _cut_out(photo: MarkedPhoto, told: Mapping[str, Any]) -> MarkedPhoto:
    x0, y0 = told.get("crop_px", (0, 0))
    scale = float(told.get("crop_scale", 1))
    moved = tuple(
        replace(
            mark,
            points_px=tuple(((x - x0) * scale, (y - y0) * scale) for x, y in mark.points_px),
            width_px=mark.width_px * scale,
            radius_px=mark.radius_px * scale,
        )
        for mark in photo.marks
    )
    return replace(photo, file=told["fixture"], marks=moved)


def truth_of(piece: Mask, photo: MarkedPhoto, masks: Sequence[Mask]) -> Truth:
    """Return what a piece is.

    Args:
        piece: Its pixels on the whole photo.
        photo: The photo's marks.
        masks: Their pixels, one a mark.
    """
    area = max(1, int(piece.sum()))
    share = [float((piece & mask).sum()) / area for mask in masks]
    by_kind: dict[str, float] = {}
    for part, mark in zip(share, photo.marks, strict=True):
        by_kind[mark.kind] = by_kind.get(mark.kind, 0.0) + part
    if by_kind.pop(UNSURE, 0.0) > SOME:
        return Truth(kind=UNSURE)
    marked = sum(by_kind.values())
    if marked < MARKED:
        return _unmarked(by_kind, photo.rest)
    shows = frozenset(kind for kind, part in by_kind.items() if part > SOME * marked)
    if "insulated" in shows:
        return _of_kind("insulated", share, photo.marks, shows)
    by_family: dict[str, float] = {}
    for kind, part in by_kind.items():
        by_family[_family(kind)] = by_family.get(_family(kind), 0.0) + part
    family = max(by_family, key=by_family.__getitem__)
    others = marked - by_family[family]
    if others > (STRAY if family == "aside" else 1 - MOSTLY) * marked:
        return Truth(kind=MIXED, shows=shows)
    kinds = {kind: part for kind, part in by_kind.items() if _family(kind) == family}
    return _of_kind(max(kinds, key=kinds.__getitem__), share, photo.marks, shows)


def _unmarked(by_kind: Mapping[str, float], rest: str) -> Truth:
    if rest == UNSURE:
        return Truth(kind=UNSURE)
    if any(part > STRAY and kind not in ASIDE for kind, part in by_kind.items()):
        return Truth(kind=MIXED)
    return Truth(kind="stranger", name=REST, grades=SET_ASIDE)


def _family(kind: str) -> str:
    """Return what kinds have in common for which the same answers are right."""
    return "aside" if kind in ASIDE else "bare" if kind in BARE else kind


def _of_kind(
    kind: str, share: Sequence[float], marks: Sequence[Mark], shows: frozenset[str]
) -> Truth:
    of_kind = [(s, m) for s, m in zip(share, marks, strict=True) if m.kind == kind]
    most = max(of_kind, key=lambda pair: pair[0])[1]
    return Truth(
        kind=kind,
        name=most.name,
        grades=most.grades,
        form=most.form,
        group=most.group,
        shows=shows,
    )


def inside(mask: Mask) -> tuple[float, float]:
    """Return the point of a mask that lies farthest from its rim, ``(x, y)``."""
    padded = np.pad(mask, 1).astype(np.uint8)
    depth = cv2.distanceTransform(padded, cv2.DIST_L2, 3)
    y, x = np.unravel_index(int(np.argmax(depth)), depth.shape)
    return float(x - 1), float(y - 1)


def outline_mask(outline_px: Iterable[Iterable[float]], shape: tuple[int, int]) -> Mask:
    """Return the pixels within an outline."""
    drawn = np.zeros(shape, np.uint8)
    points = np.round(np.array([list(p) for p in outline_px], float)).astype(np.int32)
    if len(points):
        cv2.fillPoly(drawn, [points], (1,))
    filled: Mask = drawn > 0
    return filled
