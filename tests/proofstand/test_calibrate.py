"""Calibrating: refused without a fit reference, its uncertainty enters, live too."""

from __future__ import annotations

import datetime
import io
import json
import re
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest

from proofstand.bench.calibrate import channel_of, check_reference, make_record
from proofstand.bench.live_points import read_points
from proofstand.bench.points import Points, load_points
from proofstand.bench.points_csv import KeptPoints
from proofstand.commands.main import main
from proofstand.commands.options import NotedInterrupt
from records.calibration import CalibrationPoint, Direction, When
from records.calibrationfile import load_record, load_reference
from records.errors import InputError, RefusedError
from records.run import reading_si
from rig.clock import HostClock
from rig.rigfile import load_rig, parse_rig
from rig.simulator import live
from rig.simulator.devices import ServedRig, SimulatedRig
from rig.simulator.rigbody import BLANK
from rig.simulator.rigtext import rig_text
from tests.proofstand.rigs import command
from tests.rig.ptys import Port

PSI = 6894.757293168
DAY = datetime.date(2026, 11, 20)

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
    # by hand in tests/analysis/test_calibration_fit.py
    assert "largest error            0.0923 %" in said
    assert "non-linearity            0.0488 %" in said
    assert "terminal-based 0.0928 %" in said
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
    assert record.as_found is None
    assert "as found   not taken" in said
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
    scaled = RIG.replace("scale = 6.25", "scale = 12.5")
    assert scaled != RIG
    path.write_text(scaled + 'calibration = "C-0117.toml"\n')
    with pytest.raises(InputError, match="calibration_of_other_readings"):
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
    found = moved.replace("direction", 'when = "as found"\ndirection')
    (bench / "moved.toml").write_text(found)
    more = [*with_reference(bench), "--out", str(bench / "C-2.toml")]
    assert calibrate(bench, *more, points="moved.toml") == 0
    record = load_record(bench / "C-2.toml")
    assert record.supersedes == "C-0117"
    assert record.left_alone
    assert record.as_found is not None
    assert record.as_found.largest / PSI == pytest.approx(0.25, abs=0.12)
    assert not record.as_found.within
    assert record.as_left.within
    said = capsys.readouterr().out
    assert "BEYOND" in said
    assert "Tests since the last good calibration may be wrong" in said
    assert "as left    not adjusted" in said
    # the same numbers as left say nothing of how it was found, and that is said
    (bench / "moved.toml").write_text(moved)
    more[-1] = str(bench / "C-3.toml")
    assert calibrate(bench, *more, points="moved.toml") == 0
    unknown = load_record(bench / "C-3.toml")
    assert unknown.as_found is None
    assert unknown.coefficients == record.coefficients
    said = capsys.readouterr().out
    assert "As found was not taken" in said
    assert "under C-0117" in said


def test_as_found_and_as_left_are_told_apart(bench: Path) -> None:
    runs = POINTS[POINTS.index("[[runs]]") :]
    before = runs.replace("direction", 'when = "as found"\ndirection')
    before = before.replace("4.00", "4.10")
    after = POINTS.replace("direction", 'when = "as left"\ndirection')
    (bench / "both.toml").write_text(after + before)
    assert calibrate(bench, *with_reference(bench), points="both.toml") == 0
    record = load_record(bench / "C-0117.toml")
    assert len(record.points) == 36
    assert not record.left_alone
    assert record.as_found is not None
    assert record.as_found.largest / PSI > 0.5
    one = load_record(bench / "C-0117.toml").coefficients
    (bench / "C-0117.toml").unlink()
    assert calibrate(bench, *with_reference(bench)) == 0
    assert load_record(bench / "C-0117.toml").coefficients == one


