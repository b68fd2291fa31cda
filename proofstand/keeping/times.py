"""Days of the shop: local, from midnight to midnight, told in UTC nanoseconds."""

from __future__ import annotations

from datetime import UTC, date, datetime, time


def begin_of(day: date) -> int:
    """Return when a local day begins, UTC nanoseconds."""
    try:
        return int(datetime.combine(day, time()).astimezone().timestamp()) * 10**9
    except (ValueError, OverflowError, OSError):  # the ends of the calendar
        return int(datetime.combine(day, time(), tzinfo=UTC).timestamp()) * 10**9


def day_of(utc_ns: int) -> date:
    """Return the local day of a moment."""
    return datetime.fromtimestamp(utc_ns // 10**9, tz=UTC).astimezone().date()
