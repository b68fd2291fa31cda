"""One piece of work beside the window at a time, and what came of it. Knows no Qt."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from proofstand.log import our_fault
from records.errors import ProofstandError


class LetGo(Exception):
    """What the work raises when it was asked to end."""


@dataclass(frozen=True, slots=True, eq=False)
class _Came:
    number: int
    kind: str
    value: Any


@dataclass(frozen=True, slots=True, eq=False)
class Handle:
    """What a piece of work has of the window.

    Attributes:
        tell: hands progress over. wanted: false once it should end.
    """

    tell: Callable[[Any], None]
    wanted: Callable[[], bool]

    def look(self) -> None:
        """Raise LetGo when the work is not wanted any more."""
        if not self.wanted():
            raise LetGo


class Background:
    """Runs work in a thread; of two pieces only what the later one brings counts."""

    def __init__(self) -> None:
        self._came: queue.SimpleQueue[_Came] = queue.SimpleQueue()
        self._number = 0
        self._threads: list[threading.Thread] = []
        self._done: Callable[[Any], None] = lambda _: None
        self._failed: Callable[[ProofstandError], None] = lambda _: None
        self._told: Callable[[Any], None] = lambda _: None

    @property
    def busy(self) -> bool:
        """Something is at work."""
        return any(thread.is_alive() for thread in self._threads)

    def run(
        self,
        work: Callable[[Handle], Any],
        done: Callable[[Any], None],
        failed: Callable[[ProofstandError], None],
        told: Callable[[Any], None] = lambda _: None,
    ) -> None:
        """Begin a piece of work; one that is on is let go.

        Args:
            work: runs beside the window.
            done: called by ``take``, in its thread, with what the work returned.
            failed: the same with the trouble it ended in.
            told: the same with its progress.
        """
        self._number += 1
        number = self._number
        self._done, self._failed, self._told = done, failed, told
        handle = Handle(
            lambda value: self._came.put(_Came(number, "told", value)),
            lambda: number == self._number,
        )
        self._threads = [t for t in self._threads if t.is_alive()]
        thread = threading.Thread(
            target=self._work, args=(number, work, handle), name="beside the window"
        )
        self._threads.append(thread)
        thread.start()

    def _work(self, number: int, work: Callable[[Handle], Any], handle: Handle) -> None:
        try:
            came = _Came(number, "done", work(handle))
        except LetGo:
            return
        except ProofstandError as error:
            came = _Came(number, "failed", error)
        except BaseException as error:  # the last wall: said in words, kept in the log
            came = _Came(number, "failed", our_fault(error))
        self._came.put(came)

    def take(self) -> bool:
        """Hand over what came since; return whether anything did."""
        any_came = False
        while not self._came.empty():
            came = self._came.get()
            if came.number == self._number:
                any_came = True
                {"done": self._done, "failed": self._failed, "told": self._told}[
                    came.kind
                ](came.value)
        return any_came

    def let_go(self) -> None:
        """Want nothing any more of what is on; it ends where it looks."""
        self._number += 1

    def wait(self) -> None:
        """Wait until all work has ended."""
        for thread in self._threads:
            thread.join()
