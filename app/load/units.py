"""Mass and money, exact: kilograms inside, pounds at the edges, cents that add up.

Mass and money are ``Decimal``. A line (one bin at one price) is rounded to the currency's
minor unit, half away from zero; a total is the sum of its rounded lines and is never
rounded again, so that a ticket adds up to the cent by hand.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import ROUND_HALF_UP, Context, Decimal, InvalidOperation
from enum import StrEnum
from functools import cache

from rules.errors import CuproscopeError

KG_PER_LB = Decimal("0.45359237")
"""Exact by the international yard and pound agreement of 1959."""

MOST_KG = Decimal(100_000)
"""Larger loads are a slip of the pen: a road train carries less."""

MOST_MONEY = Decimal(1_000_000_000)

MOST_DECIMALS = 9
"""More decimals than any scale or price shows; with MOST_KG and the eight of a pound in kg
what is kept stays under the 40 signs that are read back."""

MOST_KEPT_DECIMALS = 24

GRAM_TENTH = Decimal("0.0001")
"""Shares of a weighed bin are told off in steps of 0.1 g; what is left stays in the bin."""

EXACT = Context(prec=34, rounding=ROUND_HALF_UP)
"""Ours for every step, so that nobody's own decimal context changes a cent."""


class LoadError(CuproscopeError):
    """What was asked of the load can't be done; the message says what to do instead."""


class MassUnit(StrEnum):
    """In what a scale reads and a buyer pays."""

    KG = "kg"
    LB = "lb"

    @property
    def kg(self) -> Decimal:
        """Kilograms in one of it."""
        return KG_PER_LB if self is MassUnit.LB else Decimal(1)


def kg_from(amount: Decimal, unit: MassUnit) -> Decimal:
    """Return kilograms, exact for any reading that a scale can show.

    >>> kg_from(Decimal("27.5"), MassUnit.LB)
    Decimal('12.473790175')
    """
    return EXACT.multiply(amount, unit.kg)


def in_unit(kg: Decimal, unit: MassUnit) -> Decimal:
    """Return a mass in a unit; a reading in pounds comes back as it was read."""
    return kg if unit is MassUnit.KG else EXACT.divide(kg, KG_PER_LB)


@cache
def minor_digits(currency: str) -> int:
    """Return how many decimals a currency has (ISO 4217: USD 2, JPY 0, BHD 3).

    Raises:
        LoadError: No such code, or one without a minor unit (gold, test codes).
    """
    from iso4217 import Currency

    try:
        digits = Currency(currency).exponent
    except ValueError:
        raise LoadError(
            f"{currency!r} is no ISO 4217 currency code, such as USD, EUR or CAD", where="currency"
        ) from None
    if digits is None:
        raise LoadError(f"{currency} is no money that is paid out", where="currency")
    return int(digits)


def rounded(amount: Decimal, currency: str) -> Decimal:
    """Return an amount rounded to the currency's minor unit, half away from zero.

    >>> rounded(Decimal("2.675"), "USD"), rounded(Decimal("2.5"), "JPY")
    (Decimal('2.68'), Decimal('3'))
    """
    return amount.quantize(Decimal(1).scaleb(-minor_digits(currency)), context=EXACT)


def line_amount(kg: Decimal, *, price: Decimal, per: MassUnit, currency: str) -> Decimal:
    """Return what a mass brings at a price, rounded once: here, at the line.

    >>> line_amount(Decimal(10), price=Decimal("4.10"), per=MassUnit.LB, currency="USD")
    Decimal('90.39')
    """
    return rounded(EXACT.multiply(in_unit(kg, per), price), currency)


def total(amounts: Iterable[Decimal]) -> Decimal:
    """Return the sum of rounded lines, exact."""
    summed = Decimal(0)
    for amount in amounts:
        summed = EXACT.add(summed, amount)
    return summed


def share_of(kg: Decimal, share: float) -> Decimal:
    """Return a share of a mass in whole steps of 0.1 g."""
    return EXACT.multiply(kg, Decimal(repr(float(share)))).quantize(GRAM_TENTH, context=EXACT)


def number_from(text: str, *, what: str, high: Decimal) -> Decimal:
    """Read a number that a person typed, with its decimals kept.

    Raises:
        LoadError: No number, or out of range.
    """
    if re.fullmatch(r"\s*\d{1,3}(,\d{3})+(\.\d*)?\s*", text):
        # 1,234 is a thousand to one reader and one and a quarter to the next.
        raise LoadError(f"{text!r} can be read two ways; write it without a comma", where=what)
    try:
        value = Decimal(text.strip().replace(",", ".", 1))
    except InvalidOperation:
        raise LoadError(f"{text!r} is no number", where=what) from None
    if not value.is_finite() or not 0 <= value <= high:
        raise LoadError(f"must be 0 to {high}, not {text:.40}", where=what)
    if decimals_of(value) > MOST_DECIMALS:
        raise LoadError(f"{text:.40} has more than {MOST_DECIMALS} decimals", where=what)
    return value


