"""Verify: is a record or a certificate as it was written, and who signed it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric import rsa

from records.errors import InputError, IntegrityError
from records.journal import is_journal, read_journal
from records.runfile import read_seal, read_sealed

from .certificate import JUDGEMENT_NAME, Title
from .keys import key_id, signature_fits
from .notes import Note, is_note, read_note
from .pades import check, is_page
from .pagefacts import facts_of, notes_of, original_of, second_of
from .persons import moment
from .shopkeys import publics_at

SIGNATURE_WORDS = {
    "unsigned": "unsigned: anyone could have sealed it",
    "fits": "signed, and the signature fits the key given",
    "not checked": "signed; give --key to check by whom",
}
# Documents that have no signature of their own, and how they are called.
UNSIGNED: Mapping[str, str] = {
    "proofstand.judgements/1": "judgement",
    "proofstand.run-exported/1": "export of a run",
    "proofstand.certificate/1": "data of a certificate",
    "proofstand.note/1": "remark on a run",
    "proofstand.approval/1": "approval of a plan",
    "proofstand.roll/1": "list of people",
    "proofstand.keys/1": "list of keys",
    "proofstand.bundle/1": "list of a bundle",
}
RUN_FILE, JOURNAL, CERTIFICATE = "run file", "journal", "certificate"


@dataclass(frozen=True, slots=True)
class Paper:
    """What a certificate says of itself; its signature covers it.

    Attributes:
        number, title, verdict: as printed. issued: UTC.
        by: who issued it, "" if not said. owner: whose key signed it, as the key says.
        judgement: the file with its findings, as it is attached.
        issuer: the same with role and how it was shown; None on early pages.
        awaits: role whose second signature is still missing, or "".
        second: what the second signature says, or None.
        notes: what the page rests on beside the run.
        copy_of: hash of the certificate that it is a copy of, else "".
        replaces: number of the one that it takes the place of, else "".
    """

    number: str
    title: str
    verdict: str
    issued: str
    by: str
    owner: str
    judgement: bytes = field(default=b"", repr=False)
    issuer: Mapping[str, str] | None = None
    awaits: str = ""
    second: Mapping[str, Any] | None = None
    notes: tuple[Note, ...] = ()
    copy_of: str = ""
    replaces: str = ""


@dataclass(frozen=True, slots=True)
class Verified:
    """What was found of a record that is whole.

    Attributes:
        what: "run file", "journal", "certificate", or what a note is.
        run: the run's id, "" for a recall. state: the run's, "" for a certificate.
        sha256: the run's hash; for a certificate that of the run that it is of.
        bytes: that the hash covers; for a certificate all of the file.
        torn_bytes: bytes at a journal's end that are no whole record.
        key: id of the key that signed, "" when unsigned.
        signature: one of ``SIGNATURE_WORDS``.
        paper: what a certificate says of itself, else None. note: a note, else None.
    """

    path: Path
    what: str
    run: str
    state: str
    sha256: str
    bytes: int
    torn_bytes: int
    key: str
    signature: str  # "unsigned", "fits", "not checked"
    simulated: bool
    paper: Paper | None = None
    note: Note | None = None

    @property
    def signature_said(self) -> str:
        """The signature's state in words."""
        return SIGNATURE_WORDS[self.signature]


def verify(path: Path, public_key: Path | None = None) -> Verified:
    """Check every byte of a record or a certificate of ours.

    Args:
        path: run file, journal, certificate or note.
        public_key: public key file, the folder it lies in, or an exported list of a
            shop's keys; None leaves it open whose signature it is, and the answer says
            so.

    Raises:
        InputError: missing, empty, or not ours.
        IntegrityError: changed, cut short, or signed by another key.
    """
    if path.is_dir():
        raise InputError("file_not_ours", where=str(path), what="record or archive")
    if is_journal(path):
        return _journal(path)
    trusted = None if public_key is None else _trusted(public_key)
    data = _whole(path)
    if data is not None and is_page(data):
        return _certificate(path, data, trusted)
    if data is not None:
        unsigned = _unsigned_document(data)
        if unsigned:
            raise InputError("document_not_signed", where=str(path), what=unsigned)
        if is_note(data):
            return _note(path, data, trusted)
    return _run_file(path, trusted)


