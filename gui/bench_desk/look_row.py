"""The row under the trace while somebody looks back: what is read, and the keys for it.

It takes its place only then; a test that is followed shows nothing of it.
"""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from ..pieces import OwnEnter, key, line, put, restyle
from ..theme import Theme
from .screen import Picture
from .wording import said

_KEY_PX = 28


class LookRow(QWidget):
    """What the cursors read, what lies under the trace, and how to get back.

    Attributes:
        wanted: false where the trace is explained in another place.
    """

    now = Signal()
    cursors = Signal()
    earlier = Signal()
    chosen = Signal(str)
    save = Signal()

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self.wanted = True
        px = theme.px
        self.head = line(theme, "text", bold=True, name="looking back")
        self.lines = line(theme, "label", wrap=True, name="what is read")
        self.cursor_key = key(theme, said("look", "cursors"), size="label")
        self.earlier_key = key(theme, said("look", "earlier"), size="label")
        self.save_key = key(theme, said("look", "picture"), size="label")
        self.now_key = key(theme, said("look", "now"), size="label", strong=True)
        self.file = OwnEnter()
        self.file.setFont(theme.font("label"))
        self.file.setPlaceholderText(said("look", "file"))
        self.file.setAccessibleName(said("look", "file"))
        self.file.entered.connect(lambda: self.chosen.emit(self.file.text().strip()))
        row = QHBoxLayout()
        row.setSpacing(px(8))
        row.addWidget(self.head, 1)
        row.addWidget(self.file)
        self.file.setFixedWidth(px(190))
        self.file.setMinimumHeight(px(_KEY_PX))
        self.file.setStyleSheet(f"padding: {px(2)}px {px(6)}px;")
        for button, signal in (
            (self.earlier_key, self.earlier),
            (self.cursor_key, self.cursors),
            (self.save_key, self.save),
            (self.now_key, self.now),
        ):
            button.setMinimumHeight(px(_KEY_PX))
            button.setStyleSheet(f"padding: {px(2)}px {px(8)}px;")
            button.setAutoDefault(False)
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            button.clicked.connect(signal)
            row.addWidget(button)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(px(8), px(2), 0, px(2))
        layout.setSpacing(px(2))
        layout.addLayout(row)
        layout.addWidget(self.lines)
        self.hide()

    def only_cursors(self) -> None:
        """Offer no earlier run and no picture as a file."""
        for widget in (self.file, self.earlier_key, self.save_key):
            widget.hide()
        restyle(self.now_key, "strong", "false")  # what is filled stands elsewhere

    def show_picture(self, picture: Picture) -> None:
        """Show what a picture has to say, or nothing."""
        here = picture.looking or bool(picture.lines) or picture.over
        here = here and self.wanted
        if self.isVisible() and not here and self.file.hasFocus():
            self.window().setFocus()
        self.setVisible(here)
        if not here:
            return
        lines = list(picture.lines)
        head = picture.head
        if picture.cursors is not None:  # the times beside it, what is read beneath
            head = f"{head}   {lines.pop(0)}".strip()
        put(self.head, head)
        put(self.lines, "\n".join(lines))
        self.lines.setVisible(bool(lines))
        self.now_key.setVisible(picture.looking or bool(picture.lines))
        for button, on, off in (
            (self.cursor_key, "cursors", picture.cursors is not None),
            (self.earlier_key, "earlier", picture.under),
        ):
            words = said("look", f"{on}_off" if off else on)
            if button.text() != words:
                button.setText(words)
                button.setAccessibleName(words)
