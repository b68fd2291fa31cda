"""What no gas could flow through is refused, with the range that is allowed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest

from records.errors import InputError
from rig.simulator import ranges
from rig.simulator.families import FAMILIES, drawn_regulator, drawn_rigbody
from rig.simulator.faults import FAULTS, Subject, with_faults
from rig.simulator.plant import Plant
from rig.simulator.regulator import Regulator, Stage
from rig.simulator.rigbody import RigBody, Surroundings, Valves, drawn_surroundings

PLAIN, RIG, DAY = Regulator(), RigBody(), Surroundings()
PARTS: Mapping[str, tuple[type[Any], Mapping[str, ranges.Range]]] = {
    "regulator": (Regulator, ranges.REGULATOR),
    "rig": (RigBody, ranges.RIG),
    "surroundings": (Surroundings, ranges.SURROUNDINGS),
}
CASES = [
    (part, field, wrong)
    for part, (_, allowed) in PARTS.items()
    for field, (low, high) in allowed.items()
    for wrong in (low - abs(low) - 1e-3, 2.0 * abs(high) + 1.0, math.nan, math.inf)
]


def plant(
    step_s: float = 0.005,
    regulator: Regulator = PLAIN,
    rig: RigBody = RIG,
    surroundings: Surroundings = DAY,
) -> Plant:
    return Plant(regulator, rig, surroundings, step_s)


@pytest.mark.parametrize("part", sorted(PARTS))
def test_every_number_has_a_range(part: str) -> None:
    kind, allowed = PARTS[part]
    assert {f.name for f in fields(kind)} - set(allowed) <= {"first", "gas"}
    assert {f.name for f in fields(Stage)} == set(ranges.STAGE)


@pytest.mark.parametrize(("part", "field", "wrong"), CASES)
def test_an_unphysical_number_is_refused(part: str, field: str, wrong: float) -> None:
    kind, allowed = PARTS[part]
    low, high = allowed[field]
    with pytest.raises(InputError, match="value_wrong") as caught:
        plant(**{part: replace(kind(), **{field: wrong})})
    assert caught.value.facts["key"] == f"{part}.{field}"
    assert caught.value.facts["right"] == f"{low:g} to {high:g}"


def test_a_first_stage_is_looked_at_too() -> None:
    regulator = FAMILIES["cylinder-2"].regulator
    assert regulator.first is not None
    bad = replace(regulator, first=replace(regulator.first, bore_m=-1.0))
    with pytest.raises(InputError) as caught:
        plant(regulator=bad)
    assert caught.value.facts["key"] == "regulator.first.bore_m"


def test_an_unknown_gas_is_refused_with_those_that_are_known() -> None:
    with pytest.raises(InputError) as caught:
        plant(rig=RigBody(gas="unobtainium"))
    assert "nitrogen" in caught.value.facts["right"]


def test_leaks_are_stated_where_gas_is_driven_outwards() -> None:
    with pytest.raises(InputError, match="outlet_reference_pa"):
        plant(regulator=Regulator(outlet_reference_pa=101_325.0))
    low = Regulator().outlet_reference_pa
    with pytest.raises(InputError, match="inlet_reference_pa"):
        plant(regulator=Regulator(inlet_reference_pa=low))


@pytest.mark.parametrize("step_s", [0.0, -0.005, math.nan, 1.0])
def test_a_step_that_is_no_step(step_s: float) -> None:
    with pytest.raises(InputError, match="step_s"):
        plant(step_s=step_s)


@pytest.mark.parametrize(
    "valves",
    [
        Valves(inlet=5.0),
        Valves(bleed=math.nan),
        Valves(fixture=7.0),
        Valves(fixture=0.5),
        Valves(supply_pa_gauge=-1.0),
    ],
)
def test_valves_stand_where_hands_can_bring_them(valves: Valves) -> None:
    made = plant()
    before = made.valves
    with pytest.raises(InputError, match="value_wrong"):
        made.valves = valves
    assert made.valves == before


@pytest.mark.parametrize("id", sorted(FAMILIES))
def test_every_family_and_fault_lies_inside(id: str) -> None:
    family = FAMILIES[id]
    rng = np.random.default_rng(3)
    subject = Subject(
        family=family,
        regulator=drawn_regulator(rng, family),
        rig=drawn_rigbody(rng, family),
    )
    for fault in FAULTS:
        try:
            worst = with_faults(subject, {fault: 1.0})
        except InputError as error:
            assert error.id == "fault_not_fitted"  # noqa: PT017
            continue
        surroundings = drawn_surroundings(rng)
        ranges.check_plant(worst.regulator, worst.rig, surroundings, 0.005)
