"""The table of benchmarks: what meets its goal, what fails a build."""

import json
import re
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest

from analysis.cause_groups import FITTED, GROUPS, NONE, NONE_MET
from benchmarks import __main__ as benchmarks
from benchmarks import (
    diagnosis,
    diagnosis_fit,
    diagnosis_formulas,
    diagnosis_trials,
    hands,
    paced_bus,
    verdicts,
)
from benchmarks.acts import ROLES, Sighting, Watching
from benchmarks.diagnosis import Tried
from benchmarks.table import Row, table
from proofstand.procedure.engine import check_led
from records.faults import TRIED
from records.planfile import builtin_plan, plan_by_name
from rig.simulator.rigbody import VALVE_NAMES
from tests.house.tree import ROOT

pytestmark = pytest.mark.tree


@pytest.mark.parametrize(
    ("ratio", "standing"),
    [
        (1.0, "met"),
        (15.0, "met"),
        (15.1, "missed"),
        (29.9, "missed"),
        (30.0, "FAILED"),
    ],
)
def test_a_figure_fails_only_at_twice_its_goal(ratio: float, standing: str) -> None:
    assert Row("start", ratio, 15.0, "once").standing == standing


def test_the_table_aligns_its_columns() -> None:
    lines = table(
        [Row("a long name", 2.345, 15.0, "9 starts"), Row("b", 31.0, 15.0, "once")]
    ).splitlines()
    assert lines[0].split() == ["what", "ratio", "goal", "standing", "how"]
    assert "2.35" in lines[1]
    assert "met" in lines[1]
    assert "FAILED" in lines[2]
    assert (
        len(
            {
                line.index(word)
                for line, word in zip(lines[1:], ("met", "FAILED"), strict=True)
            }
        )
        == 1
    )


@pytest.mark.parametrize(("ratio", "code"), [(10.0, 0), (20.0, 0), (40.0, 1)])
def test_the_exit_code_follows_the_worst_figure(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    ratio: float,
    code: int,
) -> None:
    asked: list[bool] = []

    def row(short: bool) -> Row:
        asked.append(short)
        return Row("start", ratio, 15.0, "once")

    monkeypatch.setattr(benchmarks, "ROWS", (row,))
    monkeypatch.setattr(benchmarks, "GROUPS", (lambda short: [row(short)],))
    assert benchmarks.main(["--short"]) == code
    assert asked == [True, True]
    assert "start" in capsys.readouterr().out


def test_a_wrong_word_is_refused() -> None:
    assert benchmarks.main(["--quick"]) == 2


def test_the_paced_wire_takes_the_time_of_the_published_text() -> None:
    # Modbus over serial line V1.02: 11 bits a character, 3.5 of them between frames,
    # 1.75 ms above 19200 baud; frame 01 03 00 00 00 0A C5 CD of many public texts.
    rates = [round(paced_bus.most_polls_per_s(b), 1) for b in (9600, 19200, 115200)]
    assert rates == [24.2, 48.5, 159.5]
    assert paced_bus.crc(bytes.fromhex("01 03 00 00 00 0A")).hex() == "c5cd"


def watched(*sightings: Sighting) -> Watching:
    """Return one act as it was watched: the bleed shut from 10 s to 12 s, a rise."""
    t = np.arange(0.0, 30.0, 0.1)
    shut = np.clip((t - 10.0) / 2.0, 0.0, 1.0)
    still = np.zeros(t.size)
    return Watching(
        sightings=list(sightings),
        t_s=list(t),
        true={"outlet": list(2740.0 + 100.0 * shut), "inlet": list(still)},
        valves={n: list(1.0 - shut if n == "bleed" else still) for n in VALVE_NAMES},
        asked=[("close_bleed", "lockup-1")] * t.size,
        noise=dict.fromkeys(ROLES, 1.0),
    )


def test_an_act_counts_from_six_sigma_of_the_true_pressure() -> None:
    seen = Sighting("outlet", 1, 10.1, 10.5, 13.0)
    (act,) = watched(seen).acts()
    assert (act.valve, act.asked, act.step) == ("bleed", "close_bleed", "lockup-1")
    assert act.moved_s == pytest.approx(10.2, abs=0.051)  # 6 Pa at 50 Pa/s: 0.12 s
    assert act.delay_s == pytest.approx(10.5 - act.moved_s)


@pytest.mark.parametrize(
    "seen",
    [
        Sighting("outlet", -1, 10.1, 10.5, 13.0),  # the other way
        Sighting("inlet", 1, 10.1, 10.5, 13.0),  # the other side
        Sighting("outlet", 1, 5.0, 5.2, 8.0),  # over before it began
        Sighting("outlet", 1, 14.0, 14.5, 15.0),  # too late
    ],
)
def test_what_was_seen_of_something_else_misses_the_act(seen: Sighting) -> None:
    (act,) = watched(seen).acts()
    assert act.delay_s is None


def test_what_is_seen_where_nothing_moved_is_false() -> None:
    right = Sighting("outlet", 1, 10.1, 10.5, 13.0)
    wrong = Sighting("outlet", 1, 20.0, 20.5, 21.0)
    assert watched(right, wrong).false() == [wrong]


@pytest.mark.parametrize(("family", "plan"), verdicts.families_with_plans())
def test_clumsy_hands_have_a_plan_to_be_led_through(
    tmp_path: Path, family: str, plan: str
) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(hands.shortened(builtin_plan(plan)[1]), "utf-8")
    short = plan_by_name(str(file))[0]
    check_led(short)
    whole = [step.id for step in builtin_plan(plan)[0].steps if step.id != "rig-hold"]
    assert [step.id for step in short.steps] == whole
    assert max(s.hold.value_si for s in short.steps if s.hold is not None) <= 30.0
    seeds = range(3 * len(verdicts.families_with_plans()))
    drawn = [
        hands.drawn(seed) for seed in seeds if hands.drawn(seed)[:2] == (family, plan)
    ]
    assert len(drawn) == 3
    for _, _, mistakes in drawn:
        assert len(mistakes) == 2
        assert all(m.partition("@")[2] in whole for m in mistakes)


