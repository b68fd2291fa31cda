"""Leading the check at the start of a shift, and keeping what it found.

Rig check, zero, rig-hold, one check standard, in this order; what is not good ends it.
Each but the first is a run of its own, recorded and sealed as any test is. The record
is written however it ends: a check that was begun and not passed lets nobody test.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from analysis.judge import judge
from records.errors import InputError, ProofstandError, RefusedError
from records.jobcard import FORMAT as JOB_FORMAT
from records.jobcard import JobCard, Regulator
from records.jobfile import load_job
from records.judgement import Finding, Judgement, Outcome, Verdict
from records.measure import Kind, Quantity, Reference
from records.plan import Plan
from records.planfile import DEFAULT_PLAN, parse_plan, plan_by_name
from records.rig import CheckStandard, Rig
from records.runfile import open_run
from records.shift import (
    SHIFT_FORMAT,
    CheckedChannel,
    FoundRigLeak,
    FoundStandard,
    Part,
    ShiftPart,
    ShiftRecord,
)
from records.tomlfile import read_text, text_sha256
from rig.rigfile import parse_rig

from . import shifts
from .bench.plancheck import check_plan, sights
from .bench.rigcheck import check_rig
from .bench.shift import (
    Wanted,
    clock_words,
    compared,
    fingerprint,
    leak_found,
    rig_hold_plan,
    short,
    standard_plan,
    typed,
    wanted_of,
    zero_plan,
)
from .keeping.made import keep_shift
from .procedure.engine import Command, Engine, prepared_plan
from .recording import lead
from .runs import new_header
from .session import SessionEvent
from .simulated import PLANS
from .words.sentences import reason, trouble

CHECK_S = 3.0
_PARTS: tuple[Part, ...] = ("rig check", "zero", "rig-hold", "check standard")


@dataclass(frozen=True, slots=True)
class Checked:
    """A check that is over: its record, and the folder that it lies in.

    Attributes:
        not_kept: why the archive does not have it yet, or None.
    """

    record: ShiftRecord
    folder: Path
    not_kept: InputError | None = None


@dataclass(slots=True)
class _Found:
    """What has been found so far."""

    parts: list[ShiftPart] = field(default_factory=list)
    channels: tuple[CheckedChannel, ...] = ()
    rig_leak: FoundRigLeak | None = None
    standard: FoundStandard | None = None


def check_shift(
    *,
    rig_path: Path,
    station: str = "",
    plans: Sequence[str] = (),
    family: str = "",
    by: str,
    hands: str | None = None,
    key_folder: Path | None = None,
    seconds: float = CHECK_S,
    tell: Callable[[SessionEvent], None] = lambda event: None,
    say: Callable[[ShiftPart], None] = lambda part: None,
    commands: Callable[[], Iterable[Command]] = lambda: (),
    now_ns: Callable[[], int] = time.time_ns,
) -> Checked:
    """Lead a check and keep its record.

    Args:
        rig_path: rig file.
        station: where the rig has several.
        plans: that will be tested by: files, or ids of built-in ones; the highest of
            their pressures counts. None: the family's default.
        family: of the regulators that the rig is for.
        by: who does it.
        hands: ``simulated``, or None where people work the valves.
        key_folder: of the key that seals the runs.
        seconds: how long the rig check reads.
        tell: called with each event of the runs.
        say: called with each part when it is over.
        commands: returns what people said since.
        now_ns: UTC.

    Raises:
        InputError: a file can't be used, nobody is named.
        RefusedError: no check standard, or it is overdue; a hold can't see its limit.
        RigError: the rig failed; the record that says so is kept.
    """
    if not by.strip():
        raise InputError("value_wrong", key="--by", given="nothing", right="a name")
    text = read_text(rig_path, "rig")
    rig = parse_rig(text, str(rig_path), rig_path.parent)
    try:
        rig = rig.for_station(station)
    except InputError as error:
        raise error.at(str(rig_path)) from None
    standard = _standard(rig, rig_path, now_ns())
    names = tuple(plans) or (PLANS.get(family, DEFAULT_PLAN),)
    wanted = wanted_of([plan_by_name(name)[0] for name in names])
    wanted = _long_enough(wanted, rig, rig_path)
    led = _Led(
        rig=rig,
        rig_path=rig_path,
        by=by.strip(),
        hands=hands,
        key_folder=key_folder,
        tell=tell,
        commands=commands,
        now_ns=now_ns,
        folder=shifts.new_check(rig.id, rig.stations[0].id, now_ns()),
        card=_card(family, wanted),
    )
    found = _Found()
    try:
        _lead_all(led, found, wanted, standard, seconds, say)
    except (ProofstandError, KeyboardInterrupt) as error:
        why = "interrupted"
        if isinstance(error, ProofstandError):
            why = trouble(error).what
        found.parts.append(ShiftPart(what=led.on, passed=False, why=why))
        _keep(led, found, wanted, names, text)
        raise
    return Checked(*_keep(led, found, wanted, names, text))


def _standard(rig: Rig, path: Path, now_ns: int) -> CheckStandard:
    """Return the rig's check standard.

    Raises:
        RefusedError: ``rig_without_check_standard``, ``check_standard_overdue``.
    """
    standard = rig.check_standard
    if standard is None:
        raise RefusedError("rig_without_check_standard", where=str(path), rig=rig.id)
    if standard.due < datetime.fromtimestamp(now_ns / 1e9).date():
        raise RefusedError(
            "check_standard_overdue",
            where=str(path),
            standard=standard.id,
            certificate=standard.certificate,
            due=standard.due.isoformat(),
        )
    return standard


def _long_enough(wanted: Wanted, rig: Rig, path: Path) -> Wanted:
    """Return what is wanted, its hold as long as this rig needs to see the gate.

    Raises:
        InputError, RefusedError: the rig can't do it; see ``plancheck``.
    """
    plan = parse_plan(rig_hold_plan(wanted), "start of shift")
    try:
        Engine(plan, rig)
        needed = [s.needed_s for s in sights(plan, rig) if s.needed_s is not None]
        longer = replace(wanted, hold_s=max([wanted.hold_s, *needed]))
        check_plan(parse_plan(rig_hold_plan(longer), "start of shift"), rig)
    except (InputError, RefusedError) as error:
        raise error.at(str(path)) from None
    return longer


def _card(family: str, wanted: Wanted) -> JobCard:
    """Return the card of runs in which no regulator is on the rig."""
    return JobCard(
        format=JOB_FORMAT,
        id="start-of-shift",
        regulator=Regulator(serial="none fitted", model="", family=family, gas=""),
        test_gas=wanted.gas,
    )


@dataclass(slots=True)
class _Led:
    """How the runs of a check are led."""

    rig: Rig
    rig_path: Path
    by: str
    hands: str | None
    key_folder: Path | None
    tell: Callable[[SessionEvent], None]
    commands: Callable[[], Iterable[Command]]
    now_ns: Callable[[], int]
    folder: Path
    card: JobCard
    on: Part = "rig check"

    def run(self, plan: Plan, text: str, card: JobCard) -> tuple[Judgement, ShiftPart]:
        """Lead one plan; return its judgement, and the part with the run's hash."""
        name = self.on.replace(" ", "-")
        out = self.folder / f"{name}.h5"
        header = new_header(
            origin="record",
            job=card,
            plan=plan,
            plan_text=text,
            rig=self.rig,
            utc_ns=self.now_ns(),
            by=self.by,
        )
        made = lead(
            header,
            self.rig,
            out=out,
            journal=out.with_suffix(".journal"),
            hands=self.hands,
            by=self.by,
            key_folder=self.key_folder,
            tell=self.tell,
            commands=self.commands,
            watched=False,
            resume=False,
            where=self.rig_path,
        )
        judged = judge(open_run(out))
        part = ShiftPart(
            what=self.on,
            passed=False,
            run=made.run,
            sha256=made.seal.sha256,
            file=out.name,
        )
        return judged, part


