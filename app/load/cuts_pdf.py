"""The evening's jobs on paper: what to cut, strip and clean, with photos and cautions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from app.load.paper import PhotoOf, card, picture, plain, space, text, write_page
from app.load.planning import Plan
from app.load.report import an_hour_words
from app.load.units import MassUnit
from app.load.worth import Worth
from rules.sentences import sentence, with_units_kept

if TYPE_CHECKING:
    from reportlab.platypus import Flowable


def write_cut_list(
    path: Path,
    plan: Plan,
    *,
    unit: MassUnit,
    photo_of: PhotoOf | None = None,
    paper: str = "a4",
) -> None:
    """Write the cut list of a plan to print, best paid first, whole or not at all.

    Raises:
        OSError: The file can't be written.
    """
    evening, buyer = plan.evening, plan.terms.buyer

    def story_of(width: float) -> list[Flowable]:
        story = [
            text("Cut list", "title"),
            text(
                f"Load “{plain(plan.load.name)}”, {plan.terms.day.isoformat()}, at the prices of "
                f"<b>{plain(buyer.name)}</b>: {evening.minutes:.0f} of "
                f"{evening.limit_minutes:.0f} min, <b>{buyer.currency} {evening.gain:,.2f}</b>."
            ),
            space(6),
        ]
        # What can hurt stands before the work, not behind it.
        story += [text(f"• {plain(words)}", "small") for words in plan.cautions]
        story.append(space(8))
        if not evening.chosen:
            story.append(text(f"No job pays {buyer.currency} {evening.hourly:g} an hour."))
        for number, worth in enumerate(evening.chosen, start=1):
            words = _words(number, worth, plan, unit)
            photo = picture(worth.job.photo, plan.load.piece(worth.job.piece).record, photo_of)
            story.append(card(photo, words, width=width))
        return story

    write_page(path, story_of, title=f"Cut list, {plan.load.name}", paper=paper)


def _words(number: int, worth: Worth, plan: Plan, unit: MassUnit) -> list[Flowable]:
    job, parts, currency = worth.job, worth.job.becomes, plan.terms.buyer.currency
    low = plan.load.bin(job.bin).grade
    becomes = [
        f"Of its weight {100 * parts.rises:.0f} % to the bin of {plan.terms.title_of(job.to)}"
    ]
    if parts.stays:
        becomes.append(f"{100 * parts.stays:.0f} % (the offcut) stays low")
    becomes += [f"{100 * parts.brass:.0f} % to the brass"] if parts.brass else []
    becomes += [f"{100 * parts.waste:.0f} % is waste"] if parts.waste else []
    return [
        text(f"[  ] {number}. <b>{plain(job.name)}</b>, {job.kg / float(unit.kg):.2f} {unit}"),
        text(f"from bin {plain(job.bin)} (sold as {plain(plan.terms.title_of(low))})", "small"),
        text(plain(with_units_kept(sentence(job.action)))),
        text(f"{plain(', '.join(becomes))}.", "small"),
        text(
            f"{currency} {worth.gain:+,.2f} in about {job.minutes:.3g} min, "
            f"{an_hour_words(worth, currency)}.",
            "small",
        ),
    ]
