"""What the page and ``judge`` say of a test: stops, repeats, corrections, what follows.

Everything here reads the page's data, as it is set; how it is set, signed and checked
is in test_certificate.py.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, NoReturn

import pytest

from analysis.cause_groups import GROUPS
from analysis.judge import judge
from proofstand.explain import explain
from proofstand.procedure.steps.body_hold import ENOUGH
from proofstand.report import fault_text, judgement_json, stops, table
from proofstand.signoff.certificate import Certificate, Earlier, Title
from proofstand.signoff.content import page_data
from proofstand.signoff.issue import page_of
from proofstand.signoff.page import set_page
from proofstand.words.sentences import page_words
from records.faults import CATALOGUE
from records.jobcard import Disposition
from records.jobfile import example_text, parse_job
from records.judgement import Finding, Judgement, Outcome, Verdict
from records.measure import parse_quantity
from records.plan import READ_AFTER_S
from records.run import Mark, MarkKind, Run
from records.runfile import open_run

from .conftest import RunOf

IN_WC_PA = 248.84  # at 60 degrees F: NIST SP 811 (2008), appendix B.8
KEY_ID = "0123456789abcdef" * 4


def made_for(
    judgement: Judgement, title: Title = Title.TEST_REPORT, **changes: Any
) -> Certificate:
    facts: dict[str, Any] = {
        "number": "SIM-20261125-TTTTTT",
        "title": title,
        "run_id": judgement.run_id,
        "run_sha256": "f" * 64,
        "plan_id": judgement.plan_id,
        "plan_version": judgement.plan_version,
        "plan_sha256": "fedcba9876543210" * 4,
        "verdict": judgement.verdict,
        "issued": datetime(2026, 11, 25, 12, tzinfo=UTC),
        "by": "I. Ferrand (invented)",
        "key_id": KEY_ID,
        "owner": "Larkmere Valve Works (invented)",
        "software": "0",
        "analysis_version": judgement.analysis_version,
        "simulated": True,
    }
    return Certificate(**{**facts, **changes})


@cache
def judged(path: Path) -> tuple[Run, Judgement]:
    run = open_run(path)
    return run, judge(run)


def data_of(run: Run, judgement: Judgement, **changes: Any) -> dict[str, Any]:
    own = {"plan_sha256": run.header.plan_sha256, **changes}
    return page_data(made_for(judgement, **own), run, run.header.plan, judgement)


def remarked(run: Run, change: Callable[[Mark], list[Mark]]) -> Run:
    """Return a run with other marks."""
    return replace(run, marks=tuple(new for mark in run.marks for new in change(mark)))


def held_of(data: dict[str, Any], step: str) -> dict[str, str]:
    (found,) = [row for row in data["held"] if row["step"] == step]
    return dict(found)


# --- how a hold ended ----------------------------------------------------------------


def test_an_over_pressure_stop_is_told_with_what_saw_it(run_of: RunOf) -> None:
    run, judgement = judged(run_of("seat_nicked", patient=True))
    (mark,) = [m for m in run.marks if m.data.get("trouble") == "over_pressure"]
    value = float(mark.data["value"]) / IN_WC_PA
    trace = run.trace(run.header.rig.channels[0], 1)
    for channel in run.header.rig.channels:
        if channel.id == mark.data["channel"]:
            trace = run.trace(channel, mark.part).good()
    reached = float(trace.value[trace.t_s >= mark.t_s].max()) / IN_WC_PA
    assert reached > value > 20.0  # the plan allows 20 in. w.c.
    data = data_of(run, judgement)
    assert held_of(data, mark.step)["ended"] == (
        "stopped for over-pressure: outlet rose over 20.00 in. w.c. gauge, "
        f"to {value:.2f} in. w.c. gauge"
    )
    (note,) = data["stops"]
    for wanted in (
        f"in step {mark.step}",
        f"stood at {value:.2f} in. w.c. gauge",
        f"highest reading after that {reached:.2f} in. w.c. gauge",
        "The diaphragm saw that pressure.",
    ):
        assert wanted in note
    assert note in table(judgement, run, run.header.plan)


def test_over_pressure_at_the_inlet_is_not_the_diaphragm_s(run_of: RunOf) -> None:
    run, judgement = judged(run_of("seat_nicked", patient=True))

    def at_inlet(mark: Mark) -> list[Mark]:
        if mark.data.get("trouble") != "over_pressure":
            return [mark]
        told = {"channel": "inlet", "value": "110316.12", "limit": "103421.36"}
        return [replace(mark, data={**mark.data, **told})]

    (said,) = stops(remarked(run, at_inlet), run.header.plan)
    assert "inlet rose over 15.00 psi gauge" in said
    assert "stood at 16.00 psi gauge" in said
    assert "diaphragm" not in said
    assert "inlet side of the regulator" in said
    assert judgement.verdict is Verdict.FAIL


def test_an_over_pressure_mark_that_lacks_its_numbers_is_still_told(
    run_of: RunOf,
) -> None:
    run, _ = judged(run_of("seat_nicked", patient=True))

    def bare(mark: Mark) -> list[Mark]:
        if mark.data.get("trouble") != "over_pressure":
            return [mark]
        told = {"trouble": "over_pressure", "channel": "outlet", "value": "much"}
        return [replace(mark, data=told)]

    (said,) = stops(remarked(run, bare), run.header.plan)
    assert "outlet rose over a value that was not recorded" in said
    assert "nan" not in said
    assert "highest reading after that 2" in said


@pytest.mark.parametrize(
    ("how", "why", "said"),
    [
        ("timed_out", None, "given up: not done in time"),
        ("ended_early", "fell", "ended early: the trapped pressure fell by half"),
        ("ended_early", "enough_to_fail", "ended early: enough to fail"),
        ("ended_early", "enough_to_pass", "ended early: enough to pass"),
        ("ended_early", "other", "ended early"),
        ("interrupted", None, "the recording was interrupted"),
        ("done", None, ""),
    ],
)
def test_each_other_end_of_a_hold_has_its_own_words(
    run_of: RunOf, how: str, why: str | None, said: str
) -> None:
    assert ENOUGH == 0.5  # "by half"
    run, judgement = judged(run_of())

    def ended(mark: Mark) -> list[Mark]:
        if mark.step == "body-hold" and mark.kind is MarkKind.STEP_END:
            return [replace(mark, data={"how": how})]
        if mark.step == "body-hold" and mark.kind is MarkKind.HOLD_END and why:
            return [replace(mark, data={"why": why})]
        return [mark]

    changed = remarked(run, ended)
    data = data_of(changed, judgement)
    assert held_of(data, "body-hold")["ended"] == said
    given_up = "Step body-hold was given up: not done in time."
    assert (given_up in data["stops"]) == (how == "timed_out")
    text = table(judgement, changed, run.header.plan)
    assert (given_up in text) == (how == "timed_out")


@pytest.mark.parametrize(
    ("why", "said"),
    [
        ("over_pressure", "after the stop for over-pressure"),
        ("earlier_step_not_done", "an earlier step was given up"),
        ("no time left", "no time left"),
        ("", "no reason given"),
    ],
)
def test_a_step_that_was_not_done_says_why_in_words(
    run_of: RunOf, why: str, said: str
) -> None:
    run, judgement = judged(run_of())

    def left_out(mark: Mark) -> list[Mark]:
        if mark.step != "lockup-2":
            return [mark]
        if mark.kind is not MarkKind.STEP_BEGIN:
            return []
        return [replace(mark, kind=MarkKind.STEP_SKIP, data={"why": why})]

    data = data_of(remarked(run, left_out), judgement)
    assert data["skipped"] == [f"lockup-2 ({said})"]


# --- attempts ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("by", "told", "said"),
    [
        (
            "trace",
            {"why": "closing_time_outside", "closing_s": "7.3"},
            "is void: the downstream valve closed in 7.3 s, outside 1 to 5 s.",
        ),
        (
            "trace",
            {"why": "outside_band"},
            "is void: the setting moved when the nut was locked.",
        ),
        (
            "trace",
            {"why": "channel_silent"},
            "is void: readings were missing during the hold.",
        ),
        (
            "recorder",
            {"why": "interrupted", "resumed": "yes"},
            "was cut short: the recording was interrupted; it stands where it failed.",
        ),
        (
            "I. Ferrand",
            {"why": "thumb slipped"},
            "was cut short: I. Ferrand asked for it again: thumb slipped; "
            "it stands where it failed.",
        ),
        (
            "I. Ferrand",
            {"why": "hose moved", "rig_cause": "yes"},
            "is void: I. Ferrand named the rig as the cause: hose moved.",
        ),
    ],
)
def test_an_attempt_is_told_with_its_cause(
    run_of: RunOf, by: str, told: dict[str, str], said: str
) -> None:
    run, judgement = judged(run_of())

    def again(mark: Mark) -> list[Mark]:
        if mark.step != "lockup-2" or mark.kind is not MarkKind.STEP_BEGIN:
            return [mark]
        repeat = replace(
            mark, kind=MarkKind.STEP_REPEAT, data=told, by=by, t_s=mark.t_s
        )
        return [mark, repeat, mark]

    data = data_of(remarked(run, again), judgement)
    rows = {row["label"]: row["value"] for row in data["groups"][2]["rows"]}
    assert rows["attempts"] == "lockup-2 at attempt 2 of 2"
    assert f"lockup-2, attempt 1 {said}" in data["notes"]


# --- what follows --------------------------------------------------------------------


@pytest.mark.parametrize("verdict", list(Verdict))
def test_only_a_pass_or_no_limit_goes_back_into_service(
    run_of: RunOf, verdict: Verdict
) -> None:
    run, judgement = judged(run_of())
    data = data_of(run, judgement, verdict=verdict)
    said = " ".join(data["next"])
    if verdict in (Verdict.PASS, Verdict.NO_LIMIT):
        assert data["next_head"] == "Before it goes back into service"
        assert "full of nitrogen, the test gas: purge" in said
        assert "leak solution" in said
        return
    assert data["next_head"] == "What follows"
    assert "service" in said
    assert "strainer" not in said
    assert "test again from the start" in said
    if verdict is Verdict.FAIL:
        assert "Not for service" in said
        assert "don't readjust" in said
    else:
        assert "Not shown either way: hold it back" in said


def test_a_card_without_test_gas_is_reminded_all_the_same(run_of: RunOf) -> None:
    run, judgement = judged(run_of())
    job = replace(run.header.job, test_gas="")
    bare = replace(run, header=replace(run.header, job=job))
    assert "full of test gas: purge" in data_of(bare, judgement)["next"][0]


def test_as_found_is_not_for_service(run_of: RunOf) -> None:
    run, judgement = judged(run_of())
    data = data_of(run, judgement, title=Title.CONDITION_REPORT)
    assert data["next_head"] == "What follows"
    assert "not for service" in data["next"][0]
    assert not any("as found" in each for each in data["not_recorded"])


# --- rules and limits ----------------------------------------------------------------


def test_the_rule_knows_conditions_that_were_not_met(run_of: RunOf) -> None:
    run, judgement = judged(run_of())
    for rule in ("guarded", "simple", "conditional", "risk"):
        ruled = replace(
            judgement,
            findings=tuple(replace(f, rule=rule) for f in judgement.findings),
        )
        (said,) = data_of(run, ruled)["rules"]
        assert "a condition of the test was not met" in said


def limited(judgement: Judgement, id: str) -> Finding:
    return next(f for f in judgement.findings if f.id == id and f.limit is not None)


def test_a_limit_that_is_a_share_says_of_what(run_of: RunOf) -> None:
    run, judgement = judged(run_of())
    rows = {
        (row["step"], row["name"]): row for row in data_of(run, judgement)["findings"]
    }
    found = limited(judgement, "lockup_rise")
    assert found.limit is not None
    assert found.limit.max is not None
    set_at = limited(judgement, "set_pressure")
    assert set_at.measured is not None
    # the share itself, worked out here: 15 % of the set pressure that was found
    assert found.limit.max == pytest.approx(0.15 * set_at.measured.value)
    most = f"{found.limit.max / IN_WC_PA:.3f}".rstrip("0")
    assert rows["lockup-1", "Lockup rise"]["limit"] == f"at most {most} (15 % of set)"
    assert rows["zero", "Zero, outlet"]["limit"].endswith("(zero's U)")
    assert rows["set", "Set pressure"]["limit"] == "10.8 to 11.2"
    assert "(15 % of set)" in table(judgement, run, run.header.plan)
    assert "(15 % of set)" in explain(judgement, run, run.header.plan, "lockup_rise")


# --- what a number is ----------------------------------------------------------------


def test_lockup_says_when_it_was_read_and_against_what(run_of: RunOf) -> None:
    run, judgement = judged(run_of())
    told = [
        " ".join(data_of(run, judgement)["definitions"]),
        explain(judgement, run, run.header.plan, "lockup_rise"),
        explain(judgement, run, run.header.plan, "lockup_pressure"),
    ]
    for said in told:
        assert f"read {READ_AFTER_S:g} s after shut-off" in said
        assert "flowed just before" in said
        assert "flow not measured" in said


def test_creep_says_what_it_was_corrected_for(run_of: RunOf) -> None:
    run, judgement = judged(run_of("seat_nicked", patient=True))
    (creep,) = [f for f in judgement.findings if f.id == "creep_rate"]
    assert creep.measured is not None
    said = " ".join(data_of(run, judgement)["definitions"])
    assert "corrected for air pressure and gas temperature" in said
    assert "absolute pressure" in said
    # the plain slope, by an ordinary least-squares line through the gauge reading
    import numpy as np

    channel = run.header.rig.channel("outlet")
    assert channel is not None
    assert creep.evidence.window_s is not None
    held = run.trace(channel, 1).between(*creep.evidence.window_s).good()
    slope = float(np.polyfit(held.t_s, held.value, 1)[0]) * 60.0 / IN_WC_PA
    printed = re.search(r"over the same window (-?[\d.]+) in\. w\.c\./min", said)
    assert printed is not None
    assert float(printed[1]) == pytest.approx(slope, rel=2e-3)
    # the two corrections make up the rest
    why = explain(judgement, run, run.header.plan, "creep_rate")
    rates = [
        float(rate)
        for rate in re.findall(r"correction for [a-z ]+: (-?[\d.]+) in\. w\.c", why)
    ]
    assert len(rates) == 2
    rate = dict(creep.evidence.model)["rate"] * 60.0 / IN_WC_PA
    value = creep.measured.value * 60.0 / IN_WC_PA
    assert value == pytest.approx(rate + sum(rates), abs=3e-5)


def test_volumes_are_declared_and_their_uncertainty_is_expanded(run_of: RunOf) -> None:
    run, judgement = judged(run_of())
    traits = run.header.rig.traits
    assert traits is not None
    said = data_of(run, judgement)["volumes"]
    assert len(said) == len(traits.volumes) == 2
    for line, (role, volume) in zip(said, traits.volumes.items(), strict=True):
        found = re.search(r"U ([\d.]+ \w+) \(k = 2\)", line)
        assert found is not None
        assert line.startswith(role)
        expanded = parse_quantity(found[1]).value_si
        assert expanded == pytest.approx(2.0 * volume.u.value_si)
    assert "rig file" in page_words()["volumes"]
    assert "measured" not in page_words()["volumes"]


def test_rows_carry_the_numbers_of_the_picture(run_of: RunOf) -> None:
    run, judgement = judged(run_of())
    ids = [step.id for step in run.header.plan.steps]
    data = data_of(run, judgement)
    for row in (*data["findings"], *data["held"]):
        assert ids[int(row["number"]) - 1] == row["step"]


# --- what is not there ---------------------------------------------------------------


def test_what_the_card_has_no_place_for_is_said(run_of: RunOf) -> None:
    run, judgement = judged(run_of())
    said = "; ".join(data_of(run, judgement)["not_recorded"])
    for matter in (
        "as found",
        "parts replaced",
        "adjuster seal",
        "customer",
        "place of test",
        "function of issuer",
    ):
        assert matter in said


def test_what_a_whole_card_tells_stands_on_the_page(run_of: RunOf) -> None:
    run, judgement = judged(run_of())
    job = parse_job(example_text(), "example.toml")
    left = Disposition(
        ending="returned to service", adjuster_seal="S-5521", bag_seal="B-77"
    )
    job = replace(job, disposition=(left,))
    run = replace(run, header=replace(run.header, job=job))
    data = data_of(run, judgement)
    groups = data["groups"][0]["rows"] + data["groups"][1]["rows"]
    rows = {row["label"]: row["value"] for row in groups}
    assert rows["customer"] == "Alder Heating (invented)"
    assert rows["as found"].startswith("not tested: the sender asked")
    assert rows["replaced"].startswith("diaphragm, valve disc, back cap gasket; by P.")
    assert "spring" not in rows["replaced"]
    assert rows["adjuster"] == "nut locked, cap on (step set); sealed, seal S-5521"
    assert rows["bag seal"] == "capped and bagged, seal B-77"
    assert rows["relief"] == "none fitted"
    assert data["not_recorded"] == ["place of test", "function of issuer"]


def test_keys_hashes_and_coverage(run_of: RunOf) -> None:
    run, judgement = judged(run_of())
    data = data_of(run, judgement)
    assert data["key_id"] == KEY_ID
    assert f"{run.header.plan_sha256[:16]}…" in data["plan_sha256"]
    assert "issuer unknown" in page_words()["check"]
    assert "k about 2 (t-factor" in page_words()["legend"]
    assert "gas temperature 1" in data["around"]
    assert page_words()["over_the_run"] == "Over the whole run:"


def test_every_cause_has_a_sentence() -> None:
    ids = {id for group in GROUPS for id in group.faults} | set(CATALOGUE)
    assert {"seat_worn", "relief_weeping"} <= ids
    for id in ids:
        said = fault_text(id)
        assert said[0].isupper(), id
        assert "_" not in said, id
        assert len(said.split()) > 3, id
        assert said.lower().rstrip(".") != id.replace("_", " ")


def test_the_page_s_words() -> None:
    for id, said in page_words().items():
        for word in ("skew", " a minute", "issue 1", "keeps", "not keep", "keeps it"):
            assert word not in said, id


# --- letters -------------------------------------------------------------------------


def test_letters_shrink_only_where_they_must(
    run_of: RunOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    from proofstand.drawing.picture import picture_of
    from proofstand.signoff import page

    scales: list[float] = []
    real = page._fitted

    def fitted(data: dict[str, Any], traces: int) -> tuple[float, float]:
        found = real(data, traces)
        scales.append(found[0])
        return found

    monkeypatch.setattr(page, "_fitted", fitted)
    run, _ = judged(run_of())
    accepted = replace(run.header.plan, status="approved")
    run = replace(run, header=replace(run.header, plan=accepted))
    judgement = replace(judge(run), warnings=())  # as of a signed run
    pictures = [picture_of(run, run.header.plan)]
    whole = data_of(run, judgement)
    one = replace(
        judgement,
        findings=tuple(f for f in judgement.findings if f.outcome is Outcome.PASS)[:4],
    )
    for data in (whole, data_of(run, one)):
        set_page(data, pictures, "x", (), datetime(2026, 11, 25, tzinfo=UTC))
    assert 8.0 * scales[0] >= 7.5
    assert scales[1] == page.SCALES[0]


def test_the_size_is_the_largest_of_all_that_fits(run_of: RunOf) -> None:
    from proofstand.signoff import page

    run, judgement = judged(run_of())
    whole = data_of(run, judgement)
    for data in (
        whole,
        {**whole, "remarks": "word " * 100},
        {**whole, "not_shown": ["a thing that nothing shows"] * 60},
        {**whole, "findings": whole["findings"][:3]},
    ):
        data = {**data, "code": page.code_svg("x"), "traces": []}
        tried = []
        for scale, least in zip(page.SCALES, page.TRACE_LEAST_MM, strict=True):
            room = page._room({**data, "scale": scale})
            each = room.left_mm - page._SLACK_MM - page._GAP_MM
            tried.append(room.pages == 1 and each >= least)
        assert sorted(tried) == tried  # what fits, fits at all smaller sizes
        found, _ = page._fitted(data, 1)
        if True in tried:
            assert found == page.SCALES[tried.index(True)]
        else:
            assert found == page.SCALE_ON_TWO_PAGES


def test_a_bar_is_set_whole_in_its_own_shape(run_of: RunOf) -> None:
    # a picture set in another shape would lose its ends, where a far bar stands
    template = resources.files("proofstand.signoff") / "templates" / "certificate.typ"
    text = template.read_text("utf-8")
    assert "barheight = barwidth * d.bar_shape" in text
    assert 'fit: "contain", alt: row.outcome' in text
    run, judgement = judged(run_of())
    data = data_of(run, judgement)
    for row in data["findings"]:
        size = re.search(r'width="([\d.]+)" height="([\d.]+)"', row["bar"])
        assert size is not None
        assert float(size[2]) / float(size[1]) == pytest.approx(data["bar_shape"])


def test_an_interval_without_calibration_is_marked_wherever_it_stands(
    run_of: RunOf,
) -> None:
    run, whole = judged(run_of())
    rig = run.header.rig
    channels = tuple(
        replace(c, calibration=None) if c.role == "outlet" else c for c in rig.channels
    )
    bare = replace(run, header=replace(run.header, rig=replace(rig, channels=channels)))
    judgement, plan = judge(bare), run.header.plan
    blind = {f.id for f in judgement.findings if f.noise_only}
    assert {"set_pressure", "lockup_rise", "external_leak"} <= blind
    inlet = [f for f in judgement.findings if f.channel == "inlet"]
    assert inlet
    assert not any(f.noise_only for f in inlet)
    lines = table(judgement, bare, plan).splitlines()
    (set_line,) = (line for line in lines if "Set pressure  " in line)
    assert "in. w.c. gauge, noise only" in set_line
    assert not any("Zero, inlet  " in x and "noise only" in x for x in lines)
    told = explain(judgement, bare, plan, "set_pressure")
    assert re.search(r"95 % interval [\d.]+ to [\d.]+, noise only", told)
    assert "There is no calibration of outlet" in told
    said = judgement_json(judgement, bare, plan)["findings"]
    assert {f["id"] for f in said if f["noise_only"]} == blind
    assert all((f["display"]["note"] == "noise only") == f["noise_only"] for f in said)
    data = data_of(bare, judgement)
    notes = {(r["name"], r["note"]) for r in [*data["findings"], *data["small"]]}
    assert ("Set pressure", "noise only") in notes
    # with its calibration nothing of that is said
    assert not any(f.noise_only for f in whole.findings)
    assert "noise only" not in table(whole, run, plan)
    assert "noise only" not in explain(whole, run, plan, "set_pressure")


def test_a_long_list_of_earlier_tests_goes_on_on_another_page(
    run_of: RunOf, lacks: Callable[[str], NoReturn], tmp_path: Path
) -> None:
    run, judgement = judged(run_of())
    earlier = tuple(
        Earlier(
            run=f"run-of-{n:03d}",
            sha256="0" * 64,
            day="2026-01-01",
            verdict="fail",
            job="J-1",
            same_job=n > 2,
            as_received=n == 3,
            rejected=n == 4,
        )
        for n in range(1, 61)
    )
    made = replace(made_for(judgement), earlier=earlier)
    page = tmp_path / "page.pdf"
    page.write_bytes(page_of(made, run, run.header.plan, judgement))
    try:
        done = subprocess.run(
            ["pdftotext", str(page), "-"],
            capture_output=True,
            text=True,
            check=True,
        )
    except FileNotFoundError:
        lacks("pdftotext")
    assert done.stdout.count("\f") == 2
    said = " ".join(done.stdout.split())
    assert all(f"run run-of-{n:03d}." in said for n in range(1, 61))
    assert "this is test 58 of this job" in said  # two of another, one as received
    assert "as received: fail, this job, run run-of-003" in said
    assert "fail, rejected, this job, run run-of-004" in said
