"""How the trace shows that something was done. Each function returns a condition."""

from __future__ import annotations

from math import inf

import numpy as np

from analysis.early import BEFORE_S, HELD, Answer, HeldSoFar, look_at, look_due
from analysis.events import LOOK_AFTER_S, LOOK_BEFORE_S, accepted_closing_s
from analysis.events import shut_off as closing
from records.plan import Plan, Step

from .stages import See, Seen
from .view import KEEP_S, View

# A closing time within the judgement's window by so much is within it for sure.
_SURE = 1.05
_STANDS_S = 2.0  # after a rise, before it counts as the closing
_SLOW_RIG_S = 10.0  # then the rise itself counts, where too few readings tell more
_MOVED_S = 1.0
_CREPT = 2.0  # times what stands out over one second


def _text(value: float) -> str:
    return repr(round(value, 6))


MOST_ZERO_PA = 2000.0  # nothing above this counts as vented, whatever the span


def vented(*roles: str, seconds: float = 2.0) -> See:
    """All channels of these roles read close to zero and stay there.

    Close means within 1 % of the channel's span and within 2 kPa, or within four times
    the stated uncertainty of its zero where that is more: a zero that is further off is
    a fault of the transducer, and the reading that follows finds it. A role without a
    gauge channel can't be seen to be vented.
    """

    def see(view: View) -> Seen | None:
        for role in roles:
            if not view.has(role) or not view.channel(role).zero_at_vent:
                return None
            channel = view.channel(role)
            low, high = (q.value_si for q in channel.span)
            near = min(0.01 * (high - low), MOST_ZERO_PA)
            if channel.calibration is not None:
                near = max(near, 4.0 * channel.calibration.u_offset())
            state = view.steadiness(role, seconds, 0.5 * near)
            if state is None or not state.steady or abs(state.mean) > near:
                return None
        return Seen("vented", view.now_s)

    return see


def zeroed(*roles: str) -> See:
    """The channels are vented and read zero within what their calibration says.

    A channel without a calibration only has to be vented. What was read is told.
    """
    empty = vented(*roles)

    def see(view: View) -> Seen | None:
        seen = empty(view)
        if seen is None:
            return None
        facts = []
        for role in roles:
            channel = view.channel(role)
            mean = view.mean(role, 2.0)
            if mean is None:
                return None
            near = 4.0 * channel.resolution.value_si
            if channel.calibration is not None:
                near = max(near, 4.0 * channel.calibration.u_offset())
                if abs(mean) > near:
                    return None
            facts.append((role, _text(mean)))
        return Seen("zeroed", seen.t_s, tuple(facts))

    return see


def at_pressure(role: str, aim_pa: float, within: float = 0.02) -> See:
    """The channel stands at a pressure, steady over two seconds."""

    def see(view: View) -> Seen | None:
        near = within * abs(aim_pa)
        state = view.steadiness(role, 2.0, near)
        if state is None or not state.steady or abs(state.mean - aim_pa) > near:
            return None
        return Seen("pressurised", view.now_s, (("mean", _text(state.mean)),))

    return see


def off_pressure(role: str, aim_pa: float, within: float) -> See:
    """The channel stood off a pressure over the hold, on the whole."""

    def see(view: View) -> Seen | None:
        mean = view.mean(role, min(view.now_s - view.hold_from_s, KEEP_S))
        if mean is None or abs(mean - aim_pa) <= within * abs(aim_pa):
            return None
        return Seen("inlet_off", view.now_s, (("mean", _text(mean)),))

    return see


def first_of(*sees: See) -> See:
    """The first of several things to look for that is seen."""

    def see(view: View) -> Seen | None:
        return next((seen for each in sees if (seen := each(view)) is not None), None)

    return see


def set_within(target_pa: float, band_pa: float, seconds: float = 3.0) -> See:
    """The outlet stands inside a band about the target and is steady."""

    def see(view: View) -> Seen | None:
        state = view.steadiness("outlet", seconds, band_pa)
        if state is None or not state.steady:
            return None
        if abs(state.mean - target_pa) > band_pa:
            return None
        return Seen("steady", view.now_s, (("mean", _text(state.mean)),))

    return see


