"""A window on a real screen whose start sheet is worked with keys from outside.

    python -m tests.gui.by_real_keys FOLDER PICTURES

Prints a line of JSON at every change of what has the focus and what is filled in, and
ends when a test is begun.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QApplication

from gui.app import made_application
from gui.bench_desk.last_test import keep_last
from gui.bench_desk.start_checks import Given
from gui.shots import take
from proofstand.commands.window import WindowOptions
from tests.gui.states import filled, window_of

LONGEST_S = 60.0


def main(folder: Path, pictures: Path) -> None:
    """Open the window and tell what becomes of it."""
    given = filled(folder)
    keep_last(Given(rig=given.rig, plan=given.plan, job=given.job, by=given.by))
    window = window_of(WindowOptions(light=True), (1366, 768))
    window.activateWindow()
    begun: list[object] = []
    window.start.begin.disconnect()
    window.start.begin.connect(begun.append)
    told: dict[str, object] = {}
    until = time.monotonic() + LONGEST_S
    number = 0
    while not begun and time.monotonic() < until:
        made_application().processEvents()
        time.sleep(0.01)
        focus = QApplication.focusWidget()
        now = {
            "platform": QGuiApplication.platformName(),
            "focus": focus.accessibleName() or focus.objectName() if focus else "",
            "read": window.start.read.isChecked(),
            "on": {True: "read", False: ""}[focus is window.start.read],
            "job": window.start.fields["job"].text(),
            "label": window.start.fields["label"].text(),
        }
        if now != told:
            told = now
            number += 1
            take(window, pictures / f"start-by-keys-{number:02d}.png")
            print(json.dumps(now), flush=True)
    print(json.dumps({"begun": bool(begun)}), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
