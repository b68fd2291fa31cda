"""What leaves the archive as files: one folder for all of it, said what lies there.

Nothing is overwritten, and nothing is put into the archive's own folder. Knows no Qt.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from proofstand.keeping.bundle import write_bundle
from records.archive.entry import safe_name
from records.archive.found import RunFound
from records.errors import InputError, ProofstandError
from records.runfile import write_once

from ..background import Background, Handle
from .shelf import Shelf
from .wording import said, told

_NAMED = 2
Make = Callable[[Handle, Path], Sequence[Path]]


class Saving:
    """Writes files beside the window, one piece of work after the other.

    Args:
        shelf: the archive that they come from.
        folder: where they go at first.
    """

    def __init__(self, shelf: Shelf, folder: Path) -> None:
        self._shelf = shelf
        self._work = Background()
        self._doing = False
        self.folder = str(folder)
        self.said, self.wrong = "", False
        self.changed = True

    def type(self, text: str) -> None:
        """Take which folder is meant."""
        self.folder = text
        self.said, self.wrong = "", False

    def save(self, make: Make) -> None:
        """Make files in the folder; one that is being made is never cut off."""
        if self._doing:
            return
        folder = Path(self.folder.strip() or ".").expanduser()
        self._doing = True
        self.said, self.wrong, self.changed = said("saving"), False, True

        def work(handle: Handle) -> tuple[Path, ...]:
            _refuse(folder, self._shelf)
            return tuple(make(handle, folder))

        self._work.run(work, self._done, self._failed)

    def _done(self, made: tuple[Path, ...]) -> None:
        names = ", ".join(path.name for path in made[:_NAMED])
        if len(made) > _NAMED:
            names = said("saved_more", names=names, n=len(made) - _NAMED)
        self._doing, self.changed = False, True
        self.said = said("saved", names=names, folder=made[0].parent if made else "")

    def _failed(self, error: ProofstandError) -> None:
        what, do = told(error)
        self._doing, self.changed = False, True
        self.said, self.wrong = f"{what} {do}", True

    @property
    def busy(self) -> bool:
        """Something is being written."""
        return self._work.busy

    def take(self) -> None:
        """Take what came of it."""
        self.changed = self._work.take() or self.changed

    def let_go(self) -> None:
        """Leave what is being written to its end."""

    def wait(self) -> None:
        """Let nothing outlive the window."""
        self._work.wait()


def _refuse(folder: Path, shelf: Shelf) -> None:
    """Refuse a folder that is not there, or that is the archive's own.

    Raises:
        InputError: ``file_unwritable``.
    """
    archive = shelf.home.archive.folder.resolve()
    why = ""
    if not folder.is_dir():
        why = said("no_folder")
    elif folder.resolve().is_relative_to(archive):
        why = said("own_folder")
    if why:
        raise InputError("file_unwritable", where=str(folder), what="file", why=why)


def free_name(folder: Path, stem: str, ending: str) -> Path:
    """Return a free name in a folder."""
    stem, number = safe_name(stem), 1
    while True:
        tail = "" if number == 1 else f"-{number}"
        found = folder / f"{stem}{tail}{ending}"
        if not found.exists():
            return found
        number += 1


def written(stem: str, files: Sequence[tuple[str, Callable[[], bytes]]]) -> Make:
    """Return what writes files of one name, each with its ending."""

    def make(handle: Handle, folder: Path) -> list[Path]:
        made = []
        for ending, data in files:
            out = free_name(folder, stem, ending)
            write_once(out, data(), "file")
            made.append(out)
        return made

    return make


def bundles(shelf: Shelf, runs: Sequence[RunFound]) -> Make:
    """Return what writes a bundle of each run, which ``verify`` checks anywhere."""

    def make(handle: Handle, folder: Path) -> list[Path]:
        made = []
        keys = [] if shelf.key is None else [shelf.key]
        for run in runs:
            with shelf.index() as index:
                listed = index.entries(run=run.run)
            out = free_name(folder, f"{run.serial}-{run.run}", ".zip")
            write_bundle(shelf.home.archive, run.run, listed, out, keys)
            made.append(out)
        return made

    return make
