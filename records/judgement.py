"""Findings and judgements, and the registry that says what each finding is."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from .errors import Reason
from .measure import Kind, Measured, Reference


class Outcome(StrEnum):
    """How a finding stands against its limit."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    NOT_MEASURED = "not measured"
    NO_LIMIT = "no limit"


class Verdict(StrEnum):
    """How a run stands."""

    PASS = "pass"
    FAIL = "fail"
    INCOMPLETE = "incomplete"
    INCONCLUSIVE = "inconclusive"
    NO_LIMIT = "no limit"


@dataclass(frozen=True, slots=True)
class FindingKind:
    """One entry of the registry.

    Attributes:
        id: stable id. kind: what sort of quantity, SI. reference: gauge and so on.
        channel: role it is read on, "" when it belongs to several or to the plan.
        steps: kinds of step that give it.
        definition: what exactly it is and when it is read, so that a simulator's truth
            and an estimate mean the same.
        beside: it informs only, and is printed where a plan has a limit on it.
    """

    id: str
    kind: Kind
    reference: Reference
    channel: str
    steps: tuple[str, ...]
    definition: str
    beside: bool = False


_G, _D, _N = Reference.GAUGE, Reference.DIFFERENCE, Reference.NONE


def _registry(*kinds: FindingKind) -> dict[str, FindingKind]:
    return {kind.id: kind for kind in kinds}


