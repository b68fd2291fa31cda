"""The start-of-shift check: its plans, what it compares, and whether it still counts.

Rig leak is a gate, not a correction: a record counts for a plan only while the upper
end of what it found is at most a tenth of that plan's tightest leak limit, at that
plan's pressures or above. Pure: no clock, no folder.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from analysis.decision import decide
from records.errors import RefusedError
from records.judgement import FINDINGS, Finding, Outcome, ResolvedLimit
from records.measure import (
    SI_UNIT,
    Kind,
    Quantity,
    Reference,
    parse_quantity,
    std_cm3_min,
    to_unit,
    typed_unit,
)
from records.plan import Plan, Step
from records.rig import CheckStandard, Rig
from records.shift import (
    FoundRigLeak,
    FoundStandard,
    RigChange,
    ShiftRecord,
    ShiftRelied,
)
from records.tomlfile import to_json

GATE_SHARE = 0.1  # of the tightest leak limit
SAME_PRESSURE = 0.995
ZERO_HOLD_S = 10.0
HOLD_S, SOAK_S = 60.0, 20.0
# A reference leak is read while it takes so much of its pressure from the outlet: more
# bends the fall so far that it looks like a hand.
_FALL = 0.09
_LEAST_HOLD_S, _MOST_HOLD_S = 30.0, 180.0
_ROOM = 1.25  # times the test pressure: where the check stops for over-pressure
_AHEAD_NS = 60_000_000_000  # a clock may be so far behind the one that dated a record


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the rig-hold of a check has to be made at.

    Attributes:
        inlet, outlet: gauge. gate: most that the rig may leak, Pa·m3/s, or None.
        soak_s, hold_s: how long. gas: to hold it with.
        stages: on the way up to the inlet pressure.
    """

    inlet: Quantity
    outlet: Quantity
    gate: float | None
    soak_s: float
    hold_s: float
    gas: str
    stages: tuple[Quantity, ...] = ()


def fingerprint(rig: Rig) -> str:
    """Return a digest of what matters of a rig as its station sees it.

    Channels with their calibrations, relief settings, volumes and traits, orifices,
    hoses and fittings: when one of them changes, what was found of the rig is over.
    Where its instruments answer, and how it is called, is no matter.
    """
    digest = hashlib.sha256()
    parts: tuple[object, ...] = (
        *rig.stations,
        *rig.channels,
        *((rig.traits,) if rig.traits is not None else ()),
        *rig.orifices,
    )
    for part in parts:
        digest.update(to_json(part) + b"\n")
    for told in (rig.id, *rig.fittings):
        digest.update(told.encode() + b"\n")
    return digest.hexdigest()


def test_pressures(plan: Plan) -> tuple[Quantity | None, Quantity | None]:
    """Return the highest inlet and outlet pressure that a plan tests at, gauge.

    What a step's outlet may at most rise to is no test pressure, but that of a rig-hold
    is: there the plan says itself what its leaks are judged at.
    """
    inlets: list[Quantity] = []
    outlets: list[Quantity] = []
    for step in plan.steps:
        inlets += [q for q in (step.inlet, *step.stages, *step.inlets) if q is not None]
        if step.target is not None:
            outlets.append(step.target)
        if step.kind == "rig-hold" and step.outlet is not None:
            outlets.append(step.outlet)
    return _highest(inlets), _highest(outlets)


def _highest(found: Sequence[Quantity]) -> Quantity | None:
    return max(found, key=lambda q: q.value_si, default=None)


def gate_of(plan: Plan) -> float | None:
    """Return how much the rig may leak for a plan, Pa·m3/s, or None without a limit."""
    limits = [
        limit
        for step in plan.steps
        for limit in step.limits
        if limit.max is not None and limit.max.of is None
    ]
    leaks = [
        GATE_SHARE * limit.max.quantity.value_si
        for limit in limits
        if limit.max is not None and limit.finding in ("external_leak", "seat_leak")
    ]
    own = [
        limit.max.quantity.value_si
        for limit in limits
        if limit.max is not None and limit.finding == "rig_leak"
    ]
    return min([*leaks, *own], default=None)


def leaning_step(plan: Plan) -> Step | None:
    """Return the rig-hold that a plan takes from the shift's check, or None."""
    return next((step for step in plan.steps if step.from_shift), None)


