"""``records recall``: what leans on a calibration that was found out of tolerance."""

from __future__ import annotations

import argparse
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .archive_options import archive_options, home_of, opened
from .options import by_option, end_progress, json_option, progress
from .pins import asker, pin_option
from .working import workers_of, working_options

if TYPE_CHECKING:
    from proofstand.keeping.recall import Marked, Recalled, Wanted


def add(actions: Any, day: Any) -> None:
    """Add the command.

    Args:
        actions: of the records command.
        day: reads a day.
    """
    parser = actions.add_parser(
        "recall",
        help="a calibration was out of tolerance: which runs, verdicts and customers",
        description="List every kept run since the last good record that leans on a "
        "channel or a reference which was found out of tolerance, judge each anew with "
        "the error taken off, and say which verdicts and findings would come out "
        "another, and whom to tell. Nothing is written, unless --mark is given: then "
        "the papers of those runs are put under review and a record of the recall is "
        "kept, signed for by a quality lead; given again it adds only what is new. "
        "Exit 5 when a run is damaged, 6 without a good record or the right role.",
    )
    of = parser.add_mutually_exclusive_group(required=True)
    of.add_argument(
        "--calibration",
        default="",
        metavar="ID|CAL.toml",
        help="the calibration whose readings as found were out of tolerance",
    )
    of.add_argument(
        "--channel", default="", metavar="RIG/ID", help="a channel, its error given"
    )
    of.add_argument(
        "--reference",
        default="",
        metavar="ID",
        help="an instrument that channels were calibrated against, its error given",
    )
    parser.add_argument(
        "--zero", metavar="E", help='it read high by that, as "0.05 psi difference"'
    )
    parser.add_argument(
        "--span", metavar="E", help='it read high by that share, as "0.4 %%"'
    )
    parser.add_argument(
        "--at",
        action="append",
        default=[],
        metavar="VALUE=E",
        help='it read high by that there, as "100 psi gauge=0.4 psi difference"; given '
        "again for other values, straight lines between",
    )
    parser.add_argument(
        "--since",
        type=day,
        metavar="DAY",
        help="last good day (default: of the last good record in the archive)",
    )
    parser.add_argument(
        "--until",
        type=day,
        metavar="DAY",
        help="last day to look at (default: of the calibration, else today)",
    )
    parser.add_argument(
        "--simulated", action="store_true", help="simulated rigs' runs instead"
    )
    parser.add_argument(
        "--customers", type=Path, metavar="FILE.csv", help="write whom to tell"
    )
    parser.add_argument(
        "--mark",
        action="store_true",
        help="put the papers under review and keep a record of the recall",
    )
    parser.add_argument(
        "--every",
        action="store_true",
        help="papers and customers of all runs, not only of those that change",
    )
    parser.add_argument("--why", default="", metavar="TEXT", help="with --mark: why")
    by_option(parser, "with --mark: quality lead who signs for it")
    pin_option(parser)
    parser.add_argument(
        "--key",
        type=Path,
        metavar="FOLDER",
        help="folder of the key that signed the papers (default: the shop's)",
    )
    working_options(parser)
    archive_options(parser)
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Look, perhaps mark, and say what was found."""
    from proofstand.keeping.home import head_key
    from proofstand.keeping.recall import customers_csv, look, look_up, mark
    from proofstand.signoff.notes import reason_of
    from records.errors import EXIT_DONE, EXIT_INTEGRITY, InputError
    from records.runfile import check_place, write_once

    wanted = _wanted(args)
    if args.customers is not None:
        check_place(args.customers, "list of customers")
    if args.mark:
        reason_of(args.why)
    elif args.why or args.by:
        why = "--why and --by go with --mark; without it nothing is written."
        raise InputError("usage", why=why, help="proofstand records recall -h")
    where = home_of(args)
    today = datetime.now(tz=UTC).astimezone().date()
    with opened(where) as index:
        found = look_up(index, where.archive, wanted, today)
        recalled = look(
            index,
            where.archive,
            found,
            lambda done: progress(f"{done} runs judged anew"),
            lambda runs: workers_of(args, runs),
        )
    end_progress()
    marked = None
    if args.mark:
        marked = mark(
            where.archive,
            recalled,
            why=args.why,
            by=args.by,
            head=head_key(args.key if args.simulated else None),
            every=args.every,
            ask=asker(args),
            key_folder=args.key,
        )
    if args.customers is not None:
        table = customers_csv(recalled.named(every=args.every))
        write_once(args.customers, table.encode("utf-8"), "list of customers")
    if args.json:
        print(json.dumps(_as_json(args, recalled, marked), ensure_ascii=False))
    else:
        print("\n".join(_lines(args, recalled, marked)))
    damaged = any(
        each.trouble is not None and each.trouble.exit_code == EXIT_INTEGRITY
        for each in recalled.runs
    )
    return EXIT_INTEGRITY if damaged else EXIT_DONE


def _wanted(args: argparse.Namespace) -> Wanted:
    from proofstand.keeping.recall_wanted import wanted_of

    return wanted_of(
        calibration=args.calibration,
        channel=args.channel,
        reference=args.reference,
        zero=args.zero or "",
        span=args.span or "",
        at=args.at,
        since=args.since,
        until=args.until,
        simulated=args.simulated,
    )


# --- what is said --------------------------------------------------------------------


def _as_json(
    args: argparse.Namespace, recalled: Recalled, marked: Marked | None
) -> dict[str, Any]:
    from proofstand.keeping.recall import found_json, to_tell
    from proofstand.keeping.rejudging import rejudged_json
    from proofstand.report import trouble_json
    from proofstand.words.sentences import trouble

    found = recalled.found
    rows = to_tell(recalled.named(every=args.every))
    return {
        "schema": "proofstand.recalled/1",
        "recall": found.id,
        "found": found_json(found),
        "since": found.since.isoformat(),
        "until": found.until.isoformat(),
        "runs": [rejudged_json(each) for each in recalled.runs],
        "customers": [
            {
                "customer": row.customer,
                "serial": row.run.serial,
                "run": row.run.run.run,
                "paper": None if row.paper is None else row.paper.number,
            }
            for row in rows
        ],
        "troubles": [
            {"run": each.run.run, **trouble_json(trouble(each.trouble))}
            for each in recalled.runs
            if each.trouble is not None
        ],
        "marked": None
        if marked is None
        else {
            "record": None if marked.place is None else str(marked.place),
            "new": list(marked.marked),
            "before": list(marked.before),
            "not_marked": [
                {"number": each.number, "why": each.why} for each in marked.not_marked
            ],
        },
    }


def _lines(
    args: argparse.Namespace, recalled: Recalled, marked: Marked | None
) -> list[str]:
    from proofstand.display import plain
    from proofstand.keeping.rejudging import rejudged_lines

    found = recalled.found
    good = f" ({plain(found.good)})" if found.good else ""
    said = [
        f"Recall {found.id}: {plain(found.told)}",
        f"  last good {found.since}{good}; looked at to {found.until}",
    ]
    for each in recalled.runs:
        said += rejudged_lines(each)
    turned = sum(each.turns for each in recalled.runs if each.trouble is None)
    unread = sum(each.trouble is not None for each in recalled.runs)
    runs = len({each.run.run for each in recalled.runs})
    said.append(
        f"{runs} runs lean on it: {turned} verdicts would come out another, "
        f"{len(recalled.affected) - turned - unread} runs with other findings alone, "
        f"{unread} can't be judged."
    )
    if recalled.runs:
        said.append(
            "The whole error was taken off each; when it came about is not known."
        )
    said += _customer_lines(args, recalled)
    return said + (_dry_lines() if marked is None else _marked_lines(marked))


def _customer_lines(args: argparse.Namespace, recalled: Recalled) -> list[str]:
    from proofstand.display import plain
    from proofstand.keeping.recall import to_tell

    rows = to_tell(recalled.named(every=args.every))
    said = ["Whom to tell:"] if rows else ["Nobody has to be told."]
    for row in rows:
        paper = "no paper was made"
        if row.paper is not None:
            paper = f"{row.paper.title} {row.paper.number}"
        customer = plain(row.customer) or "customer not on the card"
        said.append(f"  {customer}: {plain(row.run.serial)}, {plain(paper)}")
    if args.customers is not None:
        said.append(f"{args.customers}: written")
    return said


def _dry_lines() -> list[str]:
    return [
        "Nothing was written. To put the papers under review: the same with --mark "
        "--why REASON --by LEAD."
    ]


def _marked_lines(marked: Marked) -> list[str]:
    from proofstand.display import plain

    said = [f"under review: {plain(number)}" for number in marked.marked]
    said += [f"already so by this recall: {plain(n)}" for n in marked.before]
    said += [
        f"NOT marked: {plain(each.number)} ({each.why}). Tell its owner another way."
        for each in marked.not_marked
    ]
    if marked.note is None:
        said.append(f"{marked.place}: kept before, nothing is new")
    else:
        said.append(f"{marked.place}: the recall is on record")
    return said
