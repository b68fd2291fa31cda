"""Findings that runs are found by, as people write them."""

from __future__ import annotations

import pytest

from proofstand.keeping.wanted import cause_wanted, causes_begun, findings_wanted
from records.archive.found import FindingWanted
from records.errors import InputError
from records.faults import CATALOGUE


@pytest.mark.parametrize(
    ("texts", "wanted"),
    [
        (("lockup_rise",), FindingWanted(finding="lockup_rise")),
        (
            ("lockup_rise@lockup-1 >= 0.5 kPa",),
            FindingWanted(finding="lockup_rise", step="lockup-1", least=500.0),
        ),
        (
            ("lockup_rise>=0,5 kPa difference", "lockup_rise <= 1 kPa"),
            FindingWanted(finding="lockup_rise", least=500.0, most=1000.0),
        ),
        (
            ("set_pressure >= 1 kPa", "set_pressure = fail"),
            FindingWanted(finding="set_pressure", least=1000.0, outcome="fail"),
        ),
        (
            ("set_pressure >= 10 kPag",),
            FindingWanted(finding="set_pressure", least=10_000.0),
        ),
        (
            ("settling_time <= 2 s",),
            FindingWanted(finding="settling_time", most=2.0),
        ),
    ],
)
def test_a_wish_is_read_and_bounds_of_one_finding_are_one_wish(
    texts: tuple[str, ...], wanted: FindingWanted
) -> None:
    assert findings_wanted(texts) == (wanted,)


def test_wishes_about_two_steps_are_two() -> None:
    wanted = findings_wanted(("lockup_rise@lockup-1", "lockup_rise@lockup-2"))
    assert [each.step for each in wanted] == ["lockup-1", "lockup-2"]


@pytest.mark.parametrize(
    ("text", "id"),
    [
        ("", "value_wrong"),
        (">= 5", "value_wrong"),
        ("lockup_rise > 5 kPa", "value_wrong"),
        ("lockup_rise = passed", "value_wrong"),
        ("lockup_ries >= 5 kPa", "plan_finding_unknown"),
        ("lockup_rise >= 5", "quantity_unit_missing"),
        ("lockup_rise >= 5 s", "quantity_kind_wrong"),
        ("lockup_rise >= 1,000 kPa", "quantity_two_readings"),
        ("settling_time >= 2 s gauge", "quantity_reference_wrong"),
        ("set_pressure >= 80 psi absolute", "quantity_reference_other"),
        ("set_pressure >= 80 psia", "quantity_reference_other"),
        ("lockup_rise >= 5 psi gauge", "quantity_reference_other"),
    ],
)
def test_what_can_not_be_meant_is_refused_in_words(text: str, id: str) -> None:
    with pytest.raises(InputError) as refused:
        findings_wanted((text,))
    assert refused.value.id == id


def test_bounds_that_exclude_each_other_are_refused() -> None:
    with pytest.raises(InputError, match="value_wrong"):
        findings_wanted(("lockup_rise >= 2 kPa", "lockup_rise <= 1 kPa"))


def test_a_cause_is_a_fault_of_the_catalogue_of_either_stage() -> None:
    assert cause_wanted("") == ""
    assert cause_wanted("seat_nicked") == "seat_nicked"
    assert cause_wanted("first:seat_nicked") == "first:seat_nicked"
    with pytest.raises(InputError, match="fault_unknown"):
        cause_wanted("gremlin")


@pytest.mark.parametrize(
    ("typed", "id"),
    [
        ("dirt on the seat", "seat_debris"),
        ("Seat  nick", "seat_nicked"),
        ("first:seat_nick", "first:seat_nicked"),
    ],
)
def test_a_cause_may_be_said_by_a_beginning_that_fits_it_alone(
    typed: str, id: str
) -> None:
    assert cause_wanted(typed) == id


def test_of_several_that_fit_only_those_are_told() -> None:
    with pytest.raises(InputError) as refused:
        cause_wanted("seat")
    assert refused.value.facts["known"] == ", ".join(causes_begun("seat"))
    assert {"seat_debris", "seat_nicked"} < set(causes_begun("seat")) < set(CATALOGUE)
    with pytest.raises(InputError) as unknown:
        findings_wanted(("lockup_ries",))
    assert unknown.value.facts["near"].startswith("lockup_rise")


def test_every_fault_is_found_by_its_own_id_and_sentence() -> None:
    for id, entry in CATALOGUE.items():
        assert cause_wanted(id) == id
        assert id in causes_begun(entry.sentence)