FINDINGS = _registry(
    FindingKind(
        "zero_offset",
        Kind.PRESSURE,
        _G,
        "",
        ("zero",),
        "Mean reading of a gauge channel over the hold, both sides open to air and the "
        "supply shut, before the test.",
    ),
    FindingKind(
        "closing_zero_change",
        Kind.PRESSURE,
        _D,
        "",
        ("closing-zero",),
        "Mean reading of a gauge channel open to air after the test, less the one "
        "before the test.",
    ),
    FindingKind(
        "rig_leak",
        Kind.LEAK,
        _N,
        "",
        ("rig-hold",),
        "Loss of gas from both trapped volumes of the rig per second, both regulator "
        "connections closed by blanks, referred to 293.15 K.",
    ),
    FindingKind(
        "reference_leak",
        Kind.LEAK,
        _N,
        "",
        ("reference-leak",),
        "Loss of gas from both trapped volumes of the rig per second with a reference "
        "leak open on the outlet side, both connections blanked, referred to 293.15 K "
        "and, by the law of a film, to the pressure of the leak's certificate.",
    ),
    FindingKind(
        "set_pressure",
        Kind.PRESSURE,
        _G,
        "outlet",
        ("set",),
        "Mean outlet pressure over the reading, at the stated inlet pressure and a "
        "small bleed, steady, adjuster locked.",
    ),
    FindingKind(
        "lockup_pressure",
        Kind.PRESSURE,
        _G,
        "outlet",
        ("lockup",),
        "Mean outlet pressure over one second either side of the stated time after the "
        "downstream valve closed (half of the rise).",
    ),
    FindingKind(
        "lockup_highest",
        Kind.PRESSURE,
        _G,
        "outlet",
        ("lockup", "creep-hold", "as-received"),
        "Highest outlet pressure, averaged over one second, between closing and the "
        "end of the hold; what noise adds to a maximum is taken off. As received: over "
        "the hold after the inlet was brought on to an outlet that was shut.",
    ),
    FindingKind(
        "lockup_rise",
        Kind.PRESSURE,
        _D,
        "outlet",
        ("lockup",),
        "Lockup pressure less the outlet pressure that flowed just before the "
        "downstream valve closed, at the same inlet pressure.",
    ),
    FindingKind(
        "settling_time",
        Kind.TIME,
        _N,
        "outlet",
        ("lockup",),
        "Time from shut-off (half of the rise) until the outlet, averaged over half a "
        "second, stays within the step's band (1 % of the pressure that flowed unless "
        "stated) of its level over the last tenth of the hold; for the later half of "
        "the hold at least.",
        beside=True,
    ),
    FindingKind(
        "hunting_amplitude",
        Kind.PRESSURE,
        _D,
        "outlet",
        ("set", "lockup"),
        "Amplitude of the outlet's periodic swing at a small bleed (where it could not "
        "be set, over the last fifteen seconds of trying): root two times its "
        "root mean square, half peak to peak of a sine. Where no swing is shown, zero "
        "with the largest that could be there unseen.",
        beside=True,
    ),
    FindingKind(
        "hunting_frequency",
        Kind.FREQUENCY,
        _N,
        "outlet",
        ("set", "lockup"),
        "Frequency of the outlet's strongest periodic swing at a small bleed, as far "
        "as half the sampling rate; only where a swing is shown.",
        beside=True,
    ),
    FindingKind(
        "creep_rate",
        Kind.RATE,
        _N,
        "outlet",
        ("creep-hold",),
        "Rate of the outlet pressure's lasting change after lockup at an even air "
        "pressure, settling of gas temperature set apart.",
    ),
    FindingKind(
        "seat_leak",
        Kind.LEAK,
        _N,
        "outlet",
        ("creep-hold",),
        "Gas passing the closed seat into the outlet volume, referred to 293.15 K; "
        "internal (seat) leakage. Of the first of two stages into the volume between, "
        "with what the second seat let through.",
    ),
    FindingKind(
        "creep_total",
        Kind.PRESSURE,
        _D,
        "outlet",
        ("creep-hold",),
        "Change of the outlet pressure over the creep hold at an even air pressure, "
        "settling of gas temperature and all: mean of its last thirty-second less that "
        "of its first, from ten seconds after closing.",
        beside=True,
    ),
    FindingKind(
        "outlet_volume",
        Kind.VOLUME,
        _N,
        "outlet",
        ("find-volume",),
        "Effective volume of the outlet side, regulator locked up: amount of gas added "
        "over the settled rise of pressure, as the volume of a rigid vessel in which "
        "the same amount would raise it so.",
    ),
    FindingKind(
        "external_leak",
        Kind.LEAK,
        _N,
        "",
        ("body-hold",),
        "Loss of gas from inlet and outlet volume together, with that between two "
        "stages, inlet isolated next to the "
        "regulator and outlet shut, all paths, referred to 293.15 K; over the hold, or "
        "over the time before it since isolation where a side was emptied then.",
    ),
    FindingKind(
        "seat_transfer",
        Kind.LEAK,
        _N,
        "",
        ("body-hold",),
        "Gas passing into the outlet volume from all before it during the body hold, "
        "referred to 293.15 K.",
    ),
    FindingKind(
        "pressure_decay_rate",
        Kind.RATE,
        _N,
        "",
        ("hold",),
        "Rate of a trapped pressure's lasting change, settling of gas temperature set "
        "apart; no volume is known. Falling is negative.",
    ),
    FindingKind(
        "supply_pressure_effect",
        Kind.RATIO,
        _N,
        "outlet",
        ("lockup", "inlet-sweep"),
        "Outlet pressure at the lowest inlet less that at the highest, over the same "
        "difference of the inlet: flowing just before the lockups, or at the readings "
        "of an inlet sweep; means where there are several. Positive where the outlet "
        "follows the inlet.",
        beside=True,
    ),
    FindingKind(
        "repeatability",
        Kind.PRESSURE,
        _D,
        "outlet",
        ("set", "lockup"),
        "Standard deviation (n - 1) of set pressures, or of lockup pressures, read "
        "again at the same inlet and reached from the same side.",
        beside=True,
    ),
    FindingKind(
        "droop",
        Kind.PRESSURE,
        _D,
        "outlet",
        ("flow-sweep",),
        "Outlet pressure at the set flow less that at the rated flow, flow increasing, "
        "at a constant inlet pressure.",
    ),
    FindingKind(
        "hysteresis",
        Kind.PRESSURE,
        _D,
        "outlet",
        ("inlet-sweep", "flow-sweep"),
        "Largest difference of outlet pressure between the increasing and the "
        "decreasing branch of a sweep, at the same inlet pressure or flow.",
    ),
    FindingKind(
        "closure_coefficient",
        Kind.RATIO,
        _N,
        "outlet",
        ("flow-sweep",),
        "(p4 - p2) / p2: p2 the outlet pressure at the rated flow just before it is "
        "stopped, p4 that 60 s after. As of ISO 2503, from memory; a value found on "
        "this unit.",
    ),
    FindingKind(
        "irregularity_coefficient",
        Kind.RATIO,
        _N,
        "outlet",
        ("inlet-sweep",),
        "(p5 - p2) / p2: p2 the outlet pressure at the highest inlet and the rated "
        "flow, p5 the highest or lowest while the inlet falls, whichever lies further "
        "from p2. As of ISO 2503, from memory; a value found on this unit.",
    ),
    FindingKind(
        "accuracy_class",
        Kind.RATIO,
        _N,
        "outlet",
        ("flow-sweep",),
        "Outlet pressure furthest from the set pressure between set and rated flow, "
        "less the set pressure, over the set pressure; the plan's list gives a class. "
        "As the accuracy of EN 334, from memory; a value found on this unit.",
    ),
    FindingKind(
        "relief_opening",
        Kind.PRESSURE,
        _G,
        "outlet",
        ("relief",),
        "Outlet pressure at which the relief starts to discharge: the vent begins to "
        "let out gas (1 std cm3/min more than before at a flow reading), the outlet "
        "raised slowly by a limited supply, the inlet isolated.",
    ),
    FindingKind(
        "relief_reseat",
        Kind.PRESSURE,
        _G,
        "outlet",
        ("relief",),
        "Outlet pressure at which the vent ceases to let out gas again (1 std cm3/min "
        "more than before it was raised), the limited supply shut after the relief "
        "discharged.",
    ),
    FindingKind(
        "solution_leak",
        Kind.COUNT,
        _N,
        "",
        ("look",),
        "Places where a person saw leak solution bubble, of those and in the time "
        "that the step asks for.",
    ),
    FindingKind(
        "bubble_count",
        Kind.COUNT,
        _N,
        "",
        ("look",),
        "Bubbles that a person counted at the tube, depth and time that the step asks.",
    ),
    FindingKind(
        "heard",
        Kind.COUNT,
        _N,
        "",
        ("look",),
        "How often a person heard what the step asks for: hum, buzz, hiss.",
    ),
    FindingKind(
        "gauge_error_inlet",
        Kind.PRESSURE,
        _D,
        "inlet",
        ("look",),
        "What a person read on the regulator's inlet gauge, less the mean of the inlet "
        "channel over the five seconds before the answer.",
    ),
    FindingKind(
        "gauge_error_outlet",
        Kind.PRESSURE,
        _D,
        "outlet",
        ("look",),
        "What a person read on the regulator's outlet gauge, less the mean of the "
        "outlet channel over the five seconds before the answer.",
    ),
    FindingKind(
        "gauge_zero",
        Kind.PRESSURE,
        _G,
        "",
        ("look",),
        "What a person read on a gauge of the regulator without pressure on it.",
    ),
    FindingKind(
        "lockup_class",
        Kind.RATIO,
        _N,
        "outlet",
        ("flow-sweep",),
        "Outlet pressure 60 s after the flow was stopped less the set pressure, over "
        "the set pressure; the plan's list gives a class. As the lockup pressure class "
        "of EN 334, from memory; a value found on this unit.",
    ),
)


