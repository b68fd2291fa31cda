"""Where drills, their runs and what trainees made of them lie, in one folder.

Files are named by the drill's own hash, so that no name tells what is wrong and none
comes from somebody else's file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from records.drill import Drill
from records.drillfile import read_drill, write_drill
from records.errors import InputError, ProofstandError, Trouble
from records.runfile import read_sealed, write_once

from .drilling import run_of_drill
from .places import made, practice_dir
from .review.sheet import Done, class_table, in_order, read_score, score_text
from .words.sentences import trouble

_MOST_BESIDE = 60  # run files that are looked at beside a drill


@dataclass(frozen=True, slots=True)
class KeptDrill:
    """A drill and its file."""

    path: Path
    drill: Drill


def _stem(drill: Drill) -> str:
    return drill.sha256[:16]


class PracticeFolder:
    """The folder; nothing is made before something is written.

    Args:
        folder: the user's own if None.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = practice_dir() if folder is None else folder

    # --- drills ----------------------------------------------------------------------

    def drills(self) -> tuple[list[KeptDrill], list[Trouble]]:
        """Return the drills by title, and what could not be read as one."""
        found, unread = [], []
        for path in sorted((self.folder / "drills").glob("*.toml")):
            try:
                found.append(KeptDrill(path, read_drill(path)))
            except ProofstandError as error:
                unread.append(trouble(error))
        found.sort(key=lambda kept: (kept.drill.made, kept.drill.title), reverse=True)
        return found, unread

    def keep_drill(self, drill: Drill) -> KeptDrill:
        """Write a drill that was made.

        Raises:
            InputError: ``file_unwritable``.
        """
        path = self._place("drills") / f"{drill.id}.toml"
        write_drill(path, drill)
        return KeptDrill(path, read_drill(path))

    def take_in(self, path: Path) -> KeptDrill:
        """Take a copy of a drill file from elsewhere, and of its stored run beside it.

        Raises:
            InputError: no drill, a newer one, or its run is missing.
            IntegrityError: ``drill_changed``.
        """
        drill = read_drill(path)
        for kept in self.drills()[0]:
            if kept.drill.sha256 == drill.sha256:
                return kept
        if drill.run:
            self.take_run(drill, self._beside(drill, path))
        copy = self._place("drills") / f"{_stem(drill)}.toml"
        write_once(copy, path.read_bytes(), "drill")
        return KeptDrill(copy, drill)

    def _beside(self, drill: Drill, path: Path) -> Path:
        """Return the run file of a drill that lies in the drill's own folder."""
        for beside in sorted(path.parent.glob("*.h5"))[:_MOST_BESIDE]:
            try:
                run_of_drill(drill, beside, str(path))
            except ProofstandError:
                continue
            return beside
        raise InputError("drill_run_missing", where=str(path), run=drill.run)

    # --- runs ------------------------------------------------------------------------

    def run_path(self, drill: Drill) -> Path:
        """Return where the run of a drill lies, or is to be made."""
        return self.folder / "runs" / f"{_stem(drill)}.h5"

    def run_place(self, drill: Drill) -> Path:
        """Return the same, its folder made.

        Raises:
            InputError: ``file_unwritable``.
        """
        self._place("runs")
        return self.run_path(drill)

    def free_run(self, drill: Drill) -> Path:
        """Return where a run is to be made that somebody works by hand.

        Raises:
            InputError: ``file_unwritable``.
        """
        return self._free(self._place("runs"), f"{_stem(drill)}-by-hand", ".h5")

    def take_run(self, drill: Drill, path: Path) -> None:
        """Keep a copy of the stored run that a drill is.

        Raises:
            InputError, IntegrityError: it is of another run, or was changed.
        """
        run_of_drill(drill, path, str(path))
        copy = self.run_place(drill)
        if not copy.exists():
            write_once(copy, path.read_bytes(), "run file")
            read_sealed(copy)

    # --- scores ----------------------------------------------------------------------

    def keep_score(self, drill: Drill, document: Mapping[str, Any]) -> Path:
        """Write what a trainee made of a drill; return its file.

        Raises:
            InputError: ``file_unwritable``.
        """
        path = self._free(self._place("scores"), _stem(drill), ".json")
        write_once(path, score_text(document).encode("utf-8"), "score")
        return path

    def scores(self) -> tuple[list[Done], list[Trouble]]:
        """Return what was done, by trainee and time, and what is no score."""
        found, unread = [], []
        for path in sorted((self.folder / "scores").glob("*.json")):
            try:
                found.append(read_score(path))
            except ProofstandError as error:
                unread.append(trouble(error))
        return in_order(found), unread

    def keep_table(self, *, answers: bool = False) -> Path:
        """Write all scores as a table; return its file.

        Args:
            answers: name what was wrong with the drills.

        Raises:
            InputError: ``file_unwritable``.
        """
        path = self._free(self._place("tables"), "class", ".csv")
        table = class_table(self.scores()[0], answers=answers)
        write_once(path, table.encode("utf-8"), "file")
        return path

    # --- inside ----------------------------------------------------------------------

    def _place(self, name: str) -> Path:
        try:
            return made(self.folder / name)
        except OSError as error:
            why = error.strerror or str(error)
            where = str(self.folder / name)
            raise InputError("file_unwritable", where=where, why=why) from None

    @staticmethod
    def _free(folder: Path, stem: str, suffix: str) -> Path:
        number = 1
        while (path := folder / f"{stem}-{number}{suffix}").exists() or (
            path.with_suffix(".journal").exists()  # of a test that was left
        ):
            number += 1
        return path
