"""The archive that the desk looks into; its index is opened once. Knows no Qt."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from proofstand.keeping.home import Home, home, index_of
from records.archive.index import Damaged, Index
from records.errors import InputError, ProofstandError


class Shelf:
    """One archive with its index, for threads that ask one after the other.

    Args:
        folder: of the archive, or None for the shop's.
        url: of its index, "" for the one that goes with it.
        key: folder of the key that signs what is kept, or None for the shop's.
    """

    def __init__(
        self, folder: Path | None = None, url: str = "", key: Path | None = None
    ) -> None:
        self.folder, self.key = folder, key
        self._url = url
        self._lock = threading.Lock()
        self._index: Index | None = None

    @property
    def home(self) -> Home:
        """Where the archive is; it need not be there.

        Raises:
            InputError: the settings can't be read.
        """
        return home(self.folder, self._url)

    @property
    def shown(self) -> str:
        """Where the archive is, in words."""
        try:
            return str(self.home.archive.folder)
        except ProofstandError:
            return ""

    @contextmanager
    def index(
        self, told: Callable[[int], None] = lambda lines: None
    ) -> Iterator[Index]:
        """Give the index, brought up to the archive, to one thread at a time.

        Args:
            told: is called with the number of the chain's lines that were read so far.

        Raises:
            InputError: there is no archive (``archive_missing``), or the database can't
                be used. IntegrityError: the chain was changed.
        """
        with self._lock:
            where = self.home
            if not where.archive.exists:
                self._close()
                raise InputError("archive_missing", where=str(where.archive.folder))
            index = self._brought_up(where, told)
            try:
                yield index
            except Damaged:
                self._close()  # the next one makes it anew: nothing is only in there
                shown = where.url if where.file is None else str(where.file)
                raise InputError("index_damaged", where=shown) from None
            except ProofstandError:
                self._close()
                raise

    def _brought_up(self, where: Home, told: Callable[[int], None]) -> Index:
        if self._index is not None:
            try:
                self._index.catch_up(told)
            except (Damaged, ProofstandError):
                self._close()  # opened anew it may be well, or says what is wrong
        if self._index is None:
            self._index = index_of(where, told)
        return self._index

    def close(self) -> None:
        """Let go of the index."""
        with self._lock:
            self._close()

    def _close(self) -> None:
        if self._index is not None:
            self._index.close()
            self._index = None
