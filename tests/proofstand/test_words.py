"""Words: every id has them, and none stands there without an id."""

from __future__ import annotations

import ast
import re
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.judge import judge
from analysis.separating import CHECKS
from proofstand.words.sentences import (
    action,
    caution,
    check_words,
    label,
    model_words,
    reason,
    source_words,
    trouble,
    words,
)
from records.calibration import TermKind
from records.errors import ERROR_CLASSES, LIVE_IDS, REASON_IDS, WARNING_IDS, Reason
from records.judgement import FINDINGS
from records.run import ACTS, Request
from records.runfile import open_run
from sample_runs.rebuild import SAMPLES

ROOT = Path(__file__).parents[2]


def test_every_trouble_has_words_and_a_remedy() -> None:
    ids = {id for kind in ERROR_CLASSES for id in kind.ids}
    assert set(words()["trouble"]) == ids
    for said in words()["trouble"].values():
        assert set(said) == {"what", "do"}
        assert said["what"]
        assert said["do"]


def test_every_reason_and_warning_has_words() -> None:
    assert set(words()["reason"]) == REASON_IDS | WARNING_IDS


def test_every_check_that_parts_causes_has_words_and_a_caution() -> None:
    assert set(words()["check"]) == CHECKS
    for id in CHECKS:
        do, caution = check_words(id)
        assert do.endswith(".")
        assert caution.endswith(".")


def test_every_trouble_beside_a_test_has_words() -> None:
    said = {id: of for id, of in words()["live"].items() if isinstance(of, dict)}
    assert set(said) == LIVE_IDS
    assert all(set(of) == {"what", "does", "do"} for of in said.values())


def test_every_finding_and_act_has_words() -> None:
    assert set(words()["finding"]) == set(FINDINGS)
    assert set(words()["act"]) == {*ACTS, "shut_both"}


def _sources_used() -> set[str]:
    """Return the source of every budget line in the code, its channel left open."""
    found: set[str] = set()
    for file in (ROOT / "analysis").rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if not isinstance(node, ast.Call) or not node.keywords:
                continue
            if ast.unparse(node.func) != "BudgetLine":
                continue
            for word in (k.value for k in node.keywords if k.arg == "source"):
                if isinstance(word, ast.Constant):
                    found.add(str(word.value))
                elif isinstance(word, ast.JoinedStr):
                    text = ast.unparse(word)[2:-1]
                    kinds = [k.value for k in TermKind] if "kind" in text else ["inlet"]
                    found |= {re.sub(r"{[^}]*}", kind, text) for kind in kinds}
    return found


@pytest.mark.tree
def test_every_source_of_a_budget_has_words() -> None:
    sources = _sources_used()
    assert {"noise", "volume_inlet", "calibration_gain", "outlet_loss"} <= sources
    sources.discard("inlet_inlet")  # another line's source, of the inlet
    lacking = {id for id in sources if source_words(id) == id.replace("_", " ")}
    # a word that is its own id stands there all the same
    assert lacking <= set(words()["source"])


def test_every_parameter_and_source_of_the_sample_runs_has_words() -> None:
    for sample in SAMPLES[::4]:
        for finding in judge(open_run(sample.file)).findings:
            for id, _ in finding.evidence.model:
                told = id in words()["model"] or model_words(id) != id.replace("_", " ")
                assert told, id
            for line in finding.budget:
                id = line.source
                told = id in words()["source"] or source_words(id) != id.replace(
                    "_", " "
                )
                assert told, id


@pytest.mark.parametrize("act", ACTS)
def test_an_action_is_a_sentence_to_follow(act: str) -> None:
    first, second = action(Request(id="a.1", step="a", act=act), "10.0 psi gauge")
    assert first.endswith(".")
    assert second
    assert "{" not in first + second


def test_shut_after_opening_to_air_is_not_closed_for_a_lockup() -> None:
    request = Request(id="a.1", step="a", act="close_bleed")
    assert "one to five seconds" in action(request)[1]
    first, second = action(replace(request, confirm=True))
    assert "inlet vent" in first
    assert "downstream valve" in first
    assert "before the inlet is raised" in second


@pytest.mark.parametrize("act", ["fit_blank", "fit_regulator", "fit_as_received"])
def test_what_is_fitted_is_shut_before_the_inlet_is_raised(act: str) -> None:
    told = action(Request(id="a.1", step="a", act=act))[1]
    assert "hut the inlet vent and the downstream valve" in told


def test_facts_are_filled_in() -> None:
    for kind in ERROR_CLASSES:
        for id in kind.ids:
            told = trouble(kind(id, where="here"))
            assert "{" not in told.what + told.do
            assert told.exit_code == kind.exit_code
    assert "12.0 s" in reason(Reason.of("hold_ended_early", held_s="12.0"))


@pytest.mark.tree
def test_cautions_that_the_steps_name_exist() -> None:
    steps = (ROOT / "proofstand" / "procedure" / "steps").glob("*.py")
    named = {
        c for f in steps for c in re.findall(r'caution="([a-z_]+)"', f.read_text())
    }
    assert named
    for id in named:
        assert caution(id).endswith(".")


@pytest.mark.tree
def test_every_error_id_is_raised_somewhere() -> None:
    code = "\n".join(
        f.read_text("utf-8")
        for room in ("records", "rig", "analysis", "proofstand", "gui")
        for f in (ROOT / room).rglob("*.py")
        if f.name != "errors.py"
    )
    unused = {id for kind in ERROR_CLASSES for id in kind.ids if f'"{id}"' not in code}
    assert not unused, f"ids that nothing raises: {sorted(unused)}"


def test_labels_are_the_trade_s_words() -> None:
    # common practice, no source: fuel-gas papers say internal (seat) leakage
    assert label("seat_leak") == "Internal (seat) leakage"
    assert label("external_leak") == "External leakage"


@pytest.mark.tree
def test_the_page_of_troubles_is_up_to_date() -> None:
    import runpy

    page = runpy.run_path(str(ROOT / "docs" / "make_troubles.py"))["page"]()
    assert (ROOT / "docs" / "troubles.md").read_text("utf-8") == page, (
        "remake it with: python docs/make_troubles.py"
    )


def _facts_given() -> dict[str, list[set[str]]]:
    """Return, per id, the facts that each place in the code gives."""
    given: dict[str, list[set[str]]] = {}
    for room in ("records", "rig", "analysis", "proofstand"):
        for file in (ROOT / room).rglob("*.py"):
            for node in ast.walk(ast.parse(file.read_text("utf-8"))):
                if not isinstance(node, ast.Call) or not node.args:
                    continue
                first = node.args[0]
                name = ast.unparse(node.func)
                known = name.endswith(("Reason.of", "Error")) or name == "self._error"
                if not known or not isinstance(first, ast.Constant):
                    continue
                facts = {k.arg for k in node.keywords if k.arg not in (None, "where")}
                if any(k.arg is None for k in node.keywords) or name == "self._error":
                    facts.add("*")
                given.setdefault(str(first.value), []).append({f for f in facts if f})
    return given


@pytest.mark.tree
def test_every_sentence_is_given_the_facts_that_it_names() -> None:
    said = {id: " ".join(w.values()) for id, w in words()["trouble"].items()}
    said |= words()["reason"]
    lacking = []
    for id, places in _facts_given().items():
        named = set(re.findall(r"{([a-z_]+)}", said.get(id, "")))
        lacking += [
            f"{id}: lacks {sorted(named - facts)}, has {sorted(facts)}"
            for facts in places
            if named - facts and "*" not in facts
        ]
    assert not lacking, "\n".join(lacking)
