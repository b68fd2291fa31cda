"""From a cold start to certificate and tag with one key, on a served simulated rig.

The valves are worked by simulated hands that say nothing; every press is a key event
given to the window, as a keyboard or a foot switch that acts as Enter sends it.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NoReturn

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QWidget
from pytestqt.qtbot import QtBot

from gui.app import SWITCH_S, Window, made_application
from gui.bench_desk.last_test import card_of_label, keep_last, last_test, with_last
from gui.bench_desk.screen import Phase
from gui.bench_desk.start_checks import Given
from gui.scanned import GAP_S
from proofstand.commands.main import main
from proofstand.commands.window import WindowOptions
from proofstand.demo import approve_plan
from proofstand.places import approvals_dir
from proofstand.session import Closed, Troubled
from proofstand.signoff.keys import make_key
from proofstand.simulated import JOB_TEXT, hands_over_the_wire
from records.errors import RigError
from records.planfile import builtin_plan
from records.run import MarkKind, Run
from records.runfile import open_run
from rig.rigfile import load_rig
from tests.gui.states import (
    PICTURES,
    ROOT,
    Clock,
    Scene,
    filled,
    hold_of,
    window_of,
)
from tests.gui.xvfb import XServer
from tests.proofstand.rigs import served

BY = "M. Okafor (invented)"
WAIT_S = 480.0
MULTIPLE = 8.0  # of the rig's time to the wall clock
# Hands see the rig only between two paints of the window. A paint that takes long on a
# busy computer makes their turn of a valve longer, not a snap of it.
LOOK_S, HAND_S = 0.02, 0.25  # between two looks, wall time; most in between, for hands
SIZE = (1366, 768)


class Feet:
    """A foot switch that acts as Enter, and counts; a scanner beside it."""

    def __init__(self, window: Window) -> None:
        self.window = window
        self.presses = 0

    def press(self) -> None:
        """Press once."""
        self.presses += 1
        QTest.keyClick(_focused(self.window), Qt.Key.Key_Return)

    def scan(self, label: str) -> None:
        """Type a label as a scanner does, with Enter at its end: one act of a hand."""
        self.presses += 1
        for letter in label:
            QTest.keyClicks(_focused(self.window), letter)
        QTest.keyClick(_focused(self.window), Qt.Key.Key_Return)


def _made(window: Window, what: str) -> bool:
    screen = window.screen_now
    assert screen is not None
    assert screen.strip is None, screen.strip
    return screen.verdict is not None and getattr(screen.verdict, what) is not None


def _focused(window: Window) -> QWidget:
    return QApplication.focusWidget() or window


def _settle(seconds: float) -> None:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        made_application().processEvents()
        time.sleep(0.01)


def _until(seen: Callable[[], bool], act: Callable[[], None], what: str) -> None:
    until = time.monotonic() + WAIT_S
    while not seen():
        assert time.monotonic() < until, f"not in {WAIT_S:.0f} s: {what}"
        act()
        _settle(LOOK_S)


def _lead(window: Window, feet: Feet, rig_file: Path) -> int:
    """Work valves as asked and press where the screen asks; return how often."""
    rig = load_rig(rig_file)
    hands = hands_over_the_wire(rig, family="second-stage")
    waits: list[str] = []
    confirmed = 0
    last_s = hand_s = 0.0

    def act() -> None:
        nonlocal confirmed, last_s, hand_s
        presenter, screen = window._presenter, window.screen_now
        if presenter is None or screen is None or screen.phase is not Phase.RUNNING:
            return
        seen = {}
        for id, live in presenter.histories.items():
            now = live.now(presenter._now_s)
            if now is not None:
                seen[id] = now
        request = presenter._request
        hand_s += min(presenter._now_s - last_s, HAND_S)
        last_s = presenter._now_s
        command = hands.work(hand_s, request, seen)
        if command is not None and request is not None:
            waits.append(request.id)
        if screen.action.armed and screen.action.confirm in waits:
            feet.press()
            confirmed += 1
            waits.remove(screen.action.confirm)

    try:
        _until(
            lambda: (
                window.screen_now is not None
                and window.screen_now.phase in (Phase.OVER, Phase.FAILED)
            ),
            act,
            "the end of the test",
        )
    finally:
        hands.close()
    return confirmed


@pytest.fixture
def ended() -> Iterator[list[Window]]:
    """Let no thread of a window outlive its test."""
    windows: list[Window] = []
    yield windows
    for window in windows:
        window.end_and_close()
        window.wait_for_threads()


@pytest.fixture
def takes_turns() -> Iterator[None]:
    """Let drawing and reading take short turns, as the window's own start does."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    yield
    sys.setswitchinterval(before)


