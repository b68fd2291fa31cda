"""What a page may carry beside its run: as found, letterhead, what it takes over from.

Everything is looked at before a page is made, so that a refusal writes nothing.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from analysis.by_regulator import each_regulator
from analysis.judge import judge
from records.errors import InputError, IntegrityError, RefusedError
from records.judgement import Judgement
from records.people import Signatory
from records.plan import Plan
from records.run import Run
from records.runfile import read_seal, read_sealed

from ..approvals import plan_of
from .certificate import Certificate, Linked, RunNamed
from .keys import Key, signature_fits
from .notices import Says, check_notice_place, put_notice
from .paper import Letterhead, load_letterhead, shop_letterhead
from .verify import verify


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What was asked for beside the page itself.

    Attributes:
        as_found_run: run of the same regulator as it was received.
        replaces: certificate that the new one takes the place of. why: the reason.
        scanned: text of the job label, scanned from the regulator; "" for none.
        paper: file of the shop's paper; None takes the shop's own.
    """

    as_found_run: Path | None = None
    replaces: Path | None = None
    why: str = ""
    scanned: str = ""
    paper: Path | None = None


@dataclass(frozen=True, slots=True)
class AsFoundTest:
    """The test as received; ``own_key``: sealed with the key that signs the page."""

    run: Run
    plan: Plan
    judgement: Judgement
    own_key: bool


@dataclass(frozen=True, slots=True)
class Beside:
    """What was found of what was asked for."""

    as_found: AsFoundTest | None = None
    replaces: Linked | None = None
    letterhead: Letterhead | None = None

    @property
    def as_found_run(self) -> RunNamed | None:
        """The run of the test as received, or None."""
        if self.as_found is None:
            return None
        return RunNamed(self.as_found.run.id, self.as_found.run.sha256)


NOT_ASKED, NOTHING = Asked(), Beside()


def gathered(asked: Asked, run: Run, key: Key) -> Beside:
    """Return what stands beside a run's page.

    Raises:
        InputError: a file can't be used.
        IntegrityError: a file was changed.
        RefusedError: it is of another regulator, not of before the work, or without
            the scan that the shop asks for.
    """
    simulated = run.header.rig.simulated
    if asked.paper is None:
        letterhead = shop_letterhead(simulated=simulated)
    else:
        letterhead = load_letterhead(asked.paper)
    wanted = letterhead is not None and letterhead.paper.scan_before_certificate
    check_scan(run, asked.scanned, wanted=wanted)
    as_found = None
    if asked.as_found_run is not None:
        as_found = _as_found(asked.as_found_run, run, key)
    replaces = None
    if asked.replaces is not None:
        replaces = _replaced(asked.replaces, asked.why, run, key)
    return Beside(as_found, replaces, letterhead)


def check_scan(run: Run, scanned: str, *, wanted: bool) -> None:
    """Refuse a label that is not the run's regulator's.

    Raises:
        RefusedError: ``label_differs``, or ``scan_wanted`` where none was given.
    """
    job = run.header.job
    serial = job.regulator.serial
    if not scanned.strip():
        if wanted:
            raise RefusedError("scan_wanted", serial=serial)
        return
    if job.serial_of(scanned) != serial:
        raise RefusedError(
            "label_differs", given=scanned.strip(), card=job.id, known=serial
        )


def _as_found(path: Path, run: Run, key: Key) -> AsFoundTest:
    received = read_sealed(path)
    if not received.key_id:
        raise RefusedError("run_not_signed", where=str(path))
    own_key = received.key_id == key.id
    if own_key and not signature_fits(read_seal(path), key.public):
        raise IntegrityError("signature_wrong", where=str(path), key=key.id[:16])
    plan = plan_of(received.header)
    each = each_regulator(judge(received, plan), received)
    serial = run.header.job.regulator.serial
    received, judgement = next(
        (one for one in each if one[0].header.job.regulator.serial == serial), each[-1]
    )
    job, other = run.header.job, received.header.job
    named = job.as_found.run if job.as_found is not None else ""
    differences = (
        ("serial", other.regulator.serial, job.regulator.serial),
        ("model", other.regulator.model, job.regulator.model),
        ("run", received.id, named or received.id),
        ("rig", received.header.rig.simulated, run.header.rig.simulated),
    )
    for what, found, expected in differences:
        if found != expected:
            raise RefusedError(
                "as_found_of_another",
                where=str(path),
                what=what,
                found=found,
                wanted=expected,
            )
    if received.header.started_utc_ns >= run.header.started_utc_ns:
        raise RefusedError("as_found_not_before", where=str(path))
    return AsFoundTest(received, plan, judgement, own_key)


def _replaced(path: Path, why: str, run: Run, key: Key) -> Linked:
    if not why.strip():
        raise InputError(
            "value_wrong", key="--why", given="nothing", right="why it is made anew"
        )
    found = verify(path)
    paper = found.paper
    if paper is None:
        raise InputError("file_not_ours", where=str(path), what="certificate")
    if paper.copy_of:
        raise RefusedError("copy_of_a_copy", where=str(path), number=paper.number)
    check_notice_place(path)
    if found.key != key.id:
        raise IntegrityError("signature_wrong", where=str(path), key=key.id[:16])
    if found.run != run.id or found.sha256 != run.sha256:
        raise RefusedError(
            "replaces_of_another", where=str(path), number=paper.number, run=found.run
        )
    (judged,) = json.loads(paper.judgement)["judgements"]
    if judged["regulator"]["serial"] != run.header.job.regulator.serial:
        raise RefusedError(
            "replaces_of_another", where=str(path), number=paper.number, run=found.run
        )
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    return Linked(paper.number, sha256, " ".join(why.split()))


def announced(
    asked: Asked,
    made: Certificate,
    issuer: Signatory,
    key_folder: Path | None,
    utc_ns: Callable[[], int],
) -> Path | None:
    """Put a notice beside the certificate whose place a new one has taken.

    Returns:
        The notice, None where no place was taken.
    """
    if asked.replaces is None:
        return None
    return put_notice(
        asked.replaces,
        Says.REPLACED,
        asked.why,
        proven=issuer,
        key_folder=key_folder,
        replaced_by=made.number,
        utc_ns=utc_ns,
    )
