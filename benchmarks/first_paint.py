"""A window that ends as soon as it has been painted: bare Qt, or ours.

python -m benchmarks.first_paint bare|ours
"""

from __future__ import annotations

import os
import sys


def _bare() -> None:
    from PySide6.QtCore import QTimer
    from PySide6.QtWidgets import QApplication, QWidget

    class Bare(QWidget):
        def paintEvent(self, event: object) -> None:  # noqa: N802
            """End once this is on the screen."""
            QTimer.singleShot(0, lambda: os._exit(0))

    app = QApplication([])
    window = Bare()
    window.showMaximized()
    app.exec()


def _ours() -> None:
    """Open the window as the command does, and end where the shell is painted."""
    from importlib import metadata

    from proofstand.commands import main, window

    found = metadata.entry_points

    class Point(metadata.EntryPoint):
        def load(self) -> object:
            """Load the window, and let it end when it is painted."""
            from gui import shell

            shown = shell.shown_shell

            def painted(options: window.WindowOptions) -> shell.Shell:
                shown(options)
                os._exit(0)

            shell.shown_shell = painted
            return shell.open_window

    def points(**which: str) -> list[Point]:
        list(found(**which))  # looked for as ever; an older installation names another
        return [Point(window.NAME, "gui.shell:open_window", window.GROUP)]

    metadata.entry_points = points  # type: ignore[assignment]
    main.main(["window", "--light"])


if __name__ == "__main__":
    {"bare": _bare, "ours": _ours}[sys.argv[1]]()
