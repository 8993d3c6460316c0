"""Turn the findings of one piece into many pieces that it might be.

Joint Monte Carlo draws after JCGM 101: every draw is a whole piece, with one
form, one size, shares that add up to 1, brass or none. Where a finding is
missing it is drawn from a broad prior, so that ignorance becomes doubt and not
a guess.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from rules.findings import (
    K95,
    ON_THE_PIECE,
    Findings,
    Finish,
    FinishFinding,
    Form,
    Measurement,
    Origin,
    Presence,
    What,
)
from rules.shares import draw_part, draw_shares
from rules.stated import with_stated
from rules.vocabulary import FACT_NAMES, MAX_DIAMETER_MM, SHARE_OF_FINISH, VOCABULARY, Kind

Array = NDArray[np.float64]
Column = NDArray[np.float64] | NDArray[np.bool_] | NDArray[np.intp]

# The share of so many draws scatters by 0.005 at most (k = 1), half of what is shown.
DEFAULT_DRAWS = 10_000
DEFAULT_SEED = 20_08  # any number does; the year of JCGM 101 is easy to remember

# Ignorance of a strand: anything from hair wire to a thick rod is as likely in
# each doubling of its size. Common practice, no source: what a yard sees.
UNKNOWN_STRAND_MM = (0.05, 10.0)
# Seven strands are the fewest of a stranded conductor (IEC 60228, class 2), a third of it thick
# each; of wires twisted by hand two are the fewest, each half as thick as both.
STRAND_OF_CABLE, STRAND_OF_TWIST = 1 / 3, 1 / 2
TWISTED_P = 0.1
"""How often what looks stranded is a few wires twisted. Common practice, no source."""
# Ignorance of the finish: Dirichlet with weights that add up to 1, so that one
# finish dominates most draws and none is preferred over another.
UNKNOWN_FINISH_WEIGHT = 0.2
# How far a seen share is off where nobody told: 0.044 (root mean square) on 19 rendered
# pieces of known brass share, seeds 4800 to 4959 and 5448 to 5493.
U_SHARE_OF_AREA = 0.05
# Where so much of the piece is jacket, the width that was measured is the jacket's. Common
# practice, no source: a width is the middle of many along the piece.
JACKETED_SHARE = 0.5
# With less of the piece seen as copper, its finish says nothing of the rest.
# Chosen: a share is told to 0.05, so that less of it may be none.
LEAST_COPPER = 0.02
_SMALLEST_MM = 1e-6

# What covers the area that a share of the vocabulary is of.
AREA_OF = {
    "coated_share": What.COATING,
    "tinned_share": What.TIN,
    "green_share": What.GREEN,
    "insulation_share": What.INSULATION,
    "brass_share": What.BRASS,
    "solder_share": What.SOLDER,
}
LIKELIER_P = 0.5

_FORMS = tuple(Form)
_FINISHES = tuple(SHARE_OF_FINISH)
_BARE = (Finish.BRIGHT, Finish.TARNISHED)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Draws:
    """Pieces that one piece might be.

    Attributes:
        columns: One array for each finding of the vocabulary, of length ``count``,
            or 1 where all draws agree. Numbers are floats in the finding's unit,
            presences bools, categories indices into the term's values.
        count: Number of pieces.
    """

    columns: Mapping[str, Column]
    count: int

    def with_columns(self, changed: Mapping[str, Column]) -> Draws:
        """Return the same pieces with some findings changed."""
        return Draws(columns={**self.columns, **changed}, count=self.count)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Numbers:
    """Standard random numbers, one stream for each input, so that none shifts another."""

    form: Array
    diameter: Array
    strand: Array
    unknown_strand: Array
    outline: Array
    shares: np.random.SeedSequence | None  # None: the best estimates
    unknown_shares: Array
    tarnish: Array
    unknown_tarnish: Array
    there: Mapping[What, Array]
    areas: Mapping[What, np.random.SeedSequence] | None  # None: the best estimates
    shine: np.random.SeedSequence | None


@lru_cache(maxsize=8)
def _standard_numbers(draws: int, seed: int) -> _Numbers:
    seeds = np.random.SeedSequence(seed).spawn(8 + len(What) + len(ON_THE_PIECE) + 2)
    streams = [np.random.default_rng(s) for s in seeds[:8]]
    there, areas = seeds[8 : 8 + len(What)], seeds[8 + len(What) : -2]
    numbers = _Numbers(
        form=streams[0].random(draws),
        diameter=streams[1].standard_normal(draws),
        strand=streams[2].standard_normal(draws),
        unknown_strand=streams[3].random(draws),
        outline=np.random.default_rng(seeds[-1]).random(draws),
        shares=seeds[4],
        unknown_shares=streams[5]
        .dirichlet([UNKNOWN_FINISH_WEIGHT] * len(_FINISHES), draws)
        .T.copy(),
        tarnish=streams[6].standard_normal(draws),
        unknown_tarnish=streams[7].random(draws),
        there={w: np.random.default_rng(s).random(draws) for w, s in zip(What, there, strict=True)},
        areas=dict(zip(ON_THE_PIECE, areas, strict=True)),
        shine=seeds[-2],
    )
    for array in (*(getattr(numbers, n) for n in _Numbers.__slots__), *numbers.there.values()):
        if isinstance(array, np.ndarray):
            array.setflags(write=False)  # shared by every later call
    return numbers


@lru_cache(maxsize=1)
def _central_numbers() -> _Numbers:
    zero, half = np.zeros(1), np.full(1, 0.5)
    finishes = len(_FINISHES)
    return _Numbers(
        form=half,
        diameter=zero,
        strand=zero,
        unknown_strand=half,
        outline=half,
        shares=None,
        unknown_shares=np.full((finishes, 1), 1 / finishes),
        tarnish=zero,
        unknown_tarnish=half,
        there=dict.fromkeys(What, half),
        areas=None,
        shine=None,
    )


def draw_pieces(
    findings: Findings, *, draws: int = DEFAULT_DRAWS, seed: int = DEFAULT_SEED
) -> Draws:
    """Draw pieces that agree with the findings.

    * Form: one of the forms, by its probability.
    * Sizes: normal about the value, each side as wide as its 95 % interval or the
      standard uncertainty says, whichever is wider. Solid wire is one strand: both
      diameters are the same draw. A strand was measured on the most likely form;
      were the piece stranded instead of solid, its strand is unknown but at most a third
      of the bundle, or half of it where that is a few wires twisted. A size that was not
      measured lies where the outline says, each doubling of it as likely.
    * What is on it (coating, insulation, tin, green corrosion, brass, solder), another
      metal, no metal: there or not, by its probability on a piece of the form drawn, at
      the bench's base rates. Where it is there, its share of the area is Beta distributed
      with the mean and the standard uncertainty that were seen; a stated share is exact.
      Shares that come to more than the whole piece are cut in proportion.
    * The copper's own finish: coating, tin and green corrosion as drawn, the rest bright or
      tarnished in the proportion seen. Where nobody told presence from share (typed
      findings, old records) the shares are Beta distributed parts of what the others left,
      so that they add up to 1 and each keeps its mean and its standard uncertainty
      (rules/shares.py).
    * Tarnish level: as a size, kept within 0 to 1.
    * Facts: certain; a fact that nobody stated counts as the ordinary case (no
      steel, copper through, no oil): it is asked for, not guessed.

    The same findings, ``draws`` and ``seed`` always give the same pieces.
    """
    findings, numbers = with_stated(findings), _standard_numbers(draws, seed)
    p = np.array([findings.form.p.get(form, 0.0) for form in _FORMS])
    edges = np.cumsum(p / p.sum())
    form = np.minimum(np.searchsorted(edges, numbers.form, side="right"), len(_FORMS) - 1)
    return Draws(columns=_columns(findings, form, numbers), count=draws)


def best_piece(findings: Findings) -> Draws:
    """Return the one piece of the best estimates; what is missing sits mid-prior."""
    form = np.array([_FORMS.index(findings.form.value)])
    return Draws(columns=_columns(with_stated(findings), form, _central_numbers()), count=1)


def expected_finish(findings: Findings) -> FinishFinding | None:
    """Return the finish with the expected share of each look, and its standard deviation.

    Where presence is told from share these are means over the pieces that it may be; else
    they are the shares as seen.
    """
    finish = findings.finish
    if finish is None or findings.coating is None:
        return finish
    columns = draw_pieces(findings).columns
    shares = {f: columns[name] for f, name in SHARE_OF_FINISH.items()}
    return replace(
        finish,
        shares={f: float(drawn.mean()) for f, drawn in shares.items()},
        u={f: float(drawn.std()) for f, drawn in shares.items()},
    )


def estimate_of(findings: Findings, name: str) -> tuple[float, float] | None:
    """Return value and standard uncertainty of a number, None where it has none."""
    if name in ("diameter", "strand_diameter"):
        measured = getattr(findings, name)
        if measured is None and findings.form.value is Form.WIRE:
            measured = findings.diameter
        return None if measured is None else (measured.value, measured.u)
    if name in AREA_OF:
        presence = findings.seen.get(AREA_OF[name])
        if presence is not None:
            # What most likely is not there has no share that could come near a limit.
            there = findings.p_of(AREA_OF[name]) >= LIKELIER_P
            return (presence.share, u_share_of_area(presence)) if there else (0.0, 0.0)
    if findings.finish is None:
        return None
    if name == "tarnish_level":
        return findings.finish.tarnish_level.value, findings.finish.tarnish_level.u
    for finish, share_name in SHARE_OF_FINISH.items():
        if share_name == name:
            return findings.finish.shares.get(finish, 0.0), findings.finish.u.get(finish, 0.0)
    return None


def _columns(findings: Findings, form: NDArray[np.intp], numbers: _Numbers) -> Mapping[str, Column]:
    columns: dict[str, Column] = {"form": form}
    there = {what: _there(findings.seen.get(what), form, numbers.there[what]) for what in What}
    areas = _areas(findings, there, numbers)
    columns["diameter"], columns["strand_diameter"] = _sizes(
        findings, form, numbers, jacketed=areas[What.INSULATION] >= JACKETED_SHARE
    )
    columns.update(_finish(findings, areas, numbers))
    for what in (What.BRASS, What.SOLDER, What.INSULATION):
        columns[str(what)] = there[what]
        columns[f"{what}_share"] = areas[what]
    for what in (What.OTHER_METAL, What.NOT_METAL):
        columns[str(what)] = there[what]
    columns.update(_facts(findings))
    return MappingProxyType(columns)


def _there(presence: Presence | None, form: NDArray[np.intp], random: Array) -> NDArray[np.bool_]:
    if presence is None:
        return np.zeros(1, dtype=bool)
    if not presence.learned:
        return random < presence.p
    of_form = np.array([presence.p_given(one) for one in _FORMS])
    drawn: NDArray[np.bool_] = random < of_form[form]
    return drawn


def _areas(
    findings: Findings, there: Mapping[What, NDArray[np.bool_]], numbers: _Numbers
) -> dict[What, Array]:
    """Return the share of the visible area that each thing covers, at most 1 together."""
    areas: dict[What, Array] = {}
    for what in ON_THE_PIECE:
        presence = findings.seen.get(what)
        if presence is None or not there[what].any():
            areas[what] = np.zeros(1)
            continue
        if numbers.areas is None:
            share: Array | float = presence.share
        else:
            rng = np.random.default_rng(numbers.areas[what])
            share = draw_part(
                presence.share, u_share_of_area(presence), rng=rng, draws=numbers.form.size
            )
        areas[what] = np.where(there[what], share, 0.0)
    crowded = np.maximum(sum(areas.values(), np.zeros(1)), 1.0)
    return {what: np.asarray(area / crowded) for what, area in areas.items()}


def _spread(measured: Measurement, z: Array) -> Array:
    """Draw about a value, each side as wide as its interval or u says."""
    below = max((measured.value - measured.low95) / K95, measured.u)
    above = max((measured.high95 - measured.value) / K95, measured.u)
    drawn: Array = measured.value + np.where(z < 0, below, above) * z
    return drawn


def _log_uniform(low: float, high: float | Array, random: Array) -> Array:
    drawn: Array = low * np.exp(random * np.log(np.maximum(high, low) / low))
    return drawn


def _strand_of(outer_mm: Array, random: Array) -> Array:
    """Return strands that nobody measured, each no thicker than its bundle allows."""
    is_twist = random < TWISTED_P
    most = np.where(is_twist, STRAND_OF_TWIST, STRAND_OF_CABLE)
    # What decided that is spread over 0 to 1 again.
    again = np.where(is_twist, random / TWISTED_P, (random - TWISTED_P) / (1 - TWISTED_P))
    return _log_uniform(UNKNOWN_STRAND_MM[0], most * outer_mm, again)


def _by_outline(findings: Findings, numbers: _Numbers) -> Array | None:
    if findings.width_between_mm is None:
        return None
    low, high = (max(mm, UNKNOWN_STRAND_MM[0]) for mm in findings.width_between_mm)
    return _log_uniform(low, high, numbers.outline)


def _sizes(
    findings: Findings,
    form: NDArray[np.intp],
    numbers: _Numbers,
    *,
    jacketed: NDArray[np.bool_],
) -> tuple[Array, Array]:
    likely, low = findings.form.value, UNKNOWN_STRAND_MM[0]
    outer, strand = findings.diameter, findings.strand_diameter
    by_outline = _by_outline(findings, numbers) if outer is None else None
    as_wire, as_stranded = form == _FORMS.index(Form.WIRE), form == _FORMS.index(Form.STRANDED)

    solid = strand if likely is not Form.STRANDED and strand is not None else outer
    if solid is None and by_outline is not None:
        solid_mm = by_outline
    elif solid is None:
        solid_mm = _log_uniform(low, UNKNOWN_STRAND_MM[1], numbers.unknown_strand)
    else:
        solid_mm = np.maximum(_spread(solid, numbers.diameter), _SMALLEST_MM)
    outer_mm = (
        solid_mm if outer is None else np.maximum(_spread(outer, numbers.diameter), _SMALLEST_MM)
    )
    bundle_mm = by_outline if outer is None else outer_mm
    if bundle_mm is None:
        unknown_mm = _log_uniform(low, UNKNOWN_STRAND_MM[1], numbers.unknown_strand)
    else:
        unknown_mm = _strand_of(bundle_mm, numbers.unknown_strand)

    if strand is None:
        strand_mm = unknown_mm
    elif likely is Form.WIRE and outer is not None:
        strand_mm = unknown_mm  # it was measured as solid; as a strand it says nothing
    else:
        strand_mm = np.maximum(_spread(strand, numbers.strand), _SMALLEST_MM)
    strand_mm = np.where(as_wire, solid_mm, strand_mm)
    outer_mm = np.where(as_wire, solid_mm, outer_mm)
    if jacketed.any() and (strand is None or strand.origin is not Origin.STATED):
        # The photo saw the jacket: the copper inside is thinner, nobody knows by how much.
        solid_inside_mm = _log_uniform(low, outer_mm, numbers.unknown_strand)
        # Of a bundle whose width is known its strands are drawn by that already.
        strand_inside_mm = (
            _strand_of(outer_mm, numbers.unknown_strand) if bundle_mm is None else unknown_mm
        )
        inside_mm = np.where(as_stranded, strand_inside_mm, solid_inside_mm)
        strand_mm = np.where(jacketed, inside_mm, strand_mm)
    return np.minimum(outer_mm, MAX_DIAMETER_MM), np.minimum(strand_mm, MAX_DIAMETER_MM)


def _finish(
    findings: Findings, areas: Mapping[What, Array], numbers: _Numbers
) -> dict[str, Column]:
    finish = findings.finish
    level = numbers.unknown_tarnish
    if finish is not None:
        level = np.clip(_spread(finish.tarnish_level, numbers.tarnish), 0.0, 1.0)
    if findings.coating is not None:
        shares = _shares_of_copper(finish, areas, numbers, level=level)
    else:
        shares = numbers.unknown_shares if finish is None else _shares(finish, numbers)
    columns: dict[str, Column] = {
        name: shares[index] for index, name in enumerate(SHARE_OF_FINISH.values())
    }
    columns["tarnish_level"] = level
    return columns


def _shares_of_copper(
    finish: FinishFinding | None,
    areas: Mapping[What, Array],
    numbers: _Numbers,
    *,
    level: Array,
) -> Array:
    """Return the shares of the copper that is in sight, ``(finishes, n)``.

    Of a piece that is all jacket nothing of the copper is seen; under a jacket it stays
    bright (common practice, no source).
    """
    covered = areas[What.INSULATION] + areas[What.BRASS] + areas[What.SOLDER]
    copper = 1.0 - covered
    on_it = {
        Finish.COATED: areas[What.COATING],
        Finish.TINNED: areas[What.TIN],
        Finish.GREEN: areas[What.GREEN],
    }
    seen = copper >= LEAST_COPPER
    parts = {f: np.where(seen, a / np.maximum(copper, LEAST_COPPER), 0.0) for f, a in on_it.items()}
    bare = 1.0 - sum(parts.values(), np.zeros(1))
    shine = np.where(seen, _shine(finish, numbers, level=level), 1.0)
    parts[Finish.BRIGHT] = bare * shine
    parts[Finish.TARNISHED] = bare * (1.0 - shine)
    return np.stack(np.broadcast_arrays(*(np.clip(parts[f], 0.0, 1.0) for f in _FINISHES)))


def _shine(finish: FinishFinding | None, numbers: _Numbers, *, level: Array) -> Array:
    """Return the share of the bare metal that shines.

    Shine and tarnish level are two readings of one thing, how fresh the metal is, so the
    draws that shine most are those with the least tarnish.
    """
    if finish is None:
        bright, dull = (numbers.unknown_shares[_FINISHES.index(f)] for f in _BARE)
        return np.asarray(bright / np.maximum(bright + dull, _SMALLEST_MM))
    bright, dull = (finish.shares.get(f, 0.0) for f in _BARE)
    bare = bright + dull
    mean = bright / bare if bare > 0 else 0.5
    if numbers.shine is None:
        return np.full(1, mean)
    u = finish.u.get(Finish.BRIGHT, 0.0) / max(bare, LEAST_COPPER)
    rng = np.random.default_rng(numbers.shine)
    drawn = draw_part(mean, u, rng=rng, draws=numbers.form.size)
    if level.size != drawn.size:
        return drawn
    shine = np.empty_like(drawn)
    shine[np.argsort(level, kind="stable")] = np.sort(drawn)[::-1]
    return shine


def _shares(finish: FinishFinding, numbers: _Numbers) -> Array:
    values = [finish.shares.get(f, 0.0) for f in _FINISHES]
    if numbers.shares is None:
        return np.array(values)[:, None]
    u = [finish.u.get(f, 0.0) for f in _FINISHES]
    rng = np.random.default_rng(numbers.shares)
    return draw_shares(values, u, rng=rng, draws=numbers.form.size)


def u_share_of_area(presence: Presence) -> float:
    """Return the standard uncertainty of a presence's share; none of a stated one."""
    if presence.u_share is not None:
        return presence.u_share
    return U_SHARE_OF_AREA if presence.origin is Origin.MEASURED else 0.0


def _facts(findings: Findings) -> dict[str, Column]:
    columns: dict[str, Column] = {}
    for name in FACT_NAMES:
        term, stated = VOCABULARY[name], getattr(findings.facts, name)
        value = term.unstated if stated is None else stated
        if term.kind is Kind.FLAG:
            columns[name] = np.array([bool(value)])
        else:
            columns[name] = np.array([term.values.index(str(value))])
    return columns
