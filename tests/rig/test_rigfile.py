"""Rig files: the documented one can be read; every fault is told with its line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from records.errors import InputError
from records.measure import Reference
from rig.rigfile import load_rig, parse_rig

DOC = (Path(__file__).parents[2] / "docs" / "rig-file.md").read_text("utf-8")
_FOUND = re.search(r"```toml\n(.*?)```", DOC, re.S)
assert _FOUND is not None
TEXT = _FOUND[1]


def test_the_documented_rig_can_be_read() -> None:
    rig = parse_rig(TEXT, "rig.toml")
    channel = rig.channel("outlet")
    assert channel is not None
    assert channel.reference is Reference.GAUGE
    assert channel.measure_unit.name == "kPa"
    assert channel.calibration is not None
    assert channel.calibration.u_offset() == pytest.approx(2.0)
    assert channel.calibration.u_gain() == pytest.approx(5e-4)
    assert rig.instruments[0].clock is not None
    assert rig.instruments[0].clock.tick.value_si == pytest.approx(1e-6)
    assert rig.traits is not None
    assert rig.traits.volumes["outlet"].allowance.value_si == pytest.approx(60e-6)
    assert not rig.simulated


FAULTS = [
    ('host = "192.0.2.10"', 'hots = "192.0.2.10"', "key_unknown", "host"),
    ('unit = "kPa gauge"', 'unit = "kPa"', "quantity_reference_missing", ""),
    ('unit = "kPa gauge"', 'unit = "kPs gauge"', "quantity_unit_unknown", "kPa"),
    ('type = "int32"', 'type = "int23"', "value_wrong_type", "int32"),
    ('instrument = "manifold"', 'instrument = "manifol"', "rig_instrument_unknown", ""),
    ('station = "A"', 'station = "B"', "rig_station_unknown", "A"),
    ('"10 kPa gauge"]', '"-10 kPa gauge"]', "rig_span_wrong", ""),
    ('overload = "50 kPa gauge"', 'overload = "5 kPa gauge"', "value_wrong", "span"),
    ('overload = "50 kPa gauge"', "overload = 50", "value_wrong_type", "string"),
    ('period = "50 ms"', 'period = "0 ms"', "value_wrong", "above zero"),
    ('period = "50 ms"', 'period = "50 psi gauge"', "quantity_kind_wrong", "time"),
    ("port = 502", "port = 70000", "value_wrong", "65535"),
    ("port = 502", 'port = "502"', "value_wrong_type", "integer"),
    ("port = 502", "port = true", "value_wrong_type", "integer"),
    ("scale = 0.0002", 'scale = "0.0002"', "value_wrong_type", "number"),
    ("due = 2027-03-02", 'due = "2027-03-02"', "value_wrong_type", "date"),
    ('id = "manifold"', "id = 7", "value_wrong_type", "text"),
    ("due = 2027-03-02", "due = 2026-03-01", "value_wrong", "2026-03-02"),
    ('u = "0.05 %"', 'u = "0.05 kPa difference"', "value_wrong", "share"),
    ('u = "2 Pa difference"', 'u = "2 K"', "value_wrong", "uncertainty"),
    ('kind = "gain"', 'kind = "span"', "value_wrong_type", "gain"),
    ('id = "outlet"\n', "", "key_missing", ""),
    ("scale = 0.0002", "scale = 0", "value_wrong", "other than 0"),
    ("scale = 0.0002", "scale = nan", "value_wrong", "other than 0"),
    ("device = 1", "device = 999", "value_wrong", "255"),
    ('volume = "100 cm3"', 'volume = "-100 cm3"', "value_wrong", "above zero"),
    ('id = "manifold"', 'id = "mani/fold"', "value_wrong", "letters"),
]


@pytest.mark.parametrize(("good", "bad", "id", "right"), FAULTS)
def test_a_fault_names_line_and_remedy(
    good: str, bad: str, id: str, right: str
) -> None:
    assert good in TEXT
    with pytest.raises(InputError) as caught:
        parse_rig(TEXT.replace(good, bad, 1), "rig.toml")
    assert caught.value.id == id
    assert re.match(r"rig\.toml:\d+", caught.value.where), caught.value.where
    assert right in " ".join(caught.value.facts.values())


def test_two_channels_of_one_name_are_refused() -> None:
    channel = TEXT[TEXT.index("[[channels]]") :]
    with pytest.raises(InputError, match="rig_name_twice"):
        parse_rig(TEXT + "\n" + channel, "rig.toml")


def test_a_real_rig_does_not_run_faster_than_time() -> None:
    with pytest.raises(InputError, match="time_multiple"):
        parse_rig(TEXT.replace('id = "bench-2"', 'id = "b"\ntime_multiple = 20.0'), "r")


def test_a_simulated_rig_needs_its_own_clock() -> None:
    text = TEXT.replace(
        'id = "bench-2"', 'id = "b"\nsimulated = true\ntime_multiple = 9.0'
    )
    cut = text[: text.index("[instruments.clock]")] + text[text.index("[[channels]]") :]
    with pytest.raises(InputError, match="rig_clock_missing"):
        parse_rig(cut, "rig.toml")


def test_a_missing_rig_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="file_missing"):
        load_rig(tmp_path / "none.toml")


TWO = (
    TEXT.replace(
        '[[stations]]\nid = "A"\n',
        """[[stations]]