def left_band(target_pa: float, band_pa: float, seconds: float) -> See:
    """The reading just taken lies outside the band: read again after readjusting."""

    def see(view: View) -> Seen | None:
        mean = view.mean("outlet", seconds)
        if mean is not None and abs(mean - target_pa) <= band_pa:
            return None
        return Seen("outside_band", view.now_s, (("mean", _text(mean or 0.0)),))

    return see


# What an outlet may drift while it flows before a lockup: of itself, or at least so
# much, which a low pressure swings by when nothing is wrong.
_FLOW_DRIFT = 0.004
_FLOW_DRIFT_PA = 12.0


def flowing(seconds: float = 10.0) -> See:
    """The downstream valve is open and the outlet is steady.

    After a lockup this wants a fall of the outlet first: a locked-up outlet is steady
    too.
    """

    def see(view: View) -> Seen | None:
        falls = [e for e in view.events("outlet") if e.kind == "fall"]
        if view.locked and not falls:
            return None
        if view.now_s - view.since_s < seconds:
            return None  # the flow is read within the step that needs it
        return _outlet_stands(view, "flowing", seconds)

    return see


def _outlet_stands(view: View, event: str, seconds: float) -> Seen | None:
    if view.moving("outlet"):
        return None
    mean = view.mean("outlet", seconds)
    if mean is None:
        return None
    drift = max(_FLOW_DRIFT * abs(mean), _FLOW_DRIFT_PA)
    state = view.steadiness("outlet", seconds, drift)
    if state is None or not state.steady:
        return None
    return Seen(event, view.now_s, (("mean", _text(state.mean)),))


def outlet_stands(seconds: float = 5.0) -> See:
    """The outlet stands, whatever flows."""
    return lambda view: _outlet_stands(view, "steady", seconds)


def all_of(*sees: See) -> See:
    """Several things are seen at once; the last one's name and all their facts."""

    def see(view: View) -> Seen | None:
        found = [each(view) for each in sees]
        last = found[-1]
        if last is None or any(one is None for one in found):
            return None
        facts = [fact for one in found if one is not None for fact in one.facts]
        return Seen(last.event, last.t_s, tuple(dict(reversed(facts)).items()))

    return see


def flow_at(aim: float, within: float) -> See:
    """The flow channel stands at a flow, steady over three seconds, Pa·m3/s."""

    def see(view: View) -> Seen | None:
        if not view.has("flow"):
            return None
        near = _near_flow(view, aim, within)
        state = view.steadiness("flow", 3.0, near)
        if state is None or not state.steady or abs(state.mean - aim) > near:
            return None
        return Seen("flow_reached", view.now_s, (("flow", _text(state.mean)),))

    return see


def off_flow(aim: float, within: float) -> See:
    """The flow lay off its aim over the reading, on the whole."""

    def see(view: View) -> Seen | None:
        mean = view.mean("flow", min(view.now_s - view.hold_from_s, KEEP_S))
        if mean is None or abs(mean - aim) <= _near_flow(view, aim, within):
            return None
        return Seen("flow_off", view.now_s, (("flow", _text(mean)),))

    return see


def _near_flow(view: View, aim: float, within: float) -> float:
    return max(within * abs(aim), 4.0 * view.channel("flow").resolution.value_si)


def flow_stopped() -> See:
    """The outlet rose as it does when a flow stops, however fast, and stands."""
    closed = shut_off(0.0, inf)

    def see(view: View) -> Seen | None:
        seen = closed(view)
        return None if seen is None else Seen("shut_off", seen.t_s, seen.facts)

    return see


# A rise that stands out of the noise of a second's mean by so much was a stroke.
_GAINED = 6.0
_BEFORE_S = 3.0


