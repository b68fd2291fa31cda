"""A first and a second stage tested in one run: whose is what, and what it rests on.

What is true comes from the simulator's gas, which shares no code with the estimates.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from analysis.by_regulator import each_regulator
from analysis.judge import judge
from proofstand.approvals import Status
from proofstand.commands.main import main
from proofstand.keeping.keep import add
from proofstand.planpage import plan_page
from proofstand.procedure.engine import prepared_plan
from proofstand.procedure.stages import Ask
from proofstand.procedure.steps import vent_down
from proofstand.report import fault_text, judgement_json, judgements_json
from proofstand.signoff.heads import SigningKey
from proofstand.signoff.issue import issue, page_of
from proofstand.signoff.keys import load_key
from proofstand.signoff.verify import belongs, verify
from proofstand.simulated import demo_job, simulate
from proofstand.words.sentences import caution
from records.archive.chain import Archive
from records.errors import InputError, RefusedError
from records.faults import CATALOGUE, OF_FIRST, FaultEntry, revealed_by
from records.jobcard import JobCard
from records.judgement import Finding, Judgement, Outcome, Verdict
from records.measure import parse_quantity
from records.planfile import builtin_plan
from records.ratings import above_ratings, with_interstage_rating
from records.run import Run
from records.runfile import open_run

from .conftest import once
from .test_truth import compared, truths

SCHEMA = Path(__file__).parents[2] / "docs" / "schemas" / "judgements-1.json"
FIRST, SECOND = "SIM-0002", "SIM-0001"
Call = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="session")
def pair_path(shared: Path, demo_key: Path) -> Path:
    """Return the signed run of a healthy pair."""
    out = shared / "pair.h5"
    return once(
        out,
        lambda: simulate(
            family="pair",
            plan_name=None,
            faults=(),
            seed=1,
            out=out,
            key_folder=demo_key,
        ),
    )


@pytest.fixture(scope="module")
def pair(pair_path: Path) -> Run:
    return open_run(pair_path)


@pytest.fixture(scope="module")
def whole(pair: Run) -> Judgement:
    return judge(pair)


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Call:
    def run(*arguments: object) -> tuple[int, str, str]:
        code = main([str(a) for a in arguments])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, said.out, said.err

    return run


def of(judgement: Judgement, id: str, step: str, channel: str) -> Finding:
    (found,) = [
        f
        for f in judgement.findings
        if (f.id, f.step, f.channel) == (id, step, channel)
    ]
    return found


# --- findings -----------------------------------------------------------------------


def test_what_was_true_between_the_stages_lies_in_the_intervals(pair: Run) -> None:
    pairs = [(f, true) for f, true in compared(pair) if f.channel == "interstage"]
    assert {f.id for f, _ in pairs} >= {
        *("set_pressure", "lockup_pressure", "lockup_highest", "lockup_rise"),
        *("creep_rate", "creep_total", "seat_leak", "supply_pressure_effect"),
        *("zero_offset", "closing_zero_change"),
    }
    outside = []
    for finding, true in pairs:
        assert finding.measured is not None
        assert finding.interval is not None
        assert abs(finding.measured.value - true) < 5.0 * finding.measured.u, finding.id
        if not finding.interval[0] <= true <= finding.interval[1]:
            outside.append((finding.id, finding.step))
    assert len(outside) <= 2, outside


def test_external_leakage_counts_all_three_volumes(pair: Run, whole: Judgement) -> None:
    found = of(whole, "external_leak", "body-hold", "")
    true = truths(pair)["external_leak", "body-hold", ""]
    assert found.interval is not None
    assert found.interval[0] <= true <= found.interval[1]
    sides = {n for n, _ in found.evidence.model if n.startswith("volume_")}
    assert sides == {"volume_inlet", "volume_interstage", "volume_outlet"}


def test_the_first_seat_counts_what_it_passed_on(whole: Judgement) -> None:
    first = of(whole, "seat_leak", "creep-hold", "interstage")
    second = of(whole, "seat_leak", "creep-hold", "outlet")
    rate = of(whole, "creep_rate", "creep-hold", "interstage")
    assert first.measured is not None
    assert second.measured is not None
    assert rate.measured is not None
    model = dict(first.evidence.model)
    gained = rate.measured.value * model["volume_interstage"] * model["amount_slope"]
    assert first.measured.value == pytest.approx(gained + second.measured.value)
    assert model["passed_on"] == second.measured.value


def test_a_share_is_of_the_stage_s_own_set_pressure(whole: Judgement) -> None:
    for channel in ("outlet", "interstage"):
        rise = of(whole, "lockup_rise", "lockup-1", channel)
        own = of(whole, "set_pressure", "set", channel)
        assert rise.limit is not None
        assert own.measured is not None
        assert rise.limit.max == pytest.approx(0.15 * own.measured.value)


def without_channel(run: Run) -> Run:
    """Return the run as of a rig that reads nothing between the stages."""
    rig = run.header.rig
    channels = tuple(
        replace(c, role="spare") if c.role == "interstage" else c for c in rig.channels
    )
    header = replace(run.header, rig=replace(rig, channels=channels))
    return replace(run, header=header)


def test_without_the_channel_the_first_stage_is_not_measured(pair: Run) -> None:
    blind = without_channel(pair)
    found = judge(blind)
    (_, first), (_, second) = each_regulator(found, blind)
    mine = [f for f in first.findings if f.channel == "interstage"]
    assert mine
    assert {f.outcome for f in mine} == {Outcome.NOT_MEASURED}
    assert {w.id for f in mine for w in f.why} == {"channel_missing"}
    assert first.verdict is Verdict.INCOMPLETE
    assert "interstage_not_read" in {w.id for w in first.warnings}
    # nor is anything said of gas that may have gone there
    leak = of(second, "external_leak", "body-hold", "")
    assert leak.outcome is Outcome.INCONCLUSIVE
    assert "interstage_not_counted" in {w.id for w in leak.why}


# --- whose ---------------------------------------------------------------------------


def test_each_regulator_has_its_own_findings_and_verdict(
    pair: Run, whole: Judgement
) -> None:
    each = each_regulator(whole, pair)
    assert [r.header.job.regulator.serial for r, _ in each] == [FIRST, SECOND]
    assert [j.verdict for _, j in each] == [Verdict.PASS, Verdict.PASS]
    (_, first), (_, second) = each
    assert {f.channel for f in first.findings} == {"", "inlet", "interstage"}
    assert {f.channel for f in second.findings} == {"", "inlet", "outlet"}
    shared = {f.id for f in first.findings} & {f.id for f in second.findings}
    assert {"external_leak", "rig_leak"} <= shared
    split = {(f.id, f.step, f.channel) for j in (first, second) for f in j.findings}
    assert split == {(f.id, f.step, f.channel) for f in whole.findings}
    for own, other in ((first, SECOND), (second, FIRST)):
        told = next(w for w in own.warnings if w.id == "tested_with")
        assert dict(told.facts)["serial"] == other


def failing(judgement: Judgement, id: str, channel: str) -> Judgement:
    """Return the judgement, one finding of it failed."""
    return replace(
        judgement,
        findings=tuple(
            replace(f, outcome=Outcome.FAIL)
            if (f.id, f.channel) == (id, channel)
            else f
            for f in judgement.findings
        ),
    )


@pytest.mark.parametrize(
    ("id", "channel", "verdicts"),
    [
        ("seat_leak", "interstage", [Verdict.FAIL, Verdict.PASS]),
        ("seat_leak", "outlet", [Verdict.PASS, Verdict.FAIL]),
        ("external_leak", "", [Verdict.FAIL, Verdict.FAIL]),
    ],
)
def test_a_fail_is_the_one_s_that_it_was_found_on(
    pair: Run, whole: Judgement, id: str, channel: str, verdicts: list[Verdict]
) -> None:
    from analysis.diagnosis import suspects

    failed = failing(whole, id, channel)
    failed = replace(failed, suspects=suspects(failed.findings))
    each = each_regulator(failed, pair)
    assert [j.verdict for _, j in each] == verdicts
    for number, (_, own) in enumerate(each):
        causes = {fault for s in own.suspects for fault in s.fault_group}
        assert bool(causes) == (verdicts[number] is Verdict.FAIL)
        assert all(c.startswith(OF_FIRST) == (number == 0) for c in causes)
        # what leaks outward leaks from either: nothing claims how likely from this one
        either = id == "external_leak"
        assert all((s.probability is None) == either for s in own.suspects)


def test_judge_tells_of_both(pair_path: Path, pair: Run, call: Call) -> None:
    code, out, _ = call("judge", "--json", pair_path)
    assert code == 0
    document = json.loads(out)
    jsonschema.validate(document, json.loads(SCHEMA.read_text("utf-8")))
    serials = [j["regulator"]["serial"] for j in document["judgements"]]
    assert serials == [FIRST, SECOND]
    families = [j["regulator"]["family"] for j in document["judgements"]]
    assert families == ["first-stage", "second-stage"]
    assert {j["run"]["id"] for j in document["judgements"]} == {pair.id}
    _, out, _ = call("judge", pair_path)
    assert out.index(FIRST) < out.index("Verdict: PASS") < out.index(f"{SECOND}  run")
    _, out, _ = call("judge", "--why", "seat_leak", pair_path)
    assert "channel interstage" in out
    assert "what the second seat let through" in out


def test_a_page_is_of_one_and_names_the_other(
    pair_path: Path, demo_key: Path, tmp_path: Path, call: Call
) -> None:
    key = ("--key", demo_key)
    pages = {s: tmp_path / f"{s}.pdf" for s in (FIRST, SECOND)}
    code, _, err = call("certify", pair_path, "--out", tmp_path / "no.pdf", *key)
    assert code == 2
    assert FIRST in err
    assert SECOND in err
    assert not (tmp_path / "no.pdf").exists()
    for serial, page in pages.items():
        code, _, _ = call("certify", pair_path, "--of", serial, "--out", page, *key)
        assert code == 0
    found = [verify(path) for path in (pair_path, *pages.values())]
    assert set(belongs(found).values()) == {pair_path}
    code, _, _ = call("verify", pair_path, *pages.values())
    assert code == 0


def test_what_stands_on_the_page_of_one(
    pair_path: Path, demo_key: Path, tmp_path: Path
) -> None:
    from proofstand.signoff.content import page_data

    made = issue(pair_path, tmp_path / "p.pdf", key_folder=demo_key, of=FIRST)
    run = open_run(pair_path)
    (its, own), _ = each_regulator(judge(run), run)
    data = page_data(made.certificate, its, run.header.plan, own)
    text = json.dumps(data, ensure_ascii=False)
    assert data["groups"][0]["rows"][0]["value"] == FIRST
    assert "invented first stage" in text
    assert "invented second stage" not in text
    assert f"serial {SECOND}" in text
    assert made.judgement == own
    assert page_of(made.certificate, its, run.header.plan, own)


def test_of_one_regulator_no_other_can_be_asked_for(
    sealed_run: Callable[..., Path], demo_key: Path, tmp_path: Path
) -> None:
    run = sealed_run()
    with pytest.raises(InputError) as caught:
        issue(run, tmp_path / "p.pdf", key_folder=demo_key, of="K-1")
    assert caught.value.id == "regulator_wanted"
    assert issue(run, tmp_path / "q.pdf", key_folder=demo_key, of="SIM-0001").bytes


# --- ratings, cautions, plan ---------------------------------------------------------


def stamped(card: JobCard, **to: Any) -> JobCard:
    """Return a card with other ratings on the nameplate."""
    plate = replace(card.regulator.nameplate, **to)
    return replace(card, regulator=replace(card.regulator, nameplate=plate))


def rated(outlet_max: str, inlet_max: str) -> JobCard:
    """Return a pair's card: outlet rating of the first, inlet rating of the second."""
    job = demo_job("pair")
    assert job.upstream is not None
    first = stamped(job.upstream, outlet_max=parse_quantity(outlet_max))
    return replace(stamped(job, inlet_max=parse_quantity(inlet_max)), upstream=first)


