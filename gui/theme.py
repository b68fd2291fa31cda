"""Inks, fonts and sizes for Qt: the same inks as on paper, sizes from font metrics."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QFont, QFontDatabase, QFontMetricsF, QPalette, QPen
from PySide6.QtWidgets import QApplication

from proofstand.drawing.inks import (
    DARK,
    FONT_FAMILY,
    FONT_FILES,
    LIGHT,
    Inks,
    fonts_folder,
)

# At this size of window capitals are at least as high as this; a larger window has
# larger ones. huge: the action and the value worked on; large: the line after it;
# middle: the other pressures; far: why, and what could hurt; lead: findings.
BASE_WIDTH, BASE_HEIGHT = 1366, 768
CAPITALS_PX = {"lead": 13.0, "far": 18.0, "middle": 30.0, "large": 37.0, "huge": 46.0}
# What is read from close by, with a hand on the keyboard.
_NEAR_PX = {"label": 13, "text": 15}
_MOST = 3.0
_LEAST = 0.8


@cache
def load_fonts() -> str:
    """Load the shipped fonts and return the family's name."""
    for name in FONT_FILES:
        QFontDatabase.addApplicationFontFromData((fonts_folder() / name).read_bytes())
    return FONT_FAMILY


@dataclass(frozen=True, slots=True)
class Theme:
    """How everything looks.

    Attributes:
        inks: the colours. scale: 1 for the smallest window, more for a larger one.
    """

    inks: Inks
    scale: float = 1.0

    def font(self, size: str, *, bold: bool = False) -> QFont:
        """Return a font: label, text, lead, far, middle, large or huge."""
        font = QFont(load_fonts())
        font.setPixelSize(self.size(size))
        if bold:
            font.setWeight(QFont.Weight.Bold)
        return font

    def size(self, size: str) -> int:
        """Return a size in pixels; that of larger words follows from their capitals."""
        if size in CAPITALS_PX:
            return pixels_for(CAPITALS_PX[size] * self.scale)
        return round(_NEAR_PX[size] * self.scale)

    def px(self, length: float) -> int:
        """Return a length in pixels at this scale."""
        return round(length * self.scale)

    def pen(self, ink: str, width: float = 1.0) -> QPen:
        """Return a pen that keeps its width however the picture is scaled."""
        pen = QPen(QColor(ink), width * self.scale)
        pen.setCosmetic(True)
        pen.setCapStyle(Qt.PenCapStyle.FlatCap)
        return pen


@cache
def pixels_for(capital_px: float) -> int:
    """Return the font size in pixels whose capitals are at least so high."""
    size = int(capital_px)
    while True:
        font = QFont(load_fonts())
        font.setPixelSize(size)
        if QFontMetricsF(font).capHeight() >= capital_px:
            return size
        size += 1


def scale_for(width: int, height: int, density: float = 1.0) -> float:
    """Return the scale of a window of that size.

    Args:
        width: of the window, in the system's pixels.
        height: the same.
        density: dots of the screen per such pixel. Letters keep their height in dots,
            so that a dense screen may have a scale under 1 where it lacks room.
    """
    least = max(1.0 / density, _LEAST)
    return min(max(min(width / BASE_WIDTH, height / BASE_HEIGHT), least), _MOST)


def system_is_dark() -> bool:
    """Tell whether the person's system asks for dark windows."""
    return QApplication.styleHints().colorScheme() is Qt.ColorScheme.Dark


def inks_for(*, light: bool, dark: bool) -> Inks:
    """Return the inks asked for, or those that fit the person's system."""
    if light or dark:
        return DARK if dark else LIGHT
    return DARK if system_is_dark() else LIGHT


def palette(inks: Inks) -> QPalette:
    """Return the palette of a set of inks."""
    made = QPalette()
    roles = QPalette.ColorRole
    for role, ink in (
        (roles.Window, inks.paper),
        (roles.WindowText, inks.ink),
        (roles.Base, inks.panel),
        (roles.AlternateBase, inks.paper),
        (roles.Text, inks.ink),
        (roles.Button, inks.panel),
        (roles.ButtonText, inks.ink),
        (roles.Highlight, inks.outlet),
        (roles.HighlightedText, inks.paper),
        (roles.PlaceholderText, inks.soft),
        (roles.ToolTipBase, inks.panel),
        (roles.ToolTipText, inks.ink),
    ):
        made.setColor(role, QColor(ink))
    return made


