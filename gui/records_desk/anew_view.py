"""The page where runs are judged anew: by what, what comes out another, keeping it."""

from __future__ import annotations

from PySide6.QtCore import Signal
from PySide6.QtWidgets import (
    QComboBox,
    QHBoxLayout,
    QLabel,
    QVBoxLayout,
    QWidget,
)

from ..bench_desk.strips import StripBar
from ..pieces import OwnEnter, line, put, restyle
from ..theme import Theme
from .acts import NAME, PIN
from .anew import AnewPage, AnewPresenter, AnewRow
from .asked_field import asked_field
from .keys_row import KeysRow
from .table import Cell, ListTable, Row
from .wording import said

SHARES = (26, 20, 26, 16, 18, 70)
COLUMNS = ("tested", "serial", "model", "before", "after", "words")


class AnewView(QWidget):
    """Runs judged anew.

    Args:
        theme: inks and fonts.
        presenter: what the page knows.
    """

    scanned = Signal(str)

    def __init__(self, theme: Theme, presenter: AnewPresenter) -> None:
        super().__init__()
        self._theme, self._presenter = theme, presenter
        px = theme.px
        self.strip = StripBar(theme)
        label = QLabel(said("anew", "by_label"))
        label.setFont(theme.font("text", bold=True))
        self.by = QComboBox()
        self.by.setFont(theme.font("text"))
        self.by.setAccessibleName(said("anew", "by_label"))
        self.by.setMinimumSize(px(330), px(32))
        self.by.activated.connect(self._chosen)
        label.setBuddy(self.by)
        self.plan = asked_field(theme, said("anew", "plan_file"), 430)
        self.plan.textEdited.connect(presenter.type_plan)
        self.plan.entered.connect(presenter.judge)
        self.plan_note = line(
            theme,
            "text",
            ink=theme.inks.fails,
            wrap=True,
            name=said("note", of=said("anew", "plan_file")),
        )
        self.plan_note.setContentsMargins(px(24), 0, px(24), 0)
        top = QHBoxLayout()
        top.setContentsMargins(px(24), px(10), px(24), 0)
        top.setSpacing(px(10))
        top.addWidget(label)
        top.addWidget(self.by)
        top.addWidget(self.plan)
        top.addStretch(1)
        self.words = line(theme, "lead", wrap=True, name=said("anew", "head"))
        self.words.setContentsMargins(px(24), px(6), px(24), 0)
        heads = [said("anew", "column", each) for each in COLUMNS]
        self.table = ListTable(theme, heads, SHARES, said("anew", "head"), "label")
        self.name = asked_field(theme, said("asked", NAME), 260)
        self.pin = asked_field(theme, said("asked", PIN), 130, secret=True)
        for field in (self.plan, self.name, self.pin):
            field.scanned.connect(self.scanned)
        self.name.entered.connect(self._named)
        self.pin.entered.connect(self.keep)
        self.came = line(theme, "text", bold=True, wrap=True, name=said("act", "came"))
        low = QHBoxLayout()
        low.setContentsMargins(px(24), 0, px(24), 0)
        low.setSpacing(px(10))
        self._asked: dict[str, tuple[QLabel, OwnEnter]] = {}
        for name, field in ((NAME, self.name), (PIN, self.pin)):
            of = QLabel(said("asked", name))
            of.setFont(theme.font("text", bold=True))
            of.setBuddy(field)
            low.addWidget(of)
            low.addWidget(field)
            self._asked[name] = (of, field)
        low.addWidget(self.came, 1)
        self.keys = KeysRow(theme, "anew", strong="judge")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(px(6))
        layout.addWidget(self.strip)
        layout.addLayout(top)
        layout.addWidget(self.plan_note)
        layout.addWidget(self.words)
        layout.addWidget(self.table, 1)
        layout.addLayout(low)
        layout.addWidget(self.keys)

    # --- presses ---------------------------------------------------------------------

    def _chosen(self, number: int) -> None:
        options = self._presenter.page().by.options
        self._presenter.choose(options[number][0])
        if self._presenter.page().asks_plan:
            self.plan.setFocus()

    def _named(self) -> None:
        if self.pin.isVisible() and not self.pin.text():
            self.pin.setFocus()
        else:
            self.keep()

    def keep(self) -> None:
        """Keep what comes out another, by who is named; ask for the name first."""
        page = self._presenter.page()
        if page.may_keep and not self.name.text().strip():
            self.name.setFocus()
            return
        typed = {NAME: self.name.text(), PIN: self.pin.text()}
        self.pin.clear()
        self._presenter.keep(typed)

    def back(self) -> bool:
        """Leave a field for the rows; return whether one had the keys."""
        fields = (self.plan, self.name, self.pin)
        if any(field.hasFocus() for field in fields):
            self.table.setFocus()
            return True
        return False

    # --- what is shown ---------------------------------------------------------------

    def show_page(self, page: AnewPage) -> None:
        """Show how far it got, and what comes out another."""
        self.strip.show_strip(page.strip)
        ids = [id for id, _ in page.by.options]
        if self.by.count() != len(ids):
            self.by.clear()
            self.by.addItems([words for _, words in page.by.options])
        self.by.setCurrentIndex(ids.index(page.by.chosen))
        self.plan.setVisible(page.asks_plan)
        put(self.plan_note, page.plan_note)
        self.plan_note.setVisible(bool(page.plan_note))
        restyle(self.plan, "wrong", "true" if page.plan_note else "false")
        put(self.words, page.said)
        self.table.put([anew_row(each) for each in page.rows], self.table.row_on)
        for name, (label, field) in self._asked.items():
            label.setVisible(name in page.asks)
            field.setVisible(name in page.asks)
        put(self.came, page.came)
        inks = self._theme.inks
        self.came.setStyleSheet(f"color: {inks.fails if page.wrong else inks.ink};")
        self.keys.enable({"judge": page.may_judge, "keep": page.may_keep})
        self.keys.fill("keep" if page.may_keep else "judge")


def anew_row(each: AnewRow) -> Row:
    """Return a judgement as a row of the table."""
    after = each.after or said("anew", "not_judged")
    return Row(
        cells=(
            Cell(text=each.tested),
            Cell(text=each.serial),
            Cell(text=each.model),
            Cell(text=each.before, sign=each.before),
            Cell(text=after, sign=each.after or "incomplete", bold=each.turns),
            Cell(text=each.words),
        ),
        tip=f"{each.serial}: {each.before} → {after}; {each.words}",
    )
