"""A window that follows a journal which grows as fast as it can be taken.

    python -m benchmarks.window_memory FOLDER HOURS

Prints rig hours, resident memory in MB and seconds since the start, as JSON.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from proofstand.at_work import FORMAT, Note, Order, write_note
from proofstand.live_channel import Door
from proofstand.session import Sampled, Started
from proofstand.session_text import Ended
from records.journal import JournalWriter
from records.run import Part
from records.trace import Block

from .memory import resident_mb
from .recorded import CHANNELS, RATE_HZ, ROWS, fast_rig, header

AHEAD_BYTES = 50_000_000
LOOK_S = 0.2


def feed(order: Order, hours: float) -> None:
    """Be a recorder whose rig runs as fast as its watcher follows."""
    door = Door()
    token = door.token.hex()
    write_note(Note(format=FORMAT, order=order, pid=0, port=door.port, token=token))
    head = header(fast_rig())
    writer = JournalWriter(order.journal, head)
    writer.part(Part(number=1, utc_ns=1, host_ns=1, origins={"io": 0}))
    door.tell(Started(head.id, order.journal, head))
    picks, step = np.random.default_rng(1), round(1e9 / RATE_HZ)
    flags = np.zeros((ROWS, CHANNELS), np.uint8)
    raw = picks.random((ROWS, CHANNELS))
    taken = Path(f"{order.journal}.taken")
    written = 0
    for first in range(0, round(hours * 3600.0 * RATE_HZ), ROWS):
        t_ns = np.arange(first, first + ROWS, dtype=np.int64) * step
        writer.block(Block(1, "io", t_ns, np.roll(raw, first // ROWS), flags))
        written += 9 * 8 * ROWS
        if first // ROWS % 100 == 0:
            door.tell(Sampled(1, {}))
            while written - _number_in(taken) > AHEAD_BYTES:
                time.sleep(0.01)
    writer.drop()
    door.tell(Ended())
    door.wait_until_heard(120.0)
    door.close()


def _number_in(path: Path) -> int:
    try:
        return int(path.read_text() or 0)
    except OSError:
        return 0


def watch(order: Order, hours: float) -> None:
    """Follow it in a window, and print what that takes."""
    from PySide6.QtCore import QSize

    from gui.app import Window
    from gui.application import made_application
    from gui.bench_desk.presenter import Presenter
    from gui.session_process import SessionProcess
    from proofstand.commands.window import WindowOptions

    app = made_application()
    window = Window(WindowOptions(light=True), QSize(1366, 768))
    window.show()
    link, presenter = SessionProcess(order, attach=True), Presenter("finding_again")
    began = time.monotonic()
    window.follow(link, presenter)
    taken = Path(f"{order.journal}.taken")
    seen: list[tuple[float, float, float]] = []
    looked = 0.0
    while link.alive or not seen or seen[-1][0] < hours - 0.01:
        app.processEvents()
        time.sleep(0.002)
        now = time.monotonic()
        if now - looked > LOOK_S:
            looked = now
            hour = presenter.now_s / 3600.0
            taken.write_text(str(round(presenter.now_s * RATE_HZ) * 9 * 8))
            if presenter.now_s > 0.0:
                seen.append((hour, resident_mb(), now - began))
        if now - began > 1200.0:
            break
    window.leave_and_close()
    window.wait_for_threads()
    print(json.dumps(seen))


def main(words: list[str]) -> None:
    """Feed or watch."""
    folder, hours = Path(words[0]), float(words[1])
    order = Order(out=folder / "run.h5")
    if words[2:] == ["feed"]:
        feed(order, hours)
        return
    feeder = subprocess.Popen(
        (sys.executable, "-m", "benchmarks.window_memory", *words, "feed")
    )
    try:
        while not order.journal.exists():
            time.sleep(0.05)
        watch(order, hours)
    finally:
        feeder.kill()
        feeder.wait()


if __name__ == "__main__":
    main(sys.argv[1:])
