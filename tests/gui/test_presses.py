"""A press counts for what is seen, and for nothing that came into view with it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from pytestqt.qtbot import QtBot

from gui import app
from gui.app import Led, Window
from gui.bench_desk.last_test import keep_last
from gui.bench_desk.presenter import ARM_S, Presenter
from gui.bench_desk.start_sheet import ARM_S as START_ARM_S
from gui.bench_desk.wording import said, several
from gui.session_thread import Final, PaperRefused, Tell, final_of, recorded_run
from proofstand.at_work import AtWork, Order, Standing
from proofstand.commands.window import WindowOptions
from proofstand.procedure.engine import Acknowledge, Command
from proofstand.session import Asked, Troubled
from records.errors import RefusedError, RigError
from records.run import Request, Run
from tests.gui.replay import events_until
from tests.gui.states import STATES, Clock, Deaf, Scene, filled, final, window_of


@pytest.fixture
def scene(qtbot: QtBot, recorded: Run, run_path: Path, tmp_path: Path) -> Scene:
    """Return a window and what it may show."""
    window = window_of(WindowOptions(light=True), (1366, 768))
    qtbot.addWidget(window)
    clock = Clock()
    return Scene(window, run_path, recorded, run_path, recorded, tmp_path, clock)


def press(window: Window, key: Qt.Key = Qt.Key.Key_Return) -> None:
    """Press a key at the window."""
    QTest.keyClick(window, key)


def asks(scene: Scene) -> Presenter:
    """Return a test whose request has waited long, wherever it stood."""
    presenter = Presenter(clock=scene.clock)
    presenter.take(events_until(scene.good_run, 1.0, (30.0,)))
    request = Request(id="zero.9", step="zero", act="open_to_air", confirm=True)
    presenter.take([Asked(request)])
    scene.clock.now += 10.0
    return presenter


# --- brought into view ---------------------------------------------------------------


def test_a_request_just_brought_into_view_is_not_confirmed(scene: Scene) -> None:
    scene.at(1.0)
    behind, deaf = asks(scene), Deaf()
    scene.window._others.append(Led(behind, deaf, "A. Rook"))
    press(scene.window, Qt.Key.Key_F12)
    assert scene.window._presenter is behind
    assert not behind.screen().action.armed
    press(scene.window)
    assert deaf.said == []
    scene.clock.now += 1.1 * ARM_S
    scene.again()
    press(scene.window)
    assert deaf.said == [Acknowledge("zero.9", "A. Rook")]


def test_a_verdict_just_brought_into_view_makes_no_paper(scene: Scene) -> None:
    scene.at(1.0)
    behind = Presenter(clock=scene.clock)
    behind.take(events_until(scene.good_run, 880.0, (30.0,)))
    behind.take([final(scene.good, scene.good_run)])
    scene.clock.now += 10.0
    scene.window._others.append(Led(behind, Deaf(), "A. Rook"))
    press(scene.window, Qt.Key.Key_F12)
    press(scene.window)
    assert scene.window._side_tasks == []


def test_a_request_that_came_behind_the_hose_page_is_seen_first(scene: Scene) -> None:
    presenter = asks(scene)
    deaf = scene.show(presenter)
    press(scene.window, Qt.Key.Key_F1)
    press(scene.window, Qt.Key.Key_Escape)
    press(scene.window)
    assert deaf.said == []


def test_ink_is_only_on_what_enter_does(scene: Scene) -> None:
    presenter = asks(scene)
    deaf = scene.show(presenter)
    done = scene.window._bench().action.done
    assert (done.text(), done.property("strong")) == (said("done"), "true")
    press(scene.window, Qt.Key.Key_F3)
    scene.again()
    assert scene.window._bench().asks
    assert (done.text(), done.property("strong")) == (said("done_plain"), "false")
    press(scene.window)
    assert deaf.said == []
    press(scene.window, Qt.Key.Key_Escape)
    scene.again()
    assert done.property("strong") == "true"


# --- the next regulator --------------------------------------------------------------


def test_enter_alone_begins_no_second_test_on_the_same_card(scene: Scene) -> None:
    window, start = scene.window, scene.window.start
    before = filled(scene.folder)
    start.fill(before)
    keep_last(before)
    begun: list[object] = []
    start.begin.disconnect()
    start.begin.connect(begun.append)
    STATES["verdict-pass"](scene)
    window.next_test()
    assert start.isVisible()
    typed = start.given
    assert (typed.rig, typed.plan, typed.by) == (before.rig, before.plan, before.by)
    assert (typed.job, typed.out, typed.label) == ("", "", "")
    assert start.begin_note.text() == said("start", "same_again")
    for _ in range(8):
        QTest.keyClick(window.focusWidget() or window, Qt.Key.Key_Return)
        QTest.qWait(round(300 * START_ARM_S))
    assert begun == []
    assert start.given.job == ""
    assert start.begin_note.text() == said("start", "same_again")
    QTest.keyClick(window.focusWidget() or window, Qt.Key.Key_F5)  # the same again
    assert start.given.job == before.job
    assert start.given.out != ""
    assert start.read.hasFocus()


def test_after_a_record_found_sealed_enter_takes_no_card(scene: Scene) -> None:
    keep_last(filled(scene.folder))
    window = window_of(WindowOptions(light=True), (1366, 768))
    window.follow(Deaf(), Presenter("looking", live=False))
    window.wait_for_threads()
    window.next_test()
    QTest.keyClick(window.focusWidget() or window, Qt.Key.Key_Return)
    assert window.start.given.job == ""
    window.close()


def test_a_card_that_was_not_begun_with_stays(scene: Scene) -> None:
    before = filled(scene.folder)
    scene.window.start.fill(before)
    presenter = Presenter("opening", clock=scene.clock)
    scene.show(presenter)
    presenter.take([Troubled(RigError("recorder_died", why="x"))])
    scene.window.next_test()
    assert scene.window.start.given.job == before.job


# --- two windows ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (RefusedError("recorder_watched", where="a"), "watched"),
        (RefusedError("run_being_recorded", where="a"), "unseen"),
        (RigError("recorder_died", where="a", why="x"), "unseen"),
    ],
)
def test_a_test_that_is_led_elsewhere_is_not_said_to_be_not_begun(
    scene: Scene, error: RefusedError, words: str
) -> None:
    presenter = Presenter("finding_again", clock=scene.clock)
    scene.show(presenter)
    scene.take(presenter, Troubled(error))
    action = presenter.screen().action
    told = (action.first, action.second, action.detail)
    assert "Not begun" not in action.first
    assert told == several("fail", words)
    assert "may hold gas" in action.detail


# --- papers of two tests -------------------------------------------------------------


def test_papers_of_two_tests_are_told_each_to_its_own(
    scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    window, goes = scene.window, threading.Event()
    order: list[Final] = []

    def slow(made: Final, *_: str) -> Callable[..., None]:
        order.append(made)
        number = len(order)

        def task(tell: Tell, commands: Callable[[], Iterable[Command]]) -> None:
            assert goes.wait(20.0)
            tell(PaperRefused(RefusedError("pin_wrong", name=f"Person {number}")))

        return task

    monkeypatch.setattr(app, "paper_of", slow)
    both = []
    for _ in range(2):
        STATES["verdict-pass"](scene)
        assert window._presenter is not None
        both.append(window._presenter)
        window.make_paper()
        assert window._set_aside()
    goes.set()
    for task in list(window._side_tasks):
        assert task.thread.join(20.0)
    window.beat()
    assert window._side_tasks == []
    for number, presenter in enumerate(both, 1):
        strip = presenter.screen().strip
        assert strip is not None
        assert f"Person {number}" in strip.what
        verdict = presenter.screen().verdict
        assert verdict is not None
        assert not verdict.making


def test_a_run_that_is_looked_at_has_the_windows_key(
    run_path: Path, tmp_path: Path
) -> None:
    told: list[object] = []
    recorded_run(run_path, tmp_path)(told.append, lambda: ())
    (made,) = (each for each in told if isinstance(each, Final))
    assert made.key_folder == tmp_path
    assert final_of(run_path).key_folder != tmp_path


@pytest.mark.parametrize("own", [True, False])
def test_a_run_found_sealed_has_the_key_that_it_was_begun_with(
    qtbot: QtBot,
    run_path: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    own: bool,
) -> None:
    mine, windows = tmp_path / "order-key", tmp_path / "window-key"
    found = Order(out=run_path, key_folder=mine if own else None)
    keys: list[Path | None] = []

    def noted(path: Path, key: Path | None = None) -> object:
        keys.append(key)
        return lambda tell, commands: None

    monkeypatch.setattr(app, "recorded_run", noted)
    monkeypatch.setattr(app, "found_at_work", lambda: [AtWork(found, Standing.SEALED)])
    window = window_of(WindowOptions(light=True, key=windows), (1366, 768))
    qtbot.addWidget(window)
    window.find_again()
    window.wait_for_threads()
    assert keys == [mine if own else windows]
