"""How likely is it before anyone looks? Base rates, and how they correct what an eye says.

A network is trained on a mix made for learning; on a bench most things are rarer. What it
says is turned into what is true there by the ratio of the two base rates, for each form
(M. Saerens, P. Latinne and C. Decaestecker, "Adjusting the outputs of a classifier to new a
priori probabilities", Neural Computation 14 (2002) 21, equation 2.4). The bench's rates are
data (``base_rates.toml``), by where the piece comes from; what a shop confirmed shifts them
as counts shift a Dirichlet prior.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.resources import as_file, files
from typing import Any, TypeVar

from rules.errors import ContractError, RuleFileError
from rules.findings import Findings, Form, FormFinding, Source, What
from rules.toml_lines import read_toml

FILE = "base_rates.toml"
SCHEMA = "cuproscope.base-rates/1"

PRIOR_PIECES = 20.0
"""The shipped rates count as so many confirmed pieces of each form, and of each source for
the mix of forms. Common practice, no source: two dozen of one's own outweigh them."""

LEAST_RATE = 0.001
"""No rate is told surer than this: nobody confirmed a thousand pieces."""

MOST_SHIFT = 10.0
"""No base rate moves odds by more than ten-fold either way. What an eye learned of a form it
learned of all that it takes for that form, so that a rate near never or always, in the
training or on the bench, is known less well than it is told. An estimate."""

