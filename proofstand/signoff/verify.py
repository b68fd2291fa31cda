"""Verify: is a record as it was written, and who signed it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from records.errors import InputError, IntegrityError
from records.journal import is_journal, read_journal
from records.runfile import read_seal, read_sealed

from .keys import key_id, load_public, signature_fits

SIGNATURE_WORDS = {
    "unsigned": "unsigned: anyone could have sealed it",
    "fits": "signed, and the signature fits the key given",
    "not checked": "signed; give --key to check by whom",
}


@dataclass(frozen=True, slots=True)
class Verified:
    """What was found of a record that is whole.

    Attributes:
        torn_bytes: bytes at a journal's end that are no whole record.
        what: "run file" or "journal". state: the run's state.
        signed: None when unsigned, else True when the given key made the signature;
            "unknown key" when no public key was at hand.
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

    @property
    def signature_said(self) -> str:
        """The signature's state in words."""
        return SIGNATURE_WORDS[self.signature]


def verify(path: Path, public_key: Path | None = None) -> Verified:
    """Check every byte of a record of ours.

    Args:
        path: run file or journal.
        public_key: public key file, or the folder it lies in; None leaves a signature
            unchecked, and the answer says so.

    Raises:
        InputError: missing, empty, or not ours.
        IntegrityError: changed, cut short, or signed by another key.
    """
    if is_journal(path):
        read = read_journal(path)
        if read.damaged_records:
            raise IntegrityError("journal_damaged", where=str(path), at="inside")
        return Verified(
            path,
            "journal",
            read.run.id,
            read.run.state.value,
            read.sha256,
            path.stat().st_size,
            read.torn_bytes,
            "",
            "unsigned",
            read.run.header.rig.simulated,
        )
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
    elif public_key is not None and not public_key.exists():
        raise InputError("file_missing", where=str(public_key), what="public key")
    run = read_sealed(path)
    return Verified(
        path,
        "run file",
        run.id,
        run.state.value,
        seal.sha256,
        seal.length,
        0,
        run.key_id,
        signature,
        run.header.rig.simulated,
    )
