"""The Practice desk: every state looked at, led by keys, blind until the score."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QImage
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QComboBox, QWidget

from gui.bench_desk.scales import clock
from gui.practice_desk.calling import causes_of
from gui.practice_desk.drill_list import DRAW, Draft
from gui.practice_desk.found_where import findings_to_explain
from gui.practice_desk.practice import Page
from gui.shots import take
from proofstand.commands.window import WindowOptions
from proofstand.fault_pages import traces_folder
from proofstand.practice_folder import PracticeFolder
from records.faults import CATALOGUE
from records.runfile import read_sealed, write_run
from tests.gui.fits import cut, nameless, settled, taken_down
from tests.gui.practice_states import (
    GOOD,
    NICKED,
    ROOT,
    STATES,
    STICKS,
    TITLES,
    TRAINEE,
    PracticeScene,
    drills_in,
    explain,
    score_it,
    traces_in,
)
from tests.gui.states import PICTURES, window_of

LOOKS = [
    ((1366, 768), True),
    ((1920, 1080), False),
    pytest.param(((1366, 768), False), marks=pytest.mark.slow),
    pytest.param(((1920, 1080), True), marks=pytest.mark.slow),
]


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with three drills and their runs."""
    made = tmp_path_factory.mktemp("practice") / "practice"
    drills_in(PracticeFolder(made))
    return made


@pytest.fixture
def folder(filled: Path, own_places: Path) -> PracticeFolder:
    made = PracticeFolder()
    shutil.copytree(filled, made.folder)
    traces_in(traces_folder())
    return made


@pytest.fixture
def scene(
    qapp: QApplication, folder: PracticeFolder, request: pytest.FixtureRequest
) -> Iterator[PracticeScene]:
    size, light = getattr(request, "param", ((1366, 768), True))
    options = WindowOptions(light=light, dark=not light, by=TRAINEE)
    window = window_of(options, size)
    window.go_to_desk("practice")
    settled()
    yield PracticeScene(window)
    window.wait_for_threads()
    taken_down(window)


@pytest.mark.parametrize("scene", LOOKS, indirect=True)
@pytest.mark.parametrize("name", sorted(STATES))
def test_every_state_fits_is_named_and_is_pictured(
    scene: PracticeScene, name: str
) -> None:
    STATES[name](scene)
    window = scene.window
    ground = window.palette().window().color().lightness()
    look = f"{window.width()}x{window.height()}-{'light' if ground > 128 else 'dark'}"
    picture = PICTURES / look / f"{name}.png"
    take(window, picture)
    assert QImage(str(picture)).width() == window.width()
    assert cut(window) == []
    assert nameless(window) == []


# --- blind ---------------------------------------------------------------------------


def told_in(window: QWidget) -> list[str]:
    """Return every text that a window's widgets hold, shown or not."""
    found = [window.windowTitle()]
    for widget in window.findChildren(QWidget):
        for name in ("text", "placeholderText", "toPlainText"):
            if hasattr(widget, name):
                found.append(str(getattr(widget, name)()))
        if isinstance(widget, QComboBox):
            found += [widget.itemText(i) for i in range(widget.count())]
        found += [
            widget.toolTip(),
            widget.accessibleName(),
            widget.accessibleDescription(),
            widget.objectName(),
        ]
    return [text for text in found if text]