def decimals_of(value: Decimal) -> int:
    """Return how many decimals a number is written with."""
    return max(0, -int(value.as_tuple().exponent))


def bounded(value: Decimal, *, what: str, high: Decimal) -> None:
    """Refuse a number that is below 0, endless, too large, or finer than can be read back.

    Raises:
        LoadError: Says which one.
    """
    if not (value.is_finite() and 0 <= value <= high):
        raise LoadError(f"must be 0 to {high}, not {value!s:.20}", where=what)
    if decimals_of(value) > MOST_KEPT_DECIMALS:
        raise LoadError(f"has more than {MOST_KEPT_DECIMALS} decimals", where=what)


def mass_from(text: str, *, unit: MassUnit | None = None) -> Decimal:
    """Read a mass such as ``12.5 kg``, ``27lb`` or, where ``unit`` is given, ``27``.

    >>> mass_from("12.5 kg"), mass_from("2", unit=MassUnit.LB)
    (Decimal('12.5'), Decimal('0.90718474'))

    Returns:
        Kilograms.

    Raises:
        LoadError: No number, no unit, or more than a truck carries.
    """
    words = text.strip().lower()
    for known in MassUnit:
        if words.endswith(known.value):
            words, unit = words[: -len(known.value)], known
            break
    if unit is None:
        raise LoadError(f"say the unit: {text} kg or {text} lb", where="weight")
    return kg_from(number_from(words, what="weight", high=EXACT.divide(MOST_KG, unit.kg)), unit)


def money_from(text: str, currency: str, *, what: str = "amount") -> Decimal:
    """Read an amount of money; more decimals than the currency has are refused."""
    value = number_from(text, what=what, high=MOST_MONEY)
    if value != rounded(value, currency):
        raise LoadError(
            f"{text} has more decimals than {currency} ({minor_digits(currency)})", where=what
        )
    return rounded(value, currency)


def price_from(text: str, *, what: str = "price") -> Decimal:
    """Read a price for one unit of mass; yards quote to a tenth of a cent."""
    value = number_from(text, what=what, high=MOST_MONEY)
    if decimals_of(value) > MOST_PRICE_DECIMALS:
        raise LoadError(f"{text} has more than {MOST_PRICE_DECIMALS} decimals", where=what)
    return value


MOST_PRICE_DECIMALS = 6


def money_words(amount: Decimal, currency: str) -> str:
    """Return an amount as it is written.

    >>> money_words(Decimal("1234.5"), "USD")
    'USD 1,234.50'
    """
    return f"{currency} {rounded(amount, currency):,f}"


def fine_digits(kg: Decimal, unit: MassUnit) -> int:
    """Return how many decimals an estimate needs: one short wire weighs a few grams."""
    return 2 if in_unit(kg, unit) >= Decimal("0.1") else 3


def mass_words(kg: Decimal, unit: MassUnit) -> str:
    """Return a mass for people, to 10 g or a hundredth of a pound.

    >>> mass_words(Decimal("5.6"), MassUnit.LB)
    '12.35 lb'
    """
    return f"{told_mass(kg, unit):f} {unit}"


def told_mass(kg: Decimal, unit: MassUnit) -> Decimal:
    """Return a mass as it is told in a unit: to two decimals, half away from zero.

    >>> told_mass(Decimal("5.6"), MassUnit.LB), told_mass(Decimal("0.125"), MassUnit.KG)
    (Decimal('12.35'), Decimal('0.13'))
    """
    return in_unit(kg, unit).quantize(Decimal("0.01"), context=EXACT)


def limit_words(kg: Decimal, unit: MassUnit) -> str:
    """Return a mass that somebody set as a limit, without zeros that nobody said.

    >>> limit_words(Decimal("45.359237"), MassUnit.LB), limit_words(Decimal("2.5"), MassUnit.KG)
    ('100 lb', '2.5 kg')
    """
    whole, _, rest = f"{told_mass(kg, unit):f}".partition(".")
    rest = rest.rstrip("0")
    return f"{whole}{'.' if rest else ''}{rest} {unit}"


def price_figure(amount: Decimal, currency: str) -> str:
    """Return a price for one unit of mass: in cents, to a tenth of one where it is no whole one.

    >>> price_figure(Decimal("4.060"), "USD"), price_figure(Decimal("8.2452"), "USD")
    ('4.06', '8.245')
    """
    digits = minor_digits(currency)
    fine = amount.quantize(Decimal(1).scaleb(-digits - 1), context=EXACT)
    return f"{rounded(fine, currency) if fine == rounded(fine, currency) else fine:f}"


def told_together(kgs: Iterable[Decimal], unit: MassUnit) -> Decimal:
    """Return the sum of masses as each of them is told, so that it adds up by hand.

    >>> told_together([Decimal("0.125"), Decimal("0.125")], MassUnit.KG)
    Decimal('0.26')
    """
    return total(told_mass(kg, unit) for kg in kgs)
