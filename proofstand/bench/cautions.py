"""Which cautions a test wants read, and whether they were read for it.

They are read by name once a shift, and again at each change of gas, of pressure class
or of rig: going back is a change too, so only the latest reading of a person counts.
"""

from __future__ import annotations

from dataclasses import dataclass

from records.errors import RefusedError
from records.gas.names import AIR, FLAMMABLE, INERT, TOXIC, gas_named, is_oxidiser
from records.jobcard import JobCard
from records.plan import Plan
from records.rig import Rig
from records.shift import CautionsRead

from .shift import test_pressures

# Up to here vessels lie outside ASME BPVC VIII-1 (15 psi, U-1(c)(2)(h), from memory);
# from the other on what escapes can't be stood beside, and gas is no ideal one.
LOW_PA = 103_422.0  # 15 psi gauge
HIGH_PA = 20e5
CLASSES = ("low pressure", "up to 20 bar", "above 20 bar")


@dataclass(frozen=True, slots=True)
class Cautions:
    """What there is to be careful of in one test.

    Attributes:
        gases: the kinds of gas at hand, as ``oxygen``. pressure: one of ``CLASSES``.
        ids: of the sentences to show, most grave first.
    """

    gases: tuple[str, ...]
    pressure: str
    ids: tuple[str, ...]


def pressure_class(inlet_pa: float) -> str:
    """Return the class of a highest test pressure, Pa gauge."""
    if inlet_pa <= LOW_PA * (1.0 + 1e-6):
        return CLASSES[0]
    return CLASSES[1] if inlet_pa <= HIGH_PA else CLASSES[2]


def gas_kind(gas: str) -> str:
    """Return what there is to be careful of in a gas."""
    name = gas_named(gas)
    if is_oxidiser(name):
        return "oxygen"
    if name in FLAMMABLE:
        return "fuel"
    if name in INERT:
        return "inert"
    return "air" if name == AIR else "unknown"


def cautions_for(job: JobCard, plan: Plan) -> Cautions:
    """Return the cautions of a test, by its test gas, service gas and pressure.

    The service gas counts too: an oxygen regulator ignites whatever it is tested with
    when oil gets in, and of a fuel something may be left.

    Raises:
        RefusedError: ``gas_toxic``.
    """
    gases = [job.test_gas or plan.test_gas, job.regulator.gas]
    for gas in gases:
        if gas_named(gas) in TOXIC:
            raise RefusedError("gas_toxic", where=job.id, gas=gas)
    test = gas_kind(gases[0])
    kinds = [test]
    service = "oxygen" if job.regulator.oxidising else gas_kind(gases[1])
    if service in ("oxygen", "fuel") and service != test:
        kinds.append(service)
    inlet, outlet = test_pressures(plan)
    asked = [q.value_si for q in (inlet, outlet) if q is not None]
    pressure = pressure_class(max(asked, default=0.0))
    words = {"oxygen": 0, "fuel": 1, "unknown": 2, "inert": 3, "air": 4}
    ordered = tuple(sorted(kinds, key=words.__getitem__))
    shown = [f"gas_{kind}" for kind in ordered if kind != AIR]
    shown.append(f"pressure_{CLASSES.index(pressure)}")
    return Cautions(ordered, pressure, (*shown, "hose_bursts", "local_codes"))


def were_read(
    latest: CautionsRead | None,
    wanted: Cautions,
    *,
    rig: Rig,
    shift: str,
    now_ns: int,
) -> bool:
    """Tell whether a person's latest reading of cautions holds for a test.

    Args:
        latest: of this person, on whatever rig.
        wanted: of the test.
        rig: as its station sees it.
        shift: id of the check that the test relies on; "" where none is wanted, and
            then the rig's hours count from the reading.
        now_ns: UTC.
    """
    if latest is None:
        return False
    station = rig.stations[0].id if rig.stations else ""
    old_ns = now_ns - latest.utc_ns
    in_time = shift != "" or 0 <= old_ns <= rig.shift.hours * 3600e9
    return in_time and (
        latest.shift,
        latest.rig,
        latest.station,
        latest.gases,
        latest.pressure,
    ) == (shift, rig.id, station, wanted.gases, wanted.pressure)
