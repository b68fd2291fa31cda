"""Plans: ordered steps with limits, each limit with its source."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal

from .errors import InputError
from .gas.names import is_oxidiser
from .measure import Kind, Quantity, parse_quantity

FORMAT = "proofstand.plan/1"
StepKind = Literal[
    "zero",
    "rig-hold",
    "reference-leak",
    "pressurise",
    "as-received",
    "set",
    "exercise",
    "lockup",
    "creep-hold",
    "body-hold",
    "find-volume",
    "vent-down",
    "closing-zero",
    "hold",
    "inlet-sweep",
    "flow-sweep",
    "look",
    "relief",
]
# What a person can find by looking or listening, or by reading a gauge.
Look = Literal[
    "solution_leak",
    "bubble_count",
    "heard",
    "gauge_error_inlet",
    "gauge_error_outlet",
    "gauge_zero",
]
GAUGE_LOOKS: tuple[str, ...] = ("gauge_error_inlet", "gauge_error_outlet", "gauge_zero")
RuleName = Literal["simple", "guarded", "conditional", "risk"]
# Of a finding that is passed, or failed, wrongly, where a plan decides by the rule
# ``risk`` and states no other.
USUAL_RISK = 0.05
# How gas gets through a leak; the same leak passes another gas up to three times as
# fast by one as by another.
LeakRegime = Literal["laminar", "orifice", "molecular", "unknown"]
# Beside findings, a limit may refer to this: the expanded uncertainty (95 %) of the
# zero that the channel's calibration record states.
ZERO_UNCERTAINTY = "zero_uncertainty"
# After shut-off, where a plan says nothing else: common practice, no source.
READ_AFTER_S = 5.0

_OF = re.compile(r"(.+?)\s+of\s+([a-z_]+)\s*$")


@dataclass(frozen=True, slots=True)
class Bound:
    """One end of a limit: a quantity, or a share of another finding's value.

    Attributes:
        quantity: the value, or the share when ``of`` is given.
        of: id of the finding it refers to, or ``zero_uncertainty``, or None.
        typed: as the plan has it.
    """

    quantity: Quantity
    of: str | None
    typed: str

    @classmethod
    def parse(cls, text: str, where: str = "") -> Bound:
        """Read ``"12.65 in. w.c. gauge"`` or ``"15 % of set_pressure"``."""
        match = _OF.match(text)
        if match is None:
            return cls(parse_quantity(text, None, where), None, text.strip())
        share = parse_quantity(match[1], Kind.RATIO, where)
        return cls(share, match[2], text.strip())


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """What a finding must keep to.

    Attributes:
        finding: id of the finding.
        channel: role it is read on, where there are several.
        min, max: the ends, either may be missing, not both.
        rule: decision rule; None takes the plan's. source: where the limit comes from.
        risk: of the rule ``risk``, see :meth:`Plan.rule_for`; None takes the plan's.
        required: False for a limit that informs and does not decide the verdict.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    finding: str
    channel: str | None = None
    min: Bound | None = None
    max: Bound | None = None
    rule: RuleName | None = None
    risk: Quantity | None = None
    source: str
    required: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of a plan.

    Attributes:
        id: its name in the plan. kind: what is done, see ``StepKind``.
        target: set pressure asked for, gauge; ``"job"`` in the file takes the card's.
        inlet, outlet: pressures to bring the two sides to, gauge; of a ``relief`` the
            outlet is the most that it may be raised to.
        from_shift: of a ``rig-hold``: it is not made in the test, which relies on the
            one of the shift's check at these pressures or above.
        stages: inlet pressures to go through on the way up, gauge.
        hold: how long to hold or read. soak: wait before the hold is counted.
        window: shortest and longest closing time of the downstream valve.
        read_after: when after shut-off a lockup is read; five seconds unless given.
        band: how far the reading may lie from the target to be taken; of a lockup, how
            near its level the outlet has to stay to have settled (1 % of what flowed
            unless given).
        inlet_band: how far the inlet may move over a hold, relative.
        inlets: inlet pressures of an inlet sweep, gauge, in the order of the readings.
        flows: flows of a flow sweep, in the order of the readings.
        set_flow: small flow at which the regulator is set. rated_flow: flow that the
            definition of a droop, coefficient or class asks for.
        repeats: cycles of an exercise, or how often gas is added (``find-volume``).
        added: what is put in each time: a volume of gas at the air's pressure (stroke
            of a syringe), or a leak that feeds for the time ``adding``.
        u_added: its standard uncertainty, of the same kind; of a leak with that of its
            time in it.
        look: what a person is asked for in a ``look``, see ``Look``.
        asks: its question: where, how long, what counts.
        instrument: what its number is read from.
        resolution: smallest step of that, a difference; the number takes its unit.
        left_out: why it is not done with the regulator on the card, as the test fills
            it in; "" where it is done.
        trial: a rough reading that gives no finding, but for the swing of an outlet
            that could not be set.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    id: str
    kind: StepKind
    title: str = ""
    target: Quantity | None = None
    target_from_job: bool = False
    inlet: Quantity | None = None
    outlet: Quantity | None = None
    from_shift: bool = False
    stages: tuple[Quantity, ...] = ()
    hold: Quantity | None = None
    soak: Quantity | None = None
    window: tuple[Quantity, Quantity] | None = None
    read_after: Quantity | None = None
    band: Quantity | None = None
    inlet_band: Quantity | None = None
    channel: str | None = None
    inlets: tuple[Quantity, ...] = ()
    flows: tuple[Quantity, ...] = ()
    set_flow: Quantity | None = None
    rated_flow: Quantity | None = None
    repeats: int = 1
    added: Quantity | None = None
    u_added: Quantity | None = None
    adding: Quantity | None = None
    look: Look | None = None
    asks: str = ""
    instrument: str = ""
    resolution: Quantity | None = None
    trial: bool = False
    left_out: str = ""
    required: bool = True
    limits: tuple[Limit, ...] = ()

    @classmethod
    def from_file(cls, raw: dict[str, Any]) -> dict[str, Any]:
        """Return a file's keys as the noun's: ``target = "job"`` takes the card's."""
        if raw.get("target") != "job":
            return raw
        kept = {key: value for key, value in raw.items() if key != "target"}
        return {**kept, "target_from_job": True}


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassLists:
    """Classes that a plan sorts by: a list of its own, never ours.

    Attributes:
        accuracy, lockup: upper ends of the classes, relative, rising.
        floor: no class is narrower than this pressure.
        source: where the lists are from.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    accuracy: tuple[Quantity, ...] = ()
    lockup: tuple[Quantity, ...] = ()
    floor: Quantity | None = None
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A test plan.

    Attributes:
        status: ``draft`` until the quality lead approves this version.
        risk: of the rule ``risk``: most that a finding may be wrongly passed, or
            wrongly failed; None takes ``USUAL_RISK``.
        display: unit to show each channel role or kind in.
        max_pressures: highest pressure allowed per channel role, gauge; beyond it the
            test stops.
        early_fail: a hold ends as soon as it is enough to fail.
        early_pass: it ends also where it is enough to pass, not before
            ``early_pass_after``; never for oxygen or cylinders.
        cautions: what has to be seen to before the test, printed on its page.
        not_shown: what this plan does not show, printed on its page.
        leak_regime: how gas gets through the leaks of this regulator, so that a leak
            of test gas can be told as one of service gas; None: it is not told.
        classes: what accuracy and lockup are sorted by, or None.
        countersign: role whose second signature a certificate needs, or None.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    id: str
    version: int
    title: str
    status: Literal["draft", "approved"] = "draft"
    rule: RuleName = "guarded"
    risk: Quantity | None = None
    test_gas: str = "nitrogen"
    display: dict[str, str] = field(default_factory=dict)
    max_pressures: dict[str, Quantity] = field(default_factory=dict)
    early_fail: bool = True
    early_pass: bool = False
    early_pass_after: Quantity | None = None
    cautions: tuple[str, ...] = ()
    not_shown: tuple[str, ...] = ()
    leak_regime: LeakRegime | None = None
    classes: ClassLists | None = None
    countersign: Literal["quality-lead"] | None = None
    steps: tuple[Step, ...]

    @property
    def two_stages(self) -> bool:
        """It looks at what stands between two stages."""
        named = {limit.channel for step in self.steps for limit in step.limits}
        return "interstage" in named or "interstage" in self.max_pressures

    @property
    def as_found(self) -> bool:
        """The regulator is tested as it came: a report of condition, never a pass."""
        return any(step.kind == "as-received" for step in self.steps)

    @property
    def for_oxygen(self) -> bool:
        """It tests regulators of oxygen or nitrous oxide, or with such a gas."""
        return any(map(is_oxidiser, (self.id, self.title, self.test_gas)))

    def step(self, id: str) -> Step | None:
        """Return the step of that id, or None."""
        return next((s for s in self.steps if s.id == id), None)

    def rule_for(self, limit: Limit | None) -> tuple[RuleName, float | None]:
        """Return by which rule a limit is decided, and the risk where it states one."""
        rule = self.rule if limit is None or limit.rule is None else limit.rule
        if rule != "risk":
            return rule, None
        stated = self.risk if limit is None or limit.risk is None else limit.risk
        return rule, USUAL_RISK if stated is None else stated.value_si


def unknown_step(name: str, plan: Plan, where: str = "") -> InputError:
    """Return the error for a step that the plan does not have."""
    return InputError(
        "plan_reference_unknown",
        where=where,
        given=name,
        known=", ".join(s.id for s in plan.steps),
    )
