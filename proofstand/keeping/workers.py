"""Who does many pieces of work that know nothing of each other: here, or on all cores.

What comes is the same whoever works, and comes in the order that was asked in. A piece
whose worker dies is tried again alone; then it is given back as lost, and the
others go on.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import wait
from typing import Any, Protocol, TypeVar

from records.errors import ProofstandError

T = TypeVar("T")
R = TypeVar("R")
# So many pieces are out at a worker, so that none waits while results are taken.
_AHEAD = 3
# A piece alone with its worker is tried so often: the first death may be another's.
_TRIES = 2
_ALONE = 2
# On small arrays threads of the linear algebra cost more than they give.
_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True, slots=True)
class Lost:
    """A piece of work that brought nothing: its worker died, or could not do it.

    Attributes:
        error: what is known, or None.
    """

    error: ProofstandError | None = None


class Workers(Protocol):
    """Who works; the seam between this computer and a cluster."""

    def each(
        self, work: Callable[[T], R], pieces: Iterable[T]
    ) -> Iterator[tuple[T, R | Lost]]:
        """Give each piece with what came of it, in the order of the pieces.

        Args:
            work: can be sent to another process, as can pieces and results.
            pieces: taken as they are needed.

        Raises:
            ProofstandError: what the work raised.
        """


def cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def workers_for(runs: int, jobs: int | None = None) -> Workers:
    """Return who of this computer does so many pieces.

    Args:
        runs: how many.
        jobs: how many processes, None for one on each core; for very few pieces none
            are begun then, which would take longer than the work.
    """
    wanted = min(jobs or cores(), runs)
    if wanted <= 1 or (jobs is None and runs <= _ALONE):
        return Here()
    return Cores(wanted)


class Here:
    """One after the other, in this process."""

    def each(
        self, work: Callable[[T], R], pieces: Iterable[T]
    ) -> Iterator[tuple[T, R | Lost]]:
        """See :class:`Workers`."""
        for piece in pieces:
            yield piece, work(piece)


class Cores:
    """Several processes of this computer.

    Args:
        jobs: how many.
    """

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs

    def each(
        self, work: Callable[[T], R], pieces: Iterable[T]
    ) -> Iterator[tuple[T, R | Lost]]:
        """See :class:`Workers`."""
        left = iter(pieces)
        out: deque[tuple[T, Future[R]]] = deque()
        pool = _pool(self._jobs)
        try:
            while True:
                while len(out) < _AHEAD * self._jobs:
                    piece = next(left, _NONE)
                    if piece is _NONE:
                        break
                    out.append((piece, _submitted(pool, work, piece)))
                if not out:
                    return
                piece, future = out.popleft()
                try:
                    came: R | Lost = future.result()
                except BrokenProcessPool:
                    # One died and took all with it that was out: which one, is told
                    # by trying each alone.
                    again = [(piece, future), *out]
                    out.clear()
                    pool.shutdown()
                    yield from _alone(work, again)
                    pool = _pool(self._jobs)
                    continue
                yield piece, came
        finally:
            pool.shutdown(cancel_futures=True)


_NONE: Any = object()


def _submitted(
    pool: ProcessPoolExecutor, work: Callable[[T], R], piece: T
) -> Future[R]:
    try:
        return pool.submit(work, piece)
    except BrokenProcessPool as error:  # found broken before the first result was asked
        broken: Future[R] = Future()
        broken.set_exception(error)
        return broken


def _alone(
    work: Callable[[T], R], again: Iterable[tuple[T, Future[R]]]
) -> Iterator[tuple[T, R | Lost]]:
    pool = _pool(1)
    try:
        for piece, future in again:
            if future.done() and future.exception() is None:
                yield piece, future.result()
                continue
            came: R | Lost = Lost()
            for _ in range(_TRIES):
                try:
                    came = _submitted(pool, work, piece).result()
                    break
                except BrokenProcessPool:
                    pool.shutdown()
                    pool = _pool(1)
            yield piece, came
    finally:
        pool.shutdown(cancel_futures=True)


def _pool(jobs: int) -> ProcessPoolExecutor:
    """Return processes begun anew: a fork would take a window's threads along."""
    with _single_threads():
        pool = ProcessPoolExecutor(
            jobs, multiprocessing.get_context("spawn"), initializer=_begin
        )
        for _ in range(jobs):  # all at once, while they inherit what is set here
            pool.submit(os.getpid)
    return pool


@contextmanager
def _single_threads() -> Iterator[None]:
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _begin() -> None:
    """Leave Ctrl-C to who asked for the work, and end with them."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    assert parent is not None

    def watch() -> None:
        wait([parent.sentinel])
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