def _unsigned_document(data: bytes) -> str:
    """Return what a whole document of ours without a signature is, else ""."""
    if not data.lstrip().startswith(b"{"):
        return ""
    try:
        told = json.loads(data)
    except ValueError:
        return ""
    if not isinstance(told, dict) or "signature" in told:
        return ""
    return UNSIGNED.get(str(told.get("schema", told.get("format", ""))), "")


@dataclass(frozen=True, slots=True)
class _Trusted:
    """Public keys that may have signed, by id, each with its end, "" for none."""

    keys: Mapping[str, tuple[rsa.RSAPublicKey, str]]

    @property
    def told(self) -> str:
        """The ids, short."""
        return ", ".join(id[:16] for id in self.keys)

    def refuse_other(self, id: str, when: str, path: Path) -> None:
        """Refuse what another key signed, or one of these after its end.

        Raises:
            IntegrityError: ``signature_wrong``, ``signature_after_end``.
        """
        if id not in self.keys:
            raise IntegrityError("signature_wrong", where=str(path), key=self.told)
        until = self.keys[id][1]
        if until and when > until:
            raise IntegrityError(
                "signature_after_end", where=str(path), key=id[:16], until=until
            )


def _trusted(path: Path) -> _Trusted:
    return _Trusted({key_id(each): (each, end) for each, end in publics_at(path)})


def verify_by_any(path: Path, public_keys: Sequence[Path]) -> Verified:
    """Check a record or a certificate that one of several keys should have signed.

    Raises:
        InputError, IntegrityError: see :func:`verify`; of the key that was given last.
    """
    if not public_keys:
        return verify(path)
    *others, last = public_keys
    for key in others:
        try:
            return verify(path, key)
        except IntegrityError as error:
            if error.id != "signature_wrong":
                raise
    return verify(path, last)


def refuse_other_keys(
    id: str, when: str, path: Path, public_keys: Sequence[Path]
) -> None:
    """Refuse what none of several keys signed, or one of them after its end.

    Args:
        id: of the key that signed.
        when: it signed, UTC.
        path: what was signed.
        public_keys: that may have; with none nothing is refused.

    Raises:
        InputError: a key can't be read.
        IntegrityError: ``signature_wrong``, ``signature_after_end``.
    """
    trusted = [_trusted(key) for key in public_keys]
    knowing = [each for each in trusted if id in each.keys] or trusted[-1:]
    for each in knowing:
        each.refuse_other(id, when, path)


def belongs(found: Sequence[Verified]) -> dict[Path, Path]:
    """Return which run file each certificate or note is of, among those given.

    Raises:
        IntegrityError: ``note_of_another_run``; ``certificate_of_another_run``, where a
            certificate names a run that is there with another hash;
            ``certificate_of_none_given``, where run files are there and none of them is
            its own.
    """
    any_run = any(v.what == RUN_FILE for v in found)
    pairs: dict[Path, Path] = {}
    for each in (v for v in found if v.note is not None and v.run):
        runs = [v for v in found if v.what == RUN_FILE and v.run == each.run]
        fitting = [v for v in runs if v.sha256 == each.sha256]
        if fitting:
            pairs[each.path] = fitting[0].path
        elif runs:
            raise IntegrityError(
                "note_of_another_run", where=str(each.path), what=each.what
            )
    for paper in (v for v in found if v.paper is not None):
        runs = [v for v in found if v.what == RUN_FILE and v.run == paper.run]
        fitting = [v for v in runs if v.sha256 == paper.sha256]
        if fitting:
            pairs[paper.path] = fitting[0].path
        elif runs:
            assert paper.paper is not None
            raise IntegrityError(
                "certificate_of_another_run",
                where=str(runs[0].path),
                number=paper.paper.number,
            )
        elif any_run:
            assert paper.paper is not None
            raise IntegrityError(
                "certificate_of_none_given",
                where=str(paper.path),
                number=paper.paper.number,
                run=paper.run,
            )
    return pairs


