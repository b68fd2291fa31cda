"""A test that was interrupted some time ago: told, left for later, made a file of."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from gui.app import made_application
from gui.bench_desk.screen import Phase
from proofstand.at_work import found_at_work
from proofstand.commands.window import WindowOptions
from proofstand.recovery import recover_beside
from records.run import Run, RunState
from records.runfile import open_run
from tests.gui.fits import taken_down
from tests.gui.states import Clock, Scene, hold_of, interrupted_test, window_of

WAIT_S = 60.0


@pytest.fixture
def scene(run_path: Path, recorded: Run, tmp_path: Path) -> Iterator[Scene]:
    made = window_of(WindowOptions(light=True), (1366, 768))
    yield Scene(made, run_path, recorded, run_path, recorded, tmp_path, Clock())
    made.wait_for_threads()
    taken_down(made)


def test_it_is_told_on_the_start_sheet_and_left_for_later(scene: Scene) -> None:
    found = interrupted_test(scene)
    before = found.order.journal.read_bytes()
    scene.window.open_as_asked()
    strip = scene.window.interrupted
    assert strip.isVisible()
    assert "SIM-0001" in strip.words.text()
    strip.keys["later"].click()
    assert not strip.isVisible()
    assert found.order.journal.read_bytes() == before
    assert len(found_at_work()) == 1  # the next window asks again


def test_it_does_not_hide_a_test_that_is_on_and_is_told_after_it(scene: Scene) -> None:
    interrupted_test(scene)
    window = scene.window
    window.open_as_asked()
    presenter = scene.at(hold_of(scene.good_run, "lockup-1") + 5.0)
    window.show_test(presenter)
    assert not window.interrupted.isVisible()
    assert window.desk is not None
    assert window.desk.isVisible()
    window.another_test()
    assert window.interrupted.isVisible()


def test_a_file_is_made_of_it_and_shown_and_the_journal_stays(scene: Scene) -> None:
    found = interrupted_test(scene)
    before = found.order.journal.read_bytes()
    window = scene.window
    window.open_as_asked()
    window.interrupted.keys["keep"].click()
    until = time.monotonic() + WAIT_S
    while time.monotonic() < until:
        window.beat()
        made_application().processEvents()
        if window.screen_now is not None and window.screen_now.phase is Phase.OVER:
            break
    assert window.screen_now is not None
    assert window.screen_now.verdict is not None
    (made,) = scene.folder.glob("*-interrupted.h5")
    assert open_run(made).state is RunState.INTERRUPTED
    assert found.order.journal.read_bytes() == before
    assert found_at_work() == []


def test_a_second_file_does_not_overwrite_the_first(scene: Scene) -> None:
    journal = interrupted_test(scene).order.journal
    first = recover_beside(journal)
    kept = first.read_bytes()
    second = recover_beside(journal)
    assert first != second
    assert first.read_bytes() == kept
    assert open_run(second).id == open_run(first).id


def test_f10_twice_stops_a_test_and_once_does_not(scene: Scene) -> None:
    presenter = scene.at(hold_of(scene.good_run, "lockup-1") + 5.0)
    thread = scene.show(presenter)
    window = scene.window
    QTest.keyClick(window, Qt.Key.Key_F10)
    assert thread.said == []
    assert window.screen_now is not None
    assert window.screen_now.stop_sure
    QTest.keyClick(window, Qt.Key.Key_F10)  # a bounce is no second press
    assert thread.said == []
    scene.clock.now += 1.0
    QTest.keyClick(window, Qt.Key.Key_F10)
    assert [type(command).__name__ for command in thread.said] == ["Abandon"]
