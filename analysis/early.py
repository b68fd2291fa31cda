"""Whether a hold that goes on is decided already, and what hold would have decided.

Looking again and again at a 95 % interval fails good regulators: each look is a further
chance to be wrong. Here the looks stand at fixed times after the hold began, on the
trace's clock, so that the same trace gives the same decision however it arrives, and
each may be wrong with a share of the risk only. The shares add up to the risk that is
stated, whatever the looks have in common (Bonferroni's inequality); they grow with the
square of the time held, and the end of the hold keeps the largest.

What a look sees is the finding itself, tail, noise and allowances included, with ends
that go with the look's share in place of 95 %. Where several priors were tried, the
outermost end counts.

Source: J. M. Lan, D. L. DeMets, "Discrete sequential boundaries for clinical trials",
Biometrika 70 (1983) 659, for spending a risk over looks.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.special import ndtri, stdtrit

from records.errors import Reason
from records.judgement import FINDINGS, Judgement, Outcome, ResolvedLimit
from records.plan import Limit, Plan, Step
from records.rig import Channel, Rig
from records.run import Mark, MarkKind, Run
from records.trace import FloatArray, Trace

from .clean import Stretch, stretch, usual_noise
from .decision import resolve_limit, verdict
from .estimate import Estimate
from .interstage import held
from .leak import body_hold
from .lockup import inlet_moved
from .marks import Performance
from .rate import TAIL_REASONS, LastingRate
from .readings import Readings, resolution

RISK = 0.025  # of a wrong decision, per side, all looks of a hold together
LAST_SHARE = 0.3  # of that risk, kept for the end of the hold
# Close together where most is decided; beyond the last each by RATIO later.
TIMES_S = (30, 36, 44, 54, 65, 80, 95, 110, 125, 145, 165, 185, 200, 220, 245, 270)
RATIO = 1.15
LATEST_S = 1800.0  # no look but the last after so long
BEFORE_S = 25.0  # of the trace before a hold that a look needs, for the shut-off
LOOKED_AT = ("creep-hold", "body-hold")
HELD = ("inlet", "outlet", "interstage")  # the last where there are two stages
_RATES = ("creep_rate", "seat_leak", "external_leak")
MOST_S = 3600.0  # longest hold that is worth naming
_NET_DOF = 20.0  # of a change without a model, see ``rate``
_GATE_SHARE = 0.1  # what the rig may leak, of the tightest leak limit


class Answer(StrEnum):
    """What a look says; never that a regulator passed."""

    ENOUGH_TO_FAIL = "enough_to_fail"
    ENOUGH_TO_PASS = "enough_to_pass"
    ON_COURSE = "on_course"


@dataclass(frozen=True, slots=True)
class Look:
    """One look at a hold.

    Attributes:
        after_s: time since the hold began, which is the trace that it sees.
        risk: chance, per side, that this look may be wrong.
        spent: the same for it and all looks before.
        last: it is the end of the hold.
    """

    after_s: float
    risk: float
    spent: float
    last: bool = False


def looks(hold_s: float, risk: float = RISK) -> tuple[Look, ...]:
    """Return the looks of a hold; the last one is its end.

    Args:
        hold_s: how long the hold is to last, seconds.
        risk: chance of a wrong decision per side, all looks together.
    """
    until = min(0.95 * hold_s, LATEST_S)
    times = [float(t) for t in TIMES_S if t <= until]
    after = TIMES_S[-1] * RATIO
    while after <= until:
        times.append(float(round(after)))
        after *= RATIO
    square = sum(t * t for t in times)
    found, spent = [], 0.0
    for t in times:
        own = risk * (1.0 - LAST_SHARE) * t * t / square
        spent += own
        found.append(Look(t, own, spent))
    return (*found, Look(hold_s, risk - spent, risk, last=True))


def look_due(
    hold_from_s: float, hold_s: float, after_s: float, until_s: float
) -> Look | None:
    """Return the look before the last whose time lies in (after_s, until_s], or None.

    Args:
        hold_from_s: when the hold began.
        hold_s: how long it is to last.
        after_s: on the trace's clock, as the next.
        until_s: the latest sample that counts.
    """
    due = [
        look
        for look in looks(hold_s)
        if not look.last and after_s < hold_from_s + look.after_s <= until_s
    ]
    return due[-1] if due else None


def ends(rate: LastingRate, risk: float) -> tuple[float, float]:
    """Return between what the lasting rate lies, but for this risk on either side.

    Args:
        rate: of the trace seen so far.
        risk: per side, below 0.5.
    """
    low, high = rate.interval
    further = float(stdtrit(_NET_DOF, 1.0 - risk) / stdtrit(_NET_DOF, 0.975))
    wide = (
        rate.value - further * (rate.value - low),
        rate.value + further * (high - rate.value),
    )
    fit = rate.fit
    if fit is None:
        return wide
    # where more than the fit made the interval wide, that counts at its own width
    return (
        min(fit.quantile(risk), wide[0] if low < fit.interval95[0] else math.inf),
        max(
            fit.quantile(1.0 - risk),
            wide[1] if high > fit.interval95[1] else -math.inf,
        ),
    )


def answer(
    low: float, high: float, limit: ResolvedLimit, *, may_pass: bool = False
) -> Answer:
    """Return what the ends of a look say against a limit."""
    outside = (limit.max is not None and low > limit.max) or (
        limit.min is not None and high < limit.min
    )
    if outside:
        return Answer.ENOUGH_TO_FAIL
    inside = (limit.max is None or high <= limit.max) and (
        limit.min is None or low >= limit.min
    )
    return Answer.ENOUGH_TO_PASS if may_pass and inside else Answer.ON_COURSE


def finding_ends(
    found: Estimate, risk: float, u_limit: float = 0.0
) -> tuple[float, float] | None:
    """Return the ends of a finding at a look's risk, or None where it has none.

    The rate's part grows as its own distribution says, everything else as a normal
    distribution does; the larger growth is taken for both.
    """
    rate, value = found.rate, found.value
    if rate is None or value is None or found.interval is None:
        return None
    at_risk = ends(rate, risk)
    normal = float(ndtri(1.0 - risk) / ndtri(0.975))
    grown = [
        max(normal, abs(end - rate.value) / abs(own - rate.value))
        if own != rate.value
        else normal
        for end, own in zip(at_risk, rate.interval, strict=True)
    ]
    if _falls(found):  # a loss: the rate's lower end is the finding's upper one
        grown.reverse()
    low, high = found.interval
    more = float(ndtri(1.0 - risk)) * u_limit
    return (
        value - math.hypot(grown[0] * (value - low), more),
        value + math.hypot(grown[1] * (high - value), more),
    )


def _falls(found: Estimate) -> bool:
    return any(x.source == "slope" and x.sensitivity < 0.0 for x in found.lines)


@dataclass(frozen=True, slots=True)
class Standing:
    """What a look at a hold says.

    Attributes:
        answer: of the hold as a whole. look: which look.
        finding: id of the finding that decided, or "".
    """

    answer: Answer
    look: Look
    finding: str = ""

    def facts(self) -> dict[str, str]:
        """Return what a mark tells of it."""
        return {
            "why": self.answer.value,
            "finding": self.finding,
            "after_s": f"{self.look.after_s:g}",
            "one_in": f"{1.0 / self.look.risk:.0f}",
            "one_in_all": f"{1.0 / self.look.spent:.0f}",
        }


class HeldSoFar(Readings):
    """The trapped sides of a hold that goes on, from samples already calibrated.

    Barometer and gas temperature are left to what the rig file allows: their samples
    may come later than the look, and a decision must not hang on that.

    Args:
        rig: the rig, with its traits. test_gas: what it is fed with.
        traces: by channel id, up to the look, flags included.
    """

    def __init__(self, rig: Rig, test_gas: str, traces: Mapping[str, Trace]) -> None:
        self.test_gas = test_gas
        kept = tuple(c for c in rig.channels if c.role in HELD and c.id in traces)
        self.rig = dataclasses.replace(rig, channels=kept)
        self._seen = dict(traces)
        self._noise_of: dict[str, float] = {}

    def trace(self, channel: Channel, part: int) -> Trace:
        """Return a channel's samples."""
        return self._seen[channel.id]

    def stretch(
        self, channel: Channel, part: int, start_s: float, stop_s: float, least: int = 8
    ) -> Stretch:
        """Return the good samples of a channel between two times."""
        seen = self._seen[channel.id]
        if channel.id not in self._noise_of:
            self._noise_of[channel.id] = usual_noise(seen)
        return stretch(
            seen,
            start_s,
            stop_s,
            resolution(channel),
            noise=self._noise_of[channel.id],
            least=least,
        )