def test_when_is_said_everywhere_or_nowhere(bench: Path) -> None:
    channel = load_rig(bench / "rig.toml").channels[0]
    assert {p.when for p in load_points(bench / "points.toml", channel).points} == {
        "as left"
    }
    some = POINTS.replace("direction", 'when = "as found"\ndirection', 1)
    (bench / "points.toml").write_text(some)
    with pytest.raises(InputError, match="when") as caught:
        load_points(bench / "points.toml", channel)
    assert "run 2 (down), point 1" in caught.value.where


@pytest.mark.parametrize("order", ["1", "2", "3"])
def test_a_curve_of_a_stated_order(
    bench: Path, capsys: pytest.CaptureFixture[str], order: str
) -> None:
    assert calibrate(bench, *with_reference(bench), "--order", order) == 0
    assert ("conformity" in capsys.readouterr().out) == (order != "1")
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
        ("up;0;4,002", "up;;4,002", "log_line_unreadable"),
        ("up;0;4,002", "up;0", "value_wrong"),
        ("up;0;4,002", "up;0;4,002;1", "value_wrong"),
        (";raw", ";raw;raw", "value_wrong"),
        (";raw", ";raw;reading", "value_wrong"),
        ("direction;", "direction;direction;", "value_wrong"),
        (";raw", ";current (mA)", "value_wrong"),
    ],
)
def test_a_csv_that_can_t_be_used(bench: Path, good: str, bad: str, id: str) -> None:
    (bench / "points.csv").write_text(CSV.replace(good, bad))
    with pytest.raises(InputError, match=id) as caught:
        load_points(bench / "points.csv", load_rig(bench / "rig.toml").channels[0])
    assert "points.csv:" in caught.value.where


@pytest.mark.parametrize(
    "text",
    [CSV.splitlines()[0], CSV.splitlines()[0] + "\n\n;;\n"],
    ids=["head", "empty lines"],
)
def test_a_csv_without_points(bench: Path, text: str) -> None:
    (bench / "points.csv").write_text(text)
    with pytest.raises(InputError, match="calibration_points_wrong") as caught:
        load_points(bench / "points.csv", load_rig(bench / "rig.toml").channels[0])
    assert "none under" in caught.value.facts["why"]
    assert caught.value.where.endswith("points.csv")


def test_decimal_commas_between_commas_are_told(bench: Path) -> None:
    (bench / "points.csv").write_text(CSV.replace(";", ","))
    with pytest.raises(InputError, match="decimal commas") as caught:
        load_points(bench / "points.csv", load_rig(bench / "rig.toml").channels[0])
    assert caught.value.where.endswith("points.csv:2")


def test_a_csv_as_a_spreadsheet_writes_it(bench: Path) -> None:
    channel = load_rig(bench / "rig.toml").channels[0]
    wanted = load_points(bench / "points.csv", channel)
    (bench / "points.csv").write_text(
        ";;;;\r\n" + CSV.replace("\n", ";;\r\n"), "utf-8-sig"
    )
    found = load_points(bench / "points.csv", channel)
    assert found.points == wanted.points
    assert found.places[0].endswith("points.csv:3")


def test_open_directions_are_told_by_the_values(bench: Path) -> None:
    channel = load_rig(bench / "rig.toml").channels[0]
    wanted = load_points(bench / "points.csv", channel).points
    open_ones = CSV.replace("up;", ";").replace("down;", ";")
    (bench / "points.csv").write_text(open_ones)
    found = load_points(bench / "points.csv", channel).points
    # coming down to zero, then up from zero: the same level again turns round
    assert found == wanted
    # down first: the second point shows the way of the first
    (bench / "points.csv").write_text(
        "when;direction;applied (psi gauge);raw\n"
        "as found;;100;20,0\nas found;;50;12,0\nas found;;0;4,0\n"
        "as left;;0;4,0\nas left;;50;12,0\n"
    )
    found = load_points(bench / "points.csv", channel).points
    assert [p.direction for p in found] == ["down"] * 3 + ["up"] * 2
    assert [p.run for p in found] == [1, 1, 1, 2, 2]


