"""The simulated rig behind a real port: time, valves, sameness."""

import datetime
import socket
import struct
import time

import pytest

from records.errors import InputError, RefusedError, RigError
from rig.simulator.devices import ServedRig, SimulatedRig
from rig.simulator.hands_link import PATIENCE_S, ValveWriter
from rig.simulator.registermap import CLOCK_ADDRESS, DEVICE, INPUT_COUNT
from rig.simulator.rigtext import rig_text
from rig.wire.modbus import TcpLink
from rig.wire.registers import decode

pytestmark = pytest.mark.serial


class Wall:
    """A wall clock that stands still unless it is moved."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def clock_s(link: TcpLink) -> float:
    words = link.read("input", CLOCK_ADDRESS, 4, DEVICE)
    return decode(words, "uint64", "ABCD") * 1e-6


def test_time_runs_from_the_first_request_at_the_stated_multiple() -> None:
    wall = Wall()
    with ServedRig(SimulatedRig(1), multiple=20.0, clock=wall) as served:
        wall.now_s += 3600.0
        link = TcpLink(served.host, served.port, 5.0)
        assert clock_s(link) == 0.0
        for n in range(1, 31):
            wall.now_s += 0.01
            assert clock_s(link) == pytest.approx(0.2 * n, abs=0.011)
        link.close()


def test_faster_than_real_time_it_waits_for_its_reader() -> None:
    wall = Wall()
    with ServedRig(SimulatedRig(1), multiple=20.0, clock=wall) as served:
        link = TcpLink(served.host, served.port, 5.0)
        clock_s(link)
        wall.now_s += 0.5  # the reader was held up: 10 s of rig time would be gone
        assert clock_s(link) == pytest.approx(0.2, abs=0.011)
        wall.now_s += 10.0  # nobody reads any more
        for _ in range(500):
            if served.rig.t_s > 1.0:
                break
            time.sleep(0.01)
        assert served.rig.t_s > 1.0
        link.close()


def test_in_real_time_it_waits_for_nobody() -> None:
    wall = Wall()
    with ServedRig(SimulatedRig(1), multiple=1.0, clock=wall) as served:
        link = TcpLink(served.host, served.port, 5.0)
        clock_s(link)
        for _ in range(4):
            wall.now_s += 0.25
            for _ in range(200):
                if served.rig.t_s >= wall.now_s - 1000.0 - 0.011:
                    break
                time.sleep(0.01)
        assert clock_s(link) == pytest.approx(1.0, abs=0.011)
        link.close()


def test_a_rig_that_can_not_keep_up_runs_slower_and_says_so() -> None:
    wall = Wall()
    with ServedRig(SimulatedRig(1), multiple=20.0, clock=wall) as served:
        link = TcpLink(served.host, served.port, 5.0)
        assert clock_s(link) == 0.0
        wall.now_s += 60.0  # the computer was away for a minute
        late = clock_s(link)
        assert late == pytest.approx(5.0, abs=0.011)
        wall.now_s += 0.01
        assert clock_s(link) == pytest.approx(late + 0.2, abs=0.02)
        link.close()


def test_time_goes_on_between_requests() -> None:
    wall = Wall()
    with ServedRig(SimulatedRig(1), multiple=1.0, clock=wall) as served:
        link = TcpLink(served.host, served.port, 5.0)
        clock_s(link)
        wall.now_s += 0.2
        for _ in range(500):
            if served.rig.t_s > 0.0:
                break
            time.sleep(0.01)
        assert served.rig.t_s == pytest.approx(0.2, abs=0.011)
        link.close()


def test_served_and_in_process_read_the_same() -> None:
    wall = Wall()
    served_words = []
    with ServedRig(SimulatedRig(5), multiple=1.0, clock=wall) as served:
        link = TcpLink(served.host, served.port, 5.0)
        writer = ValveWriter(served.host, served.port, simulated=True)
        for _ in range(20):
            served_words.append(link.read("input", 0, INPUT_COUNT, DEVICE))
            writer.move({"fixture": 1.0, "fill": 0.5})
            wall.now_s += 0.17
        writer.close()
        link.close()
    alone = SimulatedRig(5)
    for i, words in enumerate(served_words):
        t_s = decode(words[:4], "uint64", "ABCD") * 1e-6
        alone.advance_to(t_s)
        assert alone.read("input", 0, INPUT_COUNT) == words
        if i == 0:
            alone.move({"fixture": 1.0, "fill": 0.5})


def test_valves_written_over_the_wire_move_the_gas() -> None:
    wall = Wall()
    with ServedRig(SimulatedRig(1), clock=wall) as served:
        link = TcpLink(served.host, served.port, 5.0)
        clock_s(link)
        writer = ValveWriter(served.host, served.port, simulated=True)
        writer.move({"fixture": 1.0, "inlet": 1.0, "supply_pa_gauge": 30e3})
        for _ in range(20):
            wall.now_s += 0.2
            clock_s(link)
        assert served.rig.plant.inlet_gauge == pytest.approx(30e3, rel=0.01)
        with pytest.raises(RigError) as caught:
            writer.move({"inlet": 1.5})
        assert caught.value.id == "instrument_refused"
        assert caught.value.facts["code"] == "3"
        writer.close()
        link.close()


def test_raw_bytes_of_the_clock_register() -> None:
    # Function 4 for four registers from 0 (Modbus V1.1b3, 6.4): 12 ms is 0x2EE0 us.
    wall = Wall()
    rig = SimulatedRig(1)
    rig.advance_to(0.012)
    with (
        ServedRig(rig, clock=wall) as served,
        socket.create_connection((served.host, served.port), timeout=5) as line,
    ):
        line.sendall(bytes.fromhex("00 2A 00 00 00 06 01 04 00 00 00 04"))
        answer = b""
        while len(answer) < 17:
            answer += line.recv(17 - len(answer))
    assert answer[:9] == bytes.fromhex("00 2A 00 00 00 0B 01 04 08")
    assert struct.unpack(">Q", answer[9:]) == (10_000,)


def test_readings_can_not_be_written() -> None:
    with (
        ServedRig(SimulatedRig(1)) as served,
        socket.create_connection((served.host, served.port), timeout=5) as line,
    ):
        line.sendall(bytes.fromhex("00 01 00 00 00 09 01 10 00 0A 00 01 02 00 00"))
        assert line.recv(64) == bytes.fromhex("00 01 00 00 00 03 01 90 02")


def test_hands_refuse_a_rig_that_is_not_simulated() -> None:
    with pytest.raises(RefusedError) as caught:
        ValveWriter("127.0.0.1", 502, simulated=False)
    assert caught.value.id == "hands_on_real_rig"


def test_hands_refuse_another_computer() -> None:
    with pytest.raises(InputError) as caught:
        ValveWriter("192.0.2.7", 502, simulated=True)
    assert caught.value.id == "rig_not_loopback"


def test_a_rig_is_served_on_this_computer_only() -> None:
    with pytest.raises(InputError) as caught:
        ServedRig(SimulatedRig(1), host="0.0.0.0")
    assert caught.value.id == "rig_not_loopback"


def test_a_failing_rig_says_so() -> None:
    rig = SimulatedRig(1)
    with ServedRig(rig, multiple=1.0) as served:
        link = TcpLink(served.host, served.port, 5.0)
        clock_s(link)

        def fail(t_s: float) -> None:
            raise RuntimeError("planted")

        rig.advance_to = fail  # type: ignore[method-assign]
        with pytest.raises(RigError) as caught:
            served.wait(10.0)
        link.close()
    assert caught.value.id == "simulated_rig_stopped"
    assert caught.value.facts["why"] == "planted"


def test_the_rig_file_names_the_port() -> None:
    with ServedRig(SimulatedRig(1), multiple=4.0) as served:
        text = rig_text(
            served.host, served.port, served.multiple, datetime.date(2026, 6, 15)
        )
    assert f"port = {served.port}\n" in text
    assert "time_multiple = 4.0\n" in text


def test_hands_find_a_rig_that_was_started_anew() -> None:
    put = {"fixture": 2.0, "screw_m": 0.004, "supply_pa_gauge": 69e3}
    with ServedRig(SimulatedRig(3)) as first:
        port = first.port
        writer = ValveWriter(first.host, port, simulated=True)
        writer.move(put)
        assert not writer.is_away
    writer.move({"bleed": 0.25})
    assert writer.is_away
    with ServedRig(SimulatedRig(3), port=port) as second:
        assert second.rig.valves.fixture == 0
        until = time.monotonic() + 30.0
        while writer.is_away:
            assert time.monotonic() < until, "they did not connect again"
            writer.move({})
            time.sleep(0.01)
        stand = writer.positions()
        writer.close()
    for name, position in {**put, "bleed": 0.25}.items():
        assert stand[name] == pytest.approx(position, rel=1e-6)


def test_hands_wait_no_longer_than_their_patience() -> None:
    now = 0.0
    with ServedRig(SimulatedRig(3)) as first:
        port = first.port
        writer = ValveWriter(first.host, port, simulated=True, clock=lambda: now)
    writer.move({"bleed": 0.25})
    now = PATIENCE_S
    writer.move({})
    assert writer.is_away
    now += 1.0
    with pytest.raises(RigError) as caught:
        writer.move({})
    assert caught.value.facts["port"] == str(port)
    writer.close()
