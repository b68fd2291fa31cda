"""Labels of whole procedures: random ones by formula, and simulated runs.

The pressures of a procedure are put together from formulas here: no valve, no gas, and
nothing that looks for labels. Ranges are those of ``[events]``; what that leaves open
is drawn in ``drawn``. A procedure is right when every label is there, in order, none
besides, each within the stated time. An isolated inlet, and an outlet that sinks
until the regulator reopens, lose 0.3 to 3 % of their level each second: slower ones
can't be timed to a second in the noise drawn, and stand in a table of their own.

Beside it on the same traces: levels against fixed thresholds.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.signal import lfilter

from analysis.phases import Asked, Label, Role, Scale, find_phases
from records.run import MarkKind
from records.trace import Trace

from .figures import Figure, ranges, share, spread_over

if TYPE_CHECKING:
    from .command import Settings

_PART = 3
_SET = 2740.0
_SPANS: dict[Role, float] = {"outlet": 10_000.0, "inlet": 200_000.0}
_STEPS: dict[Role, float] = {"outlet": 0.2, "inlet": 4.0}
_INLET = 68_900.0
# A turn is over when it is within 5 % of its change: 3 x^2 - 2 x^3 = 0.95.
_STANDS = 0.8646
_RUNS = 4
_PASSING_S = 5.0
_STARTS = ("vented", "vented", "locked", "flowing", "pressurised")
_KINDS = (
    "pressurised",
    "flow_on",
    "steady",
    "flow_off",
    "hold",
    "reopened",
    "isolated",
    "vented",
)
Array = NDArray[np.float64]
Wanted = list[tuple[str, float]]


@dataclass(frozen=True, slots=True)
class Procedure:
    """A procedure that was drawn: its traces and what happened in it, in order."""

    traces: dict[Role, Trace]
    wanted: Wanted
    start: str


class _Script:
    """Puts transitions one after another on two channels."""

    def __init__(self) -> None:
        self.t = 0.0
        self.stands = 0.0  # since when the outlet does
        self.moves: dict[Role, list[tuple[str, float, float, float]]] = {
            "inlet": [],
            "outlet": [],
        }
        self.first: dict[Role, float] = {"inlet": 0.0, "outlet": 0.0}
        self.wanted: Wanted = []

    def move(self, role: Role, shape: str, at: float, long: float, to: float) -> None:
        self.moves[role].append((shape, at, long, to))

    def formula(self, role: Role, t: Array) -> Array:
        y = np.full(t.size, self.first[role])
        for shape, at, long, to in self.moves[role]:
            begun = t >= at
            level = float(np.interp(at, t, y))
            x = (t[begun] - at) / long
            if shape == "turn":
                x = np.clip(x, 0.0, 1.0)
                part = x * x * (3.0 - 2.0 * x)
            elif shape == "lag":
                part = -np.expm1(-x)
            else:  # at an even rate, then it stands
                part = np.clip(x, 0.0, 1.0)
            y[begun] = level + (to - level) * part
        return y


def drawn(seed: int, trial: int, *, slow: bool = False) -> Procedure:
    """Return a random procedure.

    Args:
        seed: of all trials.
        trial: number of this one.
        slow: isolated inlets and sinking outlets lose too little to be timed well.
    """
    given = ranges()["events"]
    rng = np.random.default_rng([seed, _PART, trial])

    def log(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    def even(name: str) -> float:
        return float(rng.uniform(*given[name]))

    script = _Script()
    start = str(rng.choice(_STARTS))
    cycles = int(rng.integers(given["cycles"][0], given["cycles"][1] + 1))
    rise, inlet = even("rise_of_set"), _INLET * float(rng.uniform(0.5, 1.2))
    locked = _SET * (1.0 + rise)
    rates = (0.0003, 0.003) if slow else (0.003, 0.03)
    flowing = _begin(script, rng, start, inlet, locked)
    shut_since = script.stands

    for _ in range(cycles):
        if not flowing:
            script.t += float(rng.uniform(*given["hold_s"]))
            script.wanted.append(("hold", shut_since))
            flowing_level = _SET * (1.0 - even("droop_of_set"))
            long = float(rng.uniform(0.3, 2.0))
            script.move("outlet", "turn", script.t, long, flowing_level)
            script.move("inlet", "lag", script.t, 0.3, inlet * rng.uniform(0.97, 1.0))
            script.wanted.append(("flow_on", script.t + 0.5 * long))
            script.wanted.append(("steady", script.t + _STANDS * long))
            script.t += long
        script.t += even("flow_s")
        long = even("closing_s")
        script.move("outlet", "turn", script.t, long, locked)
        script.move("inlet", "lag", script.t, 0.3, inlet)
        script.wanted.append(("flow_off", script.t + 0.5 * long))
        shut_since = script.t + 0.5 * long
        script.t += long
        flowing = False
    script.wanted.append(("hold", shut_since))
    script.t += float(rng.uniform(*given["hold_s"]))
    ending = str(rng.choice(["vent", "isolate", "reopen", "reopen and isolate"]))
    if ending.startswith("reopen"):
        lost = log(*rates)
        lost_pa = rise * _SET * float(rng.uniform(0.5, 0.9))
        long = max(lost_pa / (lost * _SET), 5.0)
        script.move("outlet", "even", script.t, long, locked - lost_pa)
        script.t += long
        script.wanted.append(("reopened", script.t))
        script.t += float(rng.uniform(*given["hold_s"]))
    if ending.endswith("isolate"):
        script.wanted.append(("isolated", script.t))
        if ending == "isolate":
            script.wanted.append(("hold", script.t))
        held = float(rng.uniform(*given["hold_s"]))
        lost = log(*rates)
        script.move("inlet", "lag", script.t, 1.0 / lost, 0.0)
        script.t += min(held, 1.5 / lost)
    _vent(script, rng)
    rate = log(*given["rate_hz"])
    noise = log(*given["noise_of_set"])
    t = np.arange(0.0, script.t, 1.0 / rate)
    traces: dict[Role, Trace] = {}
    near = dict.fromkeys(_SPANS, 0.0)
    ar1 = even("ar1")
    for role, full in (("outlet", _SET), ("inlet", inlet)):
        role_: Role = "outlet" if role == "outlet" else "inlet"
        clean = script.formula(role_, t)
        above = np.flatnonzero(np.abs(clean) > 0.01 * _SPANS[role_])
        near[role_] = float(t[min(int(above[-1]) + 1, t.size - 1)])
        y = clean + noise * full * _noise(rng, t.size, ar1 ** (10.0 / rate))
        hit = rng.random(t.size) < given["spike_share"]
        size = rng.choice([-1.0, 1.0], t.size) * rng.uniform(10.0, 200.0, t.size)
        y[hit] += (size * noise * full)[hit]
        y = np.round(y / _STEPS[role_]) * _STEPS[role_]
        traces[role_] = Trace(role_, t, y, np.zeros(t.size, np.uint8))
    script.wanted.append(("vented", max(near.values())))
    return Procedure(traces, script.wanted, start)


def _noise(rng: np.random.Generator, n: int, rho: float) -> Array:
    white = rng.standard_normal(n)
    first = rng.standard_normal()
    scale = np.sqrt(1.0 - rho**2)
    found, _ = lfilter([scale], [1.0, -rho], white, zi=[rho * first])
    return np.asarray(found, dtype=np.float64)


def _begin(
    script: _Script, rng: np.random.Generator, start: str, inlet: float, locked: float
) -> bool:
    """Bring the script to its first flow or hold; return whether gas flows."""
    flow_level = _SET * (1.0 - 0.02 - 0.13 * float(rng.random()))
    if start == "vented":
        script.t = float(rng.uniform(5.0, 20.0))
        long = float(rng.uniform(2.0, 12.0))
        script.move("inlet", "turn", script.t, long, inlet)
        script.wanted.append(("pressurised", script.t + 0.5 * long))
        flowing = bool(rng.random() < 0.5)
        to = flow_level if flowing else locked
        # the outlet comes up in the inlet's first fifth
        script.move("outlet", "turn", script.t + 0.1 * long, 0.2 * long + 1.0, to)
        stands = max(_STANDS * long, 0.1 * long + _STANDS * (0.2 * long + 1.0))
        script.stands = script.t + stands
        script.t += max(long, 0.3 * long + 1.0)
        if flowing:
            script.wanted.append(("steady", script.stands))
        return flowing
    script.first["inlet"] = inlet
    if start == "flowing":
        script.first["outlet"] = flow_level
        script.wanted.append(("steady", 0.0))
        return True
    script.first["outlet"] = locked
    if start == "pressurised":
        # the adjusting screw is out: the outlet comes up later
        script.first["outlet"] = 0.0
        script.t = float(rng.uniform(5.0, 20.0))
        script.move("outlet", "turn", script.t, 3.0, locked)
        script.stands = script.t + 3.0 * _STANDS
        script.t += 3.0
    return False


def _vent(script: _Script, rng: np.random.Generator) -> None:
    script.move("outlet", "lag", script.t, float(rng.uniform(0.2, 1.5)), 0.0)
    later = float(rng.uniform(0.0, 3.0))
    script.move("inlet", "lag", script.t + later, float(rng.uniform(0.2, 1.5)), 0.0)
    script.t += float(rng.uniform(20.0, 30.0))


def by_thresholds(procedure: Procedure) -> Wanted:
    """Return labels by fixed levels: flow below 1.01 of set, zero below 5 % of it.

    Both channels are smoothed by a running median of 0.3 s; a level that is left again
    within 5 s is only passed.
    """
    t = procedure.traces["outlet"].t_s
    width = max(3, round(0.3 / float(t[1] - t[0])) | 1)
    y = median_filter(procedure.traces["outlet"].value, width)
    x = median_filter(procedure.traces["inlet"].value, width)
    state = np.where(y < 0.05 * _SET, 0, np.where(y < 1.01 * _SET, 1, 2))
    vented = (state == 0) & (x < 0.05 * _INLET)
    found: Wanted = []
    edges = [*(np.flatnonzero(np.diff(state) != 0) + 1).tolist(), t.size - 1]
    before = int(state[0])
    for i, stop in pairwise(edges):
        after = int(state[i])
        if t[stop] - t[i] < _PASSING_S or after == before:
            continue
        if before == 0:
            found.append(("pressurised", float(t[i])))
        elif after != 0:
            found.append(("flow_on" if after == 1 else "flow_off", float(t[i])))
        before = after
    if vented[-1]:
        under_pressure = np.flatnonzero(~vented)
        found.append(
            ("vented", float(t[under_pressure[-1]]) if under_pressure.size else 0.0)
        )
    return found


@dataclass(frozen=True, slots=True)
class _Told:
    right: bool
    kinds: dict[str, tuple[int, int]]  # right ones, all
    extra: dict[str, int]
    shut_off: list[float]  # errors
    plain: bool
    plain_shut: list[float]
    start: str


def compared(
    wanted: Wanted, found: Wanted, within: float
) -> tuple[bool, dict[str, tuple[int, int]], dict[str, int], list[float]]:
    """Return whether all is right, and by kind how much of it was found."""
    kinds: dict[str, tuple[int, int]] = {}
    extra: dict[str, int] = {}
    errors: list[float] = []
    for kind in _KINDS:
        ours = [t for k, t in found if k == kind]
        hits = 0
        all_of_kind = [t for k, t in wanted if k == kind]
        for t in all_of_kind:
            near = min(ours, key=lambda u, t=t: abs(u - t), default=None)  # type: ignore[misc]
            if near is not None and abs(near - t) <= within:
                hits += 1
                ours.remove(near)
                if kind == "flow_off":
                    errors.append(near - t)
        if all_of_kind:
            kinds[kind] = (hits, len(all_of_kind))
        if ours:
            extra[kind] = len(ours)
    right = not extra and all(hits == n for hits, n in kinds.values())
    return right, kinds, extra, errors


def found_in(procedure: Procedure) -> Wanted:
    """Return what the labels say of a procedure."""
    scales = {role: Scale(_SPANS[role], _STEPS[role]) for role in _SPANS}
    return [(x.kind, x.t_s) for x in find_phases(procedure.traces, scales)]


def _trial(seed: int, slow: bool, trial: int) -> _Told:
    within = float(ranges()["events"]["within_s"])
    procedure = drawn(seed, trial, slow=slow)
    right, kinds, extra, errors = compared(
        procedure.wanted, found_in(procedure), within
    )
    plain_kinds = {"pressurised", "flow_on", "flow_off", "vented"}
    plain, _, _, shut = compared(
        [w for w in procedure.wanted if w[0] in plain_kinds],
        by_thresholds(procedure),
        within,
    )
    return _Told(right, kinds, extra, errors, plain, shut, procedure.start)


def _procedures(settings: Settings) -> list[Figure]:
    work = partial(_trial, settings.seed, False)
    told = spread_over(work, range(settings.trials), settings.jobs)
    figures = [
        share(
            "every label right, within 1 s",
            sum(x.right for x in told),
            len(told),
            low=98.0,
            how="procedures",
            beside=f"thresholds {_percent([x.plain for x in told])} (four kinds only)",
        )
    ]
    figures += _by_kind(told)
    errors = np.array([e for x in told for e in x.shut_off])
    plain = np.array([e for x in told for e in x.plain_shut])
    figures += [
        share(
            "shut-off within 0.1 s",
            int(np.sum(np.abs(errors) <= 0.1)),
            errors.size,
            how="closings",
            beside=f"thresholds {_percent(list(np.abs(plain) <= 0.1))}",
        ),
        Figure(
            "shut-off, 95 % of |error|",
            float(np.quantile(np.abs(errors), 0.95)) if errors.size else 0.0,
            high=0.1,
            unit="s",
            how=f"{errors.size} closings",
        ),
    ]
    return figures


def _by_kind(told: list[_Told]) -> list[Figure]:
    figures = []
    for kind in _KINDS:
        hits = sum(x.kinds.get(kind, (0, 0))[0] for x in told)
        n = sum(x.kinds.get(kind, (0, 0))[1] for x in told)
        extra = sum(x.extra.get(kind, 0) for x in told)
        if n or extra:
            figures.append(
                share(kind.replace("_", " "), hits, max(n, 1), how=f"{extra} besides")
            )
    return figures


def _percent(hits: list[Any]) -> str:
    return f"{100.0 * sum(map(bool, hits)) / max(len(hits), 1):.3g} %"


def _slow(settings: Settings) -> list[Figure]:
    work = partial(_trial, settings.seed, True)
    told = spread_over(work, range(max(settings.trials // 4, 10)), settings.jobs)
    return _by_kind(told)


# --- simulated runs -------------------------------------------------------------------


def _run(seed: int) -> dict[bool, tuple[int, int, int, list[float]]]:
    """Return found, all, besides and shut-off errors of a run, marks hidden or known.

    Wanted are the closings and openings of the downstream valve, by the valve itself,
    the bringing up and the venting of the regulator under test.
    """
    from analysis.readings import Readings
    from proofstand.simulated import simulate
    from records.runfile import open_run

    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "run.h5"
        simulate(
            family="second-stage",
            plan_name="low-pressure",
            faults=(),
            seed=seed,
            out=out,
        )
        run = open_run(out)
    readings = Readings(run)
    traces: dict[Role, Trace] = {}
    scales: dict[Role, Scale] = {}
    roles: tuple[Role, Role] = ("inlet", "outlet")
    for role in roles:
        channel = readings.channel(role)
        assert channel is not None
        low, high = (q.value_si for q in channel.span)
        traces[role] = readings.trace(channel, 1)
        scales[role] = Scale(high - low, channel.resolution.value_si)
    asked = [Asked(m.data["act"], m.t_s) for m in run.marks if m.kind is MarkKind.ASKED]
    return {
        known: _agreement(
            asked,
            find_phases(traces, scales, asked if known else ()),
            run.marks[-1].t_s,
        )
        for known in (False, True)
    }


def _agreement(
    asked: list[Asked], found: list[Label], end_s: float
) -> tuple[int, int, int, list[float]]:
    """Compare with what was asked: each act is done before the next one is asked."""
    meant = {
        "raise_inlet": "pressurised",
        "open_bleed": "flow_on",
        "close_bleed": "flow_off",
        "vent_down": "vented",
    }
    count = hits = besides = 0
    left: Counter[str] = Counter(
        x.kind for x in found if x.kind in ("flow_on", "flow_off")
    )
    last_cycle = [a.t_s for a in asked if a.act == "exercise"]
    brought = False
    valve_open = False
    for i, now in enumerate(asked):
        until = asked[i + 1].t_s if i + 1 < len(asked) else end_s
        kind = meant.get(now.act)
        if now.act in ("open_to_air", "vent_down"):
            brought = False
        if now.act == "set_outlet":
            valve_open = True
        if kind == "pressurised":
            if brought:
                continue
            brought = True
        if kind == "flow_on" and valve_open:
            kind = None  # it flows already: nothing is to be seen
        if kind == "flow_off":
            valve_open = False
        if now.act == "exercise":
            inside = [x for x in found if now.t_s <= x.t_s < until]
            for cycle_kind in ("flow_on", "flow_off"):
                n = sum(x.kind == cycle_kind for x in inside)
                count += 5
                hits += min(n, 5)
                left[cycle_kind] -= min(n, 5)
            continue
        if kind is None:
            continue
        count += 1
        inside = [x for x in found if x.kind == kind and now.t_s <= x.t_s < until + 5.0]
        if inside:
            hits += 1
            if kind in ("flow_on", "flow_off"):
                left[kind] -= 1
    # after the exercise the setting opens the valve anew
    if last_cycle:
        count += 1
        nxt = [x for x in found if x.kind == "flow_on" and x.t_s > last_cycle[-1]]
        hits += bool(nxt)
        left["flow_on"] -= bool(nxt)
    besides = sum(max(n, 0) for n in left.values())
    return hits, count, besides, []


def _simulated(settings: Settings) -> list[Figure]:
    seeds = range(settings.seed % 1000, settings.seed % 1000 + _RUNS)
    told = spread_over(_run, seeds, settings.jobs)
    figures = []
    for known in (False, True):
        hits = sum(x[known][0] for x in told)
        n = sum(x[known][1] for x in told)
        besides = sum(x[known][2] for x in told)
        name = "known" if known else "hidden"
        figures.append(
            share(f"labels as asked, marks {name}", hits, n, how=f"{besides} besides")
        )
    return figures


def tables(settings: Settings) -> list[tuple[str, list[Figure]]]:
    """Return the figures of labels and shut-off times."""
    return [
        ("events: random procedures by formula", _procedures(settings)),
        ("events: slow decays (0.03 to 0.3 % each second)", _slow(settings)),
        (
            f"events: {_RUNS} simulated runs, low-pressure plan",
            _simulated(settings),
        ),
    ]
