"""Room on the disk while a test is recorded: said long before it is full."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

LOOK_S = 5.0
# Less than this is told; the sealed file, which takes as much again, is counted in.
LEAST_S = 3600.0
SPARE_BYTES = 64_000_000  # for everything else that is written meanwhile
FIRST_S = 20.0  # no rate is known before that
# Keys of the note: bytes that are free, and for how many seconds they last.
FREE, LASTS_S = "disk_free_bytes", "disk_lasts_s"


def _free(folder: Path) -> int:
    return shutil.disk_usage(folder).free


class Room:
    """Looks at the disk that a journal grows on.

    Args:
        journal: what grows.
        free: bytes that are free in a folder.
        clock: seconds, only ever forward.
    """

    def __init__(
        self,
        journal: Path,
        free: Callable[[Path], int] = _free,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._journal = journal
        self._free = free
        self._clock = clock
        self._began_s = self._looked_s = clock()
        self._began_size = -1
        self._told_s: float | None = None

    def look(self) -> dict[str, str] | None:
        """Return what is to be noted, once it changes; at most every few seconds.

        Told is that the room lasts for less than an hour, again each time that it has
        halved, and that there is enough again (``disk_lasts_s`` is then empty).
        """
        now = self._clock()
        if self._began_size >= 0 and now - self._looked_s < LOOK_S:
            return None
        self._looked_s = now
        with suppress(OSError):
            size = self._journal.stat().st_size
            if self._began_size < 0:
                self._began_size = size
            free = self._free(self._journal.parent)
            return self._told(now, size, free)
        return None

    def _told(self, now: float, size: int, free: int) -> dict[str, str] | None:
        left = free - size - SPARE_BYTES
        lasts_s = 0.0 if left <= 0 else LEAST_S
        if left > 0 and now - self._began_s >= FIRST_S:
            rate = (size - self._began_size) / (now - self._began_s)
            lasts_s = left / (2.0 * rate) if rate > 0.0 else LEAST_S
        before = self._told_s
        if lasts_s >= LEAST_S:
            if before is None:
                return None
            self._told_s = None
            return {FREE: str(free), LASTS_S: ""}
        if before is not None and lasts_s > 0.5 * before - 1e-9:
            return None
        if before == 0.0:
            return None
        self._told_s = lasts_s
        return {FREE: str(free), LASTS_S: f"{lasts_s:.0f}"}
