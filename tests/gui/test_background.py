"""Work beside the window: what it brings, in order, and nothing of what is let go."""

from __future__ import annotations

import threading
from typing import Any

from gui.background import Background, Handle
from records.errors import InputError, ProofstandError


def _wait(background: Background) -> None:
    background.wait()
    background.take()


def test_progress_comes_before_what_the_work_returned() -> None:
    came: list[Any] = []
    beside = Background()

    def work(handle: Handle) -> str:
        handle.tell(1)
        handle.tell(2)
        return "done"

    beside.run(work, came.append, came.append, came.append)
    _wait(beside)
    assert came == [1, 2, "done"]
    assert not beside.busy
    assert not beside.take()


def test_trouble_is_told_as_trouble_and_a_fault_of_ours_in_words() -> None:
    told: list[ProofstandError] = []
    beside = Background()

    def refused(_: Handle) -> None:
        raise InputError("file_missing", where="x.h5", what="run file")

    def broken(_: Handle) -> None:
        raise ZeroDivisionError

    for work in (refused, broken):
        beside.run(work, told.append, told.append)
        _wait(beside)
    assert [error.exit_code for error in told] == [2, 70]


def test_of_two_pieces_only_the_later_one_counts_and_the_first_can_end_early() -> None:
    came: list[str] = []
    begun, ends = threading.Event(), []
    beside = Background()

    def first(handle: Handle) -> str:
        begun.set()
        while handle.wanted():
            pass
        ends.append("early")
        handle.look()
        return "first"

    beside.run(first, came.append, lambda _: came.append("failed"))
    assert begun.wait(10.0)
    beside.run(lambda _: "second", came.append, lambda _: came.append("failed"))
    _wait(beside)
    assert (came, ends) == (["second"], ["early"])


def test_what_is_let_go_brings_nothing() -> None:
    came: list[str] = []
    beside = Background()
    beside.run(lambda _: "late", came.append, lambda _: came.append("failed"))
    beside.let_go()
    _wait(beside)
    assert came == []
