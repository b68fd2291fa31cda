"""Loss of gas from the rig's trapped volumes, by mass balance of all sides.

The amount trapped is the sum over inlet and outlet volume, and over that between two
stages where a channel reads it, of what a cubic metre holds
at the side's absolute pressure (:mod:`analysis.real_gas`) times the volume. Gas that
passes from one volume to the other cancels; what leaves either does not. One volume
times one slope would miss what the other side made up.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from records.errors import Reason
from records.judgement import BudgetLine, Evidence, Shape
from records.measure import (
    STANDARD_PRESSURE_PA,
    STANDARD_TEMPERATURE_K,
    std_cm3_min,
)
from records.rig import Channel
from records.trace import FloatArray

from .clean import Stretch
from .detectable import smallest_leak_note
from .estimate import Estimate, finite, not_measured, widened
from .marks import Performance
from .rate import LastingRate, lasting_rate
from .readings import Readings, absolute_offset, barometer_share, resolution
from .real_gas import GasLaw, gas_law
from .steady import robust_slope
from .surroundings import (
    Drift,
    barometer,
    barometer_line,
    gas_temperature,
    temperature_lines,
)
from .volumes import EffectiveVolume, Volumes, effective_volume

ROLES = ("inlet", "outlet")
BETWEEN = "interstage"
_LOST_SHARE = 0.5
_GAINED = 1.5  # half widths below nothing: chance makes it of one hold in 600
_EMPTIED = 3.0  # times the hold's own rate: there was little left to lose by then


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """One volume over a hold: its gauge or absolute readings and what turns them.

    Attributes:
        level: mean absolute pressure, Pa. slope: how the amount in a cubic metre grows
            with pressure, 1. warming: how pressure grows with temperature, Pa/K.
    """

    role: str
    channel: Channel
    volume: EffectiveVolume
    held: Stretch
    law: GasLaw
    gas_k: float
    level: float
    slope: float
    warming: float

    def amounts(self, air: Drift) -> FloatArray:
        """Return the amount on this side at the times of the readings, Pa·m3.

        A diaphragm is moved by the gauge pressure: what the air's pressure does is of
        the rigid volume alone.
        """
        middle = 0.5 * (self.held.start_s + self.held.stop_s)
        moved = barometer_share(self.channel) * air.slope * (self.held.t_s - middle)
        rigid = self.volume.holds / self.volume.volume
        offset = absolute_offset(self.channel, air.level)
        absolute = self.held.value + offset + rigid * moved
        return self.law.amount(absolute, self.gas_k) * self.volume.volume

    @property
    def per_kelvin(self) -> float:
        """Amount that a warming of one kelvin would feign at an even pressure, Pa·m3/K.

        What gives takes no part in it: it is of the gas that the volume holds.
        """
        return self.volume.holds * self.slope * self.warming


def _side(
    role: str,
    channel: Channel,
    volume: EffectiveVolume,
    held: Stretch,
    law: GasLaw,
    air: Drift,
    gas: Drift,
) -> _Side:
    level = float(np.mean(held.value)) + absolute_offset(channel, air.level)
    return _Side(
        role,
        channel,
        volume,
        held,
        law,
        gas.level,
        level,
        law.slope(max(level, 0.0), gas.level),
        law.warming(max(level, 0.0), gas.level),
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Balance:
    """The loss of gas over one hold.

    Attributes:
        loss, interval: Pa·m3/s at 293.15 K, positive when gas was lost; 95 %.
        lines: budget.
        passed: half of what the outlet gained more than the inlet, settling set apart;
            None where it was not asked for.
    """

    loss: float
    interval: tuple[float, float]
    lines: tuple[BudgetLine, ...]
    u: float
    dof: float | None
    passed: LastingRate | Reason | None
    trouble: tuple[Reason, ...]
    doubt: tuple[Reason, ...]
    evidence: Evidence
    rate: LastingRate
    volume_notes: tuple[Reason, ...] = ()


def balance(
    readings: Readings,
    part: int,
    start_s: float,
    stop_s: float,
    found: Volumes | None = None,
    *,
    roles: Sequence[str] = ROLES,
    transfer: bool = False,
) -> Balance | Reason:
    """Return the loss of gas from all trapped volumes over a hold, or why not.

    Args:
        readings: the run's channels.
        part: part of the run.
        start_s: start of the hold, seconds from the part's start.
        stop_s: its end.
        found: volumes that the run found itself, by role.
        roles: of the channels that read them.
        transfer: also what passed into the outlet.
    """
    law = gas_law(readings.test_gas)
    air = barometer(readings, part, start_s, stop_s)
    gas = gas_temperature(readings, part, start_s, stop_s)
    sides: list[_Side] = []
    for role in roles:
        channel = readings.channel(role)
        volume = effective_volume(readings, role, found)
        if channel is None:
            return Reason.of("channel_missing", role=role)
        if volume is None or not volume.volume > 0.0:
            return Reason.of("no_volume", role=role)
        held = readings.stretch(channel, part, start_s, stop_s)
        if held.t_s.size < 8:
            return held.trouble or Reason.of(
                "too_few_samples", channel=channel.id, found=held.t_s.size, needed=8
            )
        sides.append(_side(role, channel, volume, held, law, air, gas))
    t, total = _together(sides, air)
    if t.size < 8:
        return Reason.of("too_few_samples", found=t.size, needed=8)
    steps = (resolution(s.channel) * s.volume.volume * s.slope for s in sides)
    per_kelvin = sum(s.per_kelvin for s in sides)
    # the prior of the settling is of the pressure, and that acts on all that gives
    acting = sum(abs(s.volume.volume * s.slope * s.warming) for s in sides)
    rate = lasting_rate(
        t,
        total,
        tau_max_s=readings.tau_max_s,
        amplitude=readings.tail_k * acting,
        resolution=0.5 * math.hypot(*steps),
        direction=-1,
    )
    if isinstance(rate, Reason):
        return rate
    warming = per_kelvin * gas.slope
    loss = -rate.value + warming
    others: list[BudgetLine] = []
    for side in sides:
        others += _side_lines(side, air, gas)
    gauge = sum(barometer_share(s.channel) * s.volume.holds * s.slope for s in sides)
    others += temperature_lines(gas, per_kelvin)
    others.append(
        BudgetLine(
            source="gas_temperature_level",
            u=gas.u_level,
            sensitivity=-loss / gas.level,
            value=gas.level,
        )
    )
    others += barometer_line(air, -gauge)
    (low, high), rest = widened(
        (-rate.interval[1] + warming, -rate.interval[0] + warming), loss, others
    )
    of_volumes = _volume_notes(sides)
    notes = [*rate.notes, *of_volumes]
    if air.why is not None:
        notes.append(air.why)
    notes.append(smallest_leak_note(rate.u, others))
    unknown = (s.law.doubt(s.level, gas.level) for s in sides)
    return Balance(
        loss=loss,
        interval=(low, high),
        lines=(rate.line(-1.0), *others),
        u=math.hypot(rate.u, rest.u),
        dof=None,
        passed=_passed(readings, sides, air, gas) if transfer else None,
        trouble=tuple(s.held.trouble for s in sides if s.held.trouble),
        doubt=(*rate.doubt, *(why for why in unknown if why is not None)),
        rate=rate,
        volume_notes=tuple(of_volumes),
        evidence=Evidence(
            part=part,
            window_s=(start_s, stop_s),
            used=sum(s.held.used for s in sides),
            dropped=sum(s.held.dropped for s in sides) + rate.dropped,
            model=(
                *rate.model(),
                ("content", float(np.mean(total))),
                ("gas_temperature_k", gas.level),
                ("gas_temperature_slope", gas.slope),
                ("barometer_pa", air.level),
                ("barometer_slope", air.slope),
                *((f"volume_{s.role}", s.volume.volume) for s in sides),
                *((f"amount_slope_{s.role}", s.slope) for s in sides),
                *((f"warming_{s.role}_pa_per_k", s.warming) for s in sides),
            ),
            notes=tuple(notes),
        ),
    )


def _volume_notes(sides: list[_Side]) -> list[Reason]:
    return [
        Reason.of(
            "volume_found",
            step=s.volume.found_in,
            volume=f"{s.volume.volume * 1e6:.4g} cm3",
        )
        for s in sides
        if s.volume.found_in
    ]


def _passed(
    readings: Readings, sides: list[_Side], air: Drift, gas: Drift
) -> LastingRate | Reason:
    """Return half of what the outlet gained more than all before it, Pa·m3/s.

    Each side settles by itself: the half difference has settlings of its own, as large
    as those of the sum.
    """
    signs = [0.5 if side.role == "outlet" else -0.5 for side in sides]
    t, half = _together(sides, air, signs)
    acting = sum(abs(s.volume.volume * s.slope * s.warming) for s in sides)
    steps = (resolution(s.channel) * s.volume.volume * s.slope for s in sides)
    rate = lasting_rate(
        t,
        half,
        tau_max_s=readings.tau_max_s,
        amplitude=0.5 * readings.tail_k * acting,
        resolution=0.25 * math.hypot(*steps),
        direction=1,
    )
    if isinstance(rate, Reason):
        return rate
    warmed = sum(
        sign * s.per_kelvin * gas.slope for sign, s in zip(signs, sides, strict=True)
    )
    low, high = rate.interval
    return dataclasses.replace(
        rate, value=rate.value - warmed, interval=(low - warmed, high - warmed)
    )


def _together(
    sides: list[_Side], air: Drift, signs: Sequence[float] | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return the amounts of all sides added, at the times of the densest."""
    dense = max(sides, key=lambda s: s.held.t_s.size)
    t = dense.held.t_s
    start = max(float(s.held.t_s[0]) for s in sides)
    stop = min(float(s.held.t_s[-1]) for s in sides)
    t = t[(t >= start) & (t <= stop)]
    total = np.zeros(t.size)
    for side, sign in zip(sides, signs or [1.0] * len(sides), strict=True):
        total = total + sign * np.interp(t, side.held.t_s, side.amounts(air))
    return t, total


