"""Where everything stands in the simulated rig's registers.

Input registers (function 4) hold the clock and the readings, holding registers the
valves. Registers between them read zero.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from records.measure import STD_CM3_MIN, unit_of
from records.rig import ByteOrder, RegisterType
from rig.wire.registers import encode

from .families import SECOND_STAGE, Family
from .rigbody import HIGHEST, VALVE_NAMES
from .transducers import AMBIENT, GAS_TEMPERATURE, Make, flow_make, pressure_make

DEVICE = 1
CLOCK_ADDRESS = 0  # uint64 of microseconds
VALVE_ADDRESS = 100  # one float32 for each valve, in the order of its names
VALVE_COUNT = 2 * len(VALVE_NAMES)
TICK_S = 1e-6
_VENT_SPAN = 200.0 * STD_CM3_MIN


@dataclass(frozen=True, slots=True, kw_only=True)
class Wired:
    """How a transducer's reading stands in registers.

    Attributes:
        make: the transducer. address: first register. type, order: of the number.
        unit: of the scaled number. reference: of a pressure, or "".
        scale: reading in ``unit`` = number times scale.
    """

    make: Make
    address: int
    type: RegisterType
    order: ByteOrder
    unit: str
    reference: str
    scale: float = 1.0

    def words(self, reading_si: float) -> tuple[int, ...]:
        """Return the registers that hold a reading given in SI."""
        unit = unit_of(self.unit)
        number = (reading_si - unit.offset) / unit.factor / self.scale
        return encode(number, self.type, self.order)


def wired_for(
    family: Family, flow_meter: bool = False, vent_meter: bool = False
) -> tuple[Wired, ...]:
    """Return the transducers of the rig that a family is tested on.

    Args:
        family: see :class:`~.families.Family`.
        flow_meter: one stands behind the downstream valve.
        vent_meter: one stands at the bonnet's open vent and hinders nothing.
    """
    outlet = pressure_make("outlet", family.outlet_span)
    inlet = pressure_make("inlet", family.inlet_span)
    found = [
        Wired(
            make=outlet,
            address=10,
            type="int32",
            order="ABCD",
            unit="Pa",
            reference="gauge",
            scale=outlet.resolution,
        ),
        Wired(
            make=inlet,
            address=12,
            type="float32",
            order="CDAB",
            unit="kPa",
            reference="gauge",
        ),
        Wired(
            make=AMBIENT,
            address=14,
            type="float32",
            order="ABCD",
            unit="kPa",
            reference="absolute",
        ),
        Wired(
            make=GAS_TEMPERATURE,
            address=16,
            type="int32",
            order="ABCD",
            unit="°C",
            reference="",
            scale=0.001,
        ),
    ]
    if family.regulator.first is not None:
        found.append(
            Wired(
                make=pressure_make("interstage", family.interstage_span),
                address=18,
                type="float32",
                order="ABCD",
                unit="kPa",
                reference="gauge",
            )
        )
    if flow_meter:
        found.append(
            Wired(
                make=flow_make(family.flow_span),
                address=20,
                type="float32",
                order="ABCD",
                unit="std L/min",
                reference="",
            )
        )
    if vent_meter:
        found.append(
            Wired(
                make=flow_make(_VENT_SPAN, "vent_flow"),
                address=22,
                type="float32",
                order="ABCD",
                unit="std cm3/min",
                reference="",
            )
        )
    return tuple(found)


def input_count(wired: Sequence[Wired]) -> int:
    """Return how many input registers hold clock and readings."""
    return max(w.address for w in wired) + 2


WIRED = wired_for(SECOND_STAGE)
INPUT_COUNT = input_count(WIRED)


def highest_for(family: Family) -> dict[str, float]:
    """Return how far each valve of a family's rig can be turned."""
    supply = max(HIGHEST["supply_pa_gauge"], 1.4 * family.inlet_gauge)
    return {**HIGHEST, "supply_pa_gauge": supply}


def valve_address(name: str) -> int:
    """Return the first of the two registers of a valve."""
    return VALVE_ADDRESS + 2 * VALVE_NAMES.index(name)


def valve_words(position: float) -> tuple[int, ...]:
    """Return the registers that hold a valve's position."""
    return encode(position, "float32", "ABCD")
