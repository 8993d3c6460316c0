"""Words for what the program knows: the same in the report and on the overlay."""

from __future__ import annotations

from rules.engine import Grading
from rules.findings import ON_THE_PIECE, Findings, Finish, Form, Measurement, Origin, What
from rules.gauge import gauge_words
from rules.reasons import SURE_P, tarnish_words
from rules.sheet import RuleSheet
from rules.stated import with_stated
from rules.vocabulary import FORM_WORDS

SURE_PERCENT = round(100 * SURE_P)
"""Told as sure from here; below, and where decided, as likely. The figure that is shown
decides, so that no grade is 'likely, 95 %' beside one that is 'sure, 95 %'."""

NONE_P, THERE_P = 0.1, 0.5
"""Below the first a thing is told as not seen; from the second on as there. Common practice,
no source: one in ten is what a person would still want to hear of."""

NEAR_MARGIN = 2.0
"""A limit this many standard uncertainties away is near: past it the interval that is told, which
holds 95 % of the time, does not reach it."""

LEAST_TOLD_SHARE = 0.02
"""Nothing is told of bare metal, or of how large a thing is, that covers less of the piece."""

SHOWN_SHARE = 0.05
"""Finishes that cover less of the piece than this are not told."""

WHAT_WORDS = {
    What.COATING: "coating",
    What.INSULATION: "insulation",
    What.TIN: "tin",
    What.GREEN: "green corrosion",
    What.BRASS: "brass",
    What.SOLDER: "solder",
    What.OTHER_METAL: "another metal",
    What.NOT_METAL: "no metal at all",
}


ASSUMED_WORDS = {
    "magnet": "no magnet sticks",
    "cut_end": "copper all through",
    "motor_wire": "not from a motor or coil",
    "oil": "no oil",
    "paint": "no paint",
    "enamel": "no clear enamel",
    "insulation": "no insulation",
}
"""What a fact is taken for that nobody stated (:attr:`rules.engine.Grading.assumed`)."""

VAGUE = 10.0
"""Between ends that lie so many times apart only the upper one is worth telling."""


def grade_words(grading: Grading, sheet: RuleSheet) -> str:
    """Return the grade as a person says it.

    "No. 1", "No. 1 or No. 2", "Looks like No. 1"; "Set aside: brass" where it is sold as that;
    "Perhaps No. 1" where more than two may be true: a list of them would tell nobody anything.
    """
    if grading.guess:
        best = max(grading.p, key=lambda grade: grading.p[grade])
        return f"Looks like {sheet.title_of(best)}"
    if not grading.borderline and grading.suggested is not None:
        title = sheet.title_of(grading.suggested)
        return f"{title}: {grading.line}" if grading.line else title
    likely = _worth_naming(grading)
    if len(likely) > 2:
        return f"Perhaps {sheet.title_of(likely[0])}"
    return " or ".join(sheet.title_of(grade) for grade in likely)


def confidence_words(grading: Grading) -> str:
    """Return how sure the grade is.

    "sure, 97 %", "likely, 88 %", "borderline, 60 %"; "needs a check, 85 %" where no second grade
    is there to lie between, "open, 41 %" where more than two are.
    """
    percent = percent_of(grading.confidence)
    if grading.guess:
        return "only a guess: unlike what the tool knows"
    if grading.borderline or grading.suggested is None:
        word = {1: "needs a check", 2: "borderline"}.get(len(_worth_naming(grading)), "open")
        return f"{word}, {percent} %"
    return f"{'sure' if is_sure(grading) else 'likely'}, {percent} %"


def _worth_naming(grading: Grading) -> list[str]:
    """Return the grades that it may well be, likeliest first: one in ten is worth hearing of."""
    ordered = sorted(grading.p, key=lambda grade: -grading.p[grade])
    may_be = set(grading.plausible or ordered[:1])
    return ordered[:1] + [g for g in ordered[1:] if g in may_be and grading.p[g] >= NONE_P]


