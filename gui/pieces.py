"""Small pieces that the panels are made of."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QByteArray, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QKeyEvent, QPainter
from PySide6.QtSvg import QSvgRenderer
from PySide6.QtWidgets import (
    QGridLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QSizePolicy,
    QWidget,
)

from proofstand.drawing.bar import Bar, bar_svg

from .scanned import Burst
from .theme import Theme


def line(
    theme: Theme,
    size: str,
    *,
    bold: bool = False,
    ink: str = "",
    wrap: bool = False,
    name: str = "",
) -> QLabel:
    """Return a label of one of the theme's sizes.

    Args:
        theme: inks and fonts.
        size: one of the theme's sizes.
        bold: the heavier weight.
        ink: the colour, or the theme's ink.
        wrap: may take several lines.
        name: what a screen reader calls it.
    """
    label = QLabel()
    label.setFont(theme.font(size, bold=bold))
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setStyleSheet(f"color: {ink or theme.inks.ink};")
    label.setWordWrap(wrap)
    if not wrap:
        label.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
    if name:
        label.setAccessibleName(name)
    return label


def put(label: QLabel, text: str) -> None:
    """Set a label's text when it changed; also for a screen reader."""
    if label.text() != text:
        label.setText(text)


class FittedLine(QWidget):
    """One line that is smaller, says less or ends in dots where room lacks.

    All of it is its tip.

    Args:
        theme: inks and fonts.
        size: one of the theme's sizes.
        ink: the colour, or the theme's ink.
        name: what a screen reader calls it.
        smaller: a size that is taken where that one has no room, or "".
    """

    def __init__(
        self,
        theme: Theme,
        size: str,
        *,
        ink: str = "",
        name: str,
        smaller: str = "",
    ) -> None:
        super().__init__()
        self._ink = QColor(ink or theme.inks.ink)
        self._text = self._less = ""
        self.right = False
        self._fonts = [theme.font(each) for each in (size, smaller) if each]
        self.setFont(self._fonts[0])
        self.setAccessibleName(name)
        self.setFixedHeight(round(QFontMetricsF(self.font()).height()))
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)

    def text(self) -> str:
        """Return what it says: all of it, or less where that has no room."""
        wide = QFontMetricsF(self.font()).horizontalAdvance(self._text)
        return self._less if self._less and wide > self.width() else self._text

    def put_ink(self, ink: str) -> None:
        """Write in another ink."""
        self._ink = QColor(ink)
        self.update()

    def put(self, text: str, less: str = "") -> None:
        """Say something else; ``less`` where all of it has no room."""
        if (text, less) != (self._text, self._less):
            self._text, self._less = text, less
            self.setAccessibleDescription(text)
            self.setToolTip(text)
            self._fit()
            self.update()

    def resizeEvent(self, event: Any) -> None:  # noqa: N802
        """Take the size that there is room for."""
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        for font in self._fonts:
            if QFontMetricsF(font).horizontalAdvance(self._text) <= self.width():
                break
        if font != self.font():
            self.setFont(font)

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw as much of it as there is room for."""
        painter = QPainter(self)
        painter.setPen(self._ink)
        metrics = QFontMetricsF(self.font())
        dots = Qt.TextElideMode.ElideRight
        text = metrics.elidedText(self.text(), dots, self.width() + 0.5)
        side = Qt.AlignmentFlag.AlignRight if self.right else Qt.AlignmentFlag.AlignLeft
        painter.drawText(self.rect(), side | Qt.AlignmentFlag.AlignVCenter, text)


def key(
    theme: Theme, text: str, *, size: str = "text", strong: bool = False
) -> QPushButton:
    """Return something to press."""
    button = QPushButton(text)
    button.setFont(theme.font(size, bold=strong))
    button.setAccessibleName(text)
    button.setCursor(Qt.CursorShape.PointingHandCursor)
    if strong:
        button.setProperty("strong", "true")
    return button


def restyle(widget: QWidget, name: str, value: str) -> None:
    """Give a widget another look when that changed."""
    if widget.property(name) != value:
        widget.setProperty(name, value)
        widget.style().unpolish(widget)
        widget.style().polish(widget)


def needed_px(panel: QWidget, width: int) -> int:
    """Return how high a panel has to be at a width so that nothing is cut."""
    layout = panel.layout()
    assert layout is not None
    layout.activate()
    return max(layout.totalHeightForWidth(width), layout.totalMinimumSize().height())


def pressed_at(event: QKeyEvent) -> float | None:
    """Return when a key was pressed, seconds, or None where the system tells none."""
    return event.timestamp() / 1000.0 if event.timestamp() else None


class ScanLine(QLineEdit):
    """A line that hands a scan on, whole, and is then as it was before.

    Args:
        burst: of the signs that came last, where several lines share it.
    """

    scanned = Signal(str)

    def __init__(self, burst: Burst | None = None) -> None:
        super().__init__()
        self._burst = burst or Burst()
        self._before = ""

    def keyPressEvent(self, event: Any) -> None:  # noqa: N802
        """Keep the Enter of a scan, let the rest go its way."""
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            found = self._burst.scan(pressed_at(event))
            if found:
                event.accept()
                self._burst.forget()
                self.setText(self._before)
                self.scanned.emit(found)
                return
        elif event.text().isprintable() and event.text() and not event.isAutoRepeat():
            before = self.text()
            if not self._burst.take(event.text(), pressed_at(event)):
                self._before = before
        super().keyPressEvent(event)


class OwnEnter(ScanLine):
    """A line whose Enter is its own: it never confirms what the test asks for.

    Args:
        scans: a scan is handed on; not where the line is secret, lest it be shown.
    """

    entered = Signal()

    def __init__(self, *, scans: bool = True) -> None:
        super().__init__()
        self._scans = scans

    def keyPressEvent(self, event: Any) -> None:  # noqa: N802
        """Keep Enter, let the rest go its way."""
        enter = event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter)
        if enter and not (self._scans and self._burst.scan(pressed_at(event))):
            event.accept()
            if not event.isAutoRepeat():
                self.entered.emit()
        else:
            super().keyPressEvent(event)


# A line of large words and its base line, in heights of a capital: room for what
# reaches above a capital and below the line, and no more.
_LINE, _BASE = 1.53, 1.14


class Rule(QWidget):
    """A thin line between two panels."""

    def __init__(self, theme: Theme, *, upright: bool = False) -> None:
        super().__init__()
        self._ink = QColor(theme.inks.rule)
        thick = max(theme.px(1.5), 1)
        if upright:
            self.setFixedWidth(thick)
        else:
            self.setFixedHeight(thick)

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Fill it."""
        QPainter(self).fillRect(self.rect(), self._ink)


