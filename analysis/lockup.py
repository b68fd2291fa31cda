"""Lockup: the outlet after the downstream valve closed, and its rise above the flow.

The shut-off is taken from the trace. Its time stamp is the half of the rise.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from records.errors import Reason
from records.judgement import BudgetLine, Evidence
from records.measure import UNITS, Quantity, to_unit
from records.plan import READ_AFTER_S
from records.rig import Channel

from .estimate import Estimate, estimated, not_measured
from .events import (
    LOOK_AFTER_S,
    LOOK_BEFORE_S,
    LOOK_LONGER_S,
    ShutOff,
    accepted_closing_s,
    find_events,
    shut_off,
)
from .highest import lockup_highest
from .hold_noise import borrowed_noise, readings_in, sliding_means
from .hunting import hunting_findings
from .marks import Performance
from .readings import Readings, calibration_lines, resolution, resolution_line
from .settling import settling_time
from .steady import robust_level
from .steady_level import STEADY_SHARE, steady_level

_HALF_S = 1.0
_CLEAR_S = 0.5
_LEAST_BEFORE_S = 2.0
_EARLIER_S = 5.0
# A closing is asked for when the flow has stood for ten seconds; what rose before that
# was the flow, or a supply that came back.
_STOOD_S = 8.0
_AHEAD_S = 2.0  # so early may a hand be


def find_shut_off(
    readings: Readings, outlet: Channel, done: Performance
) -> ShutOff | None:
    """Return the shut-off of a lockup step, or None.

    Where who reviewed the run moved the begin of the reading by hand, it counts from
    there; a closing that the trace does not show can't be made so.
    """
    found = _seen(readings, outlet, done)
    moved = [b for b in readings.run.moved if b.step == done.step.id]
    if found is None or not moved or moved[-1].begin_s == moved[-1].was_begin_s:
        return found
    begin_s = moved[-1].begin_s
    return replace(found, t50_s=begin_s, onset_s=min(found.onset_s, begin_s))


def _seen(readings: Readings, outlet: Channel, done: Performance) -> ShutOff | None:
    asked = done.asked_at("close_bleed")
    start = done.begin_s if asked is None else max(done.begin_s, asked - LOOK_BEFORE_S)
    trace = readings.trace(outlet, done.part)
    if done.hold is None:
        return shut_off(trace, start, done.end_s)
    start = max(start, min(done.hold[0] - 2.0 * LOOK_BEFORE_S, done.hold[0]))
    for longer in (LOOK_AFTER_S, LOOK_LONGER_S):
        stop = min(done.end_s, done.hold[0] + longer)
        found = shut_off(trace, start, stop)
        if found is not None and asked is not None and found.t50_s < asked - _AHEAD_S:
            found = shut_off(trace, max(start, asked - _STOOD_S), stop) or found
        if found is not None:
            return found
    return None


def lockup_findings(
    readings: Readings,
    outlet: Channel,
    done: Performance,
    closed: ShutOff | None = None,
) -> list[Estimate]:
    """Return what one lockup step shows.

    Lockup pressure at the step's stated time, highest of the hold, rise over the
    pressure that flowed, settling time, and the swing of the flow before.

    Args:
        readings: the run's channels.
        outlet: of the stage that is looked at.
        done: the lockup.
        closed: the closing, where another channel shows it.
    """
    ids = (
        "lockup_pressure",
        "lockup_highest",
        "lockup_rise",
        "settling_time",
        "hunting_amplitude",
        "hunting_frequency",
    )
    if done.hold is None:
        why = Reason.of("step_not_done", step=done.step.id)
        return [not_measured(id, outlet.role, why) for id in ids]
    shut = closed or find_shut_off(readings, outlet, done)
    highest = lockup_highest(
        readings,
        outlet,
        done.part,
        (done.hold[0] if shut is None else min(shut.t50_s, done.hold[1]), done.hold[1]),
    )
    if shut is None:
        why = Reason.of("no_shut_off_seen", step=done.step.id)
        return [
            not_measured("lockup_pressure", outlet.role, why),
            highest.but(doubt=[why]),
            *(not_measured(id, outlet.role, why) for id in ids[2:]),
        ]
    trouble, doubt = _closing(done, shut)
    beside = [
        settling_time(readings, outlet, done, shut).but(trouble=trouble, doubt=doubt),
        *hunting_findings(
            readings, outlet, done.part, _flowing(readings, outlet, done, shut)
        ),
    ]
    pressure = _at(readings, outlet, done, shut)
    if isinstance(pressure, Reason):
        return [
            not_measured("lockup_pressure", outlet.role, pressure),
            highest.but(trouble=trouble, doubt=doubt),
            not_measured("lockup_rise", outlet.role, pressure),
            *beside,
        ]
    value, noise, evidence, bad = pressure
    level_lines = [
        noise,
        *calibration_lines(outlet, value, difference=False),
        resolution_line(outlet),
    ]
    troubles = [*trouble, *bad]
    return [
        estimated(
            "lockup_pressure",
            outlet.role,
            value,
            level_lines,
            evidence,
            trouble=troubles,
            doubt=doubt,
        ),
        highest.but(trouble=trouble, doubt=doubt),
        _rise(readings, outlet, done, shut, pressure, troubles, doubt),
        *beside,
    ]


def _closing(done: Performance, shut: ShutOff) -> tuple[list[Reason], list[Reason]]:
    if done.step.window is None:
        return [], []
    shortest, longest = (q.value_si for q in done.step.window)
    why = Reason.of(
        "closing_time_outside",
        found_s=f"{shut.closing_s:.1f}",
        shortest_s=f"{shortest:g}",
        longest_s=f"{longest:g}",
    )
    least, most = accepted_closing_s(shortest, longest)
    if shut.closing_s < least:
        # a snapped valve traps overshoot: neither pass nor fail
        return [why], []
    if shut.closing_s > most:
        return [], [why]
    return [], []


def _flowing(
    readings: Readings, outlet: Channel, done: Performance, shut: ShutOff
) -> tuple[float, float]:
    """Return the stretch before a closing in which the outlet flowed undisturbed.

    A valve that is turned unevenly lifts the outlet a little before most of the rise:
    from the first such lift after it was asked for, the closing is on.
    """
    stop = shut.onset_s - _CLEAR_S
    asked = done.asked_at("close_bleed")
    # From before the step's start: a transition cut in its middle would not be seen as
    # one, and one within the first moments not before the noise is known.
    # Into the closing: what stands out just before it is told from noise only then.
    trace = readings.trace(outlet, done.part)
    trace = trace.between(done.begin_s - _EARLIER_S, shut.t50_s)
    events = find_events(trace, 0.0, resolution(outlet))
    for event in events:
        if asked is not None and event.kind == "rise" and event.window_s[0] >= asked:
            stop = min(stop, event.window_s[0] - _CLEAR_S)
    start = max(done.begin_s, stop - LOOK_BEFORE_S)
    for event in events:
        if event.window_s[0] < stop:
            start = max(start, event.window_s[1] + _CLEAR_S)
    return start, stop


def _rise(
    readings: Readings,
    outlet: Channel,
    done: Performance,
    shut: ShutOff,
    pressure: tuple[float, BudgetLine, Evidence, list[Reason]],
    trouble: list[Reason],
    doubt: list[Reason],
) -> Estimate:
    value, noise, evidence, _ = pressure
    start, stop = _flowing(readings, outlet, done, shut)
    window = readings.stretch(outlet, done.part, start, stop)
    if window.t_s.size < 8 or window.width_s < _LEAST_BEFORE_S:
        why = window.trouble or Reason.of(
            "not_steady", channel=outlet.id, found_s=f"{max(0.0, stop - start):.1f}"
        )
        return not_measured("lockup_rise", outlet.role, why, evidence=evidence)
    # twice the share of a set reading: the stretch before a closing is short
    flowing = steady_level(outlet, window, 2.0 * STEADY_SHARE)
    flow = flowing.level
    more = [*trouble, *([window.trouble] if window.trouble else []), *flowing.trouble]
    rise = value - flow.mean
    lines = [
        noise,
        BudgetLine(
            source="noise_flowing",
            u=flow.u,
            sensitivity=-1.0,
            value=flow.mean,
            dof=flow.dof,
            type="A",
        ),
        *calibration_lines(outlet, rise, difference=True),
        resolution_line(outlet),
        resolution_line(outlet, -1.0),
        flowing.definition_line,
    ]
    model = (
        *evidence.model,
        ("flowing", flow.mean),
        ("flowing_from_s", start),
        ("flowing_to_s", stop),
        ("onset_s", shut.onset_s),
        ("closing_s", shut.closing_s),
    )
    told = Evidence(
        part=done.part,
        window_s=(start, evidence.window_s[1] if evidence.window_s else stop),
        used=evidence.used + flow.used,
        dropped=evidence.dropped + flow.dropped + window.dropped,
        model=model,
    )
    return estimated(
        "lockup_rise", outlet.role, rise, lines, told, trouble=more, doubt=doubt
    )


def _at(
    readings: Readings, outlet: Channel, done: Performance, shut: ShutOff
) -> tuple[float, BudgetLine, Evidence, list[Reason]] | Reason:
    """Return the lockup pressure at the stated time, its noise, and what it is from."""
    assert done.hold is not None
    after = (
        READ_AFTER_S if done.step.read_after is None else done.step.read_after.value_si
    )
    at = shut.t50_s + after
    if done.hold[1] < at + _HALF_S - 0.1:
        return Reason.of(
            "hold_too_short",
            held_s=f"{done.hold[1] - shut.t50_s:.1f}",
            needed_s=f"{after + _HALF_S:.0f}",
        )
    window = readings.stretch(outlet, done.part, at - _HALF_S, at + _HALF_S)
    bad = [window.trouble] if window.trouble else []
    if window.t_s.size < 8:
        return bad[0]
    value = float(np.mean(window.value))
    rest = readings.stretch(
        outlet, done.part, shut.t50_s + min(3.0, after - _HALF_S), done.hold[1]
    )
    u, dof, slope = borrowed_noise(rest.t_s, rest.value, 2.0 * _HALF_S)
    if not math.isfinite(u):
        own = robust_level(window.t_s, window.value, resolution(outlet))
        u, dof = own.u, own.dof
    u = math.hypot(u, shut.u_s * slope)
    return (
        value,
        BudgetLine(source="noise", u=u, value=value, dof=dof, type="A"),
        Evidence(
            part=done.part,
            window_s=(at - _HALF_S, at + _HALF_S),
            used=window.used,
            dropped=window.dropped,
            model=(("shut_off_s", shut.t50_s), ("read_after_s", after)),
        ),
        bad,
    )


def _like(value_si: float, wanted: Quantity) -> str:
    """Return a pressure in the unit that another one was typed in."""
    name, reference = wanted.typed.split(" ", 1)[1].rsplit(" ", 1)
    unit = UNITS.get(name.strip(), UNITS["Pa"])
    shown = to_unit(value_si, unit)
    return f"{shown:.3g} {unit.name} {reference}"


def inlet_moved(
    readings: Readings, done: Performance, default_band: float = 0.02
) -> Reason | None:
    """Return that the inlet did not stay within its band over a hold, or None."""
    inlet = readings.channel("inlet")
    if inlet is None or done.hold is None:
        return Reason.of("channel_missing", role="inlet") if inlet is None else None
    held = readings.stretch(inlet, done.part, *done.hold)
    if held.t_s.size < 8:
        return held.trouble
    band = (
        default_band
        if done.step.inlet_band is None
        else (done.step.inlet_band.value_si)
    )
    width = readings_in(held.t_s, 1.0)
    level = float(np.median(held.value))
    means = sliding_means(held.value - level, width)
    moved = float(np.ptp(means))
    if held.trouble is not None:
        return held.trouble
    if moved > band * abs(level):
        return Reason.of(
            "inlet_not_steady",
            moved=f"{100.0 * moved / abs(level):.1f} %" if level else "all",
            band=f"{100.0 * band:g} %",
        )
    wanted = done.step.inlet
    if wanted is not None and abs(level - wanted.value_si) > band * wanted.value_si:
        return Reason.of(
            "inlet_off_plan",
            found=_like(level, wanted),
            wanted=wanted.typed,
            band=f"{100.0 * band:g} %",
        )
    return None