def gained(*, stroke: bool, seconds: float = 2.0) -> See:
    """The shut outlet stands higher than when it was asked for, and no longer rises.

    Args:
        stroke: it went up at once, and the moment is when that was over; else the
            moment is now.
        seconds: how long it has to stand.
    """

    def see(view: View) -> Seen | None:
        if view.moving("outlet") or view.now_s - view.since_s < seconds:
            return None
        t, y = view.last("outlet", view.now_s - view.since_s + _BEFORE_S)
        before, after = y[t <= view.since_s], y[t > view.now_s - seconds]
        if before.size < 8 or after.size < 8:
            return None
        noise = max(float(np.std(before)), float(np.std(after)))
        noise *= (1.0 / before.size + 1.0 / after.size) ** 0.5
        floor = view.channel("outlet").resolution.value_si
        rise = float(np.mean(after) - np.mean(before))
        if rise < max(_GAINED * noise, 4.0 * floor):
            return None
        at = view.now_s
        if stroke:
            ends = [e.window_s[1] for e in view.events("outlet") if e.kind == "rise"]
            if not ends or view.now_s - ends[-1] < seconds:
                return None
            at = ends[-1]
        return Seen("added", at, (("rise", _text(rise)),))

    return see


def cycles(count: int) -> See:
    """The outlet went down and up again so many times, and now rests."""

    def see(view: View) -> Seen | None:
        events = view.events("outlet")
        falls = sum(e.kind == "fall" for e in events)
        rises = sum(e.kind == "rise" for e in events)
        if min(falls, rises) < count or view.moving("outlet"):
            return None
        return Seen("exercised", view.now_s, (("cycles", str(min(falls, rises))),))

    return see


def shut_off(shortest_s: float, longest_s: float) -> See:
    """The outlet rose as it does when the downstream valve closes, and stands.

    The closing is found as the judgement finds it. Gives ``shut_off`` when it took a
    time that the judgement will accept too, and ``closing_time_outside`` when not.
    """
    least, most = accepted_closing_s(shortest_s, longest_s)

    def see(view: View) -> Seen | None:
        if view.moving("outlet"):
            return None
        rises = [e for e in view.events("outlet") if e.kind == "rise"]
        if rises:
            last = rises[-1]
            if view.now_s - last.window_s[1] < _STANDS_S:
                return None  # a hand that turns on is not done yet
        elif not _crept_up(view):
            return None
        found = closing(view.trace("outlet", view.since_s - LOOK_BEFORE_S), -inf, inf)
        if found is not None and found.t50_s < view.since_s:
            found = None  # a flow that was made smaller before; the closing goes on
        if found is not None:
            at, took, rise = found.t50_s, found.closing_s, found.after - found.before
        elif rises and view.now_s - last.window_s[1] > _SLOW_RIG_S:
            at, took, rise = last.t_s, last.window_s[1] - last.window_s[0], last.change
        else:
            return None
        facts = (("closing_s", f"{took:.2f}"), ("rise", _text(rise)))
        inside = least * _SURE <= took <= most / _SURE
        return Seen("shut_off" if inside else "closing_time_outside", at, facts)

    return see


def _crept_up(view: View) -> bool:
    """Tell whether the outlet stands well above where it flowed, without a jump."""
    before, now = view.at("outlet", view.since_s - 1.0), view.mean("outlet", 1.0)
    if before is None or now is None:
        return False
    return now - before > _CREPT * view.threshold("outlet")


_ROOM = 1.5  # times the last rise has to fit below the limit


def no_room(role: str = "outlet") -> See:
    """Another rise like the last one would come near the limit."""

    def see(view: View) -> Seen | None:
        rises = [e for e in view.events(role, -inf) if e.kind == "rise"]
        now, limit = view.mean(role, 1.0), view.limits.get(role)
        if not rises or now is None or limit is None:
            return None
        if now + _ROOM * rises[-1].change < limit:
            return None
        return Seen("no_room", view.now_s)

    return see