def wanted_of(plans: Sequence[Plan]) -> Wanted:
    """Return what a check has to be made at, to stand behind all of these plans."""
    found = [test_pressures(plan) for plan in plans]
    inlet = _highest([one for one, _ in found if one is not None])
    outlet = _highest([other for _, other in found if other is not None])
    if inlet is None or outlet is None:
        raise RefusedError(
            "shift_pressure_not_covered",
            where=", ".join(plan.id for plan in plans),
            side="inlet" if inlet is None else "outlet",
            wanted="a pressure that its steps name",
            held="none",
            command="proofstand rig shift --plan PLAN",
        )
    gates = [gate for plan in plans if (gate := gate_of(plan)) is not None]
    holds = [s for plan in plans for s in plan.steps if s.kind == "rig-hold"]
    stages = [s.stages for s in holds if s.inlet is not None and s.inlet is inlet]
    return Wanted(
        inlet=inlet,
        outlet=outlet,
        gate=min(gates, default=None),
        soak_s=max([s.soak.value_si for s in holds if s.soak], default=SOAK_S),
        hold_s=max([s.hold.value_si for s in holds if s.hold], default=HOLD_S),
        gas=plans[0].test_gas,
        stages=stages[0] if stages else (),
    )


# --- the plans of its runs -----------------------------------------------------------

_HEAD = """format = "proofstand.plan/1"
id = "{id}"
version = 1
title = "{title}"
rule = "guarded"
test_gas = "{gas}"
not_shown = ["anything of a regulator: none is on the rig"]

[display]
inlet = "{inlet_unit}"
outlet = "{outlet_unit}"

[max_pressures]
inlet = "{inlet_most:.8g} Pa gauge"
outlet = "{outlet_most:.8g} Pa gauge"
"""
_ZERO = """
[[steps]]
id = "zero"
kind = "zero"
title = "Zero, both sides open to air"
hold = "{hold:g} s"
"""
_ZERO_LIMIT = """
[[steps.limits]]
finding = "zero_offset"
channel = "{channel}"
min = "-100 % of zero_uncertainty"
max = "100 % of zero_uncertainty"
source = "calibration record of the channel"
"""
_HELD = """
[[steps]]
id = "{id}"
kind = "{id}"
title = "{title}"
inlet = "{inlet}"
stages = [{stages}]
outlet = "{outlet}"
soak = "{soak:g} s"
hold = "{hold:g} s"
"""
_LIMIT = """
[[steps.limits]]
finding = "{finding}"
{ends}
source = "{source}"
"""


def zero_plan(wanted: Wanted) -> str:
    """Return the text of the plan that reads the zero."""
    limits = "".join(_ZERO_LIMIT.format(channel=c) for c in ("outlet", "inlet"))
    head = _head("shift-zero", "Start of shift: zero", wanted)
    return head + _ZERO.format(hold=ZERO_HOLD_S) + limits


def rig_hold_plan(wanted: Wanted) -> str:
    """Return the text of the plan that holds the rig."""
    title = "Rig tight, regulator connections blanked"
    text = _head("shift-rig-hold", "Start of shift: rig-hold", wanted)
    text += _held("rig-hold", title, wanted, wanted.outlet, wanted.hold_s)
    if wanted.gate is not None:
        text += _LIMIT.format(
            finding="rig_leak",
            ends=f'max = "{std_cm3_min(wanted.gate):.9g} std cm3/min"',
            source="a tenth of the tightest leak limit of the plans",
        )
    return text


def standard_plan(standard: CheckStandard, wanted: Wanted, rig: Rig) -> str:
    """Return the text of the plan that reads a reference leak."""
    assert standard.at is not None
    title = "Reference leak open on the outlet side, connections blanked"
    text = _head(
        "shift-check-standard", "Start of shift: check standard", wanted, standard.at
    )
    hold = leak_hold_s(standard, rig)
    # as the plans of the shift have the outlet, whatever the rig file was written in
    unit = typed_unit(wanted.outlet)
    at = parse_quantity(f"{to_unit(standard.at.value_si, unit):.4g} {unit.name} gauge")
    text += _held("reference-leak", title, wanted, at, hold)
    low, high = (
        std_cm3_min(standard.value.value_si + sign * standard.limit.value_si)
        for sign in (-1.0, 1.0)
    )
    return text + _LIMIT.format(
        finding="reference_leak",
        ends=f'min = "{low:.9g} std cm3/min"\nmax = "{high:.9g} std cm3/min"',
        source=f"certificate {_plain(standard.certificate)} and the shop's limit",
    )


