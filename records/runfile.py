"""The run file: a closed journal turned into one sealed HDF5 file, written once.

The file's first 4096 bytes (HDF5 user block) hold a line of JSON: format, SHA-256 of
all bytes after the block, their number, and, when a key was there, its id and
signature. No byte of the file is free: the block is compared whole with what it must
be. The layout is told in ``docs/run-file.md``. The only module that knows h5py.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import h5py
import numpy as np

from .errors import InputError, IntegrityError
from .journal import is_journal, read_journal
from .run import Mark, Part, Run, RunHeader, RunState, Samples
from .tomlfile import from_json, to_json
from .trace import flag_runs, flags_of_runs

FORMAT = "proofstand.run/2"
_READABLE = (FORMAT, "proofstand.run/1")
BLOCK_BYTES = 4096
_PREFIX = b'{"format":"proofstand.run/'
_CHUNK = 1 << 20
_PAGE = 4096
_ALIGNED = 64
_HDF5_SIGNATURE = b"\x89HDF\r\n\x1a\n"


@dataclass(frozen=True, slots=True)
class Signature:
    """A signature and the key that made it, both as hexadecimal text."""

    key_id: str
    value: str


Sign = Callable[[bytes], Signature]


@dataclass(frozen=True, slots=True)
class Seal:
    """What the user block of a run file says; it has been checked against the file.

    Attributes:
        sha256: the run's hash. length: bytes that it covers.
        signature: None for an unsigned run.
        format: of the file.
    """

    sha256: str
    length: int
    signature: Signature | None
    format: str = FORMAT

    @property
    def signed_bytes(self) -> bytes:
        """The bytes that a signature covers."""
        key_id = self.signature.key_id if self.signature else ""
        return _signed_bytes(self.sha256, self.length, key_id, self.format)


def _signed_bytes(sha256: str, length: int, key_id: str, format: str) -> bytes:
    return _json({"format": format, "sha256": sha256, "length": length, "key": key_id})


def _json(value: dict[str, Any]) -> bytes:
    return json.dumps(value, separators=(",", ":"), ensure_ascii=True).encode()


def _block(seal: Seal) -> bytes:
    line = _json(
        {
            "format": seal.format,
            "sha256": seal.sha256,
            "length": seal.length,
            "key": seal.signature.key_id if seal.signature else "",
            "signature": seal.signature.value if seal.signature else "",
        }
    )
    if len(line) >= BLOCK_BYTES:
        raise ValueError("the signature does not fit into the user block")
    return line + b"\n" + b"\0" * (BLOCK_BYTES - len(line) - 1)


def write_run(run: Run, out: Path, signer: Signer | None = None) -> Seal:
    """Write a run as a sealed file that must not exist yet.

    Args:
        run: closed or interrupted run with its samples.
        out: the file to make.
        signer: the signing function with its key's id, or None: unsigned.

    Returns:
        The seal, read back from the disk and checked.

    Raises:
        InputError: ``file_exists``, ``file_unwritable``.
    """
    beside = _beside(out)
    try:
        if out.exists():
            raise FileExistsError
        _write_hdf5(run, beside)
        _seal_in_place(beside, signer)
        _put(beside, out)
    except FileExistsError:
        raise InputError("file_exists", where=str(out), what="run file") from None
    except OSError as error:
        raise InputError("file_unwritable", where=str(out), why=_why(error)) from None
    finally:
        beside.unlink(missing_ok=True)
    again, seal = _read(out)  # a file that can't be read again is no record
    if set(again.samples) != set(run.samples) or again.marks != run.marks:
        raise IntegrityError("run_changed", where=str(out))
    return seal


def _seal_in_place(path: Path, signer: Signer | None) -> None:
    """Fill the user block of a whole HDF5 file and wait until all is on the disk."""
    with path.open("r+b") as file:
        file.seek(BLOCK_BYTES)
        digest = hashlib.sha256()
        length = 0
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
            length += len(chunk)
        sha256 = digest.hexdigest()
        signature = None
        if signer is not None:
            signed = _signed_bytes(sha256, length, signer.key_id, FORMAT)
            signature = signer.sign(signed)
        file.seek(0)
        _write_synced(file, _block(Seal(sha256, length, signature)))


@dataclass(frozen=True, slots=True)
class Signer:
    """A key that can sign: its id and the function that does it."""

    key_id: str
    sign: Sign


def _write_hdf5(run: Run, path: Path) -> None:
    with h5py.File(
        path,
        "x",
        libver=("v110", "v110"),
        userblock_size=BLOCK_BYTES,
        alignment_threshold=_ALIGNED,  # so that samples can be used where they lie
        alignment_interval=_ALIGNED,
    ) as file:
        file.attrs["format"] = FORMAT
        file.attrs["state"] = (
            "interrupted" if run.state is RunState.INTERRUPTED else "closed"
        )
        _text(file, "header", to_json(run.header))
        _text(file, "parts", b"[" + b",".join(map(to_json, run.parts)) + b"]")
        _text(file, "marks", b"[" + b",".join(map(to_json, run.marks)) + b"]")
        if run.truth is not None:
            _text(file, "truth", json.dumps(dict(run.truth), sort_keys=True).encode())
        for (part, instrument), samples in run.samples.items():
            group = file.create_group(f"samples/{instrument}/part-{part}")
            columns = run.header.rig.columns(instrument)
            for name, array in (
                ("t_ns", samples.t_ns),
                ("raw", samples.raw),
                ("flag_runs", flag_runs(samples.flags)),
            ):
                group.create_dataset(name, data=array, track_times=False)
            group["flag_runs"].attrs["columns"] = ["column", "start", "stop", "flag"]
            raw = group["raw"]
            raw.attrs["channels"] = [c.id for c in columns]
            raw.attrs["units"] = [c.unit for c in columns]
            raw.attrs["scale"] = [c.scale for c in columns]
            raw.attrs["offset"] = [c.offset for c in columns]


def _text(file: h5py.File, name: str, data: bytes) -> None:
    kind = h5py.string_dtype("utf-8", len(data))
    file.create_dataset(name, data=np.array(data, dtype=kind), track_times=False)


def check_place(out: Path, what: str) -> None:
    """Refuse a place where :func:`write_once` could not write; touches nothing.

    Raises:
        InputError: ``file_exists`` or ``file_unwritable``.
    """
    try:
        if out.is_dir():
            raise InputError("file_exists", where=str(out), what="folder")
        if out.exists() or out.is_symlink():
            raise InputError("file_exists", where=str(out), what=what)
        folder = out.resolve().parent
    except (OSError, RuntimeError) as error:  # a name too long, links in a ring
        raise InputError("file_unwritable", where=str(out), why=_why(error)) from None
    why = ""
    if not folder.is_dir():
        why = "there is no such folder"
    elif not os.access(folder, os.W_OK):
        why = "the folder is read-only"
    if why:
        raise InputError("file_unwritable", where=str(out), why=why)


def write_once(
    out: Path,
    data: bytes,
    what: str = "run file",
    first: Callable[[], object] = lambda: None,
) -> None:
    """Write beside the place, sync, then put it in place unless something is there.

    Args:
        out: the file to make; after an error nothing is left there.
        data: all of it.
        what: it is called so in an error.
        first: is done once all of it lies beside its place, and before it is there.

    Raises:
        InputError: ``file_exists`` or ``file_unwritable``.
    """
    beside = _beside(out)
    try:
        if out.exists():
            raise FileExistsError
        with beside.open("xb") as file:
            _write_synced(file, data)
        first()
        _put(beside, out)
    except FileExistsError:
        raise InputError("file_exists", where=str(out), what=what) from None
    except OSError as error:
        raise InputError("file_unwritable", where=str(out), why=_why(error)) from None
    finally:
        beside.unlink(missing_ok=True)


def _why(error: Exception) -> str:
    """Return the system's own words; the HDF5 library hides their number in a text."""
    number = re.search(r"\berrno = (\d+)", str(error))
    if number:
        return os.strerror(int(number[1]))
    return getattr(error, "strerror", None) or str(error)


