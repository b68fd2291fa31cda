"""Where the archive is, with which database, whose key and by whom."""

from __future__ import annotations

import getpass
import hashlib
import socket
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from records.archive.chain import Archive
from records.archive.index import Index, ready, throw_away
from records.errors import InputError

from .. import places
from ..settings import settings
from ..signoff.heads import SigningKey
from ..signoff.keys import load_key, shop_key
from ..signoff.persons import the_roll

SQLITE = "sqlite:///"


@dataclass(frozen=True, slots=True)
class Home:
    """An archive and where its index is.

    Attributes:
        url: of the index. file: the index's own file, None where it is a server's.
    """

    archive: Archive
    url: str
    file: Path | None


def home(folder: Path | None = None, url: str = "") -> Home:
    """Return the archive that is meant; nothing is made or opened.

    Args:
        folder: of the archive; None takes the one of the settings, else the user's.
        url: of its index; "" takes that of the settings for the settings' archive, and
            else a file of this computer.

    Raises:
        InputError: the settings can't be read.
    """
    set_ = settings()
    if folder is None:
        url = url or set_.archive_url
        folder = (
            Path(set_.archive_folder).expanduser()
            if set_.archive_folder
            else places.archive_dir()
        )
    archive = Archive(folder)
    if url:
        file = Path(url.removeprefix(SQLITE)) if url.startswith(SQLITE) else None
        return Home(archive, url, file)
    named = hashlib.sha256(str(folder.absolute()).encode("utf-8", "replace"))
    file = places.index_dir() / f"{named.hexdigest()[:16]}.sqlite"
    return Home(archive, f"{SQLITE}{file}", file)


def index_of(where: Home, told: Callable[[int], None] = lambda lines: None) -> Index:
    """Return the index, brought up to the archive.

    What a writer that died had begun is finished first, where we may write.

    Args:
        where: the archive and its index.
        told: is called with the number of lines that were read so far.

    Raises:
        InputError: the database can't be used. IntegrityError: the chain was changed.
    """
    settle_if_possible(where.archive)
    _make_folder(where)
    return ready(where.url, where.archive, where.file, told)


def rebuild_index(where: Home, told: Callable[[int], None] = lambda lines: None) -> int:
    """Make the index anew from the archive's folder; return how many lines it read.

    Raises:
        InputError: the database can't be used. IntegrityError: the chain was changed.
    """
    settle_if_possible(where.archive)
    where.archive.head()  # before anything is thrown away
    _make_folder(where)
    if where.file is not None:
        throw_away(where.file)
    with Index(where.url, where.archive) as index:
        return index.rebuild(told)


def settle_if_possible(archive: Archive) -> None:
    """Finish what a dead writer had begun; who may only read goes on without."""
    try:
        archive.settle()
    except InputError as error:
        if error.id not in ("archive_unwritable", "archive_busy"):
            raise


def _make_folder(where: Home) -> None:
    if where.file is None:
        return
    try:
        places.made(where.file.parent)
    except OSError as error:
        why = error.strerror or str(error)
        raise InputError("index_failed", where=str(where.file), why=why) from None


def head_key(folder: Path | None) -> SigningKey:
    """Return the key that signs the archive's head: the one given, else the shop's.

    Raises:
        InputError: it can't be made or read.
    """
    return SigningKey(shop_key() if folder is None else load_key(folder))


def who_typed(named: str) -> str:
    """Return who does something that no PIN was asked for.

    In a shop with a list of people it is said that nobody showed who it was.
    """
    if named and the_roll() is not None:
        return f"{named} (as typed)"
    return who_is(named)


def who_is(named: str) -> str:
    """Return who does something: the name given, else the user of this computer."""
    if named:
        return named
    try:
        user = getpass.getuser()
    except (OSError, KeyError, ImportError):
        user = "a user"
    return f"{user} on {socket.gethostname()}"
