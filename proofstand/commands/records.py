"""``proofstand records``: put records into the archive, find, show and hand out."""

from __future__ import annotations

import argparse
import json
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from . import boundary, recall, record_notes, records_out, rejudge, trend
from .archive_options import archive_options, home_of, key_option, opened
from .options import Subparsers, by_option, end_progress, json_option, progress

if TYPE_CHECKING:
    from proofstand.keeping.keep import Added
    from records.archive.found import Query, RunFound

_FILTERS = {
    "serial": "serial as stamped; SERIAL* finds all that begin so",
    "model": "model",
    "gas": "service gas",
    "customer": "customer, as the job card's sender",
    "job": "number of the job",
    "plan": "id of the plan",
    "verdict": "verdict: pass, fail, incomplete, inconclusive, no limit",
    "technician": "who tested",
    "rig": "id of the rig",
}


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "records",
        help="records in the archive, and what is added to a run or a page",
        description="Records in the archive, and what is added to a run or a page "
        "after it was made. Nothing is overwritten.",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    adding = actions.add_parser(
        "add",
        help="keep a run with its certificates, or a record of the shop",
        description="Keep a run file with its judgement and the certificates given, or "
        "plans, approvals, rigs, calibrations, references, people, job cards, shift "
        "checks and public keys; or take back a bundle (.zip). All of it is kept or "
        "nothing; what is kept already is not kept twice.",
    )
    adding.add_argument("files", nargs="+", type=Path, metavar="FILE")
    by_option(adding, "who adds it")
    key_option(adding)
    _common(adding, run_add)
    finding = actions.add_parser(
        "find",
        help="find runs by serial, model, technician, verdict, cause, finding, day",
        description="Find runs, newest first. Letters' case and width don't count.",
    )
    _filters(finding)
    finding.add_argument(
        "--most", type=int, default=50, metavar="N", help="on a page (default 50)"
    )
    finding.add_argument(
        "--after", default="", metavar="NEXT", help="the page after that one"
    )
    finding.add_argument(
        "--summary", action="store_true", help="counts by month and model instead"
    )
    _common(finding, run_find)
    showing = actions.add_parser(
        "show",
        help="what is kept of a run, a serial or a certificate's number",
        description="Show what is kept of a run, of all runs of a serial, or of the "
        "run that a certificate is of.",
    )
    showing.add_argument("what", metavar="RUN|SERIAL|NUMBER")
    _common(showing, run_show)
    comment = actions.add_parser(
        "comment",
        help="add a remark to a run",
        description="Keep a remark on a run. Nothing that is kept is changed by it.",
    )
    comment.add_argument("what", metavar="RUN")
    comment.add_argument("text", metavar="TEXT")
    by_option(comment, "who says it", required=True)
    key_option(comment)
    _common(comment, run_comment)
    check = actions.add_parser(
        "check",
        help="look over the whole archive, every byte",
        description="Finish what a writer that died had begun, then check the archive "
        "as verify does, with the shop's own key unless --key names another.",
    )
    check.add_argument(
        "--key",
        action="append",
        type=Path,
        metavar="PUBLIC.pem",
        help="public key that may have signed, or its folder; may be given again",
    )
    check.add_argument(
        "--noted",
        default="",
        metavar="SHA256",
        help="digest of a line that was the chain's last one once",
    )
    _common(check, run_check)
    records_out.add(actions, _day)
    recall.add(actions, _day)
    rejudge.add(actions, _filters)
    boundary.add(actions)
    trend.add(actions, _filters)
    record_notes.add_all(actions)


def _filters(parser: argparse.ArgumentParser) -> None:
    """Add the options that choose runs."""
    for name, what in _FILTERS.items():
        parser.add_argument(f"--{name}", default="", metavar="TEXT", help=what)
    parser.add_argument(
        "--from", dest="since", type=_day, metavar="DAY", help="tested on or after"
    )
    parser.add_argument("--to", type=_day, metavar="DAY", help="tested on or before")
    parser.add_argument(
        "--cause", default="", metavar="FAULT", help="suspected, as simulate lists it"
    )
    parser.add_argument(
        "--found",
        action="append",
        default=[],
        metavar="WHAT",
        help="a finding, as 'lockup_rise >= 0.5 kPa', 'seat_leak@creep-hold <= 2 std "
        "cm3/min' or 'set_pressure = fail'; may be given again",
    )
    only = parser.add_mutually_exclusive_group()
    only.add_argument("--simulated", action="store_true", help="simulated rigs only")
    only.add_argument("--real", action="store_true", help="real rigs only")


