"""The drills at hand on the left, the making of one on the right."""

from __future__ import annotations

from PySide6.QtCore import Signal
from PySide6.QtWidgets import (
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QVBoxLayout,
    QWidget,
)

from ..pieces import OwnEnter, Rule, key, line, put
from ..theme import Theme
from .choices import Choices
from .drill_list import DRAW, FAMILIES, HARDNESS, Draft, fault_choices
from .fields import pick_field, put_row, scrolled, text_field
from .practice import Practice
from .wording import said

_LIST_SHARE, _MAKE_SHARE = 58, 42


class DrillsPage(QWidget):
    """Shows the list and passes on what is pressed."""

    begin = Signal()
    by_hand = Signal()
    chosen = Signal(int)
    named = Signal(str)
    take_in = Signal(str)
    make = Signal(object)

    def __init__(self, theme: Theme, model: Practice) -> None:
        super().__init__()
        self._theme, self._model = theme, model
        self._filling = False
        left, right = QWidget(), QWidget()
        self._fill_left(left)
        self._fill_right(right)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(left, _LIST_SHARE)
        layout.addWidget(Rule(theme, upright=True))
        layout.addWidget(right, _MAKE_SHARE)
        self._fill_draft(model.draft)

    # --- making ----------------------------------------------------------------------

    def _head(self, layout: QVBoxLayout, head: str, lead: str) -> None:
        title = QLabel(head)
        title.setFont(self._theme.font("large"))
        layout.addWidget(title)
        told = line(
            self._theme, "text", ink=self._theme.inks.soft, wrap=True, name=head
        )
        told.setText(lead)
        layout.addWidget(told)

    def _fill_left(self, side: QWidget) -> None:
        theme, px = self._theme, self._theme.px
        layout = QVBoxLayout(side)
        layout.setContentsMargins(px(24), px(10), px(28), px(14))
        layout.setSpacing(px(6))
        self._head(layout, said("list", "head"), said("list", "lead"))
        self.none = line(theme, "lead", wrap=True, name=said("list", "head"))
        self.none.setText(said("list", "none"))
        layout.addWidget(self.none)
        self.list = Choices(theme, name=said("list", "head"), moves=True)
        self.list.chosen.connect(lambda id: self.chosen.emit(int(id)))
        self._scroll = scrolled(self.list)
        layout.addWidget(self._scroll, 1)
        self.note = line(theme, "text", bold=True, wrap=True, name="note")
        self.unread = line(
            theme, "label", ink=theme.inks.soft, wrap=True, name="unread"
        )
        layout.addWidget(self.note)
        layout.addWidget(self.unread)
        grid = QGridLayout()
        grid.setHorizontalSpacing(px(12))
        grid.setVerticalSpacing(px(6))
        grid.setColumnStretch(1, 1)
        self.trainee = text_field(
            theme, said("list", "trainee"), said("list", "trainee_hint")
        )
        self.trainee.setText(self._model.trainee)
        self.trainee.textChanged.connect(self.named)
        self.trainee.entered.connect(self.begin)
        put_row(theme, grid, 0, said("list", "trainee"), self.trainee)
        self.begin_key = key(theme, said("list", "begin"), size="lead", strong=True)
        self.begin_key.setMinimumHeight(px(44))
        self.begin_key.clicked.connect(self.begin)
        grid.addWidget(self.begin_key, 0, 2, 1, 2)
        self.hand_key = key(theme, said("list", "by_hand"))
        self.hand_key.setMinimumHeight(px(36))
        self.hand_key.clicked.connect(self.by_hand)
        told = line(theme, "label", ink=theme.inks.soft, wrap=True, name="by hand")
        told.setText(said("list", "by_hand_lead"))
        grid.addWidget(told, 1, 0, 1, 2)
        grid.addWidget(self.hand_key, 1, 2, 1, 2)
        self.file = text_field(theme, said("list", "file"), said("list", "file_hint"))
        self.file.entered.connect(self._take_in)
        put_row(theme, grid, 2, said("list", "file"), self.file)
        choose = key(theme, said("list", "choose"))
        choose.setAccessibleName(f"{said('list', 'choose')} {said('list', 'file')}")
        choose.clicked.connect(lambda: self._pick(self.file, "*.toml"))
        take = key(theme, said("list", "take_in"))
        take.clicked.connect(self._take_in)
        grid.addWidget(choose, 2, 2)
        grid.addWidget(take, 2, 3)
        layout.addLayout(grid)

    def _fill_right(self, side: QWidget) -> None:
        theme, px = self._theme, self._theme.px
        layout = QVBoxLayout(side)
        layout.setContentsMargins(px(28), px(10), px(24), px(14))
        layout.setSpacing(px(6))
        self._head(layout, said("make", "head"), said("make", "lead"))
        layout.addSpacing(px(6))
        grid = QGridLayout()
        grid.setHorizontalSpacing(px(12))
        grid.setVerticalSpacing(px(8))
        grid.setColumnStretch(1, 1)
        self.fault = pick_field(theme, said("make", "fault"), fault_choices())
        self.family = pick_field(
            theme, said("make", "family"), [(id, id) for id in FAMILIES]
        )
        self.difficulty = pick_field(
            theme, said("make", "difficulty"), [(id, id) for id in HARDNESS]
        )
        self.severity = text_field(theme, said("make", "severity"))
        self.seed = text_field(theme, said("make", "seed"), said("make", "seed_hint"))
        self.title = text_field(
            theme, said("make", "title"), said("make", "title_hint")
        )
        self.stored = text_field(
            theme, said("make", "stored"), said("make", "stored_hint")
        )
        self.labels: dict[str, QLabel] = {}
        for at, name in enumerate(
            ("family", "fault", "difficulty", "severity", "seed", "title", "stored")
        ):
            field: QWidget = getattr(self, name)
            self.labels[name] = put_row(theme, grid, at, said("make", name), field)
        pick = key(theme, said("list", "choose"))
        pick.setAccessibleName(f"{said('list', 'choose')} {said('make', 'stored')}")
        pick.clicked.connect(lambda: self._pick(self.stored, "*.h5"))
        grid.addWidget(pick, 6, 2)
        for picked in (self.fault, self.family, self.difficulty):
            picked.currentIndexChanged.connect(lambda _: self._fit())
        for typed in (self.severity, self.seed, self.title, self.stored):
            typed.textChanged.connect(lambda _: self._fit())
        layout.addLayout(grid)
        self.make_key = key(theme, said("make", "make"))
        self.make_key.setMinimumHeight(px(40))
        self.make_key.clicked.connect(lambda: self.make.emit(self.draft))
        row = QHBoxLayout()
        row.addStretch(1)
        row.addWidget(self.make_key)
        layout.addSpacing(px(6))
        layout.addLayout(row)
        layout.addStretch(1)

    def _pick(self, field: OwnEnter, kind: str) -> None:
        path, _ = QFileDialog.getOpenFileName(self, field.accessibleName(), "", kind)
        if path:
            field.setText(path)

    def _take_in(self) -> None:
        self.take_in.emit(self.file.text())

    # --- the draft -------------------------------------------------------------------

    @property
    def draft(self) -> Draft:
        """What is asked for."""
        return Draft(
            fault=str(self.fault.currentData()),
            severity=self.severity.text(),
            family=str(self.family.currentData()),
            difficulty=str(self.difficulty.currentData()),
            seed=self.seed.text(),
            title=self.title.text(),
            stored=self.stored.text(),
        )

    def _fill_draft(self, draft: Draft) -> None:
        self._filling = True
        for field, id in (
            (self.fault, draft.fault),
            (self.family, draft.family),
            (self.difficulty, draft.difficulty),
        ):
            field.setCurrentIndex(max(field.findData(id), 0))
        self.severity.setText(draft.severity)
        self.seed.setText(draft.seed)
        self.title.setText(draft.title)
        self.stored.setText(draft.stored)
        self._filling = False
        self._fit()

    def _fit(self) -> None:
        """Let only those fields be filled that mean something now; keep the rest."""
        if self._filling:
            return
        self._model.draft = self.draft
        stored = bool(self.stored.text().strip())
        drawn = self.fault.currentData() == DRAW
        known = str(self.fault.currentData())
        for name, on in (
            ("family", not stored),
            ("fault", not stored),
            ("difficulty", not stored and drawn),
            ("severity", not stored and not drawn and known != "none"),
            ("seed", not stored),
        ):
            getattr(self, name).setVisible(on)
            self.labels[name].setVisible(on)

    # --- showing ---------------------------------------------------------------------

    def show_now(self) -> None:
        """Show the list as it is now."""
        model = self._model
        rows = model.rows
        self.none.setVisible(not rows)
        self._scroll.setVisible(bool(rows))
        lines = [
            (str(i), f"{r.title}\n{r.facts}\n{r.done}") for i, r in enumerate(rows)
        ]
        self.list.put(lines, str(model.chosen))
        waits = bool(model.at_work)
        self.begin_key.setEnabled(bool(rows) and not waits)
        chosen = model.drills[model.chosen].drill if rows else None
        worked = chosen is not None and not chosen.run  # a stored run is over
        self.hand_key.setEnabled(worked and not waits)
        self.make_key.setEnabled(not waits)
        ink = self._theme.inks.fails if model.wrong else self._theme.inks.ink
        put(self.note, model.at_work or model.note)
        self.note.setStyleSheet(f"color: {ink};")
        self.note.setVisible(bool(self.note.text()))
        unread = ""
        if model.unread:
            first = model.unread[0]
            unread = said(
                "list",
                "unread",
                n=len(model.unread),
                where=first.where,
                what=first.what,
            )
        put(self.unread, unread)
        self.unread.setVisible(bool(unread))
        if model.draft != self.draft:
            self._fill_draft(model.draft)
