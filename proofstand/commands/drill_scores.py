"""``drill score`` and ``drill sheet``: how near trainees came, and a class of them."""

from __future__ import annotations

import argparse
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .options import by_option, json_option

if TYPE_CHECKING:
    from collections.abc import Sequence

    from proofstand.review.drills import Called, Scored
    from proofstand.review.sheet import Done, Trainee
    from proofstand.review.told import ItemTold
    from records.drill import Drill
    from records.plan import Plan

_VERDICTS = ("pass", "fail", "inconclusive", "incomplete")
_VALUES = {
    "set": ("set_pressure", 'set pressure, as "11.0 in. w.c. gauge"'),
    "lockup": ("lockup_rise", 'lockup over set, as "0.6 in. w.c. difference"'),
    "creep": ("creep_rate", 'creep after the last lockup, as "0.1 in. w.c./min"'),
    "leak": ("external_leak", 'leak to outside, as "0.05 std cm3/min"'),
}


def add(actions: Any) -> None:
    """Add both.

    Args:
        actions: of the drill command.
    """
    scoring = actions.add_parser(
        "score",
        help="say how near a trainee came, and what was wrong",
        description="Score what a trainee says of a drill's run against what was true "
        "of the gas: set, lockup, creep and leak within what the measurement leaves "
        "open and a tenth of the limit's room (half right within three times that), "
        "the verdict as the bench can give it, the cause as a group that the traces "
        "can't tell apart. Then what is wrong is told.",
    )
    scoring.add_argument("drill", type=Path, metavar="DRILL.toml")
    scoring.add_argument("run_file", type=Path, metavar="RUN.h5")
    by_option(scoring, "the trainee", required=True)
    for name, (_, what) in _VALUES.items():
        scoring.add_argument(f"--{name}", default="", metavar="VALUE", help=what)
    scoring.add_argument("--verdict", default="", choices=_VERDICTS)
    scoring.add_argument(
        "--cause", default="", metavar="ID", help="a fault, or none for a healthy one"
    )
    scoring.add_argument(
        "--out", type=Path, metavar="SCORE.json", help="file to make; must not exist"
    )
    json_option(scoring)
    scoring.set_defaults(run=run_score)
    sheet = actions.add_parser(
        "sheet",
        help="a class's scores, a line for each trainee",
        description="Put scores together. A drill that a trainee did before does not "
        "count again. A file that is no score is told and passed over. What was wrong "
        "with a drill is named with --answers only.",
    )
    sheet.add_argument("scores", type=Path, nargs="+", metavar="SCORE.json")
    sheet.add_argument(
        "--out", type=Path, metavar="FILE.csv", help="table to make; must not exist"
    )
    sheet.add_argument(
        "--answers",
        action="store_true",
        help="name what was wrong and what it was taken for, in the table too: for the "
        "trainer, not for who has these drills still to do",
    )
    json_option(sheet)
    sheet.set_defaults(run=run_sheet)


# --- score ----------------------------------------------------------------------------


def run_score(args: argparse.Namespace) -> int:
    """Score what a trainee said, and tell what is wrong."""
    from analysis.judge import judge
    from proofstand.drilling import run_of_drill
    from proofstand.review.drills import callable_findings, score
    from proofstand.review.sheet import score_json, score_text
    from records.drillfile import answer_of, read_drill
    from records.runfile import check_place, write_once

    drill = read_drill(args.drill)
    answer = answer_of(drill, str(args.drill))
    if args.out is not None:
        check_place(args.out, "score")
    run = run_of_drill(drill, args.run_file, str(args.drill))
    plan = run.header.plan
    called = _called(args, callable_findings(plan))
    scored = score(answer, run, judge(run), called)
    document = score_json(scored, drill, run, args.by, datetime.now(UTC))
    if args.out is not None:
        write_once(args.out, score_text(document).encode("utf-8"), "score")
    if args.json:
        print(json.dumps(document, ensure_ascii=False))
    else:
        print("\n".join(_score_lines(args.by, drill, scored, plan)))
    return 0


def _called(args: argparse.Namespace, askable: Sequence[str]) -> Called:
    """Return what the trainee says.

    Raises:
        InputError: a value has the wrong unit, or the cause is none that there is.
    """
    from proofstand.review.drills import HEALTHY, Called, parsed_call
    from records.errors import InputError
    from records.faults import CATALOGUE, OF_FIRST

    values = {}
    for name, (id, _) in _VALUES.items():
        typed = getattr(args, name)
        if typed:
            values[id] = parsed_call(id, typed, f"--{name}")
            if id not in askable:
                raise InputError(
                    "value_wrong",
                    key=f"--{name}",
                    given=typed,
                    right="left out: the plan of this drill shows no such thing",
                )
    cause = args.cause.strip()
    if cause and cause != HEALTHY and cause.removeprefix(OF_FIRST) not in CATALOGUE:
        known = ", ".join((HEALTHY, *CATALOGUE))
        raise InputError("fault_unknown", given=ascii(cause), known=known)
    return Called(values=values, verdict=args.verdict, cause=cause)


