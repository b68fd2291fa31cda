"""The simulated rig as a device: registers, clock, valves, sameness, truth."""

import datetime
import json

import pytest

from records.errors import RigError
from records.measure import (
    STANDARD_PRESSURE_PA,
    STANDARD_TEMPERATURE_K,
    std_cm3_min,
)
from rig.instruments.modbus import ModbusInstrument
from rig.rigfile import parse_rig
from rig.simulator.devices import InProcessLink, SimulatedRig
from rig.simulator.registermap import INPUT_COUNT, VALVE_ADDRESS, VALVE_COUNT
from rig.simulator.rigbody import VALVE_NAMES
from rig.simulator.rigtext import rig_text
from rig.wire.registers import decode, encode
from tests.rig.simulator.bench import shown


class NoClock:
    def monotonic_ns(self) -> int:
        return 0

    def utc_ns(self) -> int:
        return 0

    def wall_ns(self, elapsed_ns: int) -> int:
        return elapsed_ns

    def sleep_until_ns(self, monotonic_ns: int) -> None:
        return None


def some_moves(rig: SimulatedRig) -> None:
    rig.move({"fixture": 1.0, "inlet": 1.0, "supply_pa_gauge": 30e3, "fill": 0.3})


def test_the_rig_file_describes_the_registers() -> None:
    rig = SimulatedRig(4)
    some_moves(rig)
    rig.advance_to(5.0)
    declared = parse_rig(rig_text("127.0.0.1", 1502, 1.0), "rig.toml")
    (io,) = declared.instruments
    instrument = ModbusInstrument(
        io, declared.columns(io.id), InProcessLink(rig), NoClock()
    )
    reading = instrument.read()
    assert reading.t_ns == 5_000_000_000
    assert not any(reading.flags)
    now = shown(rig)
    for channel, raw in zip(declared.columns(io.id), reading.raw, strict=True):
        unit = channel.measure_unit
        value = (raw * channel.scale + channel.offset) * unit.factor + unit.offset
        assert value == pytest.approx(getattr(now, channel.role), rel=1e-6)
        # ... and that is what the gas does.
    plant = rig.plant
    assert now.outlet == pytest.approx(plant.outlet_gauge, abs=10.0)
    assert now.inlet == pytest.approx(plant.inlet_gauge, abs=200.0)
    assert now.ambient == pytest.approx(plant.air_pa, abs=40.0)
    assert now.gas_temperature == pytest.approx(plant.outlet_k, abs=3.0)
    assert plant.outlet_gauge > 500.0


def test_the_rig_file_says_simulated_and_allows_for_what_is_true() -> None:
    today = datetime.date(2026, 6, 15)
    declared = parse_rig(rig_text("127.0.0.1", 1502, 20.0, today), "rig.toml")
    assert declared.simulated
    assert declared.time_multiple == 20.0
    assert declared.traits is not None
    outlet = declared.traits.volumes["outlet"]
    inlet = declared.traits.volumes["inlet"]
    for seed in range(20):
        truth = SimulatedRig(seed).truth()
        low = outlet.volume.value_si - 2.0 * outlet.u.value_si
        high = outlet.volume.value_si + outlet.allowance.value_si
        assert low < truth["outlet_volume_rigid"] < truth["outlet_volume_locked_up"]
        assert truth["outlet_volume_locked_up"] < high
        assert truth["inlet_volume"] < inlet.volume.value_si + inlet.allowance.value_si
    for channel in declared.channels:
        assert channel.calibration is not None
        assert channel.calibration.date < today < channel.calibration.due


def test_one_answer_is_one_moment_and_does_not_change() -> None:
    rig = SimulatedRig(4)
    some_moves(rig)
    rig.advance_to(1.0)
    before = rig.read("input", 0, INPUT_COUNT)
    assert rig.read("input", 0, INPUT_COUNT) == before
    rig.advance_to(1.009)
    assert rig.read("input", 0, INPUT_COUNT) == before
    rig.advance_to(2.0)
    after = rig.read("input", 0, INPUT_COUNT)
    assert after != before
    assert decode(before[:4], "uint64", "ABCD") == 1_000_000
    assert decode(after[:4], "uint64", "ABCD") == 2_000_000


