"""The states of the Records desk, each brought about by keys from the one before.

One window goes through all of them: a run that is open or a chart that is drawn once is
not made again for every picture.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QWidget

from gui.app import Window
from gui.records_desk.model import RecordsModel
from gui.records_desk.view import RecordsDesk
from tests.gui.fits import settled

WAIT_S = 60.0
APART_MS = 60  # keys of hands lie further apart than those of a scanner


@dataclass(frozen=True, slots=True)
class AtRecords:
    """A window at its Records desk, and a folder for what is saved."""

    window: Window
    folder: Path

    @property
    def desk(self) -> RecordsDesk:
        desk = self.window.other_desk
        assert isinstance(desk, RecordsDesk)
        return desk

    @property
    def model(self) -> RecordsModel:
        model = self.window._models["records"]
        assert isinstance(model, RecordsModel)
        return model

    def press(self, *keys: Qt.Key) -> None:
        """Press keys one after the other, each where the focus is then."""
        for key in keys:
            QTest.qWait(APART_MS)
            QTest.keyClick(self.focused, key)
            self.wait()

    def type(self, text: str) -> None:
        """Paste a text: quicker than hands type, and no scan."""
        QApplication.clipboard().setText(text)
        QTest.keyClick(self.focused, Qt.Key.Key_V, Qt.KeyboardModifier.ControlModifier)

    @property
    def focused(self) -> QWidget:
        return QApplication.focusWidget() or self.window

    def wait(self) -> None:
        """Wait until nothing is at work, and show what came."""
        until = time.monotonic() + WAIT_S
        calm = 0  # what came may begin something else
        while calm < 3 and time.monotonic() < until:
            self.window.beat()
            settled(1)
            calm = 0 if self.model.busy else calm + 1
            time.sleep(0.002)
        assert calm == 3


Step = Callable[[AtRecords], None]
STEPS: dict[str, Step] = {}


def step(made: Step) -> Step:
    """Register a state by its function's name."""
    STEPS[made.__name__.replace("_", "-")] = made
    return made


@step
def records_found(at: AtRecords) -> None:
    at.model.saving.folder = str(at.folder)
    at.wait()
    assert len(at.desk.finder.table.rows) == 5


@step
def records_marked(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Space, Qt.Key.Key_Down, Qt.Key.Key_Space)
    at.press(Qt.Key.Key_Down, Qt.Key.Key_Space, Qt.Key.Key_F5)
    assert len(at.model.find.marked) == 3


@step
def records_wrong_field(at: AtRecords) -> None:
    field = at.desk.finder.fields.fields["since"]
    field.setFocus()
    at.type("2026-13-40")
    at.desk.finder.fields.fields["verdict"].setFocus()
    at.type("in")
    assert at.desk.finder.fields.notes["since"].text()


@step
def records_nothing_fits(at: AtRecords) -> None:
    fields = at.desk.finder.fields.fields
    for name in ("since", "verdict"):
        fields[name].setFocus()
        fields[name].selectAll()
        at.press(Qt.Key.Key_Delete)
    fields["serial"].setFocus()
    at.type("nobody's")
    at.press(Qt.Key.Key_Return)
    assert at.desk.finder.words[0].isVisible()


@step
def records_bundled(at: AtRecords) -> None:
    # back to all of them: first the marks go, then what is typed
    at.press(Qt.Key.Key_Escape, Qt.Key.Key_Escape)
    assert len(at.desk.finder.table.rows) == 5
    at.press(Qt.Key.Key_F8)
    assert list(at.folder.glob("*.zip"))


@step
def records_side_by_side(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Space, Qt.Key.Key_Down, Qt.Key.Key_Space)
    at.press(Qt.Key.Key_Down, Qt.Key.Key_Space, Qt.Key.Key_F4)
    assert len(at.model.beside.page().lines) == 3


@step
def records_side_by_side_moved(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Right, Qt.Key.Key_Up, Qt.Key.Key_F8)
    assert list(at.folder.glob("side-by-side*.svg"))


