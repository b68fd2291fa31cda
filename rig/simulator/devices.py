"""The simulated rig as a device: gas, transducers, clock and valves in registers."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from records.errors import RigError
from records.measure import STANDARD_TEMPERATURE_K, STD_CM3_MIN
from records.rig import RegisterTable
from rig.wire.registers import decode, encode, named

from .doors import Door, Served
from .families import SECOND_STAGE, Family, drawn_regulator, drawn_rigbody
from .faults import healthy, with_faults
from .history import EVERY_S, History
from .live import LiveRig
from .noise import stream
from .plant import STEP_S, Plant
from .registermap import (
    CLOCK_ADDRESS,
    DEVICE,
    TICK_S,
    VALVE_ADDRESS,
    VALVE_COUNT,
    highest_for,
    input_count,
    valve_address,
    valve_words,
    wired_for,
)
from .rigbody import REGULATOR, VALVE_NAMES, Valves, drawn_surroundings
from .transducers import SAMPLE_S, SOUND, Transducer
from .truth import truth_of
from .wirefaults import Timetable, WireFault

_ROW = round(EVERY_S / SAMPLE_S)  # samples between two rows of the history
# A watchful eye sees so little with leak solution, std cm3/min; common practice.
_SOLUTION_SHOWS = 0.05
_BUBBLE_CM3 = 0.05  # of one bubble at a narrow tube
_VENT_SHOWS = 3.0  # std cm3/min, a steady stream at a tube and no more single bubbles
_INTERSTAGE = 4  # among the transducers, where there are two stages
_HAND_S = 0.05  # a valve follows what is written with this time constant


class SimulatedRig:
    """One simulated rig with one regulator; time moves only by ``advance_to``.

    Args:
        seed: what regulator, rig, day and noise are drawn from.
        faults: severity 0 to 1 by id. step_s: of the gas, a whole part of 10 ms.
        family: of the regulator; the rig is the one for it.
        flow_meter: the rig has one behind its downstream valve.
        vent_meter: it has one at the bonnet's vent.

    Raises:
        InputError: ``fault_unknown``, ``fault_severity`` or ``fault_not_fitted``.
    """

    def __init__(
        self,
        seed: int,
        faults: Mapping[str, float] | None = None,
        step_s: float = STEP_S,
        family: Family = SECOND_STAGE,
        *,
        flow_meter: bool = False,
        vent_meter: bool = False,
        standard_leak: float = 0.0,
    ) -> None:
        self.seed = seed
        self.faults = dict(faults or {})
        self.family = family
        subject = with_faults(
            healthy(
                family,
                drawn_regulator(stream(seed, 0), family),
                drawn_rigbody(stream(seed, 1), family),
            ),
            self.faults,
        )
        self.standard_leak = standard_leak
        rig = replace(
            subject.rig,
            standard_leak=standard_leak,
            standard_pa=family.standard_gauge,
        )
        surroundings = drawn_surroundings(stream(seed, 2))
        self.plant = Plant(subject.regulator, rig, surroundings, step_s)
        self.flow_meter = flow_meter
        self.vent_meter = vent_meter
        self.wired = wired_for(family, flow_meter, vent_meter)
        self.input_count = input_count(self.wired)
        self._highest = highest_for(family)
        self._steps = round(SAMPLE_S / step_s)
        if not math.isclose(self._steps * step_s, SAMPLE_S):
            raise ValueError(f"{step_s} s is no whole part of {SAMPLE_S} s")
        self._sample = 0
        self._transducers = tuple(
            Transducer(
                wired.make,
                seed,
                i,
                value,
                subject.ailments.get(wired.make.role, SOUND),
            )
            for i, (wired, value) in enumerate(
                zip(self.wired, self._exposed(), strict=True)
            )
        )
        self._aim = self.plant.valves
        self._share = 1.0 - math.exp(-SAMPLE_S / _HAND_S)
        self._snapshot: tuple[int, tuple[int, ...]] = (-1, ())
        self._clock_zero_s = 0.0
        self._history: History | None = None

    def keep_history(self) -> History:
        """Take note of what is true from now on; return where."""
        two = self.family.regulator.first is not None
        self._history = History(self.plant.gas.gas_constant, two_stages=two)
        return self._history

    @property
    def t_s(self) -> float:
        """Rig time: that of the latest sample, seconds since the start."""
        return self._sample * SAMPLE_S

    @property
    def valves(self) -> Valves:
        """Where the valves are moving to."""
        return self._aim

    def advance_to(self, t_s: float) -> None:
        """Let rig time go on to the last sample at or before a time.

        Raises:
            RuntimeError: the gas has no solution; a fault of ours.
        """
        until = math.floor(t_s / SAMPLE_S + 1e-6)
        while self._sample < until:
            if self.plant.valves != self._aim:
                self.plant.valves = self.plant.valves.toward(self._aim, self._share)
            self.plant.advance(self._steps)
            self._sample += 1
            room_k = self.plant.room_k
            for transducer, value in zip(
                self._transducers, self._exposed(), strict=True
            ):
                transducer.follow(value, room_k)
            if self._history is not None and self._sample % _ROW == 0:
                self._note(self._history)
        if self.plant.failed_parts:
            raise RuntimeError(f"the simulated gas has no solution at {self.t_s:g} s")

    def restart_clock(self) -> None:
        """Let the clock register begin at zero, as after a reboot of the device."""
        self._clock_zero_s = self.t_s
        self._snapshot = (-1, ())

    def read(self, table: RegisterTable, address: int, count: int) -> tuple[int, ...]:
        """Return registers; all input registers belong to one sample.

        Raises:
            LookupError: a register that does not exist.
        """
        bank, start = (
            (self._inputs(), 0)
            if table == "input"
            else (self._positions(), VALVE_ADDRESS)
        )
        first = address - start
        if count < 1 or first < 0 or first + count > len(bank):
            raise LookupError(f"{table} registers {address} to {address + count - 1}")
        return bank[first : first + count]

    def write(self, address: int, words: Sequence[int]) -> None:
        """Move valves: whole positions only.

        Raises:
            LookupError: no such valve. ValueError: a position that can't be.
        """
        first = address - VALVE_ADDRESS
        if first < 0 or first % 2 or len(words) % 2 or first + len(words) > VALVE_COUNT:
            raise LookupError(f"holding registers {address} and {len(words)} words")
        positions = {name: getattr(self._aim, name) for name in VALVE_NAMES}
        for i in range(0, len(words), 2):
            name = VALVE_NAMES[(first + i) // 2]
            position = float(decode(words[i : i + 2], "float32", "ABCD"))
            whole = name != "fixture" or position.is_integer()
            if not (whole and 0.0 <= position <= self._highest[name]):
                raise ValueError(f"{name} can't be moved to {position}")
            positions[name] = position
        self._aim = Valves(**positions)

    def move(self, positions: Mapping[str, float]) -> None:
        """Move valves by name, through the same registers as from outside."""
        for name, position in positions.items():
            self.write(valve_address(name), valve_words(position))

    def counted(self, look: str, seconds: float) -> int:
        """Return what a person would count on the regulator: bubbles, or places.

        Leak solution shows every place by itself; a tube stands on the bonnet's vent.
        Nothing of the simulated gas can be heard.
        """
        r = self.plant.regulator
        if round(self.plant.valves.fixture) != REGULATOR:
            return 0
        vent = r.diaphragm + r.relief_seat + r.tear
        if look == "solution_leak":
            joints = (r.fitting, r.bonnet_joint, r.back_cap, r.body_joint)
            places = (*joints, r.first_leak, vent)
            return sum(leak > _SOLUTION_SHOWS for leak in places)
        if look == "bubble_count":
            return int(vent * seconds / 60.0 / _BUBBLE_CM3)
        return 0

    def vents(self) -> bool:
        """Tell whether a person would see the vent discharge.

        What the diaphragm pushes out as it moves is none, and people know it.
        """
        p = self.plant
        passed = p.into_bonnet * p.gas.gas_constant * STANDARD_TEMPERATURE_K
        return passed > _VENT_SHOWS * STD_CM3_MIN

    def truth(self) -> dict[str, Any]:
        """Return the true parameters; see :func:`~.truth.truth_of`."""
        plant = self.plant
        return truth_of(
            self.seed,
            self.faults,
            self.family,
            plant.regulator,
            plant.rig,
            plant.surroundings,
            self._transducers,
        )

    def _exposed(self) -> tuple[float, ...]:
        p = self.plant
        found = [p.outlet_gauge, p.inlet_gauge, p.air_pa, p.outlet_k]
        if self.family.regulator.first is not None:
            found.append(p.interstage_gauge)
        if self.flow_meter:
            found.append(p.metered_flow * p.gas.gas_constant * STANDARD_TEMPERATURE_K)
        if self.vent_meter:
            found.append(p.vent_flow * p.gas.gas_constant * STANDARD_TEMPERATURE_K)
        return tuple(found)

    def _note(self, history: History) -> None:
        p, t_s = self.plant, self.t_s
        outlet, inlet = self._transducers[:2]
        between: dict[str, float] = {}
        if history.two_stages:
            between = {
                "interstage": p.interstage_gauge,
                "interstage_pa": p.interstage_pa,
                "interstage_k": p.interstage_k,
                "past_first_seat": p.past_first_seat_flow,
                "interstage_lost": p.interstage_lost,
                "interstage_error": self._transducers[_INTERSTAGE].error(t_s),
            }
        history.note(
            t_s=t_s,
            outlet=p.outlet_gauge,
            inlet=p.inlet_gauge,
            outlet_pa=p.outlet_pa,
            outlet_k=p.outlet_k,
            air_pa=p.air_pa,
            bleed=p.valves.bleed,
            past_seat=p.past_seat_flow,
            through_seat=p.seat_flow,
            outlet_lost=p.bleed_flow,
            inlet_lost=p.inlet_lost,
            outlet_error=outlet.error(t_s),
            inlet_error=inlet.error(t_s),
            relieved=p.relief_flow,
            relief_opens=p.relief_opens,
            relief_shuts=p.relief_shuts,
            **between,
        )

    def _inputs(self) -> tuple[int, ...]:
        if self._snapshot[0] != self._sample:
            words = [0] * self.input_count
            clock = encode(
                round((self.t_s - self._clock_zero_s) / TICK_S), "uint64", "ABCD"
            )
            words[CLOCK_ADDRESS : CLOCK_ADDRESS + 4] = clock
            for wired, transducer in zip(self.wired, self._transducers, strict=True):
                found = wired.words(transducer.reading(self._sample))
                words[wired.address : wired.address + len(found)] = found
            self._snapshot = (self._sample, tuple(words))
        return self._snapshot[1]

    def _positions(self) -> tuple[int, ...]:
        return tuple(
            word
            for name in VALVE_NAMES
            for word in valve_words(getattr(self._aim, name))
        )


class InProcessLink:
    """A link to a simulated rig in this process; whoever holds it moves its time."""

    def __init__(self, rig: SimulatedRig) -> None:
        self._rig = rig

    def read(
        self, table: RegisterTable, address: int, count: int, device: int
    ) -> tuple[int, ...]:
        """Return registers of the present sample.

        Raises:
            RigError: ``instrument_refused``, as the served rig would.
        """
        code = 11 if device != DEVICE else 2
        try:
            if device != DEVICE:
                raise LookupError(f"device {device}")
            return self._rig.read(table, address, count)
        except LookupError as error:
            raise RigError(
                "instrument_refused",
                where="simulated rig",
                instrument="simulated rig",
                at="in process",
                host="in process",
                port=0,
                code=code,
                device=device,
                address=address,
                table=table,
                registers=named(address, count),
                channels="simulated rig",
                waited_s="0.0",
            ) from error

    def close(self) -> None:
        """Nothing to hang up."""


class ServedRig:
    """A simulated rig behind a real port of this computer.

    Rig time runs from the first request on, ``multiple`` times as fast as the wall
    clock, or slower where the computer or the reader can't keep up; the clock register
    tells.

    Args:
        rig: what is served. host, port: where; 0 takes any free port.
        multiple: see above. clock: the wall clock, monotonic seconds.
        door: how it is served, instead of host and port.
        wire_faults: what befalls its answers.

    Raises:
        InputError: ``rig_not_loopback``. RigError: ``port_in_use``.
    """

    def __init__(
        self,
        rig: SimulatedRig,
        host: str = "127.0.0.1",
        port: int = 0,
        multiple: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
        *,
        door: Door | None = None,
        wire_faults: Sequence[WireFault] = (),
    ) -> None:
        self.rig = rig
        self.multiple = multiple
        self.door = door or Door(host=host, port=port)
        self.timetable = Timetable(wire_faults, rig.seed)
        self._live = LiveRig(rig, multiple, clock, self.timetable)
        self._served = Served(self.door, self._live, self.timetable)
        self.host = self._served.host
        self.port = self._served.port
        self.serial = self._served.serial
        self.hands_port = self._served.hands_port

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until the server has stopped; return whether it has.

        Raises:
            RigError: ``simulated_rig_stopped``: it failed.
        """
        stopped = self._served.wait(timeout_s)
        if stopped and self._served.failed is not None:
            raise RigError(
                "simulated_rig_stopped",
                where=self.serial or f"{self.host}:{self.port}",
                why=self._served.failed,
            )
        return stopped

    def close(self) -> None:
        """Stop serving."""
        self._served.close()

    def __enter__(self) -> ServedRig:
        """Serve until the block ends."""
        return self

    def __exit__(self, *_: object) -> None:
        """Stop serving."""
        self.close()
