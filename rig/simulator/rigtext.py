"""The rig file that declares the simulated rig."""

from __future__ import annotations

import datetime

from records.measure import unit_of
from records.rig import FORMAT

from .registermap import CLOCK_ADDRESS, DEVICE, WIRED, Wired
from .rigbody import NOMINAL_INLET_M3, NOMINAL_OUTLET_M3, VOLUME_SPREAD

_OVERLOAD = {"outlet": "30 kPa gauge", "inlet": "400 kPa gauge"}
_STANDARDS = {
    "outlet": "simulated dead-weight tester",
    "inlet": "simulated dead-weight tester",
    "ambient": "simulated barometer",
    "gas_temperature": "simulated platinum thermometer",
}
_SINCE_CALIBRATION = datetime.timedelta(days=90)
_CALIBRATION_HOLDS = datetime.timedelta(days=365)


def rig_text(
    host: str,
    port: int,
    multiple: float,
    today: datetime.date | None = None,
) -> str:
    """Return the text of the rig file for a simulated rig.

    Args:
        host: where it is served.
        port: the same.
        multiple: how fast its time runs.
        today: the day that the dates of its calibration records are reckoned from.
    """
    day = today or datetime.datetime.now(datetime.UTC).date()
    calibrated = day - _SINCE_CALIBRATION
    due = calibrated + _CALIBRATION_HOLDS
    # The outlet's allowance covers the hose and a diaphragm that gives.
    head = f'''format = "{FORMAT}"
id = "simulated-1"
name = "Simulated rig"
simulated = true
time_multiple = {float(multiple)!r}

[[stations]]
id = "station-1"

[[instruments]]
id = "rig-io"
protocol = "modbus-tcp"
host = "{host}"
port = {port}
device = {DEVICE}
period = "50 ms"
timeout = "2 s"

[instruments.clock]
address = {CLOCK_ADDRESS}
table = "input"
type = "uint64"
order = "ABCD"
tick = "0.001 ms"

[traits]
tau_max = "5 s"
tail_amplitude = "0.3 K"
temperature_drift_k_per_h = 0.5

[traits.volumes.outlet]
volume = "{NOMINAL_OUTLET_M3 * 1e6:g} cm3"
u = "{NOMINAL_OUTLET_M3 * 1e6 * 2 * VOLUME_SPREAD:g} cm3"
allowance = "45 cm3"

[traits.volumes.inlet]
volume = "{NOMINAL_INLET_M3 * 1e6:g} cm3"
u = "{NOMINAL_INLET_M3 * 1e6 * 2 * VOLUME_SPREAD:g} cm3"
allowance = "3 cm3"
'''
    return head + "".join(_channel_text(w, calibrated, due) for w in WIRED)


def _channel_text(wired: Wired, calibrated: datetime.date, due: datetime.date) -> str:
    make = wired.make
    unit = unit_of(wired.unit)
    step = wired.unit if wired.reference else "K"

    def value(si: float) -> str:
        number = round((si - unit.offset) / unit.factor, 9)
        return f"{number:g} {wired.unit} {wired.reference}".strip()

    def difference(si: float) -> str:
        word = "difference" if wired.reference else ""
        return f"{round(si / unit.factor, 9):g} {step} {word}".strip()

    overload = _OVERLOAD.get(make.role)
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
        *([f'overload = "{overload}"'] if overload else []),
        f"scale = {wired.scale!r}",
        "",
        "[channels.register]",
        f"address = {wired.address}",
        'table = "input"',
        f'type = "{wired.type}"',
        f'order = "{wired.order}"',
        "",
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
