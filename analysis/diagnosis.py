"""Which faults the findings point at, as groups that this plan can't tell apart.

A readable table: each row is a sign in the findings, the faults that give it, and where
to look, the cheapest look first. No probability is claimed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from records.errors import Reason
from records.faults import OF_FIRST
from records.judgement import Finding, Outcome, Suspect

_OF_RIG = ("zero_offset", "closing_zero_change")
_FAILS = (Outcome.FAIL, Outcome.CONDITIONAL_FAIL)
_SEAT = ("seat_leak", "creep_rate", "seat_transfer")
_ON_SHARE = 0.3
_BETWEEN = "interstage"
# Why a finding fails, by any of the rules.
_FAILED_BY = ("outside_limit", "value_outside", "risk_kept_outside")


@dataclass(frozen=True, slots=True)
class Sign:
    """One row of the table.

    Attributes:
        faults: group of faults that show alike. look_at: where to look, cheapest first.
        shown_by: returns the findings that show it, none when it is not there.
        of_rig: it lies in the rig; of two stages either one's findings show it.
    """

    faults: tuple[str, ...]
    look_at: tuple[str, ...]
    shown_by: Callable[[Sequence[Finding]], list[Finding]]
    of_rig: bool = False


def _failed(findings: Sequence[Finding], *ids: str) -> list[Finding]:
    return [f for f in findings if f.id in ids and f.outcome in _FAILS]


def _because(findings: Sequence[Finding], *ids: str) -> list[Finding]:
    return [f for f in findings if any(reason.id in ids for reason in f.why)]


def _external(findings: Sequence[Finding]) -> list[Finding]:
    return _failed(findings, "external_leak")


def _seat(findings: Sequence[Finding]) -> list[Finding]:
    shown = _failed(findings, *_SEAT)
    if shown:
        return shown
    held = [f for f in findings if f.id in _SEAT and f.measured is not None]
    if held:
        # undecided by itself, but the outlet crossed its limit only while it was held
        steps = {f.step for f in held}
        late = [f for f in _failed(findings, "lockup_highest") if f.step in steps]
        early = _failed(findings, "lockup_rise", "lockup_highest")
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


def _rise_alone(findings: Sequence[Finding]) -> list[Finding]:
    if _seat(findings):
        return []
    return _failed(findings, "lockup_rise", "lockup_highest")


def _hidden(findings: Sequence[Finding]) -> list[Finding]:
    if _external(findings) or _seat(findings):
        return []
    return _because(findings, "outlet_leak_could_hide_it")


def _rig(findings: Sequence[Finding]) -> list[Finding]:
    # wholly above the gate; an interval across it blames nobody
    return [
        f
        for f in _because(findings, "rig_leak_above_gate")
        if f.id == "rig_leak" and any(r.id in _FAILED_BY for r in f.why)
    ]


def _supply(findings: Sequence[Finding]) -> list[Finding]:
    return _because(findings, "inlet_not_steady", "inlet_off_plan")


def _zero(findings: Sequence[Finding]) -> list[Finding]:
    # the reason stands at every finding, and names the channels whose zero moved
    return [
        f
        for f in findings
        if (f.id, f.channel) == ("closing_zero_change", "outlet")
        and any(
            r.id == "zero_moved" and "outlet" in dict(r.facts)["channel"] for r in f.why
        )
    ]


def _stuck(findings: Sequence[Finding]) -> list[Finding]:
    return [f for f in _because(findings, "samples_stuck") if f.channel == "outlet"]


def _set(findings: Sequence[Finding]) -> list[Finding]:
    return _failed(findings, "set_pressure")


def _relief_early(findings: Sequence[Finding]) -> list[Finding]:
    """Return the relief's findings that failed because they lie too low."""
    return [
        f
        for f in _failed(findings, "relief_opening", "relief_reseat")
        if f.measured is not None
        and f.limit is not None
        and f.limit.min is not None
        and f.measured.value < f.limit.min
    ]


def _low_or_high(findings: Sequence[Finding]) -> list[Finding]:
    """A first stage is not set in the test: a lockup below its limit tells it too."""
    low = [f for f in _failed(findings, "lockup_pressure") if _below(f)]
    return [*_set(findings), *low]


def _below(finding: Finding) -> bool:
    limit, found = finding.limit, finding.measured
    return (
        limit is not None
        and found is not None
        and limit.min is not None
        and found.value < limit.min
    )