def _score_lines(trainee: str, drill: Drill, scored: Scored, plan: Plan) -> list[str]:
    from proofstand.display import plain
    from proofstand.review.told import item_told, what_was_wrong

    return [
        f"{plain(trainee)}, drill {drill.id}, {plain(drill.title)}: "
        f"{scored.points:g} of {scored.of:g}",
        "  SIMULATED RIG, no regulator was tested",
        *(_item_line(item_told(item, plan)) for item in scored.items),
        *(f"  {said}" for said in what_was_wrong(scored)),
    ]


def _item_line(told: ItemTold) -> str:
    called = told.called or "nothing said"
    if not told.near:
        return f"  {told.name:16} {told.got:10} {called}; right: {told.right}"
    line = (
        f"  {told.name:16} {told.got:10} {called}; true {told.right} "
        f"(right within {told.near})"
    )
    if told.window_s is not None:
        start, stop = told.window_s
        line += f"; read from {start:.0f} to {stop:.0f} s, step {told.step}"
    return line


# --- sheet ----------------------------------------------------------------------------


def run_sheet(args: argparse.Namespace) -> int:
    """Put scores together."""
    from proofstand.review.sheet import (
        class_sheet,
        class_table,
        in_order,
        read_score,
    )
    from proofstand.words.sentences import trouble
    from records.errors import ProofstandError
    from records.runfile import check_place, write_once

    if args.out is not None:
        check_place(args.out, "file")
    done: list[Done] = []
    unread: list[str] = []
    for path in args.scores:
        try:
            done.append(read_score(path))
        except ProofstandError as error:
            told = trouble(error)
            unread.append(f"{told.where}: {told.what}")
    ordered, sheet = in_order(done), class_sheet(done)
    if args.out is not None:
        write_once(
            args.out, class_table(ordered, answers=args.answers).encode("utf-8"), "file"
        )
    if args.json:
        found = _sheet_json(sheet, ordered, unread, answers=args.answers)
        print(json.dumps(found, ensure_ascii=False))
        return 0
    print(
        "\n".join(
            _sheet_lines(sheet, ordered, answers=args.answers)
            or ["No score was given."]
        )
    )
    for line in unread:
        print(f"Left out: {line}")
    return 0


def _sheet_lines(
    sheet: Sequence[Trainee], done: Sequence[Done], *, answers: bool
) -> list[str]:
    from proofstand.display import plain

    said = []
    for one in sheet:
        share = 100.0 * one.points / one.of if one.of else 0.0
        said.append(
            f"{plain(one.name)}: {one.drills} drills, {one.points:g} of {one.of:g} "
            f"({share:.0f} %), cause right in {one.causes}"
        )
        said += [
            f"  {each.when[:10]}  {plain(each.title)}"
            + (f", {each.difficulty}" if each.difficulty else "")
            + f": {each.points:g} of {each.of:g}"
            + (f"; what was wrong: {each.fault}" if answers else "")
            + ("  (done before, not counted)" if each.again else "")
            for each in done
            if each.trainee == one.name
        ]
        said += [
            f"  took {fault} for {called or 'nothing said'}"
            + (f", {n} times" if n > 1 else "")
            for fault, called, n in one.mixed_up
            if answers
        ]
    return said


def _sheet_json(
    sheet: Sequence[Trainee],
    done: Sequence[Done],
    unread: list[str],
    *,
    answers: bool,
) -> dict[str, Any]:
    return {
        "schema": "proofstand.drill-sheet/1",
        "trainees": [
            {
                "trainee": one.name,
                "drills": one.drills,
                "points": one.points,
                "of": one.of,
                "causes_right": one.causes,
                "mixed_up": [
                    {"fault": fault, "called": called or None, "count": n}
                    for fault, called, n in one.mixed_up
                ]
                if answers
                else None,
            }
            for one in sheet
        ],
        "scores": [
            {
                "trainee": each.trainee,
                "drill": each.drill,
                "title": each.title,
                "difficulty": each.difficulty or None,
                "when": each.when,
                "points": each.points,
                "of": each.of,
                "again": each.again,
                "fault": each.fault if answers else None,
                "called": (each.called or None) if answers else None,
            }
            for each in done
        ],
        "unread": unread,
    }
