"""The scripted technician: what is asked becomes valve positions, as people do it.

Hands take a moment before they begin, turn unevenly, overshoot a little and look at the
displayed pressures only. A turn that was begun is finished before anything else is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Generator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from records.errors import InputError
from records.measure import STANDARD_PRESSURE_PA
from records.run import Request

from .families import SECOND_STAGE, Family
from .rigbody import (
    BLANK,
    HIGHEST,
    OPEN,
    REGULATOR,
    SYRINGE_M3,
    VALVE_NAMES,
    Valves,
)

Doing = Generator[None, None, None]

_SMALL_BLEED = 0.10
_NUT_SHARE = 0.05  # of the outlet: how far a nut that is locked carelessly moves it
_CRACK = 0.3  # of the limited source's valve, to raise an outlet slowly
_STOOD_S = 5.0
_OF_SUPPLY = ("raise_inlet", "set_inlet", "vent_down", "open_to_air")
_MOST_SUPPLY = 1.3  # of what is wanted: a supply that can't do it is left alone then


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """What hands know of the kind of regulator and rig before them.

    Attributes:
        outlet_zero, inlet_zero: what counts as no pressure on the display, Pa gauge.
        outlet_empty, inlet_empty: the same after a vent-down, where it was lower.
        slope: Pa of outlet per metre of screw, as hands know it from other jobs.
        supply_rise: how fast they raise the supply, Pa/s; up to 10/7 of it.
        came_set_at: where the screw of such a regulator stands as it comes in, m.
    """

    outlet_zero: float
    inlet_zero: float
    outlet_empty: float
    inlet_empty: float
    slope: float
    supply_rise: float
    came_set_at: float = 0.0


def manner_for(family: Family) -> Manner:
    """Return what hands know of a family."""
    plain = family.regulator
    return Manner(
        outlet_zero=4e-3 * family.outlet_span,
        inlet_zero=3.5e-3 * family.inlet_span,
        outlet_empty=1e-3 * family.outlet_span,
        inlet_empty=1.5e-3 * family.inlet_span,
        slope=plain.spring_n_per_m / plain.diaphragm_m2,
        supply_rise=0.1 * family.inlet_gauge,
        came_set_at=plain.screw_for(family.outlet_gauge, family.inlet_gauge),
    )


@dataclass(frozen=True, slots=True)
class Moves:
    """What the hands do now.

    Attributes:
        valves: new positions by the name of the valve.
        acknowledge: id of a request that is done and wanted a confirmation, or None.
        answer: what they answer to its question, or None where it asked none.
    """

    valves: Mapping[str, float] = field(default_factory=dict)
    acknowledge: str | None = None
    answer: str | None = None


# What people do wrong, or what befalls them, and at which acts; () at any.
MISTAKES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "snaps-shut": ("close_bleed",),
        "three-jerks": ("close_bleed",),
        "closes-slowly": ("close_bleed",),
        "leaves-bleed": ("close_bleed",),
        "wrong-valve": ("isolate_inlet",),
        "forgets-valve": ("isolate_inlet",),
        "walks-away": ("set_outlet",),
        "long-absence": (),
        "over-adjusts": ("set_outlet",),
        "nut-moves-it": ("lock_nut",),
        "bumps-bleed": ("hands_off",),
        "neighbour": ("hands_off", "close_bleed"),
        "supply-lost": ("open_bleed", "set_flow"),
    }
)
ABSENCE_S = (600.0, 3600.0)  # of who is called away


@dataclass(frozen=True, slots=True)
class Mistake:
    """What is done wrong, once, and at which step of a plan; "" at the first that can.

    Attributes:
        slip: of :data:`MISTAKES`. step: id of the step.
    """

    slip: str
    step: str = ""

    @classmethod
    def parse(cls, text: str) -> Mistake:
        """Read ``"three-jerks"`` or ``"three-jerks@lockup-2"``.

        Raises:
            InputError: ``mistake_unknown``.
        """
        slip, _, step = text.partition("@")
        if slip not in MISTAKES:
            known = ", ".join(MISTAKES)
            raise InputError("mistake_unknown", given=text, known=known)
        return cls(slip, step)

    def can_be_at(self, request: Request) -> bool:
        """Tell whether it can be made at what is asked now."""
        acts = MISTAKES[self.slip]
        at_act = not acts or request.act in acts
        return at_act and self.step in ("", request.step)


class Hands:
    """Works the valves of a simulated rig that starts shut, with nothing fitted.

    Args:
        seed: what delays, unevenness and overshoot are drawn from.
        found: where the valves stand by name, when the rig is not one that starts.
        manner: what they know of what is before them.
        mistakes: what they do wrong, once each; see :meth:`Mistake.parse`.
        counts: what they see or hear when they look for a finding for some seconds;
            None: nothing, as far as they can tell.
        vents: whether they see the bonnet's vent discharge; None: they take an outlet
            that stands for it.

    Raises:
        InputError: ``mistake_unknown``.
    """

    def __init__(
        self,
        seed: int,
        found: Mapping[str, float] | None = None,
        manner: Manner | None = None,
        mistakes: Collection[str] = (),
        counts: Callable[[str, float], int] | None = None,
        vents: Callable[[], bool] | None = None,
    ) -> None:
        self._to_make = [Mistake.parse(text) for text in mistakes]
        self._manner = manner or manner_for(SECOND_STAGE)
        self._rng = np.random.Generator(np.random.Philox(key=[seed, 900]))
        start = Valves()
        self._at = {name: float(getattr(start, name)) for name in VALVE_NAMES}
        if found is not None:
            self._at.update(found)
        # the first look puts every valve where it is known
        self._moved = {} if found is not None else dict(self._at)
        self._t = 0.0
        self._seen: Mapping[str, float] = {}
        self._repeats = 1
        self._lasting_s = 0.0
        self._counts = counts
        self._vents = vents
        self._question: Request | None = None
        self._answer: str | None = None
        self._doing: Doing | None = None
        self._besides: list[Doing] = []  # what comes about while nothing is asked
        self._doing_id = self._doing_act = ""
        self._confirms = False
        self._must_finish = 0
        self._small_bleed = _SMALL_BLEED * float(self._rng.uniform(0.9, 1.1))
        self._acts: dict[str, Callable[[float], Doing]] = {
            "open_to_air": self._open_to_air,
            "fit_blank": lambda _: self._fit(BLANK),
            "fit_regulator": lambda _: self._fit(REGULATOR),
            "fit_as_received": self._fit_as_received,
            "screw_out": self._screw_out,
            "raise_inlet": self._bring_inlet,
            "set_inlet": self._bring_inlet,
            "fill_outlet": self._fill_outlet,
            "isolate_inlet": self._isolate_inlet,
            "raise_outlet": self._raise_outlet,
            "shut_source": self._shut_source,
            "let_down_outlet": self._let_down_outlet,
            "set_outlet": self._set_outlet,
            "set_flow": self._set_flow,
            "add_gas": self._add_gas,
            "open_leak": self._open_leak,
            "lock_nut": self._lock_nut,
            "exercise": self._exercise,
            "open_bleed": self._open_bleed,
            "draw_off": self._open_bleed,
            "close_bleed": self._close_bleed,
            "look": self._look,
            "hands_off": self._hands_off,
            "vent_down": self._vent_down,
            "disconnect": self._disconnect,
        }
        self._befalls: dict[str, Callable[[], Doing]] = {
            "bumps-bleed": self._bumps_bleed,
            "neighbour": self._neighbour,
            "supply-lost": self._supply_lost,
        }

    @property
    def acts(self) -> frozenset[str]:
        """The acts these hands know."""
        return frozenset(self._acts)

    def act(
        self, t_s: float, request: Request | None, seen: Mapping[str, float]
    ) -> Moves:
        """Look and do the next bit; to be called every 50 to 100 ms of rig time.

        Args:
            t_s: rig time, never going back.
            request: what is asked now, the same one until it is done; None: nothing.
            seen: latest displayed value by role, SI; pressures gauge.

        Raises:
            ValueError: an act that hands don't know.
        """
        self._t = t_s
        self._seen = seen
        acknowledge = None
        self._answer = None
        if not self._must_finish:
            self._turn_to(request)
        if self._doing is not None:
            try:
                next(self._doing)
            except StopIteration:
                self._doing = None
                acknowledge = self._doing_id if self._confirms else None
        self._besides = [
            doing for doing in self._besides if next(doing, self) is not self
        ]
        moved, self._moved = self._moved, {}
        return Moves(moved, acknowledge, self._answer)

    def begin_again(self) -> None:
        """Drop what is half done; what is asked then is done from its beginning."""
        self._doing, self._doing_id, self._must_finish = None, "", 0
        self._besides = []

    def left_alone(self, step: str) -> None:
        """Begin what befalls them at a step at which they are to keep off.

        That is asked and over in the same moment, so that they never look at it.
        """
        asked = Request(id="", step=step, act="hands_off")
        for made in self._to_make:
            if made.slip in self._befalls and made.can_be_at(asked):
                self._to_make.remove(made)
                self._besides.append(self._befalls[made.slip]())
                return

    def _turn_to(self, request: Request | None) -> None:
        if request is None:
            self._doing = None
            return
        if request.id == self._doing_id:
            return
        if request.act not in self._acts:
            raise ValueError(f"hands do not know how to {request.act}")
        aim = request.aim.value_si if request.aim is not None else math.nan
        self._repeats = max(request.repeats, 1)
        self._question = request if request.look else None
        lasting = request.lasting
        self._lasting_s = 0.0 if lasting is None else lasting.value_si
        self._doing_id, self._doing_act = request.id, request.act
        self._confirms = request.confirm
        doing = self._acts[request.act](aim)
        made = next((m for m in self._to_make if m.can_be_at(request)), None)
        if made is not None:
            self._to_make.remove(made)
            doing = self._mistaken(made.slip, aim, doing)
        self._doing = self._after_a_moment(doing)

    # --- what hands are able to do ----------------------------------------------------

    def _between(self, low: float, high: float) -> float:
        return float(self._rng.uniform(low, high))

    def _read(self, role: str) -> float:
        return self._seen.get(role, math.nan)

    def _put(self, valve: str, position: float) -> None:
        if self._at[valve] != position:
            self._at[valve] = position
            self._moved[valve] = position

    def _nudge_screw(self, metres: float) -> None:
        to = self._at["screw_m"] + metres
        self._put("screw_m", min(max(to, 0.0), HIGHEST["screw_m"]))

    def _after_a_moment(self, doing: Doing) -> Doing:
        yield from self._wait(self._between(0.5, 2.0))
        yield from doing

    def _wait(self, seconds: float) -> Doing:
        until = self._t + seconds
        while self._t < until:
            yield

    def _wait_for(self, seen: Callable[[], bool], longest_s: float) -> Doing:
        until = self._t + longest_s
        while not seen() and self._t < until:
            yield

    def _turn(self, valve: str, to: float, seconds: float) -> Doing:
        """Turn unevenly; a turn is finished even when something else is asked."""
        start, begun = self._at[valve], self._t
        if start == to:
            return
        waver, quiver = self._between(-0.4, 0.4), self._between(-0.2, 0.2)
        self._must_finish += 1
        while (share := (self._t - begun) / seconds) < 1.0:
            uneven = (
                share
                + waver * math.sin(2.0 * math.pi * share) / (2.0 * math.pi)
                + quiver * math.sin(4.0 * math.pi * share) / (4.0 * math.pi)
            )
            self._put(valve, start + (to - start) * min(max(uneven, 0.0), 1.0))
            yield
        self._put(valve, to)
        self._must_finish -= 1

    def _without_a_break(self, doing: Doing) -> Doing:
        """Do something that may not be left half done."""
        self._must_finish += 1
        yield from doing
        self._must_finish -= 1

    def _no_pressure(self) -> bool:
        return (
            abs(self._read("outlet")) < self._manner.outlet_zero
            and abs(self._read("inlet")) < self._manner.inlet_zero
        )

    # --- what goes wrong --------------------------------------------------------------

    def _mistaken(self, slip: str, aim: float, doing: Doing) -> Doing:
        """Return an act with what goes wrong at it."""
        before: dict[str, Callable[[], Doing]] = {
            "walks-away": lambda: self._wait(self._between(60.0, 120.0)),
            "long-absence": self._is_away,
            "wrong-valve": self._turns_wrong_valve,
            "snaps-shut": lambda: self._turn("bleed", 0.0, 0.05),
            "three-jerks": self._shuts_in_jerks,
            "closes-slowly": lambda: self._turn("bleed", 0.0, self._between(9.0, 14.0)),
            "over-adjusts": lambda: self._over_adjusts(aim),
        }
        if slip in before:
            yield from before[slip]()
        if slip == "leaves-bleed":
            yield from self._leaves_bleed()
            return
        if slip == "forgets-valve":
            yield from self._wait(self._between(0.5, 1.5))
            return  # said to be done, and it is not
        yield from doing
        if slip == "nut-moves-it":
            moved = _NUT_SHARE * self._read("outlet") / self._manner.slope
            self._nudge_screw(moved)
        elif slip in self._befalls:
            self._besides.append(self._befalls[slip]())

    def _is_away(self) -> Doing:
        # who is away does nothing else that is asked meanwhile
        yield from self._without_a_break(self._wait(self._between(*ABSENCE_S)))

    def _turns_wrong_valve(self) -> Doing:
        """The vent instead of the inlet valve, noticed and put right."""
        yield from self._turn("vent_inlet", 0.05, self._between(0.8, 1.5))
        yield from self._wait(self._between(2.0, 4.0))
        yield from self._turn("vent_inlet", 0.0, self._between(0.4, 0.8))

    def _shuts_in_jerks(self) -> Doing:
        for share in (self._between(0.5, 0.7), self._between(0.15, 0.3), 0.0):
            to = share * self._small_bleed
            yield from self._without_a_break(self._jerk(to))

    def _jerk(self, to: float) -> Doing:
        yield from self._turn("bleed", to, self._between(0.15, 0.3))
        yield from self._wait(self._between(1.0, 2.5))

    def _leaves_bleed(self) -> Doing:
        """All but shut, and shut only when it is noticed."""
        crack = self._between(0.03, 0.08) * self._small_bleed
        yield from self._turn("bleed", crack, self._between(1.5, 4.0))
        self._besides.append(self._shuts_bleed_late())

    def _shuts_bleed_late(self) -> Doing:
        yield from self._wait(self._between(5.0, 20.0))
        yield from self._turn("bleed", 0.0, self._between(0.5, 1.0))

    def _over_adjusts(self, aim: float) -> Doing:
        """The screw turned in too far, seen on the display and put right."""
        yield from self._open_small_bleed(aim)
        yield from self._wait(self._between(1.5, 2.2))
        too_high = aim * (1.0 + self._between(0.08, 0.15))
        yield from self._screw_by(
            (too_high - self._read("outlet")) / self._manner.slope
        )
        yield from self._wait(self._between(1.5, 4.0))

    def _bumps_bleed(self) -> Doing:
        """A sleeve at the bleed valve in the midst of a hold."""
        yield from self._wait(self._between(8.0, 25.0))
        at = self._at["bleed"]
        yield from self._turn("bleed", at + 0.5 * self._small_bleed, 0.2)
        yield from self._wait(self._between(0.3, 1.0))
        yield from self._turn("bleed", at, 0.2)

    def _neighbour(self) -> Doing:
        """The next station draws on the shared supply: the inlet dips for a while."""
        yield from self._wait(self._between(8.0, 20.0))
        if self._at["vent_inlet"] > 0.0 or self._at["inlet"] < 1.0:
            return  # nothing of it reaches this station
        # who sees the inlet dip lets it come back before anything else is done
        yield from self._without_a_break(self._dip())

    def _dip(self) -> Doing:
        supply, low = self._at["supply_pa_gauge"], self._between(0.8, 0.92)
        low *= self._read("inlet")
        yield from self._turn("supply_pa_gauge", 0.0, 0.3)
        yield from self._turn("vent_inlet", 0.05, 0.3)
        yield from self._wait_for(lambda: self._read("inlet") <= low, 4.0)
        yield from self._turn("vent_inlet", 0.0, 0.3)
        yield from self._wait(self._between(1.0, 4.0))
        yield from self._turn("supply_pa_gauge", supply, self._between(0.5, 1.5))

    def _supply_lost(self) -> Doing:
        """The bottle is empty while gas flows; another one after a while."""
        yield from self._wait(self._between(1.0, 6.0))
        supply = self._at["supply_pa_gauge"]
        yield from self._turn("supply_pa_gauge", 0.0, 0.3)
        yield from self._wait(self._between(20.0, 60.0))
        at_it = self._doing is not None and self._doing_act in _OF_SUPPLY
        if at_it or self._at["supply_pa_gauge"] > 0.0 or self._at["vent_inlet"] > 0.0:
            return  # it is put right, or the gas comes off
        yield from self._turn("supply_pa_gauge", supply, self._between(1.5, 3.0))

    # --- acts -------------------------------------------------------------------------

    def _open_to_air(self, _: float) -> Doing:
        yield from self._turn("supply_pa_gauge", 0.0, self._between(0.8, 1.5))
        yield from self._turn("fill", 0.0, 0.5)
        yield from self._turn("bleed", 1.0, self._between(2.0, 3.0))
        yield from self._turn("vent_inlet", 1.0, self._between(2.5, 4.0))
        yield from self._turn("inlet", 0.0, self._between(0.8, 1.2))
        yield from self._turn("standard", 0.0, 0.5)

    def _fit(self, fixture: int) -> Doing:
        if not self._no_pressure():
            yield from self._open_to_air(math.nan)
            yield from self._wait_for(self._no_pressure, 60.0)
        yield from self._turn("screw_m", 0.0, self._screw_time(0.0))
        # Long enough for the gas to be as warm as the walls again.
        yield from self._wait(self._between(8.0, 12.0))
        self._put("fixture", float(fixture))
        yield from self._wait(self._between(1.0, 2.0))
        yield from self._turn("vent_inlet", 0.0, self._between(1.0, 2.0))
        yield from self._turn("bleed", 0.0, self._between(1.5, 3.0))

    def _screw_out(self, _: float) -> Doing:
        yield from self._turn("screw_m", 0.0, self._screw_time(0.0))

    def _bring_inlet(self, aim: float) -> Doing:
        if self._read("inlet") > 1.01 * aim:
            yield from self._without_a_break(self._lower_inlet(aim))
        yield from self._turn("vent_inlet", 0.0, self._between(0.8, 1.5))
        yield from self._turn("inlet", 1.0, self._between(0.8, 1.5))
        first = self._between(0.96, 0.985) * aim
        if self._at["supply_pa_gauge"] < first:
            rise = first - self._at["supply_pa_gauge"]
            pace = self._manner.supply_rise * self._between(1.0, 10.0 / 7.0)
            seconds = max(rise / pace, 1.5)
            yield from self._turn("supply_pa_gauge", first, seconds)
        for _ in range(15):
            yield from self._wait(self._between(1.0, 1.6))
            off = aim - self._read("inlet")
            if abs(off) < 0.004 * aim:
                # Gas just compressed or let down has not its last temperature yet.
                yield from self._wait(self._between(3.0, 5.0))
                if abs(aim - self._read("inlet")) < 0.006 * aim:
                    return
            elif off > 0.0:
                to = self._at["supply_pa_gauge"] + self._between(0.8, 0.95) * off
                to = min(to, _MOST_SUPPLY * aim)
                yield from self._turn("supply_pa_gauge", to, self._between(0.6, 1.0))
            elif off < -0.008 * aim:
                # The supply takes nothing back.
                yield from self._without_a_break(self._let_down(0.99 * aim))

    def _lower_inlet(self, aim: float) -> Doing:
        """Shut, let down through the vent, ready to open at the new supply pressure.

        Where gas is seen to flow it takes the inlet down by itself, and a shut inlet
        valve would starve the regulator.
        """
        if self._at["bleed"] > 0.0 and self._read("flow") > 0.0:
            fall = max(self._at["supply_pa_gauge"] - 0.99 * aim, 0.0)
            seconds = max(fall / (5.0 * self._manner.supply_rise), 1.5)
            yield from self._turn("supply_pa_gauge", 0.99 * aim, seconds)
            yield from self._wait_for(lambda: self._read("inlet") <= 1.01 * aim, 20.0)
            if self._read("inlet") <= 1.01 * aim:
                return
        low = 0.96 * aim
        yield from self._turn("inlet", 0.0, self._between(0.6, 1.0))
        yield from self._turn("supply_pa_gauge", low, self._between(1.0, 1.5))
        if self._read("inlet") > 3.0 * aim:
            # A long way: not by the crack that the last bit wants.
            yield from self._let_down(1.5 * aim, 0.3)
        for _ in range(6):
            yield from self._let_down(low)
            # Gas let down is cold, and its pressure comes up again as it warms.
            yield from self._wait(self._between(2.5, 3.5))
            if self._read("inlet") <= 0.985 * aim:
                break

    def _let_down(self, to: float, opening: float = 0.02) -> Doing:
        yield from self._turn("vent_inlet", opening, self._between(0.4, 0.6))
        yield from self._wait_for(lambda: self._read("inlet") <= to, 30.0)
        yield from self._turn("vent_inlet", 0.0, self._between(0.2, 0.4))

    def _fill_outlet(self, aim: float) -> Doing:
        yield from self._turn("bleed", 0.0, self._between(1.5, 3.0))
        for _ in range(8):
            yield from self._without_a_break(self._top_up(aim))
            yield from self._wait(self._between(3.0, 4.0))
            if not self._read("outlet") < 0.99 * aim:
                break

    def _top_up(self, aim: float) -> Doing:
        yield from self._turn("fill", 0.6, 0.4)
        yield from self._wait_for(lambda: self._read("outlet") >= 0.995 * aim, 60.0)
        yield from self._turn("fill", 0.0, self._between(0.2, 0.4))

    def _isolate_inlet(self, _: float) -> Doing:
        yield from self._turn("inlet", 0.0, self._between(0.8, 1.5))

    def _fit_as_received(self, _: float) -> Doing:
        """Fit it as it came: its screw stands where somebody left it."""
        yield from self._wait(self._between(8.0, 12.0))
        self._put("screw_m", self._manner.came_set_at * self._between(0.97, 1.02))
        self._put("fixture", float(REGULATOR))
        yield from self._wait(self._between(1.0, 2.0))
        yield from self._turn("vent_inlet", 0.0, self._between(1.0, 2.0))
        yield from self._turn("bleed", 0.0, self._between(1.5, 3.0))

    def _raise_outlet(self, aim: float) -> Doing:
        """Crack the limited source, and say so when the vent discharges."""
        yield from self._turn("bleed", 0.0, self._between(1.5, 3.0))
        low = self._read("outlet")
        yield from self._turn("fill", _CRACK * self._between(0.8, 1.2), 1.0)
        past: list[tuple[float, float]] = []
        while not self._discharges(past, low, aim):
            if self._read("outlet") >= 0.99 * aim:
                yield from self._turn("fill", 0.0, self._between(0.2, 0.4))
            yield
        yield from self._wait(self._between(0.3, 1.2))

    def _discharges(
        self, past: list[tuple[float, float]], low: float, aim: float
    ) -> bool:
        if self._vents is not None:
            return self._vents()
        past.append((self._t, self._read("outlet")))
        while past[0][0] < self._t - _STOOD_S:
            past.pop(0)
        readings = [y for _, y in past]
        stands = max(readings) - min(readings) < 2e-3 * aim
        return stands and self._t - past[0][0] > 0.9 * _STOOD_S and low < readings[-1]

    def _shut_source(self, _: float) -> Doing:
        """Shut the limited source, and say so when the vent has ceased."""
        yield from self._turn("fill", 0.0, self._between(0.3, 0.6))
        vents = self._vents
        if vents is None:
            yield from self._wait(self._between(2.0, 3.0))
        else:
            while vents():
                yield
        yield from self._wait(self._between(0.3, 1.2))

    def _let_down_outlet(self, aim: float) -> Doing:
        low = aim if math.isfinite(aim) else 0.5 * self._read("outlet")
        crack = 0.5 * self._small_bleed
        yield from self._turn("bleed", crack, self._between(0.6, 1.0))
        yield from self._wait_for(lambda: self._read("outlet") <= low, 30.0)
        yield from self._turn("bleed", 0.0, self._between(0.6, 1.0))
        yield from self._wait(self._between(2.0, 3.0))

    def _screw_time(self, to: float) -> float:
        return max(abs(to - self._at["screw_m"]) / self._between(0.7e-3, 1.0e-3), 0.3)

    def _screw_by(self, metres: float) -> Doing:
        to = min(max(self._at["screw_m"] + metres, 0.0), HIGHEST["screw_m"])
        yield from self._turn("screw_m", to, self._screw_time(to))

    def _set_outlet(self, aim: float) -> Doing:
        """Come up to the aim from below with a small flow; back off when above."""
        yield from self._open_small_bleed(aim)
        close = 0.002 * aim
        for _ in range(60):
            yield from self._wait(self._between(1.5, 2.2))
            off = aim - self._read("outlet")
            if abs(off) <= close:
                return
            if off < 0.0:
                yield from self._screw_by((off - 0.03 * aim) / self._manner.slope)
            else:
                # Boldly from afar, then carefully; sometimes a little too far.
                yield from self._screw_by(
                    self._between(0.8, 1.01) * off / self._manner.slope
                )

    def _open_small_bleed(self, aim: float) -> Doing:
        if abs(self._at["bleed"] - self._small_bleed) > 0.2 * self._small_bleed:
            yield from self._open_bleed(aim)

    def _set_flow(self, aim: float) -> Doing:
        """Turn the downstream valve until the meter says so."""
        if aim == 0.0:
            yield from self._turn("bleed", 0.0, self._between(1.5, 3.0))
            return
        for _ in range(60):
            yield from self._wait(self._between(1.5, 2.2))
            now, at = self._read("flow"), self._at["bleed"]
            if abs(aim - now) <= 0.01 * aim:
                return
            if at == 0.0 or now < 0.02 * aim:
                to = max(2.0 * at, 0.5 * self._small_bleed)
            else:
                share = min(max(aim / now, 0.5), 2.0)
                to = at * (1.0 + self._between(0.8, 1.0) * (share - 1.0))
            yield from self._turn("bleed", min(to, 1.0), self._between(0.6, 1.2))

    def _add_gas(self, aim: float) -> Doing:
        """One stroke of the syringe; as a leak, that leak for its time."""
        seconds, volume = self._between(0.6, 1.0), aim
        if self._lasting_s:
            seconds = self._lasting_s
            volume = aim * seconds / STANDARD_PRESSURE_PA
        share = volume / SYRINGE_M3
        if self._at["syringe"] + share > 1.0:
            yield from self._turn("syringe", 0.0, self._between(1.0, 1.5))
        to = self._at["syringe"] + share
        yield from self._without_a_break(self._turn("syringe", to, seconds))

    def _open_leak(self, _: float) -> Doing:
        yield from self._turn("standard", 1.0, self._between(0.4, 0.8))

    def _lock_nut(self, _: float) -> Doing:
        yield from self._wait(self._between(2.0, 3.0))
        self._nudge_screw(1.5e-6 * self._between(-1.0, 1.0))
        yield from self._wait(self._between(0.5, 1.0))

    def _exercise(self, _: float) -> Doing:
        for _cycle in range(self._repeats):
            yield from self._without_a_break(self._cycle())
            yield from self._wait(self._between(1.5, 2.5))

    def _cycle(self) -> Doing:
        yield from self._turn("bleed", 1.0, self._between(0.6, 0.9))
        yield from self._wait(self._between(0.8, 1.2))
        yield from self._turn("bleed", 0.0, self._between(1.0, 1.5))

    def _open_bleed(self, _: float) -> Doing:
        yield from self._turn(
            "bleed",
            self._small_bleed * self._between(0.97, 1.03),
            self._between(0.8, 1.2),
        )

    def _close_bleed(self, _: float) -> Doing:
        yield from self._turn("bleed", 0.0, self._between(1.5, 4.0))

    def _hands_off(self, _: float) -> Doing:
        yield

    def _look(self, _: float) -> Doing:
        """Look as long as is asked, then say what there was."""
        yield from self._wait(max(self._lasting_s, self._between(3.0, 6.0)))
        asked = self._question
        if asked is None:
            return
        if asked.resolution is not None:
            role = "inlet" if asked.look == "gauge_error_inlet" else "outlet"
            step = asked.resolution.value_si
            self._answer = f"{round(self._read(role) / step) * step:.9g} Pa gauge"
        else:
            seen = 0
            if self._counts is not None:
                seen = self._counts(asked.look, self._lasting_s)
            self._answer = str(seen)

    def _vent_down(self, _: float) -> Doing:
        """Supply shut, outlet opened with the regulator open, screw out at zero."""
        before = {role: abs(self._read(role)) for role in ("inlet", "outlet")}
        floors = (self._manner.inlet_empty, self._manner.outlet_empty)

        def empty() -> bool:
            return self._no_pressure() and all(
                abs(self._read(role)) <= max(0.01 * was, floor)
                for (role, was), floor in zip(before.items(), floors, strict=True)
            )

        yield from self._turn("supply_pa_gauge", 0.0, self._between(0.8, 1.5))
        yield from self._turn("fill", 0.0, 0.5)
        yield from self._turn("inlet", 1.0, self._between(0.8, 1.5))
        yield from self._turn("bleed", 1.0, self._between(3.0, 5.0))
        if self._at["fixture"] == BLANK:  # nothing goes from the inlet to the outlet
            yield from self._turn("vent_inlet", 1.0, self._between(2.5, 4.0))
        # Not at the first zero: gas that came down fast is cold and comes up again.
        yield from self._wait_for(empty, 120.0)
        yield from self._wait(self._between(8.0, 10.0))
        yield from self._turn("screw_m", 0.0, self._screw_time(0.0))
        while not empty():
            yield

    def _disconnect(self, _: float) -> Doing:
        yield from self._turn("vent_inlet", 1.0, self._between(1.5, 2.5))
        while not self._no_pressure():
            yield
        yield from self._wait(self._between(4.0, 6.0))
        self._put("fixture", float(OPEN))
        yield from self._wait(self._between(0.5, 1.0))
