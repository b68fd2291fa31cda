"""The outlet's effective volume, from known amounts of gas put into it.

The unit is locked up. A known amount (a stroke of a syringe, or a reference leak for a
stated time) raises the outlet by a little; how far, settled, says what dn/dP is there,
diaphragm and hoses and all. The gas is warmed by being pressed together and cools
again, so each step is told apart from its settling: line, one step and one exponential
per addition, one time constant, averaged over (as in :mod:`analysis.tail`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from records.errors import InputError, Reason
from records.judgement import BudgetLine, Evidence
from records.measure import Kind, Quantity, parse_quantity
from records.rig import Channel
from records.trace import FloatArray

from .estimate import Estimate, estimated, not_measured
from .marks import Performance
from .readings import Readings, absolute_offset, calibration_lines, resolution
from .real_gas import GasLaw, gas_law
from .steady import long_run_ratio
from .surroundings import Drift, barometer, gas_temperature

ADD_ACT, ADDED = "add_gas", "added"
_UNASKED_S = 5.0  # a stroke took no longer, where nobody was asked for it
_GUARD_S = 0.5
_BLOCKS = 40  # of each stretch between additions
_TAUS = 48
_LEAST_TAU_S = 0.3
_FINER, _FINE = 5, 1.0  # looks at the time constant, and when it is fine enough
_HEAT = 0.5  # settling over step, one standard deviation: pressing heats by a third
_CLEAR = 4.0
_U_APART_K = 1.0  # the syringe may be so much warmer or colder than the rig


@dataclass(frozen=True, slots=True)
class _Addition:
    """One amount put in: from when to when, how much (Pa·m3) and as typed."""

    begin_s: float
    end_s: float
    amount: float


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """Settled steps of a pressure, one per addition.

    Attributes:
        size: shape (k,), Pa. u: their standard uncertainties from the readings.
        before: pressure just before each, Pa.
        slope: what goes on beside them, Pa/s. tau_s: mean time constant of settling.
        noise_ratio: long-run over short-run variance of what is left.
    """

    size: FloatArray
    u: FloatArray
    before: FloatArray
    slope: float
    tau_s: float
    noise_ratio: float


def outlet_volume(readings: Readings, outlet: Channel, done: Performance) -> Estimate:
    """Return the outlet's effective volume, m3, from a ``find-volume`` step."""
    step = done.step
    if step.added is None or step.u_added is None:
        return not_measured(
            "outlet_volume", outlet.role, Reason.of("step_not_done", step=step.id)
        )
    start, stop = done.begin_s, done.end_s
    held = readings.stretch(outlet, done.part, start, stop)
    air = barometer(readings, done.part, start, stop)
    gas = gas_temperature(readings, done.part, start, stop)
    law = gas_law(readings.test_gas)
    additions = _additions(done, law, air, gas)
    unseen = Reason.of(
        "additions_unseen", found=len(additions), needed=max(1, step.repeats)
    )
    if not additions:
        return not_measured("outlet_volume", outlet.role, unseen)
    spans = [(a.begin_s - _GUARD_S, a.end_s + _GUARD_S) for a in additions]
    steps = settled_steps(held.t_s, held.value, spans, tau_max_s=readings.tau_max_s)
    if isinstance(steps, Reason):
        return not_measured("outlet_volume", outlet.role, held.trouble or steps)
    offset = absolute_offset(outlet, air.level)
    before = steps.before + offset
    gained = law.amount(before + steps.size, gas.level) - law.amount(before, gas.level)
    evidence = Evidence(
        part=done.part,
        window_s=(start, stop),
        used=held.used,
        dropped=held.dropped,
        model=(
            ("additions", float(len(additions))),
            ("added_each", float(np.mean([a.amount for a in additions]))),
            *((f"step_{i}_pa", float(d)) for i, d in enumerate(steps.size, 1)),
            ("absolute_pa", float(np.mean(before))),
            ("slope", steps.slope),
            ("tau_s", steps.tau_s),
            ("noise_ratio", steps.noise_ratio),
            ("gas_temperature_k", gas.level),
            ("barometer_pa", air.level),
        ),
        notes=() if air.why is None else (air.why,),
    )
    if np.any(steps.size < _CLEAR * steps.u) or np.any(gained <= 0.0):
        why = Reason.of("additions_unseen", found=0, needed=len(additions))
        return not_measured("outlet_volume", outlet.role, why, evidence)
    each = np.array([a.amount for a in additions]) / gained
    lines = _lines(outlet, step.added, step.u_added, each, steps, air, gas)
    unknown = law.doubt(float(np.max(before)), gas.level)
    return estimated(
        "outlet_volume",
        outlet.role,
        float(np.mean(each)),
        lines,
        evidence,
        trouble=(held.trouble,) if held.trouble else (),
        doubt=(
            *((unseen,) if len(additions) < step.repeats else ()),
            *((unknown,) if unknown is not None else ()),
        ),
    )