def look_at(
    readings: Readings,
    plan: Plan,
    step: Step,
    hold_from_s: float,
    look: Look,
    part: int = 1,
) -> Standing:
    """Return what a look says of a hold.

    Args:
        readings: the trace; what lies beyond the look is not used.
        plan: says whether early fail and early pass are on.
        step: the hold's step, of a kind in ``LOOKED_AT``.
        hold_from_s: when the hold began.
        look: see :func:`looks`.
        part: of the run.
    """
    stop = hold_from_s + look.after_s
    done = Performance(
        step, part, hold_from_s, stop, (hold_from_s, stop), "done", (), (), 1
    )
    limits = [x for x in step.limits if x.required]
    may_pass = _may_pass(plan, look) and step.required
    told: list[tuple[Answer, str]] = []
    for found, limit in _against_limits(readings, plan, step, done, limits):
        if found.trouble:
            told.append((Answer.ON_COURSE, found.id))
            continue
        bound = resolve_limit(limit, {})
        at_risk = None
        if isinstance(bound, ResolvedLimit):
            at_risk = finding_ends(found, look.risk, bound.u)
        if at_risk is None or isinstance(bound, Reason):
            told.append((Answer.ON_COURSE, found.id))
            continue
        sure = may_pass and not found.doubt
        told.append((answer(*at_risk, bound, may_pass=sure), found.id))
    if plan.early_fail:
        for said, id in told:
            if said is Answer.ENOUGH_TO_FAIL:
                return Standing(said, look, id)
    if told and all(said is Answer.ENOUGH_TO_PASS for said, _ in told):
        return Standing(Answer.ENOUGH_TO_PASS, look, told[0][1])
    return Standing(Answer.ON_COURSE, look)


