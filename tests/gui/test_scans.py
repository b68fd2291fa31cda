"""What a scanner types, at any moment: it is compared, and does nothing else."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QWidget
from pytestqt.qtbot import QtBot

from gui.app import SIGN_MS, Window
from gui.bench_desk.last_test import keep_last
from gui.bench_desk.presenter import ARM_S, Presenter
from gui.bench_desk.start_checks import look_at
from gui.scanned import CLOSE_S, GAP_S, LEAST_SIGNS, Burst
from proofstand.commands.options import MOST_NAME
from proofstand.commands.window import WindowOptions
from proofstand.procedure.engine import Acknowledge
from proofstand.session import Asked
from records.run import Request, Run
from tests.gui.states import BY, Clock, Deaf, Scene, filled, window_of

OWN, OTHER = "LV-1042/SIM-0001", "LV-9-C-O+P/K-77"


def scan(window: Window, label: str) -> None:
    """Type a label as a scanner does, into whatever has the focus."""
    for sign in label:
        QTest.keyClicks(_focused(window), sign)
    QTest.keyClick(_focused(window), Qt.Key.Key_Return)
    QTest.qWait(2 * SIGN_MS)


def _focused(window: Window) -> QWidget:
    return QApplication.focusWidget() or window


@pytest.fixture
def waiting(
    qtbot: QtBot, recorded: Run, run_path: Path, tmp_path: Path
) -> tuple[Scene, Presenter, Deaf]:
    """Return a window in which a request waits to be confirmed."""
    window = window_of(WindowOptions(light=True), (1366, 768))
    qtbot.addWidget(window)
    clock = Clock()
    scene = Scene(window, run_path, recorded, run_path, recorded, tmp_path, clock)
    presenter = scene.at(1.0)
    deaf = scene.show(presenter)
    request = Request(id="zero.9", step="zero", act="open_to_air", confirm=True)
    scene.take(presenter, Asked(request))
    return scene, presenter, deaf


# --- telling it apart ----------------------------------------------------------------


def test_quick_signs_are_a_scan_and_slow_ones_are_not() -> None:
    clock = Clock()
    burst = Burst(clock)
    for sign in "SIM-1":
        burst.take(sign)
        clock.now += 0.2 * GAP_S
    assert burst.scan() == "SIM-1"
    clock.now += 2.0 * CLOSE_S
    assert burst.scan() == ""
    assert not burst.close()
    for sign in "SIM-1":
        burst.take(sign)
        clock.now += 1.1 * GAP_S
    assert burst.scan() == ""
    assert burst.close()  # of a scan the rest may have come late
    burst.forget()
    for sign in "SIM-1"[: LEAST_SIGNS - 1]:
        burst.take(sign)
    assert burst.scan() == ""


def test_a_busy_window_takes_a_scan_whole_and_makes_none_of_slow_signs() -> None:
    clock = Clock()
    late, slow = Burst(clock), Burst(clock)
    for number, sign in enumerate("SIM-1"):
        late.take(sign, 0.005 * number)
        slow.take(sign, 0.3 * number)
        clock.now += 0.2 if number == 2 else 0.0
    assert late.scan(0.03) == "SIM-1"
    assert slow.scan(1.2 + 0.3) == ""
    assert not slow.close(1.2 + 0.3)
    assert slow.on


# --- while a test is on --------------------------------------------------------------


@pytest.mark.parametrize("label", [OWN, OTHER])
def test_a_scan_confirms_nothing_and_zooms_nothing(
    waiting: tuple[Scene, Presenter, Deaf], label: str
) -> None:
    scene, presenter, deaf = waiting
    before = sorted(scene.folder.rglob("*"))
    scan(scene.window, label)
    assert deaf.said == []
    assert not presenter.looks_back
    assert not presenter.busy_looking
    assert sorted(scene.folder.rglob("*")) == before
    strip = scene.window._bench().strip
    assert strip.isVisible()
    other = "of another regulator" in strip.what.text()
    assert other is (label == OTHER)
    assert "SIM-0001" in strip.what.text()
    assert (label in strip.what.text()) is other
    assert "confirms nothing" in strip.do.text()
    QTest.qWait(round(1200 * CLOSE_S))
    QTest.keyClick(scene.window, Qt.Key.Key_Return)  # a press that is meant
    assert deaf.said == [Acknowledge("zero.9", "nobody named")]
    scene.again()
    assert not strip.isVisible()


def test_a_blank_in_a_label_presses_no_key(
    waiting: tuple[Scene, Presenter, Deaf],
) -> None:
    scene, _, deaf = waiting
    scene.window._bench().action.done.setFocus()
    scan(scene.window, "LV 1042 SIM 0001")
    assert deaf.said == []


def test_a_sign_typed_by_hand_still_looks_back(
    waiting: tuple[Scene, Presenter, Deaf],
) -> None:
    scene, presenter, _ = waiting
    QTest.keyClick(scene.window, Qt.Key.Key_Minus)
    assert not presenter.looks_back  # another sign may follow
    for _ in range(50):
        if presenter.looks_back:
            break
        QTest.qWait(SIGN_MS)
    assert presenter.looks_back


def test_a_scan_is_no_answer(waiting: tuple[Scene, Presenter, Deaf]) -> None:
    scene, presenter, deaf = waiting
    request = Request(
        id="look.1",
        step="zero",
        act="look",
        confirm=True,
        look="bubble_count",
        asks="How many bubbles?",
    )
    scene.take(presenter, Asked(request))
    answer = scene.window._bench().action.answer
    answer.setFocus()
    QTest.keyClicks(answer, "7")
    QTest.qWait(round(2000 * GAP_S))
    scan(scene.window, "10420001")
    assert deaf.said == []
    assert answer.text() == "7"
    assert "another regulator" in scene.window._bench().strip.what.text()


def test_a_scan_makes_no_paper_and_goes_to_no_next_test(
    waiting: tuple[Scene, Presenter, Deaf],
) -> None:
    from tests.gui.states import STATES

    scene, _, _ = waiting
    STATES["verdict-pass"](scene)
    scene.clock.now += 2.0 * ARM_S
    scene.again()
    scan(scene.window, OTHER)
    assert scene.window._side_tasks == []
    assert scene.window.desk is not None


# --- on the start sheet --------------------------------------------------------------


@pytest.mark.parametrize("name", ["by", "rig", "plan", "job", "out", "label"])
def test_a_scan_goes_to_the_label_from_any_field(
    qtbot: QtBot, tmp_path: Path, name: str
) -> None:
    before = filled(tmp_path)
    keep_last(before)
    window = window_of(WindowOptions(light=True), (1366, 768))
    qtbot.addWidget(window)
    window.start.fill(before)
    window.start.fields[name].setFocus()
    scan(window, OWN)
    typed = window.start.given
    assert typed.label == OWN
    assert (typed.by, typed.rig, typed.plan) == (BY, before.rig, before.plan)
    assert (typed.job, typed.out) == (before.job, before.out)
    assert window.start.read.hasFocus()


def test_a_name_typed_by_hand_stays_where_it_is(qtbot: QtBot) -> None:
    window = window_of(WindowOptions(light=True), (1366, 768))
    qtbot.addWidget(window)
    field = window.start.fields["by"]
    field.setFocus()
    for sign in "Rook":
        QTest.keyClicks(field, sign)
        time.sleep(1.2 * GAP_S)
    QTest.keyClick(field, Qt.Key.Key_Return)
    assert field.text() == "Rook"
    assert window.start.given.label == ""


@pytest.mark.parametrize(
    "name", ["A. Rook\u202e", "A.\u0007 Rook", "A" * (MOST_NAME + 1), "A.\nRook"]
)
def test_a_name_that_can_t_stand_on_a_paper_is_said(tmp_path: Path, name: str) -> None:
    good = look_at(filled(tmp_path, by="A" * MOST_NAME))
    assert good.beside["by"].good
    sheet = look_at(filled(tmp_path, by=name))
    assert not sheet.beside["by"].good
    assert "96 characters" in sheet.beside["by"].words
    assert not sheet.ready
