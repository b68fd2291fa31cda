"""A drill's simulated rig, served on this computer, its valves in a person's hands.

The wire, the recorder, the procedure and the journal are those of any test; only the
gas is simulated. What is wrong with it stands in no file and no text before the end,
when what was true of the gas is written behind the record, folded.
"""

from __future__ import annotations

import queue
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from records.drill import Drill
from records.drillfile import answer_of, folded_truth
from records.errors import InputError
from records.journal import read_journal
from records.measure import Kind, to_unit
from records.plan import Plan
from records.planfile import plan_by_name
from records.run import Mark
from records.runfile import seal
from rig.acquisition import open_instruments
from rig.clock import HostClock
from rig.rigfile import parse_rig
from rig.simulator.devices import ServedRig, SimulatedRig
from rig.simulator.families import FAMILIES
from rig.simulator.faults import parsed_faults
from rig.simulator.hands_link import ValveWriter
from rig.simulator.history import true_findings
from rig.simulator.registermap import highest_for
from rig.simulator.rigbody import BLANK, OPEN, REGULATOR

from .display import number, unit_for
from .drilling import run_id_of
from .procedure.engine import Command, needed_roles, prepared_plan
from .runs import new_header
from .serving import served_rig_text
from .session import Marked, Session, SessionEvent
from .simulated import PLANS, demo_job

PACE = 2.0  # how many times faster than the wall clock rig time runs
FIXTURES = {"open": OPEN, "blank": BLANK, "regulator": REGULATOR}
# Steps that ask for what other plans leave shut.
_ONLY_FOR = {"syringe": "find-volume", "standard": "reference-leak"}
_BENT = 3.0  # a valve passes little at first: fine near shut, as a needle is


@dataclass(frozen=True, slots=True)
class HandValve:
    """Something that a hand moves.

    Attributes:
        name: of the register. most: its position when it is moved all the way.
        bent: the way of the handle is bent, so that the first of it is fine.
    """

    name: str
    most: float
    bent: bool

    def position(self, share: float) -> float:
        """Return where it stands after a share of the handle's way, 0 to 1."""
        share = min(max(share, 0.0), 1.0)
        return self.most * (share**_BENT if self.bent else share)


class HandWorkedRig:
    """The served rig of a drill; made in one thread, led in another one.

    Args:
        drill: one that is no stored run. where: its file, for errors.
        pace: how many times faster than the wall clock rig time runs.

    Raises:
        InputError: ``drill_of_stored_run``; what is wrong with the drill.
        IntegrityError: ``drill_changed``.
        RigError: it can't be served.
    """

    def __init__(self, drill: Drill, where: str, pace: float = PACE) -> None:
        if drill.run:
            raise InputError("drill_of_stored_run", where=where, run=drill.run)
        if drill.family not in PLANS:
            known = ", ".join(PLANS)
            raise InputError(
                "family_unknown", where=where, given=drill.family, known=known
            )
        answer = answer_of(drill, where)
        family = FAMILIES[drill.family]
        plan, self._plan_text = plan_by_name(drill.plan)
        self._job = demo_job(drill.family)
        self.plan: Plan = prepared_plan(plan, self._job)
        self._run_id = run_id_of(drill)
        self._simulated = SimulatedRig(
            answer.seed,
            parsed_faults(answer.faults),
            family=family,
            flow_meter="flow" in needed_roles(self.plan),
            vent_meter=any(step.kind == "relief" for step in self.plan.steps),
        )
        self._history = self._simulated.keep_history()
        kinds = {step.kind for step in self.plan.steps}
        self.valves = tuple(
            HandValve(name, most, bent=name in ("inlet", "vent_inlet", "bleed", "fill"))
            for name, most in highest_for(family).items()
            if name != "fixture" and _ONLY_FOR.get(name, "") in ("", *kinds)
        )
        self._moves: queue.SimpleQueue[tuple[str, float]] = queue.SimpleQueue()
        self._marks: list[Mark] = []
        self._served = ServedRig(self._simulated, multiple=pace)

    def move(self, name: str, position: float) -> None:
        """Move something; the rig takes it at its next reading."""
        self._moves.put((name, position))

    def close(self) -> None:
        """Stop serving; safe to call twice."""
        self._served.close()

    def lead(
        self,
        out: Path,
        by: str,
        tell: Callable[[SessionEvent], None],
        commands: Callable[[], Iterable[Command]],
    ) -> None:
        """Lead the test until it is over, and seal it with what was true of the gas.

        Args:
            out: run file to make; its journal lies beside it meanwhile.
            by: who works the valves.
            tell: called with each event.
            commands: returns what the person said since; may raise to end at once.

        Raises:
            RigError, InputError: as of any test; the journal stays.
        """
        rig = parse_rig(served_rig_text(self._served), "simulated rig")
        clock = HostClock(rig.time_multiple)
        header = new_header(
            origin="record",
            job=replace(self._job, technician=by),
            plan=self.plan,
            plan_text=self._plan_text,
            rig=rig,
            utc_ns=clock.utc_ns(),
            by=by,
            run_id=self._run_id,
        )
        journal = out.with_suffix(".journal")
        writer = ValveWriter(self._served.host, self._served.port, simulated=True)

        def listen(event: SessionEvent) -> None:
            if isinstance(event, Marked):
                self._marks.append(event.mark)
            tell(event)

        def said() -> Iterable[Command]:
            positions: dict[str, float] = {}
            while not self._moves.empty():
                name, position = self._moves.get()
                positions[name] = position
            writer.move(positions)
            return commands()

        session = Session(
            header=header,
            plan=header.plan,
            rig=rig,
            journal=journal,
            instruments=open_instruments(rig, clock),
            clock=clock,
            tell=listen,
            truth_at_end=lambda: self._truth(journal),
            by=by,
        )
        try:
            session.run(said)
        finally:
            writer.close()
            self.close()
        seal(journal, out)
        journal.unlink()

    def _truth(self, journal: Path) -> dict[str, Any]:
        """Return what was true of the gas, the rig at rest."""
        self.close()
        parts = read_journal(journal).run.parts
        # a run's time begins with its first reading, the rig's with its first request
        origin_s = min(parts[0].origins.values(), default=0) * 1e-9
        marks = [replace(mark, t_s=mark.t_s + origin_s) for mark in self._marks]
        steps = self.plan.steps
        read_after_s = {
            s.id: s.read_after.value_si for s in steps if s.read_after is not None
        }
        findings = true_findings(
            self._history, marks, {s.id: s.kind for s in steps}, read_after_s
        )
        return folded_truth({**self._simulated.truth(), "findings": findings})


def position_words(valve: HandValve, position: float, plan: Plan) -> str:
    """Return where something stands, as it is read at its handle."""
    if valve.name == "supply_pa_gauge":
        unit = unit_for(plan, Kind.PRESSURE, "inlet")
        return f"{number(to_unit(position, unit), 2)} {unit.name} gauge"
    if valve.name == "screw_m":
        return f"{number(1e3 * position, 3)} mm"
    share = 100.0 * position / valve.most
    return f"{number(share, 0 if share >= 10.0 or share == 0.0 else 2)} %"
