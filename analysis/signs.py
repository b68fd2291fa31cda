"""Signs in the findings and in the trace, each with how strongly it is there.

A sign that shows by how much a finding misses its limit grows with that, in standard
uncertainties, and never falls; one that is a plain fact is there in full or not. Signs
are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from records.errors import Reason
from records.judgement import ACROSS_IDS, Finding, Outcome

from .halted import FOLLOWS, JERKS, SHORT, STILL, STRAYS, SWINGS, Halted

FAILS = (Outcome.FAIL, Outcome.CONDITIONAL_FAIL)
SEAT = ("seat_leak", "creep_rate", "seat_transfer")
_LOCKUPS = ("lockup_rise", "lockup_highest")
_FLOWING = ("droop", "accuracy_class", "irregularity_coefficient")
_STOPPED = ("closure_coefficient", "lockup_class")
_BUBBLES = ("solution_leak", "bubble_count")
_APART = ("repeatability", "hysteresis")
_RELIEF = ("relief_opening", "relief_reseat")
_READ = frozenset(
    {
        *("external_leak", "set_pressure", "lockup_pressure", "rig_leak"),
        *("closing_zero_change", *SEAT, *_LOCKUPS, *_FLOWING, *_STOPPED, *_BUBBLES),
        *(*_APART, *_RELIEF),
    }
)
_RIG_MADE_IT = ("rig_leak_above_gate", "rig_leak_unknown", "zero_moved")
_FAR_SHARE = 0.05  # of the pressure that flows: no zero drifts so far
_ON_SHARE = 0.3
_HALF_AT_U = 1.0  # as many uncertainties beyond a limit is half of a sign
_AT_LEAST = 0.5  # of a sign that a finding beyond its limit gives
_SWING_SHARE = 0.003  # of the pressure that flows: so large a swing is half of a sign
_STRONGEST = 0.999  # of a sign that grows: it comes near to one and no further


@dataclass(frozen=True, slots=True)
class Seen:
    """What signs are looked for in.

    Attributes:
        findings: of a judgement. halted: what a step that was given up shows.
    """

    findings: Sequence[Finding]
    halted: Sequence[Halted] = ()


@dataclass(frozen=True, slots=True)
class Shown:
    """A sign that is there.

    Attributes:
        strength: above 0, at most 1. because: what shows it.
    """

    strength: float
    because: tuple[Reason, ...]


def told(finding: Finding) -> Reason:
    """Return why a finding is as it is, with its name in the facts."""
    first = finding.why[0] if finding.why else Reason.of("outside_limit")
    named = {"finding": finding.id, "step": finding.step}
    return Reason.of(first.id, **{**dict(first.facts), **named})


def _beyond(finding: Finding) -> float:
    """Return how strongly a finding misses its limit, a half to 1, growing with it."""
    limit, found = finding.limit, finding.measured
    if limit is None or found is None or finding.interval is None:
        return _STRONGEST
    over = -1.0
    for end, side in ((limit.max, 1.0), (limit.min, -1.0)):
        if end is not None:
            over = max(over, side * (found.value - end))
    u = (found.u**2 + limit.u**2) ** 0.5
    return max(_AT_LEAST, _grows(over, _HALF_AT_U * u))


def _grows(size: float, half: float) -> float:
    """Return 0 at nothing, a half at ``half``, and ever nearer to one."""
    if size <= 0.0:
        return 0.0
    return min(_STRONGEST, size / (size + half)) if half > 0.0 else _STRONGEST


def _failed(findings: Iterable[Finding], *ids: str) -> list[Finding]:
    return [f for f in findings if f.id in ids and f.outcome in FAILS]


def _because(findings: Iterable[Finding], *ids: str) -> list[Finding]:
    return [f for f in findings if any(reason.id in ids for reason in f.why)]


def _by_limit(findings: Sequence[Finding]) -> Shown | None:
    """Return the sign of findings beyond their limits, as strong as the worst."""
    if not findings:
        return None
    return Shown(max(map(_beyond, findings)), tuple(map(told, findings)))


def _plain(findings: Sequence[Finding]) -> Shown | None:
    return Shown(1.0, tuple(map(told, findings))) if findings else None


# --- leaks ---------------------------------------------------------------------------


def _external(seen: Seen) -> Shown | None:
    return _by_limit(_failed(seen.findings, "external_leak"))


def _open_outside(seen: Seen) -> Shown | None:
    return None if _external(seen) else _undecided(seen, "external_leak")


def _open_inside(seen: Seen) -> Shown | None:
    return None if _seat(seen) else _undecided(seen, "seat_leak")


def _undecided(seen: Seen, id: str) -> Shown | None:
    """Tell of a leak that lies beyond its limit more likely than not."""
    found = [
        f
        for f in seen.findings
        if f.id == id
        and f.outcome is Outcome.INCONCLUSIVE
        and any(reason.id in ACROSS_IDS for reason in f.why)
        and not any(reason.id in _RIG_MADE_IT for reason in f.why)
        and f.p_conform is not None
        and f.p_conform < 0.5
    ]
    if not found:
        return None
    least = min(f.p_conform for f in found if f.p_conform is not None)
    return Shown(1.0 - 2.0 * least, tuple(map(told, found)))


def _doubted(seen: Seen) -> Shown | None:
    """Tell of a loss wholly above its limit that the way it was held leaves in doubt.

    Not what a leak or a zero of the rig's own may have made.
    """
    if _external(seen):
        return None
    return _by_limit(
        [
            f
            for f in seen.findings
            if f.id == "external_leak"
            and f.outcome is Outcome.INCONCLUSIVE
            and _wholly_above(f)
            and not any(reason.id in _RIG_MADE_IT for reason in f.why)
        ]
    )


def _never_locks(seen: Seen) -> Shown | None:
    """Tell of an outlet that was shut and sank to what flowed, each time."""
    highest = [f for f in seen.findings if f.id == "lockup_highest"]
    shut = {f.step for f in highest if f.measured is not None}
    without = _because(seen.findings, "no_shut_off_seen")
    steps = {f.step for f in without}
    lockups = {f.step for f in seen.findings if f.id == "lockup_rise"} & shut
    if not lockups or not lockups <= steps or _stands_still(seen):
        return None
    return _plain([f for f in without if f.id == "lockup_rise"])


def _stands_still(seen: Seen) -> bool:
    return any((_still(seen), _zero_far(seen), _swings(seen)))


def _bubbles(seen: Seen) -> Shown | None:
    return _by_limit(_failed(seen.findings, *_BUBBLES))


def _seat(seen: Seen) -> Shown | None:
    return _by_limit(_failed(seen.findings, *SEAT))


def _crept(seen: Seen) -> Shown | None:
    return _plain(_went_on_rising(seen.findings))


def _went_on_rising(findings: Sequence[Finding]) -> list[Finding]:
    """Return the highest outlets that a lasting rise, and no more, put over a limit."""
    if _failed(findings, *SEAT):
        return []
    held = [f for f in findings if f.id in SEAT and f.measured is not None]
    if held:
        # undecided by itself, but the outlet crossed its limit only while it was held
        steps = {f.step for f in held}
        late = [f for f in _failed(findings, "lockup_highest") if f.step in steps]
        early = _failed(findings, *_LOCKUPS)
        if late and len(early) == len(late):
            return late
        # as found nothing limits the creep: it alone carried the outlet over a limit
        free = all(f.limit is None for f in held)
        return [f for f in late if free and _crept_over(f, findings)]
    # no creep hold: a lockup that went on rising shows it too
    return [f for f in _failed(findings, "lockup_highest") if _went_on(f, findings)]


def _crept_over(highest: Finding, findings: Sequence[Finding]) -> bool:
    """Tell whether an outlet would have kept its limit but for what it crept."""
    limit, top = highest.limit, highest.measured
    crept = next(
        (f for f in findings if (f.step, f.id) == (highest.step, "creep_total")), None
    )
    if crept is None or crept.measured is None or top is None:
        return False
    most = None if limit is None else limit.max
    return most is not None and top.value - crept.measured.value <= most


def _went_on(highest: Finding, findings: Sequence[Finding]) -> bool:
    """Tell whether the outlet went on rising well beyond the lockup it was read at."""
    step = {f.id: f.measured for f in findings if f.step == highest.step}
    top, read = step.get("lockup_highest"), step.get("lockup_pressure")
    if top is None or read is None:
        # over before it could be read
        return read is None and top is not None
    rise = step.get("lockup_rise")
    size = abs(rise.value) if rise is not None else 0.0
    return top.value - read.value > max(_ON_SHARE * size, 4.0 * top.u)


def _hidden(seen: Seen) -> Shown | None:
    if _external(seen) or _seat(seen) or _crept(seen):
        return None
    return _plain(_because(seen.findings, "outlet_leak_could_hide_it"))


def _followed(seen: Seen) -> Shown | None:
    return _halted(seen, FOLLOWS)


# --- closing, setting, flow ----------------------------------------------------------


def _rise(seen: Seen) -> Shown | None:
    if _seat(seen) or _crept(seen):
        return None
    return _by_limit(_failed(seen.findings, *_LOCKUPS))


def _stopped(seen: Seen) -> Shown | None:
    return _by_limit(_failed(seen.findings, *_STOPPED))


def _apart(seen: Seen) -> Shown | None:
    return _by_limit(_failed(seen.findings, *_APART))


def _jerks(seen: Seen) -> Shown | None:
    return _halted(seen, JERKS)


def _set(seen: Seen) -> Shown | None:
    """A first stage is not set in the test: a lockup below its limit tells it too."""
    low = [f for f in _failed(seen.findings, "lockup_pressure") if _below(f)]
    return _by_limit([*_failed(seen.findings, "set_pressure"), *low])


def _below(finding: Finding) -> bool:
    limit, found = finding.limit, finding.measured
    return (
        limit is not None
        and found is not None
        and limit.min is not None
        and found.value < limit.min
    )


def _relief_early(seen: Seen) -> Shown | None:
    early = _failed(seen.findings, *_RELIEF)
    return _by_limit([f for f in early if _below(f)])


def _flowing(seen: Seen) -> Shown | None:
    return _by_limit(_failed(seen.findings, *_FLOWING))


def _swings(seen: Seen) -> Shown | None:
    """A swing of the outlet, beside the pressure that it swings about."""
    swings = [
        f
        for f in seen.findings
        if f.id == "hunting_amplitude" and f.measured is not None and f.measured.value
    ]
    halted = _halted(seen, SWINGS)
    if not swings:
        return halted
    sizes = [f.measured.value for f in swings if f.measured is not None]
    about = _flows_at(seen.findings)
    strength = _grows(max(sizes), _SWING_SHARE * about) if about else _STRONGEST
    because = tuple(
        Reason.of("outlet_swings", finding=f.id, step=f.step) for f in swings
    )
    if halted is not None:
        return Shown(max(strength, halted.strength), (*halted.because, *because))
    return Shown(strength, because)


def _flows_at(findings: Iterable[Finding]) -> float | None:
    """Return the largest pressure that was read of the outlet, None without any."""
    ids = ("set_pressure", "lockup_pressure", "lockup_highest")
    read = [f.measured.value for f in findings if f.id in ids and f.measured]
    return max(read, default=None)


# --- the rig -------------------------------------------------------------------------


def _rig_leak(seen: Seen) -> Shown | None:
    # wholly above the gate; an interval across it blames nobody
    leaks = [
        f
        for f in _because(seen.findings, "rig_leak_above_gate")
        if f.id == "rig_leak" and _wholly_above(f)
    ]
    return _by_limit(leaks)


def _wholly_above(finding: Finding) -> bool:
    limit, interval = finding.limit, finding.interval
    if limit is None or limit.max is None or interval is None:
        return False
    return interval[0] > limit.max


def _inlet(seen: Seen) -> Shown | None:
    moved = _because(seen.findings, "inlet_not_steady", "inlet_off_plan")
    return _plain(moved) or _halted(seen, SHORT) or _halted(seen, STRAYS)


def _zero(seen: Seen) -> Shown | None:
    if _zero_far(seen) or _still(seen):
        return None
    return _by_limit(_zeros_moved(seen.findings))


def _zeros_moved(findings: Iterable[Finding]) -> list[Finding]:
    # the reason stands at every finding, and names the channels whose zero moved
    return [
        f
        for f in findings
        if (f.id, f.channel) == ("closing_zero_change", "outlet")
        and any(
            r.id == "zero_moved" and "outlet" in dict(r.facts)["channel"] for r in f.why
        )
    ]


def _zero_far(seen: Seen) -> Shown | None:
    """Tell of a reading that stayed up when both sides were opened to air."""
    about = _flows_at(seen.findings)
    return _plain(
        [
            f
            for f in _zeros_moved(seen.findings)
            if f.measured is not None
            and about is not None
            and abs(f.measured.value) > _FAR_SHARE * about
        ]
    )


def _still(seen: Seen) -> Shown | None:
    found = _because(seen.findings, "samples_stuck")
    return _halted(seen, STILL) or _plain([f for f in found if f.channel == "outlet"])


def _halted(seen: Seen, sign: str) -> Shown | None:
    found = [h for h in seen.halted if h.sign == sign and h.share > 0.0]
    if not found:
        return None
    return Shown(min(1.0, max(h.share for h in found)), tuple(h.why for h in found))


SIGNS: Mapping[str, Callable[[Seen], Shown | None]] = MappingProxyType(
    {
        "external_leak_fails": _external,
        "external_leak_doubted": _doubted,
        "never_locks_up": _never_locks,
        "external_leak_open": _open_outside,
        "seat_leak_open": _open_inside,
        "bubbles_seen": _bubbles,
        "seat_leak_fails": _seat,
        "went_on_rising": _crept,
        "outlet_loss_hides_it": _hidden,
        "outlet_followed_inlet": _followed,
        "lockup_too_high": _rise,
        "closes_too_high": _stopped,
        "not_twice_alike": _apart,
        "moved_by_jerks": _jerks,
        "set_pressure_off": _set,
        "relief_too_early": _relief_early,
        "falls_in_flow": _flowing,
        "outlet_swings": _swings,
        "rig_leak_over_gate": _rig_leak,
        "inlet_not_held": _inlet,
        "zero_moved": _zero,
        "zero_far_off": _zero_far,
        "reading_still": _still,
    }
)


def signs(seen: Seen) -> dict[str, Shown]:
    """Return the signs that are there, by id."""
    found = {id: look(seen) for id, look in SIGNS.items()}
    return {id: shown for id, shown in found.items() if shown and shown.strength > 0.0}


def unexplained(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings that fail and that no sign here is read from."""
    return [f for f in findings if f.outcome in FAILS and f.id not in _READ]