def _side_lines(side: _Side, air: Drift, gas: Drift) -> list[BudgetLine]:
    slope = robust_slope(side.held.t_s, side.held.value, resolution(side.channel)).slope
    by_air = barometer_share(side.channel) * air.slope
    record = side.channel.calibration
    gain = 0.0 if record is None else record.u_gain()
    width = max(side.held.width_s, 1.0)
    return [
        *side.volume.lines(
            side.role,
            -side.slope * slope,
            side.slope * (side.warming * gas.slope - by_air),
        ),
        BudgetLine(
            source=f"calibration_gain_{side.role}",
            u=gain,
            sensitivity=-side.slope * slope * side.volume.volume,
        ),
        BudgetLine(
            source=f"resolution_{side.role}",
            u=resolution(side.channel) / math.sqrt(6.0),
            sensitivity=side.slope * side.volume.volume / width,
        ),
    ]


def _gained(found: Balance) -> list[Reason]:
    """Return that both sides together gained gas, which no leak to the air can do."""
    low, high = found.interval
    if not found.loss < -_GAINED * 0.5 * (high - low):
        return []
    gained = f"{std_cm3_min(-found.loss):.3f} std cm3/min"
    return [Reason.of("gas_gained_in_hold", gained=gained)]


def _estimate(id: str, found: Balance, *, rig: bool = False) -> Estimate:
    return finite(
        Estimate(
            id=id,
            channel="",
            value=found.loss,
            interval=found.interval,
            u=found.u,
            dof=found.dof,
            lines=found.lines,
            evidence=found.evidence,
            trouble=(*found.trouble, *_gained(found)),
            doubt=found.doubt,
            rig=rig,
            rate=found.rate,
        )
    )


