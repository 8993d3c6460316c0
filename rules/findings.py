"""What is known of one piece: the contract between the photo and the rules.

Every quantity has a unit, a standard uncertainty (JCGM 100, k = 1) and an
origin. Nothing here knows of pixels; the same findings can be typed by hand.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from math import isfinite

from rules.errors import ContractError

K95 = 1.96
"""Half width of a normal 95 % interval in standard uncertainties (JCGM 100:2008, table G.1)."""

SHARE_SUM_TOLERANCE = 0.02
"""Five shares told to whole percents miss 1 by 0.025 at most, and by 0.02 hardly ever."""


class Origin(StrEnum):
    """Where a value comes from; a stated value is never shown as measured."""

    MEASURED = "measured"
    STATED = "stated"


class Form(StrEnum):
    """What kind of thing the piece is."""

    WIRE = "wire"
    STRANDED = "stranded"
    TUBE = "tube"
    SHEET = "sheet"
    OTHER = "other"


CUT_END = "cut_end"
"""Stated in place of a form: the photo looks straight onto the cut end of a cable."""


class Finish(StrEnum):
    """What the visible metal looks like; shares over these add up to 1."""

    BRIGHT = "bright"
    TARNISHED = "tarnished"
    GREEN = "green"
    COATED = "coated"
    TINNED = "tinned"


class Unit(StrEnum):
    """Units that a finding or a rule may carry."""

    MILLIMETRE = "mm"
    ONE = "1"


class Magnet(StrEnum):
    """What a magnet did: steel core, copper-clad steel, plated steel stick."""

    STICKS = "sticks"
    FREE = "free"


class Source(StrEnum):
    """Where a piece comes from, as the person says: it tells what is likely on it."""

    HOUSE_WIRING = "house_wiring"
    PLUMBING = "plumbing"
    CORD_CABLE = "cord_cable"
    MOTOR_TRANSFORMER = "motor_transformer"
    APPLIANCE = "appliance"
    OUTDOORS = "outdoors"


class What(StrEnum):
    """What may be there: six things on a piece, and two that make it no copper at all."""

    COATING = "coating"
    INSULATION = "insulation"
    TIN = "tin"
    GREEN = "green"
    BRASS = "brass"
    SOLDER = "solder"
    OTHER_METAL = "other_metal"
    NOT_METAL = "not_metal"


ON_THE_PIECE = tuple(what for what in What if what not in (What.OTHER_METAL, What.NOT_METAL))
"""What has a share of the visible area; the other two are said of the whole piece."""


class CutEnd(StrEnum):
    """Colour of a fresh cut or file mark: copper through, or something else inside."""

    COPPER = "copper"
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """One quantity of one piece.

    Attributes:
        value: Best estimate, in ``unit``.
        u: Standard uncertainty, in ``unit`` (k = 1).
        unit: Unit of value, uncertainty and interval.
        low95: Lower end of the 95 % coverage interval, in ``unit``.
        high95: Upper end of the 95 % coverage interval, in ``unit``.
        origin: Measured on the photo, or stated by the person.
        budget: Parts of ``u`` by name, in ``unit``; their root sum of squares is ``u``.
    """

    value: float
    u: float
    unit: Unit
    low95: float
    high95: float
    origin: Origin = Origin.MEASURED
    budget: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not isfinite(self.value):
            raise ContractError(f"value must be finite, not {self.value}")
        if not (isfinite(self.u) and self.u >= 0):
            raise ContractError(f"standard uncertainty must be finite and >= 0, not {self.u}")
        if not self.low95 <= self.value <= self.high95:
            raise ContractError(
                f"interval {self.low95} to {self.high95} does not hold the value {self.value}"
            )

    @classmethod
    def normal(
        cls,
        value: float,
        u: float,
        unit: Unit,
        *,
        origin: Origin = Origin.MEASURED,
        budget: Mapping[str, float] | None = None,
    ) -> Measurement:
        """Return a measurement whose doubt is normal: interval ``value ± 1.96 u``.

        >>> Measurement.normal(2.05, 0.01, Unit.MILLIMETRE).high95
        2.0696
        """
        return cls(
            value=value,
            u=u,
            unit=unit,
            low95=value - K95 * u,
            high95=value + K95 * u,
            origin=origin,
            budget=dict(budget or {}),
        )

    @classmethod
    def between_0_and_1(cls, value: float, u: float) -> Measurement:
        """Return a measurement of what lies between 0 and 1: its normal interval ends there.

        >>> Measurement.between_0_and_1(0.9, 0.1).high95
        1.0
        """
        return cls(
            value=value,
            u=u,
            unit=Unit.ONE,
            low95=max(0.0, value - K95 * u),
            high95=min(1.0, value + K95 * u),
        )


def _check_probability(value: float, what: str) -> None:
    if not (isfinite(value) and 0 <= value <= 1):
        raise ContractError(f"must be between 0 and 1, not {value}", where=what)


def _check_rates(rates: Mapping[Form, float], what: str) -> None:
    for form, rate in rates.items():
        if not 0 < rate < 1:
            raise ContractError(f"must be between 0 and 1, not {rate}", where=f"{what} of {form}")


@dataclass(frozen=True, slots=True, kw_only=True)
class FormFinding:
    """Probability of each form; a stated form is one with all the probability.

    Attributes:
        p: Probability of each form, adding up to 1.
        stated: Whether the person said it.
        learned: Base rate of each form that ``p`` takes for granted, where that is known:
            those of the training at first, those of the bench once they were put in.
    """

    p: Mapping[Form, float]
    stated: bool = False
    learned: Mapping[Form, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for form, p in self.p.items():
            _check_probability(p, f"form {form}")
        if abs(sum(self.p.values()) - 1) > SHARE_SUM_TOLERANCE:
            raise ContractError(f"form probabilities add up to {sum(self.p.values())}, not 1")
        _check_rates(self.learned, "learned rate")

    @classmethod
    def of(cls, form: Form, *, stated: bool = True) -> FormFinding:
        """Return the finding of one certain form.

        >>> FormFinding.of(Form.TUBE).p[Form.TUBE]
        1.0
        """
        return cls(p={f: float(f is form) for f in Form}, stated=stated)

    @property
    def value(self) -> Form:
        """The most likely form."""
        return max(Form, key=lambda form: self.p.get(form, 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishFinding:
    """Shares of the visible metal and its tarnish level.

    Attributes:
        shares: Share of each finish, 0 to 1, adding up to 1.
        u: Standard uncertainty of each share.
        tarnish_level: 0 fresh metal, 1 black-brown; of the bare part of the piece.
        origin: Measured on the photo, or stated.
    """

    shares: Mapping[Finish, float]
    u: Mapping[Finish, float]
    tarnish_level: Measurement
    origin: Origin = Origin.MEASURED

    def __post_init__(self) -> None:
        for finish in Finish:
            _check_probability(self.shares.get(finish, 0.0), f"share {finish}")
            _check_probability(self.u.get(finish, 0.0), f"uncertainty of share {finish}")
        total = sum(self.shares.values())
        if abs(total - 1) > SHARE_SUM_TOLERANCE:
            raise ContractError(f"shares add up to {total:.3f}, not 1", where="finish")


@dataclass(frozen=True, slots=True, kw_only=True)
class Presence:
    """Whether something is there, and how much of it: a coat, a brass fitting, solder.

    Two numbers, never one smeared share: a coat that is there with 30 % and then covers
    all of the piece is not a third of a coat.

    Attributes:
        p: Probability that it is there, as whoever looked at the photo said.
        share: Share of the piece's visible area that it covers, if there.
        origin: Measured on the photo, or stated.
        u_share: Standard uncertainty of that share, if there; None where nobody told.
        learned: How often pieces of each form had it in the training that ``p`` comes
            from; empty where ``p`` needs no correction.
        bench: How often pieces of each form have it where this one lies; empty where
            nobody put it in yet.
    """

    p: float
    share: float = 0.0
    origin: Origin = Origin.MEASURED
    u_share: float | None = None
    learned: Mapping[Form, float] = field(default_factory=dict)
    bench: Mapping[Form, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        _check_probability(self.p, "probability that it is there")
        _check_probability(self.share, "share if there")
        if self.u_share is not None:
            _check_probability(self.u_share, "uncertainty of the share")
        _check_rates(self.learned, "learned rate")
        _check_rates(self.bench, "bench rate")

    def p_given(self, form: Form) -> float:
        """Return how likely it is there on a piece of this form, by the bench's base rate.

        Saerens, Latinne and Decaestecker 2002, equation 2.4, for two classes: the odds
        times the ratio of the odds of the two base rates.

        >>> presence = Presence(p=0.5, learned={Form.TUBE: 0.4}, bench={Form.TUBE: 0.1})
        >>> round(presence.p_given(Form.TUBE), 4)  # 1/1 * (1/9) / (4/6) = 1/6, and 1/6 : 1 is 1/7
        0.1429
        """
        learned, bench = self.learned.get(form), self.bench.get(form)
        if learned is None or bench is None:
            return self.p
        there = self.p * bench / learned
        absent = (1 - self.p) * (1 - bench) / (1 - learned)
        return there / (there + absent)


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What the person states and a photo can't show; None where nothing was said."""

    magnet: Magnet | None = None
    cut_end: CutEnd | None = None
    motor_wire: bool | None = None
    oil: bool | None = None
    paint: bool | None = None
    enamel: bool | None = None
    insulation: bool | None = None
    weight_kg: float | None = None
    source: Source | None = None

    def __post_init__(self) -> None:
        if self.weight_kg is not None and not (isfinite(self.weight_kg) and self.weight_kg > 0):
            raise ContractError(f"weight must be more than 0 kg, not {self.weight_kg}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """All that is known of one piece.

    ``diameter`` is the outer one (of a stranded piece: the bundle);
    ``strand_diameter`` is that of a single strand, and equals the diameter for
    solid wire. Either is None where it could not be measured; ``width_between_mm`` is then
    what its outline says of the outer one, no less and no more. ``other_metal``: the
    whole piece is steel, aluminium, zinc or the like, and no copper at all; ``not_metal``:
    it is plastic, wood or the like. ``coating``, ``insulation``, ``tin`` and ``green`` are
    None where nobody told them apart from their share in ``finish`` (typed findings, old
    records). ``familiarity``, 0 to 1: how like it is to what the eye was trained on.
    ``one_piece``, 0 to 1: how likely what was looked at is one whole piece, neither several
    nor only a part of one.
    """

    form: FormFinding
    finish: FinishFinding | None
    brass: Presence
    solder: Presence
    diameter: Measurement | None = None
    strand_diameter: Measurement | None = None
    facts: Facts = field(default_factory=Facts)
    other_metal: Presence = field(default_factory=lambda: Presence(p=0.0))
    coating: Presence | None = None
    insulation: Presence | None = None
    tin: Presence | None = None
    green: Presence | None = None
    not_metal: Presence = field(default_factory=lambda: Presence(p=0.0))
    familiarity: float = 1.0
    one_piece: float = 1.0
    width_between_mm: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        _check_probability(self.familiarity, "familiarity")
        _check_probability(self.one_piece, "one piece")
        if self.width_between_mm is not None:
            low, high = self.width_between_mm
            if not (0 <= low <= high and high > 0 and isfinite(high)):
                raise ContractError(f"must be from 0 mm up, not {low} to {high}", where="outline")
        for name in ("diameter", "strand_diameter"):
            measured = getattr(self, name)
            if measured is not None and measured.unit is not Unit.MILLIMETRE:
                raise ContractError(f"must be in mm, not {measured.unit}", where=name)
            if measured is not None and measured.value <= 0:
                raise ContractError(f"must be above 0 mm, not {measured.value}", where=name)

    @property
    def seen(self) -> Mapping[What, Presence]:
        """What was looked for on the piece and of the whole piece, as far as it was told."""
        presences = {what: getattr(self, what) for what in What}
        return {what: presence for what, presence in presences.items() if presence is not None}

    def p_of(self, what: What) -> float:
        """Return how likely something is there, over the forms that the piece may have.

        0 where nobody told: then it is not in :attr:`seen`.
        """
        presence = self.seen.get(what)
        if presence is None:
            return 0.0
        total = sum(self.form.p.values())
        return sum(p * presence.p_given(form) for form, p in self.form.p.items()) / total
