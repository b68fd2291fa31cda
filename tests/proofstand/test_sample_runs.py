"""The sample runs give what stands beside them, and can be made again."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import pytest

from analysis.version import ANALYSIS_VERSION
from records.runfile import open_run, read_seal
from sample_runs import rebuild

BY_NAME = {sample.name: sample for sample in rebuild.SAMPLES}
CHANGED = (
    "A computed number changed: raise ANALYSIS_VERSION, write a CHANGELOG entry under "
    "*Changed numbers* that says why, then python sample_runs/rebuild.py"
)


def test_every_sample_is_there_and_told_of() -> None:
    assert set(rebuild.expected()) == set(BY_NAME)
    readme = (rebuild.HERE / "README.md").read_text("utf-8")
    for sample in rebuild.SAMPLES:
        verdict = rebuild.expected()[sample.name]["verdict"]
        row = f"| `{sample.name}` | `{sample.plan}` | {sample.about} | {verdict} |"
        assert row in readme
    assert {s.plan for s in rebuild.SAMPLES} == {"low-pressure", "cylinder", "oxygen"}


@pytest.mark.parametrize("name", sorted(BY_NAME))
def test_a_sample_gives_what_is_expected(name: str) -> None:
    sample = BY_NAME[name]
    wanted = rebuild.expected()[name]
    assert wanted["analysis_version"] == ANALYSIS_VERSION, CHANGED
    told = rebuild.differences(wanted, rebuild.described(sample))
    assert not told, CHANGED


@pytest.mark.parametrize("name", sorted(BY_NAME))
def test_a_sample_is_whole_and_says_that_it_is_simulated(name: str) -> None:
    file = BY_NAME[name].file
    read_seal(file)
    run = open_run(file)
    assert run.header.rig.simulated
    assert "Larkmere" not in run.id
    assert file.stat().st_size < 1.2e6


def test_findings_lie_about_what_was_true() -> None:
    for name, told in rebuild.expected().items():
        known = [f for f in told["findings"] if None not in (f["true"], f["value"])]
        assert len(known) >= 12, name
        for f in known:
            off = abs(f["value"] - f["true"])
            assert off < 5.0 * f["standard_uncertainty"], (name, f["step"], f["id"])


def changed(told: dict[str, Any], key: str, by: Any) -> dict[str, Any]:
    other = copy.deepcopy(told)
    other["findings"][3][key] = by
    return other


def test_a_change_is_noticed() -> None:
    told = rebuild.expected()["second-stage-good"]
    assert rebuild.differences(told, told) == []
    finding = told["findings"][3]
    u = finding["standard_uncertainty"]
    assert (
        rebuild.differences(told, changed(told, "value", finding["value"] + 0.5e-3 * u))
        == []
    )
    for key, by in (
        ("value", finding["value"] + 2e-3 * u),
        ("value", None),
        ("standard_uncertainty", 1.01 * u),
        ("outcome", "fail"),
        ("step", "lockup-9"),
    ):
        assert len(rebuild.differences(told, changed(told, key, by))) == 1, key
    other = {**told, "verdict": "fail"}
    assert "verdict" in rebuild.differences(told, other)[0]
    shorter = {**told, "findings": told["findings"][:-1]}
    assert rebuild.differences(told, shorter)


def test_other_words_are_refused() -> None:
    assert rebuild.main(["--chekc"]) == 2


@pytest.mark.slow
@pytest.mark.parametrize("name", ["second-stage-pinhole", "cylinder-good"])
def test_a_sample_can_be_made_again(tmp_path: Path, name: str) -> None:
    sample = BY_NAME[name]
    again = tmp_path / "again.h5"
    rebuild.make(sample, again)
    if again.read_bytes() != sample.file.read_bytes():  # on another processor
        wanted = rebuild.expected()[name]
        assert rebuild.differences(wanted, rebuild.judged(again)) == []