@step
def records_trend(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Escape, Qt.Key.Key_Escape)
    assert at.model.page == "find"
    at.press(Qt.Key.Key_F6)
    QTest.qWait(200)  # the picture waits until the size stands
    at.wait()
    assert at.model.trends.page().picture is not None
    at.press(Qt.Key.Key_F7)
    assert list(at.folder.glob("trend-*.csv"))


@step
def records_yield(at: AtRecords) -> None:
    at.model.trends.choose("what", "=yield")
    at.wait()


@step
def records_causes(at: AtRecords) -> None:
    at.model.trends.choose("what", "=causes")
    at.wait()


@step
def records_trend_of_one_value(at: AtRecords) -> None:
    at.model.trends.choose("what", "external_leak")
    at.model.trends.choose("group", "month")
    at.wait()


@step
def records_trend_of_none(at: AtRecords) -> None:
    at.press(Qt.Key.Key_F5)
    assert at.model.trends.page().said


@step
def records_day(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Escape, Qt.Key.Key_F7)
    at.model.text.day = date(2026, 6, 17)
    at.press(Qt.Key.Key_Right)


@step
def records_check(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Escape, Qt.Key.Key_F9)
    assert at.model.text.page().lines


@step
def records_life(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Escape, Qt.Key.Key_F3)
    assert len(at.desk.life.table.rows) == 4


@step
def records_run(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Return)
    assert at.model.page == "run"
    assert at.desk.review.detail.isVisible()
    assert at.desk.review.detail.fit.isVisible()


@step
def records_run_stretch(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Down, Qt.Key.Key_Return)


@step
def records_run_budget(at: AtRecords) -> None:
    at.press(Qt.Key.Key_PageDown)


@step
def records_run_cursors(at: AtRecords) -> None:
    QTest.keyClick(at.focused, Qt.Key.Key_C)
    QTest.qWait(120)  # a sign counts once no other one has followed
    at.wait()
    assert at.desk.review.trace.look.isVisible()


@step
def records_run_papers(at: AtRecords) -> None:
    QTest.keyClick(at.focused, Qt.Key.Key_C)
    QTest.qWait(120)
    at.press(Qt.Key.Key_F6)


@step
def records_run_remark(at: AtRecords) -> None:
    at.press(Qt.Key.Key_F7)
    at.type("The disc is kept for the customer.")


@step
def records_run_remark_kept(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Return)
    at.type("I. Ferrand (invented)")
    at.press(Qt.Key.Key_Return)
    assert at.model.act.page().done, at.model.act.page().said


@step
def records_run_conceding(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Escape, Qt.Key.Key_F11)


@step
def records_run_refused(at: AtRecords) -> None:
    for text in ("it is small", "K. Ruiz (invented)", "2020-01-01"):
        at.type(text)
        at.press(Qt.Key.Key_Return)  # the name stands there already, so this does it
    page = at.model.act.page()
    assert page.wrong
    assert page.said.startswith("Until is 2020-01-01")


@step
def records_run_with_a_remark(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Escape, Qt.Key.Key_F6)
    assert any(told.text for told in at.model.review.page().papers)


@step
def records_run_boundary(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Escape, Qt.Key.Key_F5)
    page = at.model.act.page()
    assert page.id == "boundary"
    assert page.typed["begin"] < page.typed["end"]


@step
def records_run_boundary_unmoved(at: AtRecords) -> None:
    at.desk.review.act.fields["why"].setFocus()
    at.type("the bleed was touched")
    at.press(Qt.Key.Key_Return)
    page = at.model.act.page()
    assert page.wrong, page.said


