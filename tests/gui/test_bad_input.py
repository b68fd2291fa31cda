"""Bad input in every field: said beside it at once, and nothing typed is lost."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtWidgets import QApplication, QLabel
from pytestqt.qtbot import QtBot

from gui.app import Window, made_application
from gui.bench_desk.card_draft import ENTRIES, TABLES, all_wrong, draft_of, is_told
from gui.bench_desk.card_form import CardForm
from gui.bench_desk.start_checks import FIELDS
from proofstand.commands.options import MOST_NAME
from proofstand.commands.window import WindowOptions
from proofstand.simulated import JOB_TEXT
from records.jobfile import parse_job
from tests.gui.states import filled, window_of

# Nothing; blanks; a line's end and unprintable signs; another script; very long; a
# path; a formula; a number with a decimal comma; a wrong unit; a wrong sign.
JUNK = {
    "empty": "",
    "blanks": "   ",
    "pasted": "first line\r\nsecond\x00\x07 line\ttabbed",
    "script": "\u0394p = 11 \u2603 \u202eedoc",
    "long": "x" * 5000,
    "path": "../../etc/passwd",
    "markup": "<b>11</b> {key} %s '''\"\"\" \\",
    "comma": "11,0 in. w.c. gauge",
    "unit": "11.0 furlongs gauge",
    "sign": "-11.0 in. w.c. gauge",
}
PRESSURES = [
    "set_pressure",
    "regulator.nameplate.inlet_max",
    "regulator.nameplate.outlet_min",
    "regulator.nameplate.outlet_max",
    "regulator.nameplate.outlet_rating",
]
DATES = [path for path, entry in ENTRIES.items() if entry.sort == "date"]


@pytest.fixture
def made(qtbot: QtBot, tmp_path: Path) -> Window:
    """Return a window whose start sheet is filled in."""
    window = window_of(WindowOptions(light=True), (1366, 768))
    qtbot.addWidget(window)
    window.start.fill(filled(tmp_path))
    return window


@pytest.fixture
def form(made: Window) -> CardForm:
    """Return the form of a card that is right."""
    made.fill_in(made.start.given.job)
    assert made.form is not None
    assert made.form.looked.error is None
    return made.form


def note_of(form: CardForm, path: str) -> str:
    """Return what stands beneath a field, "" where nothing does."""
    editor = form.editors[path]
    return "" if editor.note.isHidden() else editor.note.text()


# --- the start sheet -----------------------------------------------------------------


@pytest.mark.parametrize("junk", JUNK)
@pytest.mark.parametrize("name", FIELDS)
def test_every_field_of_the_start_sheet_takes_junk_and_keeps_it(
    made: Window, name: str, junk: str
) -> None:
    sheet = made.start
    good = {each: sheet.notes[each].text() for each in FIELDS}
    sheet.fields[name].setText(JUNK[junk])
    typed = sheet.fields[name].text()
    looked = sheet.look_now()
    assert sheet.fields[name].text() == typed
    begun: list[object] = []
    made.start.begin.disconnect()
    made.start.begin.connect(begun.append)
    sheet.read.setChecked(True)
    sheet.begin_key.click()
    assert sheet.fields[name].text() == typed
    if name == "by":  # a simulated rig wants none
        fits = len(typed.strip()) <= MOST_NAME and typed.strip().isprintable()
        assert looked.ready is fits
        assert bool(begun) is fits
        return
    if name == "label":
        expected = looked.beside["job"] if typed.strip() else looked.beside["label"]
        assert expected.good == (not typed.strip())
        assert bool(begun) == (not typed.strip())
        return
    if looked.beside[name].good:  # a run file may have an odd name
        assert name == "out"
        return
    assert begun == []
    assert sheet.notes[name].text()
    assert sheet.notes[name].text() != good[name]
    assert sheet.begin_note.text().startswith("Not yet")
    _no_traces_of_code(made)


def _no_traces_of_code(window: Window) -> None:
    for label in window.findChildren(QLabel):
        for word in ("Traceback", "Error:", "errno", "None"):
            assert word not in label.text(), label.text()


# --- the form of the job card --------------------------------------------------------


@pytest.mark.parametrize("junk", JUNK)
def test_every_field_of_the_card_takes_junk_keeps_it_and_says_so_beneath(
    form: CardForm, junk: str
) -> None:
    before = {path: editor.text() for path, editor in form.editors.items()}
    for path, editor in form.editors.items():
        editor.put(JUNK[junk])
        typed = editor.text()
        form.keep_now()
        assert editor.text() == typed, path
        if form.looked.error is not None:
            wrong = {place for place in all_wrong(form.draft) if place in form.editors}
            assert wrong, (path, form.looked.error)
            for place in wrong:
                assert note_of(form, place), place
        editor.put(before[path])
    form.keep_now()
    assert form.looked.error is None
    assert [path for path in form.editors if note_of(form, path)] == []


@pytest.mark.parametrize("junk", ["blanks", "pasted", "long", "sign"])
@pytest.mark.parametrize("table", TABLES)
def test_every_cell_of_every_table_takes_junk_and_keeps_it(
    form: CardForm, table: str, junk: str
) -> None:
    rows = form.rows[table]
    rows.add_row()
    row = rows.editors[-1]
    for column, editor in row.items():
        editor.put(JUNK[junk])
        typed = editor.text()
        form.keep_now()
        assert editor.text() == typed, column
        told = is_told(rows.table, {column: typed})
        if form.looked.error is not None and told:
            notes = [e.note.text() for e in row.values() if not e.note.isHidden()]
            assert any(notes), (column, form.looked.error, form.looked.field)
        editor.put("")


@pytest.mark.parametrize("path", PRESSURES)
@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("11.0 furlongs gauge", "is not a unit"),
        ("-11.0 in. w.c. gauge", "-11.0 in. w.c. gauge"),
        ("11.0 in. w.c.", "gauge, absolute or difference"),
        ("11.0", "unit"),
        ("in. w.c. gauge", "number"),
        ("1,234 in. w.c. gauge", "more than one way"),
        ("11.0 in. w.c. absolute", "gauge"),
    ],
)
def test_a_pressure_that_can_t_be_is_said_beneath_its_field(
    form: CardForm, path: str, typed: str, told: str
) -> None:
    form.editors[path].put(typed)
    form.keep_now()
    assert told in note_of(form, path)
    assert form.editors[path].text() == typed
    assert [each for each in form.editors if note_of(form, each)] == [path]


def test_a_decimal_comma_is_read_and_stays_as_it_was_typed(form: CardForm) -> None:
    form.editors["set_pressure"].put("11,0 in. w.c. gauge")
    form.keep_now()
    assert form.looked.error is None
    assert form.looked.job is not None
    assert form.looked.job.set_pressure is not None
    pascals = form.looked.job.set_pressure.value_si
    assert pascals == pytest.approx(11.0 * 249.08891, rel=1e-3)
    assert form.editors["set_pressure"].text() == "11,0 in. w.c. gauge"


@pytest.mark.parametrize("path", DATES)
def test_a_day_that_is_none_is_said_by_the_fields_own_name(
    form: CardForm, path: str
) -> None:
    for typed in ("2026-02-30", "24.11.2026", "yesterday"):
        form.editors[path].put(typed)
        form.keep_now()
        note = note_of(form, path)
        assert typed in note
        assert path not in note  # no place in a file, but what the form calls it
    form.editors[path].put("")


def test_several_wrong_fields_are_all_told_at_once(form: CardForm) -> None:
    wrong = {
        "set_pressure": "11 inches",
        "regulator.nameplate.inlet_max": "ten psi",
        "intake.received": "2026-13-01",
        "intake.rebuilds": "a few",
    }
    for path, typed in wrong.items():
        form.editors[path].put(typed)
    form.keep_now()
    assert {path for path in form.editors if note_of(form, path)} == set(wrong)
    form.editors["set_pressure"].put("11.0 in. w.c. gauge")
    form.keep_now()
    assert note_of(form, "set_pressure") == ""
    assert note_of(form, "intake.rebuilds")


def test_a_draft_that_is_right_has_nothing_wrong() -> None:
    made_application()
    assert all_wrong(draft_of(parse_job(JOB_TEXT, "card"))) == {}
    QApplication.processEvents()
