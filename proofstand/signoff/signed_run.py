"""A run that something may be signed about: sealed, signed, and by which key."""

from __future__ import annotations

from pathlib import Path

from records.errors import InputError, IntegrityError, RefusedError
from records.journal import is_journal
from records.people import Act, Signatory
from records.run import Run
from records.runfile import read_seal, read_sealed

from .keys import PRIVATE_NAME, Key, key_for, shop_folder, signature_fits
from .persons import AskPin, prove
from .roll import Clock
from .shopkeys import known_keys


def signed_run(path: Path) -> Run:
    """Return a sealed and signed run.

    Raises:
        InputError, IntegrityError: it can't be read, or was changed.
        RefusedError: ``run_not_sealed``, ``run_not_signed``.
    """
    if is_journal(path):
        raise RefusedError("run_not_sealed", where=str(path))
    run = read_sealed(path)
    if not run.key_id:
        raise RefusedError("run_not_signed", where=str(path))
    return run


def key_of(run: Run, run_path: Path, folder: Path | None) -> Key:
    """Return the key that signs, once it is shown that the shop sealed the run.

    A key that the shop had before may have sealed it; the one of today signs.

    Raises:
        InputError: the key can't be used. IntegrityError: ``signature_wrong``.
        RefusedError: see :func:`key_for`; ``simulated_needs_demo_key``.
    """
    simulated = run.header.rig.simulated
    if folder is None and simulated:
        raise RefusedError("simulated_needs_demo_key", where=str(run_path))
    if folder is None and not (shop_folder() / PRIVATE_NAME).exists():
        # A key made now could not be the one that sealed the run.
        raise InputError("file_missing", where=str(shop_folder()), what="key")
    key = key_for(simulated=simulated, folder=folder)
    assert key is not None
    publics = {key.id: key.public}
    if folder is None:
        publics |= {known.id: known.public for known in known_keys()}
    sealed_by = publics.get(run.key_id)
    if sealed_by is None or not signature_fits(read_seal(run_path), sealed_by):
        raise IntegrityError("signature_wrong", where=str(run_path), key=key.id[:16])
    return key


def who_signs(key: Key, by: str, act: Act, ask: AskPin, utc_ns: Clock) -> Signatory:
    """Return who wants something signed, shown by their PIN where there is a roll.

    What a demonstration key signs proves nothing of anybody: names are as typed.

    Raises:
        RefusedError, InputError, IntegrityError: see :func:`persons.prove`.
    """
    if key.demo:
        return Signatory(name=" ".join(by.split()))
    return prove(by, act, ask, utc_ns=utc_ns)
