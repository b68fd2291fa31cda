"""Zero of the gauge channels, before and after the test."""

from __future__ import annotations

from records.errors import Reason
from records.judgement import BudgetLine, Evidence
from records.rig import Channel

from .clean import Stretch
from .estimate import Estimate, estimated, not_measured
from .marks import Performance
from .readings import Readings, resolution, resolution_line
from .steady import Level, robust_level


def _level(
    readings: Readings, channel: Channel, done: Performance
) -> tuple[Stretch, Level] | Reason:
    if done.hold is None:
        return Reason.of("step_not_done", step=done.step.id)
    window = readings.stretch(channel, done.part, *done.hold)
    if window.t_s.size < 8:
        return window.trouble or Reason.of(
            "too_few_samples", channel=channel.id, found=window.t_s.size, needed=8
        )
    return window, robust_level(window.t_s, window.value, resolution(channel))


def _noise(level: Level) -> BudgetLine:
    return BudgetLine(
        source="noise", u=level.u, value=level.mean, dof=level.dof, type="A"
    )


def zero_offset(readings: Readings, channel: Channel, done: Performance) -> Estimate:
    """Return the mean reading of a gauge channel open to air.

    The zero's own calibration term is what the finding is held against, so it is no
    part of its budget.
    """
    found = _level(readings, channel, done)
    if isinstance(found, Reason):
        return not_measured("zero_offset", channel.role, found)
    window, level = found
    return estimated(
        "zero_offset",
        channel.role,
        level.mean,
        [_noise(level), resolution_line(channel)],
        evidence_of(window, done.part, level),
        trouble=[window.trouble] if window.trouble else [],
        rig=True,
    )


def closing_zero_change(
    readings: Readings, channel: Channel, before: Performance, after: Performance
) -> Estimate:
    """Return the mean reading open to air after the test less the one before."""
    first = _level(readings, channel, before)
    last = _level(readings, channel, after)
    for found in (first, last):
        if isinstance(found, Reason):
            return not_measured("closing_zero_change", channel.role, found)
    assert not isinstance(first, Reason)
    assert not isinstance(last, Reason)
    change = last[1].mean - first[1].mean
    lines = [
        _noise(first[1]),
        _noise(last[1]),
        resolution_line(channel),
        resolution_line(channel),
    ]
    return estimated(
        "closing_zero_change",
        channel.role,
        change,
        lines,
        evidence_of(last[0], after.part, last[1]),
        trouble=[w.trouble for w in (first[0], last[0]) if w.trouble],
        rig=True,
    )


def evidence_of(window: Stretch, part: int, level: Level) -> Evidence:
    """Return what a level was made from."""
    return Evidence(
        part=part,
        window_s=(window.start_s, window.stop_s),
        used=level.used,
        dropped=window.dropped + level.dropped,
        model=(
            ("mean", level.mean),
            ("noise_ratio", level.inflation),
            ("correlation_s", level.correlation_s),
        ),
        notes=(Reason.of("noise_wanders", ratio=f"{level.inflation:.0f}"),)
        if level.wanders
        else (),
    )
