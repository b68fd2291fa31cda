"""The simulated rig and the job put together: who works it, in what time."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from records.errors import InputError, RefusedError
from records.jobcard import FORMAT as JOB_FORMAT
from records.jobcard import JobCard
from records.jobfile import with_upstream
from records.plan import Plan
from records.planfile import DEFAULT_PLAN, plan_by_name
from records.rig import HandValves, Rig
from records.run import Mark, MarkKind, Request
from records.runfile import Seal, seal
from records.tomlfile import load_toml
from rig.instruments.modbus import ModbusInstrument
from rig.rigfile import parse_rig
from rig.simulator.devices import InProcessLink, SimulatedRig
from rig.simulator.families import FAMILIES, FIRST_STAGE, PAIR, SECOND_STAGE
from rig.simulator.faults import parsed_faults
from rig.simulator.hands import (
    ABSENCE_S,
    MISTAKES,
    Hands,
    Mistake,
    Moves,
    manner_for,
)
from rig.simulator.hands_link import ValveWriter
from rig.simulator.history import true_findings
from rig.simulator.rigbody import REGULATOR
from rig.simulator.rigtext import rig_text

from .procedure.engine import (
    Abandon,
    Acknowledge,
    Answer,
    Command,
    needed_roles,
    prepared_plan,
    stages_of,
)
from .procedure.stages import Ask
from .runs import new_header
from .session import Closed, Marked, Session, SessionEvent
from .signoff.keys import signer_for

PLANS = {
    "second-stage": DEFAULT_PLAN,
    "first-stage": "first-stage",
    "line": "line",
    "cylinder-1": "cylinder",
    "cylinder-2": "cylinder-two-stage",
    "oxygen": "oxygen",
    "service": "service",
    "pair": "pair",
}
# A simulated run has a date of its own, so that the same seed gives the same bytes.
EPOCH = datetime(2026, 6, 15, 8, 0, tzinfo=UTC)
BY = "simulated hands"
SAY_AGAIN_S = 2.0
SAID_AGAIN = 60  # times
PATIENCE_S = 300.0  # rig time without anything new, beyond the longest hold
EPOCH_NS = int(EPOCH.timestamp()) * 1_000_000_000

FIRST_CARD = "first-stage.toml"  # of a pair, beside the second stage's
_JOB_TEXT = """format = "{format}"
id = "LV-1042"
test_gas = "nitrogen"
last_service = "{service}"
purged = true
set_pressure = "{set_to} gauge"
mounting = "upright, vent down"
technician = "simulated hands"
{card}
[regulator]
serial = "SIM-0001"
model = "invented {words}"
family = "{family}"
gas = "{gas}"