@pytest.mark.slow
@pytest.mark.serial
@pytest.mark.usefixtures("takes_turns")
def test_from_a_cold_start_to_certificate_and_tag_with_one_key(
    tmp_path: Path, ended: list[Window]
) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(builtin_plan("low-pressure")[1], "utf-8")
    approve_plan(approvals_dir(), time.time_ns())
    make_key(tmp_path / "key", "Larkmere Valve Works (invented)", demo=True)
    with served(tmp_path, MULTIPLE) as rig:
        before = {"rig": str(rig), "plan": str(plan), "by": BY}
        keep_last(Given(job=str(tmp_path / "job.toml"), **before))
        window = window_of(WindowOptions(light=True, key=tmp_path / "key"), SIZE)
        ended.append(window)
        window._beat.start()
        feet = Feet(window)
        feet.press()  # the last one again
        assert window.start.begin_note.text() == ""
        assert window.start.read.hasFocus()
        _settle(0.8)
        feet.press()  # the cautions are read
        assert window.start.read.isChecked()
        _settle(0.8)
        feet.press()  # begin
        assert window.start.begin_note.text() == ""
        confirmed = _lead(window, feet, rig)
        screen = window.screen_now
        assert screen is not None
        assert screen.verdict is not None, screen.strip
        assert screen.verdict.kind == "pass", screen.verdict.lines
        _settle(0.9)
        feet.press()  # the certificate
        _until(lambda: _made(window, "paper"), lambda: None, "the certificate")
        _settle(0.9)
        feet.press()  # the tag
        _until(lambda: _made(window, "tag"), lambda: None, "the tag")
        assert feet.presses == 3 + confirmed + 2
        verdict = window.screen_now.verdict  # type: ignore[union-attr]
        assert verdict is not None
        assert "Certificate" in verdict.paper_words
        assert "SERVICEABLE" in verdict.tag_words
        run = open_run(verdict.run_path)
        asked = [m for m in run.marks if m.kind is MarkKind.CONFIRMED]
        assert len(asked) == confirmed
        assert main(["verify", str(verdict.run_path), str(verdict.paper)]) == 0
        print(f"keys: {feet.presses}, of which {confirmed} confirm what gas could do")
        _settle(0.9)
        before_next = feet.presses
        feet.press()  # the next regulator
        assert window.start.isVisible()
        feet.scan("LV-1042/SIM-0001")
        assert Path(window.start.fields["out"].text()).exists() is False
        # the cautions were read in this shift: the next press begins the test
        assert window.start.begin_key.hasFocus()
        assert feet.presses - before_next == 2


# --- the last test, and what a scanner types -----------------------------------------


def test_what_the_last_test_had_is_kept_for_the_next_start(tmp_path: Path) -> None:
    assert last_test() is None
    rig, job = tmp_path / "rig.toml", tmp_path / "job.toml"
    given = Given(rig=str(rig), plan="line", job=str(job), out="x.h5", by=BY, label="l")
    keep_last(given)
    kept = last_test()
    assert kept == Given(rig=str(rig), plan="line", job=str(job), by=BY)


def test_gaps_are_filled_and_what_is_typed_stays() -> None:
    last = Given(rig="a.toml", plan="line", by=BY)
    assert with_last(Given(plan="low-pressure"), last) == last
    typed = Given(rig="b.toml", plan="service", by="P. Quill")
    assert with_last(typed, last) == typed


def test_a_label_finds_its_card_among_others(tmp_path: Path) -> None:
    card = tmp_path / "one.toml"
    card.write_text(JOB_TEXT, "utf-8")
    other = JOB_TEXT.replace("LV-1042", "LV-1043").replace("SIM-0001", "SIM-0002")
    (tmp_path / "two.toml").write_text(other, "utf-8")
    (tmp_path / "rig.toml").write_text('format = "proofstand.rig/1"\n', "utf-8")
    (tmp_path / "broken.toml").write_text('format = "proofstand.job/1"\nx', "utf-8")
    folders = [tmp_path / "nowhere", tmp_path]
    assert card_of_label("LV-1042/SIM-0001", folders) == (card,)
    assert card_of_label(" sim-0001\t", folders) == (card,)
    assert card_of_label("LV-1042/SIM-0002", folders) == ()
    (tmp_path / "three.toml").write_text(
        JOB_TEXT.replace("LV-1042", "LV-0900"), "utf-8"
    )
    assert len(card_of_label("SIM-0001", folders)) == 2  # which of two jobs?
    assert card_of_label("LV-1042/SIM-0001", folders) == (card,)


@pytest.mark.parametrize(
    ("label", "told"),
    [
        ("LV-1042/SIM-0001", ""),
        ("LV-9999/OTHER", "No job card of this label"),
        ("SIM-0001;%%junk//", "No job card of this label"),
    ],
)
def test_a_scan_is_taken_wherever_the_focus_is(
    qtbot: QtBot, tmp_path: Path, label: str, told: str
) -> None:
    before = filled(tmp_path)
    keep_last(Given(rig=before.rig, plan="low-pressure", job=before.job, by=BY))
    window = window_of(WindowOptions(light=True), SIZE)
    qtbot.addWidget(window)
    window.start.begin_key.setFocus()
    Feet(window).scan(label)
    typed = window.start.given
    assert typed.label == label
    assert (typed.rig, typed.by) == (before.rig, BY)
    assert told in window.start.notes["label"].text()
    if told:
        assert typed.job == ""
        assert "job card" in window.start.begin_note.text().lower()
    else:
        assert typed.job == before.job
        assert window.start.read.hasFocus()


