"""Several desks in one window: the one in view, what is shared, a test left behind."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QLabel, QLineEdit, QVBoxLayout

import gui.app as app_module
from gui.app import Window
from gui.desk import Desk, DeskMaker
from gui.theme import Theme
from proofstand.commands.window import WindowOptions
from records.run import Run
from tests.gui.fits import settled, taken_down
from tests.gui.states import Clock, Scene, hold_of, window_of

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
    assert window.start.isVisible()


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
