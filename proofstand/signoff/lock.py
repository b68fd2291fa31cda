"""One writer at a time into a folder; the system drops the lock of one that died."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from records.errors import InputError

from ..places import made

NAME = ".lock"
WAIT_S = 60.0
_POLL_S = 0.02


@contextlib.contextmanager
def locked(folder: Path, wait_s: float = WAIT_S) -> Iterator[None]:
    """Hold a private folder's lock while the block runs; the folder is made.

    Raises:
        InputError: ``folder_busy`` or ``file_unwritable``.
    """
    try:
        file = (made(folder, private=True) / NAME).open("a+b")
    except OSError as error:
        raise unwritable(folder, error) from None
    until = time.monotonic() + wait_s
    with file:
        while True:
            try:
                _take(file)
                break
            except OSError:
                if time.monotonic() >= until:
                    raise InputError("folder_busy", where=str(folder)) from None
                time.sleep(_POLL_S)
        try:
            yield
        finally:
            _give_back(file)


def unwritable(path: Path, error: OSError) -> InputError:
    """Return what to tell when something can't be written."""
    return InputError(
        "file_unwritable", where=str(path), why=error.strerror or str(error)
    )


if sys.platform == "win32":
    import msvcrt

    def _take(file: BinaryIO) -> None:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)

    def _give_back(file: BinaryIO) -> None:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _take(file: BinaryIO) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _give_back(file: BinaryIO) -> None:
        fcntl.flock(file, fcntl.LOCK_UN)