def test_a_bouncing_switch_reads_no_cautions_and_begins_nothing(
    qtbot: QtBot, tmp_path: Path
) -> None:
    keep_last(filled(tmp_path))
    window = window_of(WindowOptions(light=True), SIZE)
    qtbot.addWidget(window)
    begun: list[object] = []
    window.start.begin.disconnect()
    window.start.begin.connect(begun.append)
    feet = Feet(window)
    for _ in range(6):
        feet.press()
    assert not window.start.read.isChecked()
    assert begun == []


def test_f5_takes_the_last_test_from_any_field(qtbot: QtBot, tmp_path: Path) -> None:
    before = filled(tmp_path)
    keep_last(before)
    window = window_of(WindowOptions(light=True), SIZE)
    qtbot.addWidget(window)
    assert Path(before.rig).name in window.start.lead.text()
    window.start.fields["plan"].setFocus()
    QTest.keyClick(window.start.fields["plan"], Qt.Key.Key_F5)
    assert window.start.given.rig == before.rig
    assert window.start.given.job == before.job


def test_without_a_last_test_enter_leads_from_gap_to_gap(
    qtbot: QtBot, tmp_path: Path
) -> None:
    window = window_of(WindowOptions(light=True), SIZE)
    qtbot.addWidget(window)
    assert not window.start.again_key.isVisible()
    before = filled(tmp_path)
    feet = Feet(window)
    feet.press()
    for name in ("rig", "job"):
        assert window.start.fields[name].hasFocus()
        QTest.keyClicks(window.start.fields[name], getattr(before, name))
        _settle(2.0 * GAP_S)  # a scan ends with Enter at once
        feet.press()
    assert window.start.read.hasFocus()


@pytest.mark.serial
def test_a_start_by_scanner_and_foot_switch_on_a_real_screen(
    screen: XServer, tmp_path: Path, lacks: Callable[[str], NoReturn]
) -> None:
    xdotool = shutil.which("xdotool")
    if xdotool is None:
        lacks("xdotool")
    pictures = PICTURES / "on-an-x-server"
    env = {**screen.environment, "PYTHONPATH": str(ROOT)}
    window = subprocess.Popen(
        [sys.executable, "-m", "tests.gui.by_real_keys", str(tmp_path), str(pictures)],
        env=env,
        stdout=subprocess.PIPE,
        text=True,
    )

    def told(**wanted: object) -> dict[str, object]:
        assert window.stdout is not None
        for line in window.stdout:
            now: dict[str, object] = json.loads(line)
            if all(now.get(name) == value for name, value in wanted.items()):
                return now
        raise AssertionError(f"never {wanted}")

    def does(*words: str) -> None:
        subprocess.run([xdotool, *words], env=env, check=True, timeout=20.0)

    try:
        assert told(focus="Job label")["platform"] == "xcb"
        does("search", "--sync", "--onlyvisible", "--name", "Proofstand", "windowfocus")
        time.sleep(1.0)
        does("type", "--delay", "5", "LV-1042/SIM-0001")
        does("key", "Return")
        told(on="read", job=str(tmp_path / "job.toml"), label="LV-1042/SIM-0001")
        time.sleep(1.0)
        does("key", "Return")
        told(read=True)
        time.sleep(1.0)
        does("key", "Return")
        assert told(begun=True)
    finally:
        window.kill()
        window.wait(20)
        if window.stdout is not None:
            window.stdout.close()
    assert len(list(pictures.glob("start-by-keys-*.png"))) >= 3


def test_a_test_that_failed_is_left_by_the_same_key_but_never_an_alarm(
    qtbot: QtBot, recorded: Run, run_path: Path, tmp_path: Path
) -> None:
    window = window_of(WindowOptions(light=True), SIZE)
    qtbot.addWidget(window)
    clock = Clock()
    scene = Scene(window, run_path, recorded, run_path, recorded, tmp_path, clock)
    presenter = scene.at(hold_of(recorded, "lockup-1") + 9.0)
    feet = Feet(window)
    lost = RigError("instrument_silent", instrument="m", at="h", waited_s="1")
    presenter.take([Troubled(lost), Closed("failed", 310.0)])
    scene.again()
    clock.now += 10.0
    scene.again()
    feet.press()
    assert window.desk is not None  # the rig may be full of gas: it is heard first
    QTest.keyClick(window, Qt.Key.Key_F2)
    feet.press()
    assert window.desk is not None  # and has stood a moment
    clock.now += 1.0
    scene.again()
    feet.press()
    assert window.desk is None
    assert window.start.isVisible()