def _lead_all(
    led: _Led,
    found: _Found,
    wanted: Wanted,
    standard: CheckStandard,
    seconds: float,
    say: Callable[[ShiftPart], None],
) -> None:
    """Lead part after part, until one is not good."""
    for what in _PARTS:
        led.on = what
        if what == "rig check":
            part = _read_all(led, found, seconds)
        elif what == "zero":
            part = _zero(led, wanted)
        elif what == "rig-hold":
            part = _rig_hold(led, found, wanted)
        else:
            part = _compare(led, found, wanted, standard)
        found.parts.append(part)
        say(part)
        if not part.passed:
            return


def _read_all(led: _Led, found: _Found, seconds: float) -> ShiftPart:
    checked = check_rig(led.rig, seconds, led.rig_path.parent)
    found.channels = tuple(
        CheckedChannel(
            id=row.channel,
            value=row.value,
            good=row.good,
            noise=row.noise,
            zero=row.zero,
            calibration=row.calibration,
        )
        for row in checked.rows
    )
    bad = [row.channel for row in checked.rows if not row.good_readings]
    bad += [id for id in checked.failed if id not in bad]
    why = "" if checked.is_good else "no good reading: " + ", ".join(bad)
    return ShiftPart(what="rig check", passed=checked.is_good, why=why)


