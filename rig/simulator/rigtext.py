"""The rig file that declares the simulated rig."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence

from records.measure import unit_of
from records.rig import FORMAT

from .doors import Door
from .families import SECOND_STAGE, Family
from .registermap import CLOCK_ADDRESS, DEVICE, Wired, wired_for
from .rigbody import VOLUME_SPREAD
from .textline import ASK, pattern

_OVERLOAD = {"outlet": 3.0, "inlet": 2.0, "interstage": 2.0}  # over the span
_STANDARDS = {
    "outlet": "simulated dead-weight tester",
    "inlet": "simulated dead-weight tester",
    "interstage": "simulated dead-weight tester",
    "ambient": "simulated barometer",
    "gas_temperature": "simulated platinum thermometer",
    "flow": "simulated flow calibrator",
    "vent_flow": "simulated flow calibrator",
}
_SINCE_CALIBRATION = datetime.timedelta(days=90)
_CALIBRATION_HOLDS = datetime.timedelta(days=365)


def rig_text(
    host: str,
    port: int,
    multiple: float,
    today: datetime.date | None = None,
    *,
    door: Door | None = None,
    serial: str = "",
    hands_port: int | None = None,
    family: Family = SECOND_STAGE,
    flow_meter: bool = False,
    vent_meter: bool = False,
    standard_leak: float = 0.0,
    shift_required: bool = False,
) -> str:
    """Return the text of the rig file for a simulated rig.

    Args:
        host: where it is served.
        port: the same.
        multiple: how fast its time runs.
        today: the day that the dates of its calibration records are reckoned from.
        door: how it is served; as one Modbus TCP device if None.
        serial: name of its serial port.
        hands_port: where its hand valves are worked, if not at ``port``.
        family: what it is for.
        flow_meter: one stands behind its downstream valve.
        vent_meter: one stands at the bonnet's vent.
        standard_leak: the reference leak that its hands can open, std cm3/min; 0: none.
        shift_required: it asks for a check at the start of each shift.
    """
    door = door or Door()
    hands = ""
    if hands_port not in (None, port) or door.protocol != "modbus-tcp":
        hands = f'\n[hand_valves]\nhost = "{host}"\nport = {hands_port}\n'
    day = today or datetime.datetime.now(datetime.UTC).date()
    calibrated = day - _SINCE_CALIBRATION
    due = calibrated + _CALIBRATION_HOLDS
    wired = wired_for(family, flow_meter, vent_meter)
    body = family.rig
    # The allowance covers hoses and a diaphragm that give, half as much again, and what
    # the volume may be off its drawing.
    locked_pa = family.regulator.outlet_reference_pa
    gives = 1.5 * locked_pa * family.gives_m3_per_pa * 1e6
    inlet_gives = 1.5 * family.regulator.inlet_reference_pa * body.inlet_give * 1e6
    head = f'''format = "{FORMAT}"
id = "simulated-1"
name = "Simulated rig"
simulated = true
time_multiple = {float(multiple)!r}

[[stations]]
id = "station-1"

[[instruments]]
id = "rig-io"
protocol = "{door.protocol}"
{_wire_text(door, host, port, serial, wired)}
[instruments.clock]
{_clock_text(door)}tick = "0.001 ms"

[traits]
tau_max = "{family.tau_max_s:g} s"
tail_amplitude = "{family.tail_k:g} K"
temperature_drift_k_per_h = 0.5

[traits.volumes.outlet]
volume = "{body.outlet_m3 * 1e6:g} cm3"
u = "{body.outlet_m3 * 1e6 * 2 * VOLUME_SPREAD:g} cm3"
allowance = "{math.ceil(gives + 2e4 * body.outlet_m3)} cm3"
{_blanked(body.outlet_give, locked_pa) if standard_leak else ""}
[traits.volumes.inlet]
volume = "{body.inlet_m3 * 1e6:g} cm3"
u = "{body.inlet_m3 * 1e6 * 2 * VOLUME_SPREAD:g} cm3"
allowance = "{math.ceil(inlet_gives + 2e4 * body.inlet_m3)} cm3"
{_blanked(body.inlet_give, 0.0) if standard_leak else ""}'''
    if family.regulator.first is not None:
        head += _interstage_text(family)
    in_lines = door.protocol in _LINES
    return (
        head
        + "".join(_channel_text(w, calibrated, due, in_lines) for w in wired)
        + hands
        + _shift_text(standard_leak, shift_required, family, due)
    )


def _blanked(give: float, locked_pa: float) -> str:
    """Return what hoses alone may add, half as much again."""
    return f'blanked = "{1.5 * locked_pa * give * 1e6 + 1.0:.1f} cm3"\n'


def _shift_text(leak: float, required: bool, family: Family, due: datetime.date) -> str:
    """Return what the start of a shift wants of the rig."""
    text = "\n[shift]\nrequired = true\n" if required else ""
    if not leak:
        return text
    return (
        f"{text}\n[check_standard]\n"
        'id = "simulated-leak"\n'
        'kind = "reference leak"\n'
        'certificate = "simulated"\n'
        f"due = {due.isoformat()}\n"
        f'value = "{leak:.6g} std cm3/min"\n'
        f'u = "{0.005 * leak:.3g} std cm3/min"\n'
        f'limit = "{0.20 * leak:.3g} std cm3/min"\n'
        f'at = "{family.standard_gauge:g} Pa gauge"\n'
    )


def _interstage_text(family: Family) -> str:
    """Return what is known of the volume between two stages, allowed for as above."""
    r = family.regulator
    assert r.first is not None
    locked_pa = r.interstage_reference_pa
    gives = 1.5 * locked_pa * (r.interstage_give + r.first.give_m3_per_pa) * 1e6
    return f"""
