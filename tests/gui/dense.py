"""States of the window on a screen of another density, in a process of its own.

    QT_SCALE_FACTOR=1.5 python -m tests.gui.dense GOOD BAD SCRATCH PICTURES W H STATE

Prints the density and what is cut.
"""

from __future__ import annotations

import sys
from pathlib import Path

from gui.shots import take
from proofstand.commands.window import WindowOptions
from records.runfile import open_run
from tests.gui.fits import cut, settled, taken_down
from tests.gui.states import STATES, Clock, Scene, window_of


def main(given: list[str]) -> None:
    """Bring each state about and look at it."""
    good, bad, scratch, pictures = map(Path, given[:4])
    size = (int(given[4]), int(given[5]))
    runs = open_run(good), open_run(bad)
    told: list[str] = []
    for name in given[6:]:
        window = window_of(WindowOptions(light=True), size)
        if not told:
            told.append(f"density {window.devicePixelRatioF():g}")
        folder = scratch / name
        folder.mkdir()
        STATES[name](Scene(window, good, runs[0], bad, runs[1], folder, Clock()))
        settled()
        take(window, pictures / f"{name}.png")
        told += [f"{name}: {each}" for each in cut(window)]
        taken_down(window)
    print("\n".join(told))


if __name__ == "__main__":
    main(sys.argv[1:])
