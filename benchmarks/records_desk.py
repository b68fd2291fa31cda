"""The first page of the Records desk, against the bare question and a bare paint.

The desk's: the question for its first page, the rows and what became of each, the
presenter, and the paint of the table. The bare one: the same text asked of the
database's own driver, all rows fetched, and as many texts drawn by Qt into as many
places. Both take CPU of the window's thread or of the thread that asks, and take turns.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import time
from typing import Any

from .table import Row

RUNS, RUNS_SHORT = 100_000, 20_000
ROUNDS, ROUNDS_SHORT = 60, 25
GOAL = 3.0
SIZE = (1920, 1080)


def first_page(short: bool) -> Row:
    """Return how much longer the desk's first page takes than the bare one."""
    runs = RUNS_SHORT if short else RUNS
    rounds = ROUNDS_SHORT if short else ROUNDS
    done = subprocess.run(
        (sys.executable, "-m", "benchmarks.records_desk", str(runs), str(rounds)),
        env={**os.environ, "QT_QPA_PLATFORM": "offscreen"},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        check=True,
    )
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    how = (
        f"{found['desk_ms']:.1f} ms against {found['sql_ms']:.2f} + "
        f"{found['paint_ms']:.1f}, {found['rows']:.0f} rows of {runs} runs"
    )
    ratio = found["desk_ms"] / (found["sql_ms"] + found["paint_ms"])
    return Row("records desk, first page: times bare query and paint", ratio, GOAL, how)


def _measured(runs: int, rounds: int) -> dict[str, float]:
    from proofstand.commands.window import WindowOptions
    from records.archive.found import Query
    from records.archive.index import page_of

    from . import archive

    made = archive.filled("SQLite", runs)
    if isinstance(made, str):
        raise SystemExit(made)
    index, bare = made
    from gui.application import made_application
    from gui.records_desk.finding import FindPresenter
    from gui.records_desk.model import RecordsModel
    from gui.records_desk.view import RecordsDesk
    from gui.theme import Theme, inks_for, scale_for, sheet

    app = made_application()
    options = WindowOptions(
        archive=index.archive.folder, index=index.shown_url, light=True
    )
    model = RecordsModel(options)
    theme = Theme(inks_for(light=True, dark=False), scale_for(*SIZE))
    desk = RecordsDesk(theme, model)
    desk.setStyleSheet(sheet(theme))
    desk.resize(*SIZE)
    desk.show()
    app.processEvents()
    presenter: FindPresenter = model.find
    desk.come_into_view()
    while model.busy or not presenter.page().rows:
        desk.beat()
        app.processEvents()
    table = desk.finder.table
    cells = [[cell.text for cell in row.cells] for row in table.rows]
    canvas = _canvas(theme, cells, table.size())
    canvas.show()
    app.processEvents()
    question = page_of(Query(most=len(cells)))
    text, values = index.asked(question)
    took: dict[str, list[float]] = {"desk": [], "sql": [], "paint": []}
    for _ in range(rounds):
        began = time.process_time()
        presenter.come_into_view()
        presenter.wait()
        presenter.take()
        desk.finder.show_page(presenter.page())
        table.viewport().repaint()
        took["desk"].append(time.process_time() - began)
        presenter.wait()  # the glance at the folder that follows is no part of it
        began = time.process_time()
        bare.execute(text, values).fetchall()
        took["sql"].append(time.process_time() - began)
        began = time.process_time()
        canvas.repaint()
        took["paint"].append(time.process_time() - began)
    model.wait()
    found = {f"{name}_ms": 1e3 * statistics.median(t) for name, t in took.items()}
    return {**found, "rows": float(len(cells))}


def _canvas(theme: Any, cells: list[list[str]], size: Any) -> Any:
    """Return a widget that draws the same texts in as many places, and no more."""
    from PySide6.QtCore import QRectF, Qt
    from PySide6.QtGui import QColor, QPainter
    from PySide6.QtWidgets import QWidget

    class Canvas(QWidget):
        def paintEvent(self, event: object) -> None:  # noqa: N802
            """Draw every text in its place."""
            painter = QPainter(self)
            painter.fillRect(self.rect(), QColor(theme.inks.paper))
            painter.setFont(theme.font("text"))
            painter.setPen(QColor(theme.inks.ink))
            high = self.height() / len(cells)
            wide = self.width() / len(cells[0])
            for y, row in enumerate(cells):
                for x, text in enumerate(row):
                    place = QRectF(x * wide, y * high, wide, high)
                    painter.drawText(place, Qt.AlignmentFlag.AlignVCenter, text)

    made = Canvas()
    made.resize(size)
    return made


if __name__ == "__main__":
    print(json.dumps(_measured(int(sys.argv[1]), int(sys.argv[2]))))
