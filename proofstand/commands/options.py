"""Options that several commands share."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from proofstand.session import SessionEvent
    from records.errors import ProofstandError

Subparsers = Any  # argparse gives its sub-parsers no public type


def json_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--json``."""
    parser.add_argument("--json", action="store_true", help="print JSON for programs")


def out_option(parser: argparse.ArgumentParser, what: str) -> None:
    """Add ``--out``, a file that must not exist yet."""
    parser.add_argument(
        "--out",
        required=True,
        type=Path,
        metavar="FILE",
        help=f"{what}; must not exist",
    )


MOST_NAME = 96  # characters of a person's name


def by_option(
    parser: argparse.ArgumentParser, what: str, *, required: bool = False
) -> None:
    """Add ``--by``, the name of a person as it will stand on the paper."""
    parser.add_argument(
        "--by", default="", required=required, metavar="NAME", help=what, type=_name
    )


def _name(text: str) -> str:
    return checked_name(text, "--by")


def checked_name(text: str, key: str) -> str:
    """Return a person's name that can stand on a paper.

    Args:
        text: as it was given.
        key: what it was given as.

    Raises:
        InputError: ``value_wrong``: too long, or of signs that can't be printed, such
            as those that turn the direction of reading.
    """
    from records.errors import InputError

    if len(text) > MOST_NAME or not text.isprintable():
        raise InputError(
            "value_wrong",
            key=key,
            given=ascii(text[:MOST_NAME]),
            right=f"one line of at most {MOST_NAME} characters that can be printed",
        )
    return text


def label_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--label``, what was scanned from the regulator's job label."""
    parser.add_argument(
        "--label",
        default="",
        metavar="TEXT",
        help="what the scanned job label says; it has to be one of the card's",
    )


def people_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--people``, the list of who may work on which gas."""
    parser.add_argument(
        "--people",
        type=Path,
        metavar="PEOPLE.toml",
        help="who may work on which gas (default: the shop's people.toml, if any)",
    )


def key_options(parser: argparse.ArgumentParser, otherwise: str) -> None:
    """Add ``--key`` and ``--unsigned``, of which one may be given.

    Args:
        parser: of the command.
        otherwise: what is used when neither is given.
    """
    either = parser.add_mutually_exclusive_group()
    either.add_argument(
        "--key",
        type=Path,
        metavar="FOLDER",
        help=f"folder of the key that seals the run (default: {otherwise})",
    )
    either.add_argument(
        "--unsigned", action="store_true", help="seal the run without a key"
    )


def refuse_existing(path: Path, what: str) -> None:
    """Refuse an output path that is taken or has no folder, before any work is done.

    Raises:
        InputError: ``file_exists`` or ``file_unwritable``.
    """
    from records.runfile import check_place

    check_place(path, what)


def progress(line: str) -> None:
    """Show how far a long command got, to a person only."""
    if sys.stderr.isatty():
        print(f"\r\x1b[K{line}", end="", file=sys.stderr, flush=True)


def end_progress() -> None:
    """Clear the progress line."""
    if sys.stderr.isatty():
        print("\r\x1b[K", end="", file=sys.stderr, flush=True)


def say_not_kept(error: ProofstandError | None) -> None:
    """Say why something that was made is not in the archive yet, if it is not."""
    if error is None:
        return
    from proofstand.words.sentences import trouble

    told = trouble(error)
    place = f"{told.where}: " if told.where else ""
    print(f"{place}{told.what} {told.do}", file=sys.stderr)


class EndAsked:
    """Ctrl-C, a polite end signal or a closed terminal, taken between two blocks.

    An exception thrown into whatever code happens to run can be swallowed there; a
    flag that the loop looks at can't. A second signal does not wait.
    """

    def __init__(self) -> None:
        import signal

        self.asked = False
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            if hasattr(signal, name):  # Windows has no SIGHUP
                signal.signal(getattr(signal, name), self._take)

    def _take(self, *_: object) -> None:
        if self.asked:
            raise KeyboardInterrupt
        self.asked = True

    def look(self) -> None:
        """Raise when an end was asked for.

        Raises:
            KeyboardInterrupt: it was.
        """
        if self.asked:
            raise KeyboardInterrupt


class NotedInterrupt:
    """Ctrl-C thrown at once, and remembered in case it was swallowed where it struck.

    For a command that mostly waits for a person to type: there it has to end at once,
    and a flag alone would wait for the line.
    """

    def __init__(self) -> None:
        import signal
        import threading

        self._noted = False
        if threading.current_thread() is threading.main_thread():
            signal.signal(signal.SIGINT, self._take)

    def _take(self, *_: object) -> None:
        self._noted = True
        raise KeyboardInterrupt

    def check(self) -> None:
        """Raise when Ctrl-C came and was lost.

        Raises:
            KeyboardInterrupt: it did.
        """
        if self._noted:
            raise KeyboardInterrupt


def step_progress(event: SessionEvent) -> None:
    """Tell on the terminal which step a simulated test has come to."""
    from proofstand.session import Marked
    from records.run import MarkKind

    if isinstance(event, Marked) and event.mark.kind is MarkKind.STEP_BEGIN:
        progress(f"{event.mark.t_s:7.1f} s of rig time, step {event.mark.step}")
