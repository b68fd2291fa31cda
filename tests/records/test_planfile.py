"""Plan files: every fault told with file, line, key and what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from records.errors import InputError
from records.judgement import FINDINGS
from records.planfile import (
    builtin_plan,
    builtin_plan_ids,
    load_plan,
    parse_plan,
    plan_by_name,
)

TEXT = builtin_plan("low-pressure")[1]


def test_every_plan_that_ships_can_be_read() -> None:
    assert {"low-pressure", "trace-only"} <= set(builtin_plan_ids())
    for id in builtin_plan_ids():
        plan, _ = builtin_plan(id)
        assert plan.id == id
        assert all(limit.source for step in plan.steps for limit in step.limits), (
            "each limit says where it comes from"
        )


def line_of(needle: str, text: str) -> int:
    return text[: text.index(needle)].count("\n") + 1


FAULTS = [
    ('hold = "180 s"', 'hodl = "180 s"', "key_unknown", "hold"),
    ('"11.2 in. w.c. gauge"', '"11.2 in. w.c."', "quantity_reference_missing", ""),
    ('"0.015 std cm3/min"', '"0.015 stdd cm3/min"', "quantity_unit_unknown", ""),
    ("repeats = 5", 'repeats = "five"', "value_wrong_type", "integer"),
    ('kind = "exercise"', 'kind = "exercize"', "value_wrong_type", "exercise"),
    (
        'finding = "seat_leak"',
        'finding = "seatleak"',
        "plan_finding_unknown",
        "seat_leak",
    ),
    (
        'finding = "seat_leak"',
        'finding = "set_pressure"',
        "plan_finding_elsewhere",
        "set",
    ),
    ('min = "10.8 in', 'min = "12.8 in', "plan_limits_cross", ""),
    ('hold = "15 s"', 'hold = "0 s"', "value_wrong", "above zero"),
    ('hold = "15 s"', 'hold = "15 psi gauge"', "quantity_kind_wrong", "time"),
    ('max = "0.015 std cm3/min"', 'max = "3 Pa/s"', "quantity_kind_wrong", "leak"),
    (
        'max = "15 % of set_pressure"',
        'max = "15 % of setting"',
        "plan_reference_unknown",
        "",
    ),
    ('inlet = "15 psi gauge"', 'inlett = "15 psi gauge"', "key_unknown", "inlet"),
    ('inlet = "15 psi gauge"', 'inlet = "-9 psi gauge"', "value_wrong", "above zero"),
    ('stages = ["3 psi gauge"]', 'stages = ["30 psi gauge"]', "value_wrong", "15 psi"),
    ('leak = "std cm3/min"', 'leak = "psi"', "quantity_kind_wrong", "leak"),
    ('channel = "outlet"', 'channel = "outlett"', "value_wrong", "outlet"),
    ('id = "exercise"', 'id = "exer/cise"', "value_wrong", "letters"),
    (
        'window = ["1 s", "5 s"]',
        'window = ["1 s", "5 s"]\nread_after = "29.5 s"',
        "value_wrong",
        "before its hold ends",
    ),
    (
        'window = ["1 s", "5 s"]',
        'window = ["1 s", "5 s"]\nread_after = "5 psi gauge"',
        "quantity_kind_wrong",
        "time",
    ),
    ('outlet = "in. w.c."', 'outlet = "inches"', "quantity_unit_unknown", ""),
]


@pytest.mark.parametrize(("good", "bad", "id", "right"), FAULTS)
def test_a_fault_names_line_key_and_remedy(
    good: str, bad: str, id: str, right: str
) -> None:
    text = TEXT.replace(good, bad, 1)
    with pytest.raises(InputError) as caught:
        parse_plan(text, "shop.toml")
    assert caught.value.id == id
    line = int(caught.value.where.split(":")[1])
    assert abs(line - line_of(good, TEXT)) <= 1
    assert right in " ".join(caught.value.facts.values())


@pytest.mark.parametrize(
    ("kind", "id"),
    [
        ("zero", "plan_order"),
        ("rig-hold", "plan_lacks_step"),
        ("vent-down", "plan_lacks_step"),
        ("closing-zero", "plan_lacks_step"),
    ],
)
def test_a_plan_that_nothing_holds_up_is_refused(kind: str, id: str) -> None:
    start = TEXT.index(f'[[steps]]\nid = "{kind}"')
    stop = TEXT.find("[[steps]]", start + 5)
    with pytest.raises(InputError, match=id):
        parse_plan(TEXT[:start] + (TEXT[stop:] if stop > 0 else ""), "p.toml")


def test_a_step_above_the_plan_s_own_highest_is_named() -> None:
    text = TEXT.replace('inlet = "15 psi gauge"', 'inlet = "9 psi gauge"')
    with pytest.raises(InputError, match="value_wrong") as caught:
        parse_plan(text, "p.toml")
    assert caught.value.facts["key"] == "steps.rig-hold.inlet"


def with_early(more: str, text: str = TEXT) -> str:
    return text.replace('rule = "guarded"', f'rule = "guarded"\n{more}', 1)


def test_early_fail_is_on_and_early_pass_off_unless_a_plan_says_otherwise() -> None:
    plan = parse_plan(TEXT, "p.toml")
    assert plan.early_fail
    assert not plan.early_pass
    assert not parse_plan(with_early("early_fail = false"), "p.toml").early_fail
    allowed = with_early('early_pass = true\nearly_pass_after = "60 s"')
    assert parse_plan(allowed, "p.toml").early_pass


def test_an_early_pass_wants_a_minimum_hold() -> None:
    with pytest.raises(InputError, match="key_missing") as caught:
        parse_plan(with_early("early_pass = true"), "p.toml")
    assert caught.value.facts["key"] == "early_pass_after"
    short = with_early('early_pass = true\nearly_pass_after = "5 s"')
    with pytest.raises(InputError, match="value_wrong") as caught:
        parse_plan(short, "p.toml")
    assert caught.value.facts["key"] == "early_pass_after"


@pytest.mark.parametrize("id", ["cylinder", "oxygen"])
def test_no_early_pass_for_oxygen_and_cylinders(id: str) -> None:
    more = 'early_pass = true\nearly_pass_after = "60 s"'
    with pytest.raises(InputError, match="value_wrong") as caught:
        parse_plan(with_early(more, builtin_plan(id)[1]), "p.toml")
    assert caught.value.facts["key"] == "early_pass"


def test_the_rig_may_leak_a_tenth_of_the_tightest_limit_and_no_more() -> None:
    text = TEXT.replace('"0.015 std cm3/min"', '"0.016 std cm3/min"')
    with pytest.raises(InputError, match="plan_gate_wide"):
        parse_plan(text, "p.toml")


def test_a_missing_key_is_named() -> None:
    with pytest.raises(InputError, match="key_missing"):
        parse_plan(TEXT.replace('title = "Second stage, low pressure"\n', ""), "p.toml")


def test_broken_toml_names_its_line() -> None:
    with pytest.raises(InputError) as caught:
        parse_plan(TEXT.replace("version = 1", "version = = 1"), "p.toml")
    assert caught.value.id == "toml_syntax"
    assert caught.value.where == "p.toml:3"


@pytest.mark.parametrize(
    ("head", "id"),
    [
        ('format = "proofstand.plan/2"', "format_newer"),
        ('format = "proofstand.rig/1"', "format_wrong"),
        ("format = 1", "format_wrong"),
    ],
)
def test_formats(head: str, id: str) -> None:
    with pytest.raises(InputError, match=id):
        parse_plan(TEXT.replace('format = "proofstand.plan/1"', head), "p.toml")


def test_a_set_pressure_may_come_from_the_job_card() -> None:
    text = TEXT.replace('target = "11.0 in. w.c. gauge"', 'target = "job"')
    plan = parse_plan(text, "p.toml")
    assert all(s.target_from_job for s in plan.steps if s.kind == "set")


def test_files_that_are_no_plan(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="file_missing"):
        load_plan(tmp_path / "none.toml")
    empty = tmp_path / "empty.toml"
    empty.write_text("")
    with pytest.raises(InputError, match="file_empty"):
        load_plan(empty)
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe\x00\x80")
    with pytest.raises(InputError, match="file_not_ours"):
        load_plan(binary)
    with pytest.raises(InputError, match="plan_unknown"):
        plan_by_name("no-such-plan")


def test_the_registry_says_what_each_finding_is() -> None:
    for id, kind in FINDINGS.items():
        assert kind.id == id
        assert kind.definition.endswith(".")
        assert kind.steps


SWEEP = """[[steps]]
id = "sweep"
kind = "inlet-sweep"
hold = "10 s"
inlets = ["10 psi gauge", "5 psi gauge", "10 psi gauge"]

