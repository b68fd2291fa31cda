"""Whether every text of a window fits its place, by walking its widgets."""

from __future__ import annotations

import gc
import re
from collections.abc import Iterator

from PySide6.QtCore import QEvent, QPoint, QRect, Qt
from PySide6.QtGui import QFontMetricsF
from PySide6.QtWidgets import (
    QAbstractButton,
    QApplication,
    QCheckBox,
    QComboBox,
    QLabel,
    QLineEdit,
    QPlainTextEdit,
    QPushButton,
    QScrollArea,
    QWidget,
)

from gui.pieces import BigLine, FittedLine

_SLACK_PX = 0.6
_SHOW_WORDS = (QLabel, QAbstractButton, BigLine, FittedLine, QLineEdit, QComboBox)
_FRAME_PX = 2


def texts(window: QWidget) -> Iterator[QWidget]:
    """Give every visible widget that shows words."""
    for widget in window.findChildren(QWidget):
        if not widget.isVisible() or not _on_screen(widget):
            continue
        if isinstance(widget, _SHOW_WORDS) and words_of(widget):
            yield widget


def words_of(widget: QWidget) -> str:
    """Return what a widget says now."""
    if isinstance(widget, QComboBox):
        return widget.currentText()
    if isinstance(widget, QLineEdit):
        inside = isinstance(widget.parent(), QComboBox)
        return "" if inside or widget.text() else widget.placeholderText()
    return str(widget.text()) if hasattr(widget, "text") else ""


def _on_screen(widget: QWidget) -> bool:
    return not widget.visibleRegion().isEmpty()


def place(widget: QWidget) -> QRect:
    """Return where a widget stands in its window."""
    return QRect(widget.mapTo(widget.window(), QPoint(0, 0)), widget.size())


def _scrolled(widget: QWidget) -> bool:
    above = widget.parentWidget()
    while above is not None:
        if isinstance(above, QScrollArea):
            return True
        above = above.parentWidget()
    return False


def cut(window: QWidget) -> list[str]:
    """Return what is cut, lies outside the window or over something else."""
    found = []
    every = list(texts(window))
    for widget in every:
        told = f"{type(widget).__name__} {words_of(widget)[:60]!r}"
        for why in _wrong(widget):
            found.append(f"{told}: {why}")
    for i, one in enumerate(every):
        for other in every[:i]:
            if one.isAncestorOf(other) or other.isAncestorOf(one):
                continue
            if _scrolled(one) or _scrolled(other):
                continue
            if place(one).intersects(place(other)):
                found.append(
                    f"{words_of(one)[:40]!r} lies over {words_of(other)[:40]!r}"
                )
    return found


def _wrong(widget: QWidget) -> Iterator[str]:
    metrics = QFontMetricsF(widget.font())
    text, wide, high = words_of(widget), widget.width(), widget.height()
    at, window = place(widget), widget.window()
    inside = window.rect().contains(at) or _scrolled(widget)
    if not inside:
        yield f"stands at {at.getRect()} in a window of {window.size().toTuple()}"
    if isinstance(widget, BigLine):
        for line in widget._lines:
            if metrics.horizontalAdvance(line) > wide + _SLACK_PX:
                yield "is too wide"
        return
    if isinstance(widget, QLabel) and widget.wordWrap():
        if widget.heightForWidth(wide) > high + 1:
            yield f"needs {widget.heightForWidth(wide)} px of height, has {high}"
        longest = max(
            re.split(r"[\s/]+", text), key=metrics.horizontalAdvance, default=""
        )
        if metrics.horizontalAdvance(longest) > wide + _SLACK_PX:
            yield f"its word {longest[:30]!r} is too wide"
        return
    spare = 0.0
    if isinstance(widget, QCheckBox):
        spare = 1.5 * metrics.height()
    elif isinstance(widget, QPushButton):
        spare = 2.0 * _FRAME_PX
    elif isinstance(widget, (QLineEdit, QComboBox)):
        spare = 10.0 * _FRAME_PX
    for line in text.split("\n"):
        need = metrics.horizontalAdvance(line) + spare
        if need > wide + _SLACK_PX:
            yield f"needs {need:.0f} px of width, has {wide}"
    lines = text.count("\n") + 1
    if lines * metrics.height() - 2.0 * metrics.descent() > high + _SLACK_PX:
        yield f"needs {lines * metrics.height():.0f} px of height, has {high}"


def nameless(window: QWidget) -> list[str]:
    """Return the controls that a screen reader has no name for."""
    kinds = (QAbstractButton, QLineEdit, QComboBox, QPlainTextEdit)
    found = []
    for widget in window.findChildren(QWidget):
        if not isinstance(widget, kinds) or isinstance(widget.parent(), QComboBox):
            continue
        if widget.focusPolicy() is Qt.FocusPolicy.NoFocus or not widget.isVisible():
            continue
        name = widget.accessibleName() or (
            widget.text() if isinstance(widget, QAbstractButton) else ""
        )
        if not name.strip():
            found.append(f"{type(widget).__name__} {widget.objectName()}")
    return found


def taken_down(window: QWidget) -> None:
    """Delete a window at once; without a running loop nothing else would."""
    window.hide()
    window.deleteLater()
    QApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete.value)
    settled(1)
    gc.collect()


def settled(times: int = 6) -> None:
    """Let layouts come to rest."""
    for _ in range(times):
        QApplication.processEvents()
