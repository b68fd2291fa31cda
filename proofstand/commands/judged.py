"""Printing the judgement of one run file, the same after recording and on demand."""

from __future__ import annotations

import json
from pathlib import Path


def print_judged(path: Path, *, as_json: bool) -> int:
    """Judge a run file, print it, and return the verdict's exit code."""
    from analysis.judge import judge
    from proofstand.approvals import plan_of
    from proofstand.report import (
        EXIT_OF_VERDICT,
        judgement_json,
        judgements_json,
        table,
    )
    from records.runfile import open_run

    run = open_run(path)
    plan = plan_of(run.header)
    judgement = judge(run, plan)
    if as_json:
        document = judgements_json([judgement_json(judgement, run, plan)])
        print(json.dumps(document, ensure_ascii=False, allow_nan=False))
    else:
        print(table(judgement, run, plan))
    return EXIT_OF_VERDICT[judgement.verdict]
