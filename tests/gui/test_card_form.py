"""The form of a job card: what is typed is kept, shown wrong beside it, and saved."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from PySide6.QtCore import QSize, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QLabel, QLineEdit, QPushButton, QWidget
from pytestqt.qtbot import QtBot

from gui.app import Window, made_application
from gui.bench_desk.card_draft import (
    ENTRIES,
    PAGES,
    POINTS,
    TABLES,
    Draft,
    draft_file,
    draft_of,
    fresh,
    keep,
    kept,
    look_at_draft,
    same,
)
from gui.bench_desk.card_form import CardForm
from gui.bench_desk.start_checks import Given, look_at
from gui.bench_desk.wording import known
from proofstand.commands.main import main
from proofstand.commands.window import WindowOptions
from proofstand.simulated import EPOCH, JOB_TEXT
from records.jobfile import example_text, load_job, parse_job
from rig.simulator.rigtext import rig_text


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PROOFSTAND_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


@pytest.fixture
def card(tmp_path: Path) -> Path:
    path = tmp_path / "card.toml"
    path.write_text(example_text(), "utf-8")
    return path


def window(qtbot: QtBot, *, plan: str = "low-pressure", job: str = "") -> Window:
    made_application()
    made = Window(WindowOptions(light=True, plan=plan, job=job), QSize(1366, 768))
    made._beat.stop()
    qtbot.addWidget(made)
    made.show()
    qtbot.waitExposed(made)
    return made


def form(qtbot: QtBot, card: Path | str = "", plan: str = "low-pressure") -> CardForm:
    made = window(qtbot, plan=plan)
    made.fill_in(str(card))
    assert made.form is not None
    return made.form


def told(form: CardForm) -> str:
    form.look_now()
    made_application().processEvents()  # new labels are shown by the event loop
    return "\n".join(
        label.text() for label in form.findChildren(QLabel) if label.isVisibleTo(form)
    )


# --- the draft, without a window -----------------------------------------------------


def test_a_card_goes_through_the_form_unchanged() -> None:
    for text in (example_text(), JOB_TEXT):
        job = parse_job(text, "c.toml")
        looked = look_at_draft(draft_of(job))
        assert looked.error is None
        assert looked.job == job
        assert parse_job(looked.text, "again.toml") == job


def test_every_field_of_the_card_has_a_place_in_the_form() -> None:
    import dataclasses
    import typing

    from records.jobcard import JobCard
    from records.measure import Quantity

    def fields(noun: type, path: str) -> set[str]:
        found = set()
        hints = typing.get_type_hints(noun)
        for field in dataclasses.fields(noun):
            if field.name == "upstream":
                continue  # a card of its own, named by upstream_card
            kinds = [hints[field.name], *typing.get_args(hints[field.name])]
            nouns = [
                k for k in kinds if dataclasses.is_dataclass(k) and k is not Quantity
            ]
            here = f"{path}{field.name}"
            found |= fields(nouns[0], here + ".") if nouns else {here}  # type: ignore[arg-type]
        return found

    columns = {f"{t.path}.{c.path}" for t in TABLES.values() for c in t.columns}
    assert fields(JobCard, "") - {"format"} == set(ENTRIES) | columns


def test_everything_in_the_form_has_words() -> None:
    for id, groups in PAGES.items():
        assert known("card", "page", id)
        for group in groups:
            assert known("card", "group", group.id)
    for path in ENTRIES:
        assert known("card", "field", path), path
    for table in TABLES.values():
        for column in table.columns:
            assert known("card", "column", column.path), column.path


@pytest.mark.parametrize(
    ("path", "typed"),
    [
        ("set_pressure", "11"),
        ("set_pressure", "40 psi gauge"),
        ("intake.received", "last week"),
        ("intake.received", "2026-02-30"),
        ("intake.rebuilds", "two"),
        ("regulator.nameplate.inlet_max", "10 psi"),
        ("rebuild.torques/1/torque", "18 ft"),
        ("rebuild.torques/0/wrench_due", "soon"),
    ],
)
def test_what_cannot_be_names_its_field(path: str, typed: str) -> None:
    draft = draft_of(parse_job(example_text(), "c.toml"))
    if "/" in path:
        table, number, column = path.split("/")
        draft.rows[table][int(number)][column] = typed
    else:
        draft.values[path] = typed
    looked = look_at_draft(draft)
    assert looked.job is None
    assert looked.error is not None
    assert looked.field == path


def test_a_wrong_pair_in_a_row_names_the_row() -> None:
    draft = draft_of(parse_job(example_text(), "c.toml"))
    draft.rows[POINTS.path][0]["result"] = "heavy"
    assert look_at_draft(draft).field == f"{POINTS.path}/0/"


def test_an_empty_form_makes_a_card_that_says_what_it_lacks() -> None:
    looked = look_at_draft(fresh())
    assert looked.job is not None
    assert looked.job.inspection is None
    assert not looked.job.purged


def test_odd_texts_survive_the_draft(tmp_path: Path) -> None:
    odd = 'a "b" \\ \n\t # [x] = 1 \u2603 \x07'
    draft = fresh()
    draft.values["notes"] = odd
    draft.values["intake.received"] = odd
    draft.rows["rebuild.parts"] = [{"name": odd}]
    keep("", draft)
    assert kept("") == draft
    draft.values["intake.received"] = ""
    draft.rows["rebuild.parts"][0]["done"] = "replaced"
    job = look_at_draft(draft).job
    assert job is not None
    assert job.notes == odd.strip()
    assert job.rebuild is not None
    assert job.rebuild.parts[0].name == odd.strip()


@pytest.mark.parametrize("content", ["", "{", "[]", '{"values": 3}', "\x00"])
def test_a_damaged_draft_is_none(content: str) -> None:
    keep("", Draft({"id": "J"}, {}))
    draft_file("").write_text(content)
    assert kept("") is None


# --- the form ------------------------------------------------------------------------


def test_a_new_card_is_filled_in_saved_and_passes_the_check(
    qtbot: QtBot, tmp_path: Path
) -> None:
    made = form(qtbot)
    typed = {
        "id": "LV-9",
        "regulator.serial": "K-9",
        "regulator.model": "invented",
        "regulator.family": "second-stage",
        "regulator.gas": "propane",
        "regulator.nameplate.inlet_max": "10 psi gauge",
        "set_pressure": "11.0 in. w.c. gauge",
    }
    for path, text in typed.items():
        made.editors[path].put(text)
    assert "purged" in told(made)
    assert "1 to mend" in made.pages["intake"].text()
    box = made.editors["purged"]._box
    QTest.mouseClick(box, Qt.MouseButton.LeftButton)
    made.editors["purged"].put("yes")
    assert "Nothing against it" in told(made)
    file = tmp_path / "new.toml"
    assert made.save_to(file)
    job = load_job(file)
    assert job.regulator.serial == "K-9"
    assert job.purged
    assert main(["job", "check", str(file), "--plan", "low-pressure"]) == 0
    assert kept("") is None


def test_what_is_typed_is_kept_through_closing(
    qtbot: QtBot, card: Path, home: Path
) -> None:
    before = card.read_bytes()
    made = window(qtbot)
    made.fill_in(str(card))
    assert made.form is not None
    made.form.editors["set_pressure"].put("11.2 in. w.")
    made.form.rows["rebuild.torques"].editors[0]["torque"].put("26 in")
    made.close()
    assert card.read_bytes() == before
    assert [f.parent for f in home.rglob("*.json")] == [home / "autosave"]
    again = form(qtbot, card)
    assert again.editors["set_pressure"].text() == "11.2 in. w."
    assert again.rows["rebuild.torques"].editors[0]["torque"].text() == "26 in"
    assert "not saved" in again.said.text()
    assert "Can't be: Set pressure asked" in told(again)
    assert not again.save_to(card)
    assert card.read_bytes() == before


def test_the_timer_keeps_it_without_a_press(qtbot: QtBot, card: Path) -> None:
    made = form(qtbot, card)
    QTest.keyClicks(made.editors["notes"]._box, "half a sen")
    qtbot.waitUntil(lambda: kept(str(card)) is not None, timeout=3000)
    found = kept(str(card))
    assert found is not None
    assert found.values["notes"] == "half a sen"


def test_the_file_s_card_can_be_taken_instead_and_the_other_is_put_aside(
    qtbot: QtBot, card: Path, home: Path
) -> None:
    draft = draft_of(load_job(card))
    draft.values["notes"] = "typed before"
    keep(str(card), draft)
    made = window(qtbot)
    made.fill_in(str(card))
    assert made.form is not None
    assert made.form.editors["notes"].text() == "typed before"
    QTest.mouseClick(made.form.drop_key, Qt.MouseButton.LeftButton)
    assert made.form.editors["notes"].text() == ""
    aside = [json.loads(f.read_text()) for f in home.rglob("*aside*.json")]
    assert [a["values"]["notes"] for a in aside] == ["typed before"]


def test_saving_over_a_card_keeps_the_earlier_one(qtbot: QtBot, card: Path) -> None:
    made = form(qtbot, card)
    made.editors["notes"].put("more")
    QTest.mouseClick(made.save_key, Qt.MouseButton.LeftButton)
    assert load_job(card).notes == "more"
    assert card.with_name("card.before-1.toml").read_text("utf-8") == example_text()
    assert "card.before-1.toml" in made.said.text()


def test_a_stop_is_shown_at_its_page(qtbot: QtBot, card: Path) -> None:
    made = form(qtbot, card)
    made.rows["rebuild.parts"].editors[0]["done"].put("reused")
    words = told(made)
    assert "Stop: Rebuild" in words
    assert "The diaphragm was reused" in words
    assert "1 to mend" in made.pages["rebuild"].text()
    assert made.pages["inspection"].text() == "Inspection"
    made.rows["rebuild.parts"].editors[0]["done"].put("replaced")
    assert "Stop" not in told(made)


def test_the_plan_of_the_start_sheet_counts(qtbot: QtBot, card: Path) -> None:
    made = form(qtbot, card, plan="cylinder")
    assert "the nameplate allows 10 psi gauge" in told(made)


def test_each_point_offers_its_own_results(qtbot: QtBot, card: Path) -> None:
    made = form(qtbot, card)
    rows = {r["point"].text(): r["result"] for r in made.rows[POINTS.path].editors}

    def offered(point: str) -> set[str]:
        box = rows[point]._box
        return {box.itemText(i) for i in range(box.count())}  # type: ignore[union-attr]

    assert "damaged" in offered("vent")
    assert "heavy" not in offered("vent")
    assert "heavy" in offered("corrosion")


def test_the_serial_column_comes_with_a_batch(qtbot: QtBot, card: Path) -> None:
    made = form(qtbot, card)
    serial = made.rows["rebuild.parts"].editors[0]["serial"]
    assert serial.isHidden()
    made.editors["serials"].put("K-4410, K-4411")
    made.look_now()
    assert not serial.isHidden()
    assert made.looked.job is not None
    assert made.looked.job.serials == ("K-4410", "K-4411")


def test_one_more_row(qtbot: QtBot, card: Path) -> None:
    made = form(qtbot, card)
    torques = made.rows["rebuild.torques"]
    QTest.mouseClick(torques.more, Qt.MouseButton.LeftButton)
    torques.editors[-1]["what"].put("cap")
    torques.editors[-1]["torque"].put("12 N·m")
    made.look_now()
    assert made.looked.job is not None
    assert made.looked.job.rebuild is not None
    assert made.looked.job.rebuild.torques[-1].torque.typed == "12 N·m"
    assert "wrench is not recorded" in told(made)


def test_the_wheel_changes_no_choice(qtbot: QtBot, card: Path) -> None:
    from PySide6.QtCore import QPoint, QPointF
    from PySide6.QtGui import QWheelEvent

    made = form(qtbot, card)
    made.open_page("rebuild")
    editor = made.rows["rebuild.parts"].editors[0]["done"]
    at = QPointF(5, 5)
    turn = QWheelEvent(
        at,
        editor._box.mapToGlobal(at),
        QPoint(0, 0),
        QPoint(0, -240),
        Qt.MouseButton.NoButton,
        Qt.KeyboardModifier.NoModifier,
        Qt.ScrollPhase.NoScrollPhase,
        False,
    )
    made_application().sendEvent(editor._box, turn)
    assert editor.text() == "replaced"


def test_a_file_that_is_no_card_is_told_on_the_start_sheet(
    qtbot: QtBot, tmp_path: Path
) -> None:
    made = window(qtbot)
    made.fill_in(str(tmp_path / "none.toml"))
    assert made.form is None
    assert "There is no job card here" in made.start.side_note.text()


def test_back_takes_the_card_to_the_start_sheet(qtbot: QtBot, card: Path) -> None:
    made = window(qtbot, job=str(card))
    QTest.mouseClick(made.start.fill_key, Qt.MouseButton.LeftButton)
    assert made.form is not None
    assert made.form.card == str(card)
    QTest.mouseClick(made.form.back_key, Qt.MouseButton.LeftButton)
    assert made.form is None
    assert made.start.isVisible()
    assert made.start.fields["job"].text() == str(card)
    assert made.start.side_note.text() == ""
    made.fill_in(str(card))
    assert made.form is not None
    made.form.editors["notes"].put("half")
    QTest.mouseClick(made.form.back_key, Qt.MouseButton.LeftButton)
    assert "not saved" in made.start.side_note.text()
    assert kept(str(card)) is not None
    made.fill_in(str(card))
    assert made.form is not None
    made.form.editors["notes"].put("")
    QTest.mouseClick(made.form.back_key, Qt.MouseButton.LeftButton)
    assert kept(str(card)) is None


def test_all_of_a_batch_are_looked_at(qtbot: QtBot, card: Path) -> None:
    made = form(qtbot, card)
    made.editors["serials"].put("K-4410, K-4411")
    points = made.rows[POINTS.path]
    points.add_row()
    for key, text in (("point", "vent"), ("result", "missing"), ("serial", "K-4411")):
        points.editors[-1][key].put(text)
    made.look_now()
    assert [note.id for note in made.notes] == ["damaged_part_kept"]


def test_another_size_of_window_keeps_what_is_typed(qtbot: QtBot, card: Path) -> None:
    made = window(qtbot)
    made.fill_in(str(card))
    assert made.form is not None
    made.form.editors["notes"].put("half")
    made.resize(1920, 1080)
    made._fit()
    made_application().processEvents()
    assert made.form is not None
    assert made.form.isVisible()
    assert made.form.editors["notes"].text() == "half"
    assert made._theme.scale > 1.3


@pytest.mark.parametrize("size", [(1366, 768), (1920, 1080)])
def test_nothing_reaches_over_its_place(
    qtbot: QtBot, card: Path, size: tuple[int, int]
) -> None:
    made = window(qtbot)
    made.resize(*size)
    made._fit()
    made.fill_in(str(card))
    assert made.form is not None
    for id in PAGES:
        made.form.open_page(id)
        made_application().processEvents()
        page = made.form._stack.currentWidget()
        inside = page.widget()  # type: ignore[attr-defined]
        assert inside.width() <= page.width(), id
        for kind in (QLineEdit, QPushButton):
            for widget in made.form.findChildren(kind):
                if widget.isVisible() and isinstance(widget, QWidget):
                    right = widget.mapTo(made, widget.rect().bottomRight()).x()
                    assert right <= made.width()
        for turn in made.form.pages.values():
            assert turn.sizeHint().width() <= turn.width()


# --- the start sheet -----------------------------------------------------------------


def given(folder: Path, card: Path, **changes: str) -> Given:
    (folder / "rig.toml").write_text(rig_text("127.0.0.1", 502, 1.0, EPOCH.date()))
    fields = {
        "rig": str(folder / "rig.toml"),
        "plan": "low-pressure",
        "job": str(card),
        "out": str(folder / "run.h5"),
    }
    return Given(**{**fields, **changes})


def test_the_start_sheet_refuses_on_a_stop_and_prints_the_warnings(
    qtbot: QtBot, tmp_path: Path, card: Path
) -> None:
    assert look_at(given(tmp_path, card)).ready
    text = example_text()
    old = 'name = "diaphragm"\ndone = "replaced" '
    assert old in text
    card.write_text(text.replace(old, old.replace("placed", "used"), 1))
    sheet = look_at(given(tmp_path, card))
    assert not sheet.ready
    assert sheet.first_bad == "job"
    assert "must be replaced" in sheet.beside["job"].words
    made = window(qtbot)
    made.start.fill(given(tmp_path, card))
    assert "Stop: The diaphragm" in made.start.rules.text()
    assert "Warning: The diaphragm was reused, and nothing" in made.start.rules.text()
    begun: list[object] = []
    made.start.begin.connect(begun.append)
    made.start.read.setChecked(True)
    QTest.mouseClick(made.start.begin_key, Qt.MouseButton.LeftButton)
    assert begun == []


def test_who_is_on_the_paper_where_no_name_is_typed(tmp_path: Path, card: Path) -> None:
    told = look_at(given(tmp_path, card)).beside["by"].words
    assert "P. Quill (invented)" in told
    text = example_text().replace('technician = "P. Quill (invented)"', "", 1)
    card.write_text(text)
    assert "names nobody" in look_at(given(tmp_path, card)).beside["by"].words


@pytest.mark.parametrize(
    ("label", "ready", "words"),
    [
        ("", True, "Not scanned"),
        ("LV-2207/K-4410", True, "of serial K-4410"),
        ("LV-2207/K-4411", False, ""),
    ],
)
def test_a_scanned_label_has_to_be_the_card_s(
    tmp_path: Path, card: Path, label: str, ready: bool, words: str
) -> None:
    sheet = look_at(given(tmp_path, card, label=label))
    assert sheet.ready is ready
    assert words in sheet.beside["label"].words
    if not ready:
        assert "The label that was scanned" in sheet.beside["job"].words


def test_the_next_regulator_is_scanned_anew(
    qtbot: QtBot, tmp_path: Path, card: Path
) -> None:
    made = window(qtbot)
    made.start.fill(given(tmp_path, card, label="K-4410"))
    made.start.renew()
    assert made.start.fields["label"].text() == ""


def test_two_drafts_of_the_same_are_the_same() -> None:
    job = parse_job(example_text(), "c.toml")
    one, other = draft_of(job), draft_of(job)
    other.rows["disposition"].append({"ending": "  "})
    assert same(one, other)
    other.values["notes"] = "x"
    assert not same(one, other)
