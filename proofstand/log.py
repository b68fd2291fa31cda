"""The program's log: for finding our own faults. No measurement is only in here."""

import logging
import logging.handlers
import sys
import time
from pathlib import Path
from typing import TextIO

from records.errors import OurFault

from . import places

_BYTES_PER_FILE = 1_000_000
_OLD_FILES = 5
_LINE = "%(asctime)s.%(msecs)03dZ %(process)d %(levelname)s %(name)s: %(message)s"
_MOMENT = "%Y-%m-%dT%H:%M:%S"


def log_path() -> Path:
    """Return the file that the log is written to."""
    return places.log_dir() / "proofstand.log"


def start_log(level: int = logging.INFO) -> logging.Logger:
    """Send the log of this process to its file; a second call changes nothing.

    A log that can't be written does not stop a test in progress: one line on the
    error output says so, and warnings go there instead.

    Returns:
        The program's own logger.
    """
    root = logging.getLogger()
    ours = logging.getLogger("proofstand")
    if any(isinstance(handler, _LogFile | _Spare) for handler in root.handlers):
        return ours
    # A full disk must spoil the log at most, not print a traceback per line.
    logging.raiseExceptions = False
    logging.captureWarnings(True)
    root.setLevel(level)
    path = log_path()
    handler: logging.Handler
    try:
        places.made(path.parent)
        handler = _LogFile(path)
    except OSError as error:
        print(
            f"The log {path} can't be written ({error.strerror}); going on without it.",
            file=sys.stderr,
        )
        handler = _Spare()
    handler.setFormatter(_utc_lines())
    root.addHandler(handler)
    return ours


def our_fault(error: BaseException) -> OurFault:
    """Return a fault of the program as a trouble; the log has the rest."""
    start_log().error("unexpected fault", exc_info=error)
    return OurFault("our_fault", why=f"{type(error).__name__}: {error}", log=log_path())


class _LogFile(logging.handlers.RotatingFileHandler):
    """The rotating file, told apart from handlers that others may have added."""

    def __init__(self, path: Path) -> None:
        super().__init__(
            path, maxBytes=_BYTES_PER_FILE, backupCount=_OLD_FILES, encoding="utf-8"
        )


class _Spare(logging.StreamHandler[TextIO]):
    """Where warnings go if the file can't be written: the error output."""

    def __init__(self) -> None:
        super().__init__(sys.stderr)
        self.setLevel(logging.WARNING)


def _utc_lines() -> logging.Formatter:
    formatter = logging.Formatter(_LINE, _MOMENT)
    formatter.converter = time.gmtime
    return formatter
