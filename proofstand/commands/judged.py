"""Printing the judgement of one run file, the same after recording and on demand."""

from __future__ import annotations

import json
from pathlib import Path


def print_judged(path: Path, *, as_json: bool) -> int:
    """Judge a run file, print it, and return the verdict's exit code."""
    from analysis.by_regulator import each_regulator
    from analysis.judge import judge
    from proofstand.approvals import plan_of
    from proofstand.report import (
        EXIT_OF_VERDICT,
        combined_exit,
        judgement_json,
        judgements_json,
        table,
    )
    from records.runfile import open_run

    run = open_run(path)
    plan = plan_of(run.header)
    each = each_regulator(judge(run, plan), run)
    if as_json:
        document = judgements_json([judgement_json(j, r, plan) for r, j in each])
        print(json.dumps(document, ensure_ascii=False, allow_nan=False))
    for number, (its, own) in enumerate(each):
        if as_json:
            break
        if len(each) > 1:
            gap = "\n" if number else ""
            print(f"{gap}{its.header.job.regulator.serial}\n")
        print(table(own, its, plan))
    return combined_exit([EXIT_OF_VERDICT[own.verdict] for _, own in each])