class Shape(StrEnum):
    """How the error of an input is spread.

    ``ONE_SIDED`` is a bound: the error lies somewhere between nothing and ``value``.
    """

    NORMAL = "normal"
    RECTANGULAR = "rectangular"
    ONE_SIDED = "one-sided"


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One line of a finding's uncertainty budget.

    Attributes:
        source: id of the source. value: size of the input, SI, or None.
        u: its standard uncertainty. sensitivity: change of the finding per change of
            the input, so that ``abs(u * sensitivity)`` is its share.
        dof: degrees of freedom, None when infinite.
        type: "A" from the spread of readings, "B" from other knowledge.
        group: inputs with the same group name (other than "") are fully correlated.
        correlated: sources of other lines and the coefficient of correlation with each.
        shape: how its error is spread.
    """

    source: str
    u: float
    sensitivity: float = 1.0
    value: float | None = None
    dof: float | None = None
    type: str = "B"
    group: str = ""
    correlated: tuple[tuple[str, float], ...] = ()
    shape: Shape = Shape.NORMAL


@dataclass(frozen=True, slots=True, kw_only=True)
class ResolvedLimit:
    """A limit in SI with its reference carried through.

    Attributes:
        min, max: SI, None where open. u: standard uncertainty of the limit itself,
            where it refers to another finding.
        source: where the limit comes from. typed: as the plan has it.
    """

    min: float | None
    max: float | None
    source: str
    u: float = 0.0
    typed: str = ""


# Reasons of a finding that its width alone leaves undecided, by any of the rules.
ACROSS_IDS = frozenset({"across_limit", "risk_too_high"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What a finding was made from.

    Attributes:
        part: part of the run. window_s: start and stop, seconds from the part's start.
        used, dropped: samples.
        model: parameters of the fit by name, SI, for ``--why``.
    """

    part: int = 0
    window_s: tuple[float, float] | None = None
    used: int = 0
    dropped: int = 0
    model: tuple[tuple[str, float], ...] = ()
    notes: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One quantity found, identified by step, id and channel.

    Attributes:
        measured: value and standard uncertainty, None when not measured.
        interval: 95 % coverage interval, SI; the truth where it is skew.
        risk: of the rule ``risk``, else None.
        p_conform: probability that the true value keeps the limit, or None.
        why: reasons for the outcome, most important first.
    """

    id: str
    step: str
    channel: str
    required: bool = True
    measured: Measured | None = None
    interval: tuple[float, float] | None = None
    limit: ResolvedLimit | None = None
    rule: str = "guarded"
    risk: float | None = None
    p_conform: float | None = None
    outcome: Outcome = Outcome.NOT_MEASURED
    why: tuple[Reason, ...] = ()
    budget: tuple[BudgetLine, ...] = ()
    evidence: Evidence = Evidence()

    @property
    def kind(self) -> FindingKind:
        """The registry's entry."""
        return FINDINGS[self.id]

    @property
    def noise_only(self) -> bool:
        """The interval holds no calibration: a channel of it has none."""
        blind = any(why.id == "no_calibration" for why in self.why)
        return blind and self.interval is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A group of causes that the trace can't tell apart.

    Attributes:
        fault_group: ids of the faults. probability: None where none is claimed.
        because: ids of the signs seen. look_at: ids of where to look first.
        separate_by: ids of checks, the cheapest first: what parts it from the other
            groups, then what parts its own causes.
    """

    fault_group: tuple[str, ...]
    because: tuple[Reason, ...]
    look_at: tuple[str, ...]
    probability: float | None = None
    separate_by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """All findings of a run against a plan, and the verdict."""

    run_id: str
    run_sha256: str
    run_state: str
    plan_id: str
    plan_version: int
    plan_sha256: str
    analysis_version: int
    findings: tuple[Finding, ...]
    verdict: Verdict
    suspects: tuple[Suspect, ...] = ()
    warnings: tuple[Reason, ...] = ()
    by: str = ""
    supersedes: str | None = None
    facts: tuple[tuple[str, Any], ...] = ()