id = "A"
relief = { inlet = "150 psi gauge", outlet = "1 psi gauge" }

[[stations]]
id = "B"

[stations.traits]
tau_max = "60 s"
tail_amplitude = "2 K"

[stations.traits.volumes.outlet]
volume = "140 cm3"
u = "3 cm3"
allowance = "20 cm3"
""",
    )
    + """
[[channels]]
id = "outlet-b"
role = "outlet"
station = "B"
instrument = "manifold"
unit = "kPa gauge"
span = ["-0.5 kPa gauge", "10 kPa gauge"]
resolution = "0.2 Pa difference"
isolating_valve = true
register = { address = 20 }

[[channels]]
id = "supply"
role = "inlet"
stations = ["A", "B"]
instrument = "manifold"
unit = "kPa gauge"
kind = "sealed gauge"
sealed_at = "101.325 kPa absolute"
span = ["-10 kPa gauge", "900 kPa gauge"]
resolution = "10 Pa difference"
register = { address = 22 }
"""
)


def test_a_station_sees_its_own_channels_the_shared_ones_and_its_traits() -> None:
    rig = parse_rig(TWO, "rig.toml")
    a, b = rig.for_station("A"), rig.for_station("B")
    assert [c.id for c in a.channels] == ["outlet", "supply"]
    assert [c.id for c in b.channels] == ["outlet-b", "supply"]
    assert a.traits is not None
    assert b.traits is not None
    assert a.traits.tau_max.value_si == 30.0
    assert b.traits.tau_max.value_si == 60.0
    assert b.traits.volumes["outlet"].volume.value_si == pytest.approx(140e-6)
    relief = a.relief("outlet")
    assert relief is not None
    assert relief.value_si == pytest.approx(6894.757)
    assert b.relief("outlet") is None
    outlet = b.channel("outlet")
    assert outlet is not None
    assert outlet.isolating_valve
    supply = b.channel("inlet")
    assert supply is not None
    assert (supply.sensor, supply.zero_at_vent) == ("sealed gauge", False)


def test_a_rig_of_several_stations_wants_to_know_which() -> None:
    rig = parse_rig(TWO, "rig.toml")
    with pytest.raises(InputError, match="rig_station_wanted"):
        rig.for_station("")
    with pytest.raises(InputError, match="rig_station_unknown") as caught:
        rig.for_station("C")
    assert caught.value.facts["known"] == "A, B"
    assert parse_rig(TEXT, "r").for_station("").stations[0].id == "A"


STATION_FAULTS = [
    ('stations = ["A", "B"]', 'stations = ["A", "C"]', "rig_station_unknown", "A"),
    (
        'stations = ["A", "B"]',
        'stations = ["A"]\nstation = "B"',
        "value_wrong",
        "share",
    ),
    ('stations = ["A", "B"]', "stations = []", "value_wrong", "share"),
    (
        'id = "supply"\nrole = "inlet"',
        'id = "s"\nrole = "outlet"',
        "rig_name_twice",
        "",
    ),
    ('sealed_at = "101.325 kPa absolute"\n', "", "value_wrong", "sealed_at"),
    ('"101.325 kPa absolute"', '"101.325 kPa gauge"', "value_wrong", "absolute"),
    ('kind = "sealed gauge"', 'kind = "absolute"', "value_wrong", "gauge"),
    ('kind = "sealed gauge"', 'kind = "gauge"', "value_wrong", "sealed gauge"),
    ('kind = "sealed gauge"', 'kind = "vented"', "value_wrong_type", "sealed gauge"),
    ('outlet = "1 psi gauge" }', 'outlet = "1 psi absolute" }', "value_wrong", "gauge"),
    ('outlet = "1 psi gauge" }', 'outlet = "1 cm3" }', "quantity_kind_wrong", ""),
    ('outlet = "1 psi gauge" }', 'side = "1 psi gauge" }', "value_wrong", "interstage"),
    ("coefficients = [0.0, 1.0]", "coefficients = [0.0]", "value_wrong", "second"),
    ('volume = "140 cm3"', 'volume = "0 cm3"', "value_wrong", "above zero"),
]


@pytest.mark.parametrize(("good", "bad", "id", "right"), STATION_FAULTS)
def test_a_fault_of_a_station_names_line_and_remedy(
    good: str, bad: str, id: str, right: str
) -> None:
    assert good in TWO
    with pytest.raises(InputError) as caught:
        parse_rig(TWO.replace(good, bad, 1), "rig.toml")
    assert caught.value.id == id
    assert re.match(r"rig\.toml:\d+", caught.value.where), caught.value.where
    assert right in " ".join(caught.value.facts.values())