LOOP = RIG.replace(
    """scale = 6.25                      # 4 to 20 mA for 0 to 100 psi
offset = -25.0
span = ["0 psi gauge", "100 psi gauge"]
""",
    """scale = 0.001                     # counts of a microampere
loop = { low = "0 psi gauge", high = "100 psi gauge" }
span = ["-1.25 psi gauge", "103.125 psi gauge"]
""",
)
# microampere, milliampere, and what the loop stands for
COUNTS = re.sub(
    r"raw = \[(.*)\]",
    lambda m: f"raw = [{', '.join(x.replace('.', '') for x in m[1].split(', '))}]",
    POINTS,
)


def test_a_transmitter_read_as_counts_current_or_pressure(bench: Path) -> None:
    (bench / "rig.toml").write_text(LOOP)
    channel = load_rig(bench / "rig.toml").channels[0]
    assert channel.loop is not None
    (bench / "counts.toml").write_text(COUNTS)
    (bench / "current.toml").write_text(POINTS.replace("raw =", "current ="))
    pressures = re.sub(
        r"raw = \[(.*)\]",
        lambda m: (
            "reading = "
            + str([(float(x) - 4.0) / 16.0 * 100.0 for x in m[1].split(", ")])
        ),
        POINTS,
    )
    (bench / "pressure.toml").write_text(pressures)
    counts = load_points(bench / "counts.toml", channel).points
    # 4 to 20 mA for 0 to 100 psi: 7.210 mA is 20.0625 psi
    assert counts[1].reading / PSI == pytest.approx(20.0625)
    for name in ("current.toml", "pressure.toml"):
        found = load_points(bench / name, channel).points
        for p, q in zip(counts, found, strict=True):
            assert p.reading == pytest.approx(q.reading, abs=1e-6)
    assert calibrate(bench, *with_reference(bench), points="counts.toml") == 0


@pytest.mark.parametrize(
    ("rig", "old", "new", "where", "said"),
    [
        # milliampere where the scale takes counts, and counts where it takes mA
        (LOOP, "", "", "run 1 (up), point 1", "0.004002 mA"),
        (RIG, "7.210", "7210", "run 1 (up), point 2", "45037.5 psi gauge"),
        # NAMUR NE 43 (from memory): failure up to 3.6 and from 21 mA on,
        # measurement from 3.8 to 20.5 mA
        (LOOP, "4004", "3600", "run 2 (down), point 6", "failure by NAMUR NE 43"),
        (LOOP, "20005", "21000", "run 3 (up), point 6", "failure by NAMUR NE 43"),
        (LOOP, "4004", "3700", "run 2 (down), point 6", "no measurement by NAMUR NE"),
        (LOOP, "20005", "20600", "run 3 (up), point 6", "no measurement by NAMUR NE"),
        # 3.125 psi above the span and 1.25 psi below it is the most: 20.5 and 3.8 mA
        (RIG, "20.005", "20.501", "run 3 (up), point 6", "beyond its span, 0 psi"),
        (RIG, "4.004", "3.799", "run 2 (down), point 6", "beyond its span, 0 psi"),
    ],
)
def test_what_the_channel_can_t_have_measured_is_refused(
    bench: Path,
    capsys: pytest.CaptureFixture[str],
    rig: str,
    old: str,
    new: str,
    where: str,
    said: str,
) -> None:
    (bench / "rig.toml").write_text(rig)
    points = COUNTS if rig == LOOP and old else POINTS
    assert old in points
    (bench / "points.toml").write_text(points.replace(old, new) if old else points)
    assert calibrate(bench, *with_reference(bench), "--json") == 2
    told = json.loads(capsys.readouterr().out)
    assert told["id"] == "calibration_point_outside"
    assert told["where"].endswith(where)
    assert said in told["what"]
    assert "psi gauge to 10" in told["what"]
    takes = "raw × 0.001 + 0 = mA" if rig == LOOP else "raw × 6.25 - 25 = psi gauge"
    assert takes in told["do"]
    assert not (bench / "C-0117.toml").exists()


