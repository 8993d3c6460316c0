"""How a helper is doing, as marks for a page; pure, all of it escaped."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

from app.practice.statistics import Confusion, Kappa, Share
from app.practice.store import Progress
from app.web.grade.verdict import bar

# Words for kappa: Landis and Koch 1977, "The measurement of observer agreement", Biometrics
# 33: slight to 0.2, fair to 0.4, moderate to 0.6, substantial to 0.8, almost perfect above.
_WORDS = ((0.0, "none"), (0.2, "slight"), (0.4, "fair"), (0.6, "moderate"), (0.8, "substantial"))

LEAST_ANSWERS = 10
"""From fewer answers no agreement is told: all of them may be the same grade by luck."""


def kappa_words(kappa: Kappa | None) -> str:
    """Return the agreement in words and figures."""
    if kappa is None or kappa.count < LEAST_ANSWERS:
        return "too few answers to tell"
    word = next((word for limit, word in _WORDS if kappa.value <= limit), "almost perfect")
    return f"{word}: {kappa.value:.2f} of 1 ({kappa.low95:.2f} to {kappa.high95:.2f})"


def share_words(share: Share | None) -> str:
    """Return a share of answers in figures, with its interval."""
    if share is None:
        return "no answers yet"
    return (
        f"{share.right} of {share.count}: {100 * share.value:.0f} % "
        f"({100 * share.low95:.0f} to {100 * share.high95:.0f} %)"
    )


def summary(progress: Progress) -> str:
    """Return the figures of a helper's progress."""
    rows = [
        ("Grades right", share_words(progress.right)),
        ("Reasons right", share_words(progress.reasons_right)),
        ("Better than guessing", kappa_words(progress.kappa)),
        ("The same, first look at a card", kappa_words(progress.first_kappa)),
    ]
    cells = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td>{escape(text)}</td></tr>'
        for name, text in rows
    )
    return (
        f'<div class="cu"><table>{cells}</table><p class="soft">In brackets: what it may truly be, '
        "after so many answers. Better than guessing: 0 is a blind guess, 1 is always right "
        "(Cohen's kappa).</p></div>"
    )


def confusion_table(table: Confusion, titles: Mapping[str, str]) -> str:
    """Return how often each true grade was named as each grade; the right ones are marked."""
    head = "".join(
        f'<th scope="col">{escape(titles.get(grade, grade))}</th>' for grade in table.grades
    )
    rows = []
    for i, grade in enumerate(table.grades):
        cells = "".join(
            f'<td class="figure">{"✓ " if i == j and count else ""}{count or "–"}</td>'
            for j, count in enumerate(table.counts[i])
        )
        rows.append(f'<tr><th scope="row">{escape(titles.get(grade, grade))}</th>{cells}</tr>')
    return (
        '<div class="cu counts"><h3>Each line: what it truly is. Below each grade: how often '
        "it was named</h3>"
        f'<div style="overflow-x:auto"><table><tr><td></td>{head}</tr>{"".join(rows)}</table>'
        "</div></div>"
    )


def mixed_up(table: Confusion, titles: Mapping[str, str]) -> str:
    """Return the two grades that are mixed up most, in words."""
    found = table.mixed_up_most
    if found is None:
        return "No two grades were mixed up yet."
    one, other, times = found
    return (
        f"Mixed up most: {titles.get(one, one)} and {titles.get(other, other)} "
        f"({times} time{'s' if times != 1 else ''})."
    )


def bars_of(title: str, shares: Mapping[str, Share]) -> str:
    """Return a list of shares, each as a figure and a bar."""
    rows = "".join(
        f"<tr><td>{escape(name)}</td>"
        f'<td class="figure">{share.right} of {share.count}</td>'
        f'<td class="wide">{bar(share.value, what=name)}</td></tr>'
        for name, share in shares.items()
    )
    return f'<div class="cu"><h3>{escape(title)}</h3><table>{rows}</table></div>' if rows else ""


def trend_of(progress: Progress) -> str:
    """Return the share right in runs of answers, oldest first."""
    named, begin = {}, 1
    for share in progress.trend:
        last = begin + share.count - 1
        named[f"answers {begin} to {last}" if last > begin else f"answer {begin}"] = share
        begin += share.count
    return bars_of("Trend, oldest first", named)
