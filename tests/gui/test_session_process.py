"""The recorder beside the window: killed, told to end, left alone, found again."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtCore import QSize, Qt
from PySide6.QtTest import QTest
from pytestqt.qtbot import QtBot

from analysis.judge import judge
from gui import session_process
from gui.app import Window, made_application
from gui.bench_desk.presenter import Presenter
from gui.bench_desk.screen import Phase
from gui.session_process import SessionProcess
from gui.session_thread import Final, Over, Restarted, SessionThread, ThreadEvent
from proofstand.at_work import Order, Standing, found_at_work, read_note
from proofstand.commands.window import WindowOptions
from proofstand.demo_order import demo_order
from proofstand.procedure.engine import Abandon
from proofstand.session import Asked, Marked, Sampled, Started, Troubled
from records.errors import InputError, RigError
from records.journal import read_journal
from records.run import Mark, MarkKind, Run, RunState
from records.runfile import open_run
from tests.gui.processes import WAIT_S, programs_left
from tests.gui.replay import events_until
from tests.proofstand.rigs import served

pytestmark = pytest.mark.serial


@pytest.fixture
def order(tmp_path: Path) -> Iterator[Order]:
    """Return the order of a test on a served rig, with simulated hands."""
    with served(tmp_path, 20.0) as rig:
        yield Order(
            rig=rig,
            plan="low-pressure",
            job=tmp_path / "job.toml",
            out=tmp_path / "run.h5",
            by="P. Quill",
            hands="simulated",
        )


def follow(
    link: SessionProcess,
    until: Callable[[ThreadEvent], bool],
    told: list[ThreadEvent],
    seconds: float = WAIT_S,
) -> None:
    """Take events until one is that which is waited for."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        for event in link.drain(1):
            told.append(event)
            if until(event):
                return
        time.sleep(0.005)
    raise AssertionError(f"not within {seconds} s; last {told[-3:]}")


def held(event: ThreadEvent) -> bool:
    return isinstance(event, Marked) and event.mark.kind is MarkKind.HOLD_BEGIN


def abandoned(event: ThreadEvent) -> bool:
    return isinstance(event, Marked) and event.mark.kind is MarkKind.ABANDONED


def over(event: ThreadEvent) -> bool:
    return isinstance(event, Over)


def end(link: SessionProcess, told: list[ThreadEvent]) -> None:
    for _ in range(2):
        link.say(Abandon("stopped at the window", "P. Quill"))
    follow(link, over, told)
    assert link.join(WAIT_S)


def test_a_recorder_killed_in_a_hold_is_started_again_and_the_step_repeated(
    order: Order,
) -> None:
    link, told = SessionProcess(order), list[ThreadEvent]()
    link.start()
    follow(link, held, told)
    note = read_note(order.journal)
    assert note is not None
    os.kill(note.pid, signal.SIGKILL)
    follow(link, lambda e: isinstance(e, Restarted), told)
    follow(link, held, told)
    end(link, told)
    final = next(e for e in told if isinstance(e, Final))
    assert final.run.state is RunState.SEALED
    assert [p.number for p in final.run.parts] == [1, 2]
    marks = [e.mark for e in told if isinstance(e, Marked)]
    assert [(m.part, m.kind, m.data) for m in marks] == [
        (m.part, m.kind, m.data) for m in final.run.marks
    ]
    repeat = next(m for m in marks if m.part == 2 and m.kind is MarkKind.STEP_REPEAT)
    assert (repeat.step, repeat.data["why"]) == ("zero", "interrupted")
    # nothing that was read before is lost, and nothing is shown twice
    inlet = [e.traces["inlet"] for e in told if isinstance(e, Sampled)]
    times = [t for trace in inlet for t in trace.t_s.tolist()]
    assert times == sorted(set(times))
    rows = sum(s.t_ns.size for s in final.run.samples.values())
    follower_run = link._follower.run(final.run.sha256, final.run.key_id)
    assert follower_run is not None
    for name in ("header", "state", "sha256", "key_id", "parts", "marks"):
        assert getattr(final.run, name) == getattr(follower_run, name), name
    assert final.judgement == judge(final.run)
    assert abs(len(times) - rows) <= 2  # a repeated answer is not a second reading
    assert sum(isinstance(e, Started) for e in told) == 1
    assert not [e for e in told if isinstance(e, Troubled)]
    assert found_at_work() == []


