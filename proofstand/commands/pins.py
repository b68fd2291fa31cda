"""Options that ask who somebody is: a name, and their PIN by prompt, file or pipe.

A PIN is never an option of its own: options stand in the shell's history and in the
list of processes.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from proofstand.signoff.persons import AskPin

STDIN = "-"
_MOST_LINE = 4096


def pin_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--pin-from``, where the PIN of the person named by ``--by`` is read."""
    parser.add_argument(
        "--pin-from",
        metavar="FILE",
        help="their PIN, from the file's first line; - reads standard input "
        "(default: asked for at the terminal)",
    )


def new_pin_option(parser: argparse.ArgumentParser) -> None:
    """Add ``--new-pin-from``, where a PIN that is to count is read."""
    parser.add_argument(
        "--new-pin-from",
        metavar="FILE",
        help="the new PIN, from the file's first line; - reads standard input, after "
        "the other PIN (default: asked for twice at the terminal)",
    )


def asker(args: argparse.Namespace) -> AskPin:
    """Return what asks for the PIN of a person; a pipe is read at once, once.

    Raises:
        InputError: the file can't be read.
    """
    from proofstand.signoff.persons import no_pin

    if args.pin_from is not None:
        pin = line_of(args.pin_from)
        return lambda name: pin
    return _typed if _at_terminal() else no_pin


def new_pin(args: argparse.Namespace, name: str) -> str:
    """Return a PIN that is to count from now on.

    Raises:
        InputError: ``pins_differ``, or the file can't be read.
        RefusedError: ``pin_wanted``.
    """
    from records.errors import InputError, RefusedError

    if args.new_pin_from is not None:
        return line_of(args.new_pin_from)
    if not _at_terminal():
        raise RefusedError("pin_wanted", name=name)
    first = _typed(name, "New PIN")
    if _typed(name, "Again, new PIN") != first:
        raise InputError("pins_differ")
    return first


def _at_terminal() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()


def _typed(name: str, what: str = "PIN") -> str:
    from getpass import getpass

    from records.errors import RefusedError

    try:
        return getpass(f"{what} of {name}: ")
    except EOFError:
        raise RefusedError("pin_wanted", name=name) from None


def line_of(given: str) -> str:
    """Return the first line of a file, or the next one of standard input.

    Raises:
        InputError: it can't be read, or is no text.
    """
    from proofstand.signoff.keys import read_file
    from records.errors import InputError

    if given == STDIN:
        data = b"" if sys.stdin is None else sys.stdin.buffer.readline(_MOST_LINE)
        where = "standard input"
    else:
        data, where = read_file(Path(given), "file with a PIN"), given
    try:
        return data.split(b"\n")[0].removesuffix(b"\r").decode("utf-8")
    except UnicodeDecodeError:
        raise InputError("file_not_ours", where=where, what="file with a PIN") from None