def _may_pass(plan: Plan, look: Look) -> bool:
    least = plan.early_pass_after
    return plan.early_pass and least is not None and look.after_s >= least.value_si


def _against_limits(
    readings: Readings,
    plan: Plan,
    step: Step,
    done: Performance,
    limits: Sequence[Limit],
) -> Iterable[tuple[Estimate, Limit]]:
    """Yield the rates and leaks of a hold with the limit that each has to keep."""
    outlet = readings.channel("outlet")
    if not limits or outlet is None or readings.channel("inlet") is None:
        return
    if step.kind == "creep-hold":
        moved = inlet_moved(readings, done)
        found = [
            f.but(trouble=[] if moved is None else [moved])
            for f in held(readings, outlet, done, None)
        ]
    else:
        # the rig may leak up to its gate; beyond that nothing is judged anyway
        found = body_hold(readings, done, _gate(plan))
    by_id = {(f.id, f.channel): f for f in found}
    for limit in limits:
        channel = limit.channel or FINDINGS[limit.finding].channel
        seen = by_id.get((limit.finding, channel))
        if seen is not None and seen.rate is not None:
            yield seen, limit


def _gate(plan: Plan) -> float | None:
    tightest = [
        limit.max.quantity.value_si
        for step in plan.steps
        for limit in step.limits
        if limit.finding in ("seat_leak", "external_leak")
        and limit.max is not None
        and limit.max.of is None
    ]
    return _GATE_SHARE * min(tightest) if tightest else None


