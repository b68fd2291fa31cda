"""Alarms in the window, the page on a burst hose, and what is said unasked."""

from __future__ import annotations

import io
import os
import sys
import wave
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QFontMetricsF
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QLabel
from pytestqt.qtbot import QtBot

from gui import tone
from gui.app import made_application
from gui.bench_desk.presenter import ARM_S, RIG, Presenter
from gui.scanned import GAP_S
from gui.tone import EVERY_S, Tone
from proofstand.alarms import RIG_LOST
from proofstand.procedure.engine import Acknowledge, Declare, Hear, Repeat, Skip
from proofstand.procedure.watch import ALARMS
from proofstand.session import Asked, Closed, Marked, Troubled
from proofstand.words.sentences import alarm_does, alarm_said
from records.errors import InputError, RigError
from records.run import Mark, MarkKind, Request, Run
from tests.gui.test_presenter import Clock, asked
from tests.gui.test_view import SIZES, at_work, hold_of, moment, window

BY = "P. Quill (invented)"
VALUES = {"value": "5231.0", "limit": "4976.8", "why": "late"}


def alarm(what: str, channel: str = "outlet") -> Marked:
    told = {"trouble": what, "channel": channel, **VALUES}
    return Marked(Mark(part=1, t_s=310.0, kind=MarkKind.TROUBLE, data=told))


def heard(what: str, channel: str = "outlet") -> Marked:
    told = {"heard": what, "channel": channel}
    return Marked(Mark(part=1, t_s=311.0, kind=MarkKind.NOTE, data=told, by=BY))


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def locked(recorded: Run, clock: Clock) -> Presenter:
    return moment(recorded, hold_of(recorded, "lockup-1") + 9.0, clock)


# --- what is said of an alarm --------------------------------------------------------


@pytest.mark.parametrize("what", ALARMS)
def test_every_alarm_says_what_it_is_and_what_to_do(
    locked: Presenter, what: str
) -> None:
    locked.take([alarm(what)])
    shown = locked.screen().alarm
    assert shown is not None
    assert shown.do == alarm_does(what)
    assert len(shown.do) >= 3
    assert shown.key
    for text in (shown.first, shown.second, shown.what):
        assert text
        assert "{" not in text
        assert "?" not in text
    if what != "channel_silent":
        assert "21.02 in. w.c. gauge" in shown.what


def test_the_gravest_is_shown_first_and_the_others_are_counted(
    locked: Presenter,
) -> None:
    locked.take([alarm("channel_silent", "inlet"), alarm("over_pressure")])
    shown = locked.screen().alarm
    assert shown is not None
    assert shown.first.startswith("Over-pressure")
    assert shown.more == "and 1 more"
    locked.take([heard("over_pressure")])
    shown = locked.screen().alarm
    assert shown is not None
    assert shown.first.startswith("No reading")  # one that still sounds comes first


def test_hearing_names_what_sounds_and_who_heard_it(locked: Presenter) -> None:
    assert locked.hear(BY) is None
    locked.take([alarm("over_pressure"), alarm("channel_silent", "inlet")])
    command = locked.hear(BY)
    names = (("over_pressure", "outlet"), ("channel_silent", "inlet"))
    assert command == Hear(names, BY)
    locked.take([heard("over_pressure"), heard("channel_silent", "inlet")])
    shown = locked.screen().alarm
    assert shown is not None
    assert not shown.key
    assert BY in shown.heard_by
    assert locked.hear(BY) is None
    locked.take([alarm("over_pressure")])  # it comes once more
    shown = locked.screen().alarm
    assert shown is not None
    assert shown.key


def test_a_rig_that_is_lost_under_pressure_is_an_alarm(locked: Presenter) -> None:
    lost = RigError("instrument_silent", instrument="m", at="h", waited_s="1")
    locked.take([Troubled(lost), Closed("failed", 310.0)])
    shown = locked.screen().alarm
    assert shown is not None
    assert shown.first == alarm_said(RIG_LOST, "first")
    assert locked.hear(BY) is None
    shown = locked.screen().alarm
    assert shown is not None
    assert BY in shown.heard_by


def test_nothing_sounds_for_a_file_or_a_record_that_is_looked_at(
    recorded: Run, clock: Clock
) -> None:
    wrong = Presenter(clock=clock)
    wrong.take([Troubled(InputError("file_missing", what="rig file"))])
    assert wrong.screen().alarm is None
    looked_at = Presenter(live=False, clock=clock)
    from tests.gui.replay import events_until

    looked_at.take([*events_until(recorded, 20.0), alarm("over_pressure")])
    assert looked_at.screen().alarm is None


# --- across the window ---------------------------------------------------------------


