"""How the trace shows that something was done. Each function returns a condition."""

from __future__ import annotations

from .stages import See, Seen
from .view import View


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


def flowing(seconds: float = 10.0, drift_pa: float = 12.0) -> See:
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
        if view.moving("outlet"):
            return None
        state = view.steadiness("outlet", seconds, drift_pa)
        if state is None or not state.steady:
            return None
        return Seen("flowing", view.now_s, (("mean", _text(state.mean)),))

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
    """The outlet rose as it does when the downstream valve closes.

    Gives ``shut_off`` when the closing took a time inside the window, and
    ``closing_time_outside`` when it did not.
    """

    def see(view: View) -> Seen | None:
        rises = [e for e in view.events("outlet") if e.kind == "rise"]
        if not rises:
            return None
        rise = rises[-1]
        closing = rise.window_s[1] - rise.window_s[0]
        facts = (
            ("closing_s", f"{closing:.2f}"),
            ("rise", _text(rise.after - rise.before)),
        )
        if not 0.4 * shortest_s <= closing <= longest_s + 2.0:
            return Seen("closing_time_outside", rise.t_s, facts)
        return Seen("shut_off", rise.t_s, facts)

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
