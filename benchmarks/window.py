"""The window: how soon it is there, what a frame and a key cost, and what a day keeps.

Drawn off screen; figures of drawing are processor time, which a busy computer changes
less than the clock on the wall.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from records.trace import FloatArray, Trace

from .table import Row

if TYPE_CHECKING:
    from gui.history import History
    from gui.trace_plot import LaneToDraw, TracePlot

WIDTH, HEIGHT = 1600, 900
CURVES = 4
POINTS = 10_000_000
RATE_HZ = 1000.0
AT_MOST_TIMES = 1.5  # the ready-made drawing
KEY_MS = 30.0
TURN = 10  # frames


def first_paint(short: bool) -> Row:
    """Processes from their start to their first paint, by turns."""
    times = 7 if short else 21
    bare, ours = [], []
    for which in ("bare", "ours"):
        _seconds(which)  # writes the bytecode, which every later start finds there
    for _ in range(times):
        bare.append(_seconds("bare"))
        ours.append(_seconds("ours"))
    return Row(
        what="first paint of the window / bare Qt window",
        ratio=statistics.median(ours) / statistics.median(bare),
        goal=1.5,
        how=f"CPU from the start of the program, medians of {times}; "
        f"bare {statistics.median(bare) * 1e3:.0f} ms",
    )


def _seconds(which: str) -> float:
    """Return the CPU seconds of a process from its start to its first paint."""
    env = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    env["QT_QPA_PLATFORM"] = "offscreen"
    before = _children_s()
    subprocess.run(
        (sys.executable, "-m", "benchmarks.first_paint", which),
        env=env,
        stdin=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,  # off screen it says what it can't do
        check=True,
    )
    return _children_s() - before


def _children_s() -> float:
    """Return the CPU seconds of processes that were waited for."""
    if sys.platform == "win32":
        times = os.times()
        return times.children_user + times.children_system
    import resource  # finer than the ticks of the other

    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


# --- a frame -------------------------------------------------------------------------


def frame(short: bool) -> Row:
    """Four curves over all of their points, against plain curves made ready."""
    os.environ["QT_QPA_PLATFORM"] = "offscreen"
    frames = 160 if short else 800
    histories = [_long_history(seed, POINTS) for seed in range(CURVES)]
    stop_s = POINTS / RATE_HZ
    made = [h.drawn(0.0, stop_s, WIDTH) for h in histories]
    plot, lanes = _plot()
    plain = _Plain(made)
    ours, ready = [], []
    for number in range(frames):  # some of each by turns, for a busy moment hits both
        now_s = stop_s + 0.05 * number
        more = now_s + np.arange(50) / RATE_HZ
        for history in histories:
            history.add(_trace(more, np.sin(more / 900.0)))
        if number % (2 * TURN) < TURN:
            ours.append(_drawn(plot, lanes, histories, now_s))
        else:
            ready.append(plain.drawn(0.05 * number))
    plot.close()
    plain.close()
    mine, theirs = statistics.median(ours) * 1e3, statistics.median(ready) * 1e3
    return Row(
        what=f"frame of {CURVES} curves of {POINTS / 1e6:.0f} million points, CPU / "
        "ready-made drawing",
        ratio=mine / theirs,
        goal=AT_MOST_TIMES,
        how=f"{mine:.1f} ms; plain curves of {made[0][0].size} points "
        f"{theirs:.1f} ms; {WIDTH}x{HEIGHT}, medians of {len(ours)}",
    )


class _Plain:
    """The plotting library's own curves, of points that need no choosing."""

    def __init__(self, made: Sequence[tuple[FloatArray, FloatArray]]) -> None:
        import pyqtgraph as pg

        self._made = made
        self._plot = pg.PlotWidget()
        self._plot.resize(WIDTH, HEIGHT)
        self._curves = [pg.PlotCurveItem() for _ in made]
        for curve in self._curves:
            self._plot.addItem(curve)
        self._plot.show()

    def drawn(self, later_s: float) -> float:
        """Return the CPU seconds of one frame."""
        from PySide6.QtWidgets import QApplication

        began = time.process_time()
        for curve, (t, value) in zip(self._curves, self._made, strict=True):
            curve.setData(t + later_s, value)
        QApplication.processEvents()
        return time.process_time() - began

    def close(self) -> None:
        """Close the plot."""
        self._plot.close()


