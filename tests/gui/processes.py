"""What runs and names a folder, so that nothing outlives its test."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

WAIT_S = 40.0
END_S = 15.0


def programs_about(folder: Path) -> list[str]:
    """Return the command lines of what runs and names this folder."""
    found = []
    for entry in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = entry.read_bytes().replace(b"\0", b" ").decode(errors="replace")
        except OSError:
            continue
        if f"{folder}/" in words and str(os.getpid()) != entry.parent.name:
            found.append(words)
    return found


def programs_left(folder: Path) -> list[str]:
    """Return the same once what is only just ending has had its time."""
    until = time.monotonic() + END_S
    while (left := programs_about(folder)) and time.monotonic() < until:
        time.sleep(0.05)
    return left


def wait_until(seen: Callable[[], bool], what: str, seconds: float = WAIT_S) -> None:
    """Wait for something, and fail when it does not come."""
    until = time.monotonic() + seconds
    while not seen():
        assert time.monotonic() < until, f"not within {seconds} s: {what}"
        time.sleep(0.05)
