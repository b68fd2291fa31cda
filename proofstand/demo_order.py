"""What a recorder is told to do where it is a demo, and in which folder."""

from __future__ import annotations

from pathlib import Path

from records.errors import InputError

from .at_work import Order

FOLDER = "proofstand-demo"
RUN = "run.h5"
BY = "simulated hands"


def free_folder(wanted: Path | None) -> Path:
    """Return the folder to use: the one wanted, or the next free default one.

    Raises:
        InputError: the wanted one exists and is not an empty folder.
    """
    if wanted is not None:
        if wanted.exists() and not (wanted.is_dir() and not any(wanted.iterdir())):
            raise InputError("file_exists", where=str(wanted), what="folder")
        return wanted
    number = 1
    while True:
        folder = Path(FOLDER if number == 1 else f"{FOLDER}-{number}")
        if not folder.exists():
            return folder
        number += 1


def demo_order(folder: Path) -> Order:
    """Return the order for a recorder to make a demo in a folder."""
    return Order(out=folder / RUN, by=BY, key_folder=folder / "key", demo=folder)