class BigLine(QWidget):
    """One line in huge or large words, no higher than its letters need.

    A line that is too long for the panel goes on in a second one.
    """

    def __init__(self, theme: Theme, size: str, *, bold: bool, name: str) -> None:
        super().__init__()
        self._ink = QColor(theme.inks.ink)
        self._text = ""
        self._lines: list[str] = []
        self.setFont(theme.font(size, bold=bold))
        metrics = QFontMetricsF(self.font())
        self._line_px = round(_LINE * metrics.capHeight())
        self._cap_px = metrics.capHeight()
        self.setAccessibleName(name)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.setFixedHeight(self._line_px)

    def set_ink(self, ink: str) -> None:
        """Write in another ink."""
        self._ink = QColor(ink)

    @property
    def capital_px(self) -> float:
        """Height of its capitals."""
        return self._cap_px

    @property
    def needed_px(self) -> int:
        """Width that its words need in one line."""
        return round(QFontMetricsF(self.font()).horizontalAdvance(self._text)) + 2

    def text(self) -> str:
        """Return what it says."""
        return self._text

    def put(self, text: str) -> None:
        """Say something else."""
        if text != self._text:
            self._text = text
            self.setAccessibleDescription(text)
            self._break()

    def resizeEvent(self, event: Any) -> None:  # noqa: N802
        """Break the line anew."""
        self._break()

    def _break(self) -> None:
        metrics = QFontMetricsF(self.font())
        lines = [""]
        for word in self._text.split():
            longer = f"{lines[-1]} {word}".strip()
            if lines[-1] and metrics.horizontalAdvance(longer) > self.width():
                lines.append(word)
            else:
                lines[-1] = longer
        self._lines = lines
        self.setFixedHeight(self._line_px * len(lines) if self._text else 0)
        self.update()

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw the words."""
        painter = QPainter(self)
        painter.setPen(self._ink)
        base = _BASE * self._cap_px
        for i, text in enumerate(self._lines):
            painter.drawText(0, round(base + i * self._line_px), text)


class NumberedLines(QWidget):
    """What to do, one after the other: numbers before, words that may break behind."""

    def __init__(self, theme: Theme, size: str) -> None:
        super().__init__()
        self._theme, self._size = theme, size
        self._said: tuple[str, ...] = ()
        self.lines: list[QLabel] = []
        self._numbers: list[QLabel] = []
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setHorizontalSpacing(theme.px(12))
        self._grid.setVerticalSpacing(theme.px(5))
        self._grid.setColumnStretch(1, 1)

    def put(self, said: tuple[str, ...]) -> None:
        """Say something else."""
        if said == self._said:
            return
        self._said = said
        for old in (*self.lines, *self._numbers):
            self._grid.removeWidget(old)
            old.deleteLater()
        self.lines, self._numbers = [], []
        for at, text in enumerate(said):
            number = QLabel(f"{at + 1}.")
            number.setFont(self._theme.font(self._size, bold=True))
            words = line(self._theme, self._size, wrap=True, name=f"{at + 1}.")
            words.setText(text)
            self._numbers.append(number)
            self.lines.append(words)
            self._grid.addWidget(number, at, 0, Qt.AlignmentFlag.AlignTop)
            self._grid.addWidget(words, at, 1)


class BarPicture(QWidget):
    """A finding's bar, drawn from the same SVG as on the page."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._bar: Bar | None = None
        self._svg = ""
        self._renderer: QSvgRenderer | None = None
        self.setFixedHeight(theme.px(18))
        self.setMinimumWidth(theme.px(90))

    @property
    def svg(self) -> str:
        """What is drawn."""
        return self._svg

    def sizeHint(self) -> QSize:  # noqa: N802
        """Return the size it has on the page, scaled."""
        return QSize(self._theme.px(150), self._theme.px(18))

    def put(self, bar: Bar) -> None:
        """Show another bar."""
        if bar != self._bar:
            self._bar = bar
            self._make()

    def resizeEvent(self, event: Any) -> None:  # noqa: N802
        """Draw it anew at its new width, so that hatching keeps its measure."""
        self._make()

    def _make(self) -> None:
        if self._bar is None:
            return
        scale = self._theme.scale
        self._svg = bar_svg(
            self._bar, self._theme.inks, self.width() / scale, self.height() / scale
        )
        self._renderer = QSvgRenderer(QByteArray(self._svg.encode()))
        self.update()

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw it."""
        if self._renderer is not None:
            self._renderer.render(QPainter(self), QRectF(self.rect()))