def leak_hold_s(standard: CheckStandard, rig: Rig) -> float:
    """Return how long a reference leak is read: until a little pressure is gone."""
    assert standard.at is not None
    volumes = {} if rig.traits is None else rig.traits.volumes
    volume = volumes["outlet"].volume.value_si if "outlet" in volumes else 0.0
    seconds = _FALL * standard.at.value_si * volume / standard.value.value_si
    return round(min(max(seconds, _LEAST_HOLD_S), _MOST_HOLD_S))


def _head(id: str, title: str, wanted: Wanted, outlet: Quantity | None = None) -> str:
    outlet_pa = max(wanted.outlet.value_si, 0.0 if outlet is None else outlet.value_si)
    return _HEAD.format(
        id=id,
        title=title,
        gas=_plain(wanted.gas),
        inlet_unit=typed_unit(wanted.inlet).name,
        outlet_unit=typed_unit(wanted.outlet).name,
        inlet_most=_ROOM * wanted.inlet.value_si,
        outlet_most=_ROOM * outlet_pa,
    )


def _held(id: str, title: str, wanted: Wanted, outlet: Quantity, hold_s: float) -> str:
    return _HELD.format(
        id=id,
        title=title,
        inlet=wanted.inlet.typed,
        stages=", ".join(f'"{q.typed}"' for q in wanted.stages),
        outlet=outlet.typed,
        soak=wanted.soak_s,
        hold=hold_s,
    )


def _plain(text: str) -> str:
    """Return a text without what would end it in a plan file."""
    return "".join(c for c in text if c not in '"\\' and c.isprintable())


# --- what they gave ------------------------------------------------------------------


def typed(value_si: float, kind: Kind, reference: Reference) -> Quantity:
    """Return a value as a quantity that reads back as itself, to nine digits."""
    if kind is Kind.LEAK:
        text = f"{std_cm3_min(value_si):.9g} std cm3/min"
    else:
        after = "" if reference is Reference.NONE else f" {reference.value}"
        text = f"{value_si:.9g} {SI_UNIT[kind]}{after}"
    return parse_quantity(text, kind)


def short(quantity: Quantity) -> str:
    """Return a quantity for people, its number to three digits."""
    number, _, unit = quantity.typed.partition(" ")
    return f"{float(number.replace(',', '.')):.3g} {unit}"


def leak_found(finding: Finding, wanted: Wanted) -> FoundRigLeak | None:
    """Return the rig's leak as a record keeps it; None where it was not measured."""
    if finding.measured is None or finding.interval is None:
        return None

    def leak(value_si: float) -> Quantity:
        return typed(value_si, Kind.LEAK, Reference.NONE)

    return FoundRigLeak(
        inlet=wanted.inlet,
        outlet=wanted.outlet,
        value=leak(finding.measured.value),
        u=leak(finding.measured.u),
        low=leak(finding.interval[0]),
        upper=leak(finding.interval[1]),
        gas=wanted.gas,
    )


def compared(
    finding: Finding, standard: CheckStandard, rig_upper: float = 0.0
) -> FoundStandard | None:
    """Return how a check standard was found; None where it was not measured.

    Guarded: the found value's 95 % interval, the certificate's uncertainty in it, has
    to lie within the limit. A reference leak has besides to agree with its certificate
    within the expanded uncertainty of both (|En| at most 1, as in ISO/IEC 17043
    B.3.1.3, from memory).

    Args:
        finding: of the run.
        standard: as the rig file declares it.
        rig_upper: what the rig may leak itself, one-sided, of a reference leak.
    """
    measured, interval = finding.measured, finding.interval
    if measured is None or interval is None:
        return None
    if standard.kind == "reference leak":
        interval = (interval[0] - max(0.0, rig_upper), interval[1])
    stated, limit = standard.value.value_si, standard.limit.value_si
    u = standard.u.value_si
    decision = decide(
        measured.value,
        interval,
        ResolvedLimit(
            min=stated - limit,
            max=stated + limit,
            u=u,
            source=f"certificate {standard.certificate}",
        ),
        "guarded",
        measured.dof,
    )
    outcome = decision.outcome
    off = measured.value - stated
    toward = measured.value - interval[0] if off > 0.0 else interval[1] - measured.value
    apart = off / math.hypot(toward, 2.0 * u)
    if finding.outcome is Outcome.INCONCLUSIVE and outcome is Outcome.PASS:
        outcome = Outcome.INCONCLUSIVE  # what the judgement doubts is no agreement
    if standard.kind == "reference leak" and abs(apart) > 1.0:
        outcome = Outcome.FAIL

    def like(value_si: float, *, spread: bool = False) -> Quantity:
        kind = FINDINGS[finding.id]
        pressure = kind.kind is Kind.PRESSURE
        difference = Reference.DIFFERENCE if pressure else kind.reference
        return typed(value_si, kind.kind, difference if spread else kind.reference)

    return FoundStandard(
        id=standard.id,
        kind=standard.kind,
        certificate=standard.certificate,
        finding=finding.id,
        stated=standard.value,
        u_stated=standard.u,
        limit=standard.limit,
        found=like(measured.value),
        u_found=like(measured.u, spread=True),
        low=like(interval[0]),
        high=like(interval[1]),
        apart=round(apart, 4),
        outcome=outcome.value,
    )


