"""What a trainee calls, one thing after the other, by cursor or typed. Knows no Qt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from proofstand.display import digits_for, number, reference_word
from proofstand.review.drills import HEALTHY, Called, callable_findings, parsed_call
from proofstand.review.told import shown_unit
from records.faults import CATALOGUE, OF_FIRST
from records.judgement import FINDINGS
from records.measure import Kind, Quantity, to_unit
from records.plan import Plan
from records.rig import Rig
from records.trace import FloatArray

from ..bench_desk.live import Live
from .wording import said

VERDICT, CAUSE = "verdict", "cause"
VERDICTS = ("pass", "fail", "inconclusive", "incomplete")
NEAR_S = 0.5  # a single place is read as the mean of so long on both sides
_LEAST = 3  # samples that a mean or slope needs
_SIDES = ("inlet", "outlet", "interstage")
_DIGITS = {"in. w.c.": 3, "in. w.c./min": 3, "psi": 3, "kPa": 3, "bar": 4}


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """One thing to be called.

    Attributes:
        what: id of the finding, ``verdict`` or ``cause``.
        text: what was called, "" while nothing was. value: the same as a quantity.
        cursors: where the cursors stood, None where it was typed.
        passed: the trainee left it out.
    """

    what: str
    text: str = ""
    value: Quantity | None = None
    cursors: tuple[float, float] | None = None
    passed: bool = False

    @property
    def made(self) -> bool:
        """Something was said of it, be it that nothing can be."""
        return bool(self.text) or self.passed


@dataclass(frozen=True, slots=True)
class Calls:
    """All that is called of one drill.

    Attributes:
        all: in the order in which they are asked. at: the one that is asked now;
            their number when all are made.
    """

    all: tuple[Call, ...]
    at: int = 0

    @property
    def now(self) -> Call | None:
        """The one that is asked, None when all are made."""
        return self.all[self.at] if self.at < len(self.all) else None

    def made(
        self,
        text: str,
        value: Quantity | None = None,
        cursors: tuple[float, float] | None = None,
    ) -> Calls:
        """Return them with the one that is asked made; "" leaves it out."""
        if self.now is None:
            return self
        call = replace(
            self.now, text=text, value=value, cursors=cursors, passed=not text
        )
        every = (*self.all[: self.at], call, *self.all[self.at + 1 :])
        left = [i for i, each in enumerate(every) if not each.made]
        later = [i for i in left if i > self.at]
        return Calls(every, (later or left or [len(every)])[0])

    def gone_to(self, at: int) -> Calls:
        """Return them with another one asked."""
        return replace(self, at=min(max(at, 0), len(self.all) - 1))

    def called(self) -> Called:
        """Return them as the score wants them."""
        by = {call.what: call for call in self.all}
        values = {call.what: call.value for call in self.all if call.value is not None}
        return Called(values=values, verdict=by[VERDICT].text, cause=by[CAUSE].text)


def calls_of(plan: Plan) -> Calls:
    """Return what is to be called with a plan, nothing of it made."""
    what = (*callable_findings(plan), VERDICT, CAUSE)
    return Calls(tuple(Call(what=each) for each in what))


def typed_call(calls: Calls, typed: str) -> Calls:
    """Return them with a typed value; "" leaves it out.

    Raises:
        InputError: unreadable, or of another kind or reference.
    """
    now = calls.now
    if now is None or not typed.strip():
        return calls.made("")
    name = said("call", now.what, "name")
    return calls.made(typed.strip(), parsed_call(now.what, typed, name))


# --- by cursor ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """What stands between or at two cursors.

    Attributes:
        text: with unit and reference, "" where nothing good was read.
        how: how it is read from the cursors.
    """

    text: str
    how: str
    value: Quantity | None = field(default=None)


def measured(
    what: str,
    cursors: tuple[float, float],
    lives: Sequence[Live],
    plan: Plan,
    rig: Rig,
) -> Measure:
    """Return what the cursors read of a finding.

    Args:
        what: id of the finding.
        cursors: two times, in any order.
        lives: the channels, the outlet among them.
        plan: says the unit.
        rig: says the volumes.
    """
    first, second = sorted(cursors)
    by_role = {live.channel.role: live for live in lives}
    value, how = _read(what, first, second, by_role, rig)
    if value is None:
        return Measure(text="", how=how or said("measure", "nothing"))
    kind, unit = FINDINGS[what], shown_unit(plan, what)
    shown = to_unit(value, unit)
    digits = _DIGITS.get(unit.name, digits_for(abs(shown) or 1.0) + 1)
    word = reference_word(kind.reference)
    text = f"{number(shown, digits)} {unit.name} {word}".rstrip()
    return Measure(
        text=text, how=how, value=Quantity(value, kind.kind, kind.reference, text)
    )


def _read(
    what: str, first: float, second: float, by_role: Mapping[str, Live], rig: Rig
) -> tuple[float | None, str]:
    """Return the value in SI, and how it is read or why it can't be."""
    outlet = by_role.get("outlet")
    if outlet is None:
        return None, said("measure", "no_outlet")
    if what == "set_pressure":
        return _mean(outlet, first, second), said("measure", "mean")
    if what == "lockup_rise":
        before = _mean(outlet, first - NEAR_S, first + NEAR_S)
        after = _mean(outlet, second - NEAR_S, second + NEAR_S)
        rise = None if before is None or after is None else after - before
        return rise, said("measure", "rise")
    if what == "creep_rate":
        return _slope(outlet, first, second), said("measure", "slope")
    return _lost(first, second, by_role, rig)