def as_looks_say(judgement: Judgement, run: Run, hold: Mark) -> Judgement:
    """Return a judgement made while a hold goes on, with the looks' word for it.

    A finding of that hold fails only where the latest look says so: a 95 % interval
    that is watched all the time fails too often.

    Args:
        judgement: of the run as if the hold were over.
        run: so far.
        hold: the mark with which the hold began.
    """
    plan = run.header.plan
    step = plan.step(hold.step)
    if step is None or step.kind not in LOOKED_AT or step.hold is None:
        return judgement
    failing = [
        f
        for f in judgement.findings
        if f.step == step.id
        and f.outcome in (Outcome.FAIL, Outcome.CONDITIONAL_FAIL)
        and f.id in _RATES
    ]
    if not failing:
        return judgement
    rig = run.header.rig
    channels = [c for role in HELD if (c := rig.channel(role)) is not None]
    traces = {c.id: run.trace(c, hold.part) for c in channels}
    now = min((float(t.t_s[-1]) for t in traces.values() if len(t)), default=0.0)
    look = look_due(hold.t_s, step.hold.value_si, hold.t_s, now)
    standing: Standing | None = None
    sides = {c.role for c in channels}
    if look is not None and {"inlet", "outlet"} <= sides:
        first, last = hold.t_s - BEFORE_S, hold.t_s + look.after_s
        kept = {id: t.between(first, last) for id, t in traces.items()}
        seen = HeldSoFar(rig, plan.test_gas, kept)
        standing = look_at(seen, plan, step, hold.t_s, look, hold.part)
    if standing is not None and standing.answer is Answer.ENOUGH_TO_FAIL:
        return judgement
    after = 0.0 if look is None else look.after_s
    why = Reason.of("on_course", after_s=f"{after:g}")
    findings = tuple(
        dataclasses.replace(f, outcome=Outcome.INCONCLUSIVE, why=(why, *f.why))
        if f in failing
        else f
        for f in judgement.findings
    )
    return dataclasses.replace(judgement, findings=findings, verdict=verdict(findings))


def ended_at_look(marks: Iterable[Mark], done: Performance) -> Reason | None:
    """Return with what a hold was ended by a look, or None where none ended it."""
    if done.how != "ended_early":
        return None
    why: Reason | None = None
    for mark in marks:
        ours = mark.step == done.step.id and mark.part == done.part
        if not ours or mark.kind is not MarkKind.HOLD_END:
            continue
        told = dict(mark.data)
        id = told.pop("why", "")
        known = id in (Answer.ENOUGH_TO_FAIL.value, Answer.ENOUGH_TO_PASS.value)
        told.pop("told_s", None)
        why = Reason.of(id, **told) if known else None
    return why


# --- after a hold ---------------------------------------------------------------------


