"""How vent and outlet show that a relief opened and shut again, or that it did not.

The vent is read by a flow meter or a bonnet channel; where the rig has neither, a
person looks and says so, and only what the outlet can't hide is seen here.
"""

from __future__ import annotations

import numpy as np

from analysis.relief import NOT_OPENED, NOT_RESEATED
from analysis.vent import (
    QUIET_S,
    VENT_ROLES,
    began,
    discharge_level,
    vent_readings,
)

from .stages import See, Seen
from .view import View

_REACHED = 0.985  # of the most that is asked for
_LOOKED_S = 60.0
_STANDS_S = 20.0  # with a reading at the vent
_NOBODY_SAYS_S = 90.0  # without one
_STANDS = 2e-3  # of the most, over that time
_RAISED = 1.15  # over the set pressure
_DOWN = 1.05
_LET_OFF, _LET_OFF_S = 0.9, 4.0
_INLET, _INLET_S = 0.03, 6.0
_LEFT = 0.3  # of what it was raised by
_WAITED_S = 10.0
_STEADY_S = 2.0


def _text(value: float) -> str:
    return repr(round(value, 6))


def _vent(view: View) -> str | None:
    return next((role for role in VENT_ROLES if view.has(role)), None)


def discharges() -> See:
    """The vent began to let out gas; the moment is when that stood out."""

    def see(view: View) -> Seen | None:
        role = _vent(view)
        if role is None:
            return None
        start = max(view.since_s - QUIET_S, view.now_s - _LOOKED_S)
        vent = vent_readings(view.recorded(role, start, view.now_s))
        outlet = view.trace("outlet", start)
        quiet = vent.value[vent.t_s <= start + QUIET_S]
        level = discharge_level(view.channel(role), quiet)
        if level is None:
            return None
        before = float(np.median(quiet))
        at = began(vent, outlet, view.since_s, level, before)
        if at is None:
            return None
        there = view.at("outlet", at - 1.0)
        facts = () if there is None else (("outlet", _text(there)),)
        return Seen("discharges", at, facts)

    return see


def let_off() -> See:
    """The outlet stands lower than when it was to be raised, or the inlet moved."""

    def see(view: View) -> Seen | None:
        inlet = view.mean("inlet", 1.0)
        was = view.at("inlet", view.now_s - _INLET_S)
        if inlet is not None and was is not None and was > 0.0:
            if abs(inlet - was) > _INLET * was:
                return Seen("disturbed", view.now_s, (("inlet", _text(inlet)),))
        if view.now_s - view.since_s < _LET_OFF_S:
            return None
        before, mean = view.at("outlet", view.since_s - 1.0), view.mean("outlet", 3.0)
        if before is None or mean is None or mean > _LET_OFF * before:
            return None
        return Seen("disturbed", view.now_s, (("outlet", _text(mean)),))

    return see


def not_opened(most_pa: float, set_pa: float) -> See:
    """The outlet stands at the most, or at the end of its supply, and nothing vents."""

    def see(view: View) -> Seen | None:
        mean = view.mean("outlet", 1.0)
        if mean is None:
            return None
        reached = (("reached", _text(mean)),)
        if mean >= _REACHED * most_pa:
            return Seen(NOT_OPENED, view.now_s, reached)
        seconds = _NOBODY_SAYS_S if _vent(view) is None else _STANDS_S
        if view.now_s - view.since_s < seconds or mean < _RAISED * set_pa:
            return None
        before = view.at("outlet", view.now_s - seconds)
        if before is None or abs(mean - before) > _STANDS * most_pa:
            return None
        return Seen(NOT_OPENED, view.now_s, reached)

    return see


def not_reseated(set_pa: float) -> See:
    """The outlet is down at where it is set, and nothing said that the vent ceased."""

    def see(view: View) -> Seen | None:
        mean = view.mean("outlet", 1.0)
        if mean is None or mean > _DOWN * set_pa:
            return None
        if view.now_s - view.since_s < _WAITED_S:
            return None
        return Seen(NOT_RESEATED, view.now_s, (("outlet", _text(mean)),))

    return see


def let_down(most_pa: float, set_pa: float) -> See:
    """The outlet is down near where it is set, and stands.

    Gas that is let down is cold, and its pressure comes up again as it warms.
    """
    down = set_pa + _LEFT * (most_pa - set_pa)

    def see(view: View) -> Seen | None:
        if view.now_s - view.since_s < _STEADY_S or view.moving("outlet"):
            return None
        state = view.steadiness("outlet", _STEADY_S, 0.02 * set_pa)
        if state is None or not state.steady or state.mean > down:
            return None
        return Seen("let_down", view.now_s, (("mean", _text(state.mean)),))

    return see