def rig_leak(readings: Readings, done: Performance) -> Estimate:
    """Return the rig's own leak, both regulator connections blanked."""
    if done.hold is None:
        why = Reason.of("step_not_done", step=done.step.id)
        return not_measured("rig_leak", "", why)
    found = balance(readings, done.part, *done.hold)
    if isinstance(found, Reason):
        return not_measured("rig_leak", "", found)
    return _estimate("rig_leak", found, rig=True)


def _roles(readings: Readings) -> tuple[str, ...]:
    """Return the sides that trap a regulator's gas, as far as they are read."""
    return ROLES if readings.channel(BETWEEN) is None else (*ROLES, BETWEEN)


def body_hold(
    readings: Readings,
    done: Performance,
    rig_upper: float | None,
    volumes: Volumes | None = None,
) -> list[Estimate]:
    """Return external leak and seat transfer of a hold with the inlet isolated.

    Args:
        readings: the run's channels.
        done: the body hold.
        rig_upper: upper end of the rig's leak, or None when there is none: nothing is
            subtracted, but the loss may be that much the rig's.
        volumes: those that the run found itself, by role.
    """
    ids = ("external_leak", "seat_transfer")
    if done.hold is None:
        why = Reason.of("step_not_done", step=done.step.id)
        return [not_measured(id, "", why) for id in ids]
    roles = _roles(readings)
    found = balance(
        readings, done.part, *done.hold, volumes, roles=roles, transfer=True
    )
    if isinstance(found, Reason):
        return [not_measured(id, "", found) for id in ids]
    external = _estimate("external_leak", found)
    lost = _lost_before(readings, done, volumes)
    own = external.value
    if lost is not None and own is not None and lost.rate > _EMPTIED * own:
        external = _with_earlier_loss(external, lost)
    if rig_upper is not None and external.interval is not None:
        one_sided = max(0.0, rig_upper)
        low, high = external.interval
        external = dataclasses.replace(
            external,
            interval=(low - one_sided, high),
            u=math.hypot(external.u, one_sided / math.sqrt(12.0)),
            lines=(
                *external.lines,
                BudgetLine(
                    source="rig_leak",
                    u=one_sided / math.sqrt(12.0),
                    value=one_sided,
                    group="rig_leak",
                    shape=Shape.ONE_SIDED,
                ),
            ),
        )
    return [external, _transfer(found, external)]