def _trace(t: FloatArray, value: FloatArray) -> Trace:
    return Trace("c", t, value, np.zeros(t.size, np.uint8))


def _long_history(seed: int, points: int) -> History:
    from gui.history import History

    history, rng = History(), np.random.default_rng(seed)
    many = 500_000
    for first in range(0, points, many):
        t = np.arange(first, first + many) / RATE_HZ
        history.add(_trace(t, np.sin(t / 900.0) + 0.02 * rng.normal(size=many)))
    return history


def _plot() -> tuple[TracePlot, list[LaneToDraw]]:
    from gui.application import made_application
    from gui.theme import Theme, inks_for
    from gui.trace_plot import LaneToDraw, TracePlot

    made_application()
    theme = Theme(inks_for(light=True, dark=False))
    lanes = [
        LaneToDraw(
            key=str(number),
            ink=theme.inks.ink,
            low=-1.2,
            high=1.2,
            ticks=((-1.0, "-1"), (0.0, "0"), (1.0, "1")),
            factor=1.0,
            offset=0.0,
            zones=(),
            intervals=(),
            large=number == 0,
            dot=True,
        )
        for number in range(CURVES)
    ]
    plot = TracePlot(theme)
    plot.resize(WIDTH, HEIGHT)
    plot.show()
    return plot, lanes


def _drawn(
    plot: TracePlot,
    lanes: Sequence[LaneToDraw],
    histories: Sequence[History],
    now_s: float,
) -> float:
    """Return the CPU seconds of one frame, from the change to the end of its paint."""
    from PySide6.QtWidgets import QApplication

    def history(key: str) -> History:
        return histories[int(key)]

    began = time.process_time()
    plot.draw(lanes, history, 0.0, now_s, glide=False)
    QApplication.processEvents()
    return time.process_time() - began


# --- a key ---------------------------------------------------------------------------


def key(short: bool) -> Row:
    """Keys on the start sheet and in a test, to the end of their paint."""
    times = 10 if short else 50
    env = {**os.environ, "QT_QPA_PLATFORM": "offscreen"}
    done = subprocess.run(
        (sys.executable, "-m", "benchmarks.keys", str(times)),
        env=env,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        check=True,
    )
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    worst = max(found, key=lambda name: found[name])
    each = ", ".join(f"{name} {ms:.0f}" for name, ms in found.items())
    return Row(
        what=f"key to end of paint, CPU of the window's thread / {KEY_MS:g} ms",
        ratio=found[worst] / KEY_MS,
        goal=1.0,
        how=f"worst of medians of {times}, ms: {each}",
    )


# --- memory --------------------------------------------------------------------------


def memory(short: bool) -> list[Row]:
    """Eight channels at 1 kHz, fed as fast as the window takes them."""
    hours = 2.0 if short else 8.0
    env = {**os.environ, "QT_QPA_PLATFORM": "offscreen"}
    with tempfile.TemporaryDirectory() as folder:
        env["PROOFSTAND_HOME"] = folder
        done = subprocess.run(
            (sys.executable, "-m", "benchmarks.window_memory", folder, str(hours)),
            env=env,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            check=True,
        )
    seen = np.array(json.loads(done.stdout.splitlines()[-1]))
    late = seen[seen[:, 0] > 0.5 * hours]
    slope = float(np.polyfit(late[:, 0], late[:, 1], 1)[0])
    how = f"{hours:g} h of 8 channels at 1 kHz in {seen[-1, 2]:.0f} s"
    return [
        Row(
            what="memory of the window / 500 MB",
            ratio=float(seen[:, 1].max()) / 500.0,
            goal=1.0,
            how=f"{how}; most {seen[:, 1].max():.0f} MB, at first {seen[0, 1]:.0f}",
        ),
        Row(
            what="memory of the window / MB per rig hour",
            ratio=max(slope, 0.0),
            goal=1.0,
            how=f"{how}; slope of the last half",
        ),
    ]


if __name__ == "__main__":
    from .table import table

    short = "--short" in sys.argv
    rows = [measure(short) for measure in (first_paint, frame, key)]
    print(table([*rows, *memory(short)]))