[regulator.nameplate]
inlet_max = "{inlet} gauge"
outlet_min = "{low} gauge"
outlet_max = "{high} gauge"
"""


@dataclass(frozen=True, slots=True)
class _Card:
    """What the job card of a simulated regulator says.

    Attributes:
        card: a further line of it. family: "" for the one that it is listed under.
    """

    words: str
    gas: str
    service: str
    set_to: str
    inlet: str
    low: str
    high: str
    rating: str = ""
    relief: str = ""
    card: str = ""
    family: str = ""


_CARDS = {
    "second-stage": _Card(
        "second stage",
        "propane",
        "propane, house line",
        "11.0 in. w.c.",
        "10 psi",
        "9 in. w.c.",
        "13 in. w.c.",
    ),
    "pair": _Card(
        "second stage",
        "propane",
        "propane, house line",
        "11.0 in. w.c.",
        "15 psi",
        "9 in. w.c.",
        "13 in. w.c.",
        card=f'upstream_card = "{FIRST_CARD}"\n',
        family="second-stage",
    ),
    "first-stage": _Card(
        "first stage",
        "propane",
        "propane, tank",
        "10 psi",
        "250 psi",
        "5 psi",
        "15 psi",
    ),
    "line": _Card(
        "line regulator",
        "natural gas",
        "natural gas, house line",
        "8.0 in. w.c.",
        "5 psi",
        "6 in. w.c.",
        "10 in. w.c.",
    ),
    "cylinder-1": _Card(
        "cylinder regulator, one stage",
        "nitrogen",
        "nitrogen, workshop",
        "5.0 bar",
        "200 bar",
        "1 bar",
        "8 bar",
    ),
    "cylinder-2": _Card(
        "cylinder regulator, two stages",
        "argon",
        "argon, workshop",
        "4.0 bar",
        "200 bar",
        "0.5 bar",
        "6 bar",
    ),
    "oxygen": _Card(
        "oxygen regulator",
        "oxygen",
        "oxygen, workshop",
        "4.0 bar",
        "200 bar",
        "1 bar",
        "8 bar",
    ),
    "service": _Card(
        "service regulator",
        "natural gas",
        "natural gas, street",
        "7.0 in. w.c.",
        "100 psi",
        "6 in. w.c.",
        "10 in. w.c.",
        rating="1 psi",
        relief="internal",
    ),
}


def job_text(family: str) -> str:
    """Return the text of the invented shop's job card for a family.

    Raises:
        KeyError: no such family.
    """
    card = _CARDS[family]
    more = ""
    if card.rating:
        more += f'outlet_rating = "{card.rating} gauge"\n'
    if card.relief:
        more += f'relief = "{card.relief}"\n'
    text = _JOB_TEXT.format(
        format=JOB_FORMAT,
        family=card.family or family,
        words=card.words,
        card=card.card,
        gas=card.gas,
        service=card.service,
        set_to=card.set_to,
        inlet=card.inlet,
        low=card.low,
        high=card.high,
    )
    return text + more


JOB_TEXT = job_text(SECOND_STAGE.id)


def demo_job(family: str = SECOND_STAGE.id) -> JobCard:
    """Return the job card of the invented shop, of a pair with that of the first."""
    if family != PAIR.id:
        return load_toml(job_text(family), JobCard, "job.toml", JOB_FORMAT)
    text, first = pair_texts()
    job = load_toml(text, JobCard, "job.toml", JOB_FORMAT)
    upstream = load_toml(first, JobCard, FIRST_CARD, JOB_FORMAT)
    return with_upstream(job, upstream, "job.toml")


def pair_texts() -> tuple[str, str]:
    """Return the texts of a pair's two cards: second stage, and ``FIRST_CARD``."""
    first = job_text(FIRST_STAGE.id).replace("SIM-0001", "SIM-0002")
    first = first.replace("LV-1042", "LV-1043")
    return job_text(PAIR.id), first


class _Worker:
    """Lets the scripted hands work valves, wherever those are."""

    def __init__(
        self, hands: Hands, move: Callable[[Mapping[str, float]], None]
    ) -> None:
        self._hands = hands
        self._move = move
        self._said: Command | None = None
        self._said_id, self._said_s, self._more = "", 0.0, 0

    def work(
        self, t_s: float, request: Request | None, seen: Mapping[str, float]
    ) -> Command | None:
        """Move the valves; return what is said of a request that is done."""
        moves: Moves = self._hands.act(t_s, request, seen)
        if moves.valves:
            self._move(moves.valves)
        if moves.acknowledge is None:
            return self._once_more(t_s, request)
        self._said_id, self._said_s, self._more = moves.acknowledge, t_s, SAID_AGAIN
        if moves.answer is not None:
            self._said = Answer(moves.acknowledge, moves.answer, BY)
        else:
            self._said = Acknowledge(moves.acknowledge, BY)
        return self._said

    def _once_more(self, t_s: float, request: Request | None) -> Command | None:
        """Say again what was said of a request that stands, as who is asked again."""
        if request is None or request.id != self._said_id or not self._more:
            return None
        if t_s - self._said_s < SAY_AGAIN_S:
            return None
        self._said_s, self._more = t_s, self._more - 1
        return self._said


class FarWorker:
    """Lets the scripted hands work a served rig; they rest while it is away."""

    def __init__(self, hands: Hands, writer: ValveWriter) -> None:
        self._hands = hands
        self._near = _Worker(hands, writer.move)
        self._writer = writer

    def work(
        self, t_s: float, request: Request | None, seen: Mapping[str, float]
    ) -> Command | None:
        """Move the valves; return what is said of a request that is done.

        Raises:
            RigError: the rig refuses, or is away for longer than hands wait.
        """
        if self._writer.is_away:
            self._writer.move({})
            # what was done meanwhile was done to nothing
            self._hands.begin_again()
            return None
        return self._near.work(t_s, request, seen)

    def close(self) -> None:
        """Let go of the valves."""
        self._writer.close()


