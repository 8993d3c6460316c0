"""Words for what the program knows: the same in the report and on the overlay."""

from __future__ import annotations

from rules.engine import Grading
from rules.findings import Findings, Finish, Form, Measurement, Origin
from rules.gauge import awg_from_mm
from rules.sheet import RuleSheet

SURE_P = 0.95
"""Told as sure from here; below, and where decided, as likely."""

FAR_MARGIN = 10.0
"""Margins past so many standard uncertainties are told as far."""

SHOWN_SHARE = 0.05
"""Finishes that cover less of the piece than this are not told."""

FORM_WORDS = {
    Form.WIRE: "solid wire",
    Form.STRANDED: "stranded wire",
    Form.TUBE: "tube",
    Form.SHEET: "sheet",
    Form.OTHER: "other shape",
}


def grade_words(grading: Grading, sheet: RuleSheet) -> str:
    """Return the grade as a person says it: "No. 1", "No. 1 or No. 2", "no grade"."""
    if not grading.borderline and grading.suggested is not None:
        return sheet.title_of(grading.suggested)
    ordered = sorted(grading.p, key=lambda grade: -grading.p[grade])
    likely = grading.plausible or ordered[:1]
    return " or ".join(sheet.title_of(grade) for grade in likely)


def confidence_words(grading: Grading) -> str:
    """Return how sure the grade is: "sure, 97 %", "likely, 88 %", "borderline, 60 %"."""
    # 100 % is never told: the share of draws can't know what the photo can't show.
    percent = min(99, round(100 * grading.confidence))
    if grading.borderline or grading.suggested is None:
        return f"borderline, {percent} %"
    return f"{'sure' if grading.confidence >= SURE_P else 'likely'}, {percent} %"


def sentence(text: str) -> str:
    """Return a text that begins with a capital and ends with one mark."""
    text = text.strip()
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith((".", "!", "?")) else ".")


def margin_words(margin: float) -> str:
    """Return how far a value is from its limit: "past the limit by less than its doubt".

    ``margin`` is in standard uncertainties, positive inside; the person reads of a doubt.
    """
    side, far = "inside" if margin >= 0 else "past", abs(margin)
    if far > FAR_MARGIN:
        return f"far {side} the limit"
    size = "less than" if far < 1 else f"{far:.1f} times"
    return f"{side} the limit by {size} its doubt"


def form_words(findings: Findings) -> str:
    """Return the form, and whether it was stated or how sure it is."""
    form = findings.form
    words = FORM_WORDS[form.value]
    if form.stated:
        return f"{words} (stated)"
    p = form.p.get(form.value, 0.0)
    return words if p >= SURE_P else f"{words} ({100 * p:.0f} %)"


def size_words(findings: Findings) -> str | None:
    """Return the sizes in mm with their 95 % interval, None where nothing was measured."""
    told = []
    form, diameter, strand = findings.form.value, findings.diameter, findings.strand_diameter
    if form is Form.WIRE and strand is None:
        strand = diameter
    if strand is not None and form in (Form.WIRE, Form.STRANDED):
        name = "diameter" if form is Form.WIRE else "single strand"
        gauge = f", AWG {awg_from_mm(strand.value):.1f}"
        told.append(f"{name} {_with_interval(strand)}{gauge}")
    if diameter is not None and form is not Form.WIRE:
        name = "bundle" if form is Form.STRANDED else "outer diameter"
        told.append(f"{name} {_with_interval(diameter)}")
    return "; ".join(told) or None


def finish_words(findings: Findings) -> str | None:
    """Return the shares of each finish, largest first, and the tarnish level."""
    finish = findings.finish
    if finish is None:
        return None
    ordered = sorted(Finish, key=lambda one: -finish.shares.get(one, 0.0))
    shares = [
        f"{100 * finish.shares.get(one, 0.0):.0f} % {one}"
        for one in ordered
        if finish.shares.get(one, 0.0) >= SHOWN_SHARE
    ]
    return f"{', '.join(shares)}; tarnish {finish.tarnish_level.value:.2f} of 1"


def flag_words(findings: Findings) -> tuple[str, ...]:
    """Return the flags that are more likely there than not."""
    told = []
    flags = {
        "brass": findings.brass,
        "solder": findings.solder,
        "another metal": findings.other_metal,
    }
    for name, flag in flags.items():
        if flag.p >= 0.5:
            how = "stated" if flag.origin is Origin.STATED else f"{100 * min(flag.p, 0.99):.0f} %"
            told.append(f"{name} ({how})")
    return tuple(told)


def _with_interval(measured: Measurement) -> str:
    digits = 2 if measured.value < 20 else 1
    value, low, high = (
        f"{v:.{digits}f}" for v in (measured.value, measured.low95, measured.high95)
    )
    # A truth of a practice card has no doubt to speak of.
    return f"{value} mm" if low == high else f"{value} mm ({low} to {high})"