def test_time_never_goes_back() -> None:
    rig = SimulatedRig(4)
    rig.advance_to(1.0)
    rig.advance_to(0.5)
    assert rig.t_s == 1.0


def test_readings_do_not_depend_on_polling_or_on_how_time_was_cut() -> None:
    often, seldom = SimulatedRig(9), SimulatedRig(9)
    some_moves(often)
    some_moves(seldom)
    for i in range(1, 1501):
        often.advance_to(i * 0.013)
        often.read("input", 0, INPUT_COUNT)
    seldom.advance_to(1500 * 0.013)
    assert often.t_s == seldom.t_s
    assert often.read("input", 0, INPUT_COUNT) == seldom.read("input", 0, INPUT_COUNT)


def test_another_seed_is_another_regulator_another_day() -> None:
    one, two = SimulatedRig(1), SimulatedRig(2)
    assert one.truth()["zero_error"] != two.truth()["zero_error"]
    assert one.plant.regulator != two.plant.regulator
    assert one.plant.surroundings != two.plant.surroundings


def test_part_of_the_bank_and_unused_registers() -> None:
    rig = SimulatedRig(4)
    rig.advance_to(3.0)
    bank = rig.read("input", 0, INPUT_COUNT)
    assert rig.read("input", 10, 2) == bank[10:12]
    assert bank[4:10] == (0,) * 6


@pytest.mark.parametrize(
    ("table", "address", "count"),
    [
        ("input", INPUT_COUNT - 1, 2),
        ("input", 100, 2),
        ("holding", 0, 2),
        ("holding", VALVE_ADDRESS + VALVE_COUNT - 1, 2),
        ("holding", VALVE_ADDRESS - 1, 1),
        ("input", 0, 0),
    ],
)
def test_registers_that_do_not_exist(table: str, address: int, count: int) -> None:
    rig = SimulatedRig(4)
    with pytest.raises(LookupError):
        rig.read(table, address, count)  # type: ignore[arg-type]
    with pytest.raises(RigError) as caught:
        InProcessLink(rig).read(table, address, count, 1)  # type: ignore[arg-type]
    assert caught.value.id == "instrument_refused"
    assert caught.value.facts["code"] == "2"


def test_another_device_is_refused() -> None:
    with pytest.raises(RigError) as caught:
        InProcessLink(SimulatedRig(4)).read("input", 0, 1, 2)
    assert caught.value.facts["code"] == "11"


def test_valves_stand_where_they_were_put_and_move_there() -> None:
    rig = SimulatedRig(4)
    rig.move({"bleed": 0.25, "screw_m": 0.005, "fixture": 2.0})
    words = rig.read("holding", VALVE_ADDRESS, VALVE_COUNT)
    found = {
        name: decode(words[2 * i : 2 * i + 2], "float32", "ABCD")
        for i, name in enumerate(VALVE_NAMES)
    }
    assert found["bleed"] == 0.25
    assert found["screw_m"] == pytest.approx(0.005, rel=1e-6)
    assert found["inlet"] == 0.0
    rig.advance_to(0.05)
    assert 0.0 < rig.plant.valves.bleed < 0.25
    rig.advance_to(2.0)
    assert rig.plant.valves == rig.valves