def hands_over_the_wire(
    rig: Rig,
    seed: int = 0,
    *,
    family: str = "",
    go_on: bool = False,
    regulator_on: bool = False,
) -> FarWorker:
    """Return hands that work a served simulated rig through its valve registers.

    Args:
        rig: the simulated rig.
        seed: of the hands.
        family: of the regulator, as the job card has it; of a second stage if unknown.
        go_on: take the valves as they stand; else the rig is as one just served.
        regulator_on: a regulator has to be fitted on the rig by now.

    Raises:
        RefusedError, InputError: the rig is not a simulated one on this computer, or
            was started anew and the regulator is gone.
        RigError: it can't be reached.
    """
    first = rig.instruments[0]
    if rig.hand_valves is None and first.protocol != "modbus-tcp":
        raise InputError("rig_without_hand_valves", where=rig.id)
    valves = rig.hand_valves or HandValves(host=first.host, port=first.port)
    writer = ValveWriter(
        valves.host, valves.port, simulated=rig.simulated, device=first.device
    )
    found = writer.found() if go_on else None
    if regulator_on and found is not None and found["fixture"] != REGULATOR:
        writer.close()
        raise RefusedError(
            "simulated_rig_anew", where=f"{valves.host} port {valves.port}"
        )
    manner = manner_for(FAMILIES.get(family, SECOND_STAGE))
    return FarWorker(Hands(seed, found, manner), writer)


class VirtualClock:
    """A host clock that moves a simulated rig's time instead of waiting."""

    def __init__(self, rig: SimulatedRig) -> None:
        self._rig = rig
        self._now_ns = 0

    def monotonic_ns(self) -> int:
        """Return rig time."""
        return self._now_ns

    def utc_ns(self) -> int:
        """Return the date of simulated runs plus rig time."""
        return EPOCH_NS + self._now_ns

    def wall_ns(self, elapsed_ns: int) -> int:
        """Return the same: there is no other time here."""
        return elapsed_ns

    def sleep_until_ns(self, monotonic_ns: int) -> None:
        """Let the simulated gas go on until then."""
        self._now_ns = max(self._now_ns, monotonic_ns)
        self._rig.advance_to(self._now_ns * 1e-9)


class _Patience:
    """Ends a simulated test that does not get on, as a person would."""

    def __init__(self, longest_s: float) -> None:
        self._longest_s = longest_s
        self._since_s = 0.0

    def see(self, event: SessionEvent) -> None:
        """Take note of what the session tells."""
        if isinstance(event, Marked):
            self._since_s = max(self._since_s, event.mark.t_s)

    def ended_by(self, t_s: float) -> tuple[Command, ...]:
        """Return the command to end when nothing came about for long."""
        if t_s - self._since_s < self._longest_s:
            return ()
        self._since_s = t_s
        return (Abandon("the simulated hands did not get on", "simulated hands"),)


@dataclass(frozen=True, slots=True)
class Simulated:
    """A simulated run that was sealed."""

    run: str
    seal: Seal
    how: str
    rig_seconds: float


def _check_mistakes(mistakes: Sequence[str], plan: Plan) -> None:
    """Refuse a mistake that hands can't make at the step named, or at any."""
    asked = {
        step.id: {s.act for s in stages_of(step, plan) if isinstance(s, Ask)}
        for step in plan.steps
        if not (step.left_out or step.from_shift)
    }
    for text in mistakes:
        made = Mistake.parse(text)
        acts = MISTAKES[made.slip]
        can = [id for id, own in asked.items() if not acts or own & set(acts)]
        if not can or made.step not in ("", *can):
            raise InputError(
                "mistake_nowhere",
                given=text,
                plan=plan.id,
                steps=", ".join(can) or "none",
            )


