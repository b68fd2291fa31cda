"""How long `proofstand --help` takes, in starts of the bare interpreter."""

import os
import statistics
import subprocess
import sys
import time

from .table import Row

BARE = (sys.executable, "-c", "pass")
HELP = (sys.executable, "-m", "proofstand", "--help")


def help_start(short: bool) -> Row:
    """Compare the command line's help with a bare start of the same Python."""
    times = 9 if short else 31
    _seconds(HELP)  # writes the bytecode, which every later start finds there
    bare, helped = [], []
    for _ in range(times):  # by turns, so that a busy moment hits both alike
        bare.append(_seconds(BARE))
        helped.append(_seconds(HELP))
    return Row(
        what="proofstand --help / bare start",
        ratio=statistics.median(helped) / statistics.median(bare),
        goal=15.0,
        how=f"medians of {times} starts; bare {statistics.median(bare) * 1e3:.0f} ms",
    )


def _seconds(command: tuple[str, ...]) -> float:
    env = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    began = time.perf_counter()
    subprocess.run(
        command,
        env=env,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        check=True,
    )
    return time.perf_counter() - began
