"""Moments as text: ISO 8601 in UTC that sorts as the moments do, against the standard library."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.records.times import now_utc, time_from_text, time_to_text

ZONES = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
MOMENTS = st.datetimes(datetime(2, 1, 1), datetime(9998, 12, 31), timezones=ZONES)


@given(MOMENTS)
def test_a_moment_comes_back_in_whatever_zone_it_was_told(moment: datetime) -> None:
    text = time_to_text(moment)
    assert time_from_text(text) == moment
    assert len(text) == 27
    # The same text as ISO 8601 by the standard library reads it.
    assert datetime.fromisoformat(text) == moment


@given(MOMENTS, MOMENTS)
def test_text_sorts_as_the_moments_do(one: datetime, other: datetime) -> None:
    assert (time_to_text(one) < time_to_text(other)) == (one < other)


def test_a_time_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="zone"):
        time_to_text(datetime(2026, 1, 1))


@pytest.mark.parametrize("text", ["", "2026-01-01", "2026-13-01T00:00:00.000000Z", "yesterday"])
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="time data"):
        time_from_text(text)


def test_now_has_the_zone_utc() -> None:
    assert now_utc().tzinfo is UTC
