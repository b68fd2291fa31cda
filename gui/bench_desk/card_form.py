"""The job card as a form: pages in the order of the work, the rules beside them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtWidgets import (
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QScrollArea,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from proofstand.bench.cardcheck import CardNote
from proofstand.ready import note_words
from proofstand.words.sentences import trouble
from records.errors import InputError, ProofstandError
from records.inspection import RESULTS_OF
from records.jobcard import JobCard
from records.jobfile import load_job, write_anew

from ..pieces import Rule, key, line, put, restyle
from ..theme import Theme
from .card_draft import (
    PAGES,
    Draft,
    Entry,
    Group,
    Looked,
    all_wrong,
    draft_of,
    fresh,
    keep,
    kept,
    let_go,
    look_at_draft,
    same,
    set_aside,
)
from .card_editors import FIELD_PX, LONG_PX, Editor, Rows
from .wording import known, said

WAIT_MS = 300  # after the last key, before it is kept and looked at
PAGE_PX, RULES_PX, LABEL_PX = 168, 300, 124
Check = Callable[[JobCard], tuple[CardNote, ...]]
# Which page a note's place belongs to; what begins otherwise is of the first page.
_PAGE_OF = {
    "purged": "intake",
    "intake": "intake",
    "as_found": "intake",
    "inspection": "inspection",
    "rebuild": "rebuild",
    "disposition": "disposition",
    "last_service": "intake",
}


class CardForm(QWidget):
    """One card, new or from a file.

    ``left`` tells the file that it is in, or ""; ``again`` asks for the form anew.

    Args:
        theme: inks and fonts.
        card: the card's file, or "" for a new one.
        check: what the rules say of a card, with the plan and rig that are named.
        draft: what was typed before, of a form that is made anew at another size.

    Raises:
        InputError: the file is no card.
    """

    left = Signal(str)
    again = Signal(str)

    def __init__(
        self, theme: Theme, card: str, check: Check, draft: Draft | None = None
    ) -> None:
        super().__init__()
        self._theme = theme
        self._check = check
        self.card = card
        in_file = draft_of(load_job(Path(card))) if card else fresh()
        before = draft or kept(card)
        self._restored = (
            draft is None and before is not None and not same(before, in_file)
        )
        self._in_file = in_file
        self._draft = before or in_file
        self.editors: dict[str, Editor] = {}
        self.rows: dict[str, Rows] = {}
        self.pages: dict[str, QPushButton] = {}
        self.looked = Looked(None, "")
        self.notes: tuple[CardNote, ...] = ()
        self._wait = QTimer(self)
        self._wait.setSingleShot(True)
        self._wait.setInterval(WAIT_MS)
        self._wait.timeout.connect(self.keep_now)
        self._build()
        self._fill()
        self.look_now()
        self.open_page("regulator")

    # --- making ----------------------------------------------------------------------

    def _build(self) -> None:
        theme, px = self._theme, self._theme.px
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self._head())
        layout.addWidget(Rule(theme))
        middle = QHBoxLayout()
        middle.setSpacing(0)
        nav = QWidget()
        nav.setFixedWidth(px(PAGE_PX))
        beside = QVBoxLayout(nav)
        beside.setContentsMargins(0, px(10), 0, px(10))
        beside.setSpacing(px(2))
        self._stack = QStackedWidget()
        for id, groups in PAGES.items():
            turn = key(theme, _page_name(id))
            turn.setProperty("page", "off")
            turn.setMinimumHeight(px(50))
            turn.clicked.connect(lambda _=False, id=id: self.open_page(id))
            self.pages[id] = turn
            beside.addWidget(turn)
            self._stack.addWidget(self._page(groups))
        beside.addStretch(1)
        middle.addWidget(nav)
        middle.addWidget(Rule(theme, upright=True))
        middle.addWidget(self._stack, 1)
        middle.addWidget(Rule(theme, upright=True))
        middle.addWidget(self._rules())
        layout.addLayout(middle, 1)
        layout.addWidget(Rule(theme))
        layout.addWidget(self._foot())

    def _head(self) -> QWidget:
        theme, px = self._theme, self._theme.px
        head = QWidget()
        row = QHBoxLayout(head)
        row.setContentsMargins(px(24), px(8), px(24), px(8))
        row.setSpacing(px(16))
        title = QLabel(said("card", "head"))
        title.setFont(theme.font("far"))
        row.addWidget(title)
        self.file_line = line(theme, "text", ink=theme.inks.soft)
        row.addWidget(self.file_line, 1)
        better = QLabel(said("card", "replacement"))
        better.setFont(theme.font("label"))
        row.addWidget(better)
        return head

    def _page(self, groups: tuple[Group, ...]) -> QScrollArea:
        px = self._theme.px
        page = QWidget()
        layout = QVBoxLayout(page)
        layout.setContentsMargins(px(24), px(12), px(18), px(8))
        layout.setSpacing(px(5))
        for group in groups:
            self._group(group, layout)
            layout.addSpacing(px(8))
        layout.addStretch(1)
        area = QScrollArea()
        area.setWidgetResizable(True)
        area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        area.setWidget(page)
        return area

    def _group(self, group: Group, layout: QVBoxLayout) -> None:
        theme, px = self._theme, self._theme.px
        title = line(theme, "lead", bold=True)
        title.setText(said("card", "group", group.id))
        layout.addWidget(title)
        if known("card", "lead", group.id):
            lead = line(theme, "label", ink=theme.inks.soft, wrap=True)
            lead.setText(said("card", "lead", group.id))
            layout.addWidget(lead)
        grid = QGridLayout()
        grid.setHorizontalSpacing(px(10))
        grid.setVerticalSpacing(px(5))
        grid.setColumnStretch(1, 1)
        grid.setColumnStretch(3, 1)
        if group.entries:
            for column in (0, 2):
                grid.setColumnMinimumWidth(column, px(LABEL_PX))
        at = 0
        for entry in group.entries:
            wide = entry.sort in ("long", "yes", "list")
            at += (at % 2) if wide else 0
            self._field(grid, at, entry, wide)
            at += 2 if wide else 1
        layout.addLayout(grid)
        if group.table is not None:
            rows = Rows(theme, group.table, self._draft.rows.get(group.table.path, []))
            rows.changed.connect(self._typed)
            self.rows[group.table.path] = rows
            if group.entries:
                layout.addSpacing(px(6))
            layout.addWidget(rows)

    def _field(self, grid: QGridLayout, at: int, entry: Entry, wide: bool) -> None:
        theme = self._theme
        name = said("card", "field", entry.path)
        editor = Editor(theme, entry, name)
        editor.changed.connect(self._typed)
        self.editors[entry.path] = editor
        label = QLabel(name)
        label.setFont(theme.font("text"))
        label.setBuddy(editor)
        row, column = divmod(at, 2)
        if entry.sort == "yes":
            both = QWidget()
            beside = QHBoxLayout(both)
            beside.setContentsMargins(0, 0, 0, 0)
            beside.setSpacing(theme.px(8))
            beside.addWidget(editor)
            beside.addWidget(label, 1)
            grid.addWidget(both, row, 1, 1, 3)
            return
        # beside the field, also where words stand beneath that
        label.setMinimumHeight(theme.px(LONG_PX if entry.sort == "long" else FIELD_PX))
        grid.addWidget(label, row, 2 * column, Qt.AlignmentFlag.AlignTop)
        top = Qt.AlignmentFlag.AlignTop
        grid.addWidget(editor, row, 2 * column + 1, 1, 3 if wide else 1, top)

    def _rules(self) -> QWidget:
        theme, px = self._theme, self._theme.px
        side = QWidget()
        side.setFixedWidth(px(RULES_PX))
        layout = QVBoxLayout(side)
        layout.setContentsMargins(px(18), px(14), px(10), px(10))
        layout.setSpacing(px(8))
        title = line(theme, "text", bold=True)
        title.setText(said("card", "rules"))
        layout.addWidget(title)
        inside = QWidget()
        self._told = QVBoxLayout(inside)
        self._told.setContentsMargins(0, 0, px(6), 0)
        self._told.setSpacing(px(10))
        area = QScrollArea()
        area.setWidgetResizable(True)
        area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        area.setWidget(inside)
        layout.addWidget(area, 1)
        return side

    def _foot(self) -> QWidget:
        theme, px = self._theme, self._theme.px
        foot = QWidget()
        row = QHBoxLayout(foot)
        row.setContentsMargins(px(24), px(8), px(24), px(8))
        row.setSpacing(px(12))
        self.save_key = key(theme, said("card", "save"), size="lead", strong=True)
        self.save_key.clicked.connect(self.save)
        self.save_as_key = key(theme, said("card", "save_as"))
        self.save_as_key.clicked.connect(self.save_as)
        self.back_key = key(theme, said("card", "back"))
        self.back_key.clicked.connect(self.leave)
        self.drop_key = key(theme, said("card", "drop"))
        self.drop_key.clicked.connect(self.take_file)
        self.drop_key.setVisible(self._restored and bool(self.card))
        self.said = line(theme, "text", wrap=True, name="saved or not")
        self.said.setText(said("card", "restored" if self._restored else "kept"))
        row.addWidget(self.save_key)
        row.addWidget(self.save_as_key)
        row.addWidget(self.back_key)
        row.addWidget(self.said, 1)
        row.addWidget(self.drop_key)
        return foot

    # --- what is typed ---------------------------------------------------------------

    @property
    def draft(self) -> Draft:
        """What is typed now."""
        return Draft(
            {path: editor.text() for path, editor in self.editors.items()},
            {path: rows.rows() for path, rows in self.rows.items()},
        )

    @property
    def unsaved(self) -> bool:
        """Whether something is typed that no file holds."""
        return not same(self.draft, self._in_file)

    def _fill(self) -> None:
        for path, editor in self.editors.items():
            editor.blockSignals(True)
            editor.put(self._draft.values.get(path, ""))
            editor.blockSignals(False)
        put(self.file_line, self.card or said("card", "new"))
        self.file_line.setToolTip(self.card)

    def _typed(self) -> None:
        self._wait.start()

    def keep_now(self) -> None:
        """Keep what is typed, and look at it."""
        self._wait.stop()
        try:
            if self.unsaved:
                keep(self.card, self.draft)
            else:
                let_go(self.card)
        except InputError as error:
            self._say(said("card", "not_saved", what=_told(error)), wrong=True)
        self.look_now()

    def look_now(self) -> None:
        """Look at the card, and say beside it what the rules do."""
        for row in self.rows["inspection.points"].editors:
            point = row["point"].text()
            for known_point, results in RESULTS_OF.items():
                if known_point == point:
                    row["result"].choose_from(results)
        batch = bool(self.editors["serials"].text().strip())
        for rows in self.rows.values():
            rows.show_serial(batch)
        self.looked = look_at_draft(self.draft)
        job = self.looked.job
        wrong: ProofstandError | None = self.looked.error
        self.notes = ()
        if job is not None:
            try:
                self.notes = self._check(job)
            except ProofstandError as error:
                wrong = error
        self._mark(all_wrong(self.draft) if self.looked.error is not None else {})
        self._show_notes(wrong)

    def _mark(self, wrong: Mapping[str, InputError]) -> None:
        """Say beneath each field what can't be in it."""
        told = {place: _told(error) for place, error in wrong.items()}
        for path, editor in self.editors.items():
            editor.mark(told.get(path, ""))
        for path, rows in self.rows.items():
            for n, row in enumerate(rows.editors):
                of_row = told.get(f"{path}/{n}/", "")
                for i, (column, editor) in enumerate(row.items()):
                    first = of_row if i == 0 else ""
                    editor.mark(told.get(f"{path}/{n}/{column}", first))

    def _show_notes(self, wrong: ProofstandError | None) -> None:
        theme, inks = self._theme, self._theme.inks
        while (item := self._told.takeAt(0)) is not None:
            old = item.widget()
            if old is not None:
                old.hide()
                old.deleteLater()
        rows: list[tuple[str, str, str]] = []
        if wrong is not None:
            rows.append((self._wrong_head(), _told(wrong), inks.fails))
        for note in self.notes:
            what, do = note_words(note)
            head = said("card", "stop" if note.stops else "warning")
            ink = inks.fails if note.stops else inks.undecided
            rows.append((f"{head}: {_page_name(_page_of(note))}", f"{what} {do}", ink))
        if not rows:
            rows.append(("", said("card", "clear"), inks.ink))
        for head, words, ink in rows:
            told = QWidget()
            both = QVBoxLayout(told)
            both.setContentsMargins(0, 0, 0, 0)
            both.setSpacing(theme.px(1))
            for text, bold, of in ((head, True, ink), (words, False, inks.ink)):
                if text:
                    said_so = line(theme, "label", bold=bold, ink=of, wrap=True)
                    said_so.setText(text)
                    both.addWidget(said_so)
            self._told.addWidget(told)
            told.show()  # also where its turn in the event loop has not come
        self._told.addStretch(1)
        self._count(wrong is not None)

    def _wrong_head(self) -> str:
        place = self.looked.field
        if "/" in place:
            path, number, column = place.split("/")
            name = _page_name(path.split(".")[0])
            what = said("card", "column", column) if column else ""
            row = f"{name}, {int(number) + 1}"
            return f"{said('card', 'wrong')}: {row}{', ' if what else ''}{what}"
        if known("card", "field", place):
            return f"{said('card', 'wrong')}: {said('card', 'field', place)}"
        return said("card", "wrong")

    def _count(self, wrong: bool) -> None:
        """Say on each page's key how many notes are of it."""
        for id, turn in self.pages.items():
            mine = [note for note in self.notes if _page_of(note) == id]
            stops = sum(note.stops for note in mine)
            stops += wrong and _page_of_place(self.looked.field) == id
            warnings = len([note for note in mine if not note.stops])
            words = _page_name(id)
            if stops:
                words += "\n" + said("card", "stops", n=stops)
            elif warnings:
                words += "\n" + said("card", "warnings", n=warnings)
            if turn.text() != words:
                turn.setText(words)

    def open_page(self, id: str) -> None:
        """Turn to a page."""
        for name, turn in self.pages.items():
            restyle(turn, "page", "on" if name == id else "off")
        self._stack.setCurrentIndex(list(PAGES).index(id))

    # --- saving ----------------------------------------------------------------------

    def save(self) -> None:
        """Save the card where it is from; a new one is asked for its name."""
        if not self.card:
            self.save_as()
            return
        self.save_to(Path(self.card))

    def save_as(self) -> None:
        """Ask for a name and save it there."""
        number = self.editors["id"].text().strip() or "card"
        start = str(Path(self.card).parent / f"{number}.toml") if self.card else ""
        chosen, _ = QFileDialog.getSaveFileName(
            self, said("card", "save_as"), start or f"{number}.toml", "*.toml"
        )
        if chosen:
            self.save_to(Path(chosen))

    def save_to(self, path: Path) -> bool:
        """Save the card to a file; return whether it was."""
        self.keep_now()
        if self.looked.job is None:
            what = self._wrong_head()
            self._say(said("card", "not_saved", what=what), wrong=True)
            return False
        try:
            earlier = write_anew(path, self.looked.text)
        except InputError as error:
            self._say(said("card", "not_saved", what=_told(error)), wrong=True)
            return False
        let_go(self.card)
        self.card = str(path)
        let_go(self.card)
        self._in_file = self.draft
        put(self.file_line, self.card)
        self.drop_key.hide()
        if earlier is None:
            self._say(said("card", "saved", path=path.name))
        else:
            told = said("card", "saved_earlier", path=path.name, earlier=earlier.name)
            self._say(told)
        return True

    def take_file(self) -> None:
        """Take what the file says instead of what was typed and not saved."""
        self._wait.stop()
        set_aside(self.card)
        self.again.emit(self.card)

    def leave(self) -> None:
        """Go back; what is not saved is kept for the next time."""
        if self._wait.isActive():
            self.keep_now()
        self.left.emit(self.card)

    def _say(self, text: str, *, wrong: bool = False) -> None:
        inks = self._theme.inks
        self.said.setStyleSheet(f"color: {inks.fails if wrong else inks.ink};")
        put(self.said, text)


def _page_name(id: str) -> str:
    return said("card", "page", id)


def _page_of(note: CardNote) -> str:
    return _page_of_place(note.where)


def _page_of_place(place: str) -> str:
    return _PAGE_OF.get(place.replace("/", ".").split(".")[0], "regulator")


def _told(error: ProofstandError) -> str:
    told = trouble(error)
    where = f"{told.where}: " if told.where else ""
    return f"{where}{told.what} {told.do}"
