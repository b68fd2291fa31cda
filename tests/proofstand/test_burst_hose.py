"""What to do on a burst hose: the same for all, and what the gas and pressure add."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from proofstand.alarms import hose_page
from proofstand.simulated import demo_job
from proofstand.words.burst_hose import burst_hose
from proofstand.words.sentences import words
from records.measure import parse_quantity
from records.planfile import builtin_plan

ALL = ("stay clear", "Don't grab", "source", "read zero")


@pytest.mark.parametrize(
    ("gas", "says", "says_not"),
    [
        ("nitrogen", ["place of air", "Nitrogen"], ["Fuel gas", "Oxygen makes"]),
        ("Argon", ["Argon takes the place of air"], ["Fuel gas"]),
        ("oxygen", ["air your clothes"], ["place of air", "Fuel gas"]),
        ("nitrous oxide", ["burn fiercely"], ["Fuel gas"]),
        ("propane", ["no switch", "drains", "place of air"], ["Oxygen makes"]),
        ("LPG", ["no switch", "LPG takes"], ["Oxygen makes"]),
        ("hydrogen", ["no switch"], ["Oxygen makes"]),
        ("air", ["dust"], ["place of air", "Fuel gas"]),
        ("ammonia", ["safety data sheet", "Ammonia"], ["Fuel gas"]),
        ("", ["place of air", "Fuel gas", "Oxygen makes"], []),
    ],
)
def test_the_gas_adds_what_it_does_to_people(
    gas: str, says: list[str], says_not: list[str]
) -> None:
    told = burst_hose(gas)
    text = " ".join(told.do)
    for each in (*ALL, *says):
        assert each in text, each
    for each in says_not:
        assert each not in text, each
    assert "before this page" in told.last
    assert "{" not in text + told.here


@pytest.mark.parametrize(
    ("most", "cuts"), [("10 psi gauge", False), ("200 bar gauge", True), ("", True)]
)
def test_a_jet_at_high_pressure_is_told_of(most: str, cuts: bool) -> None:
    told = burst_hose("nitrogen", parse_quantity(most) if most else None)
    assert ("doctor" in " ".join(told.do)) is cuts
    assert most in told.here


def test_a_test_tells_of_its_own_gas_and_its_highest_inlet() -> None:
    plan = builtin_plan("cylinder")[0]
    told = hose_page(demo_job("cylinder-1"), plan)
    assert "nitrogen" in told.here
    assert "150 bar gauge" in told.here
    bare = replace(demo_job(), test_gas="")
    assert "nitrogen" in hose_page(bare, plan).here  # then it is the plan's
    assert not hose_page().here


def test_the_page_in_the_docs_says_the_same() -> None:
    page = Path(__file__).parents[2] / "docs" / "alarms.md"
    told = " ".join(page.read_text("utf-8").split())
    said = words()["hose"]
    everything = [*said["common"], said["last"], said["high"], said["oxygen"]]
    everything += [said["fuel"], said["air"]]
    everything += [said[id].split("{gas} ")[-1] for id in ("inert", "other")]
    for sentence in everything:
        assert " ".join(sentence.split()) in told, sentence
