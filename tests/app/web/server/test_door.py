"""The code, the tries, the tokens."""

from __future__ import annotations

import pytest

from app.web.server.door import (
    ALPHABET,
    CODE_LENGTH,
    CODE_LIFE_S,
    MAX_ADDRESSES,
    MAX_TRIES,
    MAX_VISITORS,
    TOKEN_LIFE_S,
    WINDOW_S,
    Door,
    spaced,
)


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def told() -> list[str]:
    return []


@pytest.fixture
def door(clock: Clock, told: list[str]) -> Door:
    made = Door(tell=told.append, clock=clock)
    made.renew()
    return made


PHONE, STRANGER = "192.168.1.20", "192.168.1.66"


def test_a_code_opens_once_and_a_new_one_is_told(door: Door, told: list[str]) -> None:
    token = door.enter(told[0], address=PHONE)
    assert token is not None
    assert door.knows([token])
    assert door.enter(told[0], address=PHONE) is None
    assert len(told) == 2
    assert told[1] != told[0]


def test_a_code_may_be_typed_as_it_is_printed(door: Door, told: list[str]) -> None:
    assert door.enter(f" {spaced(told[0]).lower()} ", address=PHONE) is not None


@pytest.mark.parametrize("code", ["", "AAAAAAAA", "É" * 8, "x" * 10_000, "\0"])
def test_a_wrong_code_opens_nothing(door: Door, code: str) -> None:
    assert door.enter(code, address=PHONE) is None


@pytest.mark.parametrize("tokens", [[], [""], ["made-up"], ["\udcff"]])
def test_nobody_is_known_without_a_token_from_here(door: Door, tokens: list[str]) -> None:
    assert not door.knows(tokens)


def test_a_good_token_among_others_is_enough(door: Door, told: list[str]) -> None:
    token = door.enter(told[0], address=PHONE)
    assert token is not None
    assert door.knows(["made-up", token])


def test_too_many_tries_close_the_door_even_for_the_right_code(
    door: Door, told: list[str], clock: Clock
) -> None:
    for _ in range(MAX_TRIES):
        assert door.enter("WRONG", address=PHONE) is None
    assert door.is_closed(PHONE)
    assert door.enter(told[-1], address=PHONE) is None
    clock.now += WINDOW_S + 1
    assert not door.is_closed(PHONE)
    assert door.enter(told[-1], address=PHONE) is not None


def test_wrong_codes_of_one_address_close_the_door_for_no_other(
    door: Door, told: list[str]
) -> None:
    for _ in range(100):
        door.enter("WRONG", address=STRANGER)
    assert door.is_closed(STRANGER)
    assert not door.is_closed(PHONE)
    assert len(told) == 1, "the code that somebody is typing just now stays good"
    assert door.enter(told[0], address=PHONE) is not None


def test_who_tries_from_everywhere_fills_no_memory(door: Door) -> None:
    for number in range(MAX_ADDRESSES + 50):
        door.enter("WRONG", address=f"address {number}")
    assert len(door._wrong) <= MAX_ADDRESSES


def test_a_code_is_no_good_after_ten_minutes(door: Door, told: list[str], clock: Clock) -> None:
    clock.now += CODE_LIFE_S - 1
    door.renew_if_old()
    assert len(told) == 1
    clock.now += 2
    assert door.enter(told[0], address=PHONE) is None
    assert not door.is_closed(PHONE), "an old code is no wrong one"
    door.renew_if_old()
    assert len(told) == 2
    assert door.enter(told[1], address=PHONE) is not None


def test_a_token_ends_after_a_day_of_work(door: Door, told: list[str], clock: Clock) -> None:
    token = door.enter(told[0], address=PHONE)
    assert token is not None
    clock.now += TOKEN_LIFE_S + 1
    assert not door.knows([token])


def test_only_so_many_are_let_in_at_once(door: Door, told: list[str]) -> None:
    tokens = [str(door.enter(told[-1], address=PHONE)) for _ in range(MAX_VISITORS + 1)]
    assert not door.knows(tokens[:1])
    assert all(door.knows([token]) for token in tokens[1:])


def test_codes_are_long_enough_and_easy_to_read(told: list[str]) -> None:
    codes = {Door().renew() for _ in range(200)}
    assert len(codes) == 200
    assert all(len(code) == CODE_LENGTH and set(code) <= set(ALPHABET) for code in codes)
    assert not set("01OIL") & set(ALPHABET)
    # Guesses from every address of a home network at once, day and night, for a year stay
    # unlikely to be right.
    guesses = 254 * MAX_TRIES * 60 * 24 * 365
    assert guesses / len(ALPHABET) ** CODE_LENGTH < 1e-3


def test_the_token_itself_is_not_kept(door: Door, told: list[str]) -> None:
    token = door.enter(told[0], address=PHONE)
    assert token is not None
    assert token not in repr(door)
