"""A signed page against the bare typesetting of the very same page.

Ours is all that follows on the judgement: what the page says, sizes that fit, traces,
code and files inside, the typesetting, and the signature. Bare is the typesetter alone,
handed the finished sizes, traces and files, in the same process.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from unittest import mock

from analysis.judge import judge
from proofstand.signoff import page
from proofstand.signoff.certificate import Certificate, Title
from proofstand.signoff.issue import page_and_box
from proofstand.signoff.keys import load_key, make_key
from proofstand.signoff.pades import sign
from proofstand.signoff.typeset import typeset
from proofstand.version import VERSION
from records.runfile import open_run

from .table import Row

ROUNDS, ROUNDS_SHORT = 15, 5
GOAL = 3.0
RUN = Path(__file__).parents[1] / "sample_runs" / "second-stage-good.h5"


def signed_page(short: bool) -> Row:
    """Compare making a signed page with setting the same page."""
    run = open_run(RUN)
    plan = run.header.plan
    judgement = judge(run, plan)
    when = datetime(2026, 6, 15, 12, 0, tzinfo=UTC)
    ours: list[float] = []
    bare: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        make_key(Path(folder) / "key", "benchmark", demo=True)
        key = load_key(Path(folder) / "key")
        made = Certificate(
            number="SIM-20260615-BENCHM",
            title=Title.TEST_REPORT,
            run_id=run.id,
            run_sha256=run.sha256,
            plan_id=plan.id,
            plan_version=plan.version,
            plan_sha256=run.header.plan_sha256,
            verdict=judgement.verdict,
            issued=when,
            by="",
            key_id=key.id,
            owner=key.owner,
            software=VERSION,
            analysis_version=judgement.analysis_version,
            simulated=True,
        )
        whole = {}
        laid_out = page.laid_out

        def noted(*given: object) -> dict[str, object]:
            whole.update(laid_out(*given))  # type: ignore[arg-type]
            return whole

        with mock.patch.object(page, "laid_out", noted):
            first, _ = page_and_box(made, run, plan, judgement)
        assert typeset(page.TEMPLATE, whole, when) == first, "not the same page"
        for n in range(ROUNDS_SHORT if short else ROUNDS):
            for own in (bool(n % 2), not n % 2):
                began = time.perf_counter()
                if own:
                    pdf, box = page_and_box(
                        replace(made, number=f"SIM-20260615-{n:06d}"),
                        run,
                        plan,
                        judgement,
                    )
                    sign(pdf, key, made.title.said, box)
                    ours.append(time.perf_counter() - began)
                else:
                    typeset(page.TEMPLATE, whole, when)
                    bare.append(time.perf_counter() - began)
    one, other = statistics.median(ours), statistics.median(bare)
    how = f"{one * 1e3:.0f} ms against {other * 1e3:.0f} ms, {len(ours)} pages"
    return Row("signed page: times bare typesetting", one / other, GOAL, how)
