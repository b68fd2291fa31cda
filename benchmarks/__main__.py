"""Run the benchmarks and print their table: `python -m benchmarks [--short]`.

`python -m benchmarks estimators` counts how right the findings are instead.
Exit code 0; 1 where a figure is twice its goal or worse; 2 on a wrong word.
A further figure is one function in a module of its own, listed in `ROWS`.
"""

import sys
from collections.abc import Callable
from functools import partial

from . import archive
from .help_start import help_start
from .memory import memory_slope
from .recorded import file_size, reading_back, recording_cpu
from .rtu_polls import rtu_polls
from .simulation import many_regulators, one_regulator
from .table import Row, table
from .tcp_loop import tcp_loop
from .text_stream import text_stream

ROWS: tuple[Callable[[bool], Row], ...] = (
    help_start,
    partial(rtu_polls, baud=9600, share=0.95),
    partial(rtu_polls, baud=19_200, share=0.95),
    partial(rtu_polls, baud=115_200, share=0.90),
    tcp_loop,
    text_stream,
    recording_cpu,
    file_size,
    reading_back,
    memory_slope,
    one_regulator,
    many_regulators,
    *(
        partial(measure, database=database)
        for database in ("SQLite", "PostgreSQL")
        for measure in (archive.by_serial, archive.page, archive.summary)
    ),
)


def main(words: list[str]) -> int:
    """Measure every row, print the table, and return the exit code."""
    if words[:1] == ["estimators"]:
        from .estimators.command import main as estimators

        return estimators(words[1:])
    if any(word != "--short" for word in words):
        print("benchmarks: takes --short or nothing", file=sys.stderr)
        return 2
    rows = [measure(bool(words)) for measure in ROWS]
    print(table(rows))
    return 1 if any(row.standing == "FAILED" for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
