"""Making a run file of a journal that was not closed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path

from records.errors import InputError
from records.journal import read_journal, refuse_if_live
from records.run import Part, RunState
from records.runfile import write_run

from .signoff.keys import signer_for


@dataclass(frozen=True, slots=True)
class Recovered:
    """What a recovery found.

    Attributes:
        last_s: time of the last reading, seconds from the start of its part.
        samples: readings (rows). torn_bytes: at the end, no whole record.
        damaged_records: inside the journal, left out.
    """

    run: str
    state: str
    sha256: str
    last_s: float
    samples: int
    marks: int
    torn_bytes: int
    damaged_records: int


def recover(
    journal: Path,
    out: Path,
    key_folder: Path | None = None,
    *,
    unsigned: bool = False,
) -> Recovered:
    """Make a sealed file of a journal's whole records; the journal is not touched.

    A journal with a close record and no damage gives an ordinary sealed run; any other
    one a run of state *interrupted* that names the journal and its digest.

    Args:
        journal: what a recorder left.
        out: the run file to make.
        key_folder: of the key that seals it; None takes the shop's for a real rig.
        unsigned: use no key.

    Raises:
        InputError: no journal of ours, or one without any reading; the key can't be
            used.
        RefusedError: a recorder still writes it, or the key may not sign it.
    """
    refuse_if_live(journal)
    read = read_journal(journal)
    run = read.run
    samples = sum(s.t_ns.size for s in run.samples.values())
    if samples == 0:
        raise InputError("journal_without_data", where=str(journal))
    whole = read.closed is not None and not read.damaged_records
    header = replace(run.header, source=f"{journal.name} sha256 {read.sha256}")
    state = RunState.CLOSED if whole else RunState.INTERRUPTED
    signer = None
    if not unsigned:
        signer = signer_for(simulated=run.header.rig.simulated, folder=key_folder)
    seal = write_run(replace(run, header=header, state=state), out, signer)
    last = max(
        (s.t_ns[-1] - _origin(run.parts, part, instrument, int(s.t_ns[0]))) * 1e-9
        for (part, instrument), s in run.samples.items()
        if s.t_ns.size
    )
    return Recovered(
        run.id,
        RunState.SEALED.value if whole else state.value,
        seal.sha256,
        float(last),
        samples,
        len(run.marks),
        read.torn_bytes,
        read.damaged_records,
    )


def recover_beside(journal: Path, key_folder: Path | None = None) -> Path:
    """Make a file of a journal that was not closed, beside it; return where it is.

    Nothing is overwritten: where the name is taken a number follows it.

    Args:
        journal: what a recorder left.
        key_folder: of the key that seals it; None takes the shop's for a real rig.

    Raises:
        InputError, RefusedError: see :func:`recover`.
    """
    for number in count(1):
        more = "" if number == 1 else f"-{number}"
        out = journal.with_name(f"{journal.stem}-interrupted{more}.h5")
        if not out.exists():
            recover(journal, out, key_folder)
            return out
    raise AssertionError


def _origin(parts: tuple[Part, ...], part: int, instrument: str, first_ns: int) -> int:
    known = next((p.origins for p in parts if p.number == part), {})
    return known.get(instrument, first_ns)
