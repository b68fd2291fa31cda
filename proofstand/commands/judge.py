"""``proofstand judge``: findings and verdict of recorded runs. Writes nothing."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

from .options import Subparsers, json_option


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "judge",
        help="find and judge what recorded runs show",
        description="Judge recorded runs against the plan they carry, or another one. "
        "Exit 0 pass, 10 fail, 11 inconclusive, 12 incomplete or no limits.",
    )
    parser.add_argument("runs", nargs="+", type=Path, metavar="RUN.h5")
    parser.add_argument(
        "--plan",
        metavar="PLAN",
        help="another plan: a file, or the id of a built-in one",
    )
    parser.add_argument(
        "--why",
        metavar="FINDING",
        help="how this finding was made, with its budget; with --json as data",
    )
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Judge and print; return the exit code of the verdicts."""
    from analysis.by_regulator import each_regulator
    from analysis.judge import judge
    from proofstand.approvals import as_approved, plan_of
    from proofstand.explain import explain, why_json, whys_json
    from proofstand.report import (
        EXIT_OF_VERDICT,
        combined_exit,
        judgement_json,
        judgements_json,
        table,
    )
    from records.errors import ProofstandError
    from records.planfile import plan_by_name
    from records.runfile import open_run
    from records.tomlfile import text_sha256

    from .main import tell

    other, other_text = plan_by_name(args.plan) if args.plan else (None, "")
    if other is not None:
        other = as_approved(other, text_sha256(other_text))
    codes: list[int] = []
    documents = []
    for path in args.runs:
        try:
            opened = open_run(path)
            plan = plan_of(opened.header) if other is None else other
            judgement = judge(opened, plan)
            if other is not None:
                digest = text_sha256(other_text)
                judgement = replace(judgement, plan_sha256=digest)
        except ProofstandError as error:
            if len(args.runs) == 1:
                raise
            codes.append(tell(error, False))
            continue
        each = each_regulator(judgement, opened)
        codes += [EXIT_OF_VERDICT[own.verdict] for _, own in each]
        if args.why:  # a finding says itself which channel it was read on
            each = ((opened, judgement),)
        if args.json and args.why:
            documents.append(why_json(judgement, opened, plan, args.why))
            continue
        if args.json:
            documents += [judgement_json(own, its, plan) for its, own in each]
            continue
        for its, own in each:
            head = f"{its.header.job.regulator.serial}  run {its.id}  {path}"
            state = its.state.value
            print(f"{head}\n({state}, plan {plan.id} version {plan.version})\n")
            if args.why:
                print(explain(own, its, plan, args.why))
            else:
                print(table(own, its, plan))
            print()
    if args.json:
        whole = whys_json(documents) if args.why else judgements_json(documents)
        print(json.dumps(whole, ensure_ascii=False, allow_nan=False))
    return combined_exit(codes)