@pytest.mark.parametrize(
    ("outlet_max", "inlet_max", "stops"),
    [
        ("15 psi gauge", "15 psi gauge", "14 psi gauge"),
        ("13 psi gauge", "15 psi gauge", "13 psi gauge"),
        ("15 psi gauge", "12.5 psi gauge", "12.5 psi gauge"),
    ],
)
def test_between_them_the_lower_rating_stops_the_test(
    outlet_max: str, inlet_max: str, stops: str
) -> None:
    plan, _ = builtin_plan("pair")
    job = rated(outlet_max, inlet_max)
    assert above_ratings(plan, job) == ()
    assert with_interstage_rating(plan, job).max_pressures["interstage"] == (
        parse_quantity(stops)
    )
    assert prepared_plan(plan, job).max_pressures["interstage"].typed == stops


@pytest.mark.parametrize(
    ("outlet_max", "inlet_max"),
    [("11 psi gauge", "15 psi gauge"), ("15 psi gauge", "10 psi gauge")],
)
def test_a_plan_for_more_than_either_bears_is_refused(
    outlet_max: str, inlet_max: str
) -> None:
    plan, _ = builtin_plan("pair")
    with pytest.raises(RefusedError) as caught:
        prepared_plan(plan, rated(outlet_max, inlet_max))
    assert caught.value.id == "interstage_above_rating"


