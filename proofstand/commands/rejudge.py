"""``records rejudge``: what kept runs would say today, kept beside the old."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from .archive_options import archive_options, home_of, key_option, opened
from .options import by_option, end_progress, json_option
from .pins import asker, pin_option
from .working import TimeLeft, workers_of, working_options

if TYPE_CHECKING:
    from pathlib import Path

    from proofstand.keeping.anew import Rejudged
    from proofstand.keeping.home import Home
    from proofstand.keeping.rejudge import Done
    from records.archive.found import RunFound
    from records.archive.index import Index

_RULES = ("simple", "guarded", "conditional", "risk")
_HELP = "proofstand records rejudge -h"


def add(actions: Any, filters: Any) -> None:
    """Add the command.

    Args:
        actions: of the records command.
        filters: adds the options that choose runs.
    """
    parser = actions.add_parser(
        "rejudge",
        help="judge kept runs anew, by another plan version or rule where asked",
        description="Judge kept runs anew and compare with the judgement that was kept "
        "last. Nothing is written, unless --keep is given: then each judgement that "
        "says another thing is kept beside the old, which stays. One that turns a fail "
        "into a pass is kept only by a quality lead who neither recorded the run nor "
        "issued a page of its fail. Certificates are never changed by it. Exit 5 when "
        "a run is damaged, 6 when a judgement was not kept.",
    )
    parser.add_argument("what", nargs="*", metavar="RUN|SERIAL|NUMBER")
    filters(parser)
    parser.add_argument("--all", action="store_true", help="all runs that are kept")
    by = parser.add_mutually_exclusive_group()
    by.add_argument(
        "--with", dest="version", default="", metavar="PLAN", help="by this version"
    )
    by.add_argument(
        "--rule",
        choices=_RULES,
        help="by this decision rule throughout; to keep it, approve a plan version",
    )
    parser.add_argument("--keep", action="store_true", help="keep the new judgements")
    working_options(parser)
    by_option(parser, "with --keep: who keeps them")
    pin_option(parser)
    key_option(parser)
    archive_options(parser)
    json_option(parser)
    parser.set_defaults(run=run, most=1000, after="")


def run(args: argparse.Namespace) -> int:
    """Judge, perhaps keep, and say what comes out another."""
    from dataclasses import replace

    from proofstand.keeping.rejudge import ByRule, by_version
    from proofstand.keeping.rejudging import rejudged
    from proofstand.keeping.unfinished import Unfinished
    from proofstand.report import combined_exit
    from records.errors import (
        EXIT_INTEGRITY,
        EXIT_OUR_FAULT,
        EXIT_REFUSED,
        InputError,
    )

    if args.keep and args.rule:
        why = "A rule is kept by a plan version that names it: approve one, --with it."
        raise InputError("usage", why=why, help=_HELP)
    if args.by and not args.keep:
        raise InputError("usage", why="--by goes with --keep.", help=_HELP)
    version = by_version(args.version) if args.version else None
    plan_for = ByRule(args.rule) if args.rule else version
    text = "" if version is None else version.text
    where = home_of(args)
    unfinished = Unfinished("" if plan_for is None else plan_for.question)
    done: list[Done] = []
    with opened(where) as index:
        chosen = list(_chosen(args, index))
        left = TimeLeft(len(chosen))
        judged = rejudged(
            index,
            where.archive,
            chosen,
            plan_for=plan_for,
            workers=workers_of(args, len(chosen)),
            unfinished=unfinished,
        )
        for each in kept_where_asked(args, where, judged, text):
            # what was kept is kept; all of them at once would be large
            done.append(replace(each, of=replace(each.of, data=None)))
            left.see(each.of.run.run, unfinished.taken_over)
    unfinished.finished()
    end_progress()
    if unfinished.taken_over:
        known = unfinished.taken_over
        print(f"{known} runs were known from an interrupted time.", file=sys.stderr)
    if args.json:
        print(json.dumps(as_json(done), ensure_ascii=False))
    else:
        print("\n".join(lines(args, done, where.archive.folder)))
    troubles = [each.of.trouble for each in done if each.of.trouble is not None]
    grave = (EXIT_OUR_FAULT, EXIT_INTEGRITY)
    codes = [t.exit_code for t in troubles if t.exit_code in grave]
    if any(each.refused for each in done):
        codes.append(EXIT_REFUSED)
    return combined_exit(codes)


def _chosen(args: argparse.Namespace, index: Index) -> Iterator[RunFound]:
    """Give the runs that are meant."""
    from proofstand.keeping.shown import runs_named
    from records.errors import InputError

    from .records import query_of

    query = query_of(args)
    if not (args.what or args.all or query.is_limited):
        raise InputError("usage", why="Say which runs, or --all.", help=_HELP)
    if not args.what:
        yield from index.all_runs(query)
    for what in args.what:
        yield from runs_named(index, what)


def kept_where_asked(
    args: argparse.Namespace, where: Home, judged: Iterator[Rejudged], text: str = ""
) -> Iterator[Done]:
    """Give what was judged; with ``--keep`` once it is kept beside the old.

    Args:
        args: ``keep``, ``by``, ``key`` and how a PIN is asked for.
        where: the archive.
        judged: runs judged anew.
        text: of another version of the plan, kept with the first of them.
    """
    from proofstand.keeping.home import head_key
    from proofstand.keeping.rejudge import Done, keep_new
    from proofstand.signoff.persons import prove
    from records.errors import RefusedError
    from records.people import Act

    if not args.keep:
        for each in judged:
            yield Done(of=each)
        return
    who = prove(args.by, Act.REJUDGE, asker(args))
    if not who.name:
        raise RefusedError("person_wanted", act=Act.REJUDGE.value)
    yield from keep_new(
        where.archive, judged, who=who, head=head_key(args.key), plan_text=text
    )


def as_json(done: list[Done]) -> dict[str, Any]:
    """Return what was judged anew as JSON."""
    from analysis.version import ANALYSIS_VERSION
    from proofstand.keeping.rejudging import rejudged_json
    from proofstand.report import trouble_json
    from proofstand.words.sentences import trouble

    return {
        "schema": "proofstand.rejudged/1",
        "analysis_version": ANALYSIS_VERSION,
        "runs": [
            {
                **rejudged_json(each.of),
                "kept_version": each.of.kept_version or None,
                "same": each.of.same,
                "new": None if each.place is None else str(each.place),
                "refused": None
                if each.refused is None
                else trouble_json(trouble(each.refused)),
            }
            for each in done
        ],
        "troubles": [
            {"run": each.of.run.run, **trouble_json(trouble(each.of.trouble))}
            for each in done
            if each.of.trouble is not None
        ],
    }


def lines(args: argparse.Namespace, done: list[Done], folder: Path) -> list[str]:
    """Return what was judged anew in words."""
    from analysis.version import ANALYSIS_VERSION
    from proofstand.display import plain
    from proofstand.keeping.rejudging import rejudged_lines
    from proofstand.words.sentences import trouble

    said: list[str] = []
    for each in done:
        said += rejudged_lines(each.of)
        if each.of.trouble is None and each.of.turns and each.of.papers:
            numbers = ", ".join(paper.number for paper in each.of.papers)
            said.append(f"      rests on the old judgement: {plain(numbers)}")
        if each.refused is not None:
            told = trouble(each.refused)
            said.append(f"      NOT kept: {told.what} {told.do}")
        elif each.place is not None:
            said.append(f"      kept: {each.place.relative_to(folder)}")
    judged = [each.of for each in done if each.of.trouble is None]
    turned = sum(each.turns for each in judged)
    others = sum(bool(each.changes) and not each.turns for each in judged)
    said.append(
        f"{len(done)} judgements by analysis {ANALYSIS_VERSION}: {turned} verdicts "
        f"come out another, {others} with other findings alone, "
        f"{len(done) - len(judged)} can't be judged."
    )
    if not args.keep:
        said.append("Nothing was written; --keep --by NAME keeps the new ones.")
    return said
