"""Calibrating: refused without a fit reference, its uncertainty enters, live too."""

from __future__ import annotations

import datetime
import io
import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from proofstand.bench.calibrate import channel_of, check_reference, make_record
from proofstand.bench.points import Points, load_points, read_points
from proofstand.commands.main import main
from records.calibration import CalibrationPoint, Direction
from records.calibrationfile import load_record, load_reference
from records.errors import InputError, RefusedError
from records.run import reading_si
from rig.clock import HostClock
from rig.rigfile import load_rig, parse_rig
from rig.simulator import live
from rig.simulator.devices import ServedRig, SimulatedRig
from rig.simulator.rigbody import BLANK
from rig.simulator.rigtext import rig_text
from tests.rig.ptys import Port

PSI = 6894.757293168

RIG = """format = "proofstand.rig/1"
id = "bench-2"

[[stations]]
id = "A"

[[instruments]]
id = "loop"
protocol = "modbus-tcp"
host = "192.0.2.10"
period = "50 ms"
timeout = "500 ms"

[[channels]]
id = "inlet"
role = "inlet"
station = "A"
instrument = "loop"
unit = "psi gauge"
scale = 6.25                      # 4 to 20 mA for 0 to 100 psi
offset = -25.0
span = ["0 psi gauge", "100 psi gauge"]
resolution = "0.01 psi difference"
register = { address = 10 }
"""
REFERENCE = """format = "proofstand.reference/1"
id = "R-3"
serial = "invented 0815"
certificate = "5521"
date = 2026-02-01
due = 2027-02-01
range = ["0 psi gauge", "150 psi gauge"]

[[terms]]
name = "certificate"
kind = "offset"
u = "0.010 psi difference"

[[terms]]
name = "span"
kind = "gain"
u = "0.01 %"
"""
# The transmitter of tests/analysis/test_calibration_fit.py, in milliampere.
POINTS = """format = "proofstand.calibration-points/1"
channel = "inlet"
date = 2026-11-20
unit = "psi gauge"
note = "20.5 °C"

[[runs]]
direction = "up"
applied = [0, 20, 40, 60, 80, 100]
raw = [4.002, 7.210, 10.412, 13.612, 16.810, 20.004]

[[runs]]
direction = "down"
applied = [100, 80, 60, 40, 20, 0]
raw = [20.004, 16.818, 13.624, 10.426, 7.222, 4.004]

[[runs]]
direction = "up"
applied = [0, 20, 40, 60, 80, 100]
raw = [4.003, 7.212, 10.410, 13.613, 16.812, 20.005]
"""
CSV = """direction;applied (psi gauge);raw
up;0;4,002
up;20;7,210
up;40;10,412
up;60;13,612
up;80;16,810
up;100;20,004
down;100;20,004
down;80;16,818
down;60;13,624
down;40;10,426
down;20;7,222
down;0;4,004
up;0;4,003
up;20;7,212
up;40;10,410
up;60;13,613
up;80;16,812
up;100;20,005
"""


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    (tmp_path / "rig.toml").write_text(RIG)
    (tmp_path / "R-3.toml").write_text(REFERENCE)
    (tmp_path / "points.toml").write_text(POINTS)
    (tmp_path / "points.csv").write_text(CSV)
    return tmp_path


def calibrate(folder: Path, *more: str, points: str = "points.toml") -> int:
    given = ["rig", "calibrate", "--rig", str(folder / "rig.toml"), "--channel"]
    given += ["inlet", "--points", str(folder / points), "--id", "C-0117"]
    given += ["--due", "2027-11-20", "--by", "P. Quill", *more]
    return main(given)


def with_reference(folder: Path) -> tuple[str, str]:
    return "--reference", str(folder / "R-3.toml")