def _journal(path: Path) -> Verified:
    read = read_journal(path)
    if read.damaged_records:
        raise IntegrityError("journal_damaged", where=str(path), at="inside")
    return Verified(
        path,
        JOURNAL,
        read.run.id,
        read.run.state.value,
        read.sha256,
        path.stat().st_size,
        read.torn_bytes,
        "",
        "unsigned",
        read.run.header.rig.simulated,
    )


def _run_file(path: Path, trusted: _Trusted | None) -> Verified:
    seal = read_seal(path)
    signature = "unsigned"
    if seal.signature is not None:
        signature = "not checked"
        if trusted is not None:
            public, _ = trusted.keys.get(seal.signature.key_id, (None, ""))
            if public is None or not signature_fits(seal, public):
                raise IntegrityError(
                    "signature_wrong", where=str(path), key=trusted.told
                )
            signature = "fits"
    elif trusted is not None:
        raise IntegrityError("signature_missing", where=str(path))
    run = read_sealed(path)
    if signature == "fits" and trusted is not None:
        trusted.refuse_other(run.key_id, moment(run.header.started_utc_ns), path)
    return Verified(
        path,
        RUN_FILE,
        run.id,
        run.state.value,
        seal.sha256,
        seal.length,
        0,
        run.key_id,
        signature,
        run.header.rig.simulated,
    )


def _whole(path: Path) -> bytes | None:
    """Return a file's bytes, or None where the reader of run files knows more."""
    if not path.is_file():
        return None  # a device may have no end
    try:
        return path.read_bytes()
    except OSError:
        return None  # the reader of run files says what is wrong with it


def _certificate(path: Path, data: bytes, trusted: _Trusted | None) -> Verified:
    signed = check(data, str(path))
    if signed is None:
        raise InputError("file_not_ours", where=str(path), what="certificate")
    facts = facts_of(signed, str(path))
    signature = "not checked"
    if trusted is not None:
        trusted.refuse_other(signed.key_id, str(facts["issued"]), path)
        signature = "fits"
    original = original_of(signed, facts, str(path))
    notes = notes_of(original, facts, str(path))
    second = second_of(original, facts)
    title = str(facts["title"])
    waits = title == Title.TO_COUNTERSIGN.value and second is None
    paper = Paper(
        str(facts["number"]),
        Title.CERTIFICATE.value if second is not None else title,
        str(facts["verdict"]),
        str(facts["issued"]),
        str(facts["by"]),
        signed.owner,
        original.attached.get(JUDGEMENT_NAME, b""),
        facts.get("issuer"),
        str(facts["countersign"]) if waits else "",
        second,
        notes,
        str(facts.get("copy_of", {}).get("sha256", "")),
        str(facts.get("replaces", {}).get("number", "")),
    )
    return Verified(
        path,
        CERTIFICATE,
        str(facts["run"]["id"]),
        "",
        str(facts["run"]["sha256"]),
        len(data),
        0,
        signed.key_id,
        signature,
        bool(facts["simulated"]),
        paper,
    )


def _note(path: Path, data: bytes, trusted: _Trusted | None) -> Verified:
    note = read_note(data, str(path))
    signature = "not checked"
    if trusted is not None:
        trusted.refuse_other(note.key_id, str(note.facts["made"]), path)
        signature = "fits"
    return Verified(
        path,
        note.what,
        note.run_id,
        "",
        note.run_sha256,
        len(data),
        0,
        note.key_id,
        signature,
        note.demo,
        None,
        note,
    )
