"""What a helper practises on: photos whose grade is known, and why it is that grade.

Cards come from the photos with truth in ``fixtures/`` and from the shop's own pieces
that somebody confirmed or a buyer graded.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

from app.practice.truth import true_findings
from app.records.errors import RecordsError
from app.records.types import PieceRecord, PlaceOnPhoto, Point, box_of
from rules.draws import best_piece
from rules.errors import CuproscopeError
from rules.evaluate import Evaluation
from rules.findings import (
    CutEnd,
    Facts,
    Findings,
    Finish,
    Form,
    What,
)
from rules.table import RuleSheet

TRUTH_SCHEMA = "cuproscope.truth/1"

NEAR_GAUGE_MM = (1.15, 1.45)
"""17 to 15 AWG (ASTM B258: 1.150 and 1.450 mm), one size to either side of 16 AWG."""

_DULL_FROM, _DARK_FROM = 0.25, 0.6
"""Tarnish levels of the house sheet's limit for bare bright, and near that for No. 1."""

_MUCH = 0.15
"""Share from which a finish is what the piece is about; the house sheet's own limits."""


class Topic(StrEnum):
    """What a card teaches; helpers get more of the topics they get wrong."""

    SHINY_TUBE = "shiny tube"
    THIN_BRIGHT = "thin bright strands"
    NEAR_GAUGE = "15, 16 or 17 gauge"
    ENAMEL = "enamel or paint against bare"
    TINNED = "tinned"
    BRASS = "brass on the piece"
    SOLDER = "solder"
    LIGHT_TARNISH = "light tarnish"
    HEAVY_TARNISH = "heavy tarnish"
    GREEN = "green corrosion"
    INSULATED = "insulation"
    NOT_WIRE_OR_TUBE = "neither wire nor tube"
    NOT_COPPER = "not copper"
    PLAIN = "plain pieces"


@dataclass(frozen=True, slots=True, kw_only=True)
class PracticeCard:
    """One photo with a piece whose grade is known.

    Attributes:
        key: Stays the same for the same piece, whatever else changes.
        topic: What it teaches.
        grade: Grade id it truly has.
        row: Id of the sheet's row that decides it; None where the sheet's rows don't
            explain the grade (a buyer saw it otherwise).
        reason: Why, in plain words.
        findings: What is known of the piece, for showing after the answer.
        place: Where the piece is on the photo; None where unknown.
        photo_path: The photo's file; None for a piece of the records.
        photo_sha256: The photo in the records; None for a fixture.
    """

    key: str
    topic: Topic
    grade: str
    row: str | None
    reason: str
    findings: Findings
    place: PlaceOnPhoto | None
    photo_path: Path | None = None
    photo_sha256: str | None = None


def fixture_folder() -> Path | None:
    """Return the fixtures of this checkout or installation; None where they were left out."""
    folder = Path(__file__).parents[2] / "fixtures"
    return folder if folder.is_dir() else None


def fixture_cards(folder: Path, sheet: RuleSheet) -> tuple[PracticeCard, ...]:
    """Return a card for each piece of the photos with truth under ``folder``.

    Looks for ``renders/*.json`` and ``demo/truth/*.json``, each naming its photo; a
    photo with several pieces gives several cards, each with the place of its piece.

    Raises:
        RecordsError: A truth file can't be read, or its photo is missing.
    """
    cards: list[PracticeCard] = []
    for pattern, photos in (("renders/*.json", "renders"), ("demo/truth/*.json", "demo")):
        for path in sorted(folder.glob(pattern)):
            cards += _cards_of(path, folder / photos, sheet)
    return tuple(cards)


def record_cards(pieces: Iterable[PieceRecord], sheet: RuleSheet) -> tuple[PracticeCard, ...]:
    """Return a card for each recorded piece with a photo whose grade is known.

    That is: confirmed, or graded by a buyer. The findings are what was measured, so the
    deciding row is told only where it leads to the known grade.
    """
    cards = []
    for piece in pieces:
        grade = piece.true_grade
        if grade is None or grade not in sheet.grade_ids or not piece.photos:
            continue
        row, reason = deciding_row(piece.findings, sheet)
        explained = row is not None and _grade_of_row(row, sheet) == grade
        photo = piece.photos[0]
        cards.append(
            PracticeCard(
                key=f"record:{piece.id}",
                topic=topic_of(piece.findings),
                grade=grade,
                row=row if explained else None,
                reason=reason if explained else "graded so by the buyer, or confirmed by hand",
                findings=piece.findings,
                place=photo.place,
                photo_sha256=photo.sha256,
            )
        )
    return tuple(cards)


