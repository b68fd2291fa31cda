"""Files that are written once: staged, synced, then put in place whole.

Also the lock that lets one writer at a time into an archive. The system drops it when
its holder dies, so that no dead writer shuts the archive.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import secrets
import socket
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from io import FileIO
from pathlib import Path
from typing import BinaryIO

from ..errors import InputError

STAGE_NAME = ".incoming"
LOCK_NAME = "chain.lock"
_CHUNK = 1 << 20
_POLL_S = 0.05
WAIT_S = 30.0
# A lock of the spare kind, see `_spare_lock`, that was not renewed for so long is dead.
DEAD_S = 120.0
_REMAINS = re.compile(r"\.[0-9a-f]{8}\.part")
_NO_LOCKS = frozenset(
    number
    for name in ("ENOLCK", "ENOTSUP", "EOPNOTSUPP", "ENOSYS")
    if (number := getattr(errno, name, None)) is not None
)


@dataclass(frozen=True, slots=True)
class Staged:
    """A file that lies ready in the archive, whole and synced, under a name of its own.

    Attributes:
        path: where. sha256, bytes: of all of it.
    """

    path: Path
    sha256: str
    bytes: int


def unwritable(path: Path, error: OSError) -> InputError:
    """Return what to tell when the archive can't be written."""
    return InputError(
        "archive_unwritable", where=str(path), why=error.strerror or str(error)
    )


def is_our_own(name: str) -> bool:
    """Tell whether a name in an archive's folder is no record: lock, stage, remains."""
    ours = (LOCK_NAME, f"{LOCK_NAME}.held", STAGE_NAME)
    return name in ours or _REMAINS.fullmatch(name) is not None


def stage(folder: Path, source: Path | bytes, what: str = "file") -> Staged:
    """Copy a file or bytes into an archive's folder of incoming files, synced.

    Args:
        folder: of the archive.
        source: what is to be kept.
        what: the source is called so in an error.

    Raises:
        InputError: the source can't be read; ``archive_unwritable``.
    """
    incoming = folder / STAGE_NAME
    beside = incoming / f"{secrets.token_hex(8)}.part"
    digest = hashlib.sha256()
    length = 0
    try:
        incoming.mkdir(exist_ok=True)
        with beside.open("xb") as out:
            for chunk in _chunks(source, what):
                out.write(chunk)
                digest.update(chunk)
                length += len(chunk)
            out.flush()
            os.fsync(out.fileno())
        sha256 = digest.hexdigest()
        ready = incoming / f"{sha256}.{beside.stem}"
        if os.name != "nt":  # there it could not be taken out of the stage again
            beside.chmod(0o444)
        beside.rename(ready)
        sync_folder(incoming)
    except OSError as error:
        raise unwritable(folder, error) from None
    finally:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
    return Staged(ready, sha256, length)


def _chunks(source: Path | bytes, what: str) -> Iterator[bytes]:
    if isinstance(source, bytes):
        yield source
        return
    file = opened(source, what)
    with file:
        while True:
            try:
                chunk = file.read(_CHUNK)
            except OSError as error:
                raise _unreadable(source, what, error) from None
            if not chunk:
                return
            yield chunk


def opened(path: Path, what: str) -> BinaryIO:
    """Return a file opened for reading.

    Raises:
        InputError: ``file_missing`` or ``file_unreadable``.
    """
    try:
        if path.exists() and not path.is_file():
            raise InputError("file_not_ours", where=str(path), what=what)
        return path.open("rb")
    except FileNotFoundError:
        raise InputError("file_missing", where=str(path), what=what) from None
    except OSError as error:
        raise _unreadable(path, what, error) from None


def _unreadable(path: Path, what: str, error: OSError) -> InputError:
    why = error.strerror or str(error)
    return InputError("file_unreadable", where=str(path), what=what, why=why)


def sha256_of(path: Path) -> tuple[str, int]:
    """Return the SHA-256 of a file and its length.

    Raises:
        OSError: it can't be read.
    """
    digest, length = hashlib.sha256(), 0
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
            length += len(chunk)
    return digest.hexdigest(), length