def sheet(theme: Theme) -> str:
    """Return the style of what Qt draws itself: fields, keys, lists."""
    inks, px = theme.inks, theme.px
    return f"""
    QWidget {{ color: {inks.ink}; }}
    QToolTip {{ background: {inks.panel}; color: {inks.ink};
        border: 1px solid {inks.soft}; padding: {px(4)}px; }}
    QLineEdit, QComboBox, QPlainTextEdit {{ background: {inks.panel}; color: {inks.ink};
        border: 1px solid {inks.soft}; border-radius: 2px;
        padding: {px(5)}px {px(8)}px; selection-background-color: {inks.outlet};
        selection-color: {inks.paper}; }}
    QLineEdit:focus, QComboBox:focus, QPlainTextEdit:focus {{
        border: 2px solid {inks.outlet}; padding: {px(5) - 1}px {px(8) - 1}px; }}
    QLineEdit[wrong="true"], QComboBox[wrong="true"],
    QPlainTextEdit[wrong="true"] {{ border: 2px solid {inks.fails};
        padding: {px(5) - 1}px {px(8) - 1}px; }}
    QComboBox QAbstractItemView {{ background: {inks.panel}; color: {inks.ink};
        selection-background-color: {inks.ink}; selection-color: {inks.paper}; }}
    QPushButton[page="on"] {{ border: none;
        border-left: {px(5)}px solid {inks.ink};
        background: {inks.panel}; text-align: left; }}
    QPushButton[page="off"] {{ border: none;
        border-left: {px(5)}px solid transparent;
        background: transparent; text-align: left; }}
    QPushButton[page]:focus {{ border-left: {px(5)}px solid {inks.outlet}; }}
    QPushButton {{ background: {inks.panel}; color: {inks.ink};
        border: 1px solid {inks.soft}; border-radius: 2px;
        padding: {px(6)}px {px(14)}px; }}
    QPushButton:hover {{ border-color: {inks.ink}; }}
    QPushButton:focus {{ border: 2px solid {inks.outlet};
        padding: {px(6) - 1}px {px(14) - 1}px; }}
    QPushButton:disabled {{ color: {inks.soft}; border-color: {inks.rule}; }}
    QPushButton[strong="true"] {{ background: {inks.ink}; color: {inks.paper};
        border: 2px solid {inks.ink}; }}
    QPushButton[strong="true"]:focus {{ background: {inks.outlet};
        border: 2px solid {inks.outlet}; }}
    QPushButton[strong="true"]:disabled {{ background: {inks.paper};
        color: {inks.soft}; border: 2px solid {inks.rule}; }}
    QPushButton[alarm="true"] {{ background: {inks.paper}; color: {inks.ink};
        border: {px(3)}px solid {inks.ink}; font-weight: bold; }}
    QPushButton[alarm="true"]:focus {{ border: {px(3)}px solid {inks.outlet}; }}
    QPushButton:checked {{ background: {inks.ink}; color: {inks.paper};
        border: 1px solid {inks.ink}; }}
    QPushButton:checked:focus {{ border: 2px solid {inks.outlet}; }}
    QPushButton[grave="true"] {{ background: {inks.paper}; color: {inks.fails};
        border: 2px solid {inks.fails}; }}
    QCheckBox {{ spacing: {px(10)}px; padding: {px(3)}px;
        border: 2px solid transparent; border-radius: 2px; }}
    QCheckBox:focus {{ border: 2px solid {inks.outlet}; }}
    QCheckBox::indicator {{ width: {px(18)}px; height: {px(18)}px;
        border: 1px solid {inks.soft}; background: {inks.panel}; border-radius: 2px; }}
    QCheckBox::indicator:checked {{ background: {inks.ink};
        border: 1px solid {inks.ink}; image: none; }}
    QCheckBox::indicator:focus {{ border: 2px solid {inks.outlet}; }}
    QSlider::groove:horizontal {{ height: {px(4)}px; background: {inks.rule}; }}
    QSlider::sub-page:horizontal {{ background: {inks.ink}; }}
    QSlider::handle:horizontal {{ width: {px(12)}px; margin: -{px(9)}px 0;
        background: {inks.panel}; border: 2px solid {inks.ink}; border-radius: 2px; }}
    QSlider::handle:horizontal:focus {{ background: {inks.outlet};
        border: 2px solid {inks.outlet}; }}
    QComboBox::drop-down {{ border: none; width: {px(28)}px; }}
    QScrollArea, QScrollArea > QWidget > QWidget {{ background: transparent;
        border: none; }}
    QScrollBar:vertical {{ background: transparent; width: {px(10)}px; }}
    QScrollBar::handle:vertical {{ background: {inks.rule}; min-height: 24px; }}
    QScrollBar::add-line, QScrollBar::sub-line {{ height: 0; }}
    """
