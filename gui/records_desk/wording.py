"""The Records desk's words, from the word file."""

from __future__ import annotations

from datetime import UTC, datetime

from proofstand.words.sentences import trouble
from records.errors import ProofstandError

from ..wording import Wording

_RECORDS = Wording("records_desk")
said, several, known = _RECORDS.said, _RECORDS.several, _RECORDS.known
words_of = _RECORDS.table


def moment(utc_ns: int) -> str:
    """Return a moment as it was here, with its offset to UTC."""
    try:
        found = datetime.fromtimestamp(utc_ns // 10**9, tz=UTC).astimezone()
    except (ValueError, OverflowError, OSError):  # the ends of the calendar
        return said("no_date")
    return found.strftime("%Y-%m-%d %H:%M %z")


def told(error: ProofstandError) -> tuple[str, str]:
    """Return what went wrong, with where, and what to do."""
    words = trouble(error)
    where = f"{words.where}: " if words.where else ""
    return f"{where}{words.what}", words.do
