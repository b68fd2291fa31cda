"""The rig: stations, channels, instruments, traits; as its file declares them."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any, ClassVar, Literal, get_args

from .calibration import Calibration
from .errors import InputError
from .measure import Quantity, Reference, Unit, unit_of

FORMAT = "proofstand.rig/1"
RegisterType = Literal[
    "int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"
]
ByteOrder = Literal["ABCD", "CDAB", "BADC", "DCBA"]
RegisterTable = Literal["holding", "input"]
WireProtocol = Literal[
    "modbus-tcp",
    "modbus-rtu",
    "modbus-rtu-tcp",
    "ascii-polled",
    "ascii-stream",
    "replay",
    "driver",
    "log",
]
# What can be read live; an imported logger file is no device.
LIVE_PROTOCOLS: tuple[str, ...] = tuple(
    protocol for protocol in get_args(WireProtocol) if protocol != "log"
)
LAST_REGISTER = 65_535
PATIENCE_S = 15.0
REGISTERS_OF: dict[str, int] = {
    "int16": 1,
    "uint16": 1,
    "int32": 2,
    "uint32": 2,
    "float32": 2,
    "int64": 4,
    "uint64": 4,
    "float64": 4,
}
PRESSURE_ROLES = ("inlet", "outlet", "interstage", "bonnet")
NAME_RULE = "letters, digits, hyphens and underscores, at most 40"
SensorKind = Literal["gauge", "sealed gauge", "absolute", "difference"]
ROLES = (
    "inlet",
    "outlet",
    "interstage",
    "ambient",
    "flow",
    "gas_temperature",
    "bonnet",
    "vent_flow",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Register:
    """Where a value stands in a Modbus device.

    Attributes:
        address: first register, counted from 0 as on the wire.
        table: ``holding`` (function 3) or ``input`` (function 4).
        type: how the words make a number. order: order of words and bytes.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    address: int
    table: RegisterTable = "input"
    type: RegisterType = "float32"
    order: ByteOrder = "ABCD"

    @property
    def count(self) -> int:
        """Number of registers the value takes."""
        return REGISTERS_OF[self.type]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockRegister:
    """The instrument's own clock, read in the same reply as the values.

    Attributes:
        address, table, type, order: where it stands in a Modbus device.
        tick: time of one count.
        field: the group of the pattern that holds it, in a line of text.
        wraps: number of counts after which it begins at zero again; 0 for the size of
            its type, or never.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    address: int | None = None
    table: RegisterTable = "input"
    type: RegisterType = "uint64"
    order: ByteOrder = "ABCD"
    tick: Quantity
    field: str = ""
    wraps: int = 0

    @property
    def register(self) -> Register:
        """The clock as a register to read.

        Raises:
            ValueError: it is a field of a line.
        """
        if self.address is None:
            raise ValueError("the clock stands in no register")
        return Register(
            address=self.address, table=self.table, type=self.type, order=self.order
        )

    @property
    def wraps_ns(self) -> float:
        """Length of one turn, nanoseconds; 0 for a clock that never starts again."""
        turn = self.wraps or (2**32 if self.type == "uint32" else 0)
        return turn * self.tick.value_si * 1e9


USB_PORT = re.compile(r"usb:([0-9a-fA-F]{4}):([0-9a-fA-F]{4})(?::(.+))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialLine:
    """The serial port that an instrument hangs on; several may share one.

    Attributes:
        port: its name (``/dev/ttyUSB0``, ``COM3``), the identity of its USB adapter
            (``usb:VID:PID`` or ``usb:VID:PID:SERIAL``, hexadecimal), or
            ``socket://HOST:PORT`` or ``rfc2217://HOST:PORT``.
        baud: bits a second. frame: data bits, parity (N, E, O), stop bits.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    port: str
    baud: int
    frame: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """What an instrument that speaks in lines of text says.

    Attributes:
        send: what asks for one line; "" for one that talks by itself.
        pattern: regular expression that a whole line must fit; its named groups are
            the fields of channels, status and clock. Groups ``checked`` and ``check``:
            the exclusive or of the bytes of the first must be the second,
            hexadecimal (the form of NMEA 0183).
        end: what ends a line.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    pattern: str
    send: str = ""
    end: str = "\n"


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredRun:
    """A recorded instrument that is played again.

    Attributes:
        run: the run file, relative to the rig file. instrument: id in that run.
        part: the part of it.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    run: str
    instrument: str
    part: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """A device on a wire that answers with one or more channels.

    Attributes:
        id: name used by the channels. protocol: how it is spoken to; ``log`` is a
            logger file that was imported, not a device.
        host, port: where it answers on the network.
        device: its number on the bus.
        serial: its serial port. lines: what it says, of one that speaks in lines.
        stored: the record to play, of a replay.
        driver: name of an installed driver. options: what that one is told.
        period: time asked for between readings. timeout: longest wait for an answer.
        patience: how long it may fail before it counts as lost.
        clock: its own clock, or None when the host's clock stamps the samples.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    id: str
    protocol: WireProtocol
    host: str = ""
    port: int = 502
    device: int = 1
    serial: SerialLine | None = None
    lines: Lines | None = None
    stored: StoredRun | None = None
    driver: str = ""
    options: dict[str, str | int | float | bool] = field(default_factory=dict)
    period: Quantity
    timeout: Quantity
    patience: Quantity | None = None
    clock: ClockRegister | None = None

    @property
    def patience_s(self) -> float:
        """How long it may fail before it counts as lost, seconds."""
        return PATIENCE_S if self.patience is None else self.patience.value_si

    @property
    def address(self) -> str:
        """Where it answers, as a person would look for it."""
        if self.serial is not None:
            return self.serial.port
        if self.stored is not None:
            return self.stored.run
        return f"{self.host} port {self.port}" if self.host else self.driver


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """What an instrument says of a reading's soundness.

    Attributes:
        register: where its bits stand in a Modbus device.
        bad: bits of which none may be set. good: bits that must all be set.
        field: the group of the pattern that holds it, in a line of text.
        accepts: the texts of that field that mean sound.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    register: Register | None = None
    bad: int = 0
    good: int = 0
    field: str = ""
    accepts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentLoop:
    """A 4 to 20 mA transmitter: what the ends of the live-zero signal mean.

    Attributes:
        low: reading at 4 mA. high: reading at 20 mA.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    low: Quantity
    high: Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One transducer as the rig declares it.

    Attributes:
        id: its name everywhere. role: what it is for, see ``ROLES``.
        station: the station it serves, or ``stations``: those that share it.
        kind: how a pressure transducer is built; None: as the unit's reference says.
        sealed_at: pressure inside a sealed gauge, absolute.
        isolating_valve: the transducer can be shut off by hand. A shut one reads what
            it has trapped, and the program can't see it; the overload counts all the
            same.
        unit: unit and reference of the scaled reading, as ``"kPa gauge"``.
        span: lowest and highest reading that counts as measured.
        overload: pressure that damages the transducer.
        register, field: where its raw number stands, in a Modbus device or a line.
        status: what the instrument says of its soundness.
        loop: the transmitter's range, where raw times scale plus offset is a current
            in milliampere.
        scale, offset: reading in ``unit`` (with ``loop``, in mA) = raw times scale
            plus offset.
        resolution: smallest step of the reading.
        calibration: the record in force, or None.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    id: str
    role: str
    instrument: str
    unit: str
    station: str = ""
    stations: tuple[str, ...] = ()
    kind: SensorKind | None = None
    sealed_at: Quantity | None = None
    isolating_valve: bool = False
    span: tuple[Quantity, Quantity]
    resolution: Quantity
    overload: Quantity | None = None
    register: Register | None = None
    column: int | None = None
    field: str = ""
    status: Status | None = None
    loop: CurrentLoop | None = None
    scale: float = 1.0
    offset: float = 0.0
    calibration: Calibration | None = None

    @property
    def reads(self) -> str:
        """How a raw number becomes a reading, in one line; a calibration is of that."""
        made = f"{self.scale!r} × raw + {self.offset!r}"
        if self.loop is not None:
            made += f" mA, {self.loop.low.typed} to {self.loop.high.typed}"
        return f"{made} in {' '.join(self.unit.split())}"

    @property
    def serves(self) -> tuple[str, ...]:
        """The stations whose regulator it reads."""
        return self.stations or ((self.station,) if self.station else ())

    @property
    def sensor(self) -> str:
        """How a pressure transducer is built, ``"none"`` for another channel."""
        return self.kind or self.reference.value

    @property
    def zero_at_vent(self) -> bool:
        """Open to air it reads zero, whatever the barometer says."""
        return self.reference is Reference.GAUGE and self.kind != "sealed gauge"

    @property
    def reference(self) -> Reference:
        """Gauge, absolute, difference, or none for other kinds."""
        return _split(self.unit)[1]

    @property
    def measure_unit(self) -> Unit:
        """The unit of the scaled reading."""
        return unit_of(_split(self.unit)[0], self.id)


def is_name(text: str) -> bool:
    """Tell whether a text can name a station, instrument, channel or step."""
    return re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}", text) is not None


@cache
def _split(text: str) -> tuple[str, Reference]:
    """Return a unit's name and its reference."""
    for reference in (Reference.GAUGE, Reference.ABSOLUTE, Reference.DIFFERENCE):
        if text.endswith(reference.value):
            return text.removesuffix(reference.value).strip(), reference
    return text.strip(), Reference.NONE


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """A trapped volume of the rig.

    Attributes:
        volume: the rigid volume. u: its standard uncertainty.
        allowance: how much more may act, one-sided, because hoses and diaphragm give;
            stands in for a measured effective volume.
        blanked: the same with the connections blanked, where only hoses give; None: as
            ``allowance``. A reference leak is read with it.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    volume: Quantity
    u: Quantity
    allowance: Quantity
    blanked: Quantity | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Traits:
    """What is known of the rig's behaviour.

    Attributes:
        tau_max: longest time constant with which trapped gas settles in temperature.
        tail_amplitude: largest settling of gas temperature that is plausible at the
            start of a hold, one standard deviation, kelvin.
        temperature_drift: how fast gas temperature may move unseen, one standard
            deviation, kelvin per hour.
        volumes: trapped volumes by role of their channel.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    tau_max: Quantity
    tail_amplitude: Quantity
    temperature_drift_k_per_h: float = 0.5
    volumes: dict[str, Volume] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Orifice:
    """A calibrated orifice that a regulator's flow is let out to the air through.

    Attributes:
        id: stamped on it. conductance: sonic conductance for air, ISO 6358. u: its
            standard uncertainty, relative.
        critical_ratio: back-pressure over pressure before it, absolute, up to which
            its flow is choked. record: its calibration record.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    id: str
    conductance: Quantity
    u: Quantity
    critical_ratio: float
    record: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """A set of channels for one regulator.

    Attributes:
        relief: setting of the rig's relief valve by role of the side it protects.
        traits: what is known of this station's behaviour; None: as the rig's.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    id: str
    relief: dict[str, Quantity] = field(default_factory=dict)
    traits: Traits | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Clean:
    """The declared state of a rig that is clean enough for oxygen.

    Attributes:
        date: when it was cleaned or found clean. until: last day on which that holds.
        by: who said so. how: what was done. ends: what ends it before that day.
        gas: grade of the bench gas, and filter, that keep it so.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    date: datetime.date
    until: datetime.date
    by: str
    how: str
    ends: str = ""
    gas: str = ""


StandardKind = Literal["reference leak", "regulator"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckStandard:
    """What is measured at the start of each shift, its value known.

    Attributes:
        id: stamped on it. certificate: its record. due: last day on which that holds.
        value, u: the certificate's, with its standard uncertainty.
        limit: how far the found value may lie from that.
        at: of a reference leak, the pressure to the air that it was certified at.
        plan, job, finding: of a kept regulator, the files of its short plan and card,
            beside the rig file, and the finding that is compared.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    id: str
    kind: StandardKind
    certificate: str
    due: datetime.date
    value: Quantity
    u: Quantity
    limit: Quantity
    at: Quantity | None = None
    plan: str = ""
    job: str = ""
    finding: str = "reference_leak"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftRule:
    """How the rig's start-of-shift check counts.

    Attributes:
        hours: how long a check holds, at most a day.
        required: a simulated rig wants one too; a real one always does.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    hours: float = 12.0
    required: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class HandValves:
    """Where the hand valves of a simulated rig are worked."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    host: str
    port: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """A shop's rig as its file declares it.

    Attributes:
        hand_valves: of a simulated rig that is not served as one Modbus TCP device.
        orifices: that a flow can be known by.
        clean: that it is clean enough for oxygen, or None where nothing says so.
        receiving: a rig for regulators as they come in; nothing cleaned goes on it.
        fittings: hoses, fittings and filters as they are; another one ends what was
            found of the rig.
        check_standard: what is measured at the start of each shift, or None.
        shift: how that check counts.
        simulated: True for a simulated rig; everything made from it says so.
        time_multiple: how many times faster than the wall clock its time runs (1 for
            a real rig).
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    id: str
    name: str = ""
    simulated: bool = False
    time_multiple: float = 1.0
    stations: tuple[Station, ...]
    instruments: tuple[Instrument, ...]
    channels: tuple[Channel, ...]
    traits: Traits | None = None
    hand_valves: HandValves | None = None
    orifices: tuple[Orifice, ...] = ()
    clean: Clean | None = None
    receiving: bool = False
    fittings: tuple[str, ...] = ()
    check_standard: CheckStandard | None = None
    shift: ShiftRule = field(default_factory=ShiftRule)

    def channel(self, role: str, station: str | None = None) -> Channel | None:
        """Return the channel of a role, or None."""
        for channel in self.channels:
            if channel.role == role and (station is None or station in channel.serves):
                return channel
        return None

    def channel_by_id(self, id: str) -> Channel | None:
        """Return the channel of that id, or None."""
        return next((c for c in self.channels if c.id == id), None)

    def orifice(self, id: str) -> Orifice | None:
        """Return the orifice of that id, or None."""
        return next((o for o in self.orifices if o.id == id), None)

    def for_station(self, id: str) -> Rig:
        """Return the rig as one station sees it: its channels, its traits.

        Shared channels are among them; an instrument that reads none of them is not.

        Raises:
            InputError: ``rig_station_unknown``, or ``rig_station_wanted`` for "" where
                the rig has several.
        """
        if not id and len(self.stations) > 1:
            raise InputError(
                "rig_station_wanted",
                where=self.id,
                known=", ".join(s.id for s in self.stations),
            )
        station = next((s for s in self.stations if id in ("", s.id)), None)
        if station is None:
            raise InputError(
                "rig_station_unknown",
                where=self.id,
                given=id,
                known=", ".join(s.id for s in self.stations),
            )
        channels = tuple(c for c in self.channels if station.id in c.serves)
        read = {c.instrument for c in channels}
        return replace(
            self,
            stations=(station,),
            channels=channels,
            instruments=tuple(i for i in self.instruments if i.id in read),
            traits=station.traits or self.traits,
        )

    @property
    def wants_shift_check(self) -> bool:
        """No regulator is tested on it before the shift's check has passed."""
        return not self.simulated or self.shift.required

    def relief(self, role: str) -> Quantity | None:
        """Return the lowest relief setting on a side of any station, or None."""
        found = [s.relief[role] for s in self.stations if role in s.relief]
        return min(found, key=lambda q: q.value_si, default=None)

    def columns(self, instrument: str) -> tuple[Channel, ...]:
        """Return an instrument's channels in the order of its blocks' columns."""
        return tuple(c for c in self.channels if c.instrument == instrument)
