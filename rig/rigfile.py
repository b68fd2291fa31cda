"""Rig files: read, and checked for what would make a rig lie."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from records.calibration import Calibration
from records.calibrationfile import check_term, load_record
from records.errors import InputError
from records.judgement import FINDINGS
from records.measure import Kind, Quantity, Reference
from records.rig import (
    FORMAT,
    LAST_REGISTER,
    LIVE_PROTOCOLS,
    NAME_RULE,
    PRESSURE_ROLES,
    ROLES,
    USB_PORT,
    Channel,
    Instrument,
    Orifice,
    Register,
    Rig,
    Traits,
    is_name,
)
from records.tomlfile import load_toml, read_text

from .instruments.reading import MEASURED_MA, reading_at_ma


def load_rig(path: Path) -> Rig:
    """Return the rig that a file declares.

    Raises:
        InputError: unreadable, or a rig that can't be read so; with file and line.
    """
    return parse_rig(read_text(path, "rig"), str(path), path.parent)


def parse_rig(text: str, name: str, folder: Path | None = None) -> Rig:
    """Return the rig that a text declares; see :func:`load_rig`.

    Args:
        text: of the rig file.
        name: the file's name for messages.
        folder: where the calibration records lie that it names; None where it may name
            none.
    """

    def prepare(raw: dict[str, Any]) -> None:
        for instrument in _tables(raw.get("instruments")):
            _check_protocol(instrument.get("protocol"), text, name)
        for channel in _tables(raw.get("channels")):
            given = channel.get("calibration")
            if isinstance(given, str) and folder is not None:
                channel["calibration"] = _from_record(given, raw, channel, folder)

    rig = load_toml(text, Rig, name, FORMAT, prepare)
    _check(rig, text, name)
    return rig


def _check_protocol(given: Any, text: str, name: str) -> None:
    if not isinstance(given, str) or given in LIVE_PROTOCOLS:
        return
    raise InputError(
        "value_wrong",
        where=f"{name}:{_line(text, f'protocol = {chr(34)}{given}{chr(34)}')}",
        key="instruments.protocol",
        given=repr(given),
        right="one of " + ", ".join(LIVE_PROTOCOLS),
    )


def _tables(given: Any) -> list[dict[str, Any]]:
    found = given if isinstance(given, list) else []
    return [each for each in found if isinstance(each, dict)]


def _from_record(
    given: str, raw: dict[str, Any], channel: dict[str, Any], folder: Path
) -> Calibration:
    """Return the calibration of a record file that a channel names.

    Raises:
        InputError, IntegrityError: no record, one that was changed, or of another
            channel.
    """
    path = folder / given
    record = load_record(path)
    if (record.rig, record.channel) != (raw.get("id"), channel.get("id")):
        raise InputError(
            "calibration_of_another",
            where=str(path),
            of=record.channel,
            rig=record.rig,
            given=channel.get("id"),
        )
    return record.calibration


def _line(text: str, needle: str) -> int:
    at = text.find(needle)
    return text.count("\n", 0, max(at, 0)) + 1


def _check(rig: Rig, text: str, name: str) -> None:
    def place(id: str) -> str:
        return f"{name}:{_line(text, f'id = {chr(34)}{id}{chr(34)}')}"

    stations = [s.id for s in rig.stations]
    for what, ids in (
        ("station", stations),
        ("instrument", [i.id for i in rig.instruments]),
        ("channel", [c.id for c in rig.channels]),
    ):
        wrong = [id for id in ids if not is_name(id)]
        if wrong:
            raise InputError(
                "value_wrong",
                where=place(wrong[0]),
                key=f"{what} id",
                given=repr(wrong[0]),
                right=NAME_RULE,
            )
        twice = sorted({id for id in ids if ids.count(id) > 1})
        if twice:
            raise InputError(
                "rig_name_twice", where=place(twice[0]), what=what, given=twice[0]
            )
    if not rig.channels:
        raise InputError("rig_channel_missing", where=name, role="any", rig=rig.id)
    roles = [(station, c.role) for c in rig.channels for station in c.serves]
    for channel in rig.channels:
        if channel.role in ROLES and any(
            roles.count((station, channel.role)) > 1 for station in channel.serves
        ):
            raise InputError(
                "rig_name_twice",
                where=place(channel.id),
                what="channel role",
                given=channel.role,
            )
    clean = rig.clean
    if clean is not None and clean.until < clean.date:
        raise InputError(
            "value_wrong",
            where=f"{name}:{_line(text, '[clean]')}",
            key="clean.until",
            given=clean.until.isoformat(),
            right=f"not before clean.date, {clean.date.isoformat()}",
        )
    _check_shift(rig, lambda heading: f"{name}:{_line(text, heading)}")
    _check_traits(rig.traits, text, name)
    for orifice in rig.orifices:
        _check_orifice(orifice, rig, place(orifice.id))
    for station in rig.stations:
        _check_traits(station.traits, text, name)
        _check_relief(station.id, station.relief, place(station.id))
    for instrument in rig.instruments:
        _check_instrument(instrument, rig, place(instrument.id))
    _check_ports(rig, place)
    for channel in rig.channels:
        _check_channel(channel, rig, stations, place(channel.id))
    if rig.time_multiple <= 0.0 or (rig.time_multiple != 1.0 and not rig.simulated):
        raise InputError(
            "value_wrong",
            where=f"{name}:{_line(text, 'time_multiple')}",
            key="time_multiple",
            given=rig.time_multiple,
            right="1 for a real rig, above 0 for a simulated one",
        )


def _check_relief(station: str, relief: dict[str, Quantity], at: str) -> None:
    for role, setting in relief.items():
        right = ""
        if role not in PRESSURE_ROLES:
            right = "a side: " + ", ".join(PRESSURE_ROLES)
        elif setting.reference is not Reference.GAUGE or setting.value_si <= 0.0:
            right = "a gauge pressure above zero"
        if right:
            raise InputError(
                "value_wrong",
                where=at,
                key=f"stations.{station}.relief",
                given=f"{role} = {setting.typed}",
                right=right,
            )


def _check_traits(traits: Traits | None, text: str, name: str) -> None:
    if traits is None:
        return
    amounts = [
        ("tau_max", traits.tau_max, 0.0),
        ("tail_amplitude", traits.tail_amplitude, 0.0),
    ]
    for role, volume in traits.volumes.items():
        amounts.append((f"volumes.{role}.volume", volume.volume, 0.0))
        amounts.append((f"volumes.{role}.u", volume.u, -1e-30))
        amounts.append((f"volumes.{role}.allowance", volume.allowance, -1e-30))
        if volume.blanked is not None:
            amounts.append((f"volumes.{role}.blanked", volume.blanked, -1e-30))
    for key, quantity, above in amounts:
        if not quantity.value_si > above:
            raise InputError(
                "value_wrong",
                where=f"{name}:{_line(text, quantity.typed)}",
                key=f"traits.{key}",
                given=quantity.typed,
                right="above zero" if above == 0.0 else "zero or more",
            )


def _check_orifice(orifice: Orifice, rig: Rig, at: str) -> None:
    """Refuse an orifice by which no flow could be known."""
    if not is_name(orifice.id):
        raise _wrong(at, "orifice id", repr(orifice.id), NAME_RULE)
    if sum(o.id == orifice.id for o in rig.orifices) > 1:
        raise InputError("rig_name_twice", where=at, what="orifice", given=orifice.id)
    size, u = orifice.conductance, orifice.u
    ratio = orifice.critical_ratio
    for key, good, given, right in (
        ("conductance", size.value_si > 0.0, size.typed, "above zero"),
        (
            "u",
            u.kind is Kind.RATIO and 0.0 < u.value_si < 0.5,
            u.typed,
            "a share above 0 %, as 1 %",
        ),
        ("critical_ratio", 0.0 <= ratio < 1.0, ratio, "from 0 to below 1"),
        ("record", bool(orifice.record.strip()), repr(""), "its calibration record"),
    ):
        if not good:
            raise _wrong(at, f"orifices.{orifice.id}.{key}", given, right)


LONGEST_SHIFT_H = 24.0


def _check_shift(rig: Rig, place: Callable[[str], str]) -> None:
    """Refuse a shift without end, and a check standard that shows nothing."""
    hours = rig.shift.hours
    if not 0.0 < hours <= LONGEST_SHIFT_H:
        right = f"above 0, at most {LONGEST_SHIFT_H:g}"
        raise _wrong(place("[shift]"), "shift.hours", f"{hours:g}", right)
    standard = rig.check_standard
    if standard is None:
        return
    at = place("[check_standard]")
    leak = standard.kind == "reference leak"
    needed = () if leak else ("plan", "job")
    for key in ("id", "certificate", *needed):
        if not getattr(standard, key).strip():
            raise InputError("key_missing", where=at, key=f"check_standard.{key}")
    if leak and standard.at is None:
        raise InputError("key_missing", where=at, key="check_standard.at")
    if standard.at is not None and not (
        standard.at.reference is Reference.GAUGE and standard.at.value_si > 0.0
    ):
        right = "a gauge pressure above zero"
        raise _wrong(at, "check_standard.at", standard.at.typed, right)
    known = FINDINGS.get(standard.finding)
    if known is None or leak is not (standard.finding == "reference_leak"):
        right = "reference_leak" if leak else "a finding of its plan, as lockup_rise"
        raise _wrong(at, "check_standard.finding", repr(standard.finding), right)
    for key in ("value", "u", "limit"):
        given: Quantity = getattr(standard, key)
        if given.kind is not known.kind:
            raise _wrong(at, f"check_standard.{key}", given.typed, known.kind.value)
        if not given.value_si > 0.0:
            raise _wrong(at, f"check_standard.{key}", given.typed, "above zero")
    if not standard.limit.value_si > 2.0 * standard.u.value_si:
        right = f"more than twice the standard uncertainty, {standard.u.typed}"
        raise _wrong(at, "check_standard.limit", standard.limit.typed, right)


_BAUD = (50, 4_000_000)
_HOSTED = ("modbus-tcp", "modbus-rtu-tcp")
_SERIAL = ("modbus-rtu", "ascii-polled", "ascii-stream")
_REGISTERS = ("modbus-tcp", "modbus-rtu", "modbus-rtu-tcp")
_LINES = ("ascii-polled", "ascii-stream")
_SHORTEST_TURN_NS = 10e9  # a shorter turn can't be told from an older answer


def _wrong(at: str, key: str, given: object, right: str) -> InputError:
    return InputError("value_wrong", where=at, key=key, given=given, right=right)


def _missing(at: str, instrument: Instrument, key: str) -> InputError:
    return InputError("key_missing", where=at, key=f"instruments.{instrument.id}.{key}")


def _check_instrument(instrument: Instrument, rig: Rig, at: str) -> None:
    protocol = instrument.protocol
    if protocol in _HOSTED and not instrument.host:
        raise _missing(at, instrument, "host")
    if protocol in _SERIAL:
        _check_serial(instrument, at)
    if protocol in _LINES:
        _check_lines(instrument, rig, at)
    if protocol == "driver" and not instrument.driver:
        raise _missing(at, instrument, "driver")
    if protocol == "replay":
        if instrument.stored is None:
            raise _missing(at, instrument, "stored")
        if not rig.simulated:
            raise InputError("rig_replay_real", where=at, given=instrument.id)
    if not 1 <= instrument.port <= 65535:
        raise _wrong(at, "port", instrument.port, "1 to 65535")
    _check_device(instrument, at)
    _check_times(instrument, rig, at)


def _check_device(instrument: Instrument, at: str) -> None:
    """Check the device number: each wire has its own.

    On a serial line 1 to 247 are devices, 0 speaks to all and nobody answers, the rest
    is reserved (serial line V1.02, 2.2). On TCP it is a byte that tells devices behind
    a gateway apart; a device that has the address to itself takes 255, and some
    take 0 (messaging on TCP/IP V1.0b, 4.4.2).
    """
    if instrument.protocol in ("modbus-rtu", "modbus-rtu-tcp"):
        if not 1 <= instrument.device <= 247:
            right = "1 to 247, the numbers that Modbus has for devices on a serial line"
            raise _wrong(at, "device", instrument.device, right)
    elif not 0 <= instrument.device <= 255:
        right = "0 to 255; 1 to 247 behind a gateway, mostly 1 or 255 without one"
        raise _wrong(at, "device", instrument.device, right)


def _check_register(key: str, register: Register, at: str) -> None:
    if not 0 <= register.address <= LAST_REGISTER - register.count + 1:
        right = f"0 to {LAST_REGISTER - register.count + 1}"
        if register.count > 1:
            right += f", for {register.type} takes {register.count} registers"
        raise _wrong(at, f"{key}.address", register.address, right)


def _check_serial(instrument: Instrument, at: str) -> None:
    line = instrument.serial
    if line is None or not line.port:
        raise _missing(at, instrument, "serial")
    _check_port_name(line.port, at)
    if not _BAUD[0] <= line.baud <= _BAUD[1]:
        raise _wrong(at, "serial.baud", line.baud, f"{_BAUD[0]} to {_BAUD[1]}")
    if not re.fullmatch(r"[78][NEO][12]", line.frame):
        right = "data bits, parity, stop bits, as 8E1, 8N1, 8N2 or 7E1"
        raise _wrong(at, "serial.frame", repr(line.frame), right)
    if instrument.protocol == "modbus-rtu" and line.frame[0] != "8":
        right = "8 data bits; Modbus RTU takes no others"
        raise _wrong(at, "serial.frame", repr(line.frame), right)


_NETWORK_PORTS = ("socket", "rfc2217")


def _check_port_name(port: str, at: str) -> None:
    """Check what can be known of a port without looking for it."""
    right = ""
    if "://" in port:
        scheme, _, rest = port.partition("://")
        if scheme not in _NETWORK_PORTS:
            right = "socket://HOST:PORT or rfc2217://HOST:PORT, for one on the network"
        else:
            host, _, number = rest.partition("?")[0].rstrip("/").rpartition(":")
            if not host or not number.isdecimal() or not 1 <= int(number) <= 65535:
                right = f"{scheme}://HOST:PORT, as {scheme}://192.0.2.20:4001"
    elif port.startswith("usb:") and not USB_PORT.fullmatch(port):
        right = (
            "usb:VID:PID or usb:VID:PID:SERIAL, four hexadecimal digits for VID and PID"
        )
    if right:
        raise _wrong(at, "serial.port", repr(port), right)


def _check_lines(instrument: Instrument, rig: Rig, at: str) -> None:
    lines = instrument.lines
    if lines is None:
        raise _missing(at, instrument, "lines")
    try:
        groups = re.compile(lines.pattern.encode()).groupindex
    except re.error as error:
        right = f"a regular expression ({error})"
        raise _wrong(at, "lines.pattern", repr(lines.pattern), right) from None
    if instrument.protocol == "ascii-polled" and not lines.send:
        raise _missing(at, instrument, "lines.send")
    if not lines.end or not lines.end.isascii():
        raise _wrong(at, "lines.end", repr(lines.end), 'characters, as "\\r\\n"')
    if ("check" in groups) != ("checked" in groups):
        right = "both of the groups checked and check, or neither"
        raise _wrong(at, "lines.pattern", repr(lines.pattern), right)
    wanted = []
    for channel in rig.columns(instrument.id):
        wanted.append(channel.field)
        if channel.status is not None:
            wanted.append(channel.status.field)
    if instrument.clock is not None:
        wanted.append(instrument.clock.field)
    for field in wanted:
        if field not in groups:
            raise InputError(
                "rig_field_missing",
                where=at,
                instrument=instrument.id,
                given=field or "''",
                known=", ".join(groups) or "none",
            )


def _check_ports(rig: Rig, at: Callable[[str], str]) -> None:
    """Check that what shares a port can share it."""
    first: dict[str, Instrument] = {}
    for each in rig.instruments:
        line = each.serial
        if line is None or each.protocol not in _SERIAL:
            continue
        other = first.setdefault(line.port, each)
        if other is each:
            continue
        why = ""
        if (each.protocol, other.protocol) != ("modbus-rtu", "modbus-rtu"):
            why = "only Modbus RTU has device numbers"
        elif line != other.serial:
            why = "not at one baud rate and frame"
        elif each.device == other.device:
            why = f"with the same device number {each.device}"
        if why:
            raise InputError(
                "rig_port_shared",
                where=at(each.id),
                one=other.id,
                other=each.id,
                port=line.port,
                why=why,
            )


def _check_times(instrument: Instrument, rig: Rig, at: str) -> None:
    if instrument.patience is not None and instrument.patience.value_si < 0.0:
        raise _wrong(at, "patience", instrument.patience.typed, "zero or more")
    for key in ("period", "timeout"):
        quantity = getattr(instrument, key)
        if quantity.value_si <= 0.0:
            raise InputError(
                "value_wrong",
                where=at,
                key=key,
                given=quantity.typed,
                right="above zero",
            )
    clock = instrument.clock
    if clock is not None and clock.type not in ("uint32", "uint64", "int64"):
        raise InputError(
            "rig_register_type", where=at, given=clock.type, right="uint32 or uint64"
        )
    if clock is not None:
        if clock.tick.value_si <= 0.0:
            raise _wrong(at, "clock.tick", clock.tick.typed, "above zero")
        if instrument.protocol in _REGISTERS:
            if clock.address is None:
                raise InputError("key_missing", where=at, key="clock.address")
            _check_register("clock", clock.register, at)
        if clock.wraps < 0 or 0.0 < clock.wraps_ns < _SHORTEST_TURN_NS:
            right = "a turn of at least 10 s, or 0 for none"
            raise _wrong(at, "clock.wraps", clock.wraps, right)
    own_time = ("replay", "driver")
    if rig.simulated and clock is None and instrument.protocol not in own_time:
        # Host stamps of a rig that runs faster than the wall clock are wrong.
        raise InputError("rig_clock_missing", where=at, given=instrument.id)


def _check_channel(channel: Channel, rig: Rig, stations: list[str], at: str) -> None:
    instruments = {i.id: i for i in rig.instruments}
    if channel.instrument not in instruments:
        raise InputError(
            "rig_instrument_unknown",
            where=at,
            given=channel.instrument,
            known=", ".join(instruments),
        )
    if not channel.serves or (channel.station and channel.stations):
        raise InputError(
            "value_wrong",
            where=at,
            key="station",
            given=repr(channel.station or ""),
            right='one station, or stations = ["A", "B"] for a channel that they share',
        )
    for station in channel.serves:
        if station not in stations:
            raise InputError(
                "rig_station_unknown",
                where=at,
                given=station,
                known=", ".join(stations),
            )
    if instruments[channel.instrument].protocol in _REGISTERS:
        if channel.register is None:
            raise InputError("key_missing", where=at, key="channels.register")
        _check_register("register", channel.register, at)
    try:
        unit = channel.measure_unit
    except InputError as error:
        raise error.at(f"{at}: channels.{channel.id}.unit") from None
    if unit.kind is Kind.PRESSURE and channel.reference.value == "none":
        raise InputError(
            "quantity_reference_missing", where=at, given=repr(channel.unit)
        )
    wanted = Kind.PRESSURE if channel.role in (*ROLES[:4], "bonnet") else unit.kind
    if channel.role == "gas_temperature":
        wanted = Kind.TEMPERATURE
    if unit.kind is not wanted:
        raise InputError(
            "quantity_kind_wrong",
            where=at,
            given=repr(channel.unit),
            found=unit.kind.value,
            wanted=wanted.value,
        )
    _check_kind(channel, unit.kind, at)
    if not math.isfinite(channel.scale) or channel.scale == 0.0:
        raise InputError(
            "value_wrong",
            where=at,
            key="scale",
            given=channel.scale,
            right="a number other than 0",
        )
    if not math.isfinite(channel.offset):
        raise InputError(
            "value_wrong",
            where=at,
            key="offset",
            given=channel.offset,
            right="a number",
        )
    low, high = channel.span
    if not low.value_si < high.value_si or low.kind is not unit.kind:
        raise InputError("rig_span_wrong", where=at, low=low.typed, high=high.typed)
    if high.kind is not unit.kind:
        raise InputError("rig_span_wrong", where=at, low=low.typed, high=high.typed)
    for end in channel.span:
        if end.reference is not channel.reference:
            raise InputError(
                "value_wrong",
                where=at,
                key="span",
                given=end.typed,
                right=f"{channel.reference.value}, as the channel's unit",
            )
    _check_resolution(channel, unit.kind, at)
    if channel.overload is not None and channel.overload.value_si < high.value_si:
        raise InputError(
            "value_wrong",
            where=at,
            key="overload",
            given=channel.overload.typed,
            right=f"at least the top of the span, {high.typed}",
        )
    _check_loop(channel, at)
    _check_status(channel, instruments[channel.instrument], at)
    _check_calibration(channel, at)


def _check_resolution(channel: Channel, kind: Kind, at: str) -> None:
    step = channel.resolution
    kinds = (kind, Kind.TEMPERATURE_STEP) if kind is Kind.TEMPERATURE else (kind,)
    difference = kind is not Kind.PRESSURE or step.reference is Reference.DIFFERENCE
    if step.kind not in kinds or not difference or not step.value_si > 0.0:
        right = (
            f"a step above zero in a unit as {channel.unit}, a pressure's as difference"
        )
        raise _wrong(at, "resolution", step.typed, right)


def _check_loop(channel: Channel, at: str) -> None:
    loop = channel.loop
    if loop is None:
        return
    kind = channel.measure_unit.kind
    for key, end in (("loop.low", loop.low), ("loop.high", loop.high)):
        if end.kind is not kind or end.reference is not channel.reference:
            raise _wrong(at, key, end.typed, f"as the channel's unit, {channel.unit}")
    low, high = loop.low.value_si, loop.high.value_si
    if not low < high:
        raise _wrong(at, "loop.high", loop.high.typed, f"above {loop.low.typed}")
    least, most = (reading_at_ma(loop, ma) for ma in MEASURED_MA)
    slack = 1e-9 * (high - low)
    if channel.span[0].value_si < least - slack or (
        channel.span[1].value_si > most + slack
    ):
        raise _wrong(
            at,
            "span",
            f"{channel.span[0].typed} to {channel.span[1].typed}",
            "within 3.8 to 20.5 mA, that is -1.25 % to 103.125 % of the loop's range "
            "(NAMUR NE 43)",
        )


def _check_status(channel: Channel, instrument: Instrument, at: str) -> None:
    status = channel.status
    if status is None:
        return
    if instrument.protocol in _REGISTERS:
        register = status.register
        if register is None:
            raise InputError("key_missing", where=at, key="status.register")
        if register.type.startswith("float"):
            raise InputError(
                "rig_register_type", where=at, given=register.type, right="uint16"
            )
        _check_register("status.register", register, at)
        if not status.bad and not status.good:
            raise InputError("key_missing", where=at, key="status.bad or status.good")
        if status.bad < 0 or status.good < 0 or status.bad & status.good:
            given = f"{status.bad} and {status.good}"
            right = "bits, as 0x0003, none of them in both"
            raise _wrong(at, "status.bad and status.good", given, right)
    elif instrument.protocol in _LINES and not status.accepts:
        raise InputError("key_missing", where=at, key="status.accepts")


def _check_kind(channel: Channel, kind: Kind, at: str) -> None:
    """Refuse a transducer's kind that does not go with its unit."""
    right = ""
    if kind is not Kind.PRESSURE:
        if channel.kind is not None or channel.sealed_at is not None:
            right = "left out: only a pressure has one"
    elif channel.kind == "sealed gauge":
        if channel.reference is not Reference.GAUGE:
            right = "with a unit that says gauge"
        elif channel.sealed_at is None:
            right = 'with sealed_at, as "101.325 kPa absolute"'
        elif channel.sealed_at.reference is not Reference.ABSOLUTE:
            right = "with sealed_at as an absolute pressure"
    elif channel.kind not in (None, channel.reference.value):
        right = f"{channel.reference.value}, as the channel's unit"
    elif channel.sealed_at is not None:
        right = '"sealed gauge", for sealed_at has no other use'
    if right:
        raise InputError(
            "value_wrong", where=at, key="kind", given=channel.sensor, right=right
        )


def _check_calibration(channel: Channel, at: str) -> None:
    calibration = channel.calibration
    if calibration is None:
        return
    if not all(math.isfinite(c) for c in calibration.coefficients) or not any(
        calibration.coefficients[1:]
    ):
        raise InputError(
            "value_wrong",
            where=at,
            key="calibration.coefficients",
            given=list(calibration.coefficients),
            right="numbers, the second not 0: value = c0 + c1 × reading",
        )
    if calibration.reads not in ("", channel.reads):
        raise InputError(
            "calibration_of_other_readings",
            where=at,
            record=calibration.id,
            was=calibration.reads,
            now=channel.reads,
        )
    if calibration.due < calibration.date:
        raise InputError(
            "value_wrong",
            where=at,
            key="calibration.due",
            given=calibration.due,
            right=f"not before {calibration.date}",
        )
    if channel.measure_unit.kind is Kind.PRESSURE and not any(
        term.u.value_si > 0.0 for term in calibration.terms
    ):
        raise InputError(
            "value_wrong",
            where=at,
            key="calibration.terms",
            given="no uncertainty",
            right="at least one term with its u, from the calibration's certificate",
        )
    for term in calibration.terms:
        check_term(term, channel.measure_unit.kind, at)
