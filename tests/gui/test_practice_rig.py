"""A drill worked by hand: real session and socket, valves on the screen, blind."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest
from PySide6.QtCore import QEvent, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

import gui.practice_desk.practice as practice
from gui.app import Window
from gui.bench_desk.presenter import Presenter
from gui.bench_desk.screen import AlarmShown, Phase
from gui.practice_desk.practice import Page
from gui.shots import take
from proofstand.commands.window import WindowOptions
from proofstand.hand_worked import HandValve, HandWorkedRig, position_words
from proofstand.practice_folder import PracticeFolder
from records.drillfile import truth_of
from records.errors import InputError
from records.faults import CATALOGUE
from records.planfile import plan_by_name
from records.runfile import read_sealed
from tests.gui.by_hand import worked
from tests.gui.fits import cut, nameless, settled, taken_down
from tests.gui.practice_states import NICKED, TITLES, TRAINEE, PracticeScene, drill_of
from tests.gui.states import PICTURES, window_of
from tests.gui.test_practice_desk import told_in

pytestmark = pytest.mark.serial
PACE = 20.0
NONE = Qt.KeyboardModifier.NoModifier


@pytest.fixture
def scene(
    qapp: QApplication,
    own_places: Path,
    monkeypatch: pytest.MonkeyPatch,
    request: pytest.FixtureRequest,
) -> Iterator[PracticeScene]:
    """Return a desk whose one drill has begun on its rig, twenty times as fast."""
    monkeypatch.setattr(practice, "HandWorkedRig", partial(HandWorkedRig, pace=PACE))
    drill_of(PracticeFolder(), NICKED)
    size, light = getattr(request, "param", ((1366, 768), True))
    options = WindowOptions(light=light, dark=not light, by=TRAINEE)
    window = window_of(options, size)
    window.go_to_desk("practice")
    made = PracticeScene(window)
    made.desk.drills.hand_key.click()
    until = time.monotonic() + 60.0
    while made.model.at_work and time.monotonic() < until:
        window.beat()
        time.sleep(0.01)
    assert made.model.page is Page.RIG, made.model.note
    yield made
    window.wait_for_threads()
    taken_down(window)


def on(scene: PracticeScene) -> str:
    """Return the step that is on."""
    rig = scene.model.rig
    picture = None if rig is None else rig.screen().picture
    steps = () if picture is None else picture.steps
    return next((cell.id for cell in steps if cell.stop_s is None), "")


def work(scene: PracticeScene, step: str, most_s: float) -> None:
    """Let a trainee's hands work until a step is on."""
    rig = scene.model.rig
    assert rig is not None
    worked(rig, lambda: on(scene) == step, scene.window.beat, most_s)
    assert on(scene) == step
    QApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete.value)
    scene.again()


@pytest.mark.parametrize(
    "scene", [((1366, 768), True), ((1920, 1080), False)], indirect=True
)
def test_the_rig_in_hand_fits_is_named_blind_and_pictured(scene: PracticeScene) -> None:
    work(scene, "rig-hold", 60.0)
    window = scene.window
    look = f"{window.width()}x{window.height()}"
    ground = window.palette().window().color().lightness()
    name = f"{look}-{'light' if ground > 128 else 'dark'}"
    take(window, PICTURES / name / "practice-rig-in-hand.png")
    assert cut(window) == []
    assert nameless(window) == []
    rig = scene.model.rig
    assert rig is not None
    screen = rig.screen()
    assert screen.findings == ()
    assert screen.verdict is None
    form = set(told_in(scene.desk.drills)) | set(told_in(scene.desk.faults))
    form |= set(told_in(scene.desk.replay))
    for text in set(told_in(window)) - form:
        assert not any(e.id in text or e.sentence in text for e in CATALOGUE.values())
        assert "severity" not in text
    # nothing of it lies in a file that is being written either
    for path in (scene.model.folder.folder / "runs").glob("*by-hand*"):
        assert b"seat_nicked" not in path.read_bytes()


def test_handles_are_moved_by_keys_and_enter_confirms(scene: PracticeScene) -> None:
    rig = scene.model.rig
    assert rig is not None
    worked(rig, lambda: on(scene) == "zero", scene.window.beat, 30.0)
    scene.again()
    vent = scene.desk.rig.valves.handles["vent_inlet"]
    vent.setFocus()
    QTest.keyClick(vent, Qt.Key.Key_End)
    assert rig.words("vent_inlet") == "100 %"
    QTest.keyClick(vent, Qt.Key.Key_Home)
    assert rig.words("vent_inlet") == "0 %"
    QTest.keyClick(vent, Qt.Key.Key_Right)
    assert 0.0 < rig.shares["vent_inlet"] < 0.01
    scene.desk.rig.valves.fixtures.lines["blank"].click()
    assert rig.fixture == "blank"
    assert [each.what for each in rig.fitted][-1] == "blank"
    # a scan confirms nothing, Enter by itself does
    QTest.keyClicks(scene.desk, "LV-1042")
    QTest.keyClick(scene.desk, Qt.Key.Key_Return)
    assert not rig.presenter._confirmed
    QTest.qWait(900)
    QTest.keyClick(scene.desk, Qt.Key.Key_Return)
    assert rig.presenter._confirmed
    QTest.keyClick(scene.desk, Qt.Key.Key_F10)
    assert rig.presenter.screen().stop_sure  # a second press stops it
    rig.presenter.keep_on()