def test_every_family_has_something_at_a_limit_and_at_its_worst() -> None:
    for _, plan in verdicts.families_with_plans():
        assert verdicts.at_limit(builtin_plan(plan)[0])
        assert len(verdicts.worst_of(plan)) >= (6 if plan in TRIED else 15)


def test_a_count_is_gone_on_with_from_its_file(tmp_path: Path) -> None:
    trial = verdicts.Trial("line", "line", "limit", "seat_leak", 1001)
    tried = verdicts.Tried(trial, "fail", 1.1, ("seat_leak: outside_limit",), 800.0)
    file = tmp_path / "tried.jsonl"
    file.write_text(json.dumps(asdict(tried)) + "\n", "utf-8")
    assert verdicts.read_tried(file) == {trial: tried}
    text, met = verdicts.table([tried])
    assert "0 of   1 pass" in text
    assert met


def test_a_revealed_fault_that_passes_misses_the_goal() -> None:
    trial = verdicts.Trial("line", "line", "worst", "seat_nicked", 1001)
    text, met = verdicts.table([verdicts.Tried(trial, "pass")])
    assert not met
    assert "revealed, and passed: seat_nicked" in text


# --- the diagnosis -------------------------------------------------------------------


def test_the_weights_of_causes_are_those_that_the_fit_gives() -> None:
    known = diagnosis_fit.read_known(diagnosis_fit.KEPT)
    fitted = diagnosis_fit.fitted(known)
    said = "copy what `python -m benchmarks.diagnosis_fit --fit-only` prints"
    assert {s: set(row) for s, row in FITTED.items()} == {
        s: set(row) for s, row in fitted.items()
    }, said
    for sign, row in FITTED.items():
        for group, weight in row.items():
            assert (weight / diagnosis_fit.STEP).is_integer()
            # another computer may round the other way
            assert abs(weight - fitted[sign][group]) <= diagnosis_fit.STEP, said


def test_the_fit_saw_no_seed_that_a_figure_is_counted_on() -> None:
    seeds = diagnosis_trials.ranges()["seeds"]
    known = diagnosis_fit.read_known(diagnosis_fit.KEPT)
    assert {one.trial.seed for one in known} <= set(
        range(seeds["fit"], seeds["fit_below"])
    )
    assert seeds["figures"] >= seeds["fit_below"]
    with pytest.raises(SystemExit):
        diagnosis.main(["--first", str(seeds["fit"])])


def test_a_seed_draws_every_group_that_a_plan_reveals_and_a_healthy_one() -> None:
    drawn = list(diagnosis_trials.trials(range(1, 2)))
    assert drawn == list(diagnosis_trials.trials(range(1, 2)))
    for plan in TRIED:
        faults = [t.fault for t in drawn if t.plan == plan]
        assert faults.count(diagnosis_trials.HEALTHY) == 1
        for group in diagnosis_trials.groups(plan):
            assert sum(fault in group for fault in faults) == 1
    assert all(t.severity == 0.0 or 0.5 <= t.severity <= 1.0 for t in drawn)


def test_figures_of_the_diagnosis_count_what_was_named() -> None:
    def tried(fault: str, verdict: str, *named: tuple[tuple[str, ...], float]) -> Tried:
        return Tried("formulas", "low-pressure", fault, 1.0, 1, verdict, named)

    seat, out = ("seat_debris", "seat_nicked", "seat_worn"), ("outlet_fitting",)
    found = [
        tried("seat_nicked", "fail", (seat, 0.9), (out, 0.1)),
        tried("outlet_fitting", "fail", (seat, 0.6), (out, 0.4)),
        tried("outlet_fitting", "pass"),
        tried("", "pass"),
        tried("", "fail", (seat, 0.9)),
    ]
    values = [round(f.value, 1) for f in diagnosis.figures(found)]
    assert values == [33.3, 66.7, 50.0, 100.0, 50.0]
    told = {f.what: (round(f.value), f.how) for f in diagnosis.reliability(found)}
    assert told["claimed 0.5 to 0.7"][0] == 0
    assert told["claimed 0.9 to 0.95"][0] == 100
    lines = diagnosis.confusion(found).splitlines()
    assert lines[0].split() == ["(passed)", "inside"]
    assert [line.split()[0] for line in lines[1:]] == ["(healthy)", "inside", "outside"]


def test_what_was_tried_is_read_back(tmp_path: Path) -> None:
    one = Tried("formulas", "line", "hunting", 0.7, 3, "fail", ((("hunting",), 0.8),))
    file = tmp_path / "tried.jsonl"
    file.write_text(json.dumps(asdict(one)) + "\n")
    assert diagnosis.read_tried(file) == {one.key: one}


def test_a_cause_by_closed_formulas_is_named_first() -> None:
    (seat,) = [d for d in diagnosis_formulas.drawn(1, 1) if d.kind == "seat"]
    found = diagnosis.by_formula(seat)
    assert found.verdict == "fail"
    assert found.right(1)


def test_the_page_of_causes_says_how_often_each_group_is_met() -> None:
    page = (ROOT / "docs" / "diagnosis.md").read_text("utf-8")
    told = dict(re.findall(r"^\| `(\w+)` \|.*\| (\d+) \|$", page, re.MULTILINE))
    met = {group.id: f"{group.met:g}" for group in GROUPS} | {NONE: f"{NONE_MET:g}"}
    assert told == met
