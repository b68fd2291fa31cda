"""Judging kept runs anew on two cores, against a bare pool running the same function.

Both begin their processes anew and judge the same runs of an archive of the sample
runs, each of them several times over; ours asks the index too and keeps the order.
"""

from __future__ import annotations

import multiprocessing
import statistics
import tempfile
import time
from functools import partial
from itertools import chain, repeat
from pathlib import Path

from proofstand.keeping.anew import Asked, Task, judge_anew
from proofstand.keeping.home import Home, index_of
from proofstand.keeping.keep import add
from proofstand.keeping.rejudging import rejudged
from proofstand.keeping.workers import Cores
from proofstand.signoff.heads import SigningKey
from proofstand.signoff.keys import load_key, make_key
from records.archive.chain import Archive
from records.archive.found import Query

from .table import Row

CORES = 2
GOAL = 0.9
SAMPLES = Path(__file__).parents[1] / "sample_runs"
_OVER, _OVER_SHORT = 16, 5
_ROUNDS, _ROUNDS_SHORT = 3, 1
_BY = "I. Ferrand (invented)"


def two_cores(short: bool) -> Row:
    """Return how long ours takes, times a bare pool."""
    over = _OVER_SHORT if short else _OVER
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_key(folder / "key", _BY, demo=True)
        key = SigningKey(load_key(folder / "key"))
        archive = Archive(folder / "archive")
        for run in sorted(SAMPLES.glob("second-stage-*.h5")):
            add(archive, [run], key=key, who=_BY)
        file = folder / "index.sqlite"
        bare, ours = [], []
        with index_of(Home(archive, f"sqlite:///{file}", file)) as index:
            runs = list(index.all_runs(Query()))
            tasks = [
                Task(
                    run=run,
                    listed=index.entries(run=run.run),
                    papers=index.certificates(run.run),
                )
                for run in runs
            ]
            asked = Asked(folder=archive.folder, plans=())
            for _ in range(_ROUNDS_SHORT if short else _ROUNDS):
                begun = time.perf_counter()
                with multiprocessing.get_context("spawn").Pool(CORES) as pool:
                    many = chain.from_iterable(repeat(tasks, over))
                    plain = list(pool.imap(partial(judge_anew, asked), many))
                bare.append(time.perf_counter() - begun)
                many_runs = chain.from_iterable(repeat(runs, over))
                begun = time.perf_counter()
                told = list(rejudged(index, archive, many_runs, workers=Cores(CORES)))
                ours.append(time.perf_counter() - begun)
                if [each.after for one in plain for each in one] != [
                    each.after for each in told
                ]:
                    raise AssertionError("the two do not say the same")
    ratio = statistics.median(ours) / statistics.median(bare)
    each_s = CORES * statistics.median(ours) / (over * len(runs))
    return Row(
        f"judging anew on {CORES} cores / bare pool, time",
        ratio,
        round(1.0 / GOAL, 4),
        f"{over * len(runs)} runs, {each_s:.2f} s of a core each, start counted; "
        f"median of {len(bare)}",
    )
