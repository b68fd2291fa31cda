"""Creep of a locked-up outlet: a rate of pressure, and leakage through the seat."""

from __future__ import annotations

import dataclasses
import math

from records.errors import Reason
from records.judgement import BudgetLine, Evidence
from records.rig import Channel
from records.trace import FloatArray

from .detectable import smallest_leak_note
from .estimate import Estimate, estimated, finite, not_measured, widened
from .events import shut_off
from .highest import lockup_highest
from .marks import Performance
from .rate import (
    SETTLE_S,
    LastingRate,
    lasting_rate,
    net_rate,
    reopened_at,
)
from .readings import Readings, absolute_offset, barometer_share, resolution
from .real_gas import gas_law
from .surroundings import (
    Drift,
    barometer,
    barometer_line,
    gas_temperature,
    temperature_lines,
)
from .volumes import EffectiveVolume, Volumes, effective_volume

_SETTLE_SHARE = 0.25


def creep_findings(
    readings: Readings,
    outlet: Channel,
    done: Performance,
    volumes: Volumes | None = None,
) -> list[Estimate]:
    """Return creep rate and total, seat leak and highest outlet of a creep hold.

    Args:
        readings: the run's channels.
        outlet: the outlet's channel.
        done: the creep hold.
        volumes: those that the run found itself, by role.
    """
    ids = ("creep_rate", "seat_leak", "creep_total", "lockup_highest")
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
        return [*(not_measured(id, outlet.role, bad) for id in ids[:3]), highest]
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
    law = gas_law(readings.test_gas)
    per_kelvin = law.warming(max(level, 1.0), gas.level)
    rate = lasting_rate(
        t,
        y,
        tau_max_s=readings.tau_max_s,
        amplitude=readings.tail_k * per_kelvin,
        resolution=step,
        direction=1,
    )
    if isinstance(rate, Reason):
        return [*(not_measured(id, outlet.role, rate) for id in ids[:3]), highest]
    volume = effective_volume(readings, outlet.role, volumes)
    # what gives takes no part in what heat and air do: that is of the gas held
    rigid = 1.0
    if volume is not None and volume.volume > 0.0:
        rigid = volume.holds / volume.volume
    gauge = rigid * barometer_share(outlet)
    per_kelvin *= rigid
    # what the trapped gas would do at an even temperature and air pressure
    warming = per_kelvin * gas.slope
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
        *temperature_lines(gas, -per_kelvin),
        *barometer_line(air, gauge),
    ]
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
            ("warming_pa_per_k", per_kelvin),
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
            rate=rate,
        )
    )
    unknown = law.doubt(level, gas.level)
    if unknown is not None:
        creep = creep.but(doubt=(unknown,))
    amount = law.slope(max(level, 1.0), gas.level)
    seat = _seat_leak(outlet, creep, volume, amount, gas, rate)
    total = _creep_total(outlet, creep, gauge, air, step, t, y)
    return [creep, seat, total, highest]


def _creep_total(
    outlet: Channel,
    creep: Estimate,
    gauge: float,
    air: Drift,
    step: float,
    t: FloatArray,
    y: FloatArray,
) -> Estimate:
    """Return the whole change over the hold at an even air pressure, settling in it.

    The levels are means over the first and the last of 32 equal times; what
    the change is without the settling stands in the evidence.
    """
    net, u_net = net_rate(t, y, step)
    blocks = max(4, min(32, y.size // 2))  # as net_rate takes them
    between = (1.0 - 1.0 / blocks) * float(t[-1] - t[0])
    value = (net + gauge * air.slope) * between
    record = outlet.calibration
    lines = [
        BudgetLine(source="levels", u=u_net * between, value=net * between, type="A"),
        BudgetLine(
            source="calibration_gain",
            u=0.0 if record is None else record.u_gain(),
            sensitivity=net * between,
        ),
        BudgetLine(source="resolution", u=step / math.sqrt(6.0)),
        *barometer_line(air, gauge * between),
    ]
    without = math.nan if creep.value is None else creep.value * between
    evidence = Evidence(
        part=creep.evidence.part,
        window_s=(float(t[0]), float(t[-1])),
        used=int(y.size),
        dropped=creep.evidence.dropped,
        model=(
            ("between_s", between),
            ("total_as_read", net * between),
            ("total_without_settling", without),
            ("u_total_without_settling", creep.u * between),
            ("barometer_slope", air.slope),
        ),
        notes=creep.evidence.notes,
    )
    return estimated(
        "creep_total", outlet.role, value, lines, evidence, trouble=creep.trouble
    )


def _seat_leak(
    outlet: Channel,
    creep: Estimate,
    volume: EffectiveVolume | None,
    amount: float,
    gas: Drift,
    rate: LastingRate,
) -> Estimate:
    """Return the creep as gas that enters the outlet's effective volume.

    Args:
        outlet: its channel.
        creep: rate of its pressure.
        volume: of the outlet side.
        amount: how the amount in a cubic metre grows with pressure, 1.
        gas: its temperature.
        rate: what of it the readings show, before heat and air are allowed for.
    """
    if volume is None or not volume.volume > 0.0:
        return not_measured(
            "seat_leak", outlet.role, Reason.of("no_volume", role=outlet.role)
        )
    if creep.value is None or creep.interval is None:
        why = creep.missing or Reason.of("too_few_samples", found=0, needed=8)
        return not_measured("seat_leak", outlet.role, why)
    factor = volume.volume * amount
    value = creep.value * factor
    volumes = [
        *volume.lines(
            outlet.role,
            rate.value * amount,
            (creep.value - rate.value) * factor / max(volume.holds, 1e-12),
        ),
        BudgetLine(
            source="gas_temperature_level",
            u=gas.u_level,
            sensitivity=-value / gas.level,
            value=gas.level,
        ),
    ]
    low, high = (end * factor for end in creep.interval)
    interval, rest = widened((low, high), value, volumes)
    lines = [
        dataclasses.replace(line, sensitivity=line.sensitivity * factor)
        for line in creep.lines
    ]
    notes = [smallest_leak_note(rate.u * factor, lines[1:])]
    if volume.found_in:
        acts = f"{volume.volume * 1e6:.4g} cm3"
        notes.append(Reason.of("volume_found", step=volume.found_in, volume=acts))
    evidence = dataclasses.replace(
        creep.evidence,
        model=(
            *creep.evidence.model,
            (f"volume_{outlet.role}", volume.volume),
            ("amount_slope", amount),
        ),
        notes=(*creep.evidence.notes, *notes),
    )
    return finite(
        Estimate(
            id="seat_leak",
            channel=outlet.role,
            value=value,
            interval=interval,
            u=math.hypot(creep.u * factor, rest.u),
            lines=(*lines, *volumes),
            evidence=evidence,
            trouble=creep.trouble,
            doubt=creep.doubt,
            rate=creep.rate,
        )
    )