def simulate(
    *,
    family: str,
    plan_name: str | None,
    faults: Sequence[str],
    seed: int,
    out: Path,
    mistakes: Sequence[str] = (),
    vent_meter: bool = True,
    key_folder: Path | None = None,
    run_id: str = "",
    show: Callable[[SimulatedRig], None] = lambda rig: None,
    tell: Callable[[SessionEvent], None] = lambda event: None,
    kept_truth: Callable[[Mapping[str, Any]], Mapping[str, Any]] = dict,
) -> Simulated:
    """Make a sealed run of a simulated regulator, the same for the same seed.

    The rig, the registers, the recorder, the procedure and the file are those of a real
    test; only the gas, the hands and the passing of time are simulated.

    Args:
        family: of the regulator.
        plan_name: the family's own plan if None.
        faults: what is wrong with it, as ``id`` or ``id:severity``.
        seed: what regulator, rig, day, noise and hands are drawn from.
        out: run file to make.
        mistakes: what the hands do wrong; see :meth:`Mistake.parse`.
        vent_meter: the vent is read where the plan has a relief step; else the hands
            look.
        key_folder: of a demonstration key; unsigned if None.
        run_id: of the run; "" makes one that tells what it is.
        show: is given the rig before anything is done, to look at and no more.
        tell: hears what the session tells.
        kept_truth: gives what was true of the gas as it is to stand in the file.

    Raises:
        InputError: unknown family, fault, mistake or plan; a family without a plan; a
            severity outside 0 to 1; the output exists; the key can't be used.
        RefusedError: the key is not a demonstration key.
    """
    if family not in FAMILIES:
        raise InputError("family_unknown", given=family, known=", ".join(FAMILIES))
    if plan_name is None:
        plan_name = PLANS.get(family)
        if plan_name is None:
            raise InputError(
                "family_without_plan", given=family, known=", ".join(PLANS)
            )
    made_for = FAMILIES[family]
    severities = parsed_faults(faults)
    signer = signer_for(simulated=True, folder=key_folder)
    plan, plan_text = plan_by_name(plan_name)
    job = demo_job(family)
    prepared = prepared_plan(plan, job)
    _check_mistakes(mistakes, prepared)
    metered = "flow" in needed_roles(prepared)
    reads_vent = vent_meter and any(s.kind == "relief" for s in prepared.steps)
    text = rig_text(
        "127.0.0.1",
        502,
        1.0,
        EPOCH.date(),
        family=made_for,
        flow_meter=metered,
        vent_meter=reads_vent,
    )
    rig = parse_rig(text, "simulated rig")
    simulated = SimulatedRig(
        seed,
        severities,
        family=made_for,
        flow_meter=metered,
        vent_meter=reads_vent,
    )
    hands = Hands(
        seed,
        manner=manner_for(made_for),
        mistakes=mistakes,
        counts=simulated.counted,
        vents=simulated.vents,
    )
    show(simulated)
    history = simulated.keep_history()
    kinds = {step.id: step.kind for step in prepared.steps}
    read_after_s = {
        step.id: step.read_after.value_si for step in prepared.steps if step.read_after
    }

    marks: list[Mark] = []

    def truth() -> Mapping[str, Any]:
        findings = true_findings(history, marks, kinds, read_after_s)
        return kept_truth({**simulated.truth(), "findings": findings})

    clock = VirtualClock(simulated)
    instruments = [
        ModbusInstrument(i, rig.columns(i.id), InProcessLink(simulated), clock)
        for i in rig.instruments
    ]
    drawn = [
        f"{id.replace(':', '-')}-{severity:g}" for id, severity in severities.items()
    ]
    told = "+".join([*drawn, *mistakes])
    header = new_header(
        origin="simulate",
        job=job,
        plan=prepared,
        plan_text=plan_text,
        rig=rig,
        utc_ns=EPOCH_NS,
        by="simulated hands",
        run_id=run_id
        or f"simulated-{family}-{plan.id}-{seed}" + (f"-{told}" if told else ""),
    )
    seconds = 0.0
    holds = [step.hold.value_si for step in prepared.steps if step.hold is not None]
    away = any(Mistake.parse(text).slip == "long-absence" for text in mistakes)
    patience = _Patience(
        PATIENCE_S + max(holds, default=0.0) + (ABSENCE_S[1] if away else 0.0)
    )

    def listen(event: SessionEvent) -> None:
        nonlocal seconds
        if isinstance(event, Closed):
            seconds = event.rig_seconds
        if isinstance(event, Marked):
            mark = event.mark
            marks.append(mark)
            if mark.kind is MarkKind.ASKED and mark.data["act"] == "hands_off":
                hands.left_alone(mark.step)
        patience.see(event)
        tell(event)

    # its own name: what was killed before must not stand in the way
    journal = out.with_name(f".{out.name}.{os.getpid()}.journal")
    session = Session(
        header=header,
        plan=prepared,
        rig=rig,
        journal=journal,
        instruments=instruments,
        clock=clock,
        tell=listen,
        hands=_Worker(hands, simulated.move),
        truth=kept_truth(simulated.truth()),
        truth_at_end=truth,
    )
    try:
        how = session.run(lambda: patience.ended_by(simulated.t_s))
        made = seal(journal, out, signer)
    finally:
        journal.unlink(missing_ok=True)
    return Simulated(header.id, made, how, seconds)