def _beside(out: Path) -> Path:
    # short: a name that may be used must not become too long by this
    return out.with_name(f".{os.getpid()}.{abs(hash(out.name)) % 10**8}.part")


def _put(beside: Path, out: Path) -> None:
    """Give a whole file its name, unless something has it."""
    try:
        os.link(beside, out)  # unlike a rename it never replaces
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        with beside.open("rb") as source:
            _write_new(out, source)


def _write_new(out: Path, source: BinaryIO) -> None:
    with out.open("xb") as file:
        try:
            shutil.copyfileobj(source, file, _CHUNK)
            _write_synced(file, b"")
        except OSError:
            out.unlink(missing_ok=True)
            raise


def _write_synced(file: BinaryIO, data: bytes) -> None:
    file.write(data)
    file.flush()
    os.fsync(file.fileno())


def seal(journal: Path, out: Path, signer: Signer | None = None) -> Seal:
    """Turn a closed journal into a sealed run file.

    Raises:
        InputError: the journal is not closed, or the output cannot be made.
        IntegrityError: a record inside the journal is damaged.
    """
    read = read_journal(journal)
    if read.damaged_records:
        raise IntegrityError("journal_damaged", where=str(journal), at="inside")
    if read.run.state is not RunState.CLOSED:
        raise InputError(
            "run_state_wrong",
            where=str(journal),
            state=read.run.state.value,
            wanted="closed",
        )
    return write_run(read.run, out, signer)