@step
def records_run_boundary_looked_at(at: AtRecords) -> None:
    begin = at.desk.review.act.fields["begin"]
    minutes, seconds = begin.text().split(":")
    begin.setFocus()
    begin.setText(f"{minutes}:{float(seconds) + 2.0:.1f}")
    begin.textEdited.emit(begin.text())
    at.desk.review.act.fields["name"].setFocus()
    at.press(Qt.Key.Key_Return)
    page = at.model.act.page()
    assert (page.wrong, page.done) == (False, False), page.said
    assert "->" in page.said  # what comes out another, as the command prints it
    assert page.key.startswith("Keep it")
    reviewed = at.model.review.reviewed
    assert reviewed is not None
    assert len(reviewed.judgements) == 1  # nothing was written


@step
def records_run_boundary_moved(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Return)
    page = at.model.act.page()
    assert page.done, page.said


@step
def records_run_judged_with_a_boundary(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Escape)
    reviewed = at.model.review.reviewed
    assert reviewed is not None
    assert [each.why for each in reviewed.run.moved] == ["the bleed was touched"]
    assert reviewed.same
    at.press(Qt.Key.Key_F6)


@step
def records_anew(at: AtRecords) -> None:
    while at.model.page != "find":
        at.press(Qt.Key.Key_Escape)
    at.press(Qt.Key.Key_F11)
    assert at.model.page == "anew"


@step
def records_anew_judged(at: AtRecords) -> None:
    at.desk.anew.by.setCurrentIndex(2)
    at.desk.anew.by.activated.emit(2)
    at.press(Qt.Key.Key_F5)
    page = at.model.anew.page()
    assert not page.at_work
    assert "judgements:" in page.said
    assert not page.may_keep  # a rule is not kept


@step
def records_anew_wrong_plan(at: AtRecords) -> None:
    at.desk.anew.by.activated.emit(1)
    at.window.beat()
    at.desk.anew.plan.setFocus()
    at.type("no-such-plan.toml")
    at.press(Qt.Key.Key_Return)
    assert at.model.anew.page().plan_note


@step
def records_plans(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Escape, Qt.Key.Key_Escape)
    at.desk.finder.keys.keys["plans"].click()
    at.wait()
    assert at.model.page == "plans"
    page = at.model.plans.page()
    assert any("low-pressure" in row.plan for row in page.rows)
    assert page.lines


@step
def records_plan_wrong_file(at: AtRecords) -> None:
    at.desk.plans.file.setFocus()
    at.type("nowhere.toml")
    at.press(Qt.Key.Key_Return)
    assert at.model.plans.page().file_note


@step
def records_plan_not_approved(at: AtRecords) -> None:
    at.press(Qt.Key.Key_Escape, Qt.Key.Key_Down, Qt.Key.Key_F8)
    at.type("I. Ferrand (invented)")
    at.press(Qt.Key.Key_Return)
    page = at.model.plans.page()
    assert page.wrong  # shop defaults are accepted one by one, with a reason
    assert page.came


@step
def records_recall(at: AtRecords) -> None:
    while at.model.page != "find":
        at.press(Qt.Key.Key_Escape)
    at.desk.finder.keys.keys["recall"].click()
    at.wait()
    assert at.model.page == "recall"
    at.desk.recall.of.activated.emit(1)
    at.wait()


@step
def records_recall_wrong(at: AtRecords) -> None:
    at.desk.recall.fields["what"].setFocus()
    at.type("simulated-1/outlet")
    at.desk.recall.fields["zero"].setFocus()
    at.type("0.05 in")
    at.press(Qt.Key.Key_Return)
    assert at.model.recall.page().wrong


@step
def records_recall_looked(at: AtRecords) -> None:
    fields = at.desk.recall.fields
    fields["zero"].clear()
    fields["zero"].setFocus()
    at.type("0.4 in. w.c. difference")
    fields["since"].setFocus()
    at.type("2026-06-01")
    fields["until"].setFocus()
    at.type("2026-12-31")
    at.press(Qt.Key.Key_F5)
    page = at.model.recall.page()
    assert not page.wrong, page.said
    assert page.rows
    assert page.may_mark
