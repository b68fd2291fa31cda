"""Several desks in one window: the one in view, what is shared, a test left behind."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QLabel, QLineEdit, QVBoxLayout

import gui.app as app_module
from gui.app import HEAD_BEATS, Window
from gui.bench_desk.presenter import NO_READING_S, Presenter
from gui.bench_desk.station_strips import station_of
from gui.desk import Desk, DeskMaker
from gui.theme import Theme
from proofstand.commands.window import WindowOptions
from proofstand.session import Closed, Sampled, Started, Troubled
from records.errors import RigError
from records.run import Run
from tests.gui.fits import settled, taken_down
from tests.gui.replay import events_until
from tests.gui.states import STATES, Clock, Scene, alarm, hold_of, window_of

SIZE = (1366, 768)


class Model:
    def __init__(self, options: WindowOptions) -> None:
        self.desk = options.desk
        self.views = 0
        self.went = 0
        self.scans: list[str] = []
        self.busy = False

    def let_go(self) -> None:
        self.went += 1
        self.busy = False

    def wait(self) -> None:
        assert not self.busy


class View(Desk):
    def __init__(self, theme: Theme, model: Model) -> None:
        super().__init__()
        self.model = model
        model.views += 1
        layout = QVBoxLayout(self)
        layout.addWidget(QLabel("what this desk is for"))
        self.field = QLineEdit()
        layout.addWidget(self.field)

    @property
    def head_lines(self) -> tuple[str, str]:
        return "a desk", "of this test"

    def scanned(self, label: str) -> None:
        self.model.scans.append(label)


@pytest.fixture
def window(qapp: QApplication, monkeypatch: pytest.MonkeyPatch) -> Iterator[Window]:
    loaders = {"records": lambda: DeskMaker(Model, View)}
    monkeypatch.setattr(app_module, "LOADERS", loaders)
    made = window_of(WindowOptions(light=True), SIZE)
    yield made
    taken_down(made)


def test_a_desk_is_made_when_it_is_first_gone_to(window: Window) -> None:
    assert list(window.head.desks) == ["bench", "records"]
    assert window._models == {}
    QTest.keyClick(window, Qt.Key.Key_2, Qt.KeyboardModifier.ControlModifier)
    assert window.other_desk is not None
    assert window.other_desk.isVisible()
    assert window.head._first.text() == "a desk"
    assert window.head.desks["records"].in_view
    assert not window.head.desks["bench"].in_view
    QTest.keyClick(window, Qt.Key.Key_1, Qt.KeyboardModifier.ControlModifier)
    assert window.start.isVisible()
    assert window.head._first.text() == ""
    window.head.desks["records"].click()
    model = window._models["records"]
    assert model.views == 1  # type: ignore[attr-defined]


def test_a_desk_s_widgets_are_made_anew_with_the_size_and_what_it_knows_stays(
    window: Window,
) -> None:
    window.go_to_desk("records")
    model = window._models["records"]
    window.resize(1920, 1080)
    window._fit()
    settled()
    assert window._models["records"] is model
    assert model.views == 2  # type: ignore[attr-defined]
    assert window.other_desk is not None
    assert window.other_desk.isVisible()
    assert window.head.desks["records"].in_view


def test_keys_of_the_bench_do_nothing_at_another_desk(window: Window) -> None:
    window.go_to_desk("records")
    desk = window.other_desk
    assert isinstance(desk, View)
    for key in (Qt.Key.Key_F9, Qt.Key.Key_F3, Qt.Key.Key_F8, Qt.Key.Key_End):
        QTest.keyClick(desk, key)
        assert window.other_desk is desk
    QTest.keyClick(desk, Qt.Key.Key_F1)  # a burst hose is one wherever one looks
    assert window.hose_page.isVisible()
    window.leave_hose()
    assert window.other_desk is desk


def test_a_scan_goes_to_the_desk_in_view(window: Window) -> None:
    window.go_to_desk("records")
    desk = window.other_desk
    assert isinstance(desk, View)
    desk.setFocus()
    for letter in "LV-1042/SIM-0001":
        QTest.keyClicks(desk, letter)
    QTest.keyClick(desk, Qt.Key.Key_Return)
    assert desk.model.scans == ["LV-1042/SIM-0001"]


def test_a_desk_that_is_at_work_is_let_go_before_the_window_closes(
    window: Window,
) -> None:
    window.go_to_desk("records")
    model = window._models["records"]
    model.busy = True  # type: ignore[misc]
    window.close()
    assert model.went == 1  # type: ignore[attr-defined]
    window.beat()
    assert not window.isVisible()


def test_a_test_that_is_on_goes_on_as_a_strip_and_is_there_again(
    window: Window, run_path: Path, recorded: Run, tmp_path: Path
) -> None:
    scene = Scene(window, run_path, recorded, run_path, recorded, tmp_path, Clock())
    presenter = scene.at(hold_of(recorded, "lockup-1") + 20.0)
    window.go_to_desk("records")
    assert window.stations.isVisible()
    assert window.other_desk is not None
    assert window.other_desk.isVisible()
    assert window.head._first.text() == "a desk"
    window.go_to_desk("bench")
    assert window._presenter is presenter
    assert window.desk is not None
    assert window.desk.isVisible()
    assert not window.stations.isVisible()


@pytest.fixture
def scene(window: Window, run_path: Path, recorded: Run, tmp_path: Path) -> Scene:
    """Return the window with recorded runs that it may show."""
    return Scene(window, run_path, recorded, run_path, recorded, tmp_path, Clock())


def left(scene: Scene, step: str = "lockup-1", *events: object) -> Presenter:
    """Leave a test that is on for another desk; then let something come of it."""
    presenter = scene.at(hold_of(scene.good_run, step) + 20.0)
    scene.window.go_to_desk("records")
    presenter.take(list(events))  # type: ignore[arg-type]
    for _ in range(2 * HEAD_BEATS):
        scene.window.beat()
    return presenter


def test_the_hose_page_tells_what_the_test_reads_that_is_on(scene: Scene) -> None:
    window = scene.window
    presenter = left(scene)
    QTest.keyClick(window, Qt.Key.Key_F1)
    told = window.hose_page.readings.text()
    assert told.startswith("SIM-0001: Outlet 11.6")
    later = events_until(scene.good_run, 900.0, (30.0,))
    presenter.take(e for e in later if isinstance(e, Sampled))
    window.beat()
    assert window.hose_page.readings.text() != told
    scene.clock.now += 2.0 * NO_READING_S
    window.beat()
    assert "11." not in window.hose_page.readings.text()
    assert "no reading" in window.hose_page.readings.text()
    # back to the desk that it was asked from; the test is found again from there
    QTest.keyClick(window, Qt.Key.Key_Escape)
    assert window.other_desk is not None
    assert window.other_desk.isVisible()
    QTest.keyClick(window, Qt.Key.Key_1, Qt.KeyboardModifier.ControlModifier)
    assert window._presenter is presenter


def test_without_a_test_the_hose_page_sends_to_the_gauges(window: Window) -> None:
    window.go_to_desk("records")
    window.burst_hose()
    assert "gauges" in window.hose_page.readings.text()


def test_what_a_lost_rig_read_last_is_no_reading(scene: Scene) -> None:
    lost = (Troubled(RigError("instrument_silent")), Closed("failed", 320.0))
    presenter = left(scene, "lockup-1", *lost)
    assert "no reading" in presenter.readings_told
    assert "11." not in scene.window.stations.keys[0].text()


def test_an_alarm_stands_across_every_desk_and_f2_goes_to_it(scene: Scene) -> None:
    window = scene.window
    presenter = left(scene, "lockup-1", alarm("over_pressure"))
    assert window.alarm_bar.isVisible()
    assert "SIM-0001" in window.alarm_bar.first.text()
    assert window.alarm_bar.second.text()
    assert "F2" in window.alarm_bar.key.text()
    assert window.real_alarm
    assert window.other_desk is not None
    QTest.keyClick(window.other_desk, Qt.Key.Key_F2)
    assert window._presenter is presenter
    assert window.alarm_bar.isVisible()


def test_the_stop_key_leads_to_the_test_from_any_desk(scene: Scene) -> None:
    presenter = left(scene)
    desk = scene.window.other_desk
    assert desk is not None
    QTest.keyClick(desk, Qt.Key.Key_F10)
    assert scene.window._presenter is presenter
    assert not presenter.screen().stop_sure  # that press stopped nothing


def test_a_strip_says_whether_it_is_the_rig_or_a_simulated_one(scene: Scene) -> None:
    left(scene)
    assert "ON THE RIG" not in scene.window.stations.keys[0].text()
    rig = replace(scene.good_run.header.rig, simulated=False)
    header = replace(scene.good_run.header, rig=rig)
    presenter = Presenter(clock=scene.clock)
    presenter.take([Started("x", scene.folder / "x.journal", header)])
    assert "ON THE RIG" in station_of(presenter.screen()).what


def test_a_half_typed_answer_is_there_again(scene: Scene) -> None:
    STATES["ask-look"](scene)
    window = scene.window
    assert window.desk is not None
    window.desk.action.answer.setText("12")
    window.go_to_desk("records")
    window.go_to_desk("bench")
    assert window.desk.action.answer.text() == "12"