[[steps]]
id = "flow"
kind = "flow-sweep"
inlet = "10 psi gauge"
hold = "10 s"
flows = ["2 std L/min", "10 std L/min"]
set_flow = "2 std L/min"
rated_flow = "10 std L/min"

[[steps]]
id = "lockup-1"
"""
CLASSES = """[classes]
accuracy = ["2.5 %", "5 %"]
lockup = ["10 %"]
floor = "1 mbar difference"
source = "shop default"

[display]"""
SWEPT = TEXT.replace('[[steps]]\nid = "lockup-1"\n', SWEEP, 1).replace(
    "[display]", CLASSES, 1
)


def test_sweeps_and_classes_are_read() -> None:
    plan = parse_plan(SWEPT, "p.toml")
    sweep, flow = plan.step("sweep"), plan.step("flow")
    assert sweep is not None
    assert flow is not None
    assert len(sweep.inlets) == 3
    assert flow.rated_flow is not None
    assert flow.rated_flow.value_si == pytest.approx(10e-3 / 60.0 * 101_325.0)
    assert plan.classes is not None
    assert plan.classes.accuracy[1].value_si == 0.05


@pytest.mark.parametrize(
    ("good", "bad", "id", "right"),
    [
        ('"5 psi gauge", "10 psi gauge"]', '"10 psi gauge"]', "value_wrong", "two"),
        ('"5 psi gauge", "10', '"5 psi absolute", "10', "value_wrong", "gauge"),
        ('"5 psi gauge", "10', '"55 psi gauge", "10', "value_wrong", "15 psi"),
        ('["2 std L/min", ', "[", "value_wrong", "two"),
        ('["2 std L/min", ', '["2 s", ', "quantity_kind_wrong", "leak"),
        ('rated_flow = "10 std', 'rated_flow = "1 std', "value_wrong", "below"),
        ('rated_flow = "10 std', 'rated_flow = "20 std', "value_wrong", "at most"),
        ('set_flow = "2 std L/min"\n', "", "key_missing", "set_flow"),
        ('["2.5 %", "5 %"]', '["5 %", "2.5 %"]', "value_wrong", "rising"),
        ('"1 mbar difference"', '"1 mbar gauge"', "value_wrong", "difference"),
        ('source = "shop default"\n\n[dis', 'source = " "\n\n[dis', "plan_source", ""),
    ],
)
def test_a_sweep_or_class_that_can_t_be_is_refused(
    good: str, bad: str, id: str, right: str
) -> None:
    assert good in SWEPT
    with pytest.raises(InputError, match=id) as caught:
        parse_plan(SWEPT.replace(good, bad, 1), "p.toml")
    assert right in " ".join(caught.value.facts.values())


def test_how_a_leak_flows_is_one_of_four() -> None:
    with pytest.raises(InputError, match="value_wrong_type"):
        parse_plan(TEXT.replace("test_gas", 'leak_regime = "fast"\ntest_gas', 1), "p")


LOOK = """[[steps]]
id = "look"
kind = "look"
look = "gauge_error_outlet"
asks = "Outlet gauge, tapped lightly"
instrument = "the regulator's outlet gauge"
resolution = "0.5 kPa difference"

