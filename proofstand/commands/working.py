"""Who works on many runs at once, and how long it still takes."""

from __future__ import annotations

import argparse
import time
from typing import TYPE_CHECKING

from .options import progress

if TYPE_CHECKING:
    from proofstand.keeping.workers import Workers

_MOST_JOBS = 256


def working_options(parser: argparse.ArgumentParser) -> None:
    """Add ``--jobs`` and ``--cluster``."""
    either = parser.add_mutually_exclusive_group()
    either.add_argument(
        "--jobs",
        type=int,
        metavar="N",
        help="processes that judge (default: one for each core)",
    )
    either.add_argument(
        "--cluster",
        default="",
        metavar="ADDRESS",
        help="a Dask scheduler judges instead, as tcp://bench-server:8786; its workers "
        "see the archive under the same path (extra: proofstand[cluster])",
    )


def workers_of(args: argparse.Namespace, runs: int) -> Workers:
    """Return who judges so many runs.

    Raises:
        InputError: ``value_wrong`` or ``cluster_library_missing``.
    """
    from proofstand.keeping.workers import workers_for
    from records.errors import InputError

    if args.jobs is not None and not 1 <= args.jobs <= _MOST_JOBS:
        right = f"1 to {_MOST_JOBS}"
        raise InputError("value_wrong", key="--jobs", given=args.jobs, right=right)
    if args.cluster:
        from proofstand.keeping.cluster import Cluster

        return Cluster(args.cluster)
    return workers_for(runs, args.jobs)


class TimeLeft:
    """Tells how far a long piece of work got, and about how long the rest takes.

    Args:
        runs: how many there are.
    """

    def __init__(self, runs: int) -> None:
        self._runs = runs
        self._began_s = time.monotonic()
        self._judged: set[str] = set()

    def see(self, run: str, taken_over: int = 0) -> None:
        """Count a run and show how it stands.

        Args:
            run: its id; one of two regulators is told twice.
            taken_over: how many of those so far were known and took no time.
        """
        self._judged.add(run)
        done = len(self._judged)
        said = f"{done} of {self._runs} runs judged anew"
        worked, left = done - taken_over, self._runs - done
        if worked > 0 and left:
            per_run = (time.monotonic() - self._began_s) / worked
            said += f", about {time_words(per_run * left)} left"
        progress(said)


def time_words(seconds: float) -> str:
    """Return a time as people say it, rounded up."""
    if seconds < 60.0:
        return f"{max(round(seconds), 1)} s"
    minutes = -(-seconds // 60)
    if minutes < 120:
        return f"{minutes:.0f} min"
    return f"{seconds / 3600.0:.1f} h"
