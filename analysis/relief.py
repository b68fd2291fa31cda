"""Relief: at which outlet the vent began to discharge, and where it ceased again.

The outlet is raised slowly by a limited supply, the inlet isolated. That the relief
opened is told by the vent (a flow reading there, the bonnet's pressure, or a person who
looks), never by the outlet alone: an outlet that stands may have met the end of its
supply. The vent tells the moment only to within a second or two; in that time the
outlet's own trace may say more, since it rises no further, or drops. So each moment of
that time is weighed by how well two straight lines that part there fit the outlet; if
nothing parts, each is as likely as another, and the rate of rise times the uncertainty
of the moment is what is left.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from records.errors import Reason
from records.judgement import BudgetLine, Evidence
from records.measure import Kind, to_unit
from records.rig import Channel
from records.trace import FloatArray, Trace

from .estimate import Estimate, estimated, not_measured
from .marks import Performance
from .readings import Readings, calibration_lines, resolution_line
from .steady import long_run_ratio
from .vent import (
    BEGUN_WITHIN_S,
    CEASED_WITHIN_S,
    MEAN_S,
    QUIET_S,
    VENT_ROLES,
    began,
    ceased,
    discharge_level,
    vent_readings,
)

RAISE_ACT, SHUT_ACT = "raise_outlet", "shut_source"
LET_DOWN_ACT = "let_down_outlet"
NOT_OPENED, NOT_RESEATED = "not_opened", "not_reseated"
# A person says so within this time; common practice, no source.
REACTION_S = 2.0
_WRITTEN_S = 0.25  # a mark bears the time of the look before it
_FIT_S = 4.0
_MOMENTS = 61
_LEAST_READINGS = 8
_FELL = 0.02  # of the outlet: what is raised does not go down
_INLET, _INLET_S = 0.03, 6.0  # of the inlet, and over how long before
_OPEN_VENT_PA = 24.9  # 0.1 in. w.c.: an open vent keeps the bonnet below it
_OPEN_VENT = 0.01  # of the outlet, where that is more


@dataclass(frozen=True, slots=True)
class _Told:
    """When the vent turned: between two times, and who or what says so."""

    first_s: float
    last_s: float
    by: Reason


@dataclass(frozen=True, slots=True)
class _Parted:
    """The outlet where two straight lines part.

    Attributes:
        value, u: Pa, the latter from the readings. at_s, u_at_s: when.
        rate: of the line that is read, Pa/s. readings: how many it is from.
    """

    value: float
    u: float
    at_s: float
    u_at_s: float
    rate: float
    readings: int


def relief_findings(
    readings: Readings, outlet: Channel, done: Performance
) -> list[Estimate]:
    """Return start-to-discharge and reseat of a ``relief`` step, Pa gauge."""
    begun = done.asked_at(RAISE_ACT)
    if begun is None:
        why = Reason.of("step_not_done", step=done.step.id)
        return [
            not_measured(id, outlet.role, why)
            for id in ("relief_opening", "relief_reseat")
        ]
    vent = next((c for r in VENT_ROLES if (c := readings.channel(r))), None)
    level = None if vent is None else _level(readings, vent, done, begun)
    shut = done.asked_at(SHUT_ACT)
    opened = _opened(readings, outlet, vent, level, done, begun)
    if opened is None:
        opening = _bound(readings, outlet, done, begun, shut)
        lacking = Reason.of("relief_not_opened_here", step=done.step.id)
        return [opening, not_measured("relief_reseat", outlet.role, lacking)]
    opening = _read(readings, outlet, done, "relief_opening", opened, before=True)
    if opening.value is not None:
        opening = opening.but(
            trouble=[
                *_said_otherwise(done, vent, level, opened),
                *_disturbed(readings, outlet, done, begun, opened),
                *_bonnet(readings, done, opening.value),
            ]
        )
    if shut is None:
        why = Reason.of("step_not_done", step=done.step.id)
        return [opening, not_measured("relief_reseat", outlet.role, why)]
    reseat = _reseat(readings, outlet, vent, level, done, shut)
    if reseat.value is not None:
        # what is not known to have opened is not known to have shut
        reseat = reseat.but(trouble=opening.trouble)
    return [opening, reseat]


def _level(
    readings: Readings, vent: Channel, done: Performance, begun: float
) -> float | None:
    quiet = _at_vent(readings, vent, done.part, begun - QUIET_S, begun)
    return discharge_level(vent, quiet.value)


def _at_vent(
    readings: Readings, vent: Channel, part: int, start: float, stop: float
) -> Trace:
    return vent_readings(readings.trace(vent, part).between(start, stop))


def _opened(
    readings: Readings,
    outlet: Channel,
    vent: Channel | None,
    level: float | None,
    done: Performance,
    begun: float,
) -> _Told | None:
    """Return when the vent began to discharge; None where nothing says that it did."""
    if vent is not None and level is not None:
        start = begun - QUIET_S
        let_out = _at_vent(readings, vent, done.part, start, done.end_s)
        raised = _good(readings, outlet, done.part, start, done.end_s)
        before = float(np.median(let_out.value[let_out.t_s <= begun]))
        at = began(let_out, raised, begun, level, before)
        if at is not None:
            return _by_channel(vent, at, BEGUN_WITHIN_S)
    said = done.confirmed_at(RAISE_ACT)
    return None if said is None else _by_person(said)


def _good(
    readings: Readings, channel: Channel, part: int, start: float, stop: float
) -> Trace:
    read = readings.trace(channel, part).between(start, stop)
    use = (read.flags == 0) & np.isfinite(read.value)
    return Trace(channel.id, read.t_s[use], read.value[use], read.flags[use])


def _by_channel(vent: Channel, at: float, within_s: float) -> _Told:
    told = Reason.of("vent_told_by_channel", channel=vent.id, at_s=f"{at:.1f}")
    return _Told(at - within_s, at, told)


def _by_person(said: tuple[float, str]) -> _Told:
    at, by = said
    told = Reason.of(
        "vent_told_by_person", by=by, at_s=f"{at:.1f}", within_s=f"{REACTION_S:g}"
    )
    return _Told(at - REACTION_S, at + _WRITTEN_S, told)


def _said_otherwise(
    done: Performance, vent: Channel | None, level: float | None, told: _Told
) -> list[Reason]:
    """Return that a person saw what the reading at the vent does not show."""
    if vent is None or level is None or told.by.id == "vent_told_by_channel":
        return []
    return [Reason.of("vent_shows_nothing", channel=vent.id)]


def _disturbed(
    readings: Readings, outlet: Channel, done: Performance, begun: float, told: _Told
) -> list[Reason]:
    """Return that another valve was moved before or when the vent turned.

    What is raised does not go down, and an inlet that changes moves the diaphragm too.
    """
    fell = _means(_good(readings, outlet, done.part, begun, told.first_s))
    down = np.maximum.accumulate(fell) - fell
    spoilt = down.size > 0 and float(down.max()) > _FELL * float(fell.max())
    inlet = readings.channel("inlet")
    if inlet is not None:
        start = told.first_s - _INLET_S
        stood = _means(_good(readings, inlet, done.part, start, told.last_s))
        if stood.size:
            level = max(
                abs(float(np.median(stood))), abs(inlet.span[1].value_si) * 0.01
            )
            spoilt = spoilt or float(np.ptp(stood)) > _INLET * level
    return [Reason.of("step_disturbed")] if spoilt else []


def _means(read: Trace) -> FloatArray:
    """Return sliding means over half a second, so that noise is no movement."""
    if read.t_s.size < _LEAST_READINGS:
        return np.empty(0)
    width = max(1, round(MEAN_S * read.t_s.size / (read.t_s[-1] - read.t_s[0])))
    return np.convolve(read.value, np.full(width, 1.0 / width), "valid")


def _bonnet(readings: Readings, done: Performance, outlet_pa: float) -> list[Reason]:
    """Return that pressure stood in the bonnet: then its vent was not open."""
    bonnet = readings.channel("bonnet")
    begun = done.asked_at(RAISE_ACT)
    if bonnet is None or begun is None or bonnet.measure_unit.kind is not Kind.PRESSURE:
        return []
    held = readings.stretch(bonnet, done.part, begun, done.end_s)
    if held.t_s.size < _LEAST_READINGS:
        return []
    highest = float(np.quantile(held.value, 0.99))
    most = max(_OPEN_VENT_PA, _OPEN_VENT * outlet_pa)
    if highest <= most:
        return []
    unit = bonnet.measure_unit
    return [
        Reason.of(
            "vent_not_open",
            found=f"{to_unit(highest, unit):.3g} {bonnet.unit}",
            most=f"{to_unit(most, unit):.3g} {bonnet.unit}",
        )
    ]


def _bound(
    readings: Readings,
    outlet: Channel,
    done: Performance,
    begun: float,
    shut: float | None,
) -> Estimate:
    """Return the highest outlet that the relief did not open at."""
    stop = done.end_s if shut is None else shut
    held = readings.stretch(outlet, done.part, begun, stop)
    if held.t_s.size < _LEAST_READINGS:
        why = held.trouble or Reason.of(
            "too_few_samples", found=held.t_s.size, needed=_LEAST_READINGS
        )
        return not_measured("relief_opening", outlet.role, why)
    late = held.value[held.t_s > held.t_s[-1] - 1.0]
    unit = outlet.measure_unit
    reached = float(np.mean(late))
    found = f"{to_unit(reached, unit):.4g} {outlet.unit}"
    doubt = [Reason.of("relief_not_opened", reached=found)]
    return _limit_of_knowledge(
        outlet, "relief_opening", late, done, (begun, stop), doubt, "lower"
    )


def _limit_of_knowledge(
    outlet: Channel,
    id: str,
    late: FloatArray,
    done: Performance,
    window: tuple[float, float],
    doubt: list[Reason],
    bound: str,
) -> Estimate:
    value = float(np.mean(late))
    lines = [
        BudgetLine(
            source="noise",
            u=float(np.std(late)) / math.sqrt(late.size),
            value=value,
            dof=float(late.size - 1),
            type="A",
        ),
        *calibration_lines(outlet, value, difference=False),
        resolution_line(outlet),
    ]
    evidence = Evidence(part=done.part, window_s=window, used=int(late.size))
    found = estimated(id, outlet.role, value, lines, evidence, doubt=doubt)
    return dataclasses.replace(found, bound="lower" if bound == "lower" else "upper")


def _reseat(
    readings: Readings,
    outlet: Channel,
    vent: Channel | None,
    level: float | None,
    done: Performance,
    shut: float,
) -> Estimate:
    """Return the outlet at which the vent ceased to discharge."""
    over = done.asked_at(LET_DOWN_ACT)
    until = done.end_s if over is None else over
    closed: _Told | None = None
    if vent is not None and level is not None:
        let_out = _at_vent(readings, vent, done.part, shut - MEAN_S, until)
        at = ceased(let_out, level)
        closed = None if at is None else _by_channel(vent, at, CEASED_WITHIN_S)
    else:
        said = done.confirmed_at(SHUT_ACT)
        closed = None if said is None else _by_person(said)
    if closed is not None:
        return _read(readings, outlet, done, "relief_reseat", closed, before=False)
    stop = done.seen_at(NOT_RESEATED) or until
    held = readings.stretch(outlet, done.part, shut, stop)
    if held.t_s.size < _LEAST_READINGS:
        why = held.trouble or Reason.of("step_not_done", step=done.step.id)
        return not_measured("relief_reseat", outlet.role, why)
    late = held.value[held.t_s > held.t_s[-1] - 1.0]
    left = f"{to_unit(float(np.mean(late)), outlet.measure_unit):.4g} {outlet.unit}"
    doubt = [Reason.of("relief_not_reseated", left=left)]
    return _limit_of_knowledge(
        outlet, "relief_reseat", late, done, (shut, stop), doubt, "upper"
    )


def _read(
    readings: Readings,
    outlet: Channel,
    done: Performance,
    id: str,
    told: _Told,
    *,
    before: bool,
) -> Estimate:
    """Return the outlet at the moment when the vent turned.

    Args:
        readings: of the run.
        outlet: channel.
        done: the step.
        id: of the finding.
        told: when the vent turned.
        before: it is read on the line up to that moment, else on the one from it on.
    """
    start, stop = told.first_s, told.last_s
    if before:
        start = max(start - _FIT_S, done.begin_s)
    else:
        over = done.asked_at(LET_DOWN_ACT)
        stop = min(stop + _FIT_S, done.end_s if over is None else over)
    window = (start, told.first_s) if before else (told.last_s, stop)
    held = readings.stretch(outlet, done.part, *window)
    # where it opens the outlet may drop all at once, and that is no bad reading
    read = _good(readings, outlet, done.part, start, stop)
    t_s, y = read.t_s, read.value
    parted = (
        None
        if t_s.size < 2 * _LEAST_READINGS
        else _parted(t_s, y, told.first_s, told.last_s, before=before)
    )
    if parted is None:
        why = held.trouble or Reason.of(
            "too_few_samples", found=t_s.size, needed=2 * _LEAST_READINGS
        )
        return not_measured(id, outlet.role, why)
    lines = [
        BudgetLine(
            source="noise",
            u=parted.u,
            value=parted.value,
            dof=float(max(parted.readings - 2, 1)),
            type="A",
        ),
        BudgetLine(source="vent_time", u=parted.u_at_s, sensitivity=parted.rate),
        *calibration_lines(outlet, parted.value, difference=False),
        resolution_line(outlet),
    ]
    evidence = Evidence(
        part=done.part,
        window_s=window,
        used=int(t_s.size),
        dropped=held.dropped,
        model=(
            ("vent_turned_s", parted.at_s),
            ("vent_from_s", told.first_s),
            ("vent_to_s", told.last_s),
            ("outlet_rate", parted.rate),
        ),
        notes=(told.by,),
    )
    trouble = [held.trouble] if held.trouble else []
    return estimated(id, outlet.role, parted.value, lines, evidence, trouble=trouble)


def _parted(
    t_s: FloatArray, y: FloatArray, first_s: float, last_s: float, *, before: bool
) -> _Parted | None:
    """Return the outlet where it parts from a straight line between two times.

    Each moment is weighed by the sum of squares that one straight line up to it and
    another one from it on leave (normal errors, every moment as likely beforehand).
    """
    level = float(np.median(y))
    z = y - level
    found: list[tuple[float, float, float, float, float, int]] = []
    rests: list[FloatArray] = []
    for at in np.linspace(first_s, last_s, _MOMENTS):
        early = t_s <= at
        own, other = (early, ~early) if before else (~early, early)
        n = int(own.sum())
        if n < _LEAST_READINGS:
            continue
        x = t_s[own] - at
        rate, value, cover, rest = _line(x, z[own])
        apart = z[other]
        if apart.size >= 3:
            _, _, _, apart = _line(t_s[other] - at, apart)
        else:
            apart = np.zeros(apart.size)
        rss = float(rest @ rest + apart @ apart)
        found.append((float(at), value, rate, cover, rss, n))
        rests.append(rest)
    if not found:
        return None
    table = np.array(found, dtype=np.float64)
    moments, values, rates, covers, rss = table[:, :5].T
    best = int(np.argmin(rss))
    s2 = max(float(rss[best]) / max(t_s.size - 5, 1), 1e-18)
    ratio = max(1.0, long_run_ratio(rests[best], 2)[0])
    weight = np.exp(-0.5 * (rss - rss[best]) / (s2 * ratio))
    weight /= weight.sum()
    mean, moment = float(weight @ values), float(weight @ moments)
    slope = float(weight @ rates)
    grain = (last_s - first_s) / (_MOMENTS - 1) / math.sqrt(12.0)
    u_at = math.hypot(math.sqrt(float(weight @ (moments - moment) ** 2)), grain)
    # what the lines say differently beyond their common rate
    spread = float(weight @ (values - mean - slope * (moments - moment)) ** 2)
    u = math.sqrt(float(weight @ covers) * s2 * ratio + spread)
    return _Parted(mean + level, u, moment, u_at, slope, found[best][5])


def _line(x: FloatArray, z: FloatArray) -> tuple[float, float, float, FloatArray]:
    """Return slope, value at 0, its variance per unit of noise, and what is left."""
    middle = float(np.mean(x))
    xx = float((x - middle) @ (x - middle))
    slope = float((x - middle) @ z) / xx if xx > 0.0 else 0.0
    mean = float(np.mean(z))
    cover = 1.0 / x.size + (middle * middle / xx if xx > 0.0 else 0.0)
    rest = z - mean - slope * (x - middle)
    return slope, mean - slope * middle, cover, np.asarray(rest)
