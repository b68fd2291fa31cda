"""One run to hand out: run, judgements, certificates, notes, plan and key in one file.

The bundle is a plain zip file. ``bundle.json`` in it lists every other file with its
SHA-256; run and certificates carry signatures of their own, so the list has none.
"""

from __future__ import annotations

import hashlib
import io
import json
import tempfile
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from records.archive import entry as kinds
from records.archive.chain import Archive
from records.archive.entry import is_safe
from records.archive.found import Listed
from records.errors import InputError, IntegrityError, ProofstandError
from records.run import Run
from records.runfile import read_sealed, write_once
from records.tomlfile import text_sha256

from ..places import keys_dir
from ..signoff.heads import TRUSTED_FOLDER, public_keys
from ..signoff.keys import PUBLIC_NAME, shop_folder
from ..signoff.notices import notices_of
from ..signoff.verify import CERTIFICATE, RUN_FILE, Verified, verify_by_any
from .keep import RUN_NAME, judgement_facts, run_folder

FORMAT = "proofstand.bundle/1"
LIST_NAME, PLAN_NAME = "bundle.json", "plan.toml"
_MOST_BYTES = 1 << 32
_DATE = (1980, 1, 1, 0, 0, 0)  # the same bundle for the same content


@dataclass(frozen=True, slots=True)
class Bundle:
    """A bundle that was written."""

    path: Path
    run: str
    files: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CheckedBundle:
    """A bundle that is whole.

    Attributes:
        run: id of its run. found: run and certificates inside. files: in it.
        own_key: the key that lies in it is the one they were checked with.
    """

    path: Path
    run: str
    found: tuple[Verified, ...]
    files: tuple[str, ...]
    own_key: bool


def write_bundle(
    archive: Archive,
    run_id: str,
    listed: Sequence[Listed],
    out: Path,
    keys: Sequence[Path] = (),
) -> Bundle:
    """Write all that is kept of a run into one file that must not exist.

    Args:
        archive: where it is kept.
        run_id: of the run.
        listed: its records.
        out: the file to make.
        keys: public keys to look for the run's among, besides this computer's own.

    Raises:
        InputError: a file can't be read or written.
        IntegrityError: one is not as it was kept.
    """
    run = read_sealed(run_folder(archive, run_id) / RUN_NAME)
    members: dict[str, bytes] = {}
    for each in listed:
        place = archive.folder / each.path
        try:
            data = place.read_bytes()
        except OSError as error:
            why = error.strerror or str(error)
            raise InputError(
                "file_unreadable", where=str(place), what=each.kind, why=why
            ) from None
        if hashlib.sha256(data).hexdigest() != each.sha256:
            raise IntegrityError("archive_file_changed", where=str(place), n=each.n)
        members[place.name] = data
    members[PLAN_NAME] = run.header.plan_text.encode()
    key = _public_key(run.key_id, keys)
    if key is not None:
        members[PUBLIC_NAME] = key
    write_once(out, _zipped(run, members), "bundle")
    return Bundle(out, run.id, tuple(members))


def _public_key(id: str, keys: Sequence[Path]) -> bytes | None:
    """Return the public key of an id, where this computer has it."""
    known = [*keys, shop_folder() / PUBLIC_NAME]
    known += sorted((keys_dir() / TRUSTED_FOLDER).glob("*.pem"))
    for path in known:
        file = path / PUBLIC_NAME if path.is_dir() else path
        if file.is_file() and public_keys([file])[0].key_id == id:
            return file.read_bytes()
    return None


def _zipped(run: Run, members: Mapping[str, bytes]) -> bytes:
    told = {
        "format": FORMAT,
        "run": {"id": run.id, "sha256": run.sha256},
        "files": [
            {
                "name": name,
                "sha256": hashlib.sha256(data).hexdigest(),
                "bytes": len(data),
            }
            for name, data in members.items()
        ],
    }
    text = json.dumps(told, ensure_ascii=False, indent=1).encode()
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as file:
        for name, data in {LIST_NAME: text, **members}.items():
            about = zipfile.ZipInfo(name, _DATE)
            about.external_attr = 0o644 << 16
            about.compress_type = zipfile.ZIP_DEFLATED
            file.writestr(about, data)
    return made.getvalue()


def is_bundle(path: Path) -> bool:
    """Tell whether a file is a zip file, be it damaged."""
    try:
        with path.open("rb") as file:
            return path.is_file() and file.read(4) == b"PK\x03\x04"
    except OSError:
        return False


