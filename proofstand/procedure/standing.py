"""What a person's word is held against, and whether anybody is at it.

A confirmation counts where the pressure stands as was asked at the moment it is said;
that it stands for long enough is seen besides. No look of minutes is needed for that:
the last second is.
"""

from __future__ import annotations

from copy import copy

from .seeing import outlet_stands
from .stages import There
from .view import View
from .watch import nothing_under_pressure

_NOW_S = 1.0
_SLOW_S = 5.0  # of instruments that read more slowly
# Of what counts as standing there: gas just compressed or let down still moves.
_NEARLY = 2.0
# So long after the last movement nobody is at it any more.
BREAK_S = 60.0
# A stretch in which an outlet that moves by itself is seen to do so.
_BEFORE_S = 10.0


def at_aim(role: str, aim_pa: float, within: float = 0.02) -> There:
    """The channel reads what was asked for, or nearly: it may still settle."""

    def against(view: View) -> tuple[str, float] | None:
        now = _reading(view, role)
        if now is not None and abs(now - aim_pa) <= _NEARLY * within * abs(aim_pa):
            return None
        return role, 0.0 if now is None else now

    return against


def at_zero(view: View) -> tuple[str, float] | None:
    """No pressure channel of the station shows any."""
    if nothing_under_pressure(view) is not None:
        return None
    found = {
        role: now
        for role in ("inlet", "outlet")
        if view.has(role)
        and view.channel(role).id in view.under_pressure
        and (now := _reading(view, role)) is not None
    }
    if not found:
        return "", 0.0
    role = max(found, key=lambda role: found[role])
    return role, found[role]


def _reading(view: View, role: str) -> float | None:
    if not view.has(role):
        return None
    now = view.mean(role, _NOW_S)
    return view.mean(role, _SLOW_S) if now is None else now


def at_it_since(view: View) -> float | None:
    """Return since when somebody is at the outlet without a long break, or None.

    An outlet that does not stand and shows no hand at it moves by itself: it has done
    so since it was asked for.
    """
    if not view.has("outlet"):
        return view.since_s
    since = view.now_s
    if view.moving("outlet"):
        since -= _BEFORE_S
    for event in reversed(view.events("outlet")):
        start, stop = event.window_s
        if since - stop > BREAK_S:
            break
        since = min(since, start)
    if since < view.now_s:
        return max(since, view.since_s)
    return None if _stood(view) else view.since_s


def _stood(view: View) -> bool:
    """Tell whether the outlet stood in any stretch of the last minute.

    Not in its last seconds, which may be the first of a hand.
    """
    stands, before = outlet_stands(_BEFORE_S), copy(view)
    for _ in range(round(BREAK_S / _BEFORE_S)):
        before.now_s -= _BEFORE_S
        if stands(before) is not None:
            return True
    return False
