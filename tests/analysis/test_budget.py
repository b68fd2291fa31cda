"""Budgets against worked examples."""

from __future__ import annotations

import math

import pytest

from analysis.budget import combine, coverage_factor
from records.judgement import BudgetLine


def test_welch_satterthwaite_of_a_bench_budget() -> None:
    """Source of the formula: JCGM 100:2008 (GUM), G.4.1; numbers in psi, by hand."""
    lines = [
        BudgetLine(source="reference", u=0.020),
        BudgetLine(source="fit", u=0.015, dof=8),
        BudgetLine(source="mean of five", u=0.030 / math.sqrt(5.0), dof=4, type="A"),
        BudgetLine(source="resolution", u=0.01 / math.sqrt(12.0)),
        BudgetLine(source="temperature", u=0.025 / math.sqrt(3.0), dof=50),
    ]
    found = combine(lines)
    assert found.u == pytest.approx(0.03196352, rel=1e-6)
    assert found.dof == pytest.approx(68.2394, rel=1e-5)
    assert coverage_factor(found.dof, 0.9545) == pytest.approx(2.037439, rel=1e-4)
    assert found.expanded(0.9545) == pytest.approx(0.0651237, rel=1e-4)


@pytest.mark.parametrize(
    ("dof", "k"),
    [(1, 13.97), (2, 4.53), (4, 2.87), (8, 2.37), (16, 2.17), (20, 2.13), (50, 2.05)],
)
def test_published_coverage_factors(dof: float, k: float) -> None:
    """Source: JCGM 100:2008 (GUM), table G.2, 95.45 %."""
    assert coverage_factor(dof, 0.9545) == pytest.approx(k, abs=0.006)


def test_end_gauge_of_the_gum() -> None:
    """Source: JCGM 100:2008, H.1 (inputs from memory): 32 nm, 16 degrees of freedom."""
    lines = [
        BudgetLine(source="standard", u=25.0, dof=18),
        BudgetLine(source="difference", u=9.7, dof=25.6),
        BudgetLine(source="expansion", u=2.900, dof=50),
        BudgetLine(source="temperature", u=16.675, dof=2),
    ]
    found = combine(lines)
    assert found.u == pytest.approx(31.71, rel=5e-3)
    assert found.dof == pytest.approx(16.7, abs=0.2)
    assert coverage_factor(found.dof, 0.99) == pytest.approx(2.9208, rel=1e-4)


def test_one_group_adds_with_its_signs() -> None:
    same = [
        BudgetLine(source="a", u=3.0, group="gauge"),
        BudgetLine(source="b", u=3.0, sensitivity=-1.0, group="gauge"),
    ]
    apart = [BudgetLine(source="a", u=3.0), BudgetLine(source="b", u=4.0)]
    assert combine(same).u == 0.0
    assert combine(apart).u == pytest.approx(5.0)
    assert combine([]).dof is None
