"""Alarms and what the procedure notes while it waits, in words; window and terminal."""

from __future__ import annotations

from dataclasses import dataclass

from records.jobcard import JobCard
from records.measure import Kind, Quantity, Reference
from records.plan import Plan
from records.ratings import asked_of
from records.rig import Channel
from records.run import Mark, Request, RunHeader

from .display import unit_for, value_text
from .procedure.progress import HINT, LAPSED, STANDS, TOO_EARLY
from .procedure.watch import OPENED, OVER_PRESSURE, SILENT, Alarm
from .words.burst_hose import BurstHose, burst_hose
from .words.sentences import alarm_does, alarm_said, alarm_words, noted_words

# The rig itself failed: no mark of the procedure, and nobody reads anything any more.
RIG_LOST = "rig_lost"


@dataclass(frozen=True, slots=True)
class AlarmWords:
    """What is said of an alarm.

    Attributes:
        first: what it is. second: what to do at once. what: what was read.
        do: what to do, in that order.
    """

    first: str
    second: str
    what: str
    do: tuple[str, ...]


def words_of(alarm: Alarm, header: RunHeader) -> AlarmWords:
    """Return what to say of an alarm of a run."""
    channel = header.rig.channel_by_id(alarm.channel)
    facts = {"channel": _named(alarm.channel, channel)}
    part = "what"
    if alarm.what == OVER_PRESSURE:
        for name in ("value", "limit"):
            facts[name] = _value(alarm.fact(name), channel, header.plan)
        part = "what_end" if alarm.fact("end_of_range") else "what"
    elif alarm.what == OPENED:
        gauge = Reference.GAUGE
        facts["value"] = _value(alarm.fact("value"), channel, header.plan, gauge)
    elif alarm.what == SILENT:
        facts["why"] = alarm_said("why", alarm.fact("why") or "missing")
    return AlarmWords(
        alarm_said(alarm.what, "first", **facts),
        alarm_said(alarm.what, "second"),
        alarm_said(alarm.what, part, **facts),
        alarm_does(alarm.what),
    )


def over_words(what: str, channel: str, header: RunHeader) -> str:
    """Return that an alarm is over."""
    name = _named(channel, header.rig.channel_by_id(channel))
    first = alarm_said(what, "first", channel=name)
    return alarm_words("over", first=first)


def note_words(mark: Mark, request: Request | None, header: RunHeader) -> str:
    """Return what a note of the procedure says to who is asked for something, or ""."""
    told = mark.data
    if STANDS in told:
        return noted_words("stands")
    if HINT in told:
        return noted_words(told[HINT], waited_s=told.get("waited_s", "?"))
    note = next((n for n in (TOO_EARLY, LAPSED) if n in told), "")
    if not note:
        return ""
    aim = None if request is None else request.aim
    channel = header.rig.channel_by_id(told.get("channel", ""))
    facts = {
        "channel": _named(told.get("channel", "?"), channel),
        "value": _value(told.get("value", ""), channel, header.plan, Reference.GAUGE),
    }
    if aim is None:
        return noted_words(f"{note}_zero", **facts)
    return noted_words(note, aim=aim.typed, **facts)


def hose_page(job: JobCard | None = None, plan: Plan | None = None) -> BurstHose:
    """Return what to do on a burst hose, for what a test has on the rig."""
    gas = job.test_gas if job is not None else ""
    if not gas and plan is not None:
        gas = plan.test_gas
    asked: list[Quantity] = []
    for step in plan.steps if plan is not None else ():
        asked += [q for side, q in asked_of(step, job) if side == "inlet"]
    most = max(asked, key=lambda q: q.value_si, default=None)
    return burst_hose(gas, most)


def _named(id: str, channel: Channel | None) -> str:
    if channel is None or channel.role == id:
        return id
    return f"{channel.role} {id}"


def _value(
    text: str,
    channel: Channel | None,
    plan: Plan,
    reference: Reference | None = None,
) -> str:
    try:
        value = float(text)
    except ValueError:
        return "?"
    role = "" if channel is None else channel.role
    against = reference or (Reference.GAUGE if channel is None else channel.reference)
    unit = unit_for(plan, Kind.PRESSURE, role)
    return value_text(value, Kind.PRESSURE, against, unit)
