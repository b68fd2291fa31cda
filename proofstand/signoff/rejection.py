"""Rejections: a run that somebody looked at and that no page is made of any more."""

from __future__ import annotations

import time
from pathlib import Path

from records.errors import RefusedError
from records.people import Act
from records.runfile import check_place

from .notes import REJECTION, Note, common, reason_of, signed, write_note
from .persons import AskPin, did, moment, no_pin
from .roll import Clock
from .signed_run import key_of, signed_run, who_signs


def reject(
    run_path: Path,
    out: Path,
    *,
    why: str,
    by: str,
    ask: AskPin = no_pin,
    key_folder: Path | None = None,
    utc_ns: Clock = time.time_ns,
) -> Note:
    """Record that a run is rejected, whatever its findings say.

    Args:
        run_path: sealed and signed run.
        out: the record to write; must not exist.
        why: the reason.
        by: who rejects it.
        ask: asks for their PIN.
        key_folder: as for a certificate.
        utc_ns: the clock.

    Raises:
        InputError: something given won't do, or can't be read or written.
        IntegrityError: the run was changed.
        RefusedError: not by this person.
    """
    check_place(out, "rejection")
    run = signed_run(run_path)
    key = key_of(run, run_path, key_folder)
    reason_of(why)  # before anybody types a PIN
    who = who_signs(key, by, Act.REJECT, ask, utc_ns)
    if not who.name:
        raise RefusedError("person_wanted", act=Act.REJECT.value)
    note = signed(common(REJECTION, run, who, why, moment(utc_ns())), key)
    write_note(out, note)
    did(who, Act.REJECT, utc_ns=utc_ns, run=run.sha256, why=str(note.facts["why"]))
    return note