def _common(parser: argparse.ArgumentParser, run: Any) -> None:
    archive_options(parser)
    json_option(parser)
    parser.set_defaults(run=run)


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text!a} is not a day such as 2026-03-02"
        ) from None


# --- add, comment --------------------------------------------------------------------


def run_add(args: argparse.Namespace) -> int:
    """Keep files and say where they lie."""
    from proofstand.keeping.bundle import is_bundle
    from proofstand.keeping.home import head_key, who_typed
    from proofstand.keeping.keep import add as keep
    from proofstand.keeping.taken_back import add_bundle
    from records.errors import InputError

    where, key, who = home_of(args), head_key(args.key), who_typed(args.by)
    bundles = [path for path in args.files if is_bundle(path)]
    if bundles and len(args.files) > 1:
        why = "Give one bundle at a time, and nothing with it."
        raise InputError("usage", why=why, help="proofstand records add -h")
    if bundles:
        added = add_bundle(where.archive, bundles[0], key=key, who=who)
    else:
        added = keep(where.archive, args.files, key=key, who=who)
    print_added(args, where.archive.folder, added)
    return 0


def print_added(args: argparse.Namespace, folder: Path, added: Added) -> None:
    """Say what was added to the archive."""
    if args.json:
        document = {
            "schema": "proofstand.records-added/1",
            "archive": str(folder),
            "run": added.run or None,
            "files": [
                {
                    "path": kept.path,
                    "n": kept.entry.n if kept.entry is not None else None,
                    "new": kept.entry is not None,
                }
                for kept in added.kept
            ],
        }
        print(json.dumps(document, ensure_ascii=False))
        return
    for kept in added.kept:
        said = f"record {kept.entry.n}" if kept.entry is not None else "kept already"
        print(f"{folder / kept.path}: {said}")


def run_comment(args: argparse.Namespace) -> int:
    """Keep a remark."""
    from proofstand.keeping.home import head_key, who_typed
    from proofstand.keeping.keep import comment

    where = home_of(args)
    added = comment(
        where.archive,
        args.what,
        args.text,
        key=head_key(args.key),
        who=who_typed(args.by),
    )
    print_added(args, where.archive.folder, added)
    return 0


# --- find ----------------------------------------------------------------------------


def run_find(args: argparse.Namespace) -> int:
    """Print a page of runs, or counts."""
    from proofstand.keeping.shown import rejected_runs

    query = query_of(args)
    with opened(home_of(args)) as index:
        if args.summary:
            return _print_summary(args, index)
        page = index.page(query)
        rejected = rejected_runs(index)
    if args.json:
        document = {
            "schema": "proofstand.records-found/1",
            "runs": [run_json(run, rejected) for run in page.runs],
            "next": page.next or None,
        }
        print(json.dumps(document, ensure_ascii=False))
        return 0
    for run in page.runs:
        print(run_line(run, rejected))
    if not page.runs:
        print("No run was found.")
    if page.next:
        print(f"More: add --after {page.next}")
    return 0


def query_of(args: argparse.Namespace) -> Query:
    """Return which runs the options mean.

    Raises:
        InputError: ``value_wrong``.
    """
    from proofstand.keeping.wanted import cause_wanted, findings_wanted
    from records.archive.found import MOST, Query, read_after
    from records.errors import InputError

    if not 1 <= args.most <= MOST:
        raise InputError(
            "value_wrong", key="--most", given=args.most, right=f"1 to {MOST}"
        )
    if args.after:
        read_after(args.after)
    simulated = True if args.simulated else False if args.real else None
    given = {name: getattr(args, name) for name in _FILTERS}
    return Query(
        wanted={name: text for name, text in given.items() if text},
        since_ns=None if args.since is None else day_ns(args.since),
        before_ns=None if args.to is None else day_ns(args.to + timedelta(days=1)),
        cause=cause_wanted(args.cause),
        findings=findings_wanted(args.found),
        simulated=simulated,
        most=args.most,
        after=args.after,
    )