def _additions(
    done: Performance, law: GasLaw, air: Drift, gas: Drift
) -> list[_Addition]:
    """Return what was put in and when, from the marks; those with no end are left out.

    An addition ends with an ``added`` event and begins where it was asked for. A mark
    that carries an ``amount`` goes before the plan's.
    """
    assert done.step.added is not None
    asked = [t for act, t in done.asked if act == ADD_ACT]
    found: list[_Addition] = []
    last = done.begin_s
    for event, end in done.seen:
        if event != ADDED:
            continue
        begin = max((t for t in asked if last <= t <= end), default=None)
        if begin is None:
            begin = max(last, end - _UNASKED_S)
        told = [text for t, text in done.amounts if begin <= t <= end]
        quantity = done.step.added
        if told:
            try:
                quantity = parse_quantity(told[-1], quantity.kind)
            except InputError:
                continue  # nobody knows how much that was
        seconds = 0.0 if done.step.adding is None else done.step.adding.value_si
        amount = amount_added(quantity, seconds, law, air.level, gas.level)
        found.append(_Addition(begin, end, amount))
        last = end
    return found


def amount_added(
    quantity: Quantity, seconds: float, law: GasLaw, air_pa: float, gas_k: float
) -> float:
    """Return an amount put in, Pa·m3 at 293.15 K.

    Args:
        quantity: a volume at the air's pressure (stroke of a syringe), or a leak.
        seconds: how long the leak fed.
        law: of the gas.
        air_pa: absolute.
        gas_k: temperature.
    """
    if quantity.kind is Kind.LEAK:
        return quantity.value_si * seconds
    return float(law.amount(air_pa, gas_k)) * quantity.value_si