def test_nothing_of_the_answer_is_told_before_the_score(scene: PracticeScene) -> None:
    before = set(told_in(scene.desk.drills))  # the form names every fault there is
    told: dict[Path, list[str]] = {}
    for stored in (NICKED, STICKS, GOOD):
        scene.begin(stored)
        assert scene.model.replay is not None
        scene.model.replay.show_until(scene.model.replay.whole_s)
        for _ in range(4):
            scene.model.pass_over()
        scene.again()
        scene.model.choose("fail")
        scene.again()
        told[stored] = [t for t in told_in(scene.window) if t not in before]
        assert scene.model.blind
        scene.model.leave()
        scene.again()
    for stored, texts in told.items():
        offered = {cause.words for cause in causes_of(read_sealed(stored).header.plan)}
        for text in texts:
            if text in offered:
                continue  # the list of causes is the same whatever is wrong
            for entry in CATALOGUE.values():
                assert entry.id not in text
                assert entry.sentence.rstrip(".") not in text
            assert not re.search(r"severity|0\.6\b", text), text
            assert stored.stem not in text
        # nothing but numbers, the drill's title and its own hash differ
        assert offered <= {*texts, *before}
    plain = {
        stored: {t for t in texts if not re.search(r"\d", t)} - {TITLES[stored]}
        for stored, texts in told.items()
    }
    assert plain[NICKED] == plain[STICKS] == plain[GOOD]


def test_nothing_ahead_of_the_replay_is_at_hand(scene: PracticeScene) -> None:
    scene.begin(NICKED)
    replay = scene.model.replay
    assert replay is not None
    replay.show_until(100.0)
    replay.show_stretch(400.0, 500.0)
    replay.zoom(0.01, 500.0)
    for live in replay.channels.values():
        assert live.history.last_s <= 100.0
        assert len(live.history.between(100.1, 900.0)[0]) == 0
    replay.set_cursors()
    replay.move_cursor(1, 700.0)
    assert replay.looking.cursors is not None
    assert max(replay.looking.cursors) <= 100.0
    # nor how long it is, which tells of a test that was given up
    replay.to_now()
    scene.again()
    texts = "\n".join(told_in(scene.window))
    assert clock(replay.now_s) in texts
    assert clock(replay.whole_s) not in texts
    picture = replay.picture()
    assert picture is not None
    assert max(cell.start_s for cell in picture.steps) <= 100.0
    assert all(lane.intervals == () for lane in picture.lanes)


# --- by keys -------------------------------------------------------------------------


def press(scene: PracticeScene, key: Qt.Key, held: Any = None) -> None:
    focused = QApplication.focusWidget() or scene.desk
    modifier = held or Qt.KeyboardModifier.NoModifier
    QTest.keyClick(focused, key, modifier)
    settled()


def wait_for_signs() -> None:
    QTest.qWait(90)
    settled()


def test_a_drill_from_its_list_to_its_score_by_keys(scene: PracticeScene) -> None:
    desk, model = scene.desk, scene.model
    scene.window.activateWindow()
    desk.come_into_view()
    settled()
    assert QApplication.focusWidget() is desk.drills.begin_key
    press(scene, Qt.Key.Key_Return)
    scene.done()
    assert model.page is Page.REPLAY
    replay = model.replay
    assert replay is not None
    assert replay.playing
    press(scene, Qt.Key.Key_F5)
    assert not replay.playing
    assert replay.now_s < 60.0
    press(scene, Qt.Key.Key_F7)
    assert replay.speed == 20
    replay.show_until(replay.whole_s)
    scene.again()
    press(scene, Qt.Key.Key_Return)  # sets two cursors
    assert replay.looking.cursors is not None
    first, second = replay.looking.cursors
    press(scene, Qt.Key.Key_Left, Qt.KeyboardModifier.ControlModifier)
    press(scene, Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)
    assert replay.looking.cursors[0] < first
    assert replay.looking.cursors[1] > second
    press(scene, Qt.Key.Key_Return)  # calls what they read
    assert model.calls is not None
    assert model.calls.at == 1
    assert model.calls.all[0].text.endswith("in. w.c. gauge")
    assert replay.looking.cursors is None
    desk.replay.panel.field.setFocus()
    QTest.keyClicks(desk.replay.panel.field, "SIM-0001")
    press(scene, Qt.Key.Key_Return)  # a scan is no value
    assert model.calls.at == 1
    assert model.typed is None
    QTest.keyClicks(desk.replay.panel.field, "0.6 in. w.c. difference")
    QTest.qWait(120)
    press(scene, Qt.Key.Key_Return)
    assert model.calls.all[1].text == "0.6 in. w.c. difference"
    for _ in range(2):
        model.pass_over()
    scene.again()
    press(scene, Qt.Key.Key_Down)
    press(scene, Qt.Key.Key_Return)
    assert model.calls.all[4].text == "fail"
    press(scene, Qt.Key.Key_Down)
    press(scene, Qt.Key.Key_Return)
    assert model.calls.all[5].text == "seat_debris"
    assert model.calls.now is None
    press(scene, Qt.Key.Key_Return)  # scores
    scene.done()
    assert model.page is Page.SCORE
    press(scene, Qt.Key.Key_Return)
    assert model.page is Page.DRILLS
    assert len(model.scores) == 1