@pytest.mark.parametrize(
    ("address", "value", "error"),
    [
        (VALVE_ADDRESS, -1.0, ValueError),
        (VALVE_ADDRESS, float("nan"), ValueError),
        (VALVE_ADDRESS + 2, 1.5, ValueError),
        (VALVE_ADDRESS + 10, 0.1, ValueError),
        (VALVE_ADDRESS + 12, 3.0, ValueError),
        (VALVE_ADDRESS + 1, 0.5, LookupError),
        (VALVE_ADDRESS + VALVE_COUNT, 0.5, LookupError),
        (0, 0.5, LookupError),
    ],
)
def test_positions_that_can_not_be(
    address: int, value: float, error: type[Exception]
) -> None:
    rig = SimulatedRig(4)
    with pytest.raises(error):
        rig.write(address, encode(value, "float32", "ABCD"))
    assert rig.valves == SimulatedRig(4).valves


def test_half_a_position_is_refused() -> None:
    with pytest.raises(LookupError):
        SimulatedRig(4).write(VALVE_ADDRESS, (0,))


@pytest.mark.parametrize("fixture", [0.5, 1.5])
def test_half_a_fixture_is_refused(fixture: float) -> None:
    with pytest.raises(ValueError, match="fixture"):
        SimulatedRig(4).move({"fixture": fixture})


def test_a_step_that_does_not_fit_the_sample_time_is_refused() -> None:
    with pytest.raises(ValueError, match="whole part"):
        SimulatedRig(4, step_s=0.003)


def test_truth_is_plain_and_says_what_was_planted() -> None:
    truth = SimulatedRig(4, {"seat_nicked": 0.5}).truth()
    assert json.loads(json.dumps(truth)) == truth
    assert truth["faults"] == {"seat_nicked": 0.5}
    assert truth["leaks_std_cm3_min"]["seat"] == pytest.approx(0.3, abs=0.01)
    # 1 std cm3/min (20 °C, 101.325 kPa) is 1.68875e-3 Pa m3/s.
    assert truth["leaks"]["seat"] == pytest.approx(
        1.68875e-3 * truth["leaks_std_cm3_min"]["seat"], rel=1e-5
    )
    assert 20e-6 < truth["outlet_volume_locked_up"] - truth["outlet_volume_rigid"]
    assert truth["outlet_volume_locked_up"] - truth["outlet_volume_rigid"] < 40e-6


def test_the_reference_leak_passes_what_it_is_stated_to_pass() -> None:
    stated = 0.25  # std cm3/min
    rig = SimulatedRig(3, standard_leak=stated)
    plant = rig.plant
    rig.move({"fixture": 1.0})
    rig.advance_to(2.0)
    at_pa = plant.air_pa + rig.family.standard_gauge
    plant.charge(at_pa, plant.room_k)
    rig.advance_to(2.5)
    shut = plant.bleed_flow
    rig.move({"standard": 1.0})
    rig.advance_to(4.0)
    flow = (plant.bleed_flow - shut) * plant.gas.gas_constant * STANDARD_TEMPERATURE_K
    # a film: as the difference of squares, which the leak has lowered a little
    driven = plant.outlet_pa**2 - plant.air_pa**2
    wanted = (STANDARD_PRESSURE_PA + rig.family.standard_gauge) ** 2
    share = driven / (wanted - STANDARD_PRESSURE_PA**2)
    assert std_cm3_min(flow) == pytest.approx(stated * share, rel=0.02)
    rig.move({"standard": 0.0})
    rig.advance_to(6.0)
    assert plant.bleed_flow == pytest.approx(shut, rel=0.05)


def test_a_rig_file_names_the_leak_only_where_there_is_one() -> None:
    plain = rig_text("127.0.0.1", 1502, 1.0)
    assert "check_standard" not in plain
    assert "blanked" not in plain
    assert "[shift]" not in plain
    text = rig_text("127.0.0.1", 1502, 1.0, standard_leak=0.25, shift_required=True)
    rig = parse_rig(text, "rig.toml")
    assert rig.wants_shift_check
    assert rig.check_standard is not None
    assert std_cm3_min(rig.check_standard.value.value_si) == pytest.approx(0.25)
    assert not parse_rig(plain, "rig.toml").wants_shift_check