def test_a_demo_s_rig_outlives_its_recorder_and_no_longer(tmp_path: Path) -> None:
    order = demo_order(tmp_path / "shop")
    link, told = SessionProcess(order), list[ThreadEvent]()
    link.start()
    follow(link, held, told)
    note = read_note(order.journal)
    assert note is not None
    os.kill(note.pid, signal.SIGKILL)
    follow(link, lambda e: isinstance(e, Restarted), told)
    follow(link, held, told)
    end(link, told)
    final = next(e for e in told if isinstance(e, Final))
    assert [p.number for p in final.run.parts] == [1, 2]
    assert final.paper is not None
    assert final.paper.title == "Test report"
    assert programs_left(tmp_path) == []


def test_who_attaches_sees_what_who_began_it_saw(order: Order) -> None:
    first, told = SessionProcess(order), list[ThreadEvent]()
    first.start()
    follow(first, held, told)
    first.let_go()
    assert first.join(WAIT_S)
    (at,) = found_at_work()
    assert at.how is Standing.ON
    again, seen = SessionProcess(at.order, attach=True), list[ThreadEvent]()
    again.start()
    follow(again, held, seen)

    def words(events: list[ThreadEvent]) -> list[object]:
        return [
            e.mark if isinstance(e, Marked) else e
            for e in events
            if isinstance(e, Marked | Asked)
        ]

    assert words(seen) == words(told)
    end(again, seen)
    assert isinstance(next(e for e in seen if isinstance(e, Final)), Final)


def test_a_second_window_is_told_that_another_one_watches(order: Order) -> None:
    first, told = SessionProcess(order), list[ThreadEvent]()
    first.start()
    follow(first, held, told)
    second, seen = SessionProcess(order, attach=True), list[ThreadEvent]()
    second.start()
    follow(second, over, seen)
    assert second.join(WAIT_S)
    assert [e.error.id for e in seen if isinstance(e, Troubled)] == ["recorder_watched"]
    end(first, told)


def test_a_recorder_told_to_end_says_so_and_keeps_what_it_has(order: Order) -> None:
    link, told = SessionProcess(order), list[ThreadEvent]()
    link.start()
    follow(link, held, told)
    note = read_note(order.journal)
    assert note is not None
    os.kill(note.pid, signal.SIGTERM)
    follow(link, over, told)
    assert link.join(WAIT_S)
    (trouble,) = [e.error for e in told if isinstance(e, Troubled)]
    assert isinstance(trouble, RigError)
    assert trouble.id == "recorder_ended"
    assert read_journal(order.journal).run.state is RunState.INTERRUPTED
    assert not order.out.exists()


def test_a_recorder_that_dies_again_and_again_is_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "proofstand.at_work.sys.executable", str(tmp_path / "dies.sh"), raising=True
    )
    (tmp_path / "dies.sh").write_text("#!/bin/sh\necho no memory left >&2\nexit 9\n")
    (tmp_path / "dies.sh").chmod(0o755)
    order = Order(out=tmp_path / "run.h5", rig=tmp_path / "rig.toml")
    link, told = SessionProcess(order), list[ThreadEvent]()
    link.start()
    follow(link, over, told)
    assert link.join(WAIT_S)
    assert sum(isinstance(e, Restarted) for e in told) == session_process.MOST_DEATHS
    (error,) = [e.error for e in told if isinstance(e, Troubled)]
    assert error.id == "recorder_died"
    assert error.facts["why"] == "no memory left"