def percent_of(p: float) -> int:
    """Return a probability as it is shown; 100 % never is, no photo knows that much."""
    return min(99, round(100 * p))


def is_sure(grading: Grading) -> bool:
    """Return whether a grade is decided, and told as sure."""
    decided = not grading.borderline and grading.suggested is not None
    return decided and percent_of(grading.confidence) >= SURE_PERCENT


def is_unsure(grading: Grading) -> bool:
    """Return whether a piece needs another look: a check would settle it, or it is a guess."""
    return bool(grading.settle or grading.guess)


def margin_words(margin: float | None) -> str:
    """Return how near a limit is, in brackets behind a reason; empty where it is far.

    ``margin`` is in standard uncertainties; nobody reads of those. On which side the piece lies
    is seen by the figures: "inside" would read as below, and some limits are to be passed.
    """
    if margin is None or abs(margin) > NEAR_MARGIN:
        return ""
    if abs(margin) < 1:
        return " (too near the limit to tell)"
    return " (near the limit)"


def told_reasons(grading: Grading, sheet: RuleSheet) -> tuple[str, ...]:
    """Return the reasons with how near their limits are.

    One that speaks for another grade than the told one names it; where several stand, each does,
    and the first reason of each stands first, the likeliest grade before: two reasons of the same
    grade would not say what it stands between.
    """
    told = [(r, f"{r.text}{margin_words(r.margin)}") for r in grading.reasons]
    grade_of = {row.id: row.grade for row in sheet.rows}
    named = _worth_naming(grading)
    if not grading.borderline or len(named) < 2:
        return tuple(
            text
            if grade_of.get(reason.row, named[0]) == named[0]
            else f"For {sheet.title_of(grade_of[reason.row])}: {text}"
            for reason, text in told
        )
    ranked, met = [], set[str]()
    for reason, text in told:
        grade = grade_of[reason.row]
        rank = (grade in met, -grading.p.get(grade, 0.0))
        ranked.append((rank, f"For {sheet.title_of(grade)}: {text}"))
        met.add(grade)
    return tuple(text for _, text in sorted(ranked, key=lambda one: one[0]))


def form_words(findings: Findings) -> str:
    """Return the form, and whether it was stated or how sure it is."""
    form = findings.form
    words = FORM_WORDS[form.value]
    if form.stated:
        return f"{words} (stated)"
    percent = percent_of(form.p.get(form.value, 0.0))
    return words if percent >= SURE_PERCENT else f"{words} ({percent} %)"


def size_words(findings: Findings) -> str | None:
    """Return the sizes in mm with their 95 % interval, None where nothing is known of them.

    The gauge is the copper's, so that none is told where a jacket was measured. What was not
    measured is told as far as the outline says it.
    """
    told = []
    form, diameter, strand = findings.form.value, findings.diameter, findings.strand_diameter
    if form is Form.WIRE and strand is None:
        strand = diameter
    if strand is not None and form in (Form.WIRE, Form.STRANDED):
        name = "diameter" if form is Form.WIRE else "single strand"
        jacketed = with_stated(findings).p_of(What.INSULATION) >= THERE_P
        gauge = None if jacketed else gauge_words(strand.low95, strand.high95)
        told.append(f"{name} {_with_interval(strand)}" + (f", {gauge}" if gauge else ""))
    if diameter is not None and form is not Form.WIRE:
        name = "bundle" if form is Form.STRANDED else "outer diameter"
        told.append(f"{name} {_with_interval(diameter)}")
    if not told and findings.width_between_mm is not None:
        low, high = findings.width_between_mm
        least = f"{low:.1f} to " if high < VAGUE * low else "at most "
        told.append(f"{least}{high:.1f} mm thick by its outline")
    return "; ".join(told) or None


