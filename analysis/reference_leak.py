"""A reference leak as the rig finds it, and the rig's leak of a shift's record."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from records.errors import Reason
from records.judgement import BudgetLine, Evidence, Shape
from records.measure import STANDARD_PRESSURE_PA
from records.plan import Step
from records.rig import Channel
from records.shift import ShiftRelied

from .estimate import Estimate, finite, not_measured, widened
from .leak import ROLES, balance
from .marks import Performance
from .readings import Readings, absolute_offset
from .surroundings import barometer
from .volumes import EffectiveVolume, Volumes

ID = "reference_leak"
# Held so many times below what is asked, it is not the pressure that was asked.
_PRESSURE_SAME = 0.995


def reference_leak(readings: Readings, done: Performance) -> Estimate:
    """Return the leak that is open, at the pressure of its certificate.

    With the connections blanked only hoses give, so a volume's own allowance for that
    is taken where the rig file has one.

    Args:
        readings: the run's channels.
        done: its step; ``outlet`` is the certificate's pressure, gauge.
    """
    outlet = readings.channel("outlet")
    if done.hold is None or done.step.outlet is None or outlet is None:
        why = Reason.of("step_not_done", step=done.step.id)
        return not_measured(ID, "", why)
    found = balance(readings, done.part, *done.hold, _blanked(readings))
    if isinstance(found, Reason):
        return not_measured(ID, "", found)
    share = _to_certificate(readings, outlet, done)
    value = share * found.loss
    # of a film; through a hole the flow changes about half as much with pressure
    law = BudgetLine(
        source="leak_law",
        u=0.5 * abs(value - found.loss) / math.sqrt(3.0),
        value=share,
        shape=Shape.RECTANGULAR,
    )
    held = (share * found.interval[0], share * found.interval[1])
    interval, _ = widened(held, value, [law])
    lines = tuple(
        dataclasses.replace(line, sensitivity=share * line.sensitivity)
        for line in found.lines
    )
    return finite(
        Estimate(
            id=ID,
            channel="",
            value=value,
            interval=interval,
            u=math.hypot(share * found.u, law.u),
            dof=found.dof,
            lines=(*lines, law),
            evidence=dataclasses.replace(
                found.evidence,
                notes=tuple(
                    note for note in found.evidence.notes if note.id != "volume_found"
                ),
            ),
            trouble=found.trouble,
            doubt=found.doubt,
            rig=True,
            rate=found.rate,
        )
    )


def _to_certificate(readings: Readings, outlet: Channel, done: Performance) -> float:
    """Return what a film would pass at the certificate's pressure over what it did."""
    assert done.hold is not None
    assert done.step.outlet is not None
    start, stop = done.hold
    air = barometer(readings, done.part, start, stop).level
    held = readings.stretch(outlet, done.part, start, stop)
    absolute = held.value + absolute_offset(outlet, air)
    driven = float(np.mean(absolute**2)) - air**2
    stated = STANDARD_PRESSURE_PA + done.step.outlet.value_si
    wanted = stated**2 - STANDARD_PRESSURE_PA**2
    return wanted / driven if driven > 0.0 else math.nan


def _blanked(readings: Readings) -> Volumes | None:
    """Return the trapped volumes as they act with the connections blanked."""
    traits = readings.traits
    volumes: Volumes = {}
    for role in ROLES:
        stated = None if traits is None else traits.volumes.get(role)
        if stated is None or stated.blanked is None:
            continue
        gives = max(0.0, stated.blanked.value_si)
        rigid = stated.volume.value_si
        volumes[role] = EffectiveVolume(
            volume=rigid + 0.5 * gives,
            holds=rigid,
            u_found=math.hypot(stated.u.value_si, gives / math.sqrt(12.0)),
            found_in="blanked",
        )
    return volumes


def shift_rig_leak(relied: ShiftRelied | None, step: Step) -> Estimate:
    """Return the rig's leak as the shift's record that a run relies on has it.

    Args:
        relied: the record, None where the run has none.
        step: the ``rig-hold`` that is taken from it, with the pressures that it wants.
    """
    held = None if relied is None else relied.rig_leak
    if relied is None or held is None:
        why = Reason.of("step_not_done", step=step.id, why="no shift record")
        return not_measured("rig_leak", "", why)
    note = Reason.of(
        "rig_leak_from_shift",
        shift=relied.id,
        sha256=relied.sha256[:12],
        inlet=held.inlet.typed,
        outlet=held.outlet.typed,
    )
    pairs = ((step.inlet, held.inlet), (step.outlet, held.outlet))
    low = [
        wanted.typed
        for wanted, at in pairs
        if wanted is not None and at.value_si < _PRESSURE_SAME * wanted.value_si
    ]
    trouble = (Reason.of("rig_leak_unknown"),) if low else ()
    value, u = held.value.value_si, held.u.value_si
    return Estimate(
        id="rig_leak",
        channel="",
        value=value,
        interval=(held.low.value_si, held.upper.value_si),
        u=u,
        lines=(BudgetLine(source="shift_record", u=u, value=value),),
        evidence=Evidence(notes=(note,)),
        trouble=trouble,
        rig=True,
    )
