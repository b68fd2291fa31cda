"""Remarks on how a person worked a drill's rig, in words. Knows no Qt."""

from __future__ import annotations

from collections.abc import Sequence

from proofstand.alarms import words_of
from proofstand.conduct import CONNECTED, STOPPED, Remark
from proofstand.display import unit_for, value_text
from proofstand.procedure.watch import Alarm
from proofstand.words.sentences import caution
from records.measure import Kind, Reference
from records.run import Run

from ..bench_desk.scales import clock
from ..bench_desk.wording import step_words
from .wording import said


def remark_lines(remarks: Sequence[Remark], run: Run) -> tuple[str, ...]:
    """Return a head and a sentence or two for each remark, nothing without one."""
    if not remarks:
        return ()
    return (said("remark", "head"), *(_words(each, run) for each in remarks))


def _words(remark: Remark, run: Run) -> str:
    at, step = clock(remark.at_s), step_words(remark.step)
    if remark.what == STOPPED:
        return said("remark", STOPPED, at=at, step=step)
    if remark.what != CONNECTED:
        alarm = words_of(Alarm(remark.what, remark.channel, remark.facts), run.header)
        return said("remark", "alarm", at=at, first=alarm.first, what=alarm.what)
    channel = run.header.rig.channel_by_id(remark.channel)
    role = remark.channel if channel is None else channel.role
    unit = unit_for(run.header.plan, Kind.PRESSURE, role)
    read = value_text(remark.value, Kind.PRESSURE, Reference.GAUGE, unit)
    off = remark.fitted == "open"
    rule = caution(f"zero_before_{'disconnecting' if off else 'connecting'}")
    what = said("fixture", remark.fitted)
    return said(
        "remark", CONNECTED, at=at, fitted=what, role=role, read=read, rule=rule
    )