def test_a_scan_during_a_replay_does_nothing(scene: PracticeScene) -> None:
    scene.begin(NICKED)
    replay, calls = scene.model.replay, scene.model.calls
    assert replay is not None
    scene.desk.setFocus()
    QTest.keyClicks(scene.desk, "C-+LV-1042+")
    QTest.keyClick(scene.desk, Qt.Key.Key_Return)
    wait_for_signs()
    assert not replay.playing
    assert replay.speed == 10
    assert replay.looking.cursors is None
    assert scene.model.calls is calls


def test_esc_takes_cursors_away_and_leaves_a_score(scene: PracticeScene) -> None:
    scene.begin(NICKED)
    scene.until("set", 5.0)
    scene.model.call_it()
    assert scene.model.replay is not None
    assert scene.model.replay.looking.cursors is not None
    QTest.keyClick(scene.desk, Qt.Key.Key_Escape)
    assert scene.model.replay.looking.cursors is None
    QTest.keyClick(scene.desk, Qt.Key.Key_Escape)
    assert scene.model.page is Page.REPLAY


# --- the score -----------------------------------------------------------------------


def test_a_score_is_kept_as_drill_score_writes_it(
    scene: PracticeScene, folder: PracticeFolder
) -> None:
    score_it(scene, NICKED, "fail", "seat_debris")
    score = scene.model.score
    assert score is not None
    found = json.loads(score.path.read_text("utf-8"))
    schema = ROOT / "docs" / "schemas" / "drill-score-1.json"
    jsonschema.validate(found, json.loads(schema.read_text("utf-8")))
    assert (found["trainee"], found["fault"]) == (TRAINEE, "seat_nicked")
    points = {item["what"]: item["points"] for item in found["items"]}
    assert points == {
        "set_pressure": 1.0,
        "lockup_rise": 1.0,
        "creep_rate": 1.0,
        "external_leak": 1.0,
        "verdict": 2.0,
        "cause": 2.0,
    }
    (done,) = folder.scores()[0]
    assert done.points == done.of == 8.0
    scene.model.leave()
    assert any("8 of 8" in row.done for row in scene.model.rows)
    scene.model.keep_table()
    (table,) = (folder.folder / "tables").glob("*.csv")
    assert TRAINEE in table.read_text("utf-8")


def test_the_class_sheet_names_no_fault_unasked(scene: PracticeScene) -> None:
    desk, model = scene.desk, scene.model
    score_it(scene, NICKED, "fail", "zero_drift")
    model.leave()
    model.go_to(Page.CLASS)
    scene.again()
    fault = CATALOGUE["seat_nicked"].sentence.rstrip(".")

    def told() -> str:
        return "\n".join(label.text() for label in desk.class_sheet.words)

    assert "of 8 points" in told()
    assert fault not in told()
    model.keep_table()
    desk.class_sheet.answers_key.click()
    settled()
    assert f"took {fault} for" in told()
    assert f"What was wrong: {fault}" in told()
    model.keep_table()
    plain, full = sorted((model.folder.folder / "tables").glob("*.csv"))
    assert "seat_nicked" not in plain.read_text("utf-8")
    assert "seat_nicked" in full.read_text("utf-8")
    # it is not there any more for who comes next
    model.go_to(Page.DRILLS)
    model.go_to(Page.CLASS)
    scene.again()
    assert fault not in told()


