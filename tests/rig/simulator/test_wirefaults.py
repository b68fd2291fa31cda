"""The simulated rig on serial lines, and faults of the wire on their timetable."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from records.errors import InputError, RigError
from records.measure import parse_quantity
from records.rig import Channel
from records.run import reading_si
from rig.acquisition import Acquisition, OpenInstrument, open_instruments
from rig.clock import HostClock
from rig.instruments.reading import Reading
from rig.rigfile import parse_rig
from rig.simulator.devices import InProcessLink, ServedRig, SimulatedRig
from rig.simulator.doors import SERVED_AS, Door
from rig.simulator.hands_link import ValveWriter
from rig.simulator.live import LiveRig
from rig.simulator.rigtext import rig_text
from rig.simulator.textline import StreamedLines, line, pattern
from rig.simulator.wirefaults import Kind, Timetable, WireFault, check_wire_faults
from tests.rig.simulator.bench import shown

pytestmark = pytest.mark.serial


def fault(
    kind: Kind,
    begins: str = "0 s",
    lasts: str = "1 h",
    share: float = 1.0,
    delay: str = "0.1 s",
    code: int = 6,
) -> WireFault:
    return WireFault(
        kind=kind,
        begins=parse_quantity(begins),
        lasts=parse_quantity(lasts),
        share=share,
        delay=parse_quantity(delay),
        code=code,
    )


@contextmanager
def reading(
    protocol: str, *faults: WireFault, seed: int = 5, timeout: str = "200 ms"
) -> Iterator[tuple[ServedRig, OpenInstrument]]:
    """Serve a rig; gives it and the instrument that reads it."""
    door = Door(protocol=protocol)  # type: ignore[arg-type]
    with ServedRig(SimulatedRig(seed), door=door, wire_faults=faults) as served:
        text = rig_text(
            served.host,
            served.port,
            served.multiple,
            door=door,
            serial=served.serial,
            hands_port=served.hands_port,
        )
        text = text.replace("500 ms", timeout).replace('"2 s"', f'"{timeout}"')
        rig = parse_rig(text, "rig.toml")
        (instrument,) = open_instruments(rig, HostClock())
        try:
            yield served, instrument
        finally:
            instrument.close()


def values(instrument: OpenInstrument) -> dict[str, float]:
    got = instrument.read()
    while got is None:
        got = instrument.read()
    raw = np.atleast_2d(np.asarray(got.raw))[-1]
    channels: tuple[Channel, ...] = getattr(instrument, "channels", ())
    return {
        c.role: float(reading_si(c, np.array([v]))[0])
        for c, v in zip(channels, raw, strict=True)
    }


@pytest.mark.parametrize("protocol", SERVED_AS)
def test_every_wire_tells_the_same_gas(protocol: str) -> None:
    with reading(protocol) as (served, instrument):
        found = values(instrument)
        now = shown(served.rig)
        # at rest, but for noise; a line has fewer digits than a register
        assert found["ambient"] == pytest.approx(now.ambient, abs=20.0)
        assert found["gas_temperature"] == pytest.approx(now.gas_temperature, abs=0.05)
        assert found["outlet"] == pytest.approx(now.outlet, abs=10.0)


@pytest.mark.parametrize("protocol", SERVED_AS)
def test_hands_reach_the_valves_of_every_wire(protocol: str) -> None:
    with reading(protocol) as (served, _):
        writer = ValveWriter(served.host, served.hands_port, simulated=True)
        writer.move({"bleed": 0.25})
        assert served.rig.valves.bleed == 0.25
        writer.close()


def test_a_line_is_what_the_registers_hold() -> None:
    rig = SimulatedRig(4)
    rig.advance_to(2.0)
    words = InProcessLink(rig).read("input", 0, 18, 1)
    text = line(words).decode()
    body, check = text.strip().split("*")
    numbers = [float(n) for n in body.split(" ")]
    now = shown(rig)
    assert numbers[0] == 2e6
    assert numbers[1] == pytest.approx(now.outlet, abs=0.05)
    assert numbers[2] * 1e3 == pytest.approx(now.inlet, abs=0.05)
    assert numbers[3] * 1e3 == pytest.approx(now.ambient, abs=0.05)
    total = 0
    for byte in body.encode():
        total ^= byte
    assert int(check, 16) == total
    assert "(?P<outlet>" in pattern()


# What is left right, whatever is done to the answers; each with what is counted of it.
WIRE: list[tuple[str, Kind, set[str]]] = [
    ("modbus-rtu", "split", {"split"}),
    ("modbus-rtu", "duplicate", {"duplicate"}),
    ("modbus-rtu", "stray", {"stray"}),
    ("modbus-rtu", "echo", {"echo"}),
    ("modbus-rtu", "late", {"silent", "late"}),
    ("modbus-rtu", "bit_error", {"crc", "retried"}),
    ("modbus-rtu", "partial", {"partial"}),
    ("modbus-rtu", "silence", {"silent"}),
    ("modbus-rtu", "exception", {"refused"}),
    ("modbus-rtu-tcp", "split", {"split"}),
    ("modbus-rtu-tcp", "bit_error", {"crc", "retried"}),
    ("modbus-tcp", "split", set()),
    ("modbus-tcp", "silence", {"silent"}),
    ("modbus-tcp", "late", {"silent"}),
    ("modbus-tcp", "exception", {"refused"}),
    ("ascii-polled", "split", set()),
    ("ascii-polled", "bit_error", {"garbled"}),
    ("ascii-polled", "silence", {"silent"}),
    ("ascii-polled", "late", {"silent", "late"}),
    ("ascii-polled", "duplicate", {"duplicate"}),
    ("ascii-polled", "exception", {"garbled"}),
    ("ascii-stream", "bit_error", {"garbled"}),
]


@pytest.mark.parametrize(("protocol", "kind", "counted"), WIRE)
def test_faults_of_the_wire_are_counted_and_never_decoded(
    protocol: str, kind: Kind, counted: set[str]
) -> None:
    delay = {"late": "0.25 s", "duplicate": "0.002 s"}.get(kind, "0.05 s")
    hit = fault(kind, share=0.4, delay=delay)
    with reading(protocol, hit, timeout="150 ms") as (served, instrument):
        truth = shown(served.rig)
        good = failed = 0
        last_t = -1
        while served.timetable.hit.get(kind, 0) < 6 or good < 6:
            time.sleep(0.02)
            try:
                got = instrument.read()
            except RigError:
                failed += 1
                continue
            if got is None:
                continue
            for raw in np.atleast_2d(np.asarray(got.raw)):
                good += 1
                ambient = raw[2] * 1e3
                assert math.isclose(ambient, truth.ambient, abs_tol=30.0), raw
                assert math.isclose(raw[1], 0.0, abs_tol=0.5), raw
            if isinstance(got, Reading):
                assert got.t_ns >= last_t, "an older answer"
                last_t = got.t_ns
        seen = set(getattr(instrument, "counts", {}))
        assert counted <= seen, seen
        assert failed or kind not in ("silence", "partial", "late")


def test_the_timetable_keeps_to_its_times() -> None:
    table = Timetable([fault("silence", "2 s", "3 s")], 1)
    got = [bool(table.pieces(b"", b"answer", t)) for t in (0.0, 1.99, 2.0, 4.99, 5.0)]
    assert got == [True, True, False, False, True]
    assert table.hit == {"silence": 2}


def test_the_same_seed_hits_the_same_answers() -> None:
    faults = [fault("bit_error", share=0.3), fault("stray", share=0.2)]

    def run(seed: int) -> list[object]:
        table = Timetable(faults, seed)
        return [table.pieces(b"", b"answer", 0.1 * n) for n in range(50)]

    assert run(3) == run(3)
    assert run(3) != run(4)


@pytest.mark.parametrize(
    ("wrong", "key"),
    [
        (fault("silence", begins="-1 s"), "begins"),
        (fault("silence", lasts="0 s"), "lasts"),
        (fault("silence", share=0.0), "share"),
        (fault("late", delay="100 s"), "delay"),
        (fault("exception", code=9), "code"),
    ],
)
def test_a_timetable_that_can_not_be_kept(wrong: WireFault, key: str) -> None:
    with pytest.raises(InputError) as caught:
        check_wire_faults([fault("silence"), wrong], "sim.toml")
    assert caught.value.id == "value_wrong"
    assert key in caught.value.facts["key"]
    assert "entry 2" in caught.value.facts["key"]


def test_a_lasting_name_for_the_port(tmp_path: Path) -> None:
    link = tmp_path / "ttyRig"
    link.symlink_to("/dev/of/a/server/that/was/here")
    door = Door(protocol="modbus-rtu", link=link)
    with ServedRig(SimulatedRig(1), door=door) as served:
        assert served.serial == str(link)
        assert link.exists()
    assert not link.is_symlink()


def test_a_served_rig_on_a_serial_line_keeps_its_period() -> None:
    with reading("ascii-stream") as (_, instrument):
        clock = HostClock()
        acquisition = Acquisition(1, [instrument], clock)
        t: list[int] = []
        for block in acquisition.blocks():
            t += block.t_ns.tolist()
            if len(t) > 20:
                break
        assert set(np.diff(t).tolist()) == {50_000_000}


def test_a_stream_faster_than_real_time_waits_for_its_reader() -> None:
    door, multiple = Door("ascii-stream"), 20.0
    with ServedRig(SimulatedRig(5), multiple=multiple, door=door) as served:
        text = rig_text(
            served.host,
            served.port,
            multiple,
            door=door,
            serial=served.serial,
            hands_port=served.hands_port,
        )
        rig = parse_rig(text, "rig.toml")
        hands = ValveWriter(served.host, served.hands_port, simulated=True)
        (instrument,) = open_instruments(rig, HostClock(multiple))
        t: list[int] = []
        stalls = 0
        until = time.monotonic() + 60.0
        while len(t) < 400 and time.monotonic() < until:
            found = instrument.read()
            assert not isinstance(found, Reading)
            t += [] if found is None else found.t_ns.tolist()
            if len(t) > 100 * (stalls + 1) and stalls < 3:
                stalls += 1
                # ten seconds of its time, far more than a terminal holds
                time.sleep(0.5)
                hands.move({"bleed": 0.1 * stalls})
        instrument.close()
        hands.close()
    assert stalls == 3
    assert set(np.diff(t).tolist()) == {50_000_000}


def test_a_stream_that_nobody_takes_goes_on_after_a_while() -> None:
    wall = 0.0
    live = LiveRig(SimulatedRig(5), 20.0, lambda: wall, Timetable([], 1))
    lines = StreamedLines(live, Timetable([], 1), 0.05)
    assert not lines.tick(0)
    said = 0
    for _ in range(100):
        wall += 0.05
        said += len(lines.tick(4096) or ())
    assert not said, "a reader that takes nothing is waited for"
    for _ in range(100):
        wall += 0.05
        said += len(lines.tick(4096) or ())
    assert said, "but not for ever"
