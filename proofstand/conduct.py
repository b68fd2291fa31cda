"""How a person worked a test on the simulated rig: what could hurt at a real one.

Told beside a drill's points, never in them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from records.run import MarkKind, Run

from .procedure.watch import OPENED, OVER_PRESSURE, Watch

CONNECTED = "connected"  # or taken off, while a side showed pressure
STOPPED = "stopped"
_BEFORE_S = 1.0


@dataclass(frozen=True, slots=True)
class Fitted:
    """Something was put between the connections, or taken away.

    Attributes:
        at_s: run time. what: ``open``, ``blank`` or ``regulator``.
    """

    at_s: float
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """Something that is worth a word.

    Attributes:
        what: ``connected``, ``stopped``, or one of ``watch.ALARMS``.
        at_s: run time. step: that was on, or "".
        channel: that showed it, or "". value: what it read, Pa gauge, of ``connected``.
        fitted: what was fitted then, or "". facts: of the alarm's mark.
    """

    what: str
    at_s: float
    step: str = ""
    channel: str = ""
    value: float = 0.0
    fitted: str = ""
    facts: tuple[tuple[str, str], ...] = field(default=())


def remarks_on(run: Run, fitted: Iterable[Fitted]) -> tuple[Remark, ...]:
    """Return what is worth a word of a test of one part, in time.

    Args:
        run: that was worked.
        fitted: what was put between the connections, and when.
    """
    found = [remark for each in fitted for remark in _under_pressure(run, each)]
    for mark in run.marks:
        trouble = mark.data.get("trouble", "")
        if mark.kind is MarkKind.TROUBLE and trouble in (OVER_PRESSURE, OPENED):
            found.append(
                Remark(
                    what=trouble,
                    at_s=mark.t_s,
                    step=mark.step,
                    channel=mark.data.get("channel", ""),
                    facts=tuple(mark.data.items()),
                )
            )
        elif mark.kind is MarkKind.ABANDONED:
            found.append(Remark(what=STOPPED, at_s=mark.t_s, step=mark.step))
    return tuple(sorted(found, key=lambda remark: remark.at_s))


def _under_pressure(run: Run, fitted: Fitted) -> list[Remark]:
    """Return a remark for each channel that showed pressure just before."""
    watch = Watch(run.header.plan, run.header.rig)
    for channel in run.header.rig.channels:
        trace = run.trace(channel, run.parts[0].number)
        watch.add(channel.id, trace.between(fitted.at_s - _BEFORE_S, fitted.at_s))
    watch.look(fitted.at_s, None)
    begun = [
        m.step
        for m in run.marks
        if m.kind is MarkKind.STEP_BEGIN and m.t_s <= fitted.at_s
    ]
    return [
        Remark(
            what=CONNECTED,
            at_s=fitted.at_s,
            step=begun[-1] if begun else "",
            channel=id,
            value=value,
            fitted=fitted.what,
        )
        for id, value in watch.under_pressure(fitted.at_s).items()
    ]