def finish_words(findings: Findings) -> str | None:
    """Return how the bare metal looks and its tarnish level, None where nobody judged it.

    Where presence was not told from share (typed findings, old records) the shares of each
    finish stand in, largest first.
    """
    finish = findings.finish
    if finish is None:
        return None
    value = finish.tarnish_level.value
    level = f"tarnish like {tarnish_words(value)} ({value:.2f} of 1)"
    if findings.coating is None:
        ordered = sorted(Finish, key=lambda one: -finish.shares.get(one, 0.0))
        shares = [
            f"{100 * finish.shares.get(one, 0.0):.0f} % {one}"
            for one in ordered
            if finish.shares.get(one, 0.0) >= SHOWN_SHARE
        ]
        return f"{', '.join(shares)}; {level}"
    bright, dull = (finish.shares.get(f, 0.0) for f in (Finish.BRIGHT, Finish.TARNISHED))
    if bright + dull < LEAST_TOLD_SHARE:
        return "no bare metal in sight"
    shine = f"{100 * bright / (bright + dull):.0f} %"
    return f"{level}, {'none' if shine == '0 %' else shine} of the bare metal shines"


def presence_words(findings: Findings, what: What) -> str | None:
    """Return whether something is there and how much of it, None where nobody told.

    "none seen", "not ruled out (22 %)", "probably there (72 %), on about 30 % of it": the
    figure stands where it is no sure thing. Of what the whole piece is: "probably (72 %)", "yes".
    """
    flag, p = findings.seen.get(what), findings.p_of(what)
    if flag is None:
        return None
    if p < NONE_P:
        return "none" if flag.origin is Origin.STATED else f"none seen{_unless_sure(1 - p)}"
    if p < THERE_P:
        return f"not ruled out ({percent_of(p)} %)"
    sure = percent_of(p) >= SURE_PERCENT
    if what not in ON_THE_PIECE:
        return f"{'yes' if sure else 'probably'}{_unless_sure(p)}"
    there = f"{'there' if sure else 'probably there'}{_unless_sure(p)}"
    if flag.origin is Origin.STATED and p == 1:
        there = "there (stated)"
    shown = flag.share >= LEAST_TOLD_SHARE
    return f"{there}, on about {100 * flag.share:.0f} % of it" if shown else there


def assumed_words(grading: Grading, findings: Findings) -> str | None:
    """Return what the grade takes for granted since a photo can't tell; None for nothing.

    Where the photo leaves a coat open that is no longer taken for granted.
    """
    is_open = findings.p_of(What.COATING) >= NONE_P
    told = [f for f in grading.assumed if not (is_open and f in ("paint", "enamel"))]
    return ", ".join(ASSUMED_WORDS[fact] for fact in told) or None


def seen_words(findings: Findings) -> tuple[str, ...]:
    """Return what is there or not ruled out, most likely first: "brass: there (97 %)"."""
    told = {what: findings.p_of(what) for what in findings.seen}
    ordered = sorted((what for what in told if told[what] >= NONE_P), key=lambda w: -told[w])
    return tuple(f"{WHAT_WORDS[what]}: {presence_words(findings, what)}" for what in ordered)


def absent_words(findings: Findings) -> str | None:
    """Return what was looked for and not seen; None where nothing was."""
    absent = [
        f"{WHAT_WORDS[what]}{_unless_sure(1 - p)}"
        for what in findings.seen
        if what in ON_THE_PIECE and (p := findings.p_of(what)) < NONE_P
    ]
    return f"none seen: {', '.join(absent)}" if absent else None


def _unless_sure(p: float) -> str:
    """Return a probability in brackets where it is under what counts as sure."""
    percent = percent_of(p)
    return "" if percent >= SURE_PERCENT else f" ({percent} %)"


def _with_interval(measured: Measurement) -> str:
    digits = 2 if measured.value < 20 else 1
    value, low, high = (
        f"{v:.{digits}f}" for v in (measured.value, measured.low95, measured.high95)
    )
    # A truth of a practice card has no doubt to speak of.
    return f"{value} mm" if low == high else f"{value} mm ({low} to {high})"