def test_what_can_t_begin_is_told_in_words(tmp_path: Path) -> None:
    order = Order(
        out=tmp_path / "run.h5", rig=tmp_path / "none.toml", job=tmp_path / "job.toml"
    )
    link, told = SessionProcess(order), list[ThreadEvent]()
    link.start()
    follow(link, over, told)
    assert link.join(WAIT_S)
    (error,) = [e.error for e in told if isinstance(e, Troubled)]
    assert isinstance(error, InputError)
    assert error.id == "file_missing"
    assert found_at_work() == []


# --- the window ----------------------------------------------------------------------


def window(qtbot: QtBot) -> Window:
    made_application()
    made = Window(WindowOptions(light=True), QSize(1366, 768))
    qtbot.addWidget(made)
    made.show()
    return made


def test_a_test_that_ended_unwatched_is_shown_by_the_next_window(
    qtbot: QtBot, order: Order, monkeypatch: pytest.MonkeyPatch
) -> None:
    link, told = SessionProcess(order), list[ThreadEvent]()
    link.start()
    follow(link, held, told)
    for _ in range(2):
        link.say(Abandon("stopped at the window", "P. Quill"))
    # sealing and judging are still to come
    follow(link, abandoned, told)
    link.let_go()
    assert link.join(WAIT_S)
    qtbot.waitUntil(
        lambda: [f.how for f in found_at_work()] == [Standing.SEALED], timeout=30_000
    )
    made = window(qtbot)
    made.open_as_asked()
    qtbot.waitUntil(
        lambda: made.screen_now is not None and made.screen_now.phase is Phase.OVER,
        timeout=30_000,
    )
    made.wait_for_threads()
    assert found_at_work() == []
    assert open_run(order.out).state is RunState.SEALED


def test_an_interruption_of_long_ago_is_told_and_gone_on_with_when_asked(
    qtbot: QtBot, order: Order, monkeypatch: pytest.MonkeyPatch
) -> None:
    link, told = SessionProcess(order), list[ThreadEvent]()
    link.start()
    follow(link, held, told)
    note = read_note(order.journal)
    assert note is not None
    link.let_go()
    assert link.join(WAIT_S)
    os.kill(note.pid, signal.SIGKILL)
    before = order.journal.read_bytes()
    long_ago = time.time() - 3600.0
    os.utime(order.journal, (long_ago, long_ago))
    made = window(qtbot)
    made.open_as_asked()
    assert made.start.isVisible()
    assert made.interrupted.isVisible()
    assert "SIM-0001" in made.interrupted.words.text()
    assert str(order.journal) in made.interrupted.do.text()
    assert order.journal.read_bytes() == before
    made.interrupted.keys["go_on"].click()
    assert not made.interrupted.isVisible()
    until = time.monotonic() + WAIT_S
    while time.monotonic() < until and not read_journal(order.journal).run.parts[1:]:
        made.beat()
        made_application().processEvents()
    parts = read_journal(order.journal).run.parts
    assert [part.number for part in parts] == [1, 2]
    made.leave_and_close()
    made.wait_for_threads()
    later = read_note(order.journal)
    assert later is not None
    os.kill(later.pid, signal.SIGTERM)


def test_a_window_that_lets_go_leaves_the_test_to_the_next_one(
    qtbot: QtBot, order: Order
) -> None:
    made = window(qtbot)
    made.follow(SessionProcess(order), Presenter("opening", hands=False))
    qtbot.waitUntil(
        lambda: made.screen_now is not None and made.screen_now.action.hold is not None,
        timeout=30_000,
    )
    made.close()
    assert made.close_strip.isVisible()
    made.close_strip.leave_key.click()
    qtbot.waitUntil(lambda: not made.isVisible(), timeout=30_000)
    made.wait_for_threads()
    again = window(qtbot)
    again.open_as_asked()
    qtbot.waitUntil(
        lambda: (
            again.screen_now is not None and again.screen_now.phase is Phase.RUNNING
        ),
        timeout=30_000,
    )
    again.end_and_close()
    qtbot.waitUntil(lambda: not again.isVisible(), timeout=60_000)
    again.wait_for_threads()
    assert open_run(order.out).state is RunState.SEALED


