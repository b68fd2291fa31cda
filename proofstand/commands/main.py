"""The command line: ``proofstand …``. The only room that knows argparse.

Each command is a module with ``add(subparsers)`` and ``run(args) -> exit code``; what
is heavy is imported when a command runs, so that ``--help`` stays quick.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Any, NoReturn

from records.errors import EXIT_INTERRUPTED, InputError, OurFault, ProofstandError

# What is typed, and the module that it is in, in the order of the help page.
COMMANDS = {
    "demo": "demo",
    "record": "record",
    "recover": "recover",
    "simulate": "simulate",
    "serve": "serve",
    "import": "import_log",
    "judge": "judge",
    "certify": "certify",
    "verify": "verify",
    "notice": "notice",
    "print": "print_labels",
    "records": "records",
    "archive": "archive",
    "window": "window",
    "plan": "plan",
    "job": "job",
    "people": "people",
    "keys": "keys",
    "rig": "rig",
    "drill": "drill",
}


_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


class _Parser(argparse.ArgumentParser):
    """Says a usage error like every other trouble."""

    def error(self, message: str) -> NoReturn:
        raise InputError(
            "usage", why=message[:1].upper() + message[1:] + ".", help=f"{self.prog} -h"
        )


class _Version(argparse.Action):
    """Says the version; what finds it out is imported only then."""

    def __init__(self, option_strings: Sequence[str], dest: str, **more: Any) -> None:
        super().__init__(option_strings, dest, nargs=0, help=more.get("help"))

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        """Print it and stop."""
        from proofstand.version import VERSION

        print(f"proofstand {VERSION}")
        parser.exit()


def parser(wanted: str = "") -> argparse.ArgumentParser:
    """Return the parser with its commands.

    Args:
        wanted: a command; then that one alone is loaded. Else all are.
    """
    top = _Parser(
        prog="proofstand",
        description="Bench tests of rebuilt gas regulators: record, judge, keep.",
        epilog="Not a safety device. Relief valve and stop are on the rig.",
    )
    top.add_argument("--version", action=_Version, help="show the version and stop")
    commands = top.add_subparsers(
        dest="command", metavar="COMMAND", required=True, parser_class=_Parser
    )
    for name in (wanted,) if wanted in COMMANDS else COMMANDS:
        import_module(f".{COMMANDS[name]}", __package__).add(commands)
    return top


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    # Sums shared out over threads round differently; a run is judged the same
    # everywhere: on one thread, said before the libraries are loaded.
    os.environ |= dict.fromkeys(_THREADS, "1")
    given = list(sys.argv[1:] if arguments is None else arguments)
    wants_json = "--json" in given
    try:
        if sys.stdout is None:
            sys.stdout = open(os.devnull, "w", encoding="utf-8")
        # it is to begin at once: no time for the options of the others
        args = parser(given[0] if given else "").parse_args(given)
        code: int = args.run(args)
        sys.stdout.flush()
        return code
    except KeyboardInterrupt:
        print("Interrupted. What was recorded is kept.", file=sys.stderr)
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # The reader of our output went away; nothing more can be told to it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_INTERRUPTED
    except ProofstandError as error:
        return tell(error, wants_json)
    except Exception as error:  # the last wall: a person never sees a traceback
        from proofstand.log import log_path, start_log

        start_log().exception("unexpected fault")
        fault = OurFault(
            "our_fault", why=f"{type(error).__name__}: {error}", log=log_path()
        )
        return tell(fault, wants_json)


def tell(error: ProofstandError, as_json: bool) -> int:
    """Print an error for a person or as JSON and return its exit code."""
    from proofstand.report import trouble_json
    from proofstand.words.sentences import trouble

    told = trouble(error)
    if as_json:
        print(json.dumps(trouble_json(told), ensure_ascii=False))
    else:
        place = f"{told.where}: " if told.where else ""
        print(f"{place}{told.what} {told.do}", file=sys.stderr)
    return told.exit_code


def entry() -> NoReturn:
    """Run as a program."""
    sys.exit(main())
