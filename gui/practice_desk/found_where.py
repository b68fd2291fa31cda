"""Where on the trace a finding was read, and how: stretch, interval, slope. No Qt."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from proofstand.display import show
from proofstand.explain import explained
from proofstand.report import role_of
from proofstand.review.told import shown_unit
from records.judgement import Finding, Judgement
from records.measure import to_unit
from records.run import Run
from records.trace import Trace

from ..bench_desk.live import Live
from ..bench_desk.looking import Looking
from ..bench_desk.picturing import picture_at
from ..bench_desk.screen import Lane, Picture, Zone
from ..bench_desk.wording import step_words
from ..history import History
from .replaying import Replay
from .wording import said

Under = tuple[Mapping[str, History], float]
# Findings that are a level of the trace itself.
_LEVELS = ("set_pressure", "lockup_pressure", "lockup_highest")
_RATES = ("creep_rate", "pressure_decay_rate")
_LEAD, _LEAST_S = 0.12, 4.0
_EVERY_S = 0.5  # of a drawn line, closer than what counts as a gap
_MOST_NOTES = 1


def picture_about(
    replay: Replay,
    window_s: tuple[float, float],
    cursors: tuple[float, float] | None = None,
) -> Picture | None:
    """Return the trace about a stretch, and about cursors where there are any."""
    ends = [*window_s, *(cursors or ())]
    lead = _LEAD * max(max(ends) - min(ends), _LEAST_S)
    window = (max(min(ends) - lead, 0.0), max(ends) + lead)
    looking = Looking(window=window, cursors=cursors)
    made = picture_at(replace(replay.standing(), looking=looking))
    if made is None:
        return None
    return replace(made, lines=(), looking=False, head="", over=False)


def marked(
    replay: Replay,
    lane: Lane,
    window_s: tuple[float, float],
    level: tuple[float, float] | None,
    words: str,
) -> Lane:
    """Return a lane with a stretch marked, by a level or by all that was read there.

    Args:
        replay: of the run.
        lane: of the picture.
        window_s: the stretch.
        level: lower and upper end, SI, or None.
        words: what the mark says.
    """
    if level is None:
        level = replay.channels[lane.channel].history.extent(*window_s)
    if level is None:
        return lane
    unit = shown_unit(replay.plan, "set_pressure")
    if lane.role != "outlet":
        unit = replace(unit, factor=lane.factor, offset=lane.offset)
    zone = Zone(
        low=to_unit(level[0], unit),
        high=to_unit(level[1], unit),
        from_s=window_s[0],
        to_s=window_s[1],
        words=words,
    )
    return replace(lane, zones=(zone,), intervals=())


def slope_through(
    live: Live, window_s: tuple[float, float], slope: float
) -> Under | None:
    """Return a slope, Pa/s, as a line through the middle of a stretch and beyond it."""
    start, stop = window_s
    t, value = live.history.between(start, stop)
    good = np.isfinite(value)
    if not good.any():
        return None
    beyond = 0.5 * (stop - start)
    times = np.arange(start - beyond, stop + beyond, _EVERY_S)
    middle_s, level = float(t[good].mean()), float(value[good].mean())
    made = History()
    flags = np.zeros(times.size, np.uint8)
    made.add(Trace(live.channel.id, times, level + slope * (times - middle_s), flags))
    return {live.channel.role: made}, 0.0


def findings_to_explain(judgement: Judgement) -> tuple[Finding, ...]:
    """Return the findings that were read off a stretch of the trace."""
    return tuple(
        finding
        for finding in judgement.findings
        if finding.measured is not None and finding.evidence.window_s is not None
    )


def how_found(
    finding: Finding, run: Run, replay: Replay
) -> tuple[Picture | None, Under | None, str]:
    """Return the trace with a finding explained on it, a line of its rate, and words.

    Args:
        finding: one of :func:`findings_to_explain`.
        run: that it is of.
        replay: of the run, shown to its end.
    """
    told = explained(finding, run, replay.plan)
    window_s, measured = finding.evidence.window_s, finding.measured
    assert window_s is not None
    assert measured is not None
    role = role_of(finding, run.header.rig)
    shown = show(finding, replay.plan, role)
    made = picture_about(replay, window_s)
    if made is None:
        return None, None, ""
    level = finding.interval if finding.id in _LEVELS else None
    lanes = []
    for lane in made.lanes:
        mine = lane.role == role or not role  # a leak is read off both sides
        words = shown.line if lane.role == role else said("score", "read_here")
        mark = level if lane.role == role else None
        lanes.append(marked(replay, lane, window_s, mark, words) if mine else lane)
    under = None
    live = next((d for d in replay.drawn if d.channel.role == role), None)
    if finding.id in _RATES and live is not None:
        under = slope_through(live, window_s, measured.value)
    said_of = said(
        "score",
        "found",
        name=told.label,
        step=step_words(told.step),
        value=shown.line,
        definition=told.definition,
        start=f"{window_s[0]:.0f}",
        stop=f"{window_s[1]:.0f}",
        used=told.used,
    )
    notes = " ".join((*told.why, *told.notes)[:_MOST_NOTES])
    return replace(made, lanes=tuple(lanes)), under, f"{said_of} {notes}".rstrip()
