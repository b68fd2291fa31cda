"""What the commands share that write a signed note about a run."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from .options import by_option, json_option, out_option, say_not_kept
from .pins import pin_option

if TYPE_CHECKING:
    from proofstand.signoff.notes import Note


def note_options(parser: argparse.ArgumentParser, what: str, who: str) -> None:
    """Add what every such command takes.

    Args:
        parser: of the command.
        what: the note that is made.
        who: who makes it.
    """
    parser.add_argument("run_file", type=Path, metavar="RUN.h5")
    parser.add_argument("--why", required=True, metavar="REASON", help="why")
    out_option(parser, what)
    signing_options(parser, who)


def signing_options(parser: argparse.ArgumentParser, who: str) -> None:
    """Add who signs, by which key, and ``--json``."""
    by_option(parser, who, required=True)
    pin_option(parser)
    parser.add_argument(
        "--key",
        type=Path,
        metavar="FOLDER",
        help="folder of the key that sealed the run (default: the shop's)",
    )
    json_option(parser)


def tell(args: argparse.Namespace, note: Note, *more: str) -> int:
    """Keep what was made in the archive and say so."""
    from proofstand.keeping.made import keep_note

    say_not_kept(keep_note(args.run_file, args.out, note, by=args.by))
    if args.json:
        print(json.dumps(dict(note.facts), ensure_ascii=False))
        return 0
    by = note.facts["by"]
    shown = "shown by PIN" if by["proof"] == "PIN" else "name as typed"
    print(f"{args.out}: {note.what} of run {note.facts['run']['id']}")
    for line in more:
        print(f"  {line}")
    print(f"  by {note.by} ({shown}): {note.facts['why']}")
    print(f"  signed with the key of {note.owner} ({note.key_id[:16]})")
    if note.demo:
        print("  SIMULATED RIG, no regulator was tested")
    return 0