def day_ns(day: date) -> int:
    """Return when a day begins here, UTC nanoseconds."""
    from proofstand.keeping.times import begin_of

    return begin_of(day)


def _print_summary(args: argparse.Namespace, index: Any) -> int:
    first = "" if args.since is None else f"{args.since:%Y-%m}"
    last = "9999-99" if args.to is None else f"{args.to:%Y-%m}"
    counts = index.summary(first, last, simulated=args.simulated)
    if args.json:
        document = {
            "schema": "proofstand.records-summary/1",
            "simulated": args.simulated,
            "counts": [
                {
                    "month": count.month,
                    "model": count.model,
                    "verdict": count.verdict,
                    "runs": count.runs,
                }
                for count in counts
            ],
        }
        print(json.dumps(document, ensure_ascii=False))
        return 0
    from proofstand.display import plain

    for count in counts:
        model = plain(count.model) or "no model"
        print(f"{count.month}  {model:24} {count.verdict:13} {count.runs:7d}")
    if not counts:
        kind = "of simulated rigs" if args.simulated else "of real rigs"
        print(f"No run {kind} is kept.")
    return 0


def run_json(run: RunFound, rejected: frozenset[str]) -> dict[str, Any]:
    """Return a run that was found as JSON; ``rejected``: ids of all that were."""
    return {
        "run": run.run,
        "serial": run.serial,
        "model": run.model,
        "gas": run.gas,
        "customer": run.customer,
        "job": run.job,
        "plan": run.plan,
        "plan_version": run.plan_version,
        "rig": run.rig,
        "station": run.station,
        "by": run.tested_by,
        "started": moment(run.started_ns, utc=True),
        "simulated": run.simulated,
        "verdict": run.verdict,
        "rejected": run.run in rejected,
        "certificate": run.certificate or None,
        "title": run.title or None,
    }


def moment(utc_ns: int, *, utc: bool = False) -> str:
    """Return a moment, local with its offset, or UTC for programs."""
    from proofstand.keeping.times import shown_moment

    return shown_moment(utc_ns, utc=utc)


def run_line(run: RunFound, rejected: frozenset[str]) -> str:
    """Return a run that was found as a line; ``rejected``: ids of all that were."""
    from proofstand.keeping.shown import run_line as line_of

    return line_of(run, rejected)


# --- show ----------------------------------------------------------------------------


def run_show(args: argparse.Namespace) -> int:
    """Print what is kept of a run, a serial or a certificate."""
    from proofstand.keeping.shown import (
        rejected_runs,
        runs_named,
        show_json,
        show_lines,
    )

    where = home_of(args)
    with opened(where) as index:
        runs = runs_named(index, args.what)
        rejected = rejected_runs(index)
        if args.json:
            document = {
                "schema": "proofstand.records-shown/1",
                "archive": str(where.archive.folder),
                "runs": [
                    run_json(run, rejected) | show_json(index, where.archive, run)
                    for run in runs
                ],
            }
            print(json.dumps(document, ensure_ascii=False))
            return 0
        for run in runs:
            print(run_line(run, rejected))
            print("\n".join(show_lines(index, where.archive, run)))
    return 0


# --- check ---------------------------------------------------------------------------


def run_check(args: argparse.Namespace) -> int:
    """Check the archive and print what was found."""
    from proofstand.keeping.checked import check_archive
    from proofstand.keeping.home import settle_if_possible
    from proofstand.signoff.heads import known_places

    from .verify_archive import exit_of, print_checked

    archive = home_of(args).archive
    keys = args.key or []
    if not keys and args.archive is None:
        keys = list(known_places())
    archive.head()
    settle_if_possible(archive)

    def told(done: int, of: int) -> None:
        progress(f"{done} of {of} files")

    checked = check_archive(archive, keys, noted=args.noted, told=told)
    end_progress()
    print_checked(checked, as_json=args.json)
    return exit_of(checked)