[traits.volumes.interstage]
volume = "{r.interstage_m3 * 1e6:g} cm3"
u = "{r.interstage_m3 * 1e6 * 2 * VOLUME_SPREAD:g} cm3"
allowance = "{math.ceil(gives + 2e4 * r.interstage_m3)} cm3"
"""


_LINES = ("ascii-polled", "ascii-stream")


def _wire_text(
    door: Door, host: str, port: int, serial: str, wired: Sequence[Wired]
) -> str:
    if door.protocol in ("modbus-tcp", "modbus-rtu-tcp"):
        lines = [f'host = "{host}"', f"port = {port}", f"device = {DEVICE}"]
    elif door.protocol == "modbus-rtu":
        where = f'{{ port = "{serial}", baud = 115200, frame = "8E1" }}'
        lines = [f"serial = {where}", f"device = {DEVICE}"]
    else:
        where = f'{{ port = "{serial}", baud = 115200, frame = "8N1" }}'
        lines = [f"serial = {where}"]
    period = f"{door.period_s * 1e3:g} ms" if door.protocol in _LINES else "50 ms"
    timeout = "2 s" if door.protocol == "modbus-tcp" else "500 ms"
    lines += [f'period = "{period}"', f'timeout = "{timeout}"', ""]
    if door.protocol in _LINES:
        lines += ["[instruments.lines]", f"pattern = '{pattern(wired)}'"]
        lines += [r'end = "\r\n"']
        if door.protocol == "ascii-polled":
            lines += [rf'send = "{ASK}\r\n"']
        lines += [""]
    return "\n".join(lines)


def _clock_text(door: Door) -> str:
    if door.protocol in _LINES:
        return 'field = "clock"\n'
    return (
        f'address = {CLOCK_ADDRESS}\ntable = "input"\ntype = "uint64"\norder = "ABCD"\n'
    )


def _channel_text(
    wired: Wired, calibrated: datetime.date, due: datetime.date, in_lines: bool
) -> str:
    make = wired.make
    unit = unit_of(wired.unit)
    step = "K" if wired.make.role == "gas_temperature" else wired.unit

    def value(si: float) -> str:
        number = round((si - unit.offset) / unit.factor, 9)
        return f"{number:g} {wired.unit} {wired.reference}".strip()

    def difference(si: float) -> str:
        word = "difference" if wired.reference else ""
        return f"{round(si / unit.factor, 9):g} {step} {word}".strip()

    over = _OVERLOAD.get(make.role)
    lines = [
        "",
        "[[channels]]",
        f'id = "{make.role}"',
        f'role = "{make.role}"',
        'station = "station-1"',
        'instrument = "rig-io"',
        f'unit = "{f"{wired.unit} {wired.reference}".strip()}"',
        f'span = ["{value(make.low)}", "{value(make.high)}"]',
        f'resolution = "{difference(make.resolution)}"',
        *([f'overload = "{value(over * make.high)}"'] if over else []),
        *(_text_place(wired) if in_lines else _register_place(wired)),
        "[channels.calibration]",
        f'id = "SIM-{make.role.replace("_", "-").upper()}-1"',
        f"date = {calibrated.isoformat()}",
        f"due = {due.isoformat()}",
        f'standard = "{_STANDARDS[make.role]}"',
    ]
    terms = (
        ("zero", "offset", difference(make.u_zero), make.u_zero),
        ("span", "gain", f"{make.u_span * 100:g} %", make.u_span),
        ("form of the curve", "linearity", difference(make.u_form), make.u_form),
    )
    for name, kind, text, u in terms:
        if u > 0.0:
            lines += [
                "",
                "[[channels.calibration.terms]]",
                f'name = "{name}"',
                f'kind = "{kind}"',
                f'u = "{text}"',
            ]
    return "\n".join(lines) + "\n"


def _register_place(wired: Wired) -> list[str]:
    return [
        f"scale = {wired.scale!r}",
        "",
        "[channels.register]",
        f"address = {wired.address}",
        'table = "input"',
        f'type = "{wired.type}"',
        f'order = "{wired.order}"',
        "",
    ]


def _text_place(wired: Wired) -> list[str]:
    return [f'field = "{wired.make.role}"', ""]