def _file_bytes(path: Path) -> memoryview:
    """Return a file's bytes, read-only, from the start of a page of memory on.

    Where the system copies to a place just behind a page's start it takes three times
    as long (measured); an ordinary buffer begins there.
    """
    try:
        with path.open("rb", buffering=0) as file:
            size = os.fstat(file.fileno()).st_size
            room = np.empty(size + _PAGE, dtype=np.uint8)
            start = -room.ctypes.data % _PAGE
            data = room[start : start + size]
            view = data.data
            done = 0
            while done < size and (count := file.readinto(view[done:])):
                done += count
    except FileNotFoundError:
        raise InputError("file_missing", where=str(path), what="run file") from None
    except OSError as error:
        raise InputError(
            "file_unreadable", where=str(path), what="run file", why=error.strerror
        ) from None
    if not done:
        raise InputError("file_empty", where=str(path), what="run file")
    data.flags.writeable = False
    return data.data[:done]


class _Reader(io.RawIOBase):
    """Lets the HDF5 library read bytes that are in memory already."""

    def __init__(self, data: memoryview) -> None:
        super().__init__()
        self._data = data
        self._at = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        start = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: len(self._data)}
        self._at = start[whence] + offset
        return self._at

    def tell(self) -> int:
        return self._at

    def readinto(self, buffer: Any) -> int:
        found = self._data[self._at : self._at + len(buffer)]
        buffer[: len(found)] = found
        self._at += len(found)
        return len(found)


def _check_seal(data: memoryview, path: Path) -> Seal:
    block = bytes(data[:BLOCK_BYTES])
    marked = bytes(data[BLOCK_BYTES : BLOCK_BYTES + 8]) == _HDF5_SIGNATURE
    if not block.startswith(_PREFIX) and not (marked and b"proofstand" in block[:64]):
        near = block[: len(_PREFIX)]
        differing = sum(a != b for a, b in zip(near, _PREFIX, strict=False))
        if not (len(near) == len(_PREFIX) and differing <= 2 and marked):
            raise InputError("file_not_ours", where=str(path), what="run file")
    try:
        said = json.loads(block.rstrip(b"\0"))
        sha256, length = str(said["sha256"]), int(said["length"])
        key, value = str(said["key"]), str(said["signature"])
        found_format = str(said["format"])
    except (ValueError, KeyError, TypeError):
        raise IntegrityError("run_block_changed", where=str(path)) from None
    if found_format not in _READABLE and found_format.startswith("proofstand.run/"):
        number = found_format.rsplit("/", 1)[1]
        if number.isdigit() and int(number) > 2:
            raise InputError(
                "format_newer", where=str(path), found=found_format, wanted=FORMAT
            )
    signature = Signature(key, value) if key or value else None
    seal = Seal(sha256, length, signature, found_format)
    if found_format not in _READABLE or block != _block(seal):
        raise IntegrityError("run_block_changed", where=str(path))
    tail = data[BLOCK_BYTES:]
    if len(tail) < length:
        raise IntegrityError(
            "run_cut_short", where=str(path), found=len(tail), wanted=length
        )
    if len(tail) != length or hashlib.sha256(tail).hexdigest() != sha256:
        raise IntegrityError("run_changed", where=str(path))
    return seal