def test_the_other_one_s_purge_statement_is_wanted_too() -> None:
    job = demo_job("pair")
    assert job.upstream is not None
    first = replace(job.upstream, purged=False)
    job = replace(job, upstream=first)
    with pytest.raises(RefusedError) as caught:
        prepared_plan(builtin_plan("pair")[0], job)
    assert caught.value.id == "no_purge_statement"
    assert caught.value.where == first.id


def test_vent_down_warns_of_what_may_remain_between() -> None:
    for id, two in (("pair", True), ("cylinder-two-stage", True), ("line", False)):
        plan, _ = builtin_plan(id)
        step = next(s for s in plan.steps if s.kind == "vent-down")
        first, last = vent_down.stages(step, plan)
        assert isinstance(first, Ask)
        assert isinstance(last, Ask)
        said = caution(first.caution), caution(last.caution)
        assert all(("may remain" in text) is two for text in said), id
        page = " ".join(plan_page(plan, "0" * 64, Status.DRAFT).split())
        assert (said[0] in page) is two, id


def test_the_catalogue_s_first_stages_speak() -> None:
    for entry in CATALOGUE.values():
        said = fault_text(OF_FIRST + entry.id)
        assert said.startswith("First stage: ")
        assert said[13].islower()


def test_judgements_of_both_are_one_document(pair: Run, whole: Judgement) -> None:
    plan = pair.header.plan
    made = judgements_json(
        [judgement_json(own, its, plan) for its, own in each_regulator(whole, pair)]
    )
    jsonschema.validate(made, json.loads(SCHEMA.read_text("utf-8")))


