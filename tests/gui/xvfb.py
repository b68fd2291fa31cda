"""An X server without a screen, for windows that are to be real."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import NoReturn


@dataclass(frozen=True, slots=True)
class XServer:
    """Where it answers."""

    display: str

    @property
    def environment(self) -> dict[str, str]:
        """The environment for programs that are to open their windows there."""
        kept = {k: v for k, v in os.environ.items() if k not in _NOT_PASSED}
        return {**kept, "DISPLAY": self.display, "OPENBLAS_NUM_THREADS": "1"}


_NOT_PASSED = ("QT_QPA_PLATFORM", "WAYLAND_DISPLAY")


def without_display() -> dict[str, str]:
    """Return an environment in which no display is named."""
    left = (*_NOT_PASSED, "DISPLAY")
    return {k: v for k, v in os.environ.items() if k not in left}


@contextmanager
def x_server(
    lacks: Callable[[str], NoReturn], size: str = "1366x768"
) -> Iterator[XServer]:
    """Run an X server until the block ends."""
    program = shutil.which("Xvfb")
    if program is None:
        lacks("Xvfb")
    read, write = os.pipe()
    command = [program, "-displayfd", str(write), "-screen", "0", f"{size}x24"]
    process = subprocess.Popen(
        # the last window that closes must not make it begin anew: the next comes soon
        [*command, "-nolisten", "tcp", "-noreset"],
        pass_fds=(write,),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    os.close(write)
    try:
        with os.fdopen(read) as said:
            number = said.readline().strip()
        assert number, "Xvfb did not start"
        yield XServer(f":{number}")
    finally:
        process.terminate()
        process.wait(20)