def read_seal(path: Path) -> Seal:
    """Return the seal of a run file after checking it against every byte.

    Raises:
        InputError: missing, empty, not ours, or a newer format.
        IntegrityError: a byte is missing or was changed.
    """
    return _check_seal(_file_bytes(path), path)


def read_sealed(path: Path) -> Run:
    """Return the run of a sealed file; every byte is checked first.

    Raises:
        InputError, IntegrityError: see :func:`read_seal`.
    """
    return _read(path)[0]


def _read(path: Path) -> tuple[Run, Seal]:
    data = _file_bytes(path)
    sealed = _check_seal(data, path)
    return _run_of(data, sealed, path), sealed


def _run_of(data: memoryview, sealed: Seal, path: Path) -> Run:
    """Return the run that checked bytes hold; samples stay where they are in them."""
    try:
        with h5py.File(_Reader(data), "r") as file:
            header = from_json(_read_text(file, "header"), RunHeader)
            parts = from_json(_read_text(file, "parts"), tuple[Part, ...])
            marks = from_json(_read_text(file, "marks"), tuple[Mark, ...])
            truth = json.loads(_read_text(file, "truth")) if "truth" in file else None
            state = (
                RunState.INTERRUPTED
                if file.attrs["state"] == "interrupted"
                else RunState.SEALED
            )
            samples = {
                (int(name.removeprefix("part-")), instrument): _samples(group, data)
                for instrument, parts_group in file.get("samples", {}).items()
                for name, group in parts_group.items()
            }
    except (OSError, KeyError, ValueError):
        # The hash fits, so it was written like this: not a run that this version reads.
        raise IntegrityError("run_changed", where=str(path)) from None
    return Run(
        header=header,
        state=state,
        sha256=sealed.sha256,
        key_id=sealed.signature.key_id if sealed.signature else "",
        parts=parts,
        marks=marks,
        truth=truth,
        samples=samples,
    )


def _samples(group: h5py.Group, data: memoryview) -> Samples:
    t_ns, raw = _view(group["t_ns"], data), _view(group["raw"], data)
    if "flags" in group:  # format 1
        return Samples(t_ns, raw, group["flags"][:])
    return Samples(t_ns, raw, flags_of_runs(group["flag_runs"][:], *raw.shape))


def _view(dataset: h5py.Dataset, data: memoryview) -> Any:
    """Return a dataset as it lies in the file's bytes, without a copy."""
    at = dataset.id.get_offset()
    if at is None or dataset.size == 0 or at % dataset.dtype.itemsize:
        return dataset[:]
    flat = np.frombuffer(data, dataset.dtype, dataset.size, at)
    return flat.reshape(dataset.shape)


def _read_text(file: h5py.File, name: str) -> bytes:
    return bytes(file[name][()])


def open_run(path: Path) -> Run:
    """Return a run from its sealed file or its journal, whatever its state.

    Raises:
        InputError: missing, empty, or not ours.
        IntegrityError: damaged.
    """
    if is_journal(path):
        read = read_journal(path)
        if read.damaged_records:
            raise IntegrityError("journal_damaged", where=str(path), at="inside")
        return read.run
    return read_sealed(path)
