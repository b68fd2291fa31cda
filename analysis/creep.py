"""Creep of a locked-up outlet: a rate of pressure, and leakage through the seat."""

from __future__ import annotations

import math

from records.errors import Reason
from records.judgement import BudgetLine, Evidence
from records.measure import STANDARD_TEMPERATURE_K
from records.rig import Channel

from .estimate import Estimate, finite, not_measured, widened
from .events import shut_off
from .highest import lockup_highest
from .leak import effective_volume
from .marks import Performance
from .rate import SETTLE_S, lasting_rate, reopened_at
from .readings import Readings, absolute_offset, barometer_share, resolution
from .surroundings import barometer, gas_temperature

_SETTLE_SHARE = 0.25


def creep_findings(
    readings: Readings, outlet: Channel, done: Performance
) -> list[Estimate]:
    """Return creep rate, seat leak and highest outlet of a creep hold."""
    ids = ("creep_rate", "seat_leak", "lockup_highest")
    if done.hold is None:
        why = Reason.of("step_not_done", step=done.step.id)
        return [not_measured(id, outlet.role, why) for id in ids]
    highest = lockup_highest(readings, outlet, done.part, done.hold)
    start, stop = done.hold
    # the hold begins at the shut-off, which may lie a moment before its mark
    shut = shut_off(readings.trace(outlet, done.part), start - 12.0, start + 8.0)
    if shut is not None:
        start = max(start, shut.t50_s)
    start += min(SETTLE_S, _SETTLE_SHARE * (stop - start))
    held = readings.stretch(outlet, done.part, start, stop)
    if held.t_s.size < 8:
        bad = held.trouble or Reason.of(
            "too_few_samples", channel=outlet.id, found=held.t_s.size, needed=8
        )
        return [*(not_measured(id, outlet.role, bad) for id in ids[:2]), highest]
    step = resolution(outlet)
    notes: list[Reason] = []
    t, y = held.t_s, held.value
    reopened = reopened_at(t, y, step)
    if reopened is not None:
        notes.append(
            Reason.of("reopened_in_hold", after_s=f"{reopened - done.hold[0]:.0f}")
        )
        keep = t < reopened
        t, y = t[keep], y[keep]
    if done.how == "over_pressure":
        notes.append(Reason.of("over_pressure", held_s=f"{stop - done.hold[0]:.0f}"))
    elif done.how == "ended_early":
        notes.append(Reason.of("hold_ended_early", held_s=f"{stop - done.hold[0]:.0f}"))
    air = barometer(readings, done.part, start, stop)
    gas = gas_temperature(readings, done.part, start, stop)
    level = float(y.mean()) + absolute_offset(outlet, air.level)
    rate = lasting_rate(
        t,
        y,
        tau_max_s=readings.tau_max_s,
        amplitude=readings.tail_k * max(level, 1.0) / gas.level,
        resolution=step,
        direction=1,
    )
    if isinstance(rate, Reason):
        return [*(not_measured(id, outlet.role, rate) for id in ids[:2]), highest]
    gauge = barometer_share(outlet)
    # what the trapped gas would do at an even temperature and air pressure
    warming = level / gas.level * gas.slope
    value = rate.value + gauge * air.slope - warming
    record = outlet.calibration
    others = [
        BudgetLine(
            source="calibration_gain",
            u=0.0 if record is None else record.u_gain(),
            sensitivity=rate.value,
        ),
        BudgetLine(
            source="resolution",
            u=step / math.sqrt(6.0),
            sensitivity=1.0 / max(rate.stop_s - rate.start_s, 1.0),
        ),
        BudgetLine(
            source="gas_temperature",
            u=gas.u_slope,
            sensitivity=-level / gas.level,
            value=gas.slope,
            dof=gas.dof,
            type="A" if gas.source == "measured" else "B",
        ),
    ]
    if gauge:
        others.append(
            BudgetLine(
                source="barometer",
                u=air.u_slope,
                sensitivity=gauge,
                value=air.slope,
                dof=air.dof,
                type="A" if air.source == "measured" else "B",
            )
        )
    if air.why is not None:
        notes.append(air.why)
    shift = value - rate.value
    (low, high), rest = widened(
        (rate.interval[0] + shift, rate.interval[1] + shift), value, others
    )
    evidence = Evidence(
        part=done.part,
        window_s=(rate.start_s, rate.stop_s),
        used=rate.used,
        dropped=held.dropped + rate.dropped,
        model=(
            *rate.model(),
            ("absolute_pa", level),
            ("gas_temperature_k", gas.level),
            ("gas_temperature_slope", gas.slope),
            ("barometer_slope", air.slope),
        ),
        notes=(*notes, *rate.notes),
    )
    trouble = (held.trouble,) if held.trouble else ()
    creep = finite(
        Estimate(
            id="creep_rate",
            channel=outlet.role,
            value=value,
            interval=(low, high),
            u=math.hypot(rate.u, rest.u),
            lines=(rate.line(), *others),
            evidence=evidence,
            trouble=trouble,
            doubt=rate.doubt,
        )
    )
    return [creep, _seat_leak(readings, outlet, creep, gas.level, gas.u_level), highest]


def _seat_leak(
    readings: Readings, outlet: Channel, creep: Estimate, gas_k: float, u_gas_k: float
) -> Estimate:
    """Return the creep as gas that enters the outlet's effective volume."""
    volume = effective_volume(readings, outlet.role)
    if volume is None or not volume.volume > 0.0:
        return not_measured(
            "seat_leak", outlet.role, Reason.of("no_volume", role=outlet.role)
        )
    if creep.value is None or creep.interval is None:
        why = creep.missing or Reason.of("too_few_samples", found=0, needed=8)
        return not_measured("seat_leak", outlet.role, why)
    ratio = STANDARD_TEMPERATURE_K / gas_k
    factor = volume.volume * ratio
    value = creep.value * factor
    volumes = [
        BudgetLine(
            source="volume_outlet",
            u=volume.u_rigid,
            sensitivity=creep.value * ratio,
            value=volume.volume,
        ),
        BudgetLine(
            source="allowance_outlet",
            u=volume.u_allowance,
            sensitivity=creep.value * ratio,
        ),
        BudgetLine(
            source="gas_temperature_level",
            u=u_gas_k,
            sensitivity=-value / gas_k,
            value=gas_k,
        ),
    ]
    low, high = (end * factor for end in creep.interval)
    interval, rest = widened((low, high), value, volumes)
    lines = [
        BudgetLine(
            source=line.source,
            u=line.u,
            sensitivity=line.sensitivity * factor,
            value=line.value,
            dof=line.dof,
            type=line.type,
            group=line.group,
        )
        for line in creep.lines
    ]
    return finite(
        Estimate(
            id="seat_leak",
            channel=outlet.role,
            value=value,
            interval=interval,
            u=math.hypot(creep.u * factor, rest.u),
            lines=(*lines, *volumes),
            evidence=creep.evidence,
            trouble=creep.trouble,
            doubt=creep.doubt,
        )
    )