def settled_steps(
    t_s: FloatArray,
    y: FloatArray,
    spans: list[tuple[float, float]],
    *,
    tau_max_s: float,
) -> Steps | Reason:
    """Return by how much a pressure stepped in each span, settling set apart.

    Args:
        t_s: shape (n,), seconds.
        y: pressure, shape (n,), Pa.
        spans: start and end of each addition, in order; readings in it are left out.
        tau_max_s: longest time constant of the settling.
    """
    edges = [-math.inf, *(x for span in spans for x in span), math.inf]
    times: list[FloatArray] = []
    means: list[FloatArray] = []
    after: list[FloatArray] = []
    for k in range(len(spans) + 1):
        use = (t_s > edges[2 * k]) & (t_s < edges[2 * k + 1])
        if int(use.sum()) < 8:
            return Reason.of("too_few_samples", found=int(use.sum()), needed=8)
        t, z = t_s[use], y[use]
        n = min(_BLOCKS, t.size)
        cut = (np.arange(n + 1) * t.size) // n
        count = np.diff(cut)
        times.append(np.add.reduceat(t, cut[:-1]) / count)
        means.append(np.add.reduceat(z, cut[:-1]) / count)
        after.append(np.full(n, float(k)))
    at, mean, order = map(np.concatenate, (times, means, after))
    level = float(np.mean(mean))
    middle = 0.5 * float(at[0] + at[-1])
    scale = max(float(np.ptp(mean)), 1e-9)
    flat: list[FloatArray] = [
        np.ones(at.size),
        (at - middle) / max(float(at[-1] - at[0]), 1e-9),
    ]
    flat += [np.asarray(order >= k, dtype=np.float64) for k in range(1, len(spans) + 1)]
    starts = [float(t_s[0]), *(end for _, end in spans)]

    def design(tau: float) -> FloatArray:
        tails = [
            np.where(order >= k, np.exp(-np.maximum(at - s, 0.0) / tau), 0.0)
            for k, s in enumerate(starts)
        ]
        return np.column_stack([*flat, *tails])

    z = mean - level
    low, high = _LEAST_TAU_S, max(tau_max_s, 1.0)
    for _ in range(_FINER):
        taus = np.geomspace(low, high, _TAUS)
        found = [(float(tau), design(float(tau))) for tau in taus]
        rss = np.array([_left(x, z) for _, x in found])
        i = int(np.argmin(rss))
        s2 = max(float(rss[i]) / max(1, z.size - found[0][1].shape[1] - 1), 1e-18)
        beside = rss[[max(i - 1, 0), min(i + 1, _TAUS - 1)]] - rss[i]
        if float(beside.max()) < _FINE * s2:
            break
        # clear settling: its time constant lies between the nodes
        low, high = float(taus[max(i - 4, 0)]), float(taus[min(i + 4, _TAUS - 1)])
    # the usual size of a step bounds what settles beside it
    ridge = np.zeros(found[0][1].shape[1])
    ridge[len(flat) :] = 1.0 / (_HEAT * scale / len(spans)) ** 2
    fits = []
    for tau, x in found:
        normal = x.T @ x / s2 + np.diag(ridge)
        cover = np.linalg.inv(normal)
        b = cover @ (x.T @ z) / s2
        rest = z - x @ b
        misfit = float(rest @ rest) + s2 * float(ridge @ b**2)
        log = -0.5 * misfit / s2 - 0.5 * float(np.linalg.slogdet(normal)[1])
        fits.append((tau, b, cover, rest, log))
    best = max(fits, key=lambda f: f[4])
    ratio, _ = long_run_ratio(best[3], 2)
    # correlated noise tells the time constants apart less well
    logs = np.array([f[4] for f in fits]) / ratio
    weight = np.exp(logs - logs.max())
    weight /= weight.sum()
    at_steps = slice(2, 2 + len(spans))
    sizes = np.array([f[1][at_steps] for f in fits])
    size = weight @ sizes
    inside = weight @ np.array([np.diag(f[2])[at_steps] for f in fits]) * ratio
    apart = weight @ (sizes - size) ** 2
    slope = float(weight @ np.array([f[1][1] for f in fits])) / float(at[-1] - at[0])
    base = float(weight @ np.array([f[1][0] for f in fits])) + level
    before = np.array(
        [
            base + slope * (begin - middle) + float(np.sum(size[:k]))
            for k, (begin, _) in enumerate(spans)
        ]
    )
    return Steps(
        np.asarray(size),
        np.sqrt(inside + apart),
        before,
        slope,
        float(weight @ np.array([f[0] for f in fits])),
        ratio,
    )


def _left(x: FloatArray, z: FloatArray) -> float:
    """Return the sum of squares that a fit leaves, nothing known beforehand."""
    b, *_ = np.linalg.lstsq(x, z, rcond=None)
    rest = z - x @ b
    return float(rest @ rest)


def _lines(
    outlet: Channel,
    added: Quantity,
    u_added: Quantity,
    each: FloatArray,
    steps: Steps,
    air: Drift,
    gas: Drift,
) -> list[BudgetLine]:
    value, n = float(np.mean(each)), each.size
    size = float(np.mean(steps.size))
    noise = float(np.sqrt(np.mean(steps.u**2))) * value / size
    lines = [
        BudgetLine(
            source="added",
            u=u_added.value_si,
            sensitivity=value / added.value_si,
            value=added.value_si,
        )
    ]
    spread = float(np.std(each, ddof=1)) if n >= 3 else 0.0
    lines.append(
        BudgetLine(
            source="repeats" if spread > noise else "steps",
            u=max(spread, noise) / math.sqrt(n),
            value=value,
            dof=float(n - 1) if spread > noise else None,
            type="A",
        )
    )
    lines += [
        BudgetLine(
            source=line.source,
            u=line.u,
            sensitivity=line.sensitivity * value / size,
            dof=line.dof,
        )
        for line in calibration_lines(outlet, size, difference=True)
    ]
    lines.append(
        BudgetLine(
            source="resolution",
            u=resolution(outlet) / math.sqrt(6.0),
            sensitivity=value / size,
        )
    )
    if added.kind is Kind.LEAK:
        lines.append(
            BudgetLine(
                source="gas_temperature_level",
                u=gas.u_level,
                sensitivity=value / gas.level,
                value=gas.level,
            )
        )
    else:
        lines += [
            BudgetLine(
                source="barometer_level",
                u=air.u_level,
                sensitivity=value / air.level,
                value=air.level,
            ),
            BudgetLine(
                source="temperature_apart",
                u=_U_APART_K,
                sensitivity=value / gas.level,
            ),
        ]
    return lines
