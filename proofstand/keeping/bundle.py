"""One run to hand out: run, judgements, certificates, notes, plan and key in one file.

The bundle is a plain zip file. ``bundle.json`` in it lists every other file with its
SHA-256. The shop's key signs the list where it may, so that nothing can be left out of
it; of one without a signature it is said that this could be.
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

from ..signoff.against import Against, rejected_by_note, standing_of
from ..signoff.heads import known_places, public_keys
from ..signoff.keys import (
    PRIVATE_NAME,
    PUBLIC_NAME,
    Key,
    key_for,
    shop_folder,
)
from ..signoff.notes import KINDS, REJECTION
from ..signoff.notices import Notice, notices_of
from ..signoff.signed_list import FIELDS, list_signer, list_text
from ..signoff.verify import (
    CERTIFICATE,
    RUN_FILE,
    Verified,
    refuse_other_keys,
    verify,
    verify_by_any,
)
from .keep import RUN_NAME, judgement_facts, run_folder

FORMAT = "proofstand.bundle/1"
LIST_NAME, PLAN_NAME = "bundle.json", "plan.toml"
_MOST_BYTES = 1 << 32
REJECTED = KINDS[REJECTION][0]
# How the list of a bundle is signed.
FITS, SAME_KEY, OTHER_KEY, UNSIGNED = "fits", "same key", "other key", "unsigned"
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
        run: id of its run. found: run, certificates and notes inside. files: in it.
        own_key: keys that lie in it are those they were checked with.
        list_signed: ``FITS`` a key that was given; ``SAME_KEY``: by one that signed the
            run or a certificate; ``OTHER_KEY``; ``UNSIGNED``.
        against: what it holds against its run or a certificate of it.
        notices: of each certificate, by its file.
    """

    path: Path
    run: str
    found: tuple[Verified, ...]
    files: tuple[str, ...]
    own_key: bool
    list_signed: str
    against: Against
    notices: Mapping[Path, tuple[Notice, ...]]

    @property
    def stands(self) -> bool:
        """Its run is not rejected, and of its certificates one counts."""
        if self.against.rejected is not None:
            return False
        inside = {v.paper.number for v in self.found if v.paper is not None}
        return all(n.replaced_by in inside for n in self.against.notices)


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
        keys: public keys to look for the signers' among, besides this computer's own; a
            folder with a key that may sign for the run's kind of rig signs the list.

    Raises:
        InputError: a file can't be read or written.
        IntegrityError: one is not as it was kept.
        RefusedError: a key may not sign.
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
    signer = _signer(run, keys)
    signers = [run.key_id]
    for name in members:
        if name.endswith(".pdf"):
            signers.append(verify(run_folder(archive, run_id) / name).key)
    if signer is not None:
        signers.append(signer.id)
    for id in dict.fromkeys(signers):
        key = _public_key(id, keys)
        if key is not None:
            members[_key_name(len(_keys_in(members)))] = key
    write_once(out, _zipped(run, members, signer), "bundle")
    return Bundle(out, run.id, tuple(members))


def _public_key(id: str, keys: Sequence[Path]) -> bytes | None:
    """Return the public key of an id, where this computer has it."""
    for path in (*keys, *known_places()):
        file = path / PUBLIC_NAME if path.is_dir() else path
        if file.is_file() and public_keys([file])[0].key_id == id:
            return file.read_bytes()
    return None


def _signer(run: Run, keys: Sequence[Path]) -> Key | None:
    """Return the key that signs the list, None where this computer has none for it.

    Raises:
        InputError: it can't be read. RefusedError: it may not sign.
    """
    simulated = run.header.rig.simulated
    for folder in keys:
        if (folder / PRIVATE_NAME).exists():
            return key_for(simulated=simulated, folder=folder)
    if simulated or not (shop_folder() / PRIVATE_NAME).exists():
        return None
    return key_for(simulated=False, folder=None)


def _zipped(run: Run, members: Mapping[str, bytes], signer: Key | None) -> bytes:
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
    text = list_text(told, signer)
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
    members, told, signer = _read(path)
    with tempfile.TemporaryDirectory() as folder:
        inside = Path(folder)
        for name, data in members.items():
            (inside / name).write_bytes(data)
        own = PUBLIC_NAME in members and not keys
        by = [inside / name for name in _keys_in(members)] if own else list(keys)
        found = [
            verify_by_any(inside / name, by)
            for name in members
            if name == RUN_NAME or name.endswith(".pdf") or _is_signed_note(name)
        ]
        papers = [each for each in found if each.paper is not None]
        notices = {each.path: notices_of(each.path) for each in papers}
        _belong(path, members, told, found, inside)
        list_signed = _list_signed(path, signer, found, keys)
    rejections = [v.note for v in found if v.note is not None and v.what == REJECTED]
    return CheckedBundle(
        path,
        str(told["run"]["id"]),
        tuple(found),
        tuple(members),
        own,
        list_signed,
        Against(
            rejected=rejected_by_note(rejections[0]) if rejections else None,
            notices=standing_of(n for each in notices.values() for n in each),
        ),
        notices,
    )


def unpacked(path: Path, folder: Path) -> tuple[Path, ...]:
    """Put a bundle's files, but for its list, into a folder; return them in its order.

    Raises:
        InputError, IntegrityError: see :func:`check_bundle`.
    """
    members, _, _ = _read(path)
    for name, data in members.items():
        (folder / name).write_bytes(data)
    return tuple(folder / name for name in members)


def _is_signed_note(name: str) -> bool:
    return name.endswith(".json") and name.startswith(tuple(kinds.SIGNED_NOTES))


def _keys_in(members: Mapping[str, bytes]) -> list[str]:
    """Return the names of the public keys inside."""
    stem = PUBLIC_NAME.removesuffix(".pem")
    return [n for n in members if n.startswith(stem) and n.endswith(".pem")]


def _key_name(number: int) -> str:
    stem = PUBLIC_NAME.removesuffix(".pem")
    return PUBLIC_NAME if number == 0 else f"{stem}-{number + 1}.pem"


def _list_signed(
    path: Path, signer: str, found: Sequence[Verified], keys: Sequence[Path]
) -> str:
    """Return how the list is signed.

    Raises:
        InputError: a key can't be read.
        IntegrityError: ``signature_wrong``: by none of the keys given.
    """
    if not signer:
        return UNSIGNED
    if keys:
        refuse_other_keys(signer, "", path, keys)
        return FITS
    return SAME_KEY if signer in {each.key for each in found} else OTHER_KEY


def _changed(path: Path, name: str, why: str) -> IntegrityError:
    return IntegrityError("bundle_changed", where=str(path), name=name, why=why)


def _read(path: Path) -> tuple[dict[str, bytes], dict[str, Any], str]:
    """Return a bundle's files, each as the list has it, the list, and who signed it."""
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
        told = json.loads(members[LIST_NAME])
        signer = list_signer(members.pop(LIST_NAME))
        if told["format"] != FORMAT and str(told["format"]).startswith(FORMAT[:-1]):
            raise InputError(
                "format_newer", where=str(path), found=told["format"], wanted=FORMAT
            )
        listed = {str(each["name"]): each for each in told["files"]}
        if not {"format", "run", "files", *FIELDS} >= set(told):
            raise _changed(path, LIST_NAME, "it says more than a list does")
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
    return members, told, signer


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
        if each.note is not None and each.sha256 != run.sha256:
            raise IntegrityError("note_of_another_run", where=str(path), what=each.what)
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