@pytest.mark.parametrize(
    ("rig", "old", "new"),
    [
        (RIG, "4.004", "3.801"),
        (RIG, "20.005", "20.499"),
        (LOOP, "4004", "3800"),
        (LOOP, "20005", "20500"),
    ],
)
def test_a_little_beyond_the_ends_is_measured(
    bench: Path, rig: str, old: str, new: str
) -> None:
    (bench / "rig.toml").write_text(rig)
    points = COUNTS if rig == LOOP else POINTS
    assert old in points
    (bench / "points.toml").write_text(points.replace(old, new))
    assert calibrate(bench, *with_reference(bench)) == 0


def test_a_wrong_scale_inside_the_span_is_told(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # milliampere given as pressures: all within the span, and nonsense
    (bench / "points.toml").write_text(POINTS.replace("raw =", "reading ="))
    assert calibrate(bench, *with_reference(bench), "--json") == 0
    warnings = json.loads(capsys.readouterr().out)["warnings"]
    assert any("off by up to 80 % of its span" in each for each in warnings)


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
        check_reference(load_reference(bench / "R-3.toml"), channel, DAY)


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
    day = DAY
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

        def ask(number: int, when: When) -> str | None:
            assert when == "as found"
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
        with KeptPoints(tmp_path, "C-1", channel, DAY) as kept:
            taken = read_points(
                rig,
                channel,
                seconds=4.0,
                clock=HostClock(rig.time_multiple),
                keep=kept,
                ask=ask,
                tell=said.append,
            )
    points = taken.points
    assert len(points) == 8, said
    # what was kept makes the same calibration
    again = load_points(kept.path, channel)
    assert again.date == DAY
    for p, q in zip(points, again.points, strict=True):
        assert (p.when, p.run, p.direction) == (q.when, q.run, q.direction)
        assert p.applied == pytest.approx(q.applied, rel=1e-9, abs=1e-6)
        assert p.reading == pytest.approx(q.reading, rel=1e-9, abs=1e-6)
    assert [p.direction for p in points] == ["up"] * 4 + ["down"] * 4
    assert {p.run for p in points} == {1}
    assert any("about 20" in line for line in said)
    day = DAY
    (tmp_path / "R.toml").write_text(REFERENCE)
    record = make_record(
        rig=rig,
        channel=channel,
        points=taken,
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
    # nothing is lost: what was read stands beside, and is read again
    kept = tmp_path / "C-1-points.csv"
    assert f"{kept}: 6 points kept as read." in said.err
    assert f"--points {kept}" in said.err
    again = load_points(kept, channel_of(load_rig(path), "inlet")).points
    assert [p.applied for p in again] == [0.0, 20e3, 40e3, 40e3, 20e3, 0.0]
    assert [p.direction for p in again] == ["up"] * 3 + ["down"] * 3
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

    def ask(number: int, when: When) -> str | None:
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
            channel = channel_of(rig, "inlet")
            with KeptPoints(tmp_path, "C-1", channel, DAY) as kept:
                taken = read_points(
                    rig,
                    channel,
                    seconds=0.5,
                    clock=HostClock(),
                    keep=kept,
                    ask=ask,
                    tell=lambda line: None,
                )
        finally:
            stop.set()
            talking.join()
    assert [p.reading for p in taken.points] == pytest.approx([50e3, 50e3], abs=1.0)


POLLED = (
    STREAM.replace("ascii-stream", "ascii-polled")
    .replace("lines = {{ ", 'lines = {{ send = "P\\r\\n", ')
    .replace('timeout = "1 s"', 'timeout = "300 ms"\npatience = "1 s"')
)
GAUGE_REFERENCE = REFERENCE.replace("psi", "kPa").replace("150 kPa", "80 kPa")


class Technician:
    """Types what the reference reads, and applies it to a gauge that is polled.

    Args:
        lines: typed one after the other; a number is applied, then typed.
            ``silent`` and ``back`` pull the gauge's plug and put it back.
        port: where the gauge is. off: kPa that the gauge reads too high.
    """

    def __init__(self, lines: list[str], port: Port, off: float = 0.0) -> None:
        self.lines = lines
        self.off = off
        self.value = 0.0
        self.answers = True
        port.device = lambda heard: (
            [b"%.3f\n" % (self.value + self.off)] if self.answers else []
        )

    def readline(self) -> str:
        line = self.lines.pop(0) if self.lines else ""
        if line in ("silent", "back"):
            self.answers = line == "back"
            return self.readline()
        if line == "adjust":
            self.off = 0.0
            line = "as left"
        if line.replace(".", "").isdigit() and float(line) <= 80.0:
            self.value = float(line)
        return f"{line}\n"


@pytest.fixture
def gauge(tmp_path: Path) -> Iterator[Port]:
    with Port(tmp_path / "ttyGauge", lambda heard: []) as made:
        text = POLLED.format(port=made.name)
        (tmp_path / "rig.toml").write_text(text, "utf-8")
        (tmp_path / "R-3.toml").write_text(GAUGE_REFERENCE, "utf-8")
        yield made


def live_options(folder: Path) -> list[str]:
    given = ["rig", "calibrate", "--rig", str(folder / "rig.toml"), "--channel"]
    given += ["inlet", "--id", "C-1", "--due", "2100-01-01", "--by", "P. Quill"]
    given += ["--date", "2026-11-20", "--seconds", "0.5"]
    return [*given, *with_reference(folder)]


RUN = ["0", "30", "60", "60", "30", "0"]


@pytest.mark.serial
def test_found_adjusted_and_left_in_one_session(
    gauge: Port,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    typed = [*RUN, "adjust", *RUN, ""]
    monkeypatch.setattr("sys.stdin", Technician(typed, gauge, off=0.5))
    assert main(live_options(tmp_path)) == 0
    said = capsys.readouterr()
    assert "7, as found: kPa gauge?" in said.err
    assert "7, as left: kPa gauge?" in said.err
    record = load_record(tmp_path / "C-1.toml")
    assert record.as_found is not None
    assert record.as_found.largest == pytest.approx(500.0, abs=1.0)
    assert abs(record.as_left.largest) < 1.0
    assert [p.when for p in record.points] == ["as found"] * 6 + ["as left"] * 6
    # the table that was kept makes the same record
    kept = ["--points", str(tmp_path / "C-1-points.csv")]
    kept += ["--out", str(tmp_path / "again.toml")]
    given = [g for g in live_options(tmp_path) if g not in ("--seconds", "0.5")]
    assert main([*given, *kept]) == 0
    again = load_record(tmp_path / "again.toml")
    assert again.coefficients == pytest.approx(record.coefficients, rel=1e-9)
    assert again.as_found is not None
    # nothing of that name is written over
    monkeypatch.setattr("sys.stdin", Technician([*RUN, ""], gauge))
    before = (tmp_path / "C-1-points.csv").read_bytes()
    (tmp_path / "C-1.toml").unlink()
    assert main([*live_options(tmp_path), "--as-left"]) == 0
    assert (tmp_path / "C-1-points.csv").read_bytes() == before
    assert (tmp_path / "C-1-points-2.csv").exists()
    assert load_record(tmp_path / "C-1.toml").as_found is None


@pytest.mark.serial
def test_adjusted_and_not_read_again_makes_no_record(
    gauge: Port, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", Technician([*RUN, "adjust", ""], gauge))
    assert main(live_options(tmp_path)) == 2
    kept = tmp_path / "C-1-points.csv"
    assert kept.read_text("utf-8").splitlines()[-1] == "2026-11-20,inlet,as left,,,,"
    # neither does the table: it would say that nothing was adjusted
    given = [g for g in live_options(tmp_path) if g not in ("--seconds", "0.5")]
    assert main([*given, "--points", str(kept)]) == 2
    assert not (tmp_path / "C-1.toml").exists()


@pytest.mark.serial
def test_an_instrument_that_does_not_answer_costs_no_point(
    gauge: Port,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    # 90 kPa is beyond the reference, which is said at once
    typed = ["0", "30", "silent", "60", "60", "back", "60", "90", "60", "30", "0", ""]
    monkeypatch.setattr("sys.stdin", Technician(typed, gauge))
    assert main(live_options(tmp_path)) == 0
    said = capsys.readouterr().err
    assert said.count("Then once more.") == 2
    assert "covers 0 kPa gauge to 80 kPa gauge; 90 kPa gauge was applied" in said
    points = load_record(tmp_path / "C-1.toml").points
    assert [p.applied for p in points] == [0.0, 30e3, 60e3, 60e3, 30e3, 0.0]


@pytest.mark.serial
def test_an_instrument_that_stays_away_ends_it_and_the_points_stay(
    gauge: Port,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    typed = ["0", "30", "silent", "60", "60", "60", "60", ""]
    monkeypatch.setattr("sys.stdin", Technician(typed, gauge))
    assert main([*live_options(tmp_path), "--json"]) == 4
    said = capsys.readouterr()
    assert json.loads(said.out)["id"].startswith("instrument_")
    assert "C-1-points.csv: 2 points kept as read." in said.err
    kept = (tmp_path / "C-1-points.csv").read_text("utf-8").splitlines()
    assert len(kept) == 3
    assert not (tmp_path / "C-1.toml").exists()


def test_too_short_for_the_instrument_is_told_first(
    gauge: Port, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(path.read_text("utf-8").replace("20 ms", "1 s"), "utf-8")
    assert main([*live_options(tmp_path), "--json"]) == 2
    told = json.loads(capsys.readouterr().out)
    assert told["what"] == "--seconds is 0.5."
    assert "at least 9, for 8 readings of gauge, one every 1 s" in told["do"]
    assert not list(tmp_path.glob("C-1*"))


@pytest.mark.serial
def test_a_session_without_a_point_leaves_no_table(
    gauge: Port, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", Technician([""], gauge))
    assert main(live_options(tmp_path)) == 2
    assert not list(tmp_path.glob("C-1*"))


@pytest.mark.serial
def test_ctrl_c_keeps_every_point(gauge: Port, tmp_path: Path) -> None:
    hands = Technician([], gauge)
    kept = tmp_path / "C-1-points.csv"
    with subprocess.Popen(
        command(*live_options(tmp_path)),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stdin is not None
            for n, value in enumerate((0.0, 30.0), 2):
                hands.value = value
                process.stdin.write(f"{value}\n")
                process.stdin.flush()
                until = time.monotonic() + 30.0
                # each is on disk before the next is asked for
                while not kept.exists() or len(kept.read_text().splitlines()) < n:
                    if process.poll() is not None:
                        pytest.fail(f"it ended: {process.communicate()}")
                    assert time.monotonic() < until
                    time.sleep(0.02)
            process.send_signal(signal.SIGINT)
            _, said = process.communicate(timeout=30.0)
        finally:
            process.kill()
    assert process.returncode == 130
    assert f"{kept}: 2 points kept as read. Go on from there with --points" in said
    assert "Interrupted. What was recorded is kept." in said
    assert "Traceback" not in said
    assert not (tmp_path / "C-1.toml").exists()


def test_a_ctrl_c_that_was_swallowed_is_not_lost() -> None:
    before = signal.getsignal(signal.SIGINT)
    try:
        stop = NotedInterrupt()
        stop.check()
        with suppress(KeyboardInterrupt):  # as in a callback whose errors are ignored
            signal.raise_signal(signal.SIGINT)
        with pytest.raises(KeyboardInterrupt):
            stop.check()
    finally:
        signal.signal(signal.SIGINT, before)