def test_each_call_is_explained_where_it_was_read(scene: PracticeScene) -> None:
    score_it(scene, NICKED, "fail", "seat_debris")
    score = scene.model.score
    assert score is not None
    for what in ("set_pressure", "lockup_rise", "creep_rate", "external_leak"):
        picture, under, words = score.explained(what)
        item = next(i for i in score.scored.items if i.what == what)
        assert picture is not None
        assert item.found is not None
        window = item.found.evidence.window_s
        assert window is not None
        (zone,) = picture.lanes[0].zones
        assert (zone.from_s, zone.to_s) == window
        assert picture.from_s <= window[0] < window[1] <= picture.to_s
        assert picture.cursors is not None
        assert item.step in words
        assert (under is not None) == (what == "creep_rate")
    whole, _, _ = score.explained("cause")
    assert whole is not None
    assert any(lane.intervals for lane in whole.lanes)


def test_every_finding_is_explained_where_it_was_found(scene: PracticeScene) -> None:
    score_it(scene, NICKED, "fail", "seat_debris")
    score = scene.model.score
    assert score is not None
    found = findings_to_explain(score.judgement)
    assert len(score.findings) == len(found) > 15
    for number, finding in enumerate(found):
        picture, under, words = score.explained_finding(number)
        assert picture is not None
        window = finding.evidence.window_s
        zones = [zone for lane in picture.lanes for zone in lane.zones]
        marks = [zone for zone in zones if (zone.from_s, zone.to_s) == window]
        assert marks
        assert finding.kind.definition in words
        assert (under is not None) == (finding.id == "creep_rate")
        if finding.id == "lockup_highest" and finding.interval is not None:
            high = finding.interval[1] / 248.84  # in. w.c., 60 °F
            assert marks[0].high == pytest.approx(high, rel=2e-3)


def test_a_draft_outlives_a_change_of_size(scene: PracticeScene) -> None:
    scene.desk.drills.title.setText("Second morning")
    scene.desk.drills.fault.setCurrentIndex(3)
    fault = scene.desk.drills.fault.currentData()
    scene.window.resize(1920, 1080)
    scene.window._fit()
    settled()
    assert scene.desk.drills.title.text() == "Second morning"
    assert scene.desk.drills.fault.currentData() == fault


# --- making --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("draft", "told"),
    [
        (Draft(fault="seat_nicked", severity="1.5"), "above 0, up to 1"),
        (Draft(fault="seat_nicked", severity="0"), "above 0, up to 1"),
        (Draft(fault="seat_nicked", severity="much"), "above 0, up to 1"),
        (Draft(fault=DRAW, seed="four"), "whole number"),
        (Draft(stored=str(NICKED)), "says what is wrong"),
        (Draft(stored="nowhere.h5"), "nowhere.h5"),
        (Draft(fault="relief_low", family="cylinder-1"), "relief"),
    ],
)
def test_what_can_be_no_drill_is_told(
    scene: PracticeScene, draft: Draft, told: str
) -> None:
    before = len(scene.model.drills)
    scene.model.make(draft)
    scene.done()
    assert scene.model.wrong
    assert told in scene.model.note
    assert len(scene.model.drills) == before


def test_a_stored_run_without_truth_is_no_drill(
    scene: PracticeScene, tmp_path: Path
) -> None:
    run = read_sealed(GOOD)
    write_run(replace(run, truth=None), tmp_path / "real.h5")
    scene.model.make(Draft(stored=str(tmp_path / "real.h5")))
    scene.done()
    assert scene.model.wrong
    assert "does not hold what was true" in scene.model.note