@pytest.mark.parametrize("what", [*ALARMS, RIG_LOST])
@pytest.mark.parametrize("size", SIZES)
def test_an_alarm_is_read_from_two_metres_and_nothing_of_it_is_cut(
    qtbot: QtBot, locked: Presenter, size: tuple[int, int], what: str
) -> None:
    made = window(qtbot, size=size)
    at_work(made, locked)
    if what == RIG_LOST:
        lost = RigError("instrument_silent", instrument="m", at="h", waited_s="1")
        locked.take([Troubled(lost)])
    else:
        locked.take([alarm(what)])
        request = Request(
            id="v.1", step="vent-down", act="vent_down", confirm=True, caution="vent"
        )
        locked.take([Asked(request)])
    made.show_now()
    made_application().processEvents()
    made.show_now()
    made_application().processEvents()
    bar, desk = made.alarm_bar, made._bench()
    assert bar.isVisible()
    assert bar.key.isVisible()
    for line, capital in ((bar.first, 46.0), (bar.second, 37.0)):
        assert QFontMetricsF(line.font()).capHeight() >= capital
        assert line.needed_px <= line.width(), line.text()
    assert desk.alarm_steps.isVisible()
    for step in desk.alarm_steps.steps.lines:
        assert QFontMetricsF(step.font()).capHeight() >= 18.0
        assert step.height() >= step.heightForWidth(step.width()), step.text()
        foot = step.mapTo(made, step.rect().bottomLeft())
        assert foot.y() <= made.height()
    for readout in desk.alarm_readings.readouts.values():
        assert readout.isVisible()
        value = readout.value
        assert QFontMetricsF(value.font()).capHeight() >= 46.0
        end = value.mapTo(desk.alarm_readings, value.rect().bottomLeft())
        assert end.y() <= desk.alarm_readings.height()


def test_the_key_and_f2_say_that_it_was_heard_and_enter_does_not(
    qtbot: QtBot, locked: Presenter, clock: Clock
) -> None:
    made = window(qtbot)
    thread = at_work(made, locked)
    locked.take([alarm("channel_silent")])
    made.show_now()
    QTest.keyClick(made, Qt.Key.Key_Return)
    assert thread.said == []
    QTest.mouseClick(made.alarm_bar.key, Qt.MouseButton.LeftButton)
    QTest.keyClick(made, Qt.Key.Key_F2)
    assert [type(c) for c in thread.said] == [Hear, Hear]
    locked.take([heard("channel_silent")])
    made.show_now()
    assert not made.alarm_bar.key.isVisible()
    assert made.alarm_bar.isVisible()
    back = Mark(part=1, t_s=312.0, kind=MarkKind.NOTE, data={"back": "outlet"})
    locked.take([Marked(back)])
    made.show_now()
    assert not made.alarm_bar.isVisible()
    assert made._bench().findings.isVisible()
    assert made._bench().trace.isVisible()


# --- its sound -----------------------------------------------------------------------


def test_the_sound_is_two_tones_of_our_own() -> None:
    with wave.open(io.BytesIO(tone.sound())) as file:
        rate, frames = file.getframerate(), file.readframes(file.getnframes())
    samples = np.frombuffer(frames, dtype="<i2").astype(float)
    assert np.abs(samples).max() < 32_767
    for half, wanted in zip(np.array_split(samples, 2), tone.TONES_HZ, strict=True):
        strongest = np.argmax(np.abs(np.fft.rfft(half))) * rate / half.size
        assert strongest == pytest.approx(wanted, abs=4.0)
        assert abs(half[0]) + abs(half[-1]) < 100  # no click at its ends


