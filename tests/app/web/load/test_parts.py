"""A weight in words says whether it was on the scale or guessed from the photo."""

from __future__ import annotations

from decimal import Decimal

from app.load.units import MassUnit
from app.load.weights import WeightOrigin, of_normal
from app.web.load.parts import weight_words


def test_only_an_estimate_has_an_interval() -> None:
    scale = of_normal(Decimal("2"), 0.1, WeightOrigin.SCALE, "scale")
    assert weight_words(scale, MassUnit.KG) == "2.00 kg"
    guess = of_normal(Decimal("2"), 0.1, WeightOrigin.ESTIMATED, "from its size")
    # 95 % of a normal distribution lie within 1.96 standard deviations: 1.804 to 2.196.
    assert weight_words(guess, MassUnit.KG) == "about 2.00 kg (1.80 to 2.20), estimated"
    assert weight_words(None, MassUnit.KG) == "no weight yet"
