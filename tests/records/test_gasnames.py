"""Names of gases: whatever people write, the rules know which gas is meant."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from records.gas.facts import GASES
from records.gas.names import (
    NAMES,
    gas_named,
    gases_in,
    hazard_of,
    is_known,
    is_oxidiser,
    nearest_gas,
)
from records.gas.vapour import service_gases


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("O2", "oxygen"),
        ("O₂", "oxygen"),
        ("OXYGEN", "oxygen"),
        ("oxygen, medical", "oxygen"),
        ("medical oxygen 99.5 %", "oxygen"),
        ("oxygen-enriched air", "oxygen"),
        ("helium/oxygen mix", "oxygen"),
        ("N2O", "nitrous oxide"),
        ("N2", "nitrogen"),
        ("nitrogen 4.5", "nitrogen"),
        ("oxygen-free nitrogen", "nitrogen"),
        ("dry  Air", "air"),
        ("CO2", "carbon dioxide"),
        ("argon/CO2", "argon"),
        ("argon and air", "air"),
        ("5 % H2 in N2", "hydrogen"),
        ("lpg", "LPG"),
        ("LP-gas", "LPG"),
        ("HD-5 propane", "propane"),
        ("CO", "carbon monoxide"),
        ("50 ppm H2S in nitrogen", "hydrogen sulfide"),
        ("hydrogen sulphide", "hydrogen sulfide"),
        ("nitrogen and unobtainium", "nitrogen and unobtainium"),
        ("Town gas", "town gas"),
        ("", ""),
    ],
)
def test_a_gas_has_one_name(written: str, name: str) -> None:
    assert gas_named(written) == name


def test_what_is_meant_is_told_of_what_is_not_known() -> None:
    assert not is_known("nitorgen")
    assert nearest_gas("nitorgen") == "nitrogen"
    assert nearest_gas("unobtainium") == ""
    assert hazard_of("unobtainium") == "unknown"


def test_gases_whose_properties_are_known_have_their_own_name_here() -> None:
    for name in {*GASES, *service_gases()}:
        assert gas_named(name) == name


def test_a_free_text_speaks_of_gases() -> None:
    assert gases_in("propane, house line") == ("propane",)
    assert gases_in("chlorine at the works, then N2") == ("chlorine", "nitrogen")
    assert gases_in("no gas, so he said") == ()


@given(st.text(max_size=30))
def test_any_text_has_a_name_that_stays(text: str) -> None:
    name = gas_named(text)
    assert gas_named(name) == name
    assert name in NAMES or not is_known(text)


@given(st.sampled_from(["O2", "oxygen", "N2O"]), st.text("abc ,/-", max_size=8))
def test_oxygen_is_seen_beside_any_other_word(gas: str, other: str) -> None:
    assert is_oxidiser(f"{gas} {other}")