def hold_needed(found: Estimate, limit: ResolvedLimit) -> Reason | None:
    """Return what hold would have decided, were all as it was found.

    The rate's interval is scaled by how its variance falls with time in a model of the
    line and the tails found, linear about them; what no hold makes smaller (volumes,
    gas temperature, barometer) stays.

    Returns:
        ``hold_would_decide`` or ``no_hold_would_decide``; None where the hold is not
        what keeps the finding from being decided.
    """
    rate, value = found.rate, found.value
    if rate is None or rate.fit is None or value is None or found.interval is None:
        return None
    held = rate.stop_s - rate.start_s
    told = {"held_s": f"{held:.0f}"}
    ways = [
        wait
        for bound, inside, high in (
            (limit.max, limit.max is not None and value <= limit.max, True),
            (limit.min, limit.min is not None and value >= limit.min, False),
        )
        if bound is not None
        for wait in [_wait(found, rate, bound, upper=high == inside, held=held)]
    ]
    if not ways:
        return None
    # inside, both ends of the limit have to be cleared; outside, the one it is beyond
    outside = [
        (limit.max is not None and value > limit.max),
        (limit.min is not None and value < limit.min),
    ]
    if any(outside) and len(ways) == 2:
        ways = [ways[outside.index(True)]]
    needed = max(ways)
    if needed > MOST_S:
        return Reason.of("no_hold_would_decide", up_to_s=f"{MOST_S:.0f}", **told)
    # the settling before what is used belongs to the hold
    needed = max(needed, held) + _SETTLE_BEFORE_S
    return Reason.of(
        "hold_would_decide", needed_s=f"{10.0 * math.ceil(needed / 10.0):.0f}", **told
    )


_SETTLE_BEFORE_S = 10.0


def _wait(
    found: Estimate, rate: LastingRate, bound: float, *, upper: bool, held: float
) -> float:
    """Return after how long the interval is clear of a bound, inf where never."""
    assert found.value is not None
    assert found.interval is not None
    assert rate.fit is not None
    gap = abs(found.value - bound)
    own = abs(found.interval[1 if upper else 0] - found.value)
    of_rate = upper != _falls(found)
    factor = _factor(found)
    interval = abs(rate.interval[1 if of_rate else 0] - rate.value) * factor
    fit = abs(rate.fit.interval95[1 if of_rate else 0] - rate.fit.rate) * factor
    rest = math.sqrt(max(0.0, own**2 - interval**2))
    least = 0.0
    if {note.id for note in rate.notes} & TAIL_REASONS:
        # three time constants are what it takes to see that a tail is one
        least = 3.1 * rate.fit.slow.tau_s
    if gap <= rest:
        return math.inf
    times = np.geomspace(held, 1.02 * MOST_S, 120) if held < MOST_S else [held]
    first = rate_variance(held, held, rate)
    for t in times:
        now = fit * math.sqrt(rate_variance(float(t), held, rate) / first)
        if t >= least and math.hypot(now, rest) < gap:
            return float(t)
    return math.inf


def _factor(found: Estimate) -> float:
    """Return how many of the finding's unit go on one of its rate's."""
    rate = found.rate
    slope = next((x for x in found.lines if x.source == "slope"), None)
    return 1.0 if slope is None or rate is None else abs(slope.sensitivity)


def rate_variance(seconds: float, held_s: float, rate: LastingRate) -> float:
    """Return the variance of the lasting rate after a hold, up to a factor.

    Args:
        seconds: of the hold that is thought of.
        held_s: of the hold that was made; sets the unit of time.
        rate: with the tails found. A time constant is taken as known within a factor of
            e, an amplitude within ten times what was found.
    """
    assert rate.fit is not None
    blocks = rate.fit.blocks
    s2 = max(float(blocks @ blocks) / max(1, blocks.size - 4), 1e-300)
    s2 *= max(1.0, rate.fit.lrv)
    n = 256
    t = (np.arange(n) + 0.5) / n * seconds
    columns: list[FloatArray] = [np.ones(n), t / held_s]
    prior = [0.0, 0.0]
    for tail in rate.fit.tails:
        size = max(abs(tail.amplitude), math.sqrt(s2))
        shape = np.exp(-t / tail.tau_s)
        columns += [size * shape, size * (t / tail.tau_s) * shape]
        prior += [0.01, 1.0]
    design = np.column_stack(columns)
    samples = blocks.size * seconds / held_s / n
    information = design.T @ design * (samples / s2) + np.diag(prior)
    scale = 1.0 / np.sqrt(np.diag(information))
    inverse = np.linalg.inv(information * np.outer(scale, scale))
    return float(inverse[1, 1] * scale[1] ** 2)