def test_the_record_holds_curve_uncertainty_and_reference(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert calibrate(bench, *with_reference(bench)) == 0
    said = capsys.readouterr().out
    assert "hysteresis               0.0875 %" in said
    assert 'calibration = "C-0117.toml"' in said
    record = load_record(bench / "C-0117.toml")
    assert record.by == "P. Quill"
    assert record.reference.certificate == "5521"
    assert len(record.points) == 18
    assert {p.run for p in record.points} == {1, 2}
    channel = load_rig(bench / "rig.toml").channels[0]
    reading = reading_si(channel, np.array([13.0]))
    value = float(record.calibration.apply(reading)[0])
    # value and its uncertainty by NIST/SEMATECH e-Handbook 2.3.6, recomputed apart;
    # the record's terms cover it, and the reference's, and not much more
    assert value / PSI == pytest.approx(56.179348, abs=1e-6)
    least = np.hypot(0.0482325, np.hypot(0.010, 1e-4 * 56.179))
    assert least <= record.calibration.u_at(value) / PSI <= 1.15 * least
    assert not record.as_found.allowed
    assert abs(record.as_left.largest) / PSI < 0.1


def test_a_csv_table_says_the_same(bench: Path) -> None:
    rig = load_rig(bench / "rig.toml")
    a = load_points(bench / "points.toml", rig.channels[0])
    b = load_points(bench / "points.csv", rig.channels[0])
    assert [p.run for p in a.points] == [p.run for p in b.points]
    for p, q in zip(a.points, b.points, strict=True):
        assert (p.applied, p.direction) == (q.applied, q.direction)
        assert p.reading == pytest.approx(q.reading)


def test_the_rig_file_names_the_record_and_a_change_is_refused(bench: Path) -> None:
    assert calibrate(bench, *with_reference(bench)) == 0
    path = bench / "rig.toml"
    path.write_text(RIG + 'calibration = "C-0117.toml"\n')
    record = load_record(bench / "C-0117.toml")
    found = load_rig(path).channels[0].calibration
    assert found is not None
    assert found == record.calibration
    assert found.record == record.sha256
    assert "R-3" in found.standard
    text = (bench / "C-0117.toml").read_text()
    (bench / "C-0117.toml").write_text(
        text.replace("due = 2027-11", "due = 2028-11", 1)
    )
    assert main(["rig", "check", str(path)]) == 5
    (bench / "C-0117.toml").write_text(text)
    path.write_text(RIG.replace("bench-2", "bench-3") + 'calibration = "C-0117.toml"\n')
    with pytest.raises(InputError, match="calibration_of_another"):
        load_rig(path)
    path.write_text(RIG + 'calibration = "C-9.toml"\n')
    with pytest.raises(InputError, match="file_missing"):
        load_rig(path)


def test_as_found_is_held_against_the_calibration_in_force(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert calibrate(bench, *with_reference(bench)) == 0
    rig = RIG + 'calibration = "C-0117.toml"\n'
    (bench / "rig.toml").write_text(rig)
    moved = POINTS
    for n in range(18):  # since then the transmitter has moved by 0.04 mA
        old = POINTS.split("raw = [")[1 + n // 6].split("]")[0].split(", ")[n % 6]
        moved = moved.replace(old, f"{float(old) + 0.04:.3f}")
    (bench / "moved.toml").write_text(moved)
    more = [*with_reference(bench), "--out", str(bench / "C-2.toml")]
    assert calibrate(bench, *more, points="moved.toml") == 0
    record = load_record(bench / "C-2.toml")
    assert record.supersedes == "C-0117"
    assert record.as_found.largest / PSI == pytest.approx(0.25, abs=0.12)
    assert not record.as_found.within
    assert record.as_left.within
    said = capsys.readouterr().out
    assert "BEYOND" in said
    assert "Tests since the last good calibration" in said


def test_as_found_and_as_left_are_told_apart(bench: Path) -> None:
    runs = POINTS[POINTS.index("[[runs]]") :]
    before = runs.replace("direction", 'when = "as found"\ndirection')
    before = before.replace("4.00", "4.10")
    (bench / "both.toml").write_text(POINTS + before)
    assert calibrate(bench, *with_reference(bench), points="both.toml") == 0
    record = load_record(bench / "C-0117.toml")
    assert len(record.points) == 36
    assert record.as_found.largest / PSI > 0.5
    one = load_record(bench / "C-0117.toml").coefficients
    (bench / "C-0117.toml").unlink()
    assert calibrate(bench, *with_reference(bench)) == 0
    assert load_record(bench / "C-0117.toml").coefficients == one


@pytest.mark.parametrize("order", ["1", "2", "3"])
def test_a_curve_of_a_stated_order(bench: Path, order: str) -> None:
    assert calibrate(bench, *with_reference(bench), "--order", order) == 0
    record = load_record(bench / "C-0117.toml")
    assert len(record.coefficients) == int(order) + 1
    for point in record.points:
        value = float(record.calibration.apply(np.array(point.reading)))
        off = abs(value - point.applied)
        assert off <= 2.5 * record.calibration.u_at(value)


def refused(folder: Path, capsys: pytest.CaptureFixture[str], *more: str) -> str:
    capsys.readouterr()
    assert calibrate(folder, *more, "--json") == 6
    assert not (folder / "C-0117.toml").exists()
    told = json.loads(capsys.readouterr().out)
    return str(told["id"])


def test_without_a_fit_reference_it_is_refused(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert refused(bench, capsys) == "reference_undeclared"
    path = bench / "R-3.toml"
    path.write_text(REFERENCE.replace("due = 2027-02-01", "due = 2026-11-19"))
    assert refused(bench, capsys, *with_reference(bench)) == "reference_overdue"
    path.write_text(REFERENCE.replace("date = 2026-02-01", "date = 2026-11-21"))
    assert refused(bench, capsys, *with_reference(bench)) == "reference_overdue"
    path.write_text(REFERENCE.replace("150 psi", "90 psi"))
    assert refused(bench, capsys, *with_reference(bench)) == "reference_range"
    # what counts is the day of the calibration: on its last day the reference is good
    path.write_text(REFERENCE.replace("due = 2027-02-01", "due = 2026-11-20"))
    assert calibrate(bench, *with_reference(bench)) == 0


BAD = [
    ('channel = "inlet"', 'channel = "outlet"', "value_wrong"),
    ('unit = "psi gauge"', 'unit = "kPa gauge"', "value_wrong"),
    ("date = 2026-11-20", "date = 2226-11-20", "value_wrong"),
    ('direction = "down"', 'direction = "up"', "calibration_points_wrong"),
    ('direction = "down"', 'direction = "left"', "value_wrong_type"),
    ("applied = [100, 80, 60, 40, 20, 0]", "applied = [1]", "value_wrong"),
    ("7.210", "nan", "calibration_points_wrong"),
    (POINTS[POINTS.index("[[runs]]") :], "runs = []", "calibration_points_wrong"),
    ("[0, 20, 40, 60, 80, 100]", "[0, 0, 0, 0, 100, 100]", "calibration_points_wrong"),
]


@pytest.mark.parametrize(("good", "bad", "id"), BAD)
def test_points_that_can_t_be_used(
    bench: Path, capsys: pytest.CaptureFixture[str], good: str, bad: str, id: str
) -> None:
    assert good in POINTS
    text = POINTS.replace(good, bad)
    if "0, 0, 0" in bad:
        text = text.replace("[100, 80, 60, 40, 20, 0]", "[100, 100, 0, 0, 0, 0]")
    (bench / "points.toml").write_text(text)
    assert calibrate(bench, *with_reference(bench), "--json") == 2
    assert json.loads(capsys.readouterr().out)["id"] == id


@pytest.mark.parametrize(
    ("good", "bad", "id"),
    [
        ("direction;", "way;", "log_column_missing"),
        ("(psi gauge)", "(bar gauge)", "value_wrong"),
        (";raw", ";gross", "log_column_missing"),
        ("up;0;4,002", "up;0;four", "log_line_unreadable"),
        ("up;0;4,002", "sideways;0;4,002", "value_wrong"),
    ],
)
def test_a_csv_that_can_t_be_used(bench: Path, good: str, bad: str, id: str) -> None:
    (bench / "points.csv").write_text(CSV.replace(good, bad))
    with pytest.raises(InputError, match=id) as caught:
        load_points(bench / "points.csv", load_rig(bench / "rig.toml").channels[0])
    assert "points.csv:" in caught.value.where


@pytest.mark.parametrize(
    ("given", "id"),
    [
        (["--order", "9"], "value_wrong"),
        (["--channel", "outlet"], "rig_channel_unknown"),
        (["--due", "2026-01-01"], "value_wrong"),
        (["--due", "soon"], "value_wrong"),
        (["--id", "a/b"], "value_wrong"),
        (["--seconds", "0"], "value_wrong"),
    ],
)
def test_options_that_can_t_be(
    bench: Path, capsys: pytest.CaptureFixture[str], given: list[str], id: str
) -> None:
    assert calibrate(bench, *with_reference(bench), *given, "--json") == 2
    assert json.loads(capsys.readouterr().out)["id"] == id


def test_a_reference_of_another_kind_is_refused(bench: Path) -> None:
    text = REFERENCE.replace("psi gauge", "psi absolute")
    (bench / "R-3.toml").write_text(text)
    channel = channel_of(load_rig(bench / "rig.toml"), "inlet")
    with pytest.raises(InputError, match="psi gauge"):
        check_reference(
            load_reference(bench / "R-3.toml"), channel, datetime.date(2026, 11, 20)
        )


def test_the_uncertainty_of_the_reference_is_not_averaged_away(bench: Path) -> None:
    rig = load_rig(bench / "rig.toml")
    reference = load_reference(bench / "R-3.toml")
    ways: tuple[Direction, ...] = ("up", "down")
    points = tuple(  # a hundred perfect runs
        CalibrationPoint(
            when="as left", run=n, direction=way, applied=x * PSI, reading=x * PSI
        )
        for n in range(1, 101)
        for way in ways
        for x in (0.0, 25.0, 50.0, 75.0, 100.0)
    )
    day = datetime.date(2026, 11, 20)
    record = make_record(
        rig=rig,
        channel=rig.channels[0],
        points=Points(points=points),
        reference=reference,
        order=1,
        id="C-1",
        date=day,
        due=day,
        by="t",
    )
    for x in (0.0, 100.0 * PSI):
        assert record.calibration.u_at(x) >= reference.u_at(x)
    with pytest.raises(RefusedError, match="reference_range"):
        make_record(
            rig=rig,
            channel=rig.channels[0],
            points=Points(
                points=(
                    *points,
                    CalibrationPoint(
                        when="as left",
                        run=101,
                        direction="up",
                        applied=151 * PSI,
                        reading=0.0,
                    ),
                )
            ),
            reference=reference,
            order=1,
            id="C-1",
            date=day,
            due=day,
            by="t",
        )


@pytest.mark.serial
def test_a_channel_read_live_over_a_socket(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "_WAITS_S", 0.3)  # between two points nobody reads
    gas = SimulatedRig(3)
    with ServedRig(gas, multiple=30.0) as served:
        path = tmp_path / "rig.toml"
        path.write_text(rig_text(served.host, served.port, 30.0))
        rig = load_rig(path)
        channel = channel_of(rig, "inlet")
        wanted = iter([0.0, 20e3, 40e3, 60e3, 60e3, 40e3, 20e3, 0.0])
        said: list[str] = []

        def ask(number: int) -> str | None:
            level = next(wanted, None)
            if level is None:
                return None
            if number == 2 and not said[-1].endswith("once more."):
                said.append("asked for nonsense; once more.")
                wanted_back.append(level)
                return "about 20"
            gas.move(
                {
                    "fixture": float(BLANK),
                    "inlet": 1.0,
                    "bleed": 1.0,
                    "supply_pa_gauge": level,
                    "vent_inlet": 1.0 if level == 0.0 else 0.0,
                }
            )
            if level and gas.plant.inlet_gauge > level:
                gas.move({"vent_inlet": 0.05})
            until = time.monotonic() + 20.0
            while abs(gas.plant.inlet_gauge - level) > 40.0 + 0.002 * level:
                assert time.monotonic() < until, (level, gas.plant.inlet_gauge)
                time.sleep(0.02)
            gas.move({"vent_inlet": 1.0 if level == 0.0 else 0.0})
            time.sleep(1.0)
            return f"{gas.plant.inlet_gauge:.3f} Pa gauge"

        wanted_back: list[float] = []
        # a value that can't be read is asked for again
        wanted = _with_returns(wanted, wanted_back)
        points = read_points(
            rig,
            channel,
            seconds=4.0,
            clock=HostClock(rig.time_multiple),
            ask=ask,
            tell=said.append,
        )
    assert len(points) == 8
    assert [p.direction for p in points] == ["up"] * 4 + ["down"] * 4
    assert {p.run for p in points} == {1}
    assert any("about 20" in line for line in said)
    day = datetime.date(2026, 11, 20)
    (tmp_path / "R.toml").write_text(REFERENCE)
    record = make_record(
        rig=rig,
        channel=channel,
        points=Points(points=points),
        reference=load_reference(tmp_path / "R.toml"),
        order=1,
        id="C-1",
        date=day,
        due=day,
        by="t",
    )
    # the true error of the simulated transducer is found within what is claimed
    truth = gas.truth()
    assert record.as_left.within, (record.as_left, truth)
    for point in points:
        value = float(record.calibration.apply(np.array(point.reading)))
        assert abs(value - point.applied) <= 3.0 * record.calibration.u_at(value)


def _with_returns(first: Iterator[float], returned: list[float]) -> Iterator[float]:
    for level in first:
        yield level
        while returned:
            yield returned.pop()


@pytest.mark.serial
def test_live_at_the_terminal(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    # nothing is on the rig: all points read zero, so they make no calibration
    with ServedRig(SimulatedRig(3), multiple=30.0) as served:
        path = tmp_path / "rig.toml"
        path.write_text(rig_text(served.host, served.port, 30.0))
        (tmp_path / "R-3.toml").write_text(REFERENCE)
        monkeypatch.setattr("sys.stdin", io.StringIO("0\nx\n20\n40\n40\n20\n0\n\n"))
        given = ["rig", "calibrate", "--rig", str(path), "--channel", "inlet"]
        given += ["--id", "C-1", "--due", "2100-01-01", "--by", "t"]
        given += ["--date", "2026-11-20", "--seconds", "1", "--json"]
        given += [*with_reference(tmp_path)]
        code = main(given)
    said = capsys.readouterr()
    assert code == 2, said.err
    assert json.loads(said.out)["id"] == "calibration_points_wrong"
    assert said.err.count("mean of") == 6
    assert "once more" in said.err
    assert not (tmp_path / "C-1.toml").exists()


STREAM = """format = "proofstand.rig/1"
id = "bench-2"

[[stations]]
id = "A"

[[instruments]]
id = "gauge"
protocol = "ascii-stream"
serial = {{ port = "{port}", baud = 9600, frame = "8N1" }}
lines = {{ pattern = '(?P<p>[-+0-9.]+)' }}
period = "20 ms"
timeout = "1 s"

[[channels]]
id = "inlet"
role = "inlet"
station = "A"
instrument = "gauge"
unit = "kPa gauge"
span = ["-1 kPa gauge", "100 kPa gauge"]
resolution = "1 Pa difference"
field = "p"
"""


@pytest.mark.serial
def test_what_came_before_the_value_was_typed_is_no_reading(tmp_path: Path) -> None:
    rig = parse_rig(STREAM.format(port=tmp_path / "ttyGauge"), "rig.toml")
    value, stop = [0.0], threading.Event()

    def talk() -> None:
        while not stop.wait(0.02):
            port.say(b"%.3f\n" % value[0])

    def ask(number: int) -> str | None:
        if number > 2:
            return None
        value[0] = 10.0
        time.sleep(1.0)
        value[0] = 50.0
        time.sleep(0.3)
        return "50"

    with Port(tmp_path / "ttyGauge", lambda r: []) as port:
        talking = threading.Thread(target=talk)
        talking.start()
        try:
            points = read_points(
                rig,
                channel_of(rig, "inlet"),
                seconds=0.5,
                clock=HostClock(),
                ask=ask,
                tell=lambda line: None,
            )
        finally:
            stop.set()
            talking.join()
    assert [p.reading for p in points] == pytest.approx([50e3, 50e3], abs=1.0)
