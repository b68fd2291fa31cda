"""A page of text: a day's end, or what a check of the archive found."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QVBoxLayout, QWidget

from ..bench_desk.strips import StripBar
from ..pieces import line, put
from ..theme import Theme
from .detail_view import Scrolled
from .keys_row import KeysRow
from .save_row import SaveRow
from .saving import Saving
from .telling import DAY, TellPresenter, TextPage
from .wording import said


class TextView(QWidget):
    """Lines, the headings among them bold; what a heading has beneath is set in."""

    scanned = Signal(str)

    def __init__(self, theme: Theme, presenter: TellPresenter, saving: Saving) -> None:
        super().__init__()
        self._theme, self._presenter = theme, presenter
        self._shown: tuple[str, ...] | None = None
        self._made: list[QWidget] = []
        px = theme.px
        self.strip = StripBar(theme)
        self.words = line(theme, "far", wrap=True, name=said("text"))
        self.words.setContentsMargins(px(24), px(16), px(24), 0)
        self.text = Scrolled(theme)
        self.text.column.setContentsMargins(px(24), px(12), px(24), px(8))
        self.text.column.setSpacing(px(2))
        self.text.column.addStretch(1)
        self.text.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.text.setAccessibleName(said("text"))
        self.saving = SaveRow(theme, saving)
        self.saving.scanned.connect(self.scanned)
        self.keys = KeysRow(theme, "text", strong="save_text")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(px(4))
        layout.addWidget(self.strip)
        layout.addWidget(self.words)
        layout.addWidget(self.text, 1)
        layout.addWidget(self.saving)
        layout.addWidget(self.keys)

    def takes(self, event: QKeyEvent) -> bool:
        """Take a key that goes to another day or scrolls."""
        key = event.key()
        turns = {Qt.Key.Key_PageDown: 1, Qt.Key.Key_PageUp: -1}
        days = {Qt.Key.Key_Left: -1, Qt.Key.Key_Right: 1}
        if key in turns:
            self.text.turn(turns[Qt.Key(key)])
        elif key in days:
            self._presenter.turn(days[Qt.Key(key)])
        else:
            return False
        return True

    def show_page(self, page: TextPage) -> None:
        """Show the lines."""
        self.strip.show_strip(page.strip)
        put(self.words, page.said)
        self.words.setVisible(bool(page.said))
        for id in ("earlier", "later", "rigs"):
            self.keys.keys[id].setVisible(page.id == DAY)
        self.keys.enable({"save_text": bool(page.lines)})
        if page.lines == self._shown:
            return
        self._shown = page.lines
        for old in self._made:
            self.text.column.removeWidget(old)
            old.hide()
            old.deleteLater()
        self._made = []
        theme = self._theme
        for number, text in enumerate(page.lines):
            own = line(theme, "text", bold=not text.startswith(" "), wrap=True)
            own.setText(text.strip())
            deep = theme.px(12) * (len(text) - len(text.lstrip()))
            own.setContentsMargins(deep, 0, 0, 0)
            if not text:
                own.setFixedHeight(theme.px(8))
            self.text.column.insertWidget(number, own)
            self._made.append(own)
        self.text.to_top()
