"""The shell of the window: painted at once, before what takes long is loaded.

Plots, HDF5 and the methods of analysis take seconds to load on a slow computer; here is
what the eye gets meanwhile: the ground. Imports Qt and the inks, no more.
"""

from __future__ import annotations

import time
from typing import Any

from proofstand.commands.window import WindowOptions
from records.errors import InputError

from .display import check_display

try:
    from PySide6.QtCore import QEventLoop
    from PySide6.QtGui import QColor, QPainter
    from PySide6.QtWidgets import QWidget
except ImportError as error:  # said in words by whoever opens the window
    raise InputError("window_missing", why=error) from error

from .application import NAME, made_application
from .theme import inks_for, palette

HEAD_PX = 64
PAINTED_S = 2.0  # a window that is shown nowhere is never painted


class Shell(QWidget):
    """The ground, the name in its title.

    Attributes:
        painted: it was on the screen once.
    """

    def __init__(self, options: WindowOptions) -> None:
        super().__init__()
        self.painted = False
        self._inks = inks_for(light=options.light, dark=options.dark)
        self.setPalette(palette(self._inks))
        self.setAutoFillBackground(True)
        self.setWindowTitle(NAME)
        self.setAccessibleName(NAME)
        self.resize(self.screen().availableSize())

    def paintEvent(self, event: Any) -> None:  # noqa: N802
        """Draw the rule beneath the head; words would want their font loaded first."""
        painter = QPainter(self)
        painter.fillRect(0, HEAD_PX, self.width(), 1, QColor(self._inks.rule))
        painter.end()
        self.painted = True


def shown_shell(options: WindowOptions) -> Shell:
    """Return the shell once it is painted."""
    app = made_application()
    shell = Shell(options)
    shell.showMaximized()
    until = time.monotonic() + PAINTED_S
    while not shell.painted and time.monotonic() < until:
        app.processEvents(QEventLoop.ProcessEventsFlag.WaitForMoreEvents, 50)
    return shell


def open_window(options: WindowOptions) -> int:
    """Show the shell, load the window, and wait until that is closed.

    Raises:
        InputError: ``no_display`` or ``window_missing``.
    """
    check_display()
    shell = shown_shell(options)
    from .app import run_window

    return run_window(options, shell.close)
