"""What goes between a recorder and whoever watches it, as text.

Plain data only: a line of JSON that says what it is, then the thing itself as JSON,
checked when it is read. What is in the journal is not told again: each event names the
length that the journal had, so that it falls among the records as it did when it was
told.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from records.errors import ERROR_CLASSES, ProofstandError
from records.judgement import Judgement
from records.tomlfile import from_json, to_json

from .procedure.engine import (
    Abandon,
    Acknowledge,
    Answer,
    Command,
    Declare,
    Hear,
    Repeat,
    Skip,
)
from .session import Asked, Closed, Judged, Troubled

LONGEST = 1 << 24  # bytes of one message


@dataclass(frozen=True, slots=True)
class Sealed:
    """The run file is made, checked and judged.

    Attributes:
        out: the run file. sha256: the run's hash. key_id: of its signature, or "".
        judgement: made from the file.
        key_folder: of the key that sealed it, or None.
    """

    out: Path
    sha256: str
    key_id: str
    judgement: Judgement
    key_folder: Path | None = None


@dataclass(frozen=True, slots=True)
class Ended:
    """The recorder has nothing more to tell."""


@dataclass(frozen=True, slots=True)
class Written:
    """The journal has grown; nothing is told before it that comes later here."""


Told = Asked | Judged | Closed | Troubled | Sealed | Ended | Written

_EVENTS = {
    "written": Written,
    "asked": Asked,
    "judged": Judged,
    "closed": Closed,
    "sealed": Sealed,
    "ended": Ended,
}
_COMMANDS: dict[str, type[Command]] = {
    "acknowledge": Acknowledge,
    "answer": Answer,
    "skip": Skip,
    "repeat": Repeat,
    "declare": Declare,
    "hear": Hear,
    "abandon": Abandon,
}
_ERRORS = {each.__name__: each for each in ERROR_CLASSES}


def event_text(event: Told, at: int) -> bytes:
    """Return an event as text.

    Args:
        event: what is told.
        at: bytes that the journal had then.
    """
    if isinstance(event, Troubled):
        return _text("troubled", _error_json(event.error), at=at)
    kind = next(name for name, type_ in _EVENTS.items() if type(event) is type_)
    return _text(kind, to_json(event), at=at)


def read_event(text: bytes) -> tuple[Told, int]:
    """Return an event and the length of the journal at which it was told.

    Raises:
        ValueError: it is none of ours.
    """
    head, body = _parted(text)
    at = int(head["at"])
    if head["kind"] == "troubled":
        return Troubled(_read_error(body)), at
    type_ = _EVENTS.get(head["kind"])
    if type_ is None:
        raise ValueError(f"no event is called {head['kind']!r}")
    event: Told = from_json(body, type_)
    return event, at


def command_text(command: Command) -> bytes:
    """Return a command as text."""
    kind = next(name for name, type_ in _COMMANDS.items() if type(command) is type_)
    return _text(kind, to_json(command))


def read_command(text: bytes) -> Command:
    """Return a command.

    Raises:
        ValueError: it is none of ours.
    """
    head, body = _parted(text)
    type_ = _COMMANDS.get(head["kind"])
    if type_ is None:
        raise ValueError(f"no command is called {head['kind']!r}")
    return from_json(body, type_)


def _error_json(error: ProofstandError) -> bytes:
    """Return a trouble as JSON: its class, id, place and facts."""
    told = {
        "class": type(error).__name__,
        "id": error.id,
        "where": error.where,
        "facts": dict(error.facts),
    }
    return json.dumps(told).encode()


def _read_error(text: bytes) -> ProofstandError:
    """Return a trouble.

    Raises:
        ValueError: it is none of ours.
    """
    told = json.loads(text)
    try:
        type_ = _ERRORS[told["class"]]
        return type_(told["id"], where=str(told["where"]), **told["facts"])
    except (KeyError, TypeError) as error:
        raise ValueError(f"no trouble of ours: {error}") from None


def _text(kind: str, body: bytes, **more: int) -> bytes:
    return json.dumps({"kind": kind, **more}).encode() + b"\n" + body


def _parted(text: bytes) -> tuple[dict[str, str], bytes]:
    head, _, body = text.partition(b"\n")
    try:
        told = json.loads(head)
        return {"kind": str(told["kind"]), "at": str(told.get("at", 0))}, body
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"no message of ours: {error}") from None
