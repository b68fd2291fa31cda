"""Tests at other stations, a strip each: what they want, and how long it takes.

A strip is pressed to go there; an alarm of a test that is not shown stands in its strip
in words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QFontMetricsF
from PySide6.QtWidgets import QSizePolicy, QVBoxLayout, QWidget

from ..pieces import key, restyle
from ..theme import Theme
from .scales import span_words
from .screen import Phase, Screen
from .wording import said


@dataclass(frozen=True, slots=True)
class StationShown:
    """One test at another station.

    Attributes:
        what: regulator and what is to be done there. alarm: what could hurt, or "".
    """

    what: str
    alarm: str = ""

    @property
    def words(self) -> str:
        """All of it in one line, the alarm first."""
        if not self.alarm:
            return self.what
        return said("stations", "alarm", alarm=self.alarm, what=self.what)


def station_of(screen: Screen) -> StationShown:
    """Return what a strip says of a test."""
    regulator = screen.head.first.split("   ")[0] or said("stations", "opening")
    action = screen.action
    doing = " ".join(filter(None, (action.first, action.second)))
    if screen.verdict is not None:
        doing = screen.verdict.first
    elif action.hold is not None:
        left = max(action.hold.total_s - action.hold.held_s, 0.0)
        doing = said("stations", "hold", what=doing, time=span_words(left))
    elif screen.phase is Phase.FAILED and screen.strip is not None:
        doing = screen.strip.what
    alarm = "" if screen.alarm is None else screen.alarm.first
    line = said("stations", "line", of=regulator, what=doing)
    if screen.readings and screen.verdict is None:
        line = said("stations", "reads", line=line, readings=screen.readings)
    if screen.head.first and not screen.head.band:
        line = said("stations", "real", line=line)
    return StationShown(line, alarm)


class StationStrips(QWidget):
    """The strips, one above the other; nothing where there is no other test."""

    chosen = Signal(int)

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._shown: tuple[StationShown, ...] = ()
        self.keys: list[Any] = []
        self._layout = QVBoxLayout(self)
        self._layout.setContentsMargins(theme.px(24), theme.px(4), theme.px(24), 0)
        self._layout.setSpacing(theme.px(4))
        self.hide()

    def show_stations(self, shown: Sequence[StationShown]) -> None:
        """Show how the other tests stand."""
        if tuple(shown) == self._shown:
            return
        self._shown = tuple(shown)
        while len(self.keys) > len(shown):
            gone = self.keys.pop()
            self._layout.removeWidget(gone)
            gone.deleteLater()
        while len(self.keys) < len(shown):
            self.keys.append(self._made(len(self.keys)))
        for button, one in zip(self.keys, self._shown, strict=True):
            restyle(button, "grave", "true" if one.alarm else "false")
            button.setAccessibleName(one.words)
            button.setToolTip(one.words)
        self._fit()
        self.setVisible(bool(shown))

    def resizeEvent(self, event: Any) -> None:  # noqa: N802
        """Cut words anew that are longer than the strip."""
        super().resizeEvent(event)
        self._fit()

    def _made(self, number: int) -> Any:
        button = key(self._theme, "")
        button.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        button.setFocusPolicy(Qt.FocusPolicy.NoFocus)  # Enter is for the test shown
        button.clicked.connect(lambda: self.chosen.emit(number))
        self._layout.addWidget(button)
        return button

    def _fit(self) -> None:
        room = self.width() - self._theme.px(24 * 2 + 40)
        for button, one in zip(self.keys, self._shown, strict=False):
            metrics = QFontMetricsF(button.font())
            right = Qt.TextElideMode.ElideRight
            button.setText(metrics.elidedText(one.words, right, max(room, 60)))