def put(ready: Path, place: Path) -> None:
    """Give a staged file its place for good; it must be free. It stays staged, too.

    Raises:
        FileExistsError: something is there.
        OSError: it can't be written.
    """
    place.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(ready, place)  # unlike a rename it never replaces
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        if place.exists():
            raise FileExistsError(errno.EEXIST, "", str(place)) from None
        beside = place.with_name(f".{secrets.token_hex(4)}.part")
        try:
            with ready.open("rb") as source, beside.open("xb") as out:
                while chunk := source.read(_CHUNK):
                    out.write(chunk)
                out.flush()
                os.fsync(out.fileno())
            beside.rename(place)
        finally:
            with contextlib.suppress(OSError):
                beside.unlink(missing_ok=True)
    sync_folder(place.parent)


def replace(path: Path, data: bytes) -> None:
    """Replace a small file by another one, whole at any instant.

    Raises:
        OSError: it can't be written; the old one stays.
    """
    beside = path.with_name(f".{secrets.token_hex(4)}.part")
    try:
        with beside.open("xb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        beside.replace(path)
    finally:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Wait until the names in a folder are on the disk, where a system can do that."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in (errno.EINVAL, *_NO_LOCKS):  # network folders may not
            raise
    finally:
        os.close(handle)


@contextlib.contextmanager
def locked(
    folder: Path,
    wait_s: float = WAIT_S,
    *,
    clock: Callable[[], float] = time.monotonic,
) -> Iterator[None]:
    """Hold the archive's lock while the block runs.

    Raises:
        InputError: ``archive_busy`` when another holds it all the while, or
            ``archive_unwritable``.
    """
    path = folder / LOCK_NAME
    try:
        file = path.open("a+b", buffering=0)  # a full disk fails where it is told
    except OSError as error:
        raise unwritable(folder, error) from None
    until = clock() + wait_s
    spare: Path | None = None
    with file:
        while True:
            try:
                _take(file)
                break
            except OSError as error:
                if error.errno in _NO_LOCKS:
                    spare = _spare_lock(path, until, clock)
                    break
                if error.errno not in (errno.EACCES, errno.EAGAIN, errno.EDEADLK):
                    raise unwritable(folder, error) from None
            if clock() >= until:
                raise InputError("archive_busy", where=str(folder), holder=_told(file))
            time.sleep(_POLL_S)
        try:
            with contextlib.suppress(OSError):
                file.truncate(0)
                file.write(_holder())
                file.flush()
            yield
        finally:
            with contextlib.suppress(OSError):
                file.truncate(0)
            if spare is not None:
                spare.unlink(missing_ok=True)
            else:
                _give_back(file)


def _holder() -> bytes:
    now = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
    return f"process {os.getpid()} on {socket.gethostname()} since {now}".encode()


def _told(file: FileIO) -> str:
    try:
        file.seek(0)
        return file.read(200).decode("utf-8", "replace") or "another program"
    except OSError:
        return "another program"


if sys.platform == "win32":
    import msvcrt

    _FAR = 1 << 30  # the lock's byte lies where nobody reads

    def _take(file: FileIO) -> None:
        file.seek(_FAR)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        file.seek(0)

    def _give_back(file: FileIO) -> None:
        file.seek(_FAR)
        msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _take(file: FileIO) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _give_back(file: FileIO) -> None:
        fcntl.flock(file, fcntl.LOCK_UN)


def _spare_lock(path: Path, until: float, clock: Callable[[], float]) -> Path:
    """Take a lock by making a file, where the file system has no locks.

    A holder keeps it for moments; one whose file stays the same for ``DEAD_S`` of our
    own clock is dead, and its file is taken away by renaming, which one of several
    waiters succeeds with.
    """
    held = path.with_name(f"{path.name}.held")
    seen, since = b"", clock()
    while True:
        try:
            with held.open("xb") as file:
                file.write(secrets.token_hex(8).encode() + b" " + _holder())
            return held
        except FileExistsError:
            pass
        except OSError as error:
            raise unwritable(path.parent, error) from None
        try:
            found = held.read_bytes()
        except OSError:
            found = b""
        if found != seen:
            seen, since = found, clock()
        elif clock() - since >= DEAD_S:
            with contextlib.suppress(OSError):
                taken = held.with_name(f".{secrets.token_hex(4)}.part")
                held.rename(taken)
                taken.unlink()
            continue
        if clock() >= until + DEAD_S + 1.0:  # long enough to know a dead one
            holder = found.decode("utf-8", "replace")[17:] or "another program"
            raise InputError("archive_busy", where=str(path.parent), holder=holder)
        time.sleep(_POLL_S)