def test_what_is_the_windows_is_left_to_the_window(
    scene: PracticeScene, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk, rig = scene.desk, scene.model.rig
    assert rig is not None
    heard: list[bool] = []
    monkeypatch.setattr(rig, "hear", lambda: heard.append(True))
    monkeypatch.setattr(scene.window, "hear", lambda: heard.append(False))

    def press(key: Qt.Key, held: Qt.KeyboardModifier = NONE) -> None:
        desk.setFocus()
        QTest.keyClick(desk, key, held)

    press(Qt.Key.Key_F2)
    assert heard == [False]  # no alarm of the drill: the window may have one
    alarm = AlarmShown(first="High", second="Vent", what="", do=("Vent",), key="F2")
    monkeypatch.setattr(Presenter, "alarm", property(lambda self: alarm))
    press(Qt.Key.Key_F2)
    assert heard == [False, True]
    monkeypatch.setattr(Window, "real_alarm", True, raising=False)
    press(Qt.Key.Key_F2)
    assert heard == [False, True, False]  # a real one goes first
    # a sign with Ctrl is no scanner's
    press(Qt.Key.Key_1, Qt.KeyboardModifier.ControlModifier)
    assert scene.window.other_desk is None


def test_a_test_that_is_left_keeps_what_was_recorded(scene: PracticeScene) -> None:
    rig = scene.model.rig
    assert rig is not None
    worked(rig, lambda: on(scene) == "zero", scene.window.beat, 30.0)
    assert scene.model.running
    scene.desk.rig.leave_key.click()
    assert scene.desk.rig.leave_key.text() == "Press again to leave"
    QTest.keyClick(scene.desk, Qt.Key.Key_Escape)  # takes the press back
    assert scene.desk.rig.leave_key.text() == "Leave the drill"
    scene.desk.rig.leave_key.click()
    scene.desk.rig.leave_key.click()  # a bounce
    assert scene.model.running
    QTest.qWait(420)
    scene.desk.rig.leave_key.click()
    settled()
    assert scene.model.page is Page.DRILLS
    assert not scene.model.running
    assert scene.model.rig is None
    assert not rig.thread.alive
    assert not rig.out.exists()
    assert rig.out.with_suffix(".journal").stat().st_size > 0
    assert scene.model.scores == []
    # and the same drill may be worked once more
    kept = scene.model.drills[scene.model.chosen]
    again = scene.model.folder.free_run(kept.drill)
    assert not again.with_suffix(".journal").exists()
    assert again != rig.out


def test_the_window_closes_on_a_test_in_hand(scene: PracticeScene) -> None:
    rig = scene.model.rig
    assert rig is not None
    worked(rig, lambda: on(scene) == "zero", scene.window.beat, 30.0)
    assert scene.model.busy
    scene.window.close()  # asks first: the drill would be lost for scoring
    strip = scene.window.close_strip
    assert strip.isVisible()
    assert "drill" in strip.words.text()
    assert not strip.leave_key.isVisible()
    assert rig.thread.alive
    strip.keep_key.click()
    assert not strip.isVisible()
    scene.window.close()
    scene.window.close()  # the second time counts
    worked(rig, lambda: not rig.thread.alive, lambda: None, 30.0)
    scene.window.beat()
    assert not scene.window.isVisible()


def test_a_stored_run_can_not_be_worked_by_hand(own_places: Path) -> None:
    folder = PracticeFolder()
    kept = drill_of(folder, NICKED)
    with pytest.raises(InputError, match="drill_of_stored_run"):
        HandWorkedRig(replace(kept.drill, run="20260615T080000"), "d.toml")


def test_a_family_that_there_is_not_is_told(own_places: Path) -> None:
    kept = drill_of(PracticeFolder(), NICKED)
    with pytest.raises(InputError, match="family_unknown"):
        HandWorkedRig(replace(kept.drill, family="third-stage"), "d.toml")


def test_a_valve_is_fine_where_it_is_nearly_shut() -> None:
    valve = HandValve("bleed", 1.0, bent=True)
    assert valve.position(0.0) == 0.0
    assert valve.position(1.0) == valve.position(2.0) == 1.0
    assert valve.position(0.1) < 0.01
    plan, _ = plan_by_name("low-pressure")
    supply = HandValve("supply_pa_gauge", 200e3, bent=False)
    assert position_words(supply, 68_947.57, plan) == "10.00 psi gauge"


@pytest.mark.slow
def test_a_whole_drill_worked_by_hand_to_its_score(scene: PracticeScene) -> None:
    rig, model = scene.model.rig, scene.model
    assert rig is not None
    worked(rig, lambda: model.page is Page.REPLAY, scene.window.beat, 400.0)
    assert model.page is Page.REPLAY, rig.presenter.phase is Phase.FAILED
    assert model.run_path is not None
    run = read_sealed(model.run_path)
    truth = truth_of(run)
    assert truth is not None
    assert dict(truth["faults"]) == {"seat_nicked": 0.6}
    assert b"seat_nicked" not in model.run_path.read_bytes()
    for _ in range(4):
        model.pass_over()
    model.choose("fail")
    model.choose("seat_debris")
    model.call_it()
    scene.done()
    assert model.score is not None, model.note
    # nothing was read off the trace; verdict and cause are right
    assert model.score.scored.points == 4.0
    assert TITLES[NICKED] == model.score.drill
