"""Finding things in an index of many runs, against the bare SQL of the same question.

The database's own driver asks the bare question: the same text, all rows fetched, no
library of ours or anybody's between, on a connection that is open. How the database
goes about each question, in its own words, is printed beside. How many runs the index
holds, and in which database, is said by `python -m benchmarks archive`.
"""

from __future__ import annotations

import argparse
import atexit
import random
import shutil
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from records.archive.chain import Archive
from records.archive.entry import JUDGEMENT, RUN, Entry, Fact
from records.archive.found import Query
from records.archive.index import (
    Index,
    Question,
    page_of,
    serial_runs,
    summary_of,
    take_in,
)
from records.runfile import Signature

from .table import Row, table

ROWS, ROWS_SHORT = 1_000_000, 50_000
DATABASES = ("SQLite", "PostgreSQL")
MODELS, CUSTOMERS, MONTHS = 40, 500, 60
GOAL = 3.0
_BATCH = 10_000
_ROUNDS = 300
_MONTH_NS = 30 * 86_400 * 10**9
_BEGIN_NS = 1_600_000_000 * 10**9
_VERDICTS = ("pass", "pass", "pass", "fail", "inconclusive", "incomplete")


class _Key:
    """Signs the one head that the archive needs."""

    key_id = "none"

    def sign(self, data: bytes) -> Signature:
        return Signature(self.key_id, "")

    def fits(self, data: bytes, signature: Signature) -> bool:
        return True


def _batches(runs: int) -> Iterator[list[Entry]]:
    """Give a chain's lines of runs and their judgements; invented, always the same."""
    rng = random.Random(1)
    batch: list[Entry] = []
    for n in range(runs):
        id = f"r{n:08d}"
        about: dict[str, Fact] = {
            "run": id,
            "serial": _serial(n),
            "model": f"Model {rng.randrange(MODELS)} (invented)",
            "gas": "propane",
            "customer": f"Customer {rng.randrange(CUSTOMERS)} (invented)",
            "job": f"J-{n // 8}",
            "plan": "low-pressure",
            "plan_version": 1,
            "rig": "rig-1",
            "station": "A",
            "by": "I. Ferrand (invented)",
            "started_ns": _BEGIN_NS + rng.randrange(MONTHS * _MONTH_NS),
            "simulated": False,
        }
        batch.append(_entry(2 * n + 1, RUN, about))
        told: dict[str, Fact] = {"run": id, "verdict": rng.choice(_VERDICTS)}
        batch.append(_entry(2 * n + 2, JUDGEMENT, told))
        if len(batch) >= _BATCH or n == runs - 1:
            yield batch
            batch = []


def _entry(n: int, kind: str, about: dict[str, Fact]) -> Entry:
    return Entry(
        n=n,
        path=f"2026/{about['run']}/{kind}",
        kind=kind,
        sha256="0" * 64,
        size=1,
        utc_ns=_BEGIN_NS,
        who="benchmark",
        what=kind,
        about=about,
    )


def _serial(n: int) -> str:
    """Return a serial; two runs have each."""
    return f"SN-{n // 2 * 7919 % 1_000_003:07d}"


class _LacksError(Exception):
    """What a benchmark needs is not there."""


def _lacks(what: str) -> Any:
    raise _LacksError(what)