def test_a_rig_that_a_test_is_on_takes_no_second_one(order: Order) -> None:
    first, told = SessionProcess(order), list[ThreadEvent]()
    first.start()
    follow(first, held, told)
    other = replace(order, out=order.out.with_name("other.h5"))
    second, seen = SessionProcess(other), list[ThreadEvent]()
    second.start()
    follow(second, over, seen)
    assert second.join(WAIT_S)
    assert [e.error.id for e in seen if isinstance(e, Troubled)] == ["rig_in_use"]
    assert not other.journal.exists()
    end(first, told)


def test_two_stations_are_led_side_by_side(
    qtbot: QtBot, order: Order, tmp_path: Path
) -> None:
    beside = tmp_path / "beside"
    beside.mkdir()
    made = window(qtbot)
    made.follow(SessionProcess(order), Presenter("opening", hands=False))
    with served(beside, 20.0, seed=2) as rig:
        second = replace(
            order, rig=rig, job=beside / "job.toml", out=beside / "run.h5", by="A. Rook"
        )
        made.another_test()
        assert made.start.isVisible()
        made.follow(SessionProcess(second), Presenter("opening", hands=False))
        made._by = second.by
        qtbot.waitUntil(lambda: made.stations.isVisible(), timeout=30_000)
        shown = made._presenter
        assert shown is not None
        behind = made._others[0].presenter
        qtbot.waitUntil(
            lambda: (
                min(shown.now_s, behind.now_s) > 3.0 and len(made.stations.keys) == 1
            ),
            timeout=60_000,
        )
        qtbot.waitUntil(
            lambda: "SIM-0001" in made.stations.keys[0].accessibleName(),
            timeout=30_000,
        )
        made.stations.keys[0].click()
        assert made._presenter is behind
        assert made._others[0].presenter is shown
        assert (made._by, made._others[0].by) == ("", "A. Rook")
        QTest.keyClick(made, Qt.Key.Key_F12)
        assert made._presenter is shown
        made.end_and_close()  # ends the one shown; the other goes on
        qtbot.waitUntil(lambda: not made.isVisible(), timeout=60_000)
        made.wait_for_threads()
    assert open_run(second.out).state is RunState.SEALED
    assert [found.order.out for found in found_at_work()] == [order.out]
    again, told = SessionProcess(order, attach=True), list[ThreadEvent]()
    again.start()
    follow(again, held, told)
    end(again, told)


def test_an_alarm_of_a_test_that_is_not_shown_stands_in_its_strip(
    qtbot: QtBot, recorded: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = window(qtbot)
    made._beat.stop()
    first, second = Presenter("opening"), Presenter("opening")
    wanted: list[bool] = []
    monkeypatch.setattr(made._tone, "want", wanted.append)
    for presenter in (first, second):
        made.another_test()
        made.follow(SessionThread(lambda tell, commands: None), presenter)
        presenter.take(events_until(recorded, 20.0, (6.0,)))
    over = {"trouble": "over_pressure", "channel": "outlet"}
    facts = {"value": "20000", "limit": "15000"}
    first.take(
        [Marked(Mark(part=1, t_s=20.0, kind=MarkKind.TROUBLE, data={**over, **facts}))]
    )
    made._beats = 0
    made.beat()
    assert wanted[-1]
    assert made._presenter is second
    assert "Over-pressure" in made.stations.keys[0].accessibleName()
    QTest.keyClick(made, Qt.Key.Key_F2)
    assert made._presenter is first
    made.wait_for_threads()