def _zero(led: _Led, wanted: Wanted) -> ShiftPart:
    text = zero_plan(wanted)
    judged, part = led.run(parse_plan(text, "zero"), text, led.card)
    passed = judged.verdict is Verdict.PASS
    return replace(part, passed=passed, why="" if passed else _why(judged.findings))


def _rig_hold(led: _Led, found: _Found, wanted: Wanted) -> ShiftPart:
    text = rig_hold_plan(wanted)
    judged, part = led.run(parse_plan(text, "rig-hold"), text, led.card)
    leak = next((f for f in judged.findings if f.id == "rig_leak"), None)
    if leak is None:
        return replace(part, why=_why(judged.findings) or "nothing was measured")
    found.rig_leak = leak_found(leak, wanted)
    good = (Outcome.PASS,) if wanted.gate is not None else (Outcome.NO_LIMIT,)
    doubted = wanted.gate is None and len(leak.why) > 1  # more than that no limit is
    passed = found.rig_leak is not None and leak.outcome in good and not doubted
    return replace(part, passed=passed, why="" if passed else _why((leak,)))


def _compare(
    led: _Led, found: _Found, wanted: Wanted, standard: CheckStandard
) -> ShiftPart:
    folder = led.rig_path.parent
    if standard.kind == "regulator":
        card = load_job(folder / standard.job)
        plan, text = plan_by_name(str(folder / standard.plan))
        plan = prepared_plan(plan, card)
    else:
        card, text = led.card, standard_plan(standard, wanted, led.rig)
        plan = parse_plan(text, "check standard")
    Engine(plan, led.rig)
    judged, part = led.run(plan, text, card)
    finding = next((f for f in judged.findings if f.id == standard.finding), None)
    if finding is None:
        return replace(part, why=_why(judged.findings) or "nothing was measured")
    upper = 0.0 if found.rig_leak is None else found.rig_leak.upper.value_si
    found.standard = compared(finding, standard, upper)
    if found.standard is None:
        return replace(part, why=_why((finding,)) or "nothing was measured")
    agrees = found.standard.outcome == Outcome.PASS.value
    own = standard.kind == "reference leak" or judged.verdict is Verdict.PASS
    why = ""
    if not agrees:
        why = f"{_apart(found.standard)} {_why((finding,))}".rstrip()
    elif not own:
        why = _why(judged.findings) or f"its own plan: {judged.verdict.value}"
    return replace(part, passed=agrees and own, why=why)


def _apart(told: FoundStandard) -> str:
    """Return how far a standard was found from what its certificate states."""
    return (
        f"{told.outcome}: found {short(told.found)}, 95 % interval {short(told.low)} "
        f"to {short(told.high)}; stated {told.stated.typed}, which it may lie "
        f"{told.limit.typed} from."
    )


def _why(findings: Sequence[Finding]) -> str:
    """Return in a sentence or two what is not good."""
    good = (Outcome.PASS, Outcome.CONDITIONAL_PASS)
    told = [
        f"{f.id.replace('_', ' ')} {f.channel}".strip()
        + f" {f.outcome.value}: {' '.join(reason(why) for why in f.why)}"
        for f in findings
        if f.outcome not in good
    ]
    return " ".join(told[:2])


def _keep(
    led: _Led, found: _Found, wanted: Wanted, names: Sequence[str], text: str
) -> tuple[ShiftRecord, Path, InputError | None]:
    """Keep the check's record, and a copy of all in the archive."""
    over_ns = led.now_ns()
    done = [part.what for part in found.parts if part.passed]
    gate = wanted.gate
    record = ShiftRecord(
        format=SHIFT_FORMAT,
        id=led.folder.name,
        rig=led.rig.id,
        station=led.rig.stations[0].id,
        rig_file_sha256=text_sha256(text),
        rig_state_sha256=fingerprint(led.rig),
        utc_ns=over_ns,
        when=clock_words(over_ns),
        by=led.by,
        passed=tuple(done) == _PARTS,
        hours=led.rig.shift.hours,
        plans=tuple(names),
        gate=None if gate is None else _leak(gate),
        rig_leak=found.rig_leak,
        standard=found.standard,
        parts=tuple(found.parts),
        channels=found.channels,
    )
    record = shifts.keep_check(led.folder, record)
    not_kept = None
    if not led.rig.simulated:
        not_kept = keep_shift(led.folder, record, led.rig_path)
    return record, led.folder, not_kept


def _leak(value_si: float) -> Quantity:
    return typed(value_si, Kind.LEAK, Reference.NONE)
