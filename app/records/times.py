"""Moments as the records keep them: UTC, to the microsecond, as text that sorts by time."""

from __future__ import annotations

from datetime import UTC, datetime

_FORMAT = "%Y-%m-%dT%H:%M:%S.%fZ"
_LENGTH = 27  # years before 1000 are filled up, so that all have the same length


def now_utc() -> datetime:
    """Return this moment, with its time zone."""
    return datetime.now(UTC)


def time_to_text(moment: datetime) -> str:
    """Return a moment as text; a time without a zone is refused with ValueError."""
    if moment.tzinfo is None:
        raise ValueError("a time needs its time zone")
    return moment.astimezone(UTC).strftime(_FORMAT).rjust(_LENGTH, "0")


def time_from_text(text: str) -> datetime:
    """Return the moment of :func:`time_to_text`; raises ValueError."""
    return datetime.strptime(text, _FORMAT).replace(tzinfo=UTC)
