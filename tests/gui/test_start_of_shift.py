"""The start sheet: how the shift's check stands, and the cautions by name."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from pytestqt.qtbot import QtBot

from gui.bench_desk.start_checks import Given, look_at
from proofstand import shifts
from proofstand.ready import read_cautions
from proofstand.simulated import EPOCH, JOB_TEXT, demo_job
from records.planfile import builtin_plan
from records.shift import ShiftRecord
from rig.rigfile import load_rig
from rig.simulator.rigtext import rig_text
from tests.proofstand.test_shift import BY, record_of, relied_of

from .test_view import window


@pytest.fixture
def given(tmp_path: Path) -> Given:
    text = rig_text(
        "127.0.0.1", 9, 1.0, EPOCH.date(), standard_leak=0.25, shift_required=True
    )
    (tmp_path / "rig.toml").write_text(text)
    (tmp_path / "job.toml").write_text(JOB_TEXT)
    return Given(
        rig=str(tmp_path / "rig.toml"),
        plan="low-pressure",
        job=str(tmp_path / "job.toml"),
        out=str(tmp_path / "run.h5"),
        by=BY,
    )


def kept(given: Given) -> ShiftRecord:
    rig = load_rig(Path(given.rig))
    now = time.time_ns()
    folder = shifts.new_check(rig.id, "station-1", now)
    return shifts.keep_check(folder, record_of(rig, utc_ns=now))


def test_without_a_check_the_sheet_says_what_to_do_and_does_not_begin(
    qtbot: QtBot, given: Given
) -> None:
    made = window(qtbot)
    made.start.fill(given)
    assert "No start-of-shift check" in made.start.shift.text()
    assert "proofstand rig shift --rig" in made.start.shift.text()
    begun: list[object] = []
    made.start.begin.disconnect()
    made.start.begin.connect(begun.append)
    made.start.read.setChecked(True)
    QTest.mouseClick(made.start.begin_key, Qt.MouseButton.LeftButton)
    assert begun == []
    assert "start-of-shift check" in made.start.begin_note.text()
    kept(given)
    made.start.look_now()
    assert f"Check passed by {BY}" in made.start.shift.text()
    QTest.mouseClick(made.start.begin_key, Qt.MouseButton.LeftButton)
    assert begun == [given]


def test_a_change_is_declared_from_the_sheet(qtbot: QtBot, given: Given) -> None:
    kept(given)
    made = window(qtbot)
    made.start.fill(given)
    assert look_at(given).ready
    QTest.mouseClick(made.start.changed_key, Qt.MouseButton.LeftButton)
    assert "what was changed" in made.start.changed_note.text()
    assert look_at(given).ready, "nothing was named"
    made.start.changed.setText("the hose to the outlet")
    QTest.mouseClick(made.start.changed_key, Qt.MouseButton.LeftButton)
    assert made.start.changed.text() == ""
    assert "the hose to the outlet" in made.start.shift.text()
    assert not look_at(given).ready
    change = shifts.latest_change("simulated-1")
    assert change is not None
    assert change.by == BY


def test_cautions_are_of_this_gas_and_pressure_and_read_once_a_shift(
    qtbot: QtBot, given: Given
) -> None:
    record = kept(given)
    made = window(qtbot)
    made.start.fill(given)
    assert "fuel and inert, low pressure" in made.start.cautions_head.text()
    assert any("Fuel gas" in label.text() for label in made.start.cautions)
    assert not made.start.read.isHidden()
    rig, plan = load_rig(Path(given.rig)), builtin_plan("low-pressure")[0]
    relied = replace(relied_of(record), sha256=record.sha256)
    read_cautions(
        demo_job(),
        plan,
        rig,
        by=BY,
        read_by=BY,
        relied=relied,
        now_ns=time.time_ns(),
    )
    made.start.look_now()
    assert made.start.read.isHidden()
    assert BY in made.start.read_note.text()
    begun: list[object] = []
    made.start.begin.disconnect()
    made.start.begin.connect(begun.append)
    QTest.mouseClick(made.start.begin_key, Qt.MouseButton.LeftButton)
    assert begun == [given]
    # another pressure class: asked again, and what was ticked off is not
    made.start.fill(replace(given, plan="first-stage"))
    assert not made.start.read.isHidden()
    assert not made.start.read.isChecked()


def test_where_a_check_is_wanted_somebody_has_to_be_named(given: Given) -> None:
    sheet = look_at(replace(given, by=""))
    assert not sheet.beside["by"].good
    assert "by name" in sheet.beside["by"].words


def test_toxic_gas_is_refused_beside_the_card(given: Given) -> None:
    path = Path(given.job)
    text = path.read_text()
    assert 'gas = "propane"' in text
    path.write_text(text.replace('gas = "propane"', 'gas = "ammonia"'))
    sheet = look_at(given)
    assert sheet.first_bad == "job"
    assert "toxic" in sheet.beside["job"].words
