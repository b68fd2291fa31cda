"""The page of one regulator's life."""

from __future__ import annotations

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QVBoxLayout, QWidget

from ..bench_desk.strips import StripBar
from ..pieces import line, put
from ..theme import Theme
from .keys_row import KeysRow
from .living import COLUMNS, SHARES, LifePage, LifePresenter
from .table import Cell, ListTable, Row
from .wording import said

_HAPPENED = COLUMNS.index("happened")


class LifeView(QWidget):
    """What happened to a regulator, the newest first."""

    opened = Signal()

    def __init__(self, theme: Theme, presenter: LifePresenter) -> None:
        super().__init__()
        self._theme = theme
        px = theme.px
        self.strip = StripBar(theme)
        self.words = line(theme, "far", wrap=True, name=said("life"))
        self.words.setContentsMargins(px(24), px(24), px(24), 0)
        heads = [said("life_column", each) for each in COLUMNS]
        self.table = ListTable(theme, heads, SHARES, said("life"))
        self.table.chosen.connect(presenter.choose)
        self.table.opened.connect(lambda _: self.opened.emit())
        self.keys = KeysRow(theme, "life", strong="open_test")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, px(6), 0, 0)
        layout.setSpacing(px(4))
        layout.addWidget(self.strip)
        layout.addWidget(self.words)
        layout.addWidget(self.table, 1)
        layout.addWidget(self.keys)

    def show_page(self, page: LifePage) -> None:
        """Show the life as far as it is read."""
        self.strip.show_strip(page.strip)
        put(self.words, "\n".join(page.said))
        self.words.setVisible(bool(page.said))
        rows = [
            Row(
                cells=tuple(
                    Cell(
                        text=text,
                        sign=each.verdict if column == _HAPPENED else "",
                        bold=column == _HAPPENED and bool(each.verdict),
                    )
                    for column, text in enumerate(each.cells)
                )
            )
            for each in page.rows
        ]
        self.table.put(rows, page.chosen)
        self.keys.enable({"open_test": any(row.opens for row in page.rows)})
