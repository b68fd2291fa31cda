"""Drills: drawn or chosen by the trainer, scored against what was true of the gas."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from records.drill import DIFFICULTIES, DrillAnswer
from records.drillfile import truth_of
from records.errors import InputError
from records.faults import CATALOGUE, OF_FIRST, revealed_by
from records.judgement import FINDINGS, Finding, Judgement, Verdict
from records.measure import Quantity, parse_quantity
from records.plan import Plan
from records.run import Run

HEALTHY = "none"
_HEALTHY_SHARE = 0.15
# What a trainee reads off the trace, by the steps that show it best; the last of them.
CALLED = ("set_pressure", "lockup_rise", "creep_rate", "external_leak")
# So near counts as read right: what the measurement itself leaves open, and a tenth of
# the room that the limit gives, or of the value where nothing limits it; of a creep
# that is at least what cursors resolve. Up to three times as far is half right. Ours,
# no source.
_OF_ROOM = 0.1
_HALF = 3.0
_COVERS = 1.96  # of a normal distribution, 95 %
_VERDICT_POINTS = _CAUSE_POINTS = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Called:
    """What a trainee says.

    Attributes:
        values: by finding. verdict: of the test. cause: id of a fault, or ``none``.
    """

    values: Mapping[str, Quantity]
    verdict: str
    cause: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One thing that was called.

    Attributes:
        what: id of the finding, ``verdict`` or ``cause``. step: that shows it, or "".
        called: as the trainee said, SI for a finding; None where nothing was said.
        true: what was right, SI for a finding.
        near: so far off still counts as right, SI; None for a word.
        points, of: got, and to be got.
        found: the finding as the analysis has it, or None.
    """

    what: str
    step: str = ""
    called: float | str | None
    true: float | str
    near: float | None = None
    points: float
    of: float
    found: Finding | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Scored:
    """A drill that was done.

    Attributes:
        fault: what is wrong, as ``id`` of a fault, or ``none``. severity: 0 to 1.
        verdict: that the bench can give. by_truth: what was true of the gas against
            the limits, pass or fail.
    """

    items: tuple[Item, ...]
    fault: str
    severity: float
    verdict: str
    by_truth: str

    @property
    def points(self) -> float:
        """What was got."""
        return sum(item.points for item in self.items)

    @property
    def of(self) -> float:
        """What was to be got."""
        return sum(item.of for item in self.items)


def drawn(
    plan: str, difficulty: str, seed: int, fits: Collection[str] | None = None
) -> tuple[str, ...]:
    """Return what is wrong with a regulator that is drawn, none for a healthy one.

    Args:
        plan: id; only faults that it reveals are drawn.
        difficulty: of :data:`records.drill.DIFFICULTIES`.
        seed: the same gives the same.
        fits: only these faults; None for all.

    Raises:
        InputError: ``drill_nothing_to_draw``.
    """
    known = [
        entry.id for entry in revealed_by(plan) if fits is None or entry.id in fits
    ]
    if not known:
        raise InputError("drill_nothing_to_draw", plan=plan)
    rng = np.random.default_rng([seed, 977])
    if rng.random() < _HEALTHY_SHARE:
        return ()
    least, most = DIFFICULTIES[difficulty]
    fault = known[int(rng.integers(len(known)))]
    return (f"{fault}:{round(float(rng.uniform(least, most)), 2):g}",)


def worst_of(answer: DrillAnswer, truth: Mapping[str, Any]) -> tuple[str, float]:
    """Return the worst fault of a drill and its severity; ``none`` and 0 without one.

    Args:
        answer: of the drill.
        truth: of its run, which says it for a stored one.
    """
    faults: dict[str, float] = {}
    for text in answer.faults:
        id, _, severity = text.removeprefix(OF_FIRST).partition(":")
        head = OF_FIRST if text.startswith(OF_FIRST) else ""
        faults[head + id] = float(severity) if severity else 1.0
    if answer.run_sha256:
        faults = {str(id): float(s) for id, s in dict(truth["faults"]).items()}
    faults = {id: severity for id, severity in faults.items() if severity > 0.0}
    if not faults:
        return HEALTHY, 0.0
    worst = max(faults, key=lambda id: faults[id])
    return worst, faults[worst]


def score(
    answer: DrillAnswer, run: Run, judgement: Judgement, called: Called
) -> Scored:
    """Return how right a trainee was.

    Args:
        answer: of the drill.
        run: of the drill, with what was true of the gas.
        judgement: of the run, by its plan.
        called: what the trainee said.

    Raises:
        InputError: ``drill_without_truth``.
        IntegrityError: ``run_changed``.
    """
    truth = truth_of(run)
    if truth is None:
        raise InputError("drill_without_truth", where=run.header.id)
    fault, severity = worst_of(answer, truth)
    by_truth = _by_truth(truth, judgement)
    items = [
        _value(id, truth, run, judgement, called)
        for id in CALLED
        if _true(truth, id) is not None
    ]
    verdict = judgement.verdict.value
    right = called.verdict == verdict
    also = called.verdict == by_truth
    items.append(
        Item(
            what="verdict",
            called=called.verdict or None,
            true=verdict,
            points=_VERDICT_POINTS * (1.0 if right else 0.5 if also else 0.0),
            of=_VERDICT_POINTS,
        )
    )
    items.append(
        Item(
            what="cause",
            called=called.cause or None,
            true=fault,
            points=_CAUSE_POINTS if called.cause in _alike(fault) else 0.0,
            of=_CAUSE_POINTS,
        )
    )
    return Scored(
        items=tuple(items),
        fault=fault,
        severity=severity,
        verdict=verdict,
        by_truth=by_truth,
    )