# --- many ----------------------------------------------------------------------------


def judged(tmp_path: Path, seed: int, *faults: str) -> tuple[Judgement, Run]:
    out = tmp_path / "run.h5"
    simulate(family="pair", plan_name=None, faults=faults, seed=seed, out=out)
    run = open_run(out)
    return judge(run), run


@pytest.mark.slow
def test_healthy_pairs_pass_and_their_intervals_hold_what_was_true(
    tmp_path: Path,
) -> None:
    count, outside = 0, []
    for seed in range(101, 106):
        (tmp_path / str(seed)).mkdir()
        found, run = judged(tmp_path / str(seed), seed)
        each = [j.verdict for _, j in each_regulator(found, run)]
        assert each == [Verdict.PASS, Verdict.PASS], seed
        for finding, true in compared(run):
            assert finding.measured is not None
            assert finding.interval is not None
            count += 1
            if not finding.interval[0] <= true <= finding.interval[1]:
                outside.append((seed, finding.id, finding.step, finding.channel))
            assert abs(finding.measured.value - true) < 5.0 * finding.measured.u, (
                seed,
                finding.id,
                finding.channel,
            )
    # 95 % intervals, most of one run of the same three transducers
    assert len(outside) <= 0.08 * count, outside


@pytest.mark.slow
@pytest.mark.parametrize("entry", revealed_by("pair", first=True), ids=lambda e: e.id)
def test_a_fault_of_the_first_stage_never_passes(
    tmp_path: Path, entry: FaultEntry
) -> None:
    found, run = judged(tmp_path, 2, OF_FIRST + entry.id)
    (_, first), _ = each_regulator(found, run)
    assert first.verdict is not Verdict.PASS
    if first.verdict is Verdict.FAIL:
        groups = [s.fault_group for s in first.suspects]
        assert any(OF_FIRST + entry.id in group for group in groups), groups


@pytest.mark.slow
def test_seats_that_leak_alike_do_not_hide_each_other(tmp_path: Path) -> None:
    """As much into the hose as out of it: its pressure stands, and says nothing."""
    first, second = 0.6, 1.0  # 3.0 and 0.6 std cm3/min; the outlet fails early
    found, run = judged(
        tmp_path, 2, f"first:seat_nicked:{first}", f"seat_nicked:{second}"
    )
    assert all(j.verdict is not Verdict.PASS for _, j in each_regulator(found, run))


def test_each_of_a_pair_is_judged_anew_with_its_own_papers(
    pair_path: Path, demo_key: Path, tmp_path: Path, call: Call
) -> None:
    archive, key = Archive(tmp_path / "archive"), SigningKey(load_key(demo_key))
    numbers = {}
    for serial in (FIRST, SECOND):
        page = tmp_path / f"{serial}.pdf"
        made = issue(pair_path, page, key_folder=demo_key, of=serial)
        numbers[serial] = made.certificate.number
        add(archive, [pair_path, page], key=key, who="tests")
    code, out, _ = call(
        "records", "rejudge", "--all", "--archive", archive.folder, "--json"
    )
    assert code == 0
    runs = {run["serial"]: run for run in json.loads(out)["runs"]}
    assert set(runs) == {FIRST, SECOND}
    for serial, run in runs.items():
        assert run["same"], run["findings"]
        assert run["papers"] == [numbers[serial]]
    recall: list[object] = ["records", "recall", "--channel", "simulated-1/interstage"]
    recall += ["--span", "20 %", "--since", "2026-01-01", "--simulated"]
    code, out, _ = call(*recall, "--archive", archive.folder, "--json")
    assert code == 0
    told = json.loads(out)
    changed = {run["serial"] for run in told["runs"] if run["findings"]}
    assert FIRST in changed, "what was read between the stages is the first one's"
