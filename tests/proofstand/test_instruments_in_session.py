"""What instruments do to a session: gaps, counts, clocks; all of it in the record."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from proofstand.bench.rigcheck import check_rig
from proofstand.commands.main import main
from proofstand.procedure.engine import Abandon, Command
from proofstand.serving import load_sim, open_rig, served_rig_text, where_served
from proofstand.session import Marked, Session, SessionEvent
from proofstand.simulated import demo_job
from records.errors import InputError
from records.journal import read_journal
from records.planfile import builtin_plan
from records.run import MarkKind, Run
from records.runfile import open_run
from records.trace import Flag
from rig.acquisition import open_instruments
from rig.clock import HostClock
from rig.rigfile import parse_rig
from rig.simulator.wirefaults import Kind

from .rigs import recorder, served

pytestmark = pytest.mark.serial

SIM = """format = "proofstand.sim/1"
seed = 3
protocol = "{protocol}"
time_multiple = {multiple}
{more}
"""


class JumpingClock(HostClock):
    """A computer whose wall clock goes back an hour while it records."""

    def __init__(self) -> None:
        super().__init__()
        self.asked = 0

    def utc_ns(self) -> int:
        self.asked += 1
        back = 3600 * 10**9 if self.monotonic_ns() > 500_000_000 else 0
        return super().utc_ns() - back


@contextmanager
def rig_text_of(folder: Path, protocol: str, more: str = "") -> Iterator[str]:
    sim = folder / "sim.toml"
    sim.write_text(SIM.format(protocol=protocol, multiple=1.0, more=more))
    with open_rig(load_sim(sim)) as rig:
        assert protocol in where_served(rig)
        yield served_rig_text(rig)


def recorded(
    text: str, folder: Path, until: Callable[[list[SessionEvent], float], bool]
) -> tuple[Run, list[SessionEvent]]:
    """Record until something is so, then abandon."""
    from proofstand.procedure.engine import prepared_plan
    from proofstand.runs import new_header

    rig = parse_rig(text, "rig.toml")
    plan, plan_text = builtin_plan("low-pressure")
    job = demo_job()
    prepared = prepared_plan(plan, job)
    clock = JumpingClock()
    header = new_header(
        origin="record",
        job=job,
        plan=prepared,
        plan_text=plan_text,
        rig=rig,
        utc_ns=clock.utc_ns(),
        by="test",
    )
    events: list[SessionEvent] = []
    session = Session(
        header=header,
        plan=prepared,
        rig=rig,
        journal=folder / "run.journal",
        instruments=open_instruments(rig, clock),
        clock=clock,
        tell=events.append,
    )
    began = time.monotonic()

    def commands() -> list[Command]:
        assert time.monotonic() - began < 60.0
        done = until(events, session._now_s)
        return [Abandon("enough", "test")] if done else []

    assert session.run(commands) == "abandoned"
    return read_journal(folder / "run.journal").run, events


def troubles(events: list[SessionEvent]) -> list[str]:
    return [
        e.mark.data["trouble"]
        for e in events
        if isinstance(e, Marked) and e.mark.kind is MarkKind.TROUBLE
    ]


def test_a_silence_is_an_alarm_and_a_gap_in_the_record(tmp_path: Path) -> None:
    more = '[[wire_faults]]\nkind = "silence"\nbegins = "1 s"\nlasts = "3 s"\n'
    with rig_text_of(tmp_path, "modbus-rtu", more) as text:
        run, events = recorded(text, tmp_path, lambda _, now_s: now_s > 5.0)
    said = troubles(events)
    # the recorder on the instrument, the procedure on the channels it waits for
    assert said.count("instrument_silent") == 1
    assert said.count("channel_silent") == 2
    marks = [m for m in run.marks if m.by == "recorder"]
    back = next(m for m in marks if m.data.get("instrument_note") == "back")
    assert float(back.data["after_s"]) == pytest.approx(3.0, abs=1.5)
    counted = next(m for m in marks if "counted" in m.data)
    assert int(counted.data["silent"]) >= 1
    assert int(counted.data["failed"]) >= 3
    samples = run.samples[1, "rig-io"]
    missing = (samples.flags[:, 0] & Flag.MISSING) != 0
    assert missing.sum() == int(counted.data["failed"])
    outlet = run.header.rig.channel("outlet")
    assert outlet is not None
    trace = run.trace(outlet, 1)
    assert trace.t_s[-1] > 4.5
    # straight lines are not drawn across it
    good = trace.good()
    widest = int(np.argmax(np.diff(good.t_s)))
    middle = (good.t_s[widest] + good.t_s[widest + 1]) / 2.0
    assert np.isnan(trace.at(np.array([middle]))[0])
    assert np.diff(good.t_s).max() > 2.0


def test_a_wall_clock_set_back_an_hour_changes_no_time(tmp_path: Path) -> None:
    with rig_text_of(tmp_path, "ascii-stream") as text:
        run, _ = recorded(text, tmp_path, lambda _, now_s: now_s > 2.0)
    t = run.samples[1, "rig-io"].t_ns
    assert set(np.diff(t).tolist()) == {50_000_000}
    assert [m.t_s for m in run.marks] == sorted(m.t_s for m in run.marks)


def test_rig_check_tells_what_went_wrong_on_the_wire(tmp_path: Path) -> None:
    more = (
        '[[wire_faults]]\nkind = "bit_error"\nbegins = "0 s"\nlasts = "1 h"\n'
        "share = 0.3\n"
    )
    with rig_text_of(tmp_path, "modbus-rtu", more) as text:
        checked = check_rig(parse_rig(text, "rig.toml"), 2.0)
    assert checked.is_good
    rows = checked.rows
    assert all("crc" in row.faults for row in rows)
    assert all(row.mean_si is not None for row in rows)


SIM_FAULTS = [
    ('protocol = "modbus-rtu"', 'protocol = "modbus-rtv"', "value_wrong_type"),
    ('period = "50 ms"', 'period = "1 ms"', "value_wrong"),
    ('period = "50 ms"', 'period = "1 psi gauge"', "quantity_kind_wrong"),
    ('kind = "late"', 'kind = "tardy"', "value_wrong_type"),
    ('begins = "1 s"', 'begins = "1"', "quantity_unit_missing"),
    ("share = 0.5", "share = 1.5", "value_wrong"),
    ('delay = "300 ms"', "dely = 1", "key_unknown"),
]
GOOD_SIM = SIM.format(
    protocol="modbus-rtu",
    multiple=1.0,
    more='period = "50 ms"\nlink = "ttyRig"\n\n[[wire_faults]]\nkind = "late"\n'
    'begins = "1 s"\nlasts = "2 s"\nshare = 0.5\ndelay = "300 ms"\n',
)


@pytest.mark.parametrize(("good", "bad", "id"), SIM_FAULTS)
def test_a_fault_in_the_sim_file(tmp_path: Path, good: str, bad: str, id: str) -> None:
    path = tmp_path / "sim.toml"
    path.write_text(GOOD_SIM)
    sim = load_sim(path)
    assert sim.door.link == Path("ttyRig")
    assert sim.wire_faults[0].delay_s == pytest.approx(0.3)
    assert good in GOOD_SIM
    path.write_text(GOOD_SIM.replace(good, bad, 1))
    with pytest.raises(InputError) as caught:
        load_sim(path)
    assert caught.value.id == id


@pytest.mark.tree
def test_the_documented_sim_file(tmp_path: Path) -> None:
    page = (Path(__file__).parents[2] / "docs" / "sim-file.md").read_text("utf-8")
    found = re.search(r"```toml\n(.*?)```", page, re.S)
    assert found is not None
    path = tmp_path / "sim.toml"
    path.write_text(found[1])
    sim = load_sim(path)
    assert sim.wire_faults[0].kind == "silence"
    assert sim.faults == {"seat_nicked": 0.5}
    kinds = set(re.findall(r"^\| `([a-z_]+)` \|", page, re.M))
    assert kinds - {"kind"} == set(get_args(Kind))


def test_a_port_that_is_not_there_is_told_with_those_that_are(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with rig_text_of(tmp_path, "modbus-rtu") as text:
        rig = parse_rig(text, "r")
    assert rig.instruments[0].serial is not None
    path = tmp_path / "rig.toml"
    path.write_text(text.replace(rig.instruments[0].serial.port, "/dev/ttyNone"))
    assert main(["rig", "check", str(path), "--json"]) == 4
    told = json.loads(capsys.readouterr().out)["failed"]["rig-io"]
    assert told["id"] == "serial_port_missing"
    assert "Ports of this computer:" in told["what"]


@pytest.mark.parametrize("protocol", ["modbus-rtu", "ascii-stream"])
def test_two_recorders_want_one_port(
    tmp_path: Path, protocol: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with rig_text_of(tmp_path, protocol) as text:
        path = tmp_path / "rig.toml"
        path.write_text(text)
        held = open_instruments(parse_rig(text, "r"), HostClock())
        assert main(["rig", "check", str(path)]) == 4
        assert "held by another program" in capsys.readouterr().out
        for each in held:
            each.close()
        assert main(["rig", "check", str(path), "--seconds", "0.5"]) == 0


@pytest.mark.slow
@pytest.mark.parametrize("protocol", ["modbus-rtu", "ascii-polled", "ascii-stream"])
def test_a_whole_test_over_a_serial_line(tmp_path: Path, protocol: str) -> None:
    with served(tmp_path, 20.0, more=f'protocol = "{protocol}"\n') as rig:
        process = recorder(tmp_path, rig, tmp_path / "run.h5")
        _, err = process.communicate(timeout=300)
    assert process.returncode in (0, 11), err
    run = open_run(tmp_path / "run.h5")
    assert run.header.rig.instruments[0].protocol == protocol
