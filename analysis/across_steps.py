"""What several steps show together: supply pressure effect and repeatability."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence

from records.errors import Reason
from records.jobcard import JobCard
from records.plan import Plan
from records.rig import Channel

from .estimate import not_measured
from .found import STAGES, Found, channel_of
from .interstage import pushed
from .marks import Performance, Skipped
from .readings import Readings
from .sweep import (
    SAME_INLET,
    Level,
    Repeat,
    read_level,
    repeatability,
    since_inlet_moved,
    supply_pressure_effect,
)


def with_those_across(
    found: list[Found],
    readings: Readings,
    plan: Plan,
    done: dict[str, Performance | Skipped],
    job: JobCard,
) -> list[Found]:
    """Return the findings with those that several steps give together.

    Each stands at the step whose limit asks for it, else at the last step that it is
    from. Without a limit, what can't be found from these steps is not told.
    """
    inlet = readings.channel("inlet")
    stages = [
        (c, job.regulator.pushed if role == "outlet" else pushed(job))
        for role in STAGES
        if (c := readings.channel(role)) is not None
    ]
    for (outlet, acts), (id, kind) in itertools.product(
        stages,
        (
            ("supply_pressure_effect", "lockup"),
            ("repeatability", "lockup"),
            ("repeatability", "set"),
        ),
    ):
        steps = [s for s in plan.steps if s.kind == kind and not s.trial]
        wanted = (id, outlet.role)
        asked = [
            s
            for s in steps
            if any((x.finding, channel_of(x)) == wanted for x in s.limits)
        ]
        valid = [
            f
            for f in found
            if f.step.kind == kind
            and f.estimate.channel == outlet.role
            and not _spent(f, kind)
        ]
        repeats = _repeats(valid, outlet, readings)
        if id == "repeatability":
            estimate = repeatability([r for _, r in repeats], outlet, inlet)
        elif inlet is None:
            why = Reason.of("channel_missing", role="inlet")
            estimate = not_measured(id, outlet.role, why)
        else:
            estimate = supply_pressure_effect(
                _flowing(valid, outlet, readings),
                outlet,
                inlet,
                acts,
                _of_lockups([r for _, r in repeats]),
            )
        read = [s for s in steps if isinstance(done[s.id], Performance)]
        home = asked[-1] if asked else (read[-1] if read else None)
        if home is None or (estimate.missing is not None and not asked):
            continue
        places = [n for n, f in enumerate(found) if f.step_id == home.id]
        at = places[-1] + 1 if places else len(found)
        if isinstance(done[home.id], Skipped):
            continue  # said of the step already
        found = [*found[:at], Found(home, home.id, estimate), *found[at:]]
    return found


def _spent(found: Found, kind: str) -> bool:
    """Tell whether something was done since that keeps a finding from its fellows.

    A setting that is set again is what its repeatability is found from.
    """
    ends = {"found_again", "adjusted_since", "opened_since"}
    if kind == "set":
        ends = {"opened_since"}
    return any(why.id in ends for why in found.estimate.trouble)


def _repeats(
    found: Sequence[Found], outlet: Channel, readings: Readings
) -> list[tuple[Found, Repeat]]:
    """Return set or lockup pressures with the inlet that they were read at."""
    read = []
    for f in found:
        estimate, window = f.estimate, f.estimate.evidence.window_s
        if estimate.id not in ("set_pressure", "lockup_pressure") or (
            estimate.value is None or window is None
        ):
            continue
        level = read_level(readings, outlet, estimate.evidence.part, *window)
        if isinstance(level, Reason):
            continue
        own = [x for x in estimate.lines if x.source == "noise"]
        u = own[0].u if own else level.u
        level = dataclasses.replace(level, trouble=estimate.trouble)
        read.append((f, Repeat(estimate.value, u, level.inlet, level)))
    return read


def _flowing(
    found: Sequence[Found], outlet: Channel, readings: Readings
) -> list[Level]:
    """Return outlet and inlet just before each closing, the small bleed flowing."""
    levels = []
    for f in found:
        model = dict(f.estimate.evidence.model)
        window = model.get("flowing_from_s"), model.get("flowing_to_s")
        if f.estimate.id != "lockup_rise" or window[0] is None or window[1] is None:
            continue
        part = f.estimate.evidence.part
        start = since_inlet_moved(readings, part, window[0], window[1])
        level = read_level(readings, outlet, part, start, window[1])
        if isinstance(level, Level):
            levels.append(level)
    return levels


def _of_lockups(repeats: Sequence[Repeat]) -> list[tuple[str, float]]:
    """Return the same ratio of the lockup pressures, for ``--why``."""
    if len(repeats) < 2:
        return []
    high = max(repeats, key=lambda r: r.inlet)
    low = min(repeats, key=lambda r: r.inlet)
    if high.inlet - low.inlet <= SAME_INLET * abs(high.inlet):
        return []
    ratio = (low.value - high.value) / (low.inlet - high.inlet)
    return [("of_lockup_pressures", ratio)]