[[steps.limits]]
finding = "gauge_error_outlet"
min = "-1 kPa difference"
max = "1 kPa difference"
source = "shop default"

[[steps]]
id = "lockup-1"
"""
LOOKED = TEXT.replace('[[steps]]\nid = "lockup-1"\n', LOOK, 1)
RELIEF = LOOKED.replace('kind = "look"', 'kind = "relief"', 1)


def test_a_look_is_read() -> None:
    step = parse_plan(LOOKED, "p.toml").step("look")
    assert step is not None
    assert step.look == "gauge_error_outlet"
    assert step.resolution is not None
    assert step.resolution.value_si == pytest.approx(500.0)


@pytest.mark.parametrize(
    ("text", "id", "right"),
    [
        (LOOKED.replace("asks = ", "title = "), "key_missing", "asks"),
        (LOOKED.replace("instrument = ", "title = "), "key_missing", "instrument"),
        (LOOKED.replace('"0.5 kPa diff', '"-1 kPa diff'), "value_wrong", "above zero"),
        (LOOKED.replace("0.5 kPa difference", "0.5 s"), "value_wrong", "difference"),
        (
            LOOKED.replace('look = "gauge_error_outlet"', 'look = "gauge_error_inlet"'),
            "plan_finding_elsewhere",
            "a look for gauge_error_outlet",
        ),
        (
            LOOKED.replace('look = "gauge_error_outlet"', 'look = "heard"'),
            "value_wrong",
            "of a gauge",
        ),
        (LOOKED.replace('look = "gauge_error_outlet"', ""), "key_missing", "look"),
        (RELIEF, "key_missing", "hold"),
    ],
)
def test_a_look_that_asks_for_nothing_is_refused(
    text: str, id: str, right: str
) -> None:
    with pytest.raises(InputError, match=id) as caught:
        parse_plan(text, "p.toml")
    assert right in str(dict(caught.value.facts)) + str(caught.value)


def with_rule(rule: str, risk: str = "") -> str:
    stated = f'\nrisk = "{risk}"' if risk else ""
    return TEXT.replace('rule = "guarded"', f'rule = "{rule}"{stated}', 1)


def test_a_plan_may_state_its_risk_and_a_limit_its_own() -> None:
    assert parse_plan(TEXT, "p.toml").rule_for(None) == ("guarded", None)
    assert parse_plan(with_rule("risk"), "p.toml").rule_for(None) == ("risk", 0.05)
    plan = parse_plan(with_rule("risk", "2 %"), "p.toml")
    assert plan.rule_for(None) == ("risk", 0.02)
    own = 'finding = "seat_leak"\nrule = "risk"\nrisk = "1 %"'
    text = TEXT.replace('finding = "seat_leak"', own, 1)
    plan = parse_plan(text, "p.toml")
    limits = {x.finding: plan.rule_for(x) for s in plan.steps for x in s.limits}
    assert limits["seat_leak"] == ("risk", 0.01)
    assert limits["external_leak"] == ("guarded", None)


@pytest.mark.parametrize(
    ("text", "id"),
    [
        (with_rule("guarded", "2 %"), "key_unknown"),
        (with_rule("risk", "0 %"), "value_wrong"),
        (with_rule("risk", "50 %"), "value_wrong"),
        (with_rule("risk", "-1 %"), "value_wrong"),
        (with_rule("risk", "2 s"), "quantity_kind_wrong"),
        (
            TEXT.replace(
                'finding = "seat_leak"', 'finding = "seat_leak"\nrisk = "1 %"', 1
            ),
            "key_unknown",
        ),
    ],
)
def test_a_risk_that_says_nothing_is_refused(text: str, id: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_plan(text, "p.toml")
    assert caught.value.id == id
    assert "p.toml:" in caught.value.where