def _alike(fault: str) -> Collection[str]:
    """Return the faults that the traces can't tell from one, itself among them."""
    if fault == HEALTHY:
        return (HEALTHY,)
    head = OF_FIRST if fault.startswith(OF_FIRST) else ""
    entry = CATALOGUE[fault.removeprefix(OF_FIRST)]
    return {head + id for id in entry.group} | {fault}


def _true(truth: Mapping[str, Any], id: str) -> tuple[str, float] | None:
    """Return the last step that shows a finding of the outlet, and what was true."""
    last = None
    for one in truth["findings"]:
        if one["id"] == id and one["channel"] in ("outlet", ""):
            last = str(one["step"]), float(one["value"])
    return last


def _found(judgement: Judgement, id: str, step: str) -> Finding | None:
    of = [f for f in judgement.findings if f.id == id and f.step == step]
    # of two stages the outlet's own stands first
    return of[0] if of else None


def _value(
    id: str, truth: Mapping[str, Any], run: Run, judgement: Judgement, called: Called
) -> Item:
    known = _true(truth, id)
    assert known is not None
    step, true = known
    found = _found(judgement, id, step)
    least = _resolved(run, step, found) if id == "creep_rate" else 0.0
    near = _near(found, true, least)
    said = called.values.get(id)
    points = 0.0
    if said is not None:
        off = abs(said.value_si - true)
        points = 1.0 if off <= near else 0.5 if off <= _HALF * near else 0.0
    return Item(
        what=id,
        step=step,
        called=None if said is None else said.value_si,
        true=true,
        near=near,
        points=points,
        of=1.0,
        found=found,
    )


def _near(found: Finding | None, true: float, least: float) -> float:
    """Return how far off still counts as right, SI.

    Args:
        found: as the analysis has it, or None.
        true: what was right.
        least: share of the room where nothing limits it, at least, SI.
    """
    share, half = max(_OF_ROOM * abs(true), least), 0.0
    if found is not None:
        limit = found.limit
        if found.interval is not None:
            half = 0.5 * (found.interval[1] - found.interval[0])
        if limit is not None and limit.max is not None:
            room = abs(limit.max)
            if limit.min is not None:
                room = 0.5 * (limit.max - limit.min)
            share = _OF_ROOM * room
    return half + share


def _resolved(run: Run, step: str, found: Finding | None) -> float:
    """Return the slope that two cursors resolve over a hold, Pa/s.

    Two readings' 95 % over the time between them (JCGM 100, 5.1.2 and F.2.2.1): what
    differs from level to level and half a step of the reading; the zero cancels. 0
    where the outlet has no calibration and the hold no length.
    """
    hold = run.header.plan.step(step)
    planned = None if hold is None else hold.hold
    seconds = 0.0 if planned is None else planned.value_si
    if found is not None and found.evidence.window_s is not None:
        seconds = found.evidence.window_s[1] - found.evidence.window_s[0]
    outlet = next((c for c in run.header.rig.channels if c.role == "outlet"), None)
    if outlet is None or seconds <= 0.0:
        return 0.0
    form = 0.0 if outlet.calibration is None else outlet.calibration.u_linearity()
    u = math.hypot(form, outlet.resolution.value_si / math.sqrt(12.0))
    return _COVERS * math.sqrt(2.0) * u / seconds


def _by_truth(truth: Mapping[str, Any], judgement: Judgement) -> str:
    """Return the verdict of somebody who knows what was true of the gas."""
    true = {
        (one["id"], one["step"], one["channel"]): float(one["value"])
        for one in truth["findings"]
    }
    for finding in judgement.findings:
        limit = finding.limit
        if limit is None or not finding.required:
            continue
        for channel in ("outlet", "inlet", "interstage", ""):
            value = true.get((finding.id, finding.step, channel))
            if value is None or not finding.channel.endswith(channel):
                continue
            if limit.min is not None and value < limit.min:
                return Verdict.FAIL.value
            if limit.max is not None and value > limit.max:
                return Verdict.FAIL.value
            break
    return Verdict.PASS.value


def parsed_call(what: str, typed: str, where: str) -> Quantity:
    """Return a value that a trainee says.

    Args:
        what: id of the finding.
        typed: as ``"11.0 in. w.c. gauge"``.
        where: the place to name in an error.

    Raises:
        InputError: unreadable, or of another kind or reference than the finding.
    """
    kind = FINDINGS[what]
    said = parse_quantity(typed, kind.kind, where)
    if said.reference is not kind.reference:
        right = f"with {kind.reference.value}, as the finding is read"
        raise InputError("value_wrong", key=where, given=typed, right=right)
    return said


def callable_findings(plan: Plan) -> Sequence[str]:
    """Return the findings that a trainee may call with a plan."""
    kinds = {step.kind for step in plan.steps}
    of = {
        "set_pressure": "set",
        "lockup_rise": "lockup",
        "creep_rate": "creep-hold",
        "external_leak": "body-hold",
    }
    return [id for id in CALLED if of[id] in kinds]
