"""Pictures of the window at chosen moments, for scripts that make documents and tests.

The window that is pictured is the real one: a real session drives it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from pathlib import Path

from PySide6.QtCore import QEventLoop, QSize

from proofstand.commands.window import WindowOptions

from .app import Window, made_application
from .bench_desk.screen import Phase, Screen

Moment = Callable[[Screen], bool]
WAIT_S = 180.0


def in_hold(step: str, share: float) -> Moment:
    """Return the moment at which a step's hold has been held for this share."""

    def now(screen: Screen) -> bool:
        hold = screen.action.hold
        return (
            _on(screen) == step
            and hold is not None
            and hold.held_s >= share * hold.total_s
            and screen.action.second != ""
        )

    return now


def asking(step: str, first: str) -> Moment:
    """Return the moment at which a step asks for an action that begins so."""
    return lambda screen: _on(screen) == step and screen.action.first.startswith(first)


def over(screen: Screen) -> bool:
    """Return whether the verdict stands and its paper is made or can be."""
    return screen.phase is Phase.OVER


def failed(screen: Screen) -> bool:
    """Return whether the test failed for the rig."""
    return screen.phase is Phase.FAILED


def in_trouble(screen: Screen) -> bool:
    """Return whether a grave trouble is shown."""
    return screen.strip is not None and screen.strip.grave


def _on(screen: Screen) -> str:
    steps = screen.picture.steps if screen.picture is not None else ()
    return next((cell.id for cell in steps if cell.stop_s is None), "")


def take(window: Window, path: Path) -> None:
    """Save a picture of the window as it is now."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if not window.grab().save(str(path)):
        raise OSError(f"{path} can't be written")


def settle(window: Window, seconds: float = 0.3) -> None:
    """Let the window go on for a while."""
    app = made_application()
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        app.processEvents(QEventLoop.ProcessEventsFlag.AllEvents, 20)
        time.sleep(0.005)


def drive(
    options: WindowOptions,
    folder: Path,
    moments: Mapping[str, Moment],
    *,
    size: tuple[int, int] = (1366, 768),
    wait_s: float = WAIT_S,
    act: Callable[[Window], None] = lambda window: None,
) -> list[Path]:
    """Open the window, let it do what the options say, and picture each moment once.

    Args:
        options: as the command has them.
        folder: where the pictures go.
        moments: name of each picture and when to take it, in the order they come.
        size: of the window, pixels.
        wait_s: after so long the rest is given up.
        act: called at each beat, to press things.

    Returns:
        The pictures taken; ``start.png`` is taken first of all when it is asked for
        by the name ``start``.
    """
    made_application()
    window = Window(options, QSize(*size))
    window.show()
    settle(window)
    taken: list[Path] = []
    left = dict(moments)
    if "start" in left:
        del left["start"]
        taken.append(folder / "start.png")
        take(window, taken[-1])
    if left:
        window.open_as_asked()
    until = time.monotonic() + wait_s
    while left and time.monotonic() < until:
        settle(window, 0.05)
        act(window)
        screen = window.screen_now
        if screen is None:
            continue
        for name in [name for name, moment in left.items() if moment(screen)]:
            del left[name]
            settle(window, 0.4)
            taken.append(folder / f"{name}.png")
            take(window, taken[-1])
    window.end_and_close()
    while window.isVisible():
        settle(window, 0.05)
    window.wait_for_threads()
    window.deleteLater()
    return taken