def deciding_row(findings: Findings, sheet: RuleSheet) -> tuple[str | None, str]:
    """Return the row that decides the piece of the best estimates, and its reason."""
    index = int(Evaluation(sheet, best_piece(findings)).row[0])
    row = sheet.rows[index]
    return row.id, row.reason


def topic_of(findings: Findings) -> Topic:  # noqa: PLR0911 (one return a topic reads best)
    """Return what a piece teaches: the trap that it is, the rarest first."""
    facts, form, finish = findings.facts, findings.form.value, findings.finish
    shares: Mapping[Finish, float] = {} if finish is None else finish.shares
    level = 0.0 if finish is None else finish.tarnish_level.value
    if facts.cut_end is CutEnd.OTHER or facts.magnet == "sticks":
        return Topic.NOT_COPPER
    if facts.insulation or findings.p_of(What.INSULATION) >= 0.5:
        return Topic.INSULATED
    if findings.p_of(What.SOLDER) >= 0.5:
        return Topic.SOLDER
    if findings.p_of(What.BRASS) >= 0.5:
        return Topic.BRASS
    for one, topic in (
        (Finish.COATED, Topic.ENAMEL),
        (Finish.TINNED, Topic.TINNED),
        (Finish.GREEN, Topic.GREEN),
    ):
        if shares.get(one, 0.0) >= _MUCH:
            return topic
    if form in (Form.SHEET, Form.OTHER):
        return Topic.NOT_WIRE_OR_TUBE
    if level >= _DARK_FROM:
        return Topic.HEAVY_TARNISH
    strand = findings.strand_diameter or findings.diameter
    if form in (Form.WIRE, Form.STRANDED) and strand is not None:
        low, high = NEAR_GAUGE_MM
        if low * 0.97 <= strand.value <= high * 1.03:
            return Topic.NEAR_GAUGE
        if strand.value < low and level < _DULL_FROM:
            return Topic.THIN_BRIGHT
    if level >= _DULL_FROM:
        return Topic.LIGHT_TARNISH
    return Topic.SHINY_TUBE if form is Form.TUBE else Topic.PLAIN


# -- truth files -------------------------------------------------------------------


def _cards_of(path: Path, photos: Path, sheet: RuleSheet) -> list[PracticeCard]:
    try:
        truth = json.loads(path.read_text(encoding="utf-8"))
        if truth["schema"] != TRUTH_SCHEMA:
            raise ValueError(f"schema {truth['schema']!r}")
        photo = photos / Path(truth["photo"]).name
        if not photo.is_file():
            raise ValueError(f"{photo.name} is missing")
        return [_card(piece, photo, sheet) for piece in truth["pieces"]]
    except (OSError, KeyError, TypeError, ValueError, CuproscopeError) as fault:
        raise RecordsError(f"the truth can't be read ({fault})", where=path.name) from fault


def _card(true: Mapping[str, Any], photo: Path, sheet: RuleSheet) -> PracticeCard:
    findings = true_findings(true)
    if findings.p_of(What.OTHER_METAL) >= 0.5:  # what the person at the bench sees at a cut
        findings = replace(findings, facts=Facts(cut_end=CutEnd.OTHER))
    row, reason = deciding_row(findings, sheet)
    assert row is not None
    return PracticeCard(
        key=f"fixture:{photo.stem}:{true['id']}",
        topic=topic_of(findings),
        grade=_grade_of_row(row, sheet),
        row=row,
        reason=reason,
        findings=findings,
        place=PlaceOnPhoto(
            box_px=box_of(true["box_px"]),
            outline_px=tuple(map(_point, true.get("outline_px", ()))),
            brass_boxes_px=tuple(map(box_of, true["brass_boxes_px"])),
            solder_boxes_px=tuple(map(box_of, true["solder_boxes_px"])),
        ),
        photo_path=photo,
    )


def _grade_of_row(row_id: str, sheet: RuleSheet) -> str:
    return next(row.grade for row in sheet.rows if row.id == row_id)


def _point(point: Iterable[float]) -> Point:
    x, y = (float(value) for value in point)
    return x, y