Name = TypeVar("Name", Source, Form)
Rates = Mapping[Form, Mapping[What, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class BaseRates:
    """What lies on a bench, by where it comes from; None stands for 'nobody said'.

    Attributes:
        forms: Share of each form, by source; each adds up to 1.
        there: Probability that each thing is there on a piece of each form, by source.
        confirmed: How many of the shop's own pieces shifted them, by source.
    """

    forms: Mapping[Source | None, Mapping[Form, float]]
    there: Mapping[Source | None, Rates]
    confirmed: Mapping[Source | None, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmed:
    """What is known of one piece that somebody vouches for.

    Attributes:
        form: Probability of each form.
        there: Probability that each thing is there; what is left out was not judged.
        source: Where it came from, None where nobody said.
    """

    form: Mapping[Form, float]
    there: Mapping[What, float]
    source: Source | None = None


@cache
def shipped_rates() -> BaseRates:
    """Return the rates of ``base_rates.toml``.

    Without a source the rates are those of all sources together, each by its share of the
    bench (law of total probability).

    Raises:
        RuleFileError: The file that ships is damaged.
    """
    with as_file(files("rules").joinpath(FILE)) as path:
        values = read_toml(path).values
    if values.get("schema") != SCHEMA:
        raise RuleFileError(f'the file must say schema = "{SCHEMA}"', where=FILE)
    try:
        shares = {Source(one["id"]): float(one["share"]) for one in values["source"]}
        forms: dict[Source | None, Mapping[Form, float]] = {
            Source(one["id"]): {form: float(one["forms"][form]) for form in Form}
            for one in values["source"]
        }
        lines = {
            (What(one["of"]), _or_none(Source, one, "source"), _or_none(Form, one, "form")): float(
                one["p"]
            )
            for one in values["rate"]
        }
        there: dict[Source | None, Rates] = {
            source: {
                form: {what: _line(lines, what, source, form) for what in What} for form in Form
            }
            for source in Source
        }
    except (KeyError, TypeError, ValueError) as fault:
        raise RuleFileError(f"is not as it should be: {fault}", where=FILE) from fault
    forms[None] = {f: sum(shares[s] * forms[s][f] for s in Source) for f in Form}
    there[None] = {
        form: {
            what: sum(shares[s] * forms[s][form] * there[s][form][what] for s in Source)
            / forms[None][form]
            for what in What
        }
        for form in Form
    }
    return BaseRates(forms=forms, there=there)


def _or_none(kind: type[Name], line: Mapping[str, str], key: str) -> Name | None:
    return kind(line[key]) if key in line else None


def _line(
    lines: Mapping[tuple[What, Source | None, Form | None], float],
    what: What,
    source: Source,
    form: Form,
) -> float:
    """Return the rate of the line that fits most closely."""
    for key in ((what, source, form), (what, source, None), (what, None, form)):
        if key in lines:
            return lines[key]
    return lines[what, None, None]


def shifted(rates: BaseRates, pieces: Iterable[Confirmed]) -> BaseRates:
    """Return the rates as the shop's own confirmed pieces shift them.

    The shipped rates count as ``PRIOR_PIECES`` of each form (a Dirichlet or Beta prior with
    that sum); each confirmed piece adds its part to the counts. Those of a stated source
    also count where nobody says the source.

    >>> tube = Confirmed(form={Form.TUBE: 1.0}, there={What.SOLDER: 1.0})
    >>> before, after = shipped_rates(), shifted(shipped_rates(), [tube] * 20)
    >>> p = before.there[None][Form.TUBE][What.SOLDER]  # (20 p + 20) / 40
    >>> abs(after.there[None][Form.TUBE][What.SOLDER] - (p + 1) / 2) < 1e-9
    True
    """
    pieces = list(pieces)
    if not pieces:
        return rates
    forms, there, confirmed = dict(rates.forms), dict(rates.there), dict(rates.confirmed)
    for source in (None, *Source):
        own = [one for one in pieces if source is None or one.source is source]
        if not own:
            continue
        confirmed[source] = confirmed.get(source, 0) + len(own)
        counts = {f: PRIOR_PIECES * forms[source][f] for f in Form}
        for one in own:
            for form, p in one.form.items():
                counts[form] += p / sum(one.form.values())
        total = sum(counts.values())
        forms[source] = {f: count / total for f, count in counts.items()}
        there[source] = {f: _shifted_rates(rates.there[source][f], own, f) for f in Form}
    return BaseRates(forms=forms, there=there, confirmed=confirmed)


def _shifted_rates(
    before: Mapping[What, float], own: list[Confirmed], form: Form
) -> Mapping[What, float]:
    after = {}
    for what, rate in before.items():
        judged = [one for one in own if what in one.there]
        of_form = sum(one.form.get(form, 0.0) for one in judged)
        there = sum(one.form.get(form, 0.0) * one.there[what] for one in judged)
        after[what] = _held((PRIOR_PIECES * rate + there) / (PRIOR_PIECES + of_form))
    return after


def _held(rate: float) -> float:
    return min(max(rate, LEAST_RATE), 1 - LEAST_RATE)


def on_bench(findings: Findings, rates: BaseRates | None = None) -> Findings:
    """Return findings told for the bench: by the rates of where the piece comes from.

    Only what says which base rates it was learned with is changed. Each presence keeps what was
    said of the photo, so that another source, or other rates, can be put in later.

    Args:
        findings: Of one piece; ``facts.source`` says where it comes from.
        rates: Of the bench; None takes those that ship.
    """
    rates = rates or shipped_rates()
    source = findings.facts.source
    changed: dict[str, Any] = {}
    for what, presence in findings.seen.items():
        if presence.learned:
            bench = {
                form: _within(rates.there[source][form][what], presence.learned.get(form))
                for form in Form
            }
            changed[str(what)] = replace(presence, bench=bench)
    return replace(findings, form=_form_on_bench(findings.form, rates.forms[source]), **changed)


def _within(bench: float, learned: float | None) -> float:
    """Return the bench's rate, its odds at most ``MOST_SHIFT`` times off the learned ones."""
    bench = _held(bench)
    if learned is None:
        return bench
    odds = learned / (1 - learned)
    low, high = odds / MOST_SHIFT, odds * MOST_SHIFT
    return min(max(bench, low / (1 + low)), high / (1 + high))


def _form_on_bench(form: FormFinding, bench: Mapping[Form, float]) -> FormFinding:
    if form.stated or not form.learned:
        return form
    raw = {f: p * bench[f] / form.learned[f] for f, p in form.p.items() if f in form.learned}
    if len(raw) != len(form.p):
        raise ContractError("the learned mix lacks a form", where="form")
    total = sum(raw.values())
    held = {f: bench[f] for f in raw}
    return FormFinding(p={f: p / total for f, p in raw.items()}, learned=held)


def is_raw(findings: Findings) -> bool:
    """Return whether the findings are still told for the training's mix."""
    return any(presence.learned and not presence.bench for presence in findings.seen.values())
