"""The code, the tries, the tokens."""

from __future__ import annotations

import pytest

from app.web.server.door import (
    ALPHABET,
    CODE_LENGTH,
    MAX_TRIES,
    MAX_VISITORS,
    TOKEN_LIFE_S,
    TRIES_OF_ONE_CODE,
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


def test_a_code_opens_once_and_a_new_one_is_told(door: Door, told: list[str]) -> None:
    token = door.enter(told[0])
    assert token is not None
    assert door.knows(token)
    assert door.enter(told[0]) is None
    assert len(told) == 2
    assert told[1] != told[0]


def test_a_code_may_be_typed_as_it_is_printed(door: Door, told: list[str]) -> None:
    assert door.enter(f" {spaced(told[0]).lower()} ") is not None


@pytest.mark.parametrize("code", ["", "AAAAAAAA", "É" * 8, "x" * 10_000, "\0"])
def test_a_wrong_code_opens_nothing(door: Door, code: str) -> None:
    assert door.enter(code) is None


@pytest.mark.parametrize("token", [None, "", "made-up"])
def test_nobody_is_known_without_a_token_from_here(door: Door, token: str | None) -> None:
    assert not door.knows(token)


def test_too_many_tries_close_the_door_even_for_the_right_code(
    door: Door, told: list[str], clock: Clock
) -> None:
    for _ in range(MAX_TRIES):
        assert door.enter("WRONG") is None
    assert door.is_closed
    assert door.enter(told[-1]) is None
    clock.now += WINDOW_S + 1
    assert not door.is_closed
    assert door.enter(told[-1]) is not None


def test_a_code_that_was_guessed_at_too_often_is_replaced(
    door: Door, told: list[str], clock: Clock
) -> None:
    for _ in range(TRIES_OF_ONE_CODE):
        clock.now += WINDOW_S
        door.enter("WRONG")
    clock.now += WINDOW_S + 1
    assert len(told) == 2
    assert door.enter(told[0]) is None
    assert door.enter(told[1]) is not None


def test_a_token_ends_after_a_day_of_work(door: Door, told: list[str], clock: Clock) -> None:
    token = door.enter(told[0])
    clock.now += TOKEN_LIFE_S + 1
    assert not door.knows(token)


def test_only_so_many_are_let_in_at_once(door: Door, told: list[str]) -> None:
    tokens = [door.enter(told[-1]) for _ in range(MAX_VISITORS + 1)]
    assert not door.knows(tokens[0])
    assert all(door.knows(token) for token in tokens[1:])


def test_codes_are_long_enough_and_easy_to_read(told: list[str]) -> None:
    codes = {Door().renew() for _ in range(200)}
    assert len(codes) == 200
    assert all(len(code) == CODE_LENGTH and set(code) <= set(ALPHABET) for code in codes)
    assert not set("01OIL") & set(ALPHABET)
    # A guess at MAX_TRIES a minute, day and night, for a year stays unlikely.
    guesses = MAX_TRIES * 60 * 24 * 365
    assert guesses / len(ALPHABET) ** CODE_LENGTH < 1e-4


def test_the_token_itself_is_not_kept(door: Door, told: list[str]) -> None:
    token = door.enter(told[0])
    assert token is not None
    assert token not in repr(door)
