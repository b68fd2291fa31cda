"""A line of the chain: one file that is kept, by whom and when, and what it is.

A line is compact JSON whose bytes are built anew and compared when it is read, so that
no byte of it is free. Each carries the SHA-256 of the line before it.
"""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from ..errors import IntegrityError

FORMAT = "proofstand.archive/1"
CHAIN_NAME = "chain.jsonl"
ARCHIVE, RUN, JUDGEMENT, CERTIFICATE, NOTE, NOTICE = (
    "archive",
    "run",
    "judgement",
    "certificate",
    "note",
    "notice",
)
# Signed notes about a run, by the word in their schema.
REJECTION = "rejection"
SIGNED_NOTES = ("concession", REJECTION, "confirmation")
SHIFT_RUN = "shift-run"
# Records of the shop itself, by the word in their format.
SHOP_KINDS = (
    "plan",
    "approval",
    "rig",
    "calibration",
    "reference",
    "people",
    "job",
    "shift",
    "key",
    "recall",
    "roll",
    "rig-change",
)
KINDS = (
    *(ARCHIVE, RUN, JUDGEMENT, CERTIFICATE, NOTE, NOTICE),
    *SIGNED_NOTES,
    *SHOP_KINDS,
    SHIFT_RUN,
)
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
_LONGEST_NAME = 100
_LONGEST_KEY = 200

Fact = str | int | bool | None
_FIELDS = {
    "n": int,
    "path": str,
    "kind": str,
    "sha256": str,
    "size": int,
    "utc_ns": int,
    "who": str,
    "what": str,
    "about": dict,
    "before": str,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line of the chain.

    Attributes:
        n: 0 for the archive itself, then 1, 2, ...
        path: of the file, from the archive's folder on, with slashes.
        kind: one of ``KINDS``. sha256, size: of the whole file, bytes.
        utc_ns: when it was taken in. who: by whom. what: in a few words.
        about: what it is found by: serial, verdict, number and so on.
        before: SHA-256 of the line before, "" for the first.
    """

    n: int
    path: str
    kind: str
    sha256: str
    size: int
    utc_ns: int
    who: str
    what: str
    about: Mapping[str, Fact] = field(default_factory=dict)
    before: str = ""

    @property
    def line(self) -> bytes:
        """The line's bytes, without the end of line."""
        told = {name: getattr(self, name) for name in _FIELDS}
        told["about"] = dict(self.about)
        return _json(told)

    @property
    def digest(self) -> str:
        """SHA-256 of the line."""
        return hashlib.sha256(self.line).hexdigest()

    @property
    def run(self) -> str:
        """The run that it belongs to, or ""."""
        return str(self.about.get("run", ""))


def _json(told: Mapping[str, Any]) -> bytes:
    text = json.dumps(told, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    # what is no text in Unicode can't be written to a file
    return text.encode("utf-8", "backslashreplace")


def read_line(line: bytes, n: int, before: str, where: str) -> Entry:
    """Return a line of the chain once it is shown to be whole and in its place.

    Args:
        line: without its end of line.
        n: the number that it must have.
        before: the digest of the line before it.
        where: the chain's file.

    Raises:
        IntegrityError: ``chain_changed`` or ``chain_out_of_order``.
    """
    try:
        told = json.loads(line)
        fits = set(told) == set(_FIELDS) and all(
            type(told[name]) is kind for name, kind in _FIELDS.items()
        )
        entry = Entry(**told) if fits else None
    except (ValueError, TypeError, RecursionError):
        entry = None
    if entry is None or entry.line != line or not _is_inside(entry):
        raise IntegrityError("chain_changed", where=where, n=n)
    if entry.n != n or entry.before != before:
        raise IntegrityError("chain_out_of_order", where=where, n=n, found=entry.n)
    return entry


def _is_inside(entry: Entry) -> bool:
    """Tell whether an entry is of a kind that is known, and lies in the folder."""
    if entry.kind == ARCHIVE:
        return entry.path == ""
    parts = entry.path.split("/")
    return (
        entry.kind in KINDS and len(parts) > 1 and all(is_safe(part) for part in parts)
    )


def is_safe(name: str) -> bool:
    """Tell whether a text may be the name of a file or a folder on any system."""
    return len(name) <= _LONGEST_NAME and _NAME.fullmatch(name) is not None


def safe_name(text: str) -> str:
    """Return a name of a file for any text: what is not safe is told by its digest."""
    if is_safe(text) and len(text) <= 60:
        return text
    kept = re.sub(r"[^A-Za-z0-9._-]+", "_", text).strip("._-")[:40]
    digest = hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()[:10]
    return f"{kept}-{digest}" if kept else digest


def shown(text: str) -> str:
    """Return a text that any database can keep: no zero byte, no half character."""
    return "".join(
        "�" if sign == "\0" or 0xD800 <= ord(sign) < 0xE000 else sign for sign in text
    )


def key_of(text: str) -> str:
    """Return what a text is found by: case, width and blanks don't count."""
    key = " ".join(unicodedata.normalize("NFKC", shown(text)).casefold().split())
    if len(key) <= _LONGEST_KEY:
        return key
    digest = hashlib.sha256(key.encode()).hexdigest()[:16]
    return f"{key[:_LONGEST_KEY]}…{digest}"
