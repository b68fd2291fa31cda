"""Instruments that speak in lines of text, on real pseudo terminals."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from records.errors import RigError
from records.trace import Flag
from rig.acquisition import open_instruments
from rig.clock import HostClock
from rig.instruments.ascii import PolledAscii, StreamedAscii
from rig.instruments.reading import Reading, Readings
from rig.rigfile import parse_rig
from rig.simulator.textline import checked
from tests.rig.ptys import Doing, Port

pytestmark = pytest.mark.serial

HEAD = """format = "proofstand.rig/1"
id = "bench"

[[stations]]
id = "A"

[[instruments]]
id = "scale"
protocol = "{protocol}"
serial = {{ port = "{port}", baud = 9600, frame = "8N1" }}
period = "{period}"
timeout = "200 ms"
{clock}
[instruments.lines]
pattern = '{pattern}'
{send}

[[channels]]
id = "outlet"
role = "outlet"
station = "A"
instrument = "scale"
unit = "kPa gauge"
span = ["-1 kPa gauge", "10 kPa gauge"]
resolution = "1 Pa difference"
field = "p"
status = {{ field = "s", accepts = ["OK", "OV?"] }}

[[channels]]
id = "second"
role = "second"
station = "A"
instrument = "scale"
unit = "°C"
span = ["-10 °C", "80 °C"]
resolution = "0.1 K"
field = "q"
"""
PATTERN = r"(?P<s>OK|OV|ER) (?P<p>[-+0-9.]+) ?(?P<q>[-+0-9.]*)"


def opened(
    port: Port,
    protocol: str = "ascii-polled",
    pattern: str = PATTERN,
    clock: str = "",
    period: str = "100 ms",
) -> PolledAscii | StreamedAscii:
    send = 'send = "P\\r\\n"' if protocol == "ascii-polled" else ""
    text = HEAD.format(
        protocol=protocol,
        port=port.name,
        pattern=pattern,
        send=send,
        clock=clock,
        period=period,
    )
    (instrument,) = open_instruments(parse_rig(text, "rig.toml"), HostClock())
    assert isinstance(instrument, PolledAscii | StreamedAscii)
    return instrument


def once(instrument: PolledAscii | StreamedAscii) -> Reading:
    reading = instrument.read()
    assert isinstance(reading, Reading)
    return reading


@pytest.fixture
def port(tmp_path: Path) -> Iterator[Port]:
    with Port(tmp_path / "ttyScale", lambda r: [b"OK 1.25 20.5\r\n"]) as made:
        yield made


def test_a_line_is_asked_for_and_taken_apart(port: Port) -> None:
    scale = opened(port)
    reading = once(scale)
    assert list(reading.raw) == [1.25, 20.5]
    assert list(reading.flags) == [0, 0]
    assert port.heard == [b"P\r\n"]
    scale.close()


def test_status_and_a_missing_field(port: Port) -> None:
    port.device = lambda r: [b"ER 1.25\n"]
    scale = opened(port)
    reading = once(scale)
    assert list(reading.flags) == [Flag.DEVICE, 0]
    assert reading.raw[0] == 1.25
    assert np.isnan(reading.raw[1])
    scale.close()


def in_turn(*answers: list[bytes | float]) -> Doing:
    left = list(answers)
    return lambda r: left.pop(0) if left else [b"OK 9.0 9.0\n"]


@pytest.mark.parametrize(
    ("answers", "raw", "told"),
    [
        ([[b"OK 1.2"], [b"x"]], None, {"partial": "1"}),
        ([[]], None, {"silent": "1"}),
        ([[b"rubbish\n"], [b"OK 2.0 1.0\n"]], 2.0, {"garbled": "1", "retried": "1"}),
        ([[b"OK 1.2.3 1\n"], [b"OK 2.0 1.0\n"]], 2.0, {"garbled": "1", "retried": "1"}),
        ([[b"rub\n"], [b"bish\n"]], None, {"garbled": "2", "retried": "1"}),
        ([[b"P\r\n", b"OK 2.0 1.0\n"]], 2.0, {"echo": "1"}),
        ([[b"OK 2", 0.05, b".0 1.0\n"]], 2.0, {}),
    ],
)
def test_what_is_wrong_is_counted_not_decoded(
    port: Port,
    answers: list[list[bytes | float]],
    raw: float | None,
    told: dict[str, str],
) -> None:
    port.device = in_turn(*answers)
    scale = opened(port)
    if raw is None:
        with pytest.raises(RigError) as caught:
            once(scale)
        assert caught.value.id in ("instrument_silent", "instrument_wrong_answer")
        assert caught.value.facts["at"] == str(port.name)
    else:
        assert once(scale).raw[0] == raw
    assert scale.counts == {k: int(v) for k, v in told.items()} | {
        k: 0 for k in scale.counts if k not in told
    }
    scale.close()


def test_a_late_line_is_not_taken_for_the_next(port: Port) -> None:
    port.device = in_turn([0.3, b"OK 1.0 1.0\n"], [b"OK 2.0 1.0\n"])
    scale = opened(port)
    with pytest.raises(RigError, match="instrument_silent"):
        once(scale)
    assert once(scale).raw[0] == 2.0
    assert scale.counts["late"] == 1
    scale.close()


def test_a_line_too_many_tells_that_the_one_before_was_older(port: Port) -> None:
    port.device = in_turn([b"OK 1.0 1.0\nOK 2.0 1.0\n"], [b"OK 3.0 1.0\n"])
    scale = opened(port)
    first, second = once(scale), once(scale)
    assert (first.raw[0], second.raw[0]) == (1.0, 3.0)
    assert (first.late_before, second.late_before) == (False, True)
    scale.close()


def test_the_same_line_twice_is_a_double(port: Port) -> None:
    port.device = in_turn([b"OK 1.0 1.0\nOK 1.0 1.0\n"], [b"OK 3.0 1.0\n"])
    scale = opened(port)
    once(scale)
    assert not once(scale).late_before
    assert scale.counts["duplicate"] == 1
    scale.close()


def test_a_check_is_looked_at(port: Port) -> None:
    # The form of NMEA 0183: $ and what follows up to the star is checked by an
    # exclusive or, two hexadecimal digits; the sentence is an example of many texts.
    sentence = b"GPGLL,5057.970,N,00146.110,E,142451,A"
    total = 0
    for byte in sentence:
        total ^= byte
    assert f"{total:02X}" == "27"
    assert checked(sentence.decode()) == sentence + b"*27\r\n"
    pattern = r"(?P<checked>(?P<s>OK) (?P<p>[0-9.]+) (?P<q>[0-9.]+))\*(?P<check>..)"
    good = checked("OK 1.5 2.5")
    port.device = in_turn([good.replace(b"1", b"3")], [good], [good[:-4] + b"zz\r\n"])
    scale = opened(port, pattern=pattern)
    assert once(scale).raw[0] == 1.5
    assert scale.counts["garbled"] == 1
    scale.close()


def streamed(scale: PolledAscii | StreamedAscii, wanted: int) -> Readings:
    parts: list[Readings] = []
    for _ in range(400):
        found = scale.read()
        if found is not None:
            assert isinstance(found, Readings)
            parts.append(found)
        if sum(p.t_ns.size for p in parts) >= wanted:
            break
        time.sleep(0.005)
    return Readings(
        np.concatenate([p.t_ns for p in parts]),
        np.concatenate([p.host_ns for p in parts]),
        np.concatenate([p.raw for p in parts]),
        np.concatenate([p.flags for p in parts]),
    )


def test_a_free_running_instrument_is_listened_to(port: Port) -> None:
    scale = opened(port, "ascii-stream", period="10 ms")
    port.say(b"tail of a line\n")
    for n in range(50):
        port.say(f"OK {n}.5 1".encode())
        time.sleep(0.002)
        port.say(b"\r\n" if n % 7 else b"\r\nrub?bish\r\n")
    got = streamed(scale, 58)
    garbled = np.isnan(got.raw[:, 0])
    np.testing.assert_array_equal(got.raw[~garbled, 0], np.arange(50) + 0.5)
    # what could not be read is in the record, at its place
    assert scale.counts["garbled"] == 8
    assert np.flatnonzero(garbled).tolist() == [1, 9, 17, 25, 33, 41, 49, 57]
    assert set(got.flags[garbled].ravel().tolist()) == {int(Flag.MISSING)}
    assert np.all(np.diff(got.t_ns) > 0)
    assert port.heard == [], "nothing is sent to what talks by itself"
    scale.close()


def test_a_free_running_instrument_with_a_clock(port: Port) -> None:
    pattern = r"(?P<t>\d+) (?P<s>OK) (?P<p>\S+) (?P<q>\S+)"
    clock = 'clock = { field = "t", tick = "1 ms" }'
    scale = opened(port, "ascii-stream", pattern, clock)
    port.say(b"\n" + b"".join(b"%d OK 1 2\n" % (7000 + 10 * n) for n in range(5)))
    got = streamed(scale, 5)
    assert (got.t_ns // 1_000_000).tolist() == [7000, 7010, 7020, 7030, 7040]
    scale.close()


def test_a_garbled_line_among_those_with_a_clock_has_its_place_in_time(
    port: Port,
) -> None:
    pattern = r"(?P<t>\d+) (?P<s>OK) (?P<p>\S+) (?P<q>\S+)"
    clock = 'clock = { field = "t", tick = "1 ms" }'
    scale = opened(port, "ascii-stream", pattern, clock, period="10 ms")
    port.say(b"\n70?0 OK 1 2\n7010 OK 1 2\n702\n7030 OK 1 2\nrubbish\n")
    got = streamed(scale, 5)
    assert (got.t_ns // 1_000_000).tolist() == [7000, 7010, 7020, 7030, 7040]
    assert (got.flags[:, 0] == Flag.MISSING).tolist() == [True, False] * 2 + [True]
    scale.close()


def test_what_came_while_the_computer_stood_still_is_read_at_once_and_marked_late(
    port: Port,
) -> None:
    scale = opened(port, "ascii-stream", period="10 ms")
    assert scale.read() is None
    port.say(b"half a line\nOK 0 1\n")
    assert streamed(scale, 1).flags.tolist() == [[0, 0]]
    # more than the system hands over in one piece
    lines = b"".join(b"OK %d 1\n" % n for n in range(1500))
    writing = threading.Thread(target=port.say, args=(lines,))
    writing.start()
    time.sleep(0.8)
    first = scale.read()
    assert isinstance(first, Readings)
    assert first.t_ns.size > 600
    assert set(first.flags.ravel().tolist()) == {int(Flag.LATE)}
    rest = 1500 - first.t_ns.size
    values = first.raw[:, 0].tolist()
    if rest:
        values += streamed(scale, rest).raw[:, 0].tolist()
    writing.join()
    assert values == list(range(1500))
    scale.close()


def test_a_free_running_instrument_that_stops_is_silent(port: Port) -> None:
    scale = opened(port, "ascii-stream")
    port.say(b"\nOK 1 2\n")
    streamed(scale, 1)
    assert scale.read() is None
    time.sleep(0.25)
    with pytest.raises(RigError, match="instrument_silent"):
        scale.read()
    port.say(b"OK 3 4\n")
    time.sleep(0.05)
    assert streamed(scale, 1).raw[0, 0] == 3.0
    port.pull()
    with pytest.raises(RigError, match="instrument_no_connection"):
        scale.read()
    port.put_back()
    assert scale.read() is None
    port.say(b"ail\nOK 5 6\n")
    assert streamed(scale, 1).raw[0, 0] == 5.0
    assert scale.counts["reopened"] == 1
    scale.close()


def test_bytes_without_an_end_are_no_line(port: Port) -> None:
    scale = opened(port, "ascii-stream")
    port.say(b"\n" + b"x" * 3000)
    scale.read()
    port.say(b"x" * 3000)
    scale.read()
    port.say(b"xx\nOK 1 2\n")
    assert streamed(scale, 1).raw[-1, 0] == 1.0
    assert scale.counts["garbled"] == 1
    scale.close()
