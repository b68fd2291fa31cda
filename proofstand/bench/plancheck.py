"""Whether a rig can run a plan: channels, volumes, and whether its holds can see.

A hold whose smallest visible leak lies above its own limit would end inconclusive every
time; it is refused before anything is opened, with what would do instead.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial

from analysis.detectable import SmallestLeak, smallest_leak
from analysis.real_gas import GasLaw, gas_law
from analysis.surroundings import BAROMETER_PA_PER_S
from records.errors import InputError, RefusedError
from records.measure import (
    STANDARD_PRESSURE_PA,
    Quantity,
    Reference,
    parse_quantity,
    std_cm3_min,
    to_unit,
)
from records.plan import Limit, Plan, Step
from records.rig import PRESSURE_ROLES, Rig

# The rig file does not tell how much a reading scatters: one step of it, or this share
# of its span where that is more (common practice, no source).
_NOISE_SHARE = 1e-4
LONGEST_S = 900.0  # nobody holds for longer on a bench (common practice, no source)
_STEP_S = 30.0
HIGH_PA = 20e5  # gauge: above it gas that warms moves more than most leaks
# Sides whose gas a finding counts.
_SIDES = {
    "rig_leak": ("inlet", "outlet"),
    "reference_leak": ("inlet", "outlet"),
    "external_leak": ("inlet", "outlet"),
    "seat_leak": ("outlet",),
    "seat_transfer": ("inlet", "outlet"),
}
_BETWEEN = "interstage"
_PRESSURES = ("set_pressure", "lockup_pressure", "lockup_highest")
_K_95 = 1.96
LEAST_READINGS = 8  # fewer give no scatter, see analysis
# A gas thermometer shows the rest of a drift, in holds long enough to tell it from the
# settling; what its lag leaves open is about this share (see analysis.surroundings).
_UNSEEN_DRIFT = 0.5
_FLOW_FINDINGS = frozenset(
    {
        *("droop", "closure_coefficient", "irregularity_coefficient"),
        *("accuracy_class", "lockup_class"),
    }
)


@dataclass(frozen=True, slots=True)
class Sight:
    """How small a leak a hold would see, against the limit that it is to judge.

    Attributes:
        step, finding: which. limit, smallest: Pa·m3/s at 293.15 K.
        hold_s: of the plan. needed_s: the hold that would do; None where none up to a
            quarter of an hour does.
        noise_only: a steadier transducer alone would do, where no hold does.
        high: a side of it is held at high pressure.
    """

    step: str
    finding: str
    limit: float
    smallest: float
    hold_s: float
    needed_s: float | None
    noise_only: bool
    high: bool

    @property
    def enough(self) -> bool:
        """The hold can see its limit."""
        return self.smallest <= self.limit


def check_plan(plan: Plan, rig: Rig) -> tuple[Sight, ...]:
    """Return what the plan's holds would see on a rig.

    Raises:
        InputError: ``rig_channel_missing``, ``rig_flow_missing``,
            ``rig_volume_missing``: what a required limit is judged by.
            ``value_wrong``: a relief that the outlet's transducer can't follow.
        RefusedError: ``plan_hold_short``, ``plan_hold_noisy``, ``plan_hold_high``,
            ``plan_hold_blind``: a hold does not see its own limit.
            ``plan_hold_few``, ``plan_limit_narrow``: a limit that nothing could pass.
    """
    for step in plan.steps:
        _check_span(step, rig)
        for limit in step.limits:
            if limit.required and step.required:
                _check_channels(step, limit, rig)
                _check_width(plan, step, limit, rig)
    seen = tuple(sights(plan, rig))
    for sight in seen:
        if not sight.enough:
            raise _blind(sight, rig)
    for step in plan.steps:
        _check_readings(step, rig)
    return seen


def _check_span(step: Step, rig: Rig) -> None:
    """Refuse a relief whose outlet is raised beyond what its transducer reads."""
    outlet = rig.channel("outlet")
    if step.kind != "relief" or step.outlet is None or outlet is None:
        return
    if step.outlet.value_si > outlet.span[1].value_si:
        raise InputError(
            "value_wrong",
            where=rig.id,
            key=f"steps.{step.id}.outlet",
            given=step.outlet.typed,
            right=f"at most the span of channel {outlet.id}, {outlet.span[1].typed}",
        )


def _check_readings(step: Step, rig: Rig) -> None:
    """Refuse a hold that is over before enough is read to tell how it scatters."""
    if step.hold is None or not any(limit.required for limit in step.limits):
        return
    periods = {i.id: i.period.value_si for i in rig.instruments}
    slowest = max(
        (periods[c.instrument] for c in rig.channels if c.role in PRESSURE_ROLES),
        default=0.0,
    )
    least = LEAST_READINGS * slowest
    if step.hold.value_si < least:
        raise RefusedError(
            "plan_hold_few",
            where=rig.id,
            step=step.id,
            hold=step.hold.typed,
            readings=str(LEAST_READINGS),
            needed=f"{least:.3g} s",
        )


def _check_width(plan: Plan, step: Step, limit: Limit, rig: Rig) -> None:
    """Refuse a limit whose two ends leave no room for what a reading leaves open.

    Only the calibration is counted, so that nothing is refused that could pass.
    """
    ends = [limit.min, limit.max]
    own = [b.quantity.value_si for b in ends if b is not None and b.of is None]
    channel = rig.channel(limit.channel or "outlet")
    if limit.finding not in _PRESSURES or len(own) != 2 or channel is None:
        return
    if plan.rule_for(limit)[0] != "guarded" or channel.calibration is None:
        return
    expanded = _K_95 * channel.calibration.u_at(0.5 * sum(own))
    if own[1] - own[0] >= 2.0 * expanded:
        return
    assert limit.min is not None
    assert limit.max is not None
    unit = channel.measure_unit
    raise RefusedError(
        "plan_limit_narrow",
        where=rig.id,
        step=step.id,
        finding=limit.finding,
        low=limit.min.typed,
        high=limit.max.typed,
        channel=channel.id,
        u=f"{to_unit(expanded, unit, difference=True):.2g} {unit.name}",
        needed=f"{to_unit(2.0 * expanded, unit, difference=True):.2g} {unit.name}",
    )


def _check_channels(step: Step, limit: Limit, rig: Rig) -> None:
    roles = {c.role for c in rig.channels}
    named = {c.id for c in rig.channels} | roles
    if _unread(limit, rig):
        return
    if limit.channel is not None and limit.channel not in named:
        raise InputError(
            "rig_channel_missing", where=rig.id, role=limit.channel, rig=rig.id
        )
    if limit.finding in _FLOW_FINDINGS and "flow" not in roles and not rig.orifices:
        raise InputError("rig_flow_missing", where=rig.id, step=step.id, rig=rig.id)
    volumes = {} if rig.traits is None else rig.traits.volumes
    for role in _sides(limit, rig):
        if role not in volumes:
            raise InputError(
                "rig_volume_missing", where=rig.id, role=role, step=step.id, rig=rig.id
            )


def _unread(limit: Limit, rig: Rig) -> bool:
    """Tell whether a limit is on what this rig does not read between two stages.

    Few bodies have a port there: the test goes on and ends incomplete, the first
    stage's findings not measured.
    """
    return limit.channel == _BETWEEN and not _reads_between(rig)


def _reads_between(rig: Rig) -> bool:
    return any(c.role == _BETWEEN for c in rig.channels)


def _sides(limit: Limit, rig: Rig) -> tuple[str, ...]:
    """Return the sides whose gas a limit's finding counts on a rig.

    Of two stages the first seat's leak goes on through the second.
    """
    sides = _SIDES.get(limit.finding, ())
    of_regulator = bool(sides) and limit.finding != "rig_leak"
    if limit.channel == _BETWEEN and of_regulator:
        return (_BETWEEN, *sides)
    all_of_it = len(sides) > 1 and of_regulator and _reads_between(rig)
    return (*sides, _BETWEEN) if all_of_it else sides


def sights(plan: Plan, rig: Rig) -> Iterator[Sight]:
    """Return how small a leak each hold that judges one would see."""
    law = gas_law(plan.test_gas)
    for step in plan.steps:
        if step.hold is None:
            continue
        for limit in step.limits:
            sides = () if _unread(limit, rig) else _sides(limit, rig)
            if not sides or limit.max is None or limit.max.of is not None:
                continue
            levels = _levels(plan, step)
            if not limit.required or any(side not in levels for side in sides):
                continue
            most = limit.max.quantity.value_si
            held = {side: levels[side] for side in sides}
            see = partial(_smallest, rig, law, held, limit.finding)
            hold_s = step.hold.value_si
            yield Sight(
                step=step.id,
                finding=limit.finding,
                limit=most,
                smallest=see(hold_s).both,
                hold_s=hold_s,
                needed_s=_needed(see, hold_s, most),
                noise_only=see(hold_s).other <= most,
                high=any(level > HIGH_PA for level in held.values()),
            )


def _needed(
    see: Callable[[float], SmallestLeak], hold_s: float, most: float
) -> float | None:
    """Return the shortest hold that sees a limit, in whole half minutes."""
    tried = hold_s
    while tried <= LONGEST_S:
        if see(tried).both <= most:
            return tried
        tried = _STEP_S * math.ceil(max(1.1 * tried, tried + 1.0) / _STEP_S)
    return None


def _levels(plan: Plan, step: Step) -> dict[str, float]:
    """Return the gauge pressures that a step is held at, by side."""
    before = plan.steps[: plan.steps.index(step) + 1]
    if step.kind in ("rig-hold", "reference-leak"):
        asked = {"inlet": step.inlet, "outlet": step.outlet}
    else:
        inlets = [s.inlet for s in before if s.inlet is not None]
        targets = [s.target for s in before if s.target is not None]
        asked = {
            "inlet": inlets[-1] if inlets else None,
            "outlet": targets[-1] if targets else None,
            _BETWEEN: _highest_between(plan),
        }
    return {role: q.value_si for role, q in asked.items() if q is not None}


def _highest_between(plan: Plan) -> Quantity | None:
    """Return the highest pressure that may stand between two stages, None of one."""
    tops = [
        limit.max.quantity
        for step in plan.steps
        for limit in step.limits
        if limit.channel == _BETWEEN
        and limit.finding in ("set_pressure", "lockup_highest")
        and limit.max is not None
        and limit.max.of is None
    ]
    stops = plan.max_pressures.get(_BETWEEN)
    return max(tops, key=lambda q: q.value_si, default=stops)


def _smallest(
    rig: Rig, law: GasLaw, levels: Mapping[str, float], finding: str, hold_s: float
) -> SmallestLeak:
    """Return the smallest leak of a finding's sides together.

    Their noises are independent; gas temperature and air pressure move both alike.
    """
    noise, other = 0.0, 0.0
    for role, level in levels.items():
        one = _side(rig, role, law, level, finding, hold_s)
        noise, other = math.hypot(noise, one.noise), other + one.other
    # A gate passes with its upper end, 1.96 u above nothing; a transfer is half of the
    # difference of both sides.
    share = 0.5 if finding in ("rig_leak", "seat_transfer") else 1.0
    return SmallestLeak(share * noise, share * other)


def _side(
    rig: Rig, role: str, law: GasLaw, level: float, finding: str, hold_s: float
) -> SmallestLeak:
    channel = next(c for c in rig.channels if c.role == role)
    traits = rig.traits
    assert traits is not None
    volume = traits.volumes[role]
    low, high = (q.value_si for q in channel.span)
    period = {i.id: i.period.value_si for i in rig.instruments}[channel.instrument]
    roles = {c.role for c in rig.channels}
    barometer = any(
        c.role == "ambient" and c.reference is Reference.ABSOLUTE for c in rig.channels
    )
    settled = hold_s >= 2.0 * traits.tau_max.value_si
    if "gas_temperature" in roles and settled:
        drift = _UNSEEN_DRIFT * traits.temperature_drift_k_per_h
        traits = replace(traits, temperature_drift_k_per_h=drift)
    if finding == "seat_transfer":
        # found from straight lines, see analysis.leak
        traits = replace(traits, tail_amplitude=parse_quantity("0 K"))
    gauge = channel.reference is not Reference.ABSOLUTE
    return smallest_leak(
        noise=max(channel.resolution.value_si, _NOISE_SHARE * (high - low)),
        rate_hz=1.0 / period,
        hold_s=max(hold_s, 8.0 * period),
        volume_m3=volume.volume.value_si + 0.5 * volume.allowance.value_si,
        level_pa=STANDARD_PRESSURE_PA + level,
        law=law,
        traits=traits,
        u_air_slope=BAROMETER_PA_PER_S if gauge and not barometer else 0.0,
    )


def _blind(sight: Sight, rig: Rig) -> RefusedError:
    """Return the refusal, with what would do instead."""
    facts = {
        "step": sight.step,
        "finding": sight.finding,
        "hold": f"{sight.hold_s:g} s",
        "limit": f"{std_cm3_min(sight.limit):.2g} std cm3/min",
        "smallest": f"{std_cm3_min(sight.smallest):.2g} std cm3/min",
        "longest": f"{LONGEST_S / 60.0:g} min",
    }
    if sight.needed_s is not None:
        needed = f"{sight.needed_s:g} s"
        return RefusedError("plan_hold_short", where=rig.id, needed=needed, **facts)
    id = "plan_hold_high" if sight.high else "plan_hold_blind"
    if sight.noise_only and not sight.high:
        id = "plan_hold_noisy"
    return RefusedError(id, where=rig.id, **facts)
