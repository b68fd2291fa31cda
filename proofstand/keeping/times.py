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


def shown_moment(utc_ns: int, *, utc: bool = False) -> str:
    """Return a moment, local with its offset, or UTC for programs."""
    found = datetime.fromtimestamp(utc_ns // 10**9, tz=UTC)
    if utc:
        return f"{found:%Y-%m-%dT%H:%M:%SZ}"
    return found.astimezone().strftime("%Y-%m-%d %H:%M %z")