def check_bundle(path: Path, keys: Sequence[Path] = ()) -> CheckedBundle:
    """Check a bundle: every file in it, and that all belong to its run.

    Args:
        path: the bundle.
        keys: public keys of who may have signed; with none the key inside is taken,
            which shows that all is by one hand, not whose.

    Raises:
        InputError: no bundle of ours.
        IntegrityError: ``bundle_changed``; a file inside was changed, signed by another
            key, or belongs to another run.
    """
    members, told = _read(path)
    with tempfile.TemporaryDirectory() as folder:
        inside = Path(folder)
        for name, data in members.items():
            (inside / name).write_bytes(data)
        own = PUBLIC_NAME in members and not keys
        by = [inside / PUBLIC_NAME] if own else list(keys)
        found = [
            verify_by_any(inside / name, by)
            for name in members
            if name == RUN_NAME or name.endswith(".pdf")
        ]
        for each in found:
            if each.paper is not None:
                notices_of(each.path)
        _belong(path, members, told, found, inside)
    return CheckedBundle(
        path, str(told["run"]["id"]), tuple(found), tuple(members), own
    )


def _changed(path: Path, name: str, why: str) -> IntegrityError:
    return IntegrityError("bundle_changed", where=str(path), name=name, why=why)


def _read(path: Path) -> tuple[dict[str, bytes], dict[str, Any]]:
    """Return the files of a bundle, each as the list has it, and the list."""
    members: dict[str, bytes] = {}
    try:
        with zipfile.ZipFile(path) as file:
            names = [about.filename for about in file.infolist()]
            if LIST_NAME not in names:
                raise InputError("file_not_ours", where=str(path), what="bundle")
            if sum(about.file_size for about in file.infolist()) > _MOST_BYTES:
                raise _changed(path, LIST_NAME, "it says that it is too large")
            for name in names:
                if name in members or not is_safe(name):
                    raise _changed(path, ascii(name), "no name that a bundle has")
                members[name] = file.read(name)
        told = json.loads(members.pop(LIST_NAME))
        if told["format"] != FORMAT and str(told["format"]).startswith(FORMAT[:-1]):
            raise InputError(
                "format_newer", where=str(path), found=told["format"], wanted=FORMAT
            )
        listed = {str(each["name"]): each for each in told["files"]}
        wanted = {"id", "sha256"} <= set(told["run"])
    except ProofstandError:
        raise
    except OSError as error:
        why = error.strerror or str(error)
        raise InputError(
            "file_unreadable", where=str(path), what="bundle", why=why
        ) from None
    except Exception as error:  # a damaged zip file fails in every way
        raise _changed(path, LIST_NAME, f"it can't be read ({error})") from None
    if not wanted or set(listed) != set(members):
        raise _changed(path, LIST_NAME, "it lists other files than there are")
    for name, data in members.items():
        if listed[name].get("sha256") != hashlib.sha256(data).hexdigest():
            raise _changed(path, name, "its hash is another than the list's")
    return members, told


def _belong(
    path: Path,
    members: Mapping[str, bytes],
    told: Mapping[str, Any],
    found: Sequence[Verified],
    inside: Path,
) -> None:
    """Refuse a bundle whose files are not of its run."""
    if not any(each.what == RUN_FILE for each in found):
        raise _changed(path, RUN_NAME, "it is not there")
    run = read_sealed(inside / RUN_NAME)
    if (told["run"]["id"], told["run"]["sha256"]) != (run.id, run.sha256):
        raise _changed(path, LIST_NAME, "it names another run")
    plan = members.get(PLAN_NAME, b"").decode("utf-8", "replace")
    if text_sha256(plan) != run.header.plan_sha256:
        raise _changed(path, PLAN_NAME, "it is not the plan of the run")
    judged = set()
    for name, data in members.items():
        if name.startswith(kinds.JUDGEMENT):
            judged.add(data)
            try:
                judgement_facts(data, run)
            except ValueError:
                why = "it is no judgement of the run"
                raise _changed(path, name, why) from None
    for each in found:
        if each.what != CERTIFICATE or each.paper is None:
            continue
        number = each.paper.number
        if (each.run, each.sha256) != (run.id, run.sha256):
            raise IntegrityError(
                "certificate_of_another_run", where=str(path), number=number
            )
        if each.paper.judgement not in judged:
            raise IntegrityError(
                "certificate_of_another_judgement", where=str(path), number=number
            )