def _lost(
    first: float, second: float, by_role: Mapping[str, Live], rig: Rig
) -> tuple[float | None, str]:
    """Return how fast gas is lost from all sides, Pa·m3/s at 20 °C, and how it is read.

    Ideal gas at 20 °C in the rig's stated volumes: what a hand calculation gives.
    """
    volumes = {} if rig.traits is None else rig.traits.volumes
    lost, sides = 0.0, []
    for role in _SIDES:
        live = by_role.get(role)
        if live is None:
            continue
        slope = _slope(live, first, second)
        if role not in volumes or slope is None:
            return None, said("measure", "no_volume", role=role)
        stated = volumes[role]
        m3 = stated.volume.value_si + 0.5 * max(stated.allowance.value_si, 0.0)
        lost -= m3 * slope
        sides.append(f"{role} {1e6 * m3:.0f} cm3")
    return lost, said("measure", "leak", volumes=", ".join(sides))


def _samples(live: Live, first: float, second: float) -> tuple[FloatArray, FloatArray]:
    t, value = live.history.between(first, second)
    good = np.isfinite(value)
    return t[good], value[good]


def _mean(live: Live, first: float, second: float) -> float | None:
    _, value = _samples(live, first, second)
    return float(value.mean()) if value.size >= _LEAST else None


def _slope(live: Live, first: float, second: float) -> float | None:
    t, value = _samples(live, first, second)
    if t.size < _LEAST:
        return None
    off = t - t.mean()
    return float(off @ value / (off @ off))


# --- causes ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Cause:
    """A group of causes that the traces can't tell apart.

    Attributes:
        id: a fault of the group, or ``none``. words: what a trainee picks.
    """

    id: str
    words: str

    @property
    def short(self) -> str:
        """The same without its details."""
        return self.words.rpartition(":")[0] or self.words


def causes_of(plan: Plan) -> tuple[Cause, ...]:
    """Return the groups to pick from with a plan: every one, whatever the drill is."""
    found = [Cause(HEALTHY, said("cause", HEALTHY))]
    found += [Cause(id, said("cause", id)) for id in group_heads()]
    for id in group_heads():
        entry = CATALOGUE[id]
        first = any(plan.id in CATALOGUE[each].first_plans for each in entry.group)
        if first:
            inner = said("cause", id)
            words = said("cause", "of_first", cause=inner[0].lower() + inner[1:])
            found.append(Cause(OF_FIRST + id, words))
    return tuple(found)


def group_heads() -> tuple[str, ...]:
    """Return one fault of each group, one whose own group it is."""
    heads: dict[tuple[str, ...], str] = {}
    for entry in CATALOGUE.values():
        heads.setdefault(entry.group, entry.id)
    return tuple(heads.values())


def is_pressure(what: str) -> bool:
    """Tell whether a finding is a pressure that stands on the trace."""
    return what in FINDINGS and FINDINGS[what].kind is Kind.PRESSURE
