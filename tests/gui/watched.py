"""A window that is watched through a whole simulated test, in a process of its own.

    python -m tests.gui.watched FOLDER

Prints what was seen as JSON; the pictures lie in the folder.
"""

from __future__ import annotations

import json
import sys
import threading
from pathlib import Path

from PySide6.QtGui import QGuiApplication

from gui import shots
from gui.app import SWITCH_S, Window
from proofstand.commands.window import WindowOptions


def main(folder: Path) -> None:
    """Watch, and say what was seen."""
    sys.setswitchinterval(SWITCH_S)
    words: list[str] = []
    verdicts: list[str] = []

    def look(window: Window) -> None:
        screen = window.screen_now
        if screen is None:
            return
        if screen.action.first not in words:
            words.append(screen.action.first)
        if screen.verdict is not None and not verdicts:
            verdicts.extend((screen.verdict.kind, str(screen.verdict.paper)))

    taken = shots.drive(
        WindowOptions(simulated=True, folder=folder / "shop", light=True),
        folder,
        {
            "start": shots.over,
            "setting": shots.asking("set", "Set"),
            "lockup": shots.in_hold("lockup-1", 0.5),
            "verdict": shots.over,
        },
        wait_s=100.0,
        act=look,
    )
    told = {
        "platform": QGuiApplication.platformName(),
        "pictures": [path.name for path in taken],
        "words": words,
        "verdict": verdicts,
        "threads": [t.name for t in threading.enumerate()],
    }
    print(json.dumps(told))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
