"""What a key costs the window's own thread, from the event to the end of its paint.

    python -m benchmarks.keys TIMES

Prints the median of each sort of key in milliseconds of CPU, as JSON. The start sheet
is filled in for a simulated rig; the test is a recorded one, stopped in its middle.
"checked" is the look at all fields a moment after the last key.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import date
from itertools import takewhile
from pathlib import Path

from PySide6.QtCore import QEvent, QEventLoop, QObject, QSize, Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QApplication, QWidget

from gui.app import Window
from gui.application import made_application
from gui.bench_desk.presenter import Presenter
from gui.session_thread import SessionThread, ThreadEvent, replayed
from proofstand.commands.window import WindowOptions
from proofstand.session import Asked, Closed, Marked, Sampled
from proofstand.simulated import JOB_TEXT, simulate
from records.run import MarkKind, Request, Run
from records.runfile import open_run
from rig.simulator.rigtext import rig_text

SIZE = QSize(1920, 1080)
PAINT_S = 0.25  # a key that paints nothing is waited for so long
ON = "lockup-2"  # the step that is on


def _half(run: Run) -> Iterator[ThreadEvent]:
    """Give a run up to the first request of a step, confirmed by nobody yet."""
    before = takewhile(lambda m: m.step != ON, run.marks)
    begin = next(m for m in run.marks if m.step == ON and m.kind is MarkKind.STEP_BEGIN)
    for event in replayed(run):
        if isinstance(event, Sampled):
            traces = {id: t.between(0.0, begin.t_s) for id, t in event.traces.items()}
            yield Sampled(event.part, traces)
        elif not isinstance(event, Marked | Closed):
            yield event
    yield from map(Marked, before)
    yield Marked(begin)
    yield Asked(Request(id="r", step=ON, act="set_inlet", confirm=True))


class _Painted(QObject):
    """Counts how often a window was brought up to date."""

    def __init__(self, window: QWidget) -> None:
        super().__init__()
        self.times = 0
        window.installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802
        """Count, and let everything pass."""
        if event.type() is QEvent.Type.UpdateRequest:
            self.times += 1
        return False


def _settle(seconds: float) -> None:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        QApplication.processEvents()
        time.sleep(0.001)


def _cost(widget: QWidget, key: Qt.Key, text: str, painted: _Painted) -> float:
    """Return the CPU of this thread, in ms, from the key to the end of its paint."""
    before, until = painted.times, time.monotonic() + PAINT_S
    began = time.thread_time()
    for kind in (QEvent.Type.KeyPress, QEvent.Type.KeyRelease):
        event = QKeyEvent(kind, key, Qt.KeyboardModifier.NoModifier, text)
        QApplication.sendEvent(widget, event)
    while painted.times == before and time.monotonic() < until:
        QApplication.processEvents(QEventLoop.ProcessEventsFlag.WaitForMoreEvents, 5)
    return (time.thread_time() - began) * 1e3


def main(times: int) -> None:
    """Press the keys and print what they cost."""
    made_application()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rig, job = folder / "rig.toml", folder / "job.toml"
        rig.write_text(rig_text("127.0.0.1", 502, 1.0, date.today()), "utf-8")
        job.write_text(JOB_TEXT, "utf-8")
        simulate(
            family="second-stage",
            plan_name=None,
            faults=(),
            seed=1,
            out=folder / "run.h5",
        )
        window = Window(
            WindowOptions(
                rig=str(rig), job=str(job), out=str(folder / "new.h5"), light=True
            ),
            SIZE,
        )
        window.show()
        painted = _Painted(window)
        found = _typed(window, times, painted)
        now = [0.0]
        presenter = Presenter(clock=lambda: now[0])
        events = list(_half(open_run(folder / "run.h5")))
        presenter.take(events)
        window.follow(SessionThread(lambda tell, commands: None), presenter)
        _settle(0.5)
        for label, key in (
            ("confirm", Qt.Key.Key_Return),
            ("burst hose", Qt.Key.Key_F1),
            ("go back", Qt.Key.Key_F3),
        ):
            costs = []
            for _ in range(times):
                presenter.take(events[-1:])
                now[0] += 10.0
                _settle(0.15)
                costs.append(_cost(window, key, "", painted))
                window.keep_on()
                window.setFocus()
                _settle(0.15)
            found[label] = statistics.median(costs)
        window.wait_for_threads()
        window.close()
    print(json.dumps(found))


def _typed(window: Window, times: int, painted: _Painted) -> dict[str, float]:
    field = window.start.fields["by"]
    field.setFocus()
    typed, checked = [], []
    for _ in range(times):
        _settle(0.5)
        typed.append(_cost(field, Qt.Key.Key_A, "a", painted))
        began = time.thread_time()
        window.start.look_now()
        QApplication.processEvents()
        checked.append((time.thread_time() - began) * 1e3)
    return {
        "typed": statistics.median(typed),
        "checked": statistics.median(checked),
    }


if __name__ == "__main__":
    main(int(sys.argv[1]))
