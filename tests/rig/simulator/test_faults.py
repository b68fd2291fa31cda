"""Faults of the simulator against the catalogue, and what each one moves."""

from dataclasses import asdict

import pytest

from analysis.cause_groups import GROUPS
from records.errors import InputError
from records.faults import CATALOGUE
from records.planfile import plan_by_name
from rig.simulator.devices import SimulatedRig
from rig.simulator.families import FAMILIES, Family
from rig.simulator.faults import (
    _OF_A_STAGE,
    FAULTS,
    Subject,
    healthy,
    parsed_faults,
    with_faults,
)
from rig.simulator.transducers import SOUND


def test_the_catalogue_lists_exactly_what_is_modelled() -> None:
    assert set(CATALOGUE) == set(FAULTS)
    assert all(id == entry.id for id, entry in CATALOGUE.items())


def test_groups_are_those_of_the_diagnosis() -> None:
    # A worn disc may leak as a nick does or lock up high as a dry stem does; alone it
    # is the latter here, so it stands in two groups and gives one.
    groups = [set(group.faults) for group in GROUPS]
    for entry in CATALOGUE.values():
        assert entry.id in entry.group
        for other in entry.group:
            assert entry.id in CATALOGUE[other].group or other == "seat_worn"
        if entry.revealed:
            assert set(entry.group) in groups, entry.id


def test_entries_speak_and_name_a_plan_that_exists() -> None:
    for entry in CATALOGUE.values():
        assert entry.sentence.endswith(".")
        assert entry.look_at.endswith(".")
        # a plan that reveals it, or what else would
        assert bool(entry.plans) != bool(entry.check)
        for plan in entry.plans:
            plan_by_name(plan)
        assert not entry.check or entry.check.endswith(".")


def flat(subject: Subject) -> dict[str, object]:
    ailment = subject.ailments.get("outlet", SOUND)
    return {**asdict(subject.regulator), **asdict(subject.rig), **asdict(ailment)}


@pytest.mark.parametrize(
    ("id", "changed", "by"),
    [
        ("seat_debris", "seat_film", 0.6),
        ("seat_nicked", "seat_nick", 0.6),
        ("stem_friction", "friction_n", 2.0),
        ("diaphragm_torn", "tear", 30.0),
        ("diaphragm_pinhole", "diaphragm", 0.6),
        ("back_cap_gasket", "back_cap", 0.6),
        ("bonnet_joint", "bonnet_joint", 0.6),
        ("outlet_fitting", "fitting", 0.6),
        ("relief_weeping", "relief_seat", 0.6),
        ("spring_soft", "spring_n_per_m", -1200.0),
        ("spring_stiff", "spring_n_per_m", 2400.0),
        ("orifice_small", "bore_m", -3.5e-3),
        ("rig_fitting", "outlet_leak", 0.102),
        ("bleed_open", "bleed_leak", 1.02),
        ("zero_drift", "drift", 0.01),
        ("span_error", "span", -0.02),
    ],
)
def test_a_fault_moves_one_thing_in_proportion(
    id: str, changed: str, by: float
) -> None:
    before = flat(healthy())
    for severity in (0.0, 0.5, 1.0):
        after = flat(with_faults(healthy(), {id: severity}))
        moved = {name for name in before if before[name] != after[name]}
        assert moved == ({changed} if severity else set())
        assert after[changed] - before[changed] == pytest.approx(  # type: ignore[operator]
            by * severity
        )


@pytest.mark.parametrize("family", FAMILIES.values(), ids=lambda f: f.id)
@pytest.mark.parametrize("id", sorted(FAULTS))
def test_a_fault_is_nothing_at_zero_and_something_at_one(
    id: str, family: Family
) -> None:
    if id.startswith("relief") and family.regulator.relief_over_pa is None:
        with pytest.raises(InputError, match="fault_not_fitted"):
            with_faults(healthy(family), {id: 1.0})
        return
    before = flat(healthy(family))
    assert flat(with_faults(healthy(family), {id: 0.0})) == before
    assert flat(with_faults(healthy(family), {id: 1.0})) != before


@pytest.mark.parametrize("family", FAMILIES.values(), ids=lambda f: f.id)
@pytest.mark.parametrize("id", sorted(FAULTS))
def test_a_fault_of_the_first_stage_is_nothing_of_the_second(
    id: str, family: Family
) -> None:
    before = flat(healthy(family))
    ailing = {f"first:{id}": 1.0}
    if family.regulator.first is None or id not in _OF_A_STAGE:
        with pytest.raises(InputError, match="fault_not_fitted"):
            with_faults(healthy(family), ailing)
        return
    after = flat(with_faults(healthy(family), ailing))
    assert {n for n in before if before[n] != after[n]} <= {"first", "first_leak"}
    assert after != before


def test_a_first_stage_s_fault_is_typed_with_its_stage() -> None:
    assert parsed_faults(["first:seat_nicked:0.5", "seat_nicked"]) == {
        "first:seat_nicked": 0.5,
        "seat_nicked": 1.0,
    }
    for typed in ("first:gremlins", "first:"):
        with pytest.raises(InputError, match="fault_unknown"):
            parsed_faults([typed])


def test_faults_add_up_in_any_order() -> None:
    one = with_faults(healthy(), {"seat_debris": 0.1, "diaphragm_pinhole": 1.0})
    two = with_faults(healthy(), {"diaphragm_pinhole": 1.0, "seat_debris": 0.1})
    assert one.regulator.diaphragm == pytest.approx(0.6)
    assert one.regulator.seat_film == pytest.approx(0.06)
    assert flat(one) == flat(two)


@pytest.mark.parametrize("severity", [-0.1, 1.1, float("nan"), float("inf")])
def test_severities_outside_are_refused(severity: float) -> None:
    with pytest.raises(InputError) as caught:
        SimulatedRig(1, {"seat_nicked": severity})
    assert caught.value.id == "fault_severity"


def test_unknown_faults_are_refused_with_the_known_ones() -> None:
    with pytest.raises(InputError) as caught:
        SimulatedRig(1, {"gremlins": 1.0})
    assert caught.value.id == "fault_unknown"
    assert caught.value.facts["given"] == "gremlins"
    assert "seat_nicked" in caught.value.facts["known"]


def test_faults_as_they_are_typed() -> None:
    assert parsed_faults(["seat_nicked", "stem_friction:0.5"]) == {
        "seat_nicked": 1.0,
        "stem_friction": 0.5,
    }
    assert parsed_faults([]) == {}


@pytest.mark.parametrize(
    ("typed", "id"),
    [
        ("seat_nicked:much", "fault_severity"),
        ("seat_nicked:", "fault_severity"),
        ("seat_nicked:2", "fault_severity"),
        (":0.5", "fault_unknown"),
    ],
)
def test_faults_that_can_not_be_read(typed: str, id: str) -> None:
    with pytest.raises(InputError) as caught:
        parsed_faults([typed])
    assert caught.value.id == id


def test_healthy_regulators_leak_hardly_and_differ() -> None:
    rigs = [SimulatedRig(seed).plant for seed in range(30)]
    for plant in rigs:
        r, rig = plant.regulator, plant.rig
        assert 0.0 < r.seat_leak <= 0.01
        assert 0.0 < r.outlet_leaks + r.body_joint <= 0.01
        assert 0.0 < rig.inlet_leak + rig.outlet_leak + rig.bleed_leak <= 0.002
        assert 95e-6 < rig.outlet_m3 < 105e-6
    assert len({plant.regulator.contact_m for plant in rigs}) == 30
