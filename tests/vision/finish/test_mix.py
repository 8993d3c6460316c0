"""The constants that weigh network and physics: they load, and nonsense is refused."""

from __future__ import annotations

from datetime import date

import pytest

from rules.errors import ContractError
from vision.finish.mix import NETWORK_ALONE, Mix, mix_of, shipped_mix

WHOLE = {
    "schema": "cuproscope.finish-mix/1",
    "date": "2026-01-01",
    "source": "made up",
    "network": 0.7,
    "physics": 0.5,
    "together": 0.6,
    "level_network": 0.8,
    "u_level": 0.1,
    "brass": {"bias": 0.0, "network": 1.0, "physics": 0.2, "size": 0.0},
    "solder": {"bias": 0.1, "network": 0.9, "physics": 0.0, "size": 0.0},
}


def test_the_shipped_constants_carry_their_date_and_data() -> None:
    mix = shipped_mix()
    assert date.fromisoformat(mix.date)
    assert "photos" in mix.source


def test_both_count_as_shipped_and_the_network_more() -> None:
    mix = shipped_mix()
    assert mix.network > mix.physics > 0
    assert NETWORK_ALONE.physics == 0


def test_a_file_comes_out_as_it_went_in() -> None:
    mix = mix_of(WHOLE)
    assert (mix.network, mix.physics, mix.solder.bias, mix.brass.physics) == (0.7, 0.5, 0.1, 0.2)


@pytest.mark.parametrize(
    "wrong",
    [
        {"schema": "other/1"},
        {"network": -0.1},
        {"together": 1.2},
        {"u_level": "much"},
        {"brass": {"unknown": 1.0}},
    ],
)
def test_nonsense_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ContractError):
        mix_of({**WHOLE, **wrong})


def test_a_missing_number_is_refused() -> None:
    with pytest.raises(ContractError, match="physics"):
        mix_of({k: v for k, v in WHOLE.items() if k != "physics"})


def test_a_weight_below_nothing_is_refused() -> None:
    with pytest.raises(ContractError, match="physics"):
        Mix(physics=-1.0)
