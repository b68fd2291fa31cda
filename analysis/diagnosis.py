"""Which faults the findings point at, as groups that this plan can't tell apart.

A readable table: each row is a sign in the findings, the faults that give it, and where
to look, the cheapest look first. No probability is claimed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from records.errors import Reason
from records.judgement import Finding, Outcome, Suspect

_FAILS = (Outcome.FAIL, Outcome.CONDITIONAL_FAIL)
_SEAT = ("seat_leak", "creep_rate", "seat_transfer")
_ON_SHARE = 0.3
# Why a finding fails, by any of the rules.
_FAILED_BY = ("outside_limit", "value_outside", "risk_kept_outside")


@dataclass(frozen=True, slots=True)
class Sign:
    """One row of the table.

    Attributes:
        faults: group of faults that show alike. look_at: where to look, cheapest first.
        shown_by: returns the findings that show it, none when it is not there.
    """

    faults: tuple[str, ...]
    look_at: tuple[str, ...]
    shown_by: Callable[[Sequence[Finding]], list[Finding]]


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
        return late if late and len(early) == len(late) else []
    # no creep hold: a lockup that went on rising shows it too
    return [f for f in _failed(findings, "lockup_highest") if _went_on(f, findings)]


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
    Sign(_INSIDE, _INSIDE_LOOK, _seat),
    Sign(("stem_friction", "seat_worn"), ("stem", "seat"), _rise_alone),
    Sign((*_OUTSIDE, *_INSIDE), (*_OUTSIDE_LOOK, *_INSIDE_LOOK), _hidden),
    Sign(
        ("spring_relaxed", "spring_soft", "spring_stiff"),
        ("adjuster_lock", "spring"),
        _set,
    ),
    Sign(("rig_fitting", "bleed_open"), ("rig_fittings", "bleed_valve"), _rig),
    Sign(("supply_starved", "supply_creeping"), ("supply_valve",), _supply),
    Sign(("zero_drift",), ("transducer",), _zero),
    Sign(("transducer_stuck",), ("transducer",), _stuck),
)


def suspects(findings: Sequence[Finding]) -> tuple[Suspect, ...]:
    """Return the groups of faults that the findings show, the surest sign first."""
    found = []
    for sign in SIGNS:
        shown = sign.shown_by(findings)
        if shown:
            found.append(
                Suspect(
                    fault_group=sign.faults,
                    because=tuple(_told(f) for f in shown),
                    look_at=sign.look_at,
                )
            )
    return tuple(found)


def _told(finding: Finding) -> Reason:
    first = finding.why[0] if finding.why else Reason.of("outside_limit")
    named = {"finding": finding.id, "step": finding.step}
    return Reason.of(first.id, **{**dict(first.facts), **named})