def test_a_run_in_parts_is_no_drill(scene: PracticeScene, tmp_path: Path) -> None:
    run = read_sealed(GOOD)
    parts = (*run.parts, replace(run.parts[0], number=2))
    write_run(replace(run, parts=parts), tmp_path / "parts.h5")
    scene.model.make(Draft(stored=str(tmp_path / "parts.h5")))
    scene.done()
    assert "2 parts" in scene.model.note


def test_a_drill_of_a_stored_run_takes_it_along(
    scene: PracticeScene, tmp_path: Path
) -> None:
    scene.model.make(Draft(stored=str(GOOD), title="As it came"))
    scene.done()
    assert not scene.model.wrong, scene.model.note
    kept = scene.model.drills[scene.model.chosen]
    assert kept.drill.title == "As it came"
    # handed to somebody else: with its run beside it, under any name, and without
    away = tmp_path / "d.toml"
    away.write_bytes(kept.path.read_bytes())
    other = PracticeFolder(tmp_path / "other")
    scene.model.folder = other
    scene.model.take_in(str(away))
    assert "not beside it" in scene.model.note
    (tmp_path / "anything.h5").write_bytes(GOOD.read_bytes())
    scene.model.take_in(str(away))
    assert not scene.model.wrong, scene.model.note
    assert other.run_path(kept.drill).exists()


def test_a_changed_or_newer_drill_file_is_refused(
    scene: PracticeScene, tmp_path: Path
) -> None:
    text = scene.model.drills[0].path.read_text("utf-8")
    for name, changed, told in (
        ("changed", text.replace("fair", "plain"), "changed after it was made"),
        ("newer", text.replace("drill/1", "drill/9"), "proofstand.drill/9"),
    ):
        path = tmp_path / f"{name}.toml"
        path.write_text(changed, "utf-8")
        scene.model.take_in(str(path))
        assert scene.model.wrong
        assert told in scene.model.note
    assert len(scene.model.drills) == 3


def test_a_file_that_is_no_drill_does_not_hide_the_others(
    scene: PracticeScene, folder: PracticeFolder
) -> None:
    (folder.folder / "drills" / "spoilt.toml").write_text("x = 1\n", "utf-8")
    scene.model.look_again()
    scene.again()
    assert len(scene.model.drills) == 3
    assert "spoilt.toml" in scene.desk.drills.unread.text()


def test_who_practises_is_asked_for(scene: PracticeScene) -> None:
    scene.model.trainee = " "
    scene.model.begin()
    assert scene.model.wrong
    assert scene.model.page is Page.DRILLS


# --- faults explained ----------------------------------------------------------------


def test_a_fault_is_explained_from_its_traces(scene: PracticeScene) -> None:
    explain(scene, "seat_nicked")
    shown = scene.model.explained
    assert shown is not None
    assert shown.page is not None
    assert shown.page.step == "creep-hold"
    assert shown.picture is not None
    texts = [label.text() for label in scene.desk.faults.words]
    assert any("Creep rate" in text and "in. w.c./min" in text for text in texts)
    assert any("Dirt on the seat" in text for text in texts)
    # arrows lead from fault to fault; the words stand before the traces are made
    scene.desk.faults.faults.take_focus("seat_nicked")
    press(scene, Qt.Key.Key_Down)
    assert scene.model.fault == "seat_worn"
    assert scene.desk.faults.head.text() == CATALOGUE["seat_worn"].sentence
    assert scene.model.at_work
    scene.model.go_to(Page.DRILLS)  # lets the simulator go
    assert not scene.model.at_work
    scene.model.wait()
    assert not (traces_folder() / "second-stage-seat_worn.h5").exists()


def test_no_page_on_a_fault_while_a_drill_is_on(scene: PracticeScene) -> None:
    explain(scene, "seat_nicked")
    scene.model.go_to(Page.DRILLS)
    scene.begin(NICKED)
    scene.model.go_to(Page.FAULTS)
    assert scene.model.page is Page.REPLAY
