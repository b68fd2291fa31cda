"""Verify: is a record or a certificate as it was written, and who signed it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from records.errors import InputError, IntegrityError
from records.journal import is_journal, read_journal
from records.runfile import read_seal, read_sealed

from .certificate import DATA_NAME, SCHEMA
from .keys import key_id, load_public, signature_fits
from .pades import Signed, check, is_page

SIGNATURE_WORDS = {
    "unsigned": "unsigned: anyone could have sealed it",
    "fits": "signed, and the signature fits the key given",
    "not checked": "signed; give --key to check by whom",
}
RUN_FILE, JOURNAL, CERTIFICATE = "run file", "journal", "certificate"


@dataclass(frozen=True, slots=True)
class Paper:
    """What a certificate says of itself; its signature covers it.

    Attributes:
        number, title, verdict: as printed. issued: UTC.
        by: who issued it, "" if not said. owner: whose key signed it, as the key says.
        copy_of: hash of the certificate that it is a copy of, else "".
        replaces: number of the one that it takes the place of, else "".
    """

    number: str
    title: str
    verdict: str
    issued: str
    by: str
    owner: str
    copy_of: str = ""
    replaces: str = ""


@dataclass(frozen=True, slots=True)
class Verified:
    """What was found of a record that is whole.

    Attributes:
        what: "run file", "journal" or "certificate".
        run: the run's id. state: the run's state, "" for a certificate.
        sha256: the run's hash; for a certificate that of the run that it is of.
        bytes: that the hash covers; for a certificate all of the file.
        torn_bytes: bytes at a journal's end that are no whole record.
        key: id of the key that signed, "" when unsigned.
        signature: one of ``SIGNATURE_WORDS``.
        paper: what a certificate says of itself, else None.
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

    @property
    def signature_said(self) -> str:
        """The signature's state in words."""
        return SIGNATURE_WORDS[self.signature]


def verify(path: Path, public_key: Path | None = None) -> Verified:
    """Check every byte of a record or a certificate of ours.

    Args:
        path: run file, journal or certificate.
        public_key: public key file, or the folder it lies in; None leaves it open
            whose signature it is, and the answer says so.

    Raises:
        InputError: missing, empty, or not ours.
        IntegrityError: changed, cut short, or signed by another key.
    """
    if is_journal(path):
        return _journal(path)
    page = _page_bytes(path)
    if page is not None:
        return _certificate(path, page, public_key)
    return _run_file(path, public_key)


def belongs(found: Sequence[Verified]) -> dict[Path, Path]:
    """Return which run file each certificate is of, among those verified together.

    Raises:
        IntegrityError: ``certificate_of_another_run``, where a certificate names a run
            that is there with another hash; ``certificate_of_none_given``, where run
            files are there and none of them is its own.
    """
    any_run = any(v.what == RUN_FILE for v in found)
    pairs: dict[Path, Path] = {}
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


def _run_file(path: Path, public_key: Path | None) -> Verified:
    seal = read_seal(path)
    signature = "unsigned"
    if seal.signature is not None:
        signature = "not checked"
        if public_key is not None:
            public = load_public(public_key)
            if not signature_fits(seal, public):
                raise IntegrityError(
                    "signature_wrong", where=str(path), key=key_id(public)[:16]
                )
            signature = "fits"
    elif public_key is not None:
        load_public(public_key)
        raise IntegrityError("signature_missing", where=str(path))
    run = read_sealed(path)
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


def _page_bytes(path: Path) -> bytes | None:
    """Return the bytes of a PDF, or None for anything else."""
    if not path.is_file():
        return None  # a device may have no end
    try:
        data = path.read_bytes()
    except OSError:
        return None  # the reader of run files says what is wrong with it
    return data if is_page(data) else None


def _certificate(path: Path, data: bytes, public_key: Path | None) -> Verified:
    signed = check(data, str(path))
    if signed is None:
        raise InputError("file_not_ours", where=str(path), what="certificate")
    signature = "not checked"
    if public_key is not None:
        wanted = key_id(load_public(public_key))
        if signed.key_id != wanted:
            raise IntegrityError("signature_wrong", where=str(path), key=wanted[:16])
        signature = "fits"
    facts = _facts(signed, path)
    paper = Paper(
        str(facts["number"]),
        str(facts["title"]),
        str(facts["verdict"]),
        str(facts["issued"]),
        str(facts["by"]),
        signed.owner,
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


def _facts(signed: Signed, path: Path) -> dict[str, Any]:
    """Return the facts attached to a page, once they fit who signed it."""
    try:
        facts: dict[str, Any] = json.loads(signed.attached[DATA_NAME])
        fits = (
            facts["schema"] == SCHEMA
            and facts["key"] == signed.key_id
            and bool(facts["simulated"]) == signed.demo
            and {"number", "title", "verdict", "issued", "by"} <= set(facts)
            and {"id", "sha256"} <= set(facts["run"])
        )
    except (KeyError, ValueError, TypeError):
        fits = False
    if not fits:
        why = "what it says of itself does not fit its signature"
        raise IntegrityError("certificate_changed", where=str(path), why=why)
    return facts