# --- whether it still counts ---------------------------------------------------------


def relied_on(
    record: ShiftRecord | None,
    change: RigChange | None,
    *,
    rig: Rig,
    plan: Plan | None,
    now_ns: int,
    command: str,
) -> ShiftRelied:
    """Return what a test relies on, or refuse it.

    Args:
        record: the latest of this rig and station, None where there is none.
        change: the latest one that somebody declared of this rig.
        rig: as its station sees it.
        plan: of the test, prepared; None where none is named yet.
        now_ns: UTC.
        command: what has to be done to be allowed.

    Raises:
        RefusedError: ``shift_check_missing`` and its fellows.
    """
    station = rig.stations[0].id if rig.stations else ""
    told: Mapping[str, str] = {"rig": rig.id, "station": station, "command": command}
    if record is None:
        raise RefusedError("shift_check_missing", **told)
    at, until = clock_words(record.utc_ns), clock_words(record.until_ns)
    told = {**told, "shift": record.id, "by": record.by, "at": at}
    if record.utc_ns > now_ns + _AHEAD_NS:
        raise RefusedError("shift_check_dated_later", **told)
    if not record.passed:
        failed = [part for part in record.parts if not part.passed]
        what = "; ".join(f"{p.what}: {p.why}" for p in failed) or "it was not ended"
        raise RefusedError("shift_check_failed", **told, what=what)
    if change is not None and change.utc_ns >= record.utc_ns:
        raise RefusedError(
            "shift_rig_declared_changed",
            **told,
            what=change.what,
            who=change.by,
            when=clock_words(change.utc_ns),
        )
    if record.rig_state_sha256 != fingerprint(rig):
        raise RefusedError("shift_rig_changed", **told)
    if now_ns > record.until_ns:
        raise RefusedError(
            "shift_check_over", **told, until=until, hours=f"{record.hours:g}"
        )
    leaning = None if plan is None else leaning_step(plan)
    if plan is not None and leaning is not None:
        _covers(record, plan, leaning, told)
    return ShiftRelied(
        id=record.id,
        sha256=record.sha256,
        by=record.by,
        utc_ns=record.utc_ns,
        rig_leak=record.rig_leak,
    )


def _covers(
    record: ShiftRecord, plan: Plan, step: Step, told: Mapping[str, str]
) -> None:
    """Refuse a plan that takes its rig-hold from a record which does not reach it."""
    held = record.rig_leak
    sides = [("inlet", step.inlet), ("outlet", step.outlet)]
    sides += list(zip(("inlet", "outlet"), test_pressures(plan), strict=True))
    for side, wanted in sides:
        at = None if held is None else getattr(held, side)
        if wanted is None:
            continue
        if at is None or at.value_si < SAME_PRESSURE * wanted.value_si:
            raise RefusedError(
                "shift_pressure_not_covered",
                **told,
                side=side,
                wanted=wanted.typed,
                held="none" if at is None else at.typed,
            )
    gate = gate_of(plan)
    assert held is not None
    if gate is not None and held.upper.value_si > gate * (1.0 + 1e-6):
        raise RefusedError(
            "shift_rig_leaks",
            **told,
            upper=f"{std_cm3_min(held.upper.value_si):.3g} std cm3/min",
            gate=f"{std_cm3_min(gate):.3g} std cm3/min",
        )


def clock_words(utc_ns: int) -> str:
    """Return a moment by this computer's calendar and clock, with its offset."""
    return f"{datetime.fromtimestamp(utc_ns / 1e9).astimezone():%Y-%m-%d %H:%M %z}"
