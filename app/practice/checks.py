"""Rows of practice that come in by an import, read as the page reads them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from math import isfinite
from typing import Any

from app.practice.cards import Topic
from app.practice.tables import KEY_LENGTH
from app.records.archive.checks import check_line, check_named
from app.records.errors import RecordsError
from app.records.models import WORD_LENGTH

MOST_CARDS = 1000


def _check_schedule(values: Mapping[str, Any]) -> None:
    check_line(values["card_key"], "card_key", longest=KEY_LENGTH)
    step = values["step"]
    numbers = [values["stability"], values["difficulty"]]
    good = all(number is None or (isfinite(number) and number > 0) for number in numbers)
    if not good or values["state"] not in (1, 2, 3) or (step is not None and not 0 <= step < 100):
        raise RecordsError("is no state of a card", where="schedule")


def _check_test(values: Mapping[str, Any]) -> None:
    try:
        keys = json.loads(values["card_keys"])
    except (ValueError, RecursionError) as fault:
        raise RecordsError("is no list of cards", where="card_keys") from fault
    if not isinstance(keys, list) or len(keys) > MOST_CARDS:
        raise RecordsError("is no list of cards", where="card_keys")
    for key in keys:
        if not isinstance(key, str):
            raise RecordsError("is no list of cards", where="card_keys")
        check_line(key, "card_keys", longest=KEY_LENGTH)


def _check_answer(values: Mapping[str, Any]) -> None:
    check_line(values["card_key"], "card_key", longest=KEY_LENGTH)
    for key in ("truth", "answered"):
        check_line(values[key], key, longest=WORD_LENGTH)
    Topic(values["topic"])
    seconds = values["seconds"]
    if seconds is not None and not (isfinite(seconds) and seconds >= 0):
        raise RecordsError("can't take so long", where="seconds")


ROWS = {
    "helper": check_named,
    "practice_schedule": _check_schedule,
    "practice_test": _check_test,
    "practice_answer": _check_answer,
}
