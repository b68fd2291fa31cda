"""``records boundary``: what is read in a step, moved by hand, and judged anew."""

from __future__ import annotations

import argparse
import json
import time
from typing import TYPE_CHECKING, Any

from .archive_options import archive_options, home_of, key_option, opened
from .options import by_option, json_option
from .pins import pin_option
from .rejudge import as_json, kept_where_asked, lines

if TYPE_CHECKING:
    from proofstand.keeping.rejudge import Done

_HELP = "proofstand records boundary -h"


def add(actions: Any) -> None:
    """Add the command.

    Args:
        actions: of the records command.
    """
    parser = actions.add_parser(
        "boundary",
        help="move by hand from when to when a step is read, and judge anew",
        description="Judge a kept run with another begin or end of what is read in a "
        "step, and compare with the judgement that was kept last. Nothing is written, "
        "unless --keep is given: then the new judgement is kept beside the old, with "
        "who moved what and why; the record stays as it is. Pages are made of the "
        "record as it was tested, so a moved boundary makes no certificate. Exit 6 "
        "when the judgement was not kept.",
    )
    parser.add_argument("what", metavar="RUN|SERIAL|NUMBER")
    parser.add_argument("--step", required=True, metavar="ID", help="as lockup-1")
    parser.add_argument(
        "--begin",
        metavar="TIME",
        help="as 512.5 or 8:32.5, from the start of the step's part of the run",
    )
    parser.add_argument("--end", metavar="TIME", help="the same")
    parser.add_argument("--why", required=True, metavar="TEXT", help="the reason")
    parser.add_argument("--keep", action="store_true", help="keep the new judgement")
    by_option(parser, "who moves it", required=True)
    pin_option(parser)
    key_option(parser)
    archive_options(parser)
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Judge, perhaps keep, and say what comes out another."""
    from proofstand.keeping.acting import Place, judged_moved
    from proofstand.keeping.boundaries import Moved, seconds_of
    from proofstand.keeping.shown import runs_named
    from records.errors import EXIT_DONE, EXIT_REFUSED, InputError, RefusedError
    from records.people import Act

    if args.begin is None and args.end is None:
        why = "Say --begin, --end or both."
        raise InputError("usage", why=why, help=_HELP)
    if not args.by.strip():
        raise RefusedError("person_wanted", act=Act.REJUDGE.value)
    where = home_of(args)
    moved = Moved(
        step=args.step,
        begin_s=None if args.begin is None else seconds_of(args.begin, "--begin"),
        end_s=None if args.end is None else seconds_of(args.end, "--end"),
        by=" ".join(args.by.split()),
        why=args.why,
        utc_ns=time.time_ns(),
    )
    with opened(where) as index:
        found = list(runs_named(index, args.what))
        if len(found) != 1:
            named = ", ".join(each.run for each in found)
            why = f"That is {len(found)} runs ({named}); name one by its id."
            raise InputError("usage", why=why, help=_HELP)
        place = Place(folder=where.archive.folder, key=args.key)
        judged = judged_moved(place, index, found[0], moved)
        done: list[Done] = list(kept_where_asked(args, where, iter(judged)))
    if args.json:
        told = judged[0].data
        assert told is not None
        document = {**as_json(done), "boundaries": told["boundaries"]}
        print(json.dumps(document, ensure_ascii=False))
    else:
        print("\n".join(lines(args, done, where.archive.folder)))
    return EXIT_REFUSED if any(each.refused for each in done) else EXIT_DONE
