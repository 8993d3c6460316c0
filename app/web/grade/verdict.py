"""The answer to one piece as a page shows it: text with marks, all of it escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from app.grading import GradedPiece, Result
from app.words import (
    SURE_PERCENT,
    WHAT_WORDS,
    assumed_words,
    confidence_words,
    finish_words,
    form_words,
    grade_words,
    is_sure,
    percent_of,
    presence_words,
    size_words,
    told_reasons,
)
from rules.confidence import FAMILIAR
from rules.engine import MAY_BE_SEVERAL, Grading
from rules.findings import ON_THE_PIECE
from rules.sentences import sentence, with_units_kept
from rules.sheet import RuleSheet
from rules.vocabulary import FORM_WORDS
from vision.reference.references import reference_name

ON, OFF = '<i class="on"></i>', "<i></i>"
LEAST_SHOWN = 0.005
UNFAMILIAR = "unlike what the tool knows, so all of this is a guess"


def verdict(piece: GradedPiece, sheet: RuleSheet, *, number: int | None = None) -> str:
    """Return the grade in large words, how sure it is, and what would settle it.

    ``number`` is the piece's on its photo, where there are several.
    """
    grading = piece.grading
    which = "" if number is None else f"{number}. "
    parts = [
        f"<h2>{which}{escape(grade_words(grading, sheet))}</h2>",
        _steps(grading, sheet),
        f"<p><strong>{escape(_certainty(grading))}</strong></p>",
        bar(grading.confidence, what="How sure"),
    ]
    if grading.settle:
        parts.append(
            '<div class="ask"><strong>? One check would settle it</strong>'
            f"<p>{escape(as_line(grading.settle))}</p></div>"
        )
    return _block(parts)


def why(piece: GradedPiece, sheet: RuleSheet) -> str:
    """Return the reasons with their margins, and what would lift the piece."""
    grading = piece.grading
    parts = ["<h3>Because</h3>", _list(map(as_line, told_reasons(grading, sheet)))]
    if grading.lifts:
        lifts = [
            f"{as_line(lift.action)} Then: {sheet.title_of(lift.to)} (about {lift.minutes:g} min)."
            for lift in grading.lifts
        ]
        parts += ["<h3>↑ What would lift it</h3>", _list(lifts)]
    return _block(parts)


def chances(piece: GradedPiece, sheet: RuleSheet) -> str:
    """Return how likely each grade is."""
    grading = piece.grading
    parts = ["<h3>All grades</h3>", probabilities(grading, sheet)]
    told = percent_of(grading.confidence)
    best = percent_of(max(grading.p.values()))
    if not grading.guess and told < best:
        parts.append(
            f'<p class="soft">Told as {told} %, not {best} %: the best of its reasons is no surer.'
            "</p>"
        )
    return _block(parts)


def seen(piece: GradedPiece, *, is_truth: bool = False) -> str:
    """Return what was seen and measured of a piece, or what it truly is."""
    findings = piece.findings
    parts = ["<h3>What it truly is</h3>" if is_truth else "<h3>What was seen</h3>"]
    form = FORM_WORDS[findings.form.value] if is_truth else form_words(findings)
    rows = [("Form", form), ("Size", size_words(findings) or "not measured")]
    rows += [("Finish", finish_words(findings) or "not judged")]
    for what in findings.seen:
        words = presence_words(findings, what)
        if words is not None and (what in ON_THE_PIECE or not words.startswith("none")):
            told = "none" if is_truth and words.startswith("none") else words
            rows.append((WHAT_WORDS[what][:1].upper() + WHAT_WORDS[what][1:], told))
    assumed = None if is_truth else assumed_words(piece.grading, findings)
    rows += [("Assumed", f"{assumed}: a photo can't tell")] if assumed else []
    rows += [("Doubt", UNFAMILIAR)] if findings.familiarity < FAMILIAR else []
    if percent_of(findings.one_piece) < SURE_PERCENT:
        rows.append(("Doubt", f"{MAY_BE_SEVERAL} ({percent_of(1 - findings.one_piece)} %)"))
    parts.append(_table(rows))
    if piece.reading is not None and piece.reading.notes:
        parts.append(_list(map(sentence, piece.reading.notes)))
    return _block(parts)


def probabilities(grading: Grading, sheet: RuleSheet) -> str:
    """Return every grade with its probability, as a figure and as a bar."""
    rows = []
    for grade in sheet.grade_ids:
        p = grading.p.get(grade, 0.0)
        figure = "under 1 %" if p < LEAST_SHOWN else f"{percent_of(p)} %"
        rows.append(
            f"<tr><td>{escape(sheet.title_of(grade))}</td>"
            f'<td class="figure">{figure}</td>'
            f'<td class="wide">{bar(p, what=sheet.title_of(grade))}</td></tr>'
        )
    return f"<table>{''.join(rows)}</table>"


def cautions(texts: Iterable[str]) -> str:
    """Return what can hurt, as a list under one word."""
    return _block(["<h3>⚠ Mind</h3>", _list(texts)])


def measured_by(result: Result) -> str:
    """Return where the millimetres come from and how good they are."""
    scale = result.examination.scale if result.examination is not None else None
    if scale is None:
        text = "No scale was found, so nothing was measured in millimetres."
    else:
        text = (
            f"Scale from the {reference_name(scale.reference)}: "
            f"{1 / scale.mm_per_px:.1f} pixels a millimetre, good to {200 * scale.u_rel:.1f} %."
        )
    return _block([f'<p class="soft">{escape(text)}</p>'])


def bar(share: float, *, what: str) -> str:
    """Return a bar; its figure always stands beside it in words."""
    percent = round(100 * min(max(share, 0.0), 1.0))
    return (
        f'<div class="bar" role="img" aria-label="{escape(what)}: {percent} %">'
        f'<i style="width:{percent}%"></i></div>'
    )


def as_line(text: str) -> str:
    """Return a text as a sentence in which a number and its unit stay on one line."""
    return with_units_kept(sentence(text))


def _certainty(grading: Grading) -> str:
    told = confidence_words(grading)
    sign = "?" if grading.borderline or grading.suggested is None else "✓"
    if sign == "✓" and not is_sure(grading):
        sign = "≈"
    return f"{sign} {told[:1].upper()}{told[1:]}"


def _steps(grading: Grading, sheet: RuleSheet) -> str:
    """Show where the grade stands among all of them: the best has every mark full."""
    ids: Sequence[str] = sheet.grade_ids
    best = max(ids, key=lambda grade: grading.p.get(grade, 0.0))
    rank, count = ids.index(best) + 1, len(ids)
    marks = ON * (count - rank + 1) + OFF * (rank - 1)
    return (
        f'<p class="step"><span aria-hidden="true">{marks}</span>'
        f'<span class="soft">{rank} of {count}, 1 is paid best</span></p>'
    )


def _table(rows: Iterable[tuple[str, str]]) -> str:
    cells = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td>{escape(text)}</td></tr>'
        for name, text in rows
    )
    return f"<table>{cells}</table>"


def _list(texts: Iterable[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(text)}</li>" for text in texts) + "</ul>"


def _block(parts: Iterable[str]) -> str:
    return f'<div class="cu">{"".join(parts)}</div>'
