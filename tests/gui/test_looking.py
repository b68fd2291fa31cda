"""Looking back while the test runs: keys, wheel, cursors, an earlier run, pictures."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QImage
from PySide6.QtSvg import QSvgRenderer
from PySide6.QtTest import QTest

from analysis.judge import judge
from gui.app import SIGN_MS, made_application
from gui.bench_desk.looking import (
    SHORTEST_S,
    Looking,
    aligned,
    cursor_lines,
    earlier_run,
)
from gui.bench_desk.presenter import Presenter
from gui.bench_desk.screen import Picture
from gui.history import History
from gui.session_thread import EarlierFound
from proofstand.commands.window import WindowOptions
from proofstand.earlier import last_run_of
from proofstand.session import Judged
from records.errors import InputError
from records.measure import unit_of
from records.run import MarkKind, Run
from records.runfile import open_run
from records.trace import Trace
from tests.gui.fits import taken_down
from tests.gui.states import Clock, Deaf, Scene, hold_of, window_of
from tests.simulated_runs import RunOf


@pytest.fixture
def scene(
    run_path: Path, recorded: Run, run_of: RunOf, tmp_path: Path
) -> Iterator[Scene]:
    """Return a window in the middle of a creep hold."""
    window = window_of(WindowOptions(light=True), (1366, 768))
    bad = run_of("seat_nicked:0.5", seed=3)
    run = open_run(bad)
    made = Scene(window, run_path, recorded, bad, run, tmp_path, Clock())
    made.at(hold_of(recorded, "creep-hold") + 40.0)
    yield made
    for task in window._side_tasks:
        task.thread.join()
    taken_down(window)


def picture(scene: Scene) -> Picture:
    """Return what the window shows now."""
    screen = scene.window.screen_now
    assert screen is not None
    assert screen.picture is not None
    return screen.picture


def key(scene: Scene, which: Qt.Key, *more: Qt.KeyboardModifier) -> None:
    """Press a key."""
    held = Qt.KeyboardModifier.NoModifier
    for each in more:
        held |= each
    QTest.keyClick(scene.window, which, held)
    for _ in range(50):  # a sign of a scan would not stand alone
        if scene.window._sign is None:
            break
        QTest.qWait(SIGN_MS)
    QTest.qWait(SIGN_MS)  # and the next one is another press


# --- keys and mouse ------------------------------------------------------------------


def test_keys_zoom_pan_and_lead_back_and_the_test_goes_on(scene: Scene) -> None:
    thread = scene.window._thread
    assert isinstance(thread, Deaf)
    before = picture(scene)
    assert not before.looking
    key(scene, Qt.Key.Key_Plus)
    near = picture(scene)
    assert near.looking
    span, was = near.to_s - near.from_s, before.to_s - before.from_s
    assert span == pytest.approx(0.5 * was)
    for _ in range(4):
        key(scene, Qt.Key.Key_Left)
    assert picture(scene).from_s < near.from_s
    key(scene, Qt.Key.Key_Minus)
    assert picture(scene).to_s - picture(scene).from_s == pytest.approx(was)
    assert "Looking back" in scene.window._bench().trace.look.head.text()
    # what is to be done and what is read now stay those of the test
    assert scene.window._bench().action.first.text() == "Hands off."
    now = scene.window._bench().trace.readouts["outlet"].value.text()
    key(scene, Qt.Key.Key_End)
    assert picture(scene) == before
    assert scene.window._bench().trace.readouts["outlet"].value.text() == now
    assert thread.said == []


def test_a_held_arrow_key_goes_on(scene: Scene) -> None:
    key(scene, Qt.Key.Key_Plus)
    start = picture(scene).from_s
    QTest.keyPress(scene.window, Qt.Key.Key_Left)
    first = picture(scene).from_s
    assert first < start


def test_the_wheel_zooms_about_the_pointer(scene: Scene) -> None:
    plot = scene.window._bench().trace.plot
    lane = plot.plots["outlet"]
    at = QPointF(0.3 * plot.width(), 0.3 * plot.height())
    before = plot.time_at(at.x())
    handle = scene.window.windowHandle()
    there = lane.viewport().mapTo(
        scene.window, lane.viewport().mapFrom(plot, at.toPoint())
    )
    QTest.wheelEvent(handle, QPointF(there), QPoint(0, 240))
    made_application().processEvents()
    assert picture(scene).looking
    assert plot.time_at(at.x()) == pytest.approx(before, abs=0.3)


def test_dragging_moves_the_picture_and_a_cursor(scene: Scene) -> None:
    key(scene, Qt.Key.Key_Plus)
    plot = scene.window._bench().trace.plot
    middle = QPoint(plot.width() // 2, plot.height() // 3)
    left = picture(scene).from_s
    lane = plot.plots["outlet"].viewport()
    start = lane.mapFrom(plot, middle)
    QTest.mousePress(lane, Qt.MouseButton.LeftButton, pos=start)
    QTest.mouseMove(lane, start + QPoint(120, 0))
    QTest.mouseRelease(lane, Qt.MouseButton.LeftButton, pos=start)
    assert picture(scene).from_s < left
    key(scene, Qt.Key.Key_C)
    cursors = picture(scene).cursors
    assert cursors is not None
    at = QPoint(round(plot._x_of(cursors[0])), plot.height() // 3)
    QTest.mousePress(plot, Qt.MouseButton.LeftButton, pos=at)
    QTest.mouseMove(plot, at - QPoint(60, 0))
    QTest.mouseRelease(plot, Qt.MouseButton.LeftButton, pos=at)
    moved = picture(scene).cursors
    assert moved is not None
    assert moved[0] < cursors[0]
    assert moved[1] == cursors[1]
    key(scene, Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)
    key(scene, Qt.Key.Key_Left, Qt.KeyboardModifier.ControlModifier)
    nudged = picture(scene).cursors
    assert nudged is not None
    assert nudged[0] < moved[0]
    assert nudged[1] > moved[1]


def test_a_press_on_a_step_goes_to_its_stretch(scene: Scene) -> None:
    sheet = scene.window._bench().trace.sheet
    cell, left, right = sheet._boxes()[0]
    at = QPoint(round(0.5 * (left + right)), sheet.height() // 2)
    QTest.mouseClick(sheet, Qt.MouseButton.LeftButton, pos=at)
    shown = picture(scene)
    assert shown.looking
    assert cell.stop_s is not None
    assert shown.from_s <= cell.start_s
    assert shown.to_s >= cell.stop_s
    whole = scene.window._bench().trace.whole
    QTest.mouseClick(
        whole, Qt.MouseButton.LeftButton, pos=QPoint(whole.width() // 4, 5)
    )
    assert picture(scene).to_s < shown.to_s


def test_no_key_looks_back_where_words_are_typed(scene: Scene) -> None:
    scene.window.tell()
    saying = scene.window._bench().saying
    saying.choices[0].click()
    saying.reason.setFocus()
    QTest.keyClicks(saying.reason, "cap o+p")
    assert saying.reason.text() == "cap o+p"
    assert not picture(scene).looking
    assert picture(scene).cursors is None


# --- stretches and cursors -----------------------------------------------------------


@given(
    now=st.floats(1.0, 3e4),
    moves=st.lists(
        st.one_of(st.floats(-2.0, 2.0), st.floats(0.01, 8.0).map(lambda f: ("z", f))),
        max_size=12,
    ),
)
def test_no_move_leaves_the_run(now: float, moves: list[object]) -> None:
    looking, shown = Looking(), (0.0, now)
    for move in moves:
        if isinstance(move, tuple):
            middle = 0.5 * (shown[0] + shown[1])
            looking = looking.zoomed(shown, move[1], now, middle)
        else:
            assert isinstance(move, float)
            looking = looking.panned(shown, move, now)
        assert looking.window is not None
        shown = looking.window
        span = shown[1] - shown[0]
        assert min(SHORTEST_S, now) * 0.99 <= span <= 1.05 * max(now, SHORTEST_S)
        assert shown[0] < now
        assert shown[1] > 0.0


def test_cursors_say_values_difference_and_slope_with_unit_and_reference(
    recorded: Run,
) -> None:
    outlet = recorded.header.rig.channel("outlet")
    assert outlet is not None
    assert outlet.calibration is not None
    kpa = unit_of("kPa")
    t = np.arange(0.0, 100.0, 0.05)
    value = 2000.0 + 10.0 * t  # 10 Pa a second: 0.6 kPa a minute
    history = History()
    history.add(Trace(outlet.id, t, value, np.zeros(t.size, dtype=np.uint8)))
    times, line = cursor_lines((80.0, 20.0), [(outlet, history, kpa)])
    assert times == "A 0:20.0   B 1:20.0   60.0 s apart"
    assert "A 2.20" in line
    assert "B 2.80" in line
    assert "kPa gauge" in line
    assert "+0.60" in line
    assert "kPa difference" in line
    assert "+0.60" in line.split("difference")[1]
    assert "per minute" in line
    u = 2.0 * outlet.calibration.u_at(2800.0) / 1000.0
    shown = line.split("\u00b1 ")[1].split(" ")[0]
    assert float(shown) == pytest.approx(u, abs=0.006)
    bare = replace(outlet, calibration=None)
    assert "not known" in cursor_lines((20.0, 80.0), [(bare, history, kpa)])[1]
    assert "no reading" in cursor_lines((20.0, 180.0), [(bare, history, kpa)])[1]


# --- an earlier run ------------------------------------------------------------------


def test_an_earlier_run_is_laid_together_at_the_shut_off(
    recorded: Run, scene: Scene
) -> None:
    earlier = earlier_run(scene.bad_run, "x")
    found = aligned(earlier, recorded.marks, "lockup-1")
    assert found is not None
    shift, words = found
    assert "shut-off of lockup 1" in words

    def shut(run: Run) -> float:
        return next(
            m.t_s
            for m in run.marks
            if m.kind is MarkKind.SEEN
            and m.step == "lockup-1"
            and "closing_s" in m.data
        )

    assert shift == pytest.approx(shut(recorded) - shut(scene.bad_run))
    assert aligned(earlier, recorded.marks, "nothing") is None


def test_what_lies_under_the_trace_is_moved_there(scene: Scene) -> None:
    presenter = scene.window._presenter
    assert presenter is not None
    scene.take(presenter, EarlierFound(scene.bad_run, "fail"))
    told = scene.window._bench().trace.look.lines.text()
    assert "this regulator's run of" in told
    assert "fail" in told
    assert "creep hold" in told
    assert presenter.under is not None
    _, shift = presenter.under
    start = hold_of(scene.good_run, "creep-hold")
    assert start - hold_of(scene.bad_run, "creep-hold") == pytest.approx(shift)
    under = scene.window._bench().trace.plot.plots["outlet"].under
    t, value = under.getData()
    assert under.isVisible()
    unit = 249.08891
    near = float(np.interp(start + 60.0, t, value))
    trace = scene.bad_run.trace(scene.bad_run.header.rig.channels[0], 1)
    true = float(np.interp(start + 60.0 - shift, trace.t_s, trace.value)) / unit
    assert near == pytest.approx(true, rel=0.01)
    key(scene, Qt.Key.Key_O)
    assert presenter.under is None


def test_the_last_run_of_a_regulator_is_found_beside_this_one(
    recorded: Run, run_path: Path, tmp_path: Path
) -> None:
    header = recorded.header
    assert last_run_of(header, tmp_path) is None
    shutil.copy(run_path, tmp_path / "one.h5")
    (tmp_path / "broken.h5").write_bytes(b"x" * 5000)
    assert last_run_of(header, tmp_path) is None  # it is this very run
    later = replace(header, started_utc_ns=header.started_utc_ns + 10**12)
    found = last_run_of(later, tmp_path)
    assert found is not None
    assert found.id == recorded.id
    other = replace(header.job.regulator, serial="OTHER")
    job = replace(header.job, regulator=other)
    assert last_run_of(replace(later, job=job), tmp_path) is None


def test_a_file_is_taken_by_its_path_and_a_wrong_one_is_said_beside_it(
    scene: Scene, run_path: Path
) -> None:
    key(scene, Qt.Key.Key_Plus)
    row = scene.window._bench().trace.look
    for typed, told in ((str(run_path), "run of"), ("nowhere.h5", "There is no")):
        row.file.setText(typed)
        QTest.keyClick(row.file, Qt.Key.Key_Return)
        assert scene.window._side_tasks[-1].thread.join(30.0)
        scene.window._thread = None
        scene.window.beat()
        assert told in row.lines.text()
        assert row.file.text() == typed
    presenter = scene.window._presenter
    assert presenter is not None
    assert presenter.phase.value == "running"


def test_an_error_of_a_chosen_file_is_no_trouble_of_the_test(scene: Scene) -> None:
    presenter = scene.window._presenter
    assert presenter is not None
    error = InputError("file_missing", where="a.h5", what="run file")
    scene.take(presenter, EarlierFound(None, own=False, error=error))
    assert "There is no run file" in scene.window._bench().trace.look.lines.text()
    assert presenter.screen().strip is None


# --- the picture as a file -----------------------------------------------------------


def test_what_is_seen_is_saved_as_png_and_svg_and_never_over_another(
    scene: Scene,
) -> None:
    presenter = scene.window._presenter
    assert presenter is not None
    presenter._journal = scene.folder / "run.journal"
    key(scene, Qt.Key.Key_C)
    key(scene, Qt.Key.Key_P)
    key(scene, Qt.Key.Key_P)
    names = sorted(path.name for path in scene.folder.glob("run-picture-*"))
    both = ("png", "svg")
    assert names == [f"run-picture-{n}.{end}" for n in (1, 2) for end in both]
    assert "Saved: run-picture-2.png" in scene.window._bench().trace.look.lines.text()
    image = QImage(str(scene.folder / "run-picture-1.png"))
    trace = scene.window._bench().trace
    assert image.width() == 2 * trace.width()
    assert len({image.pixel(x, 300) for x in range(0, image.width(), 2)}) > 8
    svg = (scene.folder / "run-picture-1.svg").read_text("utf-8")
    assert QSvgRenderer(svg.encode()).isValid()
    for words in ("SIM-0001", "SIMULATED RIG", "in. w.c.", "lockup"):
        assert words in svg, words


def test_a_folder_that_can_t_be_written_is_said(scene: Scene) -> None:
    presenter = scene.window._presenter
    assert presenter is not None
    presenter._journal = scene.folder / "none" / "run.journal"
    key(scene, Qt.Key.Key_P)
    assert "can't be written" in scene.window._bench().trace.look.lines.text()


# --- how it stands -------------------------------------------------------------------


def test_a_hold_says_that_it_is_on_course_and_what_is_left(
    recorded: Run, scene: Scene
) -> None:
    presenter = Presenter(clock=scene.clock)
    from tests.gui.replay import events_until

    until = hold_of(recorded, "lockup-1") + 12.0
    presenter.take(events_until(recorded, until, (6.0,)))
    action = presenter.screen().action
    assert "on course" not in action.detail
    assert "min" in action.foot
    presenter.take([Judged(judge(recorded), "lockup-1")])
    assert presenter.screen().action.detail.endswith("s to go, on course")


def test_intervals_stand_where_they_were_read(recorded: Run, scene: Scene) -> None:
    presenter = scene.window._presenter
    assert presenter is not None
    found = judge(recorded)
    scene.take(presenter, Judged(found, "creep-hold"))
    lane = picture(scene).lanes[0]
    ends = {cell.id: cell.stop_s for cell in picture(scene).steps}
    read = next(f for f in found.findings if f.id == "set_pressure")
    assert read.interval is not None
    mine = [i for i in lane.intervals if i.at_s == ends[read.step]]
    assert [i.low for i in mine] == pytest.approx([lane.shown(read.interval[0])])
    assert [i.high for i in mine] == pytest.approx([lane.shown(read.interval[1])])
    assert picture(scene).lanes[1].intervals == ()
