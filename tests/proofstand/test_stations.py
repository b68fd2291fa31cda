"""Two stations of one rig, read by one loop: each run is as if it were alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.judge import judge
from proofstand.procedure.engine import Abandon, Command, prepared_plan
from proofstand.runs import new_header
from proofstand.session import Session, SessionEvent, Troubled
from proofstand.simulated import EPOCH, EPOCH_NS, _Worker, demo_job
from proofstand.stations import record_together
from records.errors import InputError, RigError
from records.journal import read_journal
from records.judgement import Verdict
from records.planfile import builtin_plan
from records.rig import Rig
from records.run import Run, RunState
from rig.acquisition import OpenInstrument
from rig.instruments.modbus import ModbusInstrument, Reading
from rig.instruments.reading import Readings
from rig.rigfile import parse_rig
from rig.simulator.devices import InProcessLink, SimulatedRig
from rig.simulator.hands import Hands
from rig.simulator.rigtext import rig_text

STATIONS = ("left", "right")


class Clock:
    """Moves the gas of both stations."""

    def __init__(self, *rigs: SimulatedRig) -> None:
        self.rigs = rigs
        self.now_ns = 0

    def monotonic_ns(self) -> int:
        return self.now_ns

    def utc_ns(self) -> int:
        return EPOCH_NS + self.now_ns

    def wall_ns(self, elapsed_ns: int) -> int:
        return elapsed_ns

    def sleep_until_ns(self, monotonic_ns: int) -> None:
        self.now_ns = max(self.now_ns, monotonic_ns)
        for rig in self.rigs:
            rig.advance_to(self.now_ns * 1e-9)


def two_stations() -> Rig:
    """Return two simulated stations that share the barometer of the first."""
    one = parse_rig(rig_text("127.0.0.1", 502, 1.0, EPOCH.date()), "rig")
    instruments, channels = [], []
    for station in STATIONS:
        instruments += [replace(i, id=f"{station}-io") for i in one.instruments]
        for c in one.channels:
            if c.role == "ambient":
                if station == STATIONS[0]:
                    shared = replace(c, station="", stations=STATIONS)
                    channels.append(replace(shared, instrument=f"{station}-io"))
                continue
            channels.append(
                replace(
                    c,
                    id=f"{station}-{c.id}",
                    station=station,
                    instrument=f"{station}-io",
                )
            )
    return replace(
        one,
        stations=tuple(replace(one.stations[0], id=s) for s in STATIONS),
        instruments=tuple(instruments),
        channels=tuple(channels),
    )


class Bench:
    def __init__(self, folder: Path, *on: str) -> None:
        self.folder = folder
        self.rig = two_stations()
        self.gas = {s: SimulatedRig(n + 1) for n, s in enumerate(STATIONS)}
        self.clock = Clock(*(self.gas[s] for s in STATIONS))
        self.events: dict[str, list[SessionEvent]] = {s: [] for s in STATIONS}
        self.on = on or STATIONS

    def instruments(self, rig: Rig) -> list[OpenInstrument]:
        return [
            ModbusInstrument(
                i,
                rig.columns(i.id),
                InProcessLink(self.gas[i.id.removesuffix("-io")]),
                self.clock,
            )
            for i in rig.instruments
        ]

    def session(self, station: str, instruments: list[OpenInstrument]) -> Session:
        plan, text = builtin_plan("low-pressure")
        whole = prepared_plan(plan, demo_job())
        # short: with what no regulator is needed for
        kinds = ("zero", "rig-hold", "vent-down", "closing-zero")
        steps = tuple(s for s in whole.steps if s.kind in kinds)
        prepared = replace(whole, steps=steps)
        rig = self.rig.for_station(station)
        header = new_header(
            origin="record",
            job=demo_job(),
            plan=prepared,
            plan_text=text,
            rig=rig,
            utc_ns=EPOCH_NS,
            run_id=f"at-{station}",
        )
        seed = STATIONS.index(station) + 1
        return Session(
            header=header,
            plan=prepared,
            rig=rig,
            journal=self.folder / f"{station}.journal",
            instruments=instruments,
            clock=self.clock,
            tell=self.events[station].append,
            hands=_Worker(Hands(seed), self.gas[station].move),
        )

    def together(
        self, commands: dict[str, list[Command]] | None = None
    ) -> dict[str, str]:
        said = dict(commands or {})
        return record_together(
            {s: self.session(s, []) for s in self.on},
            rig=self.rig,
            instruments=self.instruments(self.rig),
            clock=self.clock,
            commands=lambda s: said.pop(s, []),
        )

    def run(self, station: str) -> Run:
        return read_journal(self.folder / f"{station}.journal").run


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    bench = Bench(tmp_path_factory.mktemp("both"))
    assert bench.together() == {"left": "done", "right": "done"}
    return bench


@pytest.mark.parametrize("station", STATIONS)
def test_a_station_s_run_is_as_if_it_were_alone(
    both: Bench, tmp_path: Path, station: str
) -> None:
    alone = Bench(tmp_path, station)
    rig = alone.rig.for_station(station)
    session = alone.session(station, alone.instruments(rig))
    assert session.run(lambda: ()) == "done"
    a, b = alone.run(station), both.run(station)
    assert a.header == b.header
    assert b.header.station == station
    assert [s.id for s in b.header.rig.stations] == [station]
    assert a.marks == b.marks
    for key, s in a.samples.items():
        n = len(s.t_ns)
        np.testing.assert_array_equal(s.t_ns, b.samples[key].t_ns[:n])
        np.testing.assert_array_equal(s.raw, b.samples[key].raw[:n])
    assert judge(b).verdict is Verdict.PASS


def test_the_shared_barometer_is_in_both_runs(both: Bench) -> None:
    traces = []
    for station in STATIONS:
        run = both.run(station)
        ambient = run.header.rig.channel("ambient")
        assert ambient is not None
        traces.append(run.trace(ambient, 1))
    shorter = min(len(t) for t in traces)
    np.testing.assert_array_equal(traces[0].value[:shorter], traces[1].value[:shorter])


def test_a_station_that_is_abandoned_leaves_the_other_alone(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    left_alone: list[Command] = []
    stops = 0

    def commands(station: str) -> list[Command]:
        nonlocal stops
        stops += 1
        if station == "left" and stops > 200:
            return [Abandon("wrong card", "P. Quill")]
        if station == "right" and stops > 800:
            return [Abandon("enough seen", "P. Quill")]
        return left_alone

    ended = record_together(
        {s: bench.session(s, []) for s in STATIONS},
        rig=bench.rig,
        instruments=bench.instruments(bench.rig),
        clock=bench.clock,
        commands=commands,
    )
    assert ended == {"left": "abandoned", "right": "abandoned"}
    lengths = {
        s: max(x.t_ns[-1] for x in bench.run(s).samples.values()) for s in STATIONS
    }
    assert lengths["right"] > 2 * lengths["left"]


def test_a_journal_that_can_t_be_made_fails_its_own_station(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    (tmp_path / "left.journal").write_text("taken")
    stops = 0

    def commands(station: str) -> list[Command]:
        nonlocal stops
        stops += 1
        return [Abandon("enough seen", "P. Quill")] if stops > 50 else []

    ended = record_together(
        {s: bench.session(s, []) for s in STATIONS},
        rig=bench.rig,
        instruments=bench.instruments(bench.rig),
        clock=bench.clock,
        commands=commands,
    )
    assert ended == {"left": "failed", "right": "abandoned"}
    told = [e.error for e in bench.events["left"] if isinstance(e, Troubled)]
    assert [e.id for e in told] == ["file_exists"]
    assert isinstance(told[0], InputError)
    assert (tmp_path / "left.journal").read_text() == "taken"
    assert bench.run("right").state is RunState.CLOSED


def test_a_rig_that_fails_interrupts_every_station(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    instruments = bench.instruments(bench.rig)
    plain, reads = instruments[1].read, 0

    def read() -> Reading | Readings | None:
        nonlocal reads
        reads += 1
        if reads > 100:
            raise RigError("instrument_refused", where="right-io", host="h", port=1)
        return plain()

    instruments[1].read = read  # type: ignore[method-assign]
    with pytest.raises(RigError):
        record_together(
            {s: bench.session(s, []) for s in STATIONS},
            rig=bench.rig,
            instruments=instruments,
            clock=bench.clock,
            commands=lambda s: [],
        )
    for station in STATIONS:
        run = bench.run(station)
        assert run.state is RunState.INTERRUPTED
        last = run.marks[-1].data
        assert last["trouble"] == "instrument_lost"
        assert last["cause"] == "instrument_refused"
