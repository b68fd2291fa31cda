"""The one application that all windows belong to."""

from __future__ import annotations

from PySide6.QtWidgets import QApplication

NAME = "Proofstand"


def made_application() -> QApplication:
    """Return the application, made once."""
    app = QApplication.instance()
    if not isinstance(app, QApplication):
        app = QApplication([NAME])
    if app.applicationName() != NAME:
        app.setStyle("Fusion")
        app.setApplicationName(NAME)
    return app
