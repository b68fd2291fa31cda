"""The start sheet: what is to be tested, checked as it is typed."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QApplication,
    QCheckBox,
    QComboBox,
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from proofstand.bench.cardcheck import CardNote
from proofstand.demo_order import free_folder
from proofstand.ready import note_words
from proofstand.words.sentences import caution
from records.planfile import DEFAULT_PLAN, builtin_plan_ids

from ..pieces import Rule, ScanLine, key, line, needed_px, pressed_at, put, restyle
from ..scanned import Burst
from ..theme import Theme
from .last_test import card_of_label, with_last
from .start_checks import (
    FIELDS,
    Beside,
    Given,
    Sheet,
    declared_changed,
    look_at,
    suggested_out,
)
from .wording import said

MOST_RULES = 3
MOST_CAUTIONS = 5  # two of gases, one of pressure, two that always hold
# Who tests stands beside the job label, which is scanned first.
_ROWS = ("label", *(name for name in FIELDS if name not in ("label", "by")))
# Good news beside fields, what can best be left out first.
_LESS = ("plan", "out", "rig", "job")
WAIT_MS = 150  # after the last key, before the fields are looked at
ARM_S = 0.7  # so long a key has to be the next one before Enter presses it
_COMMANDS = Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.AltModifier
_ENTER = (Qt.Key.Key_Return, Qt.Key.Key_Enter)


class StartSheet(QWidget):
    """What is tested on the left, what has to be known before on the right."""

    begin = Signal(object)
    watch = Signal(object)
    look = Signal(object)
    fill_in = Signal(str)

    def __init__(
        self,
        theme: Theme,
        given: Given,
        last: Given | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__()
        self._theme = theme
        self._last = last
        self._clock = clock
        self._next_since = clock()
        self._scanned: tuple[str, Beside] = ("", Beside("", True))
        self._suggested = ""
        self.had_a_test = False  # from then on Enter alone takes no card
        self._burst = Burst()
        self._good: list[str] = []
        self._rules: tuple[CardNote, ...] | None = None
        self._cautioned: tuple[str, ...] = ()
        self.fields: dict[str, QLineEdit] = {}
        self.notes: dict[str, QLabel] = {}
        px = theme.px
        self._wait = QTimer(self)
        self._wait.setSingleShot(True)
        self._wait.setInterval(WAIT_MS)
        self._wait.timeout.connect(self.look_now)
        self._left, self._right = left, right = QWidget(), QWidget()
        self._fill_left(left)
        self._fill_right(right)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(left, 58)
        layout.addWidget(Rule(theme, upright=True))
        layout.addWidget(right, 42)
        self.setMinimumHeight(px(560))
        self.fill(given)

    # --- making ----------------------------------------------------------------------

    def _fill_left(self, side: QWidget) -> None:
        theme, px = self._theme, self._theme.px
        layout = QVBoxLayout(side)
        layout.setContentsMargins(px(24), px(18), px(28), px(18))
        layout.setSpacing(px(4))
        head = QLabel(said("start", "head"))
        head.setFont(theme.font("large"))
        self.again_key = key(theme, said("start", "again"), size="text")
        self.again_key.setMinimumHeight(px(40))
        self.again_key.clicked.connect(self.take_last)
        top = QHBoxLayout()
        top.addWidget(head, 1)
        top.addWidget(self.again_key, 0, Qt.AlignmentFlag.AlignVCenter)
        layout.addLayout(top)
        self.lead = line(theme, "text", ink=theme.inks.soft, wrap=True, name="lead")
        layout.addWidget(self.lead)
        self._say_last()
        layout.addSpacing(px(8))
        grid = QGridLayout()
        grid.setHorizontalSpacing(px(14))
        grid.setVerticalSpacing(px(2))
        grid.setColumnStretch(1, 1)
        for i, name in enumerate(_ROWS):
            self._field(grid, 2 * i, name)
        layout.addLayout(grid)
        self._fill_shift(layout)
        layout.addSpacing(px(10))
        self.rules_head = line(theme, "text", bold=True)
        self.rules_head.setText(said("start", "rules"))
        self.rules = line(theme, "label", wrap=True, name=said("start", "rules"))
        layout.addWidget(self.rules_head)
        layout.addWidget(self.rules)
        layout.addStretch(1)

    def _fill_shift(self, layout: QVBoxLayout) -> None:
        """Say how the start-of-shift check stands, with a place to end it."""
        theme, px = self._theme, self._theme.px
        title = line(theme, "text", bold=True)
        title.setText(said("start", "shift"))
        self.shift = line(theme, "text", wrap=True, name=said("start", "shift"))
        layout.addWidget(title)
        layout.addWidget(self.shift)
        self.change_row = QWidget()
        row = QHBoxLayout(self.change_row)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(px(14))
        label = QLabel(said("start", "changed"))
        label.setFont(theme.font("text", bold=True))
        self.changed = self._scan_line()
        self.changed.setFont(theme.font("text"))
        self.changed.setPlaceholderText(said("start", "changed_hint"))
        self.changed.setAccessibleName(said("start", "changed"))
        self.changed.setMinimumHeight(px(34))
        label.setBuddy(self.changed)
        self.changed_key = key(theme, said("start", "changed_key"))
        self.changed_key.clicked.connect(self._declare_changed)
        row.addWidget(label)
        row.addWidget(self.changed, 1)
        row.addWidget(self.changed_key)
        layout.addWidget(self.change_row)
        self.changed_note = line(
            theme, "label", wrap=True, name=f"{said('start', 'changed')}, note"
        )
        layout.addWidget(self.changed_note)

    def _fill_begin(self, layout: QVBoxLayout) -> None:
        """Show the cautions large, and the key that begins under them."""
        theme, px = self._theme, self._theme.px
        head = QLabel(said("start", "before"))
        head.setFont(theme.font("large"))
        layout.addWidget(head)
        self.cautions_head = line(theme, "lead", bold=True, wrap=True)
        layout.addWidget(self.cautions_head)
        self.cautions: list[QLabel] = []
        for number in range(MOST_CAUTIONS):
            # what is of this gas and pressure stands out from what always holds
            own = number < MOST_CAUTIONS - 2
            told = line(theme, "text", bold=own, wrap=True, name=said("cautions"))
            self.cautions.append(told)
            layout.addWidget(told)
        layout.addSpacing(px(4))
        self.read = QCheckBox(said("start", "read_cautions"))
        self.read.setFont(theme.font("text"))
        self.read.toggled.connect(self._clear_begin_note)
        self.read_note = line(theme, "text", wrap=True, name=said("cautions"))
        self.read_note.setVisible(False)
        layout.addWidget(self.read)
        layout.addWidget(self.read_note)
        layout.addSpacing(px(6))
        row = QHBoxLayout()
        row.setSpacing(px(16))
        self.begin_key = key(theme, said("start", "begin"), size="lead", strong=True)
        self.begin_key.setMinimumHeight(px(50))
        self.begin_key.setMinimumWidth(px(220))
        self.begin_key.clicked.connect(self._begin)
        self.begin_key.setAutoDefault(False)
        self.begin_note = line(
            theme, "text", bold=True, ink=theme.inks.fails, wrap=True, name="not yet"
        )
        row.addWidget(self.begin_key)
        row.addWidget(self.begin_note, 1)
        layout.addLayout(row)

    def _field(self, grid: QGridLayout, at: int, name: str) -> None:
        theme, px = self._theme, self._theme.px
        label = QLabel(said("start", name))
        label.setFont(theme.font("text", bold=True))
        entry: QWidget
        if name == "plan":
            self.plan_box = QComboBox()
            self.plan_box.setEditable(True)
            self.plan_box.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
            self.plan_box.addItems(
                [id for id in builtin_plan_ids() if id != "trace-only"]
            )
            self.plan_box.setFont(theme.font("text"))
            edit = self._scan_line()
            self.plan_box.setLineEdit(edit)
            entry = self.plan_box
        else:
            edit = self._scan_line()
            entry = edit
        edit.setFont(theme.font("text"))
        edit.setPlaceholderText(said("start", f"{name}_hint"))
        entry.setAccessibleName(said("start", name))
        edit.setAccessibleName(said("start", name))
        entry.setMinimumHeight(px(36))
        label.setBuddy(entry)
        edit.textChanged.connect(lambda _: self._typed(name))
        note = line(theme, "label", wrap=True, name=f"{said('start', name)}, note")
        note.setMinimumHeight(px(30))
        note.setAlignment(Qt.AlignmentFlag.AlignTop)
        note.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Minimum)
        grid.addWidget(label, at, 0, Qt.AlignmentFlag.AlignVCenter)
        if name == "label":
            self._with_person(grid, at, edit)
        else:
            grid.addWidget(entry, at, 1)
        if name == "job":
            self.fill_key = key(theme, said("start", "fill_in"))
            self.fill_key.setAccessibleName(
                f"{said('start', 'fill_in')}: {said('start', name)}"
            )
            self.fill_key.clicked.connect(
                lambda: self.fill_in.emit(self.fields["job"].text().strip())
            )
            grid.addWidget(self.fill_key, at, 3)
        if name != "label":
            choose = key(theme, said("start", "choose"))
            choose.setAccessibleName(
                f"{said('start', 'choose')}: {said('start', name)}"
            )
            choose.clicked.connect(lambda: self._choose(name))
            grid.addWidget(choose, at, 2, 1, 1 if name == "job" else 2)
        self.fields[name] = edit
        self.notes[name] = note
        if name == "label":
            self._notes_of_two(grid, at + 1)
        else:
            grid.addWidget(note, at + 1, 1, 1, 3)

    def _scan_line(self) -> ScanLine:
        """Return a field; what is scanned there goes to the label."""
        made = ScanLine(self._burst)
        made.scanned.connect(self.take_scan)
        return made

    def _with_person(self, grid: QGridLayout, at: int, scan: QLineEdit) -> None:
        """Put the field for who tests beside that for the scanned job label."""
        theme, px = self._theme, self._theme.px
        name = said("start", "by")
        label = QLabel(name)
        label.setFont(theme.font("text", bold=True))
        edit = self._scan_line()
        edit.setFont(theme.font("text"))
        edit.setPlaceholderText(said("start", "by_hint"))
        edit.setAccessibleName(name)
        edit.setMinimumHeight(px(36))
        edit.textChanged.connect(lambda _: self._typed("by"))
        label.setBuddy(edit)
        note = line(theme, "label", wrap=True, name=f"{name}, note")
        note.setMinimumHeight(px(30))
        note.setAlignment(Qt.AlignmentFlag.AlignTop)
        note.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Minimum)
        row = QHBoxLayout()
        row.setSpacing(px(14))
        row.addWidget(scan, 5)
        row.addWidget(label)
        row.addWidget(edit, 5)
        self._before_second = label.sizeHint().width()
        grid.addLayout(row, at, 1, 1, 3)
        self.fields["by"] = edit
        self.notes["by"] = note

    def _notes_of_two(self, grid: QGridLayout, at: int) -> None:
        """Put the notes of the label and of who tests under their fields."""
        row = QHBoxLayout()
        row.setSpacing(self._theme.px(14))
        row.addWidget(self.notes["label"], 5)
        row.addSpacing(self._before_second)
        row.addWidget(self.notes["by"], 5)
        grid.addLayout(row, at, 1, 1, 3)

    def _fill_right(self, side: QWidget) -> None:
        theme, px = self._theme, self._theme.px
        layout = QVBoxLayout(side)
        layout.setContentsMargins(px(28), px(18), px(24), px(18))
        layout.setSpacing(px(5))
        self._fill_begin(layout)
        layout.addStretch(1)
        layout.addWidget(Rule(theme))
        layout.addSpacing(px(4))
        self.without = QWidget()
        without = QVBoxLayout(self.without)
        without.setContentsMargins(0, 0, 0, 0)
        without.setSpacing(px(5))
        head = line(theme, "text", bold=True)
        head.setText(said("start", "without"))
        without.addWidget(head)
        self.watch_key = key(theme, said("start", "watch"))
        self.watch_key.setMinimumHeight(px(38))
        self.watch_key.clicked.connect(lambda: self.watch.emit(None))
        self.watch_lead = line(theme, "label", wrap=True)
        self.folder_anew()
        self.look_key = key(theme, said("start", "look"))
        self.look_key.setMinimumHeight(px(38))
        self.look_key.clicked.connect(self._look)
        self.look_key.setToolTip(said("start", "look_lead"))
        self.side_note = line(
            theme, "text", bold=True, ink=theme.inks.fails, wrap=True, name="note"
        )
        row = QHBoxLayout()
        row.setSpacing(px(12))
        row.addWidget(self.watch_key, 1)
        row.addWidget(self.look_key, 1)
        without.addLayout(row)
        layout.addWidget(self.without)
        layout.addWidget(self.watch_lead)
        layout.addWidget(self.side_note)
        self.foot = line(theme, "label", ink=theme.inks.soft, wrap=True)
        self.foot.setText(said("not_in_here"))
        layout.addWidget(self.foot)

    def folder_anew(self) -> None:
        """Say which folder the next simulated test goes into."""
        folder = free_folder(None).resolve()
        self.watch_lead.setText(said("start", "watch_lead", folder=folder.name))
        self.watch_lead.setToolTip(str(folder))

    # --- what is typed ---------------------------------------------------------------

    @property
    def given(self) -> Given:
        """What is typed now."""
        return Given(**{name: self.fields[name].text() for name in FIELDS})

    def fill(self, given: Given) -> None:
        """Fill the fields, and look at them at once."""
        for name in FIELDS:
            self.fields[name].setText(getattr(given, name))
        if not given.plan:
            self.fields["plan"].setText(DEFAULT_PLAN)
        self.look_now()

    def renew(self, last: Given | None = None, *, card: bool = False) -> None:
        """Make the sheet ready for the next test: a free run file, cautions anew.

        Args:
            last: what the last test was begun with.
            card: the card stays: no test was begun with it.
        """
        self._last = last or self._last
        self._say_last()
        if not card:
            self.fields["job"].setText("")
            self.fields["out"].setText("")
        self._suggest(force=True)
        self.fields["label"].setText("")
        self.look_now()
        self.had_a_test = True
        self.begin_note.setText(self._first_words("job") if self._asks_same else "")
        self.fields["label"].setFocus()

    @property
    def _asks_same(self) -> bool:
        """Whether it has to be said which regulator the next test is of."""
        return self.had_a_test and not self.fields["job"].text().strip()

    def _first_words(self, name: str) -> str:
        """Return what is said of the field that is needed first."""
        if name == "job" and self._asks_same and self._last is not None:
            return said("start", "same_again")
        return said("start", "fill_first", field=said("start", name))

    # --- without a hand on the mouse -------------------------------------------------

    def _say_last(self) -> None:
        """Say what the key for the last test would take."""
        self.again_key.setVisible(self._last is not None)
        if self._last is None:
            put(self.lead, said("start", "lead"))
            return
        told = {
            "rig": Path(self._last.rig).name,
            "plan": Path(self._last.plan).name or DEFAULT_PLAN,
            "job": Path(self._last.job).name or "-",
            "by": self._last.by or said("nobody"),
        }
        put(self.lead, said("start", "again_lead", **told))

    def take_last(self) -> None:
        """Take rig, plan, card and person of the last test."""
        if self._last is None:
            return
        for name in ("rig", "plan", "job", "by"):
            self.fields[name].setText(getattr(self._last, name))
        self.look_now()
        self._to_next()

    def take_scan(self, label: str) -> None:
        """Take a label that was scanned, whatever had the focus."""
        self.fields["label"].setText(label)
        self.take_label()

    def take_label(self) -> None:
        """Take a scanned label: its job card, and the rig that the last test had."""
        text = self.fields["label"].text().strip()
        if self._last is not None:
            filled = with_last(self.given, self._last)
            for name in ("rig", "plan", "by"):
                self.fields[name].setText(getattr(filled, name))
        found = card_of_label(text, self._folders())
        if len(found) == 1:
            self.fields["job"].setText(str(found[0]))
            self._scanned = ("", Beside("", True))
        else:
            job = self.fields["job"].text().strip()
            which = "label_several" if found else "label_no_card"
            told = {"n": len(found), "folders": ", ".join(self._folder_names())}
            self._scanned = (text, Beside(said("start", which, **told), bool(job)))
        self.look_now()
        self._to_next()

    def _folders(self) -> list[Path]:
        """Return where a label's job card is looked for."""
        named = [self.fields["job"].text().strip()]
        if self._last is not None:
            named.append(self._last.job)
        return [Path(name).parent for name in named if name]

    def _folder_names(self) -> list[str]:
        names = dict.fromkeys(str(f.absolute()) for f in self._folders())
        return list(names) or [said("start", "label_nowhere")]

    def go_on(self) -> None:
        """Do what comes next, whatever has the focus: one key leads to the test."""
        on = QApplication.focusWidget()
        label = self.fields["label"]
        if on is label and label.text().strip():
            self.take_label()
            return
        blank = not any(self.fields[n].text().strip() for n in ("rig", "job"))
        if blank and self._last is not None and not self.had_a_test:
            self.take_last()
            return
        armed = self._clock() - self._next_since >= ARM_S
        if on is self.read and self.read.isVisible() and not self.read.isChecked():
            if armed:
                self.read.setChecked(True)
                self._to_next()
            return
        if on is self.begin_key:
            if armed:
                self._begin()
            return
        self._to_next()

    def _to_next(self) -> None:
        """Lead the focus to what is needed next, and say what that is."""
        sheet = self.look_now()
        self._next_since = self._clock()
        name = sheet.first_bad
        if name:
            self.begin_note.setText(self._first_words(name))
            self.fields[name].setFocus()
            self.fields[name].selectAll()
        elif not sheet.shift.good:
            self.begin_note.setText(said("start", "shift_first"))
            self.changed.setFocus()
        elif sheet.read is None and not self.read.isChecked():
            self.begin_note.setText("")
            self.read.setFocus()
        else:
            self.begin_note.setText("")
            self.begin_key.setFocus()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Enter goes on; what a scanner types goes to the label, wherever one is."""
        keys = (self.begin_key, None)
        focused = QApplication.focusWidget()
        if event.isAutoRepeat():
            event.accept()
        elif event.key() == Qt.Key.Key_F5:
            self.take_last()
        elif event.key() in _ENTER and (
            focused in keys or not isinstance(focused, QPushButton)
        ):
            self.go_on()
        elif (
            event.text().isprintable()
            and event.text()
            and not (event.modifiers() & _COMMANDS)
        ):
            self._burst.take(event.text(), pressed_at(event))
            self.fields["label"].setFocus()
            self.fields["label"].setText(event.text())
        else:
            super().keyPressEvent(event)

    def _typed(self, name: str) -> None:
        if name == "job":
            self._suggest()
        self._clear_begin_note()
        self._wait.start()

    def _suggest(self, *, force: bool = False) -> None:
        """Suggest a run file where the person has not typed one."""
        out = self.fields["out"]
        if force or out.text() in ("", self._suggested):
            found = suggested_out(self.fields["job"].text())
            if found:
                self._suggested = found
                out.setText(found)

    def _clear_begin_note(self, *_: object) -> None:
        self.begin_note.setText("")

    def look_now(self) -> Sheet:
        """Look at every field and say beside it how it stands."""
        self._wait.stop()
        inks = self._theme.inks
        sheet = look_at(self.given)
        for name in FIELDS:
            beside = sheet.beside[name]
            if name == "label" and self._scanned[0] == self.given.label.strip() != "":
                beside = self._scanned[1]
            empty = not self.fields[name].text().strip()
            ink = inks.soft if beside.good or empty else inks.fails
            self.notes[name].setStyleSheet(f"color: {ink};")
            put(self.notes[name], beside.words)
            framed = self.plan_box if name == "plan" else self.fields[name]
            restyle(framed, "wrong", _truth(not (beside.good or empty)))
        ink = inks.ink if sheet.shift.good else inks.fails
        self.shift.setStyleSheet(f"color: {ink};")
        put(self.shift, sheet.shift.words)
        self.change_row.setVisible(sheet.shift_wanted)
        self._show_cautions(sheet)
        self._rules = sheet.notes
        self._good = [name for name in _LESS if sheet.beside[name].good]
        self._fit_room()
        return sheet

    def resizeEvent(self, event: Any) -> None:  # noqa: N802
        """Leave out or show again what there is room for."""
        super().resizeEvent(event)
        self._fit_room()

    def _fit_room(self) -> None:
        """Leave out what matters least where there is no room for everything.

        Cautions, what is wrong and the fields always stand, whole.
        """
        good = [self.notes[name] for name in self._good]
        for label in (self.rules_head, self.rules):
            label.setVisible(self._rules is not None)
        self._put_rules(MOST_RULES)
        self._leave_out(self._left, (self.lead, *good))
        for most in reversed(range(MOST_RULES)):
            if self._fits(self._left):
                break
            self._put_rules(most)
        if not self._fits(self._left):
            self.rules_head.setVisible(False)
            self.rules.setVisible(False)
        self._leave_out(self._right, (self.watch_lead, self.foot, self.without))

    def _leave_out(self, side: QWidget, less: Sequence[QWidget]) -> None:
        """Leave out the first of some parts of a side, as many as it takes."""
        for each in less:
            each.setVisible(True)
        for each in less:
            if self._fits(side):
                return
            each.setVisible(False)

    def _fits(self, side: QWidget) -> bool:
        return needed_px(side, side.width()) <= self.height()

    def _show_cautions(self, sheet: Sheet) -> None:
        """Show what there is to be careful of; ticked off anew when that changes."""
        found, held = sheet.cautions, sheet.read
        head, told = said("cautions"), [caution("general"), caution("raise_slowly")]
        now: tuple[str, ...] = ()
        if found is not None:
            gases = " and ".join(found.gases)
            head = said("start", "cautions_of", gases=gases, pressure=found.pressure)
            told = [caution(id) for id in found.ids]
            now = (*found.gases, found.pressure)
        put(self.cautions_head, head)
        own, always = told[:-2], told[-2:]
        shown = own + [""] * (MOST_CAUTIONS - len(told)) + always
        for label, text in zip(self.cautions, shown, strict=True):
            put(label, text)
            label.setVisible(text != "")
        if now != self._cautioned:
            self._cautioned = now
            self.read.setChecked(False)
        self.read.setVisible(held is None)
        self.read_note.setVisible(held is not None)
        if held is not None:
            put(
                self.read_note,
                said("start", "cautions_read", by=held.by, at=held.when),
            )

    def _declare_changed(self) -> None:
        """Keep that something on the rig was changed."""
        done = declared_changed(self.given, self.changed.text())
        inks = self._theme.inks
        ink = inks.soft if done.good else inks.fails
        self.changed_note.setStyleSheet(f"color: {ink};")
        put(self.changed_note, done.words)
        if done.good:
            self.changed.setText("")
        self.look_now()

    def _put_rules(self, most: int) -> None:
        """Say the first rules, at most so many, and how many there are more."""
        notes = self._rules
        if notes is None:
            return
        told = []
        for note in notes[:most]:
            what, do = note_words(note)
            grade = "rule_stop" if note.stops else "rule_warn"
            told.append(said("start", grade, what=what, do=do))
        if len(notes) > most:
            few = "rules_more" if most else "rules_all"
            told.append(said("start", few, n=len(notes) - most))
        put(self.rules, "\n".join(told) or said("start", "rules_clear"))

    def _begin(self) -> None:
        sheet = self.look_now()
        name = sheet.first_bad
        if not name and not sheet.shift.good:
            self.begin_note.setText(said("start", "shift_first"))
            return
        if name:
            self.begin_note.setText(self._first_words(name))
            self.fields[name].setFocus()
            return
        if sheet.read is None and not self.read.isChecked():
            self.begin_note.setText(said("start", "cautions_first"))
            self.read.setFocus()
            return
        self.begin.emit(self.given)

    def _choose(self, name: str) -> None:
        start = self.fields[name].text().strip()
        if name == "out":
            chosen, _ = QFileDialog.getSaveFileName(
                self, said("start", name), start, options=_PLAIN
            )
        else:
            chosen, _ = QFileDialog.getOpenFileName(
                self, said("start", name), start, "*.toml", options=_PLAIN
            )
        if chosen:
            self.fields[name].setText(chosen)

    def _look(self) -> None:
        chosen, _ = QFileDialog.getOpenFileName(
            self, said("start", "look"), "", "*.h5", options=_PLAIN
        )
        if chosen:
            self.look.emit(Path(chosen))


_PLAIN = QFileDialog.Option.DontConfirmOverwrite  # an existing file is refused anyway


def _truth(is_so: bool) -> str:
    return "true" if is_so else "false"