@cache
def filled(database: str, runs: int) -> tuple[Index, Any] | str:
    """Return an index of many runs and a bare connection, or why there is none."""
    folder = Path(tempfile.mkdtemp(prefix="proofstand-index-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    archive = Archive(folder / "archive")
    archive.make(_Key(), "benchmark")
    bare: Any
    if database == "SQLite":
        file = folder / "index.sqlite"
        index = Index(f"sqlite:///{file}", archive)
        index.catch_up()
        bare = sqlite3.connect(file, isolation_level=None)
    else:
        try:
            import psycopg

            from tests.records.archive.postgres import serve

            server = serve(_lacks)
            url = next(server)
        except (ImportError, RuntimeError, _LacksError) as error:
            return str(error)
        atexit.register(next, server, None)
        index = Index(url, archive)
        index.catch_up()
        bare = psycopg.connect(url, autocommit=True)
    atexit.register(bare.close)
    atexit.register(index.close)
    began = time.perf_counter()
    for batch in _batches(runs):
        with index.writing() as connection:
            take_in(connection, batch)
    with index.writing() as connection:
        connection.execute(sa.text("ANALYZE"))
    took = time.perf_counter() - began
    print(f"{database}: {runs} runs were taken in within {took:.0f} s", file=sys.stderr)
    return index, bare


def measured(short: bool, *, measure: Callable[[int, str], Row], database: str) -> Row:
    """Return one figure of the whole table of benchmarks."""
    return measure(ROWS_SHORT if short else ROWS, database)


def main(words: Iterable[str]) -> int:
    """Measure all three in an index of so many runs; return the exit code."""
    parser = argparse.ArgumentParser(prog="benchmarks archive", description=__doc__)
    parser.add_argument("--runs", type=int, default=ROWS)
    parser.add_argument("--database", choices=DATABASES, action="append", default=[])
    given = parser.parse_args(list(words))
    rows = [
        measure(given.runs, database)
        for database in given.database or DATABASES
        for measure in MEASURES
    ]
    print(table(rows))
    return 1 if any(row.standing == "FAILED" for row in rows) else 0


def by_serial(runs: int, database: str) -> Row:
    """Compare finding all runs of a serial."""

    def ask(index: Index, n: int) -> object:
        return index.by_serial(_serial(n * 7907 % runs))

    def bare(n: int) -> Question:
        return serial_runs(_serial(n * 7907 % runs))

    return _compared("by serial", runs, database, ask, bare)


def page(runs: int, database: str) -> Row:
    """Compare a page of 50 by model and verdict, from somewhere in the middle."""

    def query(n: int) -> Query:
        at = _BEGIN_NS + (n * 131 % MONTHS + 1) * _MONTH_NS
        wanted = {"model": f"Model {n % MODELS} (invented)", "verdict": "fail"}
        return Query(wanted=wanted, after=f"{at}/r")

    def ask(index: Index, n: int) -> object:
        return index.page(query(n))

    return _compared("page of 50", runs, database, ask, lambda n: page_of(query(n)))


def summary(runs: int, database: str) -> Row:
    """Compare a year's counts by month, model and verdict."""

    def year(n: int) -> tuple[str, str]:
        first = 2021 + n % 3
        return f"{first}-01", f"{first}-12"

    def ask(index: Index, n: int) -> object:
        return index.summary(*year(n))

    def bare(n: int) -> Question:
        return summary_of(*year(n), simulated=False)

    return _compared("month by model", runs, database, ask, bare)


def _compared(
    what: str,
    runs: int,
    database: str,
    ask: Callable[[Index, int], object],
    question: Callable[[int], Question],
) -> Row:
    """Return how long ours takes over the bare question, rounds taken in turn."""
    name = f"{what}, {database}: times bare SQL"
    made = filled(database, runs)
    if isinstance(made, str):
        return Row(name, 0.0, GOAL, f"NOT MEASURED: {made}")
    index, bare = made
    ours: list[float] = []
    plain: list[float] = []
    rows = 0
    for n in range(_ROUNDS):
        text, values = index.asked(question(n))
        for own in (bool(n % 2), not n % 2):  # who comes first finds a cold disk
            began = time.perf_counter()
            if own:
                ask(index, n)
                ours.append(time.perf_counter() - began)
            else:
                rows += len(bare.execute(text, values).fetchall())
                plain.append(time.perf_counter() - began)
    one, other = statistics.median(ours), statistics.median(plain)
    plan = index.plan_of(question(1))
    print(f"{what}, {database}: {plan}", file=sys.stderr)
    how = f"{one * 1e3:.3f} ms, {rows / _ROUNDS:.0f} rows of {runs} runs"
    if "SCAN" in plan or "Seq Scan" in plan:
        return Row(name, 2 * GOAL, GOAL, f"IT READS A WHOLE TABLE: {plan}")
    return Row(name, one / other, GOAL, how)


MEASURES = (by_serial, page, summary)