_OUTSIDE = (
    "outlet_fitting",
    "bonnet_joint",
    "back_cap_gasket",
    "diaphragm_pinhole",
    "diaphragm_torn",
    "relief_weeping",
    "relief_low",
)
_OUTSIDE_LOOK = ("outlet_joint", "bonnet_joint", "back_cap", "bonnet_vent", "diaphragm")
_INSIDE = ("seat_debris", "seat_nicked", "seat_worn")
_INSIDE_LOOK = ("seat", "orifice")

SIGNS: tuple[Sign, ...] = (
    Sign(_OUTSIDE, _OUTSIDE_LOOK, _external),
    Sign(("relief_low",), ("relief_spring", "bonnet_vent"), _relief_early),
    Sign(_INSIDE, _INSIDE_LOOK, _seat),
    Sign(("stem_friction", "seat_worn"), ("stem", "seat"), _rise_alone),
    Sign((*_OUTSIDE, *_INSIDE), (*_OUTSIDE_LOOK, *_INSIDE_LOOK), _hidden),
    Sign(
        ("spring_relaxed", "spring_soft", "spring_stiff"),
        ("adjuster_lock", "spring"),
        _set,
    ),
    Sign(("rig_fitting", "bleed_open"), ("rig_fittings", "bleed_valve"), _rig, True),
    Sign(("supply_starved", "supply_creeping"), ("supply_valve",), _supply, True),
    Sign(("zero_drift",), ("transducer",), _zero, True),
    Sign(("transducer_stuck",), ("transducer",), _stuck, True),
)
OF_RIG = frozenset(fault for sign in SIGNS if sign.of_rig for fault in sign.faults)


# What the channel between two stages shows of the first one.
FIRST_SIGNS: tuple[Sign, ...] = tuple(
    Sign(
        tuple(OF_FIRST + fault for fault in faults),
        ("first_stage", *look_at),
        shown_by,
    )
    for faults, look_at, shown_by in (
        (_INSIDE, _INSIDE_LOOK, _seat),
        (("stem_friction", "seat_worn"), ("stem", "seat"), _rise_alone),
        ((*_OUTSIDE[:5], *_INSIDE), (*_OUTSIDE_LOOK, *_INSIDE_LOOK), _hidden),
        (
            ("spring_relaxed", "spring_soft", "spring_stiff"),
            ("adjuster_lock", "spring"),
            _low_or_high,
        ),
    )
)
_FIRST_OUTSIDE = tuple(OF_FIRST + fault for fault in _OUTSIDE[:5])


def suspects(findings: Sequence[Finding]) -> tuple[Suspect, ...]:
    """Return the groups of faults that the findings show, the surest sign first.

    Of two stages what was read between them is the first one's alone; what leaks
    outward leaks from either.
    """
    first = [f for f in findings if f.channel == _BETWEEN and f.id not in _OF_RIG]
    rest = [f for f in findings if f.channel != _BETWEEN or f.id in _OF_RIG]
    looked = [(sign, findings if sign.of_rig else rest) for sign in SIGNS]
    looked += [(sign, first) for sign in FIRST_SIGNS]
    if _seat(first):
        # what a first seat lets through keeps the second from being shown tight
        looked = [each for each in looked if each[0].shown_by is not _hidden]
    found = [s for each in looked if (s := _suspect(*each)) is not None]
    if not first:
        return tuple(found)
    return tuple(map(_of_either, found))


def _suspect(sign: Sign, findings: Sequence[Finding]) -> Suspect | None:
    shown = sign.shown_by(findings)
    if not shown:
        return None
    return Suspect(
        fault_group=sign.faults,
        because=tuple(_told(f) for f in shown),
        look_at=sign.look_at,
    )


def _of_either(suspect: Suspect) -> Suspect:
    """Return a group of outward leaks with those of the first of two stages."""
    if suspect.fault_group != _OUTSIDE:
        return suspect
    return replace(
        suspect,
        fault_group=(*suspect.fault_group, *_FIRST_OUTSIDE),
        look_at=(*suspect.look_at, "first_stage", "hose"),
    )


def _told(finding: Finding) -> Reason:
    first = finding.why[0] if finding.why else Reason.of("outside_limit")
    named = {"finding": finding.id, "step": finding.step}
    return Reason.of(first.id, **{**dict(first.facts), **named})
