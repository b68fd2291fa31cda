"""Run the benchmarks and print their table: `python -m benchmarks [--short]`.

A word after it measures one thing at length instead, by many simulated tests:
`estimators` (how right the findings are), `hands` (what is seen of what hands do),
`verdicts` (how often a test passes), `diagnosis` (how often the right cause is named),
`rig-time` (how long a regulator is on the rig), `engine` (what leading a test costs),
`archive` (finding in an index of many runs).
Exit code 0; 1 where a figure is twice its goal or worse; 2 on a wrong word.
A further figure is one function in a module of its own, listed in `ROWS`.
"""

import importlib
import sys
from collections.abc import Callable
from functools import partial

from . import archive, window
from .certificate import signed_page
from .diagnosis import diagnosis_rows
from .engine import engine_cpu
from .hands import handled_rows
from .help_start import help_start
from .memory import memory_slope
from .recorded import file_size, reading_back, recording_cpu
from .records_desk import first_page
from .rejudging import two_cores
from .rig_time import low_pressure_rig_time
from .rtu_polls import rtu_polls
from .simulation import many_regulators, one_regulator
from .table import Row, table
from .tcp_loop import tcp_loop
from .text_stream import text_stream
from .verdicts import verdict_rows

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
    engine_cpu,
    low_pressure_rig_time,
    signed_page,
    two_cores,
    window.first_paint,
    window.frame,
    window.key,
    first_page,
    *(
        partial(archive.measured, measure=measure, database=database)
        for database in archive.DATABASES
        for measure in archive.MEASURES
    ),
)
# Each gives several rows.
GROUPS: tuple[Callable[[bool], list[Row]], ...] = (
    window.memory,
    handled_rows,
    verdict_rows,
    diagnosis_rows,
)
# What is measured at length instead: a module with ``main(words)``.
AT_LENGTH = {
    "archive": "archive",
    "diagnosis": "diagnosis",
    "estimators": "estimators.command",
    "hands": "hands",
    "verdicts": "verdicts",
    "rig-time": "rig_time",
}


def main(words: list[str]) -> int:
    """Measure every row, print the table, and return the exit code."""
    if words[:1] and words[0] in AT_LENGTH:
        module = importlib.import_module(f"benchmarks.{AT_LENGTH[words[0]]}")
        code: int = module.main(words[1:])
        return code
    only = words[:1] == ["engine"]
    short = "--short" in words
    if any(word != "--short" for word in words[only:]):
        known = ", ".join([*AT_LENGTH, "engine"])
        print(f"benchmarks: takes --short, nothing, or {known}", file=sys.stderr)
        return 2
    rows = [measure(short) for measure in ((engine_cpu,) if only else ROWS)]
    if not only:
        rows += [row for measure in GROUPS for row in measure(short)]
    print(table(rows))
    return 1 if any(row.standing == "FAILED" for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
