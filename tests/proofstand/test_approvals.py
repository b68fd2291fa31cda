"""Approvals: by name, once, of one text; and what a draft may not become."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from proofstand.approvals import (
    Status,
    approvals,
    approve,
    as_approved,
    plan_of,
    status_of,
)
from proofstand.commands.main import main
from proofstand.runs import new_header
from proofstand.simulated import demo_job
from records.approval import Approval, open_limits
from records.errors import InputError, IntegrityError, RefusedError
from records.planfile import builtin_plan, parse_plan
from records.run import RunHeader
from records.tomlfile import from_json, text_sha256, to_json
from rig.rigfile import parse_rig
from rig.simulator.rigtext import rig_text

PLAN, TEXT = builtin_plan("low-pressure")
LEAD = "I. Ferrand (invented)"
ALL = {
    "set_pressure": "the customer's order",
    "lockup_rise": "our table 2",
    "lockup_highest": "our table 2",
    "seat_leak": "our table 3",
    "external_leak": "our table 3",
}


def approved(text: str = TEXT, **more: str) -> Approval:
    plan = parse_plan(text, "plan.toml")
    return approve(plan, text, by=LEAD, accept={**ALL, **more}, utc_ns=10**18)


def header(text: str, origin: str = "record") -> RunHeader:
    return new_header(
        origin=origin,
        job=demo_job(),
        plan=parse_plan(text, "plan.toml"),
        plan_text=text,
        rig=parse_rig(rig_text("127.0.0.1", 502, 1.0), "rig.toml"),
        utc_ns=10**18,
    )


def test_each_open_limit_is_accepted_by_name() -> None:
    with pytest.raises(RefusedError) as caught:
        approve(PLAN, TEXT, by=LEAD, accept={"set_pressure": "ours"}, utc_ns=1)
    assert caught.value.id == "plan_limits_unaccepted"
    assert "creep-hold/seat_leak (shop default)" in caught.value.facts["limits"]
    assert "set/set_pressure" not in caught.value.facts["limits"]
    assert approvals() == ()
    made = approved()
    assert {each.limit for each in made.accepted} == set(open_limits(PLAN))
    reasons = {each.limit: each.reason for each in made.accepted}
    assert reasons["lockup-2/lockup_rise"] == "our table 2"


def test_one_step_may_have_a_reason_of_its_own() -> None:
    made = approved(**{"creep-hold/lockup_highest": "held longer"})
    reasons = {each.limit: each.reason for each in made.accepted}
    assert reasons["creep-hold/lockup_highest"] == "held longer"
    assert reasons["lockup-1/lockup_highest"] == "our table 2"


def test_what_is_accepted_has_to_be_there_and_to_have_a_reason() -> None:
    with pytest.raises(InputError) as caught:
        approved(droop="no such limit")
    assert caught.value.id == "plan_accept_unknown"
    with pytest.raises(InputError, match="value_wrong"):
        approved(seat_leak=" ")
    with pytest.raises(InputError, match="value_wrong"):
        approve(PLAN, TEXT, by=" ", accept=ALL, utc_ns=1)
    assert approvals() == ()


def test_a_changed_text_is_a_draft_again() -> None:
    approved()
    assert status_of(PLAN, text_sha256(TEXT)) is Status.APPROVED
    changed = TEXT.replace('max = "0.15 std', 'max = "0.19 std', 1)
    assert changed != TEXT
    plan = parse_plan(changed, "plan.toml")
    assert status_of(plan, text_sha256(changed)) is Status.CHANGED
    assert as_approved(plan, text_sha256(changed)).status == "draft"


def test_a_version_is_approved_once() -> None:
    first = approved()
    with pytest.raises(RefusedError) as caught:
        approved()
    assert caught.value.id == "plan_approved_already"
    assert caught.value.facts["by"] == LEAD
    with pytest.raises(RefusedError) as caught:
        approved(TEXT.replace('title = "Second', 'title = "second', 1))
    assert caught.value.id == "plan_version_taken"
    assert approvals() == (first,)
    newer = TEXT.replace("version = 1", "version = 2", 1)
    second = approved(newer)
    assert approvals() == (first, second)


def test_a_word_in_the_file_is_no_approval() -> None:
    said = TEXT.replace('status = "draft"', 'status = "approved"', 1)
    said = said.replace('"shop default"', f'"shop default, accepted by {LEAD}"')
    plan = parse_plan(said, "plan.toml")
    assert plan.status == "approved"
    assert as_approved(plan, text_sha256(said)).status == "draft"
    assert header(said).plan.status == "draft"


def test_a_changed_record_counts_for_nothing(own_places: Path) -> None:
    approved()
    file = own_places / "approvals" / "low-pressure-1.json"
    file.write_text(file.read_text("utf-8").replace("our table 3", "whatever"), "utf-8")
    with pytest.raises(IntegrityError) as caught:
        status_of(PLAN, text_sha256(TEXT))
    assert caught.value.id == "approval_changed"
    file.write_text("[]", "utf-8")
    with pytest.raises(IntegrityError):
        approvals()


def test_a_run_carries_who_accepted_its_limits(tmp_path: Path) -> None:
    assert header(TEXT).plan.status == "draft"
    made = approved()
    kept = header(TEXT)
    assert kept.approval == made
    assert kept.plan.status == "approved"
    step = kept.plan.step("set")
    assert step is not None
    assert step.limits[0].source == f"shop default, accepted by {LEAD}"
    again = from_json(to_json(kept), RunHeader)
    elsewhere = tmp_path / "another-bench"
    assert plan_of(again, elsewhere) == kept.plan
    # a simulated run is the same for the same seed, whatever the shop
    assert header(TEXT, "simulate").approval is None


def test_an_approval_made_after_the_test_counts_for_the_same_text() -> None:
    before = header(TEXT)
    assert plan_of(before).status == "draft"
    approved()
    assert plan_of(before).status == "approved"


def test_on_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    accept = [part for n, why in ALL.items() for part in ("--accept", f"{n}={why}")]
    plan = tmp_path / "ours.toml"
    plan.write_text(TEXT.replace('id = "low-pressure"', 'id = "ours"', 1), "utf-8")
    assert main(["plan", "approve", str(plan), "--by", LEAD]) == 6
    assert main(["plan", "approve", str(plan), "--by", LEAD, "--accept", "x"]) == 2
    capsys.readouterr()
    assert main(["plan", "approve", str(plan), "--by", LEAD, *accept, "--json"]) == 0
    made = json.loads(capsys.readouterr().out)
    assert made["plan_sha256"] == text_sha256(plan.read_text("utf-8"))
    assert main(["plan", "list", "--json"]) == 0
    rows = {r["id"]: r for r in json.loads(capsys.readouterr().out)["plans"]}
    assert rows["ours"]["status"] == "approved"
    assert rows["ours"]["by"] == LEAD
    assert not rows["ours"]["built_in"]
    assert rows["low-pressure"]["status"] == "draft"
    assert main(["plan", "show", str(plan)]) == 0
    page = capsys.readouterr().out
    assert f"approved by {LEAD}" in page
    assert "the customer's order" in page
    assert main(["plan", "show", "--json", "first-stage"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert "seat_nicked" in shown["reveals"]
    assert "spring_soft" in shown["does_not_reveal"]