@dataclass(frozen=True, slots=True)
class _EarlierLoss:
    """What was lost between the isolating of the inlet and the hold."""

    rate: float
    least: float
    why: Reason


def _lost_before(
    readings: Readings, done: Performance, volumes: Volumes | None
) -> _EarlierLoss | None:
    """Return a loss before the hold that heat can't explain, or None.

    A large leak empties the volumes while the gas is left to settle; the hold itself
    would then look tight.
    """
    assert done.hold is not None
    isolated = done.seen_at("isolated")
    if isolated is None:
        isolated = done.asked_at("hands_off")  # asked for once it is
    start = done.begin_s if isolated is None else isolated
    stop = done.hold[0]
    if stop - start < 1.0:
        return None
    lost, heat = 0.0, 0.0
    law = gas_law(readings.test_gas)
    emptied: list[str] = []
    for role in _roles(readings):
        channel = readings.channel(role)
        volume = effective_volume(readings, role, volumes)
        if channel is None or volume is None:
            return None
        trace = readings.trace(channel, done.part)
        first = trace.between(start, start + 1.0).good().value
        last = trace.between(stop, stop + 1.0).good().value
        if not first.size or not last.size:
            return None
        before, after = float(np.median(first)), float(np.median(last))
        offset = absolute_offset(channel, STANDARD_PRESSURE_PA)
        k = STANDARD_TEMPERATURE_K
        first_amount, last_amount = law.amount([before + offset, after + offset], k)
        lost += float(first_amount - last_amount) * volume.volume
        high = max(before + offset, 0.0)
        moved = law.slope(high, k) * law.warming(high, k)
        heat += 2.5 * readings.tail_k * moved * volume.volume
        if barometer_share(channel) and after < _LOST_SHARE * before:
            emptied.append(role)
    if lost <= heat and not emptied:
        return None
    width = stop - start
    why = Reason.of(
        "step_disturbed",
        step=done.step.id,
        lost_before_hold=f"{lost:.3g}",
        seconds=f"{width:.0f}",
    )
    return _EarlierLoss(lost / width, (lost - heat) / width, why)


def _with_earlier_loss(external: Estimate, lost: _EarlierLoss) -> Estimate:
    assert external.value is not None
    assert external.interval is not None
    value = max(external.value, lost.rate)
    low = max(external.interval[0], lost.least)
    # It went within that time, nobody saw how fast: most of it perhaps at once.
    high = max(external.interval[1], 2.0 * lost.rate)
    return dataclasses.replace(
        external,
        value=value,
        interval=(min(low, value), max(high, value)),
        u=max(external.u, (high - low) / 3.92),
        doubt=(*external.doubt, lost.why),
        evidence=dataclasses.replace(
            external.evidence, notes=(*external.evidence.notes, lost.why)
        ),
    )


def _transfer(found: Balance, external: Estimate) -> Estimate:
    """Return what passed from inlet to outlet; where gas was lost is not known.

    If all of the loss left the outlet, the inlet's loss is the transfer; if all left
    the inlet, the outlet's gain is. The value lies between.
    """
    if external.value is None:
        why = external.missing or Reason.of("too_few_samples", found=0, needed=8)
        return not_measured("seat_transfer", "", why)
    assert found.passed is not None  # a body hold asks for it
    if isinstance(found.passed, Reason):
        return not_measured("seat_transfer", "", found.passed)
    rate = found.passed
    lines = (
        rate.line(),
        BudgetLine(
            source="place_of_loss",
            u=0.5 * abs(found.loss) / 3.0**0.5,
            shape=Shape.RECTANGULAR,
        ),
        *(
            dataclasses.replace(line, sensitivity=0.5 * line.sensitivity)
            for line in found.lines[1:]
        ),
    )
    value = rate.value
    (low, high), rest = widened(rate.interval, value, lines[1:])
    shared = found.evidence.model[len(found.rate.model()) :]
    evidence = dataclasses.replace(
        found.evidence,
        model=(*rate.model(), *shared),
        notes=(*rate.notes, *found.volume_notes),
    )
    return finite(
        Estimate(
            id="seat_transfer",
            channel="",
            value=value,
            interval=(low, high),
            u=math.hypot(rate.u, rest.u),
            lines=lines,
            evidence=evidence,
            trouble=found.trouble,
            doubt=(*found.doubt, *rate.doubt),
        )
    )