@pytest.fixture
def beeps(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    found: list[int] = []
    monkeypatch.setattr("gui.tone.QApplication.beep", lambda: found.append(1))
    return found


def _player(folder: Path, text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    script = folder / "aplay"
    script.write_text(f"#!/bin/sh\n{text}\n", "utf-8")
    script.chmod(0o755)
    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}/usr/bin{os.pathsep}/bin")
    monkeypatch.setattr(tone, "PLAYERS", (("aplay", "-q", "-"),))


def test_it_sounds_again_and_again_until_it_is_not_wanted(
    beeps: list[int], clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tone, "PLAYERS", ())
    sounding = Tone(clock)
    sounding.want(False)
    assert beeps == []
    for _ in range(10):
        sounding.want(True)
        clock.now += EVERY_S / 2.0
    assert len(beeps) == 5
    sounding.want(False)
    clock.now += 100.0
    assert len(beeps) == 5
    sounding.want(True)  # a new alarm sounds at once
    assert len(beeps) == 6


@pytest.mark.skipif(sys.platform == "win32", reason="scripts of sh")
def test_a_player_gets_the_whole_sound(
    beeps: list[int], clock: Clock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _player(tmp_path, f"cat > {tmp_path}/played", monkeypatch)
    sounding = Tone(clock)
    sounding.want(True)
    player = sounding._player
    assert player is not None
    assert player.wait(10.0) == 0
    assert (tmp_path / "played").read_bytes() == tone.sound()
    sounding.close()


@pytest.mark.skipif(sys.platform == "win32", reason="scripts of sh")
def test_a_machine_without_sound_fails_nothing(
    beeps: list[int], clock: Clock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _player(tmp_path, "exit 1", monkeypatch)  # it doesn't even take the sound
    sounding = Tone(clock)
    for _ in range(4):
        sounding.want(True)
        if sounding._player is not None:
            sounding._player.wait(10.0)
        clock.now += 2.0 * EVERY_S
    assert len(beeps) == 4
    assert sounding._player is None
    sounding.close()


def test_the_window_sounds_while_an_alarm_was_not_heard(
    qtbot: QtBot, locked: Presenter, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = window(qtbot)
    at_work(made, locked)
    wanted: list[bool] = []
    monkeypatch.setattr(made._tone, "want", wanted.append)
    monkeypatch.setattr(made._thread, "drain", lambda: [])
    made.beat()
    locked.take([alarm("over_pressure")])
    made.beat()
    locked.take([heard("over_pressure")])
    made.beat()
    assert wanted == [False, True, False]


# --- a burst hose --------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_a_burst_hose_is_a_key_away_and_leaves_the_pressures_in_sight(
    qtbot: QtBot, locked: Presenter, clock: Clock, size: tuple[int, int]
) -> None:
    made = window(qtbot, size=size)
    QTest.keyClick(made, Qt.Key.Key_F1)  # with nothing on, from the start sheet
    assert made.hose_page.isVisible()
    QTest.mouseClick(made.hose_page.back, Qt.MouseButton.LeftButton)
    assert made.start.isVisible()
    thread = at_work(made, locked)
    asked(locked)
    clock.now += 2.0 * ARM_S
    QTest.mouseClick(made.head.hose_key, Qt.MouseButton.LeftButton)
    made.show_now()
    made_application().processEvents()
    page = made.hose_page
    assert page.isVisible()
    text = " ".join(step.text() for step in page.steps.lines)
    assert "stay clear" in text
    assert "nitrogen" in page.here.text()
    assert "Outlet 11.6" in page.readings.text()
    assert "psi gauge" in page.readings.text()
    for step in page.steps.lines:
        assert step.height() >= step.heightForWidth(step.width())
    QTest.keyClick(made, Qt.Key.Key_Return)  # confirms nothing behind the page
    assert thread.said == []
    locked.take([alarm("channel_silent")])
    made.show_now()
    assert made.alarm_bar.isVisible()  # an alarm is above it
    QTest.keyClick(made, Qt.Key.Key_Escape)
    assert made._bench().isVisible()
    QTest.keyClick(made, Qt.Key.Key_Return)  # it has only just come back into view
    assert thread.said == []
    clock.now += 1.1 * ARM_S
    QTest.keyClick(made, Qt.Key.Key_Return)
    assert [type(c) for c in thread.said] == [Acknowledge]


# --- said unasked --------------------------------------------------------------------


def test_a_test_goes_back_to_where_it_was_set_with_a_reason(
    qtbot: QtBot, locked: Presenter, clock: Clock
) -> None:
    made = window(qtbot)
    thread = at_work(made, locked)
    made._by = BY
    asked(locked)
    clock.now += 2.0 * ARM_S
    made.show_now()
    desk = made._bench()
    assert desk.action.go_back_key.isVisible()
    QTest.keyClick(made, Qt.Key.Key_F3)
    made.show_now()
    sheet = desk.saying
    assert sheet.isVisible()
    assert not sheet.tell.isEnabled()
    names = [choice.text() for choice in sheet.choices]
    assert names[0].startswith("Again: lockup 1")
    at = names.index("Back to: set")
    QTest.mouseClick(sheet.choices[at], Qt.MouseButton.LeftButton)
    assert not sheet.tell.isEnabled()  # no reason yet
    sheet.reason.setFocus()
    QTest.keyClicks(sheet.reason, "0.3 too high")
    QTest.qWait(round(2000 * GAP_S))  # a scan ends with Enter at once
    QTest.keyClick(sheet.reason, Qt.Key.Key_Return)
    # and the Enter that told it confirms nothing else
    assert thread.said == [Repeat("0.3 too high", BY, "set")]
    made.show_now()
    assert desk.findings.isVisible()


def test_what_was_done_unasked_is_told_with_what_exactly(
    qtbot: QtBot, locked: Presenter
) -> None:
    made = window(qtbot)
    thread = at_work(made, locked)
    made._by = BY
    QTest.mouseClick(made._bench().action.tell_key, Qt.MouseButton.LeftButton)
    sheet = made._bench().saying
    for number, what in enumerate(("adjusted", "opened")):
        made.tell()
        QTest.mouseClick(sheet.choices[number], Qt.MouseButton.LeftButton)
        reason = sheet.reasons[0].text()
        QTest.mouseClick(sheet.reasons[0], Qt.MouseButton.LeftButton)
        QTest.mouseClick(sheet.tell, Qt.MouseButton.LeftButton)
        said = thread.said[-1]
        assert isinstance(said, Declare)
        assert (said.what, said.act, said.by) == (what, reason, BY)
    made.tell()
    QTest.keyClick(made, Qt.Key.Key_Escape)
    made.show_now()
    assert made._bench().findings.isVisible()
    assert len(thread.said) == 2


def test_the_rig_may_be_named_as_the_cause(locked: Presenter) -> None:
    told = locked.tell("back", RIG, "hose fell off", BY)
    assert told == Repeat("hose fell off", BY, of_rig=True)
    assert dict(locked.ways_back)[RIG].startswith("Again, the rig was at fault")


def test_nothing_goes_back_while_the_gas_comes_off(locked: Presenter) -> None:
    assert locked.ways_back
    begin = Mark(part=1, t_s=312.0, kind=MarkKind.STEP_BEGIN, step="vent-down")
    locked.take([Marked(begin)])
    assert locked.ways_back == ()
    assert locked.may_tell  # what was opened is still to be told
    assert locked.tell("back", "set", "no", BY) is None
    locked.take([Closed("done", 320.0)])
    assert not locked.may_tell
    assert locked.tell("done", "opened", "no", BY) is None


def test_simulated_hands_are_not_asked_to_say_anything(
    recorded: Run, clock: Clock
) -> None:
    from tests.gui.replay import events_until

    watched = Presenter(hands=False, clock=clock)
    watched.take(events_until(recorded, 30.0, (6.0,)))
    screen = watched.screen()
    assert not screen.goes_back
    assert not screen.may_tell


@pytest.mark.parametrize("kind", ["back", "done"])
@pytest.mark.parametrize("size", SIZES)
def test_what_is_asked_there_is_not_cut(
    qtbot: QtBot, locked: Presenter, kind: str, size: tuple[int, int]
) -> None:
    made = window(qtbot, size=size)
    at_work(made, locked)
    (made.go_back if kind == "back" else made.tell)()
    sheet = made._bench().saying
    sheet.choices[-1].click()
    for _ in range(2):
        made.show_now()
        made_application().processEvents()
    shown = [*sheet.choices, *sheet.reasons, sheet.reason, sheet.tell, sheet.leave]
    boxes = [widget.geometry() for widget in shown]
    for i, box in enumerate(boxes):
        assert sheet.rect().contains(box), shown[i]
        assert not any(box.intersects(other) for other in boxes[i + 1 :]), shown[i]
    for button in (*sheet.choices, *sheet.reasons):
        wide = QFontMetricsF(button.font()).horizontalAdvance(button.text())
        assert wide <= button.width(), button.text()
    for label in sheet.findChildren(QLabel):
        assert label.height() >= label.heightForWidth(label.width()), label.text()


def test_the_card_s_name_stands_where_nobody_gave_one(
    qtbot: QtBot, recorded: Run, clock: Clock
) -> None:
    made = window(qtbot)
    nameless = replace(recorded, header=replace(recorded.header, by=""))
    locked = moment(nameless, 300.0, clock)
    thread = at_work(made, locked)
    locked.take([alarm("channel_silent")])
    made.hear()
    said = thread.said[-1]
    assert isinstance(said, Hear)
    assert said.by == recorded.header.job.technician


def test_a_step_may_be_skipped_with_a_reason_as_the_hint_says(
    qtbot: QtBot, locked: Presenter
) -> None:
    made = window(qtbot)
    thread = at_work(made, locked)
    QTest.keyClick(made, Qt.Key.Key_F3)
    saying = made._bench().saying
    skip = next(key for key in saying.choices if "Skip" in key.text())
    QTest.mouseClick(skip, Qt.MouseButton.LeftButton)
    assert "The trace can't show it" in [key.text() for key in saying.reasons]
    assert not saying.tell.isEnabled()  # never without a reason
    QTest.keyClicks(saying.reason, "no downstream valve here")
    QTest.qWait(round(2000 * GAP_S))  # a scan ends with Enter at once
    QTest.keyClick(saying.reason, Qt.Key.Key_Return)
    assert thread.said == [Skip("no downstream valve here", locked.person)]
