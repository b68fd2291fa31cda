"""What a person saw, heard or read off a gauge, beside what the channels read then."""

from __future__ import annotations

import math

from records.errors import InputError, Reason
from records.judgement import FINDINGS, BudgetLine, Evidence
from records.measure import Kind, Quantity, parse_quantity, to_unit
from records.plan import GAUGE_LOOKS
from records.rig import Channel

from .estimate import Estimate, estimated, not_measured
from .marks import Answered, Performance
from .readings import Readings, calibration_lines, resolution_line
from .steady_level import STEADY_SHARE, steady_level

BEFORE_S = 5.0  # the channel is read over so long before the answer
_NO_PRESSURE = 0.01  # of the span


def looked(readings: Readings, done: Performance) -> list[Estimate]:
    """Return the finding of a ``look`` step: the last answer counts."""
    id = done.step.look
    if id is None:
        return []
    role = FINDINGS[id].channel or (done.step.channel or "")
    answer = done.answers[-1] if done.answers else None
    said = None if answer is None else _said(answer, FINDINGS[id].kind)
    if answer is None or said is None:
        why = Reason.of("step_not_done", step=done.step.id)
        return [not_measured(id, role, why)]
    note = Reason.of(
        "told_by_person", by=answer.by, at_s=f"{answer.t_s:.1f}", said=said.typed
    )
    evidence = Evidence(
        part=done.part,
        window_s=(max(done.begin_s, answer.t_s - BEFORE_S), answer.t_s),
        notes=(note,),
    )
    if id not in GAUGE_LOOKS:
        return [estimated(id, role, said.value_si, (), evidence)]
    return [_gauge(readings, done, id, role, said, evidence)]


def _said(answer: Answered, kind: Kind) -> Quantity | None:
    try:
        return parse_quantity(answer.value, kind)
    except InputError:
        return None


def _gauge(
    readings: Readings,
    done: Performance,
    id: str,
    role: str,
    said: Quantity,
    evidence: Evidence,
) -> Estimate:
    """Return a gauge's error against its channel, or its reading without pressure."""
    beside = readings.channel(role or "outlet")
    if beside is None:
        why = Reason.of("channel_missing", role=role or "outlet")
        return not_measured(id, role, why, evidence)
    step = done.step.resolution
    width = 0.0 if step is None else step.value_si
    lines = [BudgetLine(source="gauge_steps", u=width / math.sqrt(12.0), value=width)]
    assert evidence.window_s is not None
    held = readings.stretch(beside, done.part, *evidence.window_s)
    if held.t_s.size < 8:
        why = held.trouble or Reason.of(
            "too_few_samples", channel=beside.id, found=held.t_s.size, needed=8
        )
        return not_measured(id, role, why, evidence)
    found = steady_level(beside, held, STEADY_SHARE)
    trouble = [*([held.trouble] if held.trouble else []), *found.trouble]
    mean = found.level.mean
    if id == "gauge_zero":
        # only that there was no pressure is taken from the channel
        pressed = _under_pressure(beside, mean)
        return estimated(id, role, said.value_si, lines, evidence, trouble=pressed)
    lines += [
        BudgetLine(
            source="noise",
            u=found.level.u,
            sensitivity=-1.0,
            value=mean,
            dof=found.level.dof,
            type="A",
        ),
        *calibration_lines(beside, mean, difference=False),
        resolution_line(beside),
        found.definition_line,
    ]
    return estimated(id, role, said.value_si - mean, lines, evidence, trouble=trouble)


def _under_pressure(channel: Channel, mean: float) -> list[Reason]:
    low, high = (q.value_si for q in channel.span)
    if abs(mean) <= _NO_PRESSURE * (high - low):
        return []
    shown = f"{to_unit(mean, channel.measure_unit):.4g} {channel.unit}"
    return [Reason.of("gauge_under_pressure", channel=channel.id, found=shown)]