# What a hand does to a held pressure: so much of its level, and in so short a time.
_TOUCHED = {"outlet": 0.02, "inlet": 0.05}
TOUCH_S = 6.0
_UNTOUCHED_S = 4.0  # after the hold's begin, while the closing itself may still show


def touched(*roles: str, soaked_s: float = 0.0) -> See:
    """A held pressure went down at once, as no leak or creep lets it.

    Of the inlet also up: somebody else is at the supply. What was held before its hold
    began, to let the gas settle, is looked at too.
    """

    def see(view: View) -> Seen | None:
        for role in roles:
            if not view.has(role):
                continue
            since = view.hold_from_s - soaked_s + _UNTOUCHED_S
            for event in view.events(role, since):
                took = event.window_s[1] - event.window_s[0]
                level = max(abs(event.before), abs(event.after))
                least = max(_TOUCHED[role] * level, 2.0 * event.fact("threshold"))
                if event.kind == "rise" and role == "outlet":
                    continue
                if event.fact("ramp") or took > TOUCH_S or abs(event.change) < least:
                    continue
                facts = (
                    ("channel", view.channel(role).id),
                    ("moved", _text(event.change)),
                )
                return Seen("disturbed", event.t_s, facts)
        return None

    return see


def closed_further() -> See:
    """The outlet rose once more in the hold, and more than when it seemed to lock up.

    Then the valve was still being turned when the hold began.
    """

    def see(view: View) -> Seen | None:
        start = view.hold_from_s - LOOK_BEFORE_S
        if view.now_s - start > KEEP_S:
            return None
        found = closing(
            view.trace("outlet", start), -inf, view.hold_from_s + LOOK_AFTER_S
        )
        if found is None or abs(found.t50_s - view.hold_from_s) < _MOVED_S:
            return None
        return Seen("closed_in_steps", found.t50_s)

    return see


def leaks(most: float) -> See:
    """The two trapped sides lose more than this together, Pa·m3/s.

    From straight lines over the latter half of the hold: a coarse look, so that nothing
    is built on a rig that plainly leaks. The judgement finds the rate itself.
    """

    def see(view: View) -> Seen | None:
        lost = 0.0
        for role, volume in view.volumes.items():
            if not view.has(role):
                continue
            t, y = view.last(role, 0.5 * (view.now_s - view.since_s))
            if t.size < 8:
                return None
            slope = float(np.polyfit(t - t[0], y, 1)[0])
            lost += max(0.0, -slope * volume)
        return (
            Seen("rig_leaks", view.now_s, (("lost", _text(lost)),))
            if (lost > most)
            else None
        )

    return see


def fell_by(share: float, role: str = "inlet") -> See:
    """A trapped pressure fell by this share of what it was when the hold began."""

    def see(view: View) -> Seen | None:
        if not view.has(role):
            return None
        first = view.at(role, view.since_s)
        now = view.mean(role, 1.0)
        if first is None or now is None or now > (1.0 - share) * first:
            return None
        return Seen("fell", view.now_s, (("share", _text(1.0 - now / first)),))

    return see


def decided(step: Step, plan: Plan) -> See:
    """A look at the hold that is on is enough to fail, or, where allowed, to pass."""
    assert step.hold is not None
    seconds = step.hold.value_si

    def see(view: View) -> Seen | None:
        if view.rig is None or not (plan.early_fail or plan.early_pass):
            return None
        start = view.hold_from_s
        look = look_due(start, seconds, view.now_s - view.tick_s, view.now_s)
        if look is None or not (view.has("inlet") and view.has("outlet")):
            return None
        until = start + look.after_s
        traces = {
            view.channel(role).id: view.recorded(role, start - BEFORE_S, until)
            for role in HELD
            if view.has(role)
        }
        seen = HeldSoFar(view.rig, plan.test_gas, traces)
        standing = look_at(seen, plan, step, start, look)
        if standing.answer is Answer.ON_COURSE:
            return None
        return Seen(standing.answer.value, view.now_s, tuple(standing.facts().items()))

    return see
