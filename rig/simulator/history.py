"""What was true of the gas from moment to moment, and what findings follow from it.

Nothing here has seen a transducer: pressures and flows are the model's own. Findings
are as the registry in ``records.judgement`` defines them; how an estimate gets at them
from noisy readings is no concern of this module, which shares no code with it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from records.measure import STANDARD_TEMPERATURE_K, STD_CM3_MIN
from records.run import Mark, MarkKind
from records.trace import FloatArray

EVERY_S = 0.1
_COLUMNS = (
    "t_s",
    "outlet",  # Pa gauge
    "inlet",
    "outlet_pa",  # absolute
    "outlet_k",
    "air_pa",
    "bleed",  # position of the valve
    "past_seat",  # kg/s, through what leaks there
    "through_seat",  # kg/s, all of it
    "outlet_lost",  # kg/s, to the air
    "inlet_lost",
    "outlet_error",  # Pa, of the transducer
    "inlet_error",
    "relieved",  # kg/s, through the regulator's own relief
    "relief_opens",  # Pa gauge, where that opens; NaN where none is fitted
    "relief_shuts",
)
_OF_TWO_STAGES = (
    "interstage",  # Pa gauge
    "interstage_pa",  # absolute
    "interstage_k",
    "past_first_seat",  # kg/s
    "interstage_lost",
    "interstage_error",
)
_READ_S = 5.0  # after shut-off, when the lockup pressure is read
_MEAN_S = 1.0
_CLEAR_S = 0.5
_EMPTIED = 3.0  # times what is lost in a hold: then there was little left to lose
_FLOWING_S = 4.0
_SAME_INLET, _FAR_INLET = 0.02, 0.1  # relative
_OPEN = 1.0 * STD_CM3_MIN  # of a relief
_SETTLED_S = 10.0  # after closing, when the total of a creep begins


class History:
    """Rows of truth, one each tenth of a second of rig time.

    Args:
        gas_constant: of the gas, J/(kg K).
        two_stages: what is between them is noted too.
    """

    def __init__(self, gas_constant: float, *, two_stages: bool = False) -> None:
        self.two_stages = two_stages
        self._names = (*_COLUMNS, *(_OF_TWO_STAGES if two_stages else ()))
        self._rows: list[tuple[float, ...]] = []
        self._leak = gas_constant * STANDARD_TEMPERATURE_K

    def note(self, **row: float) -> None:
        """Add a row."""
        self._rows.append(tuple(row[name] for name in self._names))

    def columns(self) -> dict[str, FloatArray]:
        """Return every column by name, shape (n,)."""
        table = np.array(self._rows, dtype=np.float64).reshape(-1, len(self._names))
        return {name: table[:, i] for i, name in enumerate(self._names)}

    def leak(self, kg_s: float) -> float:
        """Return a flow as Pa·m3/s at 293.15 K."""
        return kg_s * self._leak


@dataclass(frozen=True, slots=True)
class _Hold:
    step: str
    kind: str
    attempt: int
    starts_s: float
    isolated_s: float
    begins_s: float
    ends_s: float
    closes_s: float | None


def true_findings(
    history: History,
    marks: Sequence[Mark],
    kinds: Mapping[str, str],
    read_after_s: Mapping[str, float] | None = None,
) -> list[dict[str, Any]]:
    """Return the true findings of each step that was held, as plain records.

    Args:
        history: from the start of the test.
        marks: of the test, in order.
        kinds: kind of each step by its id.
        read_after_s: when after shut-off a lockup is read, by the step's id, where that
            is not five seconds.

    Returns:
        Records with ``id``, ``step``, ``attempt``, ``channel`` ("" where it is of none)
        and ``value``, SI; pressures gauge.
    """
    truth = _Truth(history, read_after_s or {})
    found: list[dict[str, Any]] = []
    for hold in _holds(marks, kinds):
        for id, channel, value in truth.of(hold):
            found.append(
                {
                    "id": id,
                    "step": hold.step,
                    "attempt": hold.attempt,
                    "channel": channel,
                    "value": value,
                }
            )
    return [*found, *truth.of_lockups_together()]


def _holds(marks: Sequence[Mark], kinds: Mapping[str, str]) -> list[_Hold]:
    found: list[_Hold] = []
    begun: float | None = None
    closes: float | None = None
    attempt, isolated, starts = 1, 0.0, 0.0
    for mark in marks:
        if mark.kind is MarkKind.STEP_BEGIN:
            attempt, begun = int(mark.data.get("attempt", "1")), None
            starts = isolated = mark.t_s
            closes = None
        elif mark.kind is MarkKind.ASKED and mark.data.get("act") == "close_bleed":
            closes = mark.t_s
        elif mark.kind is MarkKind.ASKED and mark.data.get("act") == "hands_off":
            isolated = mark.t_s
        elif mark.kind is MarkKind.HOLD_BEGIN:
            begun = mark.t_s
        elif mark.kind is MarkKind.HOLD_END and begun is not None:
            kind = kinds.get(mark.step, "")
            found.append(
                _Hold(
                    mark.step,
                    kind,
                    attempt,
                    starts,
                    isolated,
                    begun,
                    mark.t_s,
                    closes,
                )
            )
            begun = None
    return found


class _Truth:
    def __init__(self, history: History, read_after_s: Mapping[str, float]) -> None:
        self._history = history
        self._read_after_s = read_after_s
        self._columns = history.columns()
        self._sides = ["outlet", *["interstage"] * history.two_stages]
        self._zero: dict[str, float] = {}
        # per side and lockup step its last attempt: inlet, what flowed, lockup pressure
        self._lockups: dict[str, dict[str, tuple[int, float, float, float]]] = {}

    def of(self, hold: _Hold) -> list[tuple[str, str, float]]:
        span = (hold.begins_s, hold.ends_s)
        match hold.kind:
            case "zero":
                gauges = (*self._sides, "inlet")
                self._zero = {c: self._reading(c, span) for c in gauges}
                return [("zero_offset", c, v) for c, v in self._zero.items()]
            case "closing-zero":
                return [
                    ("closing_zero_change", c, self._reading(c, span) - before)
                    for c, before in self._zero.items()
                ]
            case "rig-hold":
                return [("rig_leak", "", self._lost(span))]
            case "set":
                return [("set_pressure", c, self._mean(c, span)) for c in self._sides]
            case "lockup":
                return self._lockup(hold)
            case "creep-hold":
                past = {"outlet": "past_seat", "interstage": "past_first_seat"}
                return [
                    found
                    for c in self._sides
                    for found in (
                        ("lockup_highest", c, self._highest(c, span)),
                        ("creep_rate", c, self._creep(c, span)),
                        ("creep_total", c, self._creep_total(c, span)),
                        ("seat_leak", c, self._flow(past[c], span)),
                    )
                ]
            case "body-hold":
                return [
                    ("external_leak", "", self._external(hold)),
                    ("seat_transfer", "", self._flow("through_seat", span)),
                ]
            case "as-received":
                return [("lockup_highest", "outlet", self._highest("outlet", span))]
            case "relief":
                return self._relief(hold)
        return []

    def _relief(self, hold: _Hold) -> list[tuple[str, str, float]]:
        """Where the relief opened in the step, and where it last shut again, if it did.

        What somebody who opens the source once more lets out is no lack of reseating.
        """
        t, relieved = self._columns["t_s"], self._columns["relieved"]
        during = np.flatnonzero((t >= hold.starts_s) & (t <= hold.ends_s))
        open_ = during[self._history.leak(1.0) * relieved[during] > _OPEN]
        if not open_.size:
            return []
        opened = float(self._columns["relief_opens"][open_[0]])
        found = [("relief_opening", "outlet", opened)]
        goes_on = np.isin(open_ + 1, open_) | (open_ == during[-1])
        if not goes_on.all():
            shut = float(self._columns["relief_shuts"][open_[~goes_on][-1]])
            found.append(("relief_reseat", "outlet", shut))
        return found

    def _within(self, name: str, span: tuple[float, float]) -> FloatArray:
        t = self._columns["t_s"]
        return self._columns[name][(t >= span[0]) & (t <= span[1])]

    def _mean(self, name: str, span: tuple[float, float]) -> float:
        return float(np.mean(self._within(name, span)))

    def _reading(self, channel: str, span: tuple[float, float]) -> float:
        return self._mean(channel, span) + self._mean(f"{channel}_error", span)

    def _flow(self, name: str, span: tuple[float, float]) -> float:
        return self._history.leak(self._mean(name, span))

    def _lost(self, span: tuple[float, float]) -> float:
        lost = self._flow("outlet_lost", span) + self._flow("inlet_lost", span)
        if self._history.two_stages:
            lost += self._flow("interstage_lost", span)
        return lost

    def _external(self, hold: _Hold) -> float:
        """What was lost in the hold, or before it where that emptied a side."""
        lost = self._lost((hold.begins_s, hold.ends_s))
        if hold.begins_s <= hold.isolated_s:
            return lost
        before = self._lost((hold.isolated_s, hold.begins_s))
        return before if before > _EMPTIED * lost else lost

    def _highest(self, side: str, span: tuple[float, float]) -> float:
        values = self._within(side, span)
        n = min(round(_MEAN_S / EVERY_S), values.size)
        return float(np.max(np.convolve(values, np.full(n, 1.0 / n), "valid")))

    def _creep(self, side: str, span: tuple[float, float]) -> float:
        """A side's rate over the later half at even temperature and air."""
        late = (0.5 * (span[0] + span[1]), span[1])
        t, k = self._within("t_s", late), self._within(f"{side}_k", late)
        steady = self._within(f"{side}_pa", late) * k[-1] / k
        # at an even air pressure too: a falling barometer is no creep
        return float(np.polyfit(t - t[0], steady, 1)[0])

    def of_lockups_together(self) -> list[dict[str, Any]]:
        """Return what the lockups give together, at the last of them."""
        return [
            found
            for side, lockups in self._lockups.items()
            for found in self._together(side, lockups)
        ]

    def _together(
        self, side: str, lockups: Mapping[str, tuple[int, float, float, float]]
    ) -> list[dict[str, Any]]:
        step = list(lockups)[-1]
        attempt = lockups[step][0]
        read = list(lockups.values())
        top, bottom = max(r[1] for r in read), min(r[1] for r in read)
        high = [r for r in read if top - r[1] <= _SAME_INLET * top]
        low = [r for r in read if r[1] - bottom <= _SAME_INLET * top]
        found = []
        if top - bottom > _FAR_INLET * top:
            supply, outlet = (
                np.mean([r[i] for r in low]) - np.mean([r[i] for r in high])
                for i in (1, 2)
            )
            found.append(("supply_pressure_effect", float(outlet / supply)))
        if len(high) > 1:
            spread = float(np.std([r[3] for r in high], ddof=1))
            found.append(("repeatability", spread))
        return [
            {
                "id": id,
                "step": step,
                "attempt": attempt,
                "channel": side,
                "value": value,
            }
            for id, value in found
        ]

    def _creep_total(self, side: str, span: tuple[float, float]) -> float:
        """A side's whole change, absolute: from the first to the last 32nd."""
        start = span[0] + min(_SETTLED_S, 0.25 * (span[1] - span[0]))
        share = (span[1] - start) / 32.0
        first = self._mean(f"{side}_pa", (start, start + share))
        return self._mean(f"{side}_pa", (span[1] - share, span[1])) - first

    def _lockup(self, hold: _Hold) -> list[tuple[str, str, float]]:
        t, bleed = self._columns["t_s"], self._columns["bleed"]
        if hold.closes_s is None:
            return []
        turning = np.flatnonzero((t > hold.closes_s) & (np.diff(bleed, prepend=0) < 0))
        if not turning.size:
            return []
        onset = float(t[turning[0]])
        before = self._mean("outlet", (onset - _FLOWING_S, onset - _CLEAR_S))
        after = self._mean("outlet", (hold.begins_s + 2.0, hold.begins_s + 3.0))
        outlet = self._columns["outlet"]
        window = (t >= onset) & (t <= hold.begins_s + 3.0)
        below = np.flatnonzero(window & (outlet < 0.5 * (before + after)))
        shut = float(t[below[-1]]) if below.size else hold.begins_s
        at = shut + self._read_after_s.get(hold.step, _READ_S)
        read = (at - _MEAN_S, at + _MEAN_S)
        supply = self._mean("inlet", (onset - _FLOWING_S, onset - _CLEAR_S))
        found = []
        for side in self._sides:
            flowed = self._mean(side, (onset - _FLOWING_S, onset - _CLEAR_S))
            lockup = self._mean(side, read)
            mine = self._lockups.setdefault(side, {})
            mine.pop(hold.step, None)
            mine[hold.step] = (hold.attempt, supply, flowed, lockup)
            found += [
                ("lockup_pressure", side, lockup),
                ("lockup_highest", side, self._highest(side, (shut, hold.ends_s))),
                ("lockup_rise", side, lockup - flowed),
            ]
        return found
