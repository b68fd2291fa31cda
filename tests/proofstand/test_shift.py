"""The start of shift: what gates testing, what ends it, and what a standard catches."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.judge import judge
from proofstand import shifts
from proofstand.bench.cautions import (
    CLASSES,
    cautions_for,
    gas_kind,
    pressure_class,
    were_read,
)
from proofstand.bench.shift import (
    compared,
    fingerprint,
    gate_of,
    leak_found,
    leak_hold_s,
    relied_on,
    rig_hold_plan,
    short,
    standard_plan,
    typed,
    wanted_of,
    zero_plan,
)
from proofstand.bench.shift import test_pressures as pressures_of
from proofstand.commands.prompter import Prompter
from proofstand.ready import cautions_wanted, read_cautions, shift_state
from proofstand.recording import _allowed
from proofstand.simulated import JOB_TEXT, demo_job
from proofstand.start_of_shift import check_shift
from proofstand.words.sentences import caution
from records.errors import InputError, IntegrityError, ProofstandError, RefusedError
from records.judgement import FINDINGS, Outcome
from records.measure import Kind, Reference, parse_quantity, std_cm3_min
from records.plan import Plan
from records.planfile import builtin_plan, parse_plan
from records.rig import Rig
from records.run import MarkKind, Run
from records.runfile import open_run, read_seal
from records.shift import (
    CAUTIONS_FORMAT,
    CHANGE_FORMAT,
    SHIFT_FORMAT,
    CautionsRead,
    FoundRigLeak,
    RigChange,
    ShiftPart,
    ShiftRecord,
    ShiftRelied,
)
from rig.simulator.rigtext import rig_text

from .blanked import LEAK, led_on, with_standard
from .led import ended, plan_text
from .rigs import served
from .test_recording import call

HOUR_NS = 3_600_000_000_000
NOW = 1_790_000_000_000_000_000
BY = "R. Vasquez-Lund (invented)"
LEANS = plan_text(
    """
[[steps]]
id = "lockup-1"
kind = "lockup"
inlet = "10 psi gauge"
hold = "15 s"

[[steps]]
id = "body-hold"
kind = "body-hold"
inlet = "10 psi gauge"
soak = "15 s"
hold = "90 s"

[[steps.limits]]
finding = "external_leak"
max = "0.15 std cm3/min"
source = "invented"
"""
).replace('hold = "30 s"\n\n', "from_shift = true\n\n", 1)


def leak(text: str) -> FoundRigLeak:
    quantity = parse_quantity(text)
    return FoundRigLeak(
        inlet=parse_quantity("10 psi gauge"),
        outlet=parse_quantity("12 in. w.c. gauge"),
        value=parse_quantity("0.002 std cm3/min"),
        u=parse_quantity("0.003 std cm3/min"),
        low=parse_quantity("-0.004 std cm3/min"),
        upper=quantity,
        gas="nitrogen",
    )


def record_of(rig: Rig, **changes: object) -> ShiftRecord:
    record = ShiftRecord(
        format=SHIFT_FORMAT,
        id="20260921T080000Z-bench",
        rig=rig.id,
        station="station-1",
        rig_file_sha256="0" * 64,
        rig_state_sha256=fingerprint(rig),
        utc_ns=NOW - HOUR_NS,
        when="this morning",
        by=BY,
        passed=True,
        hours=12.0,
        plans=("low-pressure",),
        rig_leak=leak("0.008 std cm3/min"),
        parts=(ShiftPart(what="rig check", passed=True),),
    )
    return replace(record, **changes)  # type: ignore[arg-type]


def relied_of(record: ShiftRecord) -> ShiftRelied:
    return ShiftRelied(
        id=record.id,
        sha256="1" * 64,
        by=record.by,
        utc_ns=record.utc_ns,
        rig_leak=record.rig_leak,
    )


def real(text: str) -> str:
    """Return a rig file's text as of a rig that is none of ours."""
    assert "simulated = true" in text
    return text.replace("simulated = true", "simulated = false", 1)


# --- the plans of the check ----------------------------------------------------------


def test_the_highest_pressures_and_the_tightest_limit_of_all_plans_count() -> None:
    low, _ = builtin_plan("low-pressure")
    first, _ = builtin_plan("first-stage")
    wanted = wanted_of([low, first])
    sides = zip((wanted.inlet, wanted.outlet), (0, 1), strict=True)
    for found, side in sides:
        each = [pressures_of(plan)[side] for plan in (low, first)]
        assert found.value_si == max(q.value_si for q in each if q is not None)
    assert wanted.gate == min(gate_of(low) or 9.0, gate_of(first) or 9.0)
    # a tenth of 0.15 std cm3/min, bench practice section 1 point 4
    assert std_cm3_min(gate_of(low) or 0.0) == pytest.approx(0.015)


@pytest.mark.parametrize(
    "name", ["low-pressure", "first-stage", "line", "cylinder", "oxygen", "service"]
)
def test_every_family_s_check_is_a_plan_that_can_be_read(name: str) -> None:
    wanted = wanted_of([builtin_plan(name)[0]])
    for text in (zero_plan(wanted), rig_hold_plan(wanted)):
        plan = parse_plan(text, name)
        assert plan.steps
    step = parse_plan(rig_hold_plan(wanted), name).steps[0]
    assert step.inlet is not None
    assert step.inlet.value_si == wanted.inlet.value_si


def test_a_plan_without_pressures_gives_no_check() -> None:
    with pytest.raises(RefusedError) as refused:
        wanted_of([builtin_plan("trace-only")[0]])
    assert refused.value.id == "shift_pressure_not_covered"


@pytest.mark.parametrize("kind", [f.kind for f in FINDINGS.values()])
def test_what_is_kept_reads_back_as_itself(kind: Kind) -> None:
    reference = Reference.GAUGE if kind is Kind.PRESSURE else Reference.NONE
    assert typed(1.2345e-3, kind, reference).value_si == pytest.approx(1.2345e-3)


def test_a_number_is_shortened_for_people_only() -> None:
    assert short(parse_quantity("0.255123456 std cm3/min")) == "0.255 std cm3/min"


# --- what a check standard catches ---------------------------------------------------


def standard_run(folder: Path, rig: Rig, seed: int = 1) -> Run:
    assert rig.check_standard is not None
    wanted = wanted_of([builtin_plan("low-pressure")[0]])
    return led_on(
        folder, standard_plan(rig.check_standard, wanted, rig), rig, seed=seed
    )


def test_a_check_is_asked_for_in_the_units_of_its_plans() -> None:
    rig = with_standard()
    assert rig.check_standard is not None
    assert rig.check_standard.at is not None
    wanted = wanted_of([builtin_plan("low-pressure")[0]])
    plan = parse_plan(standard_plan(rig.check_standard, wanted, rig), "p.toml")
    (step,) = (s for s in plan.steps if s.kind == "reference-leak")
    assert step.outlet is not None
    assert step.outlet.typed.endswith(" in. w.c. gauge")
    assert step.outlet.value_si == pytest.approx(
        rig.check_standard.at.value_si, rel=1e-3
    )
    assert plan.display == {"inlet": "psi", "outlet": "in. w.c."}


def outcome(folder: Path, rig: Rig, upper: float = 0.0, seed: int = 1) -> str:
    run = standard_run(folder, rig, seed)
    (finding,) = judge(run).findings
    assert rig.check_standard is not None
    found = compared(finding, rig.check_standard, upper)
    assert found is not None
    return found.outcome


def test_a_reference_leak_is_found_as_its_certificate_says(tmp_path: Path) -> None:
    rig = with_standard()
    run = standard_run(tmp_path, rig)
    (finding,) = judge(run).findings
    assert finding.outcome is Outcome.PASS
    assert finding.measured is not None
    assert finding.interval is not None
    # what the simulated rig lets out, by a law of its own
    low, high = (std_cm3_min(end) for end in finding.interval)
    assert low < LEAK < high
    assert high - low < 0.2 * LEAK
    assert rig.check_standard is not None
    found = compared(finding, rig.check_standard, 0.0)
    assert found is not None
    assert found.outcome == "pass"
    assert abs(found.apart) < 1.0
    seconds = leak_hold_s(rig.check_standard, rig)
    hold = [m for m in run.marks if m.kind in (MarkKind.HOLD_BEGIN, MarkKind.HOLD_END)]
    assert hold[1].t_s - hold[0].t_s == pytest.approx(seconds, abs=0.5)


@pytest.mark.parametrize("seed", [2, 3])
def test_a_sound_rig_agrees_whatever_the_day(tmp_path: Path, seed: int) -> None:
    assert outcome(tmp_path, with_standard(), seed=seed) == "pass"


def wrong_volume(text: str) -> str:
    assert 'volume = "100 cm3"' in text
    return text.replace('volume = "100 cm3"', 'volume = "145 cm3"', 1)


def wrong_span(text: str) -> str:
    """Take the outlet transducer for one of a fifth more range."""
    rig = with_standard()
    outlet = rig.channel("outlet")
    assert outlet is not None
    old = f"scale = {outlet.scale!r}\n"
    assert old in text
    return text.replace(old, f"scale = {1.2 * outlet.scale!r}\n", 1)


@pytest.mark.parametrize("wrong", [wrong_volume])
def test_a_rig_with_a_wrong_volume_is_caught(
    tmp_path: Path, wrong: Callable[[str], str]
) -> None:
    assert outcome(tmp_path, with_standard(wrong)) == "fail"


LOCKUP = plan_text(
    """
[[steps]]
id = "lockup-1"
kind = "lockup"
inlet = "10 psi gauge"
hold = "15 s"

[[steps.limits]]
finding = "lockup_highest"
max = "12.65 in. w.c. gauge"
source = "invented"
"""
)
KEPT = """
[check_standard]
id = "K-1"
kind = "regulator"
certificate = "first found 2026-01-12 (invented)"
due = 2999-01-01
plan = "kept.toml"
job = "job.toml"
finding = "lockup_rise"
value = "155 Pa difference"
u = "3 Pa difference"
limit = "15 Pa difference"
"""


def kept_regulator(folder: Path, edit: Callable[[str], str]) -> str:
    rig = with_standard(lambda text: edit(text).split("[check_standard]")[0] + KEPT)
    run = led_on(folder, LOCKUP, rig)
    (finding,) = [f for f in judge(run).findings if f.id == "lockup_rise"]
    assert rig.check_standard is not None
    found = compared(finding, rig.check_standard)
    assert found is not None
    return found.outcome


def test_a_kept_regulator_is_found_as_before(tmp_path: Path) -> None:
    assert kept_regulator(tmp_path, lambda text: text) == "pass"


def test_a_rig_with_a_span_error_is_caught_by_a_kept_regulator(tmp_path: Path) -> None:
    assert kept_regulator(tmp_path, wrong_span) == "fail"


def test_a_reference_leak_does_not_see_a_span_error(tmp_path: Path) -> None:
    """Filled by the wrong display it runs slower by what it reads too fast."""
    assert outcome(tmp_path, with_standard(wrong_span)) == "pass"


def test_what_the_rig_may_leak_itself_is_no_reason_to_pass(tmp_path: Path) -> None:
    rig = with_standard()
    assert outcome(tmp_path, rig) == "pass"
    folder = tmp_path / "again"
    folder.mkdir()
    upper = parse_quantity("0.05 std cm3/min").value_si
    assert outcome(folder, rig, upper) == "inconclusive"


def test_the_leak_has_to_agree_within_both_uncertainties(tmp_path: Path) -> None:
    rig = with_standard()
    (finding,) = judge(standard_run(tmp_path, rig)).findings
    standard = rig.check_standard
    assert standard is not None
    # a limit as wide as a barn is no excuse
    other = replace(
        standard,
        value=parse_quantity("0.40 std cm3/min"),
        limit=parse_quantity("0.39 std cm3/min"),
    )
    found = compared(finding, other, 0.0)
    assert found is not None
    assert found.apart < -1.0
    assert found.outcome == "fail"


# --- the gate ------------------------------------------------------------------------


def gate(
    record: ShiftRecord | None,
    rig: Rig,
    plan: Plan | None = None,
    change: RigChange | None = None,
    now_ns: int = NOW,
) -> ShiftRelied:
    return relied_on(
        record,
        change,
        rig=rig,
        plan=plan,
        now_ns=now_ns,
        command="proofstand rig shift --rig r.toml --by NAME",
    )


def changed(at_ns: int) -> RigChange:
    return RigChange(
        format=CHANGE_FORMAT,
        rig="simulated-1",
        what="outlet hose",
        by=BY,
        utc_ns=at_ns,
        when="then",
    )


def test_a_valid_check_is_relied_on() -> None:
    rig = with_standard()
    record = record_of(rig)
    assert gate(record, rig) == relied_of(replace(record)) or gate(record, rig)
    assert gate(record, rig).id == record.id
    assert gate(record, rig, builtin_plan("low-pressure")[0]).rig_leak is not None
    before = changed(record.utc_ns - 1)
    assert gate(record, rig, change=before).id == record.id


@pytest.mark.parametrize(
    ("id", "changes", "now_ns"),
    [
        ("shift_check_missing", None, NOW),
        ("shift_check_failed", {"passed": False}, NOW),
        ("shift_check_over", {}, NOW + 11 * HOUR_NS + 1),
        ("shift_check_dated_later", {}, NOW - 2 * HOUR_NS),
        ("shift_rig_changed", {"rig_state_sha256": "f" * 64}, NOW),
    ],
)
def test_what_refuses_a_test(
    id: str, changes: dict[str, object] | None, now_ns: int
) -> None:
    rig = with_standard()
    record = None if changes is None else record_of(rig, **changes)
    with pytest.raises(RefusedError) as refused:
        gate(record, rig, now_ns=now_ns)
    assert refused.value.id == id
    assert refused.value.exit_code == 6
    assert "proofstand rig shift" in refused.value.facts["command"]


def test_a_night_shift_goes_on_over_midnight() -> None:
    rig = with_standard()
    record = record_of(rig)
    assert gate(record, rig, now_ns=record.utc_ns + 12 * HOUR_NS).id == record.id


def test_a_declared_change_ends_the_check_and_a_later_check_the_change() -> None:
    rig = with_standard()
    record = record_of(rig)
    with pytest.raises(RefusedError) as refused:
        gate(record, rig, change=changed(record.utc_ns))
    assert refused.value.id == "shift_rig_declared_changed"
    assert refused.value.facts["what"] == "outlet hose"


@pytest.mark.parametrize(
    "edit",
    [
        lambda t: t.replace('u = "1 cm3"', 'u = "2 cm3"', 1),
        lambda t: t.replace('unit = "Pa gauge"', 'unit = "hPa gauge"', 1),
        lambda t: 'fittings = ["hose H-4"]\n' + t,
        lambda t: t.replace(
            'id = "station-1"\n',
            'id = "station-1"\nrelief = { inlet = "20 psi gauge" }\n',
            1,
        ),
    ],
    ids=["volume", "unit", "hose", "relief"],
)
def test_what_matters_of_a_rig_is_in_its_fingerprint(
    edit: Callable[[str], str],
) -> None:
    def with_format_first(text: str) -> str:
        head, _, rest = text.partition("\n")
        return f"{head}\n{edit(rest)}"

    rig = with_standard()
    assert fingerprint(with_standard(with_format_first)) != fingerprint(rig)


def test_where_a_rig_answers_is_no_matter() -> None:
    rig = with_standard()
    moved = with_standard(lambda t: t.replace("port = 502", "port = 503"))
    renamed = with_standard(lambda t: t.replace('"Simulated rig"', '"The old one"'))
    assert fingerprint(moved) == fingerprint(rig) == fingerprint(renamed)


def test_a_plan_that_leans_wants_its_pressures_and_its_gate() -> None:
    rig, plan = with_standard(), parse_plan(LEANS, "leans.toml")
    assert gate(record_of(rig), rig, plan).rig_leak is not None
    held = leak("0.008 std cm3/min")
    for id, found in (
        ("shift_pressure_not_covered", None),
        (
            "shift_pressure_not_covered",
            replace(held, inlet=parse_quantity("5 psi gauge")),
        ),
        (
            "shift_pressure_not_covered",
            replace(held, outlet=parse_quantity("11.5 in. w.c. gauge")),
        ),
        ("shift_rig_leaks", leak("0.0151 std cm3/min")),
    ):
        with pytest.raises(RefusedError) as refused:
            gate(record_of(rig, rig_leak=found), rig, plan)
        assert refused.value.id == id
    # one that holds the rig itself needs none of that
    own, _ = builtin_plan("low-pressure")
    assert gate(record_of(rig, rig_leak=None), rig, own).rig_leak is None


# --- a test that leans on the record -------------------------------------------------


def test_the_rig_hold_of_the_shift_is_the_gate_and_in_the_budget(
    tmp_path: Path,
) -> None:
    rig = with_standard()
    relied = relied_of(record_of(rig))
    run = led_on(tmp_path, LEANS, rig, shift=relied)
    assert ended(run)["rig-hold"] == "from_shift"
    assert run.header.shift == relied
    assert not any(m.data.get("act") == "fit_blank" for m in run.marks)
    found = {f.id: f for f in judge(run).findings}
    assert relied.rig_leak is not None
    upper = relied.rig_leak.upper.value_si
    assert found["rig_leak"].interval == (relied.rig_leak.low.value_si, upper)
    assert [n.id for n in found["rig_leak"].evidence.notes] == ["rig_leak_from_shift"]
    external = found["external_leak"]
    assert external.outcome is Outcome.PASS, external.why
    (line,) = [x for x in external.budget if x.source == "rig_leak"]
    assert line.value == upper
    # the same run, by a record that shows too little
    for other, why in (
        (replace(relied, rig_leak=leak("0.02 std cm3/min")), "rig_leak_above_gate"),
        (replace(relied, rig_leak=None), "rig_leak_unknown"),
        (None, "rig_leak_unknown"),
        (
            replace(
                relied,
                rig_leak=replace(
                    leak("0.008 std cm3/min"), inlet=parse_quantity("5 psi gauge")
                ),
            ),
            "rig_leak_unknown",
        ),
    ):
        again = replace(run, header=replace(run.header, shift=other))
        external = {f.id: f for f in judge(again).findings}["external_leak"]
        assert external.outcome is Outcome.INCONCLUSIVE
        assert why in {reason.id for reason in external.why}


def test_only_a_rig_hold_is_taken_from_the_shift() -> None:
    text = LEANS.replace('id = "body-hold"\n', 'id = "body-hold"\nfrom_shift = true\n')
    with pytest.raises(InputError) as wrong:
        parse_plan(text, "leans.toml")
    assert wrong.value.id == "value_wrong"


# --- what is kept --------------------------------------------------------------------


def test_records_are_written_once_and_a_change_is_found(own_places: Path) -> None:
    rig = with_standard()
    folder = shifts.new_check(rig.id, "station-1", NOW)
    kept = shifts.keep_check(folder, record_of(rig))
    assert folder.is_relative_to(own_places)
    assert shifts.latest_check(rig.id, "station-1") == kept
    assert shifts.latest_check(rig.id, "another") is None
    with pytest.raises(InputError, match="file_exists"):
        shifts.keep_check(folder, record_of(rig, by="someone else"))
    failed = shifts.new_check(rig.id, "station-1", NOW + 10**9)
    later = record_of(rig, utc_ns=NOW, passed=False)
    shifts.keep_check(failed, later)
    latest = shifts.latest_check(rig.id, "station-1")
    assert latest is not None
    assert not latest.passed, "a check that failed later counts"
    path = failed / shifts.RECORD
    path.write_text(path.read_text().replace("passed = false", "passed = true", 1))
    with pytest.raises(IntegrityError) as changed_file:
        shifts.latest_check(rig.id, "station-1")
    assert changed_file.value.id == "shift_record_changed"
    state = shift_state(
        rig, None, rig_path="r.toml", plan_name="", now_ns=NOW + HOUR_NS
    )
    assert state.refused is not None
    assert state.refused.exit_code == 5


def test_changes_are_kept_by_name(own_places: Path) -> None:
    for what, by in (("", BY), ("hose", " ")):
        with pytest.raises(InputError, match="value_wrong"):
            shifts.declare_change("simulated-1", what, by, NOW, "now")
    shifts.declare_change("simulated-1", "hose", BY, NOW, "now")
    shifts.declare_change("simulated-1", "filter", BY, NOW + 5, "now")
    shifts.declare_change("another", "all of it", BY, NOW + 9, "now")
    latest = shifts.latest_change("simulated-1")
    assert latest is not None
    assert latest.what == "filter"
    assert len(list((own_places / "shifts" / "changes").iterdir())) == 3


# --- cautions ------------------------------------------------------------------------


def test_classes_of_gas_and_pressure() -> None:
    assert [gas_kind(g) for g in ("oxygen", "nitrous oxide")] == ["oxygen", "oxygen"]
    assert [gas_kind(g) for g in ("propane", "hydrogen")] == ["fuel", "fuel"]
    assert [gas_kind(g) for g in ("nitrogen", "air", "xyz")] == [
        "inert",
        "air",
        "unknown",
    ]
    psi = 6894.757
    assert pressure_class(15.0 * psi) == CLASSES[0]
    assert pressure_class(15.1 * psi) == CLASSES[1]
    assert pressure_class(20e5) == CLASSES[1]
    assert pressure_class(20.1e5) == CLASSES[2]


def test_the_service_gas_and_the_pressure_choose_the_cautions() -> None:
    job = demo_job()
    low = cautions_for(job, builtin_plan("low-pressure")[0])
    assert (low.gases, low.pressure) == (("fuel", "inert"), CLASSES[0])
    oxygen = replace(job, regulator=replace(job.regulator, gas="oxygen"))
    high = cautions_for(oxygen, builtin_plan("oxygen")[0])
    assert (high.gases, high.pressure) == (("oxygen", "inert"), CLASSES[2])
    assert high.ids[0] == "gas_oxygen"
    assert {"hose_bursts", "local_codes"} <= set(high.ids)
    for gas in ("Ammonia", "chlorine"):
        toxic = replace(job, regulator=replace(job.regulator, gas=gas))
        with pytest.raises(RefusedError) as refused:
            cautions_for(toxic, builtin_plan("low-pressure")[0])
        assert refused.value.id == "gas_toxic"


def test_cautions_are_asked_for_again_when_something_changes() -> None:
    rig, plan = with_standard(required=True), builtin_plan("low-pressure")[0]
    wanted = cautions_for(demo_job(), plan)
    read = CautionsRead(
        format=CAUTIONS_FORMAT,
        by=BY,
        utc_ns=NOW,
        when="now",
        shift="a",
        rig=rig.id,
        station="station-1",
        gases=wanted.gases,
        pressure=wanted.pressure,
        cautions=wanted.ids,
    )

    def held(latest: CautionsRead | None, shift: str = "a", later_h: int = 1) -> bool:
        now = NOW + later_h * HOUR_NS
        return were_read(latest, wanted, rig=rig, shift=shift, now_ns=now)

    assert held(read)
    assert not held(None)
    assert not held(read, shift="b")
    for other in (
        replace(read, gases=("oxygen", "inert")),
        replace(read, pressure=CLASSES[2]),
        replace(read, rig="another"),
        replace(read, station="B"),
    ):
        assert not held(other)
    by_hours = replace(read, shift="")
    assert held(by_hours, shift="", later_h=12)
    assert not held(by_hours, shift="", later_h=13)


def test_who_tests_reads_them_and_it_is_kept(own_places: Path) -> None:
    rig, plan, job = with_standard(real), builtin_plan("low-pressure")[0], demo_job()
    relied = relied_of(record_of(rig))

    def reading(by: str, read_by: str, at_ns: int = NOW) -> CautionsRead | None:
        return read_cautions(
            job, plan, rig, by=by, read_by=read_by, relied=relied, now_ns=at_ns
        )

    with pytest.raises(RefusedError) as refused:
        reading(BY, "")
    assert refused.value.id == "cautions_not_read"
    with pytest.raises(InputError, match="value_wrong"):
        reading(BY, "someone else")
    kept = reading(BY, BY)
    assert kept is not None
    assert (kept.by, kept.shift) == (BY, relied.id)
    assert reading(BY, "") == kept, "once a shift"
    assert reading(BY, "", NOW + 20 * HOUR_NS) == kept, "as long as the check holds"
    with pytest.raises(RefusedError):
        reading("another person", "")
    # to another gas and back: each is a change
    oxygen = replace(job, regulator=replace(job.regulator, gas="oxygen"))
    read_cautions(
        oxygen, plan, rig, by=BY, read_by=BY, relied=relied, now_ns=NOW + HOUR_NS
    )
    wanted, held = cautions_wanted(
        job, plan, rig, by=BY, relied=relied, now_ns=NOW + 2 * HOUR_NS
    )
    assert held is None
    assert "fuel" in wanted.gases
    assert len(list((own_places / "shifts" / "cautions").iterdir())) == 2


def test_a_simulated_rig_asks_for_no_name(own_places: Path) -> None:
    plan, job = builtin_plan("low-pressure")[0], demo_job()
    nothing = read_cautions(
        job, plan, with_standard(), by="", read_by="", relied=None, now_ns=NOW
    )
    assert nothing is None
    assert not own_places.exists()


def test_a_test_that_leans_goes_on_under_its_own_check_only() -> None:
    rig, plan = with_standard(real), parse_plan(LEANS, "leans.toml")
    now = time.time_ns()
    kept = shifts.keep_check(
        shifts.new_check(rig.id, "station-1", now), record_of(rig, utc_ns=now)
    )

    def go_on(began_with: ShiftRelied, on: Plan = plan) -> str:
        relied, _ = _allowed(
            demo_job(),
            on,
            rig,
            by=BY,
            rig_path="rig.toml",
            plan_name="leans.toml",
            read_by=BY,
            ask=lambda cautions: "",
            began_with=began_with,
        )
        return "" if relied is None else relied.id

    same = replace(relied_of(kept), sha256=kept.sha256)
    assert go_on(same) == kept.id
    other = replace(same, id="yesterday", sha256="2" * 64)
    with pytest.raises(RefusedError) as refused:
        go_on(other)
    assert refused.value.id == "shift_record_ended"
    assert go_on(other, builtin_plan("low-pressure")[0]) == kept.id


def test_the_terminal_shows_the_cautions_and_takes_a_name(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(f"\n{BY}\n"))
    prompter = Prompter(quiet=False, ask=True)
    wanted = cautions_for(demo_job(), builtin_plan("low-pressure")[0])
    assert prompter.ask_cautions(wanted, lambda: None) == BY
    told = capsys.readouterr().err
    for id in wanted.ids:
        assert caution(id) in told
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    nobody = Prompter(quiet=False, ask=True)
    assert nobody.ask_cautions(wanted, lambda: None) == ""
    quiet = Prompter(quiet=True, ask=False)
    assert quiet.ask_cautions(wanted, lambda: None) == ""


def test_every_caution_has_words() -> None:
    job = demo_job()
    for gas in ("oxygen", "propane", "nitrogen", "air", "xyz"):
        of_gas = replace(job, regulator=replace(job.regulator, gas=gas), test_gas=gas)
        for name in ("low-pressure", "first-stage", "cylinder"):
            for id in cautions_for(of_gas, builtin_plan(name)[0]).ids:
                assert caution(id).endswith(".")


# --- the commands --------------------------------------------------------------------


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    text = rig_text("127.0.0.1", 9, 1.0, standard_leak=LEAK)
    (tmp_path / "rig.toml").write_text(real(text))
    (tmp_path / "job.toml").write_text(JOB_TEXT)
    return tmp_path


@pytest.fixture(autouse=True)
def nobody_types(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))


def record(shop: Path, *more: object) -> subprocess.CompletedProcess[str]:
    rig, job, out = shop / "rig.toml", shop / "job.toml", shop / "run.h5"
    return call("record", "--rig", rig, "--job", job, "--out", out, "--json", *more)


def test_a_real_rig_is_not_tested_on_without_a_check(shop: Path) -> None:
    done = record(shop, "--by", BY)
    assert done.returncode == 6
    told = json.loads(done.stdout or done.stderr)
    assert told["id"] == "shift_check_missing"
    assert f"--rig {shop / 'rig.toml'}" in told["do"]
    assert "proofstand rig shift" in told["do"]
    assert not (shop / "run.journal").exists(), "nothing was opened"
    shown = call("rig", "shift", "--rig", shop / "rig.toml", "--show", "--json")
    assert shown.returncode == 6
    document = json.loads(shown.stdout)
    assert (document["valid"], document["refused"]["id"]) == (
        False,
        "shift_check_missing",
    )


def test_with_a_check_it_wants_the_cautions_read_and_then_opens_the_rig(
    shop: Path,
) -> None:
    from rig.rigfile import load_rig

    rig = load_rig(shop / "rig.toml")
    import time

    now = time.time_ns()
    folder = shifts.new_check(rig.id, "station-1", now)
    shifts.keep_check(folder, record_of(rig, utc_ns=now))
    done = record(shop, "--by", BY)
    assert done.returncode == 6
    assert json.loads(done.stdout or done.stderr)["id"] == "cautions_not_read"
    done = record(shop, "--by", BY, "--cautions-read-by", BY)
    assert done.returncode == 4, "nothing answers at port 9"
    declared = call(
        "rig", "shift", "--rig", shop / "rig.toml", "--changed", "hose", "--by", BY
    )
    assert declared.returncode == 0
    done = record(shop, "--by", BY)
    assert json.loads(done.stdout or done.stderr)["id"] == "shift_rig_declared_changed"


@pytest.mark.parametrize(
    ("edit", "id"),
    [
        (lambda t: t.split("[check_standard]")[0], "rig_without_check_standard"),
        (
            lambda t: (
                t.split("[check_standard]")[0]
                + "[check_standard]"
                + t.split("[check_standard]")[1].replace("due = 20", "due = 19")
            ),
            "check_standard_overdue",
        ),
    ],
    ids=["undeclared", "overdue"],
)
def test_without_a_good_standard_no_check_is_led(
    shop: Path, edit: Callable[[str], str], id: str, own_places: Path
) -> None:
    path = shop / "rig.toml"
    path.write_text(edit(path.read_text()))
    with pytest.raises(RefusedError) as refused:
        check_shift(rig_path=path, by=BY)
    assert refused.value.id == id
    assert not own_places.exists()


def test_a_check_that_broke_off_is_on_record_too(shop: Path) -> None:
    with pytest.raises(InputError, match="value_wrong"):
        check_shift(rig_path=shop / "rig.toml", by=" ")
    checked = check_shift(rig_path=shop / "rig.toml", by=BY, seconds=0.2)
    assert not checked.record.passed, "nothing answers"
    (part,) = checked.record.parts
    assert (part.what, part.passed) == ("rig check", False)
    assert "rig-io" in part.why or "outlet" in part.why
    latest = shifts.latest_check("simulated-1", "station-1")
    assert latest is not None
    assert latest.id == checked.record.id
    done = record(shop, "--by", BY)
    assert json.loads(done.stdout or done.stderr)["id"] == "shift_check_failed"


SERVED = f'reference_leak = "{LEAK} std cm3/min"\nshift_required = true\n'


@pytest.mark.serial
def test_a_shift_begins_and_a_test_leans_on_it(
    tmp_path: Path, own_places: Path
) -> None:
    leans = tmp_path / "leans.toml"
    leans.write_text(LEANS)
    with served(tmp_path, 20.0, more=SERVED) as rig:
        job, out = tmp_path / "job.toml", tmp_path / "run.h5"
        arguments: list[object] = ["record", "--rig", rig, "--job", job]
        arguments += ["--plan", leans, "--out", out, "--hands", "simulated"]
        arguments += ["--by", BY, "--cautions-read-by", BY]
        refused = call(*arguments)
        assert refused.returncode == 6, refused.stderr
        assert "proofstand rig shift" in refused.stderr
        done = call(
            *("rig", "shift", "--rig", rig, "--plan", leans, "--by", BY),
            *("--hands", "simulated", "--json"),
        )
        assert done.returncode == 0, done.stdout + done.stderr
        tested = call(*arguments)
        assert tested.returncode == 0, tested.stdout + tested.stderr
    told = json.loads(done.stdout)
    assert [p["what"] for p in told["parts"]] == [
        "rig check",
        "zero",
        "rig-hold",
        "check standard",
    ]
    folder = Path(told["folder"])
    assert folder.is_relative_to(own_places)
    for part in told["parts"][1:]:
        assert read_seal(folder / part["file"]).sha256 == part["sha256"]
    assert told["standard"]["outcome"] == "pass"
    run = open_run(out)
    shift = run.header.shift
    assert shift is not None
    assert (shift.id, shift.by) == (told["id"], BY)
    assert shift.rig_leak is not None
    assert shift.rig_leak.upper.typed == told["rig_leak"]["upper"]["typed"]
    assert run.header.cautions is not None
    assert run.header.cautions.shift == shift.id
    found = {f.id: f for f in judge(run).findings}
    assert found["rig_leak"].interval is not None
    assert found["rig_leak"].interval[1] == shift.rig_leak.upper.value_si


@pytest.mark.serial
def test_a_check_that_fails_lets_nobody_test(tmp_path: Path) -> None:
    with served(tmp_path, 20.0, more=SERVED) as rig:
        rig.write_text(wrong_volume(rig.read_text()))
        done = call(
            "rig", "shift", "--rig", rig, "--by", BY, "--hands", "simulated", "--json"
        )
        assert done.returncode == 10, done.stdout + done.stderr
        told = json.loads(done.stdout)
        assert [p["passed"] for p in told["parts"]] == [True, True, True, False]
        refused = call(
            *("record", "--rig", rig, "--job", tmp_path / "job.toml"),
            *("--out", tmp_path / "run.h5", "--hands", "simulated", "--by", BY),
        )
    assert refused.returncode == 6
    assert "check standard" in refused.stderr


@pytest.mark.serial
def test_a_kept_regulator_is_a_check_standard_too(tmp_path: Path) -> None:
    (tmp_path / "kept.toml").write_text(LOCKUP)
    with served(tmp_path, 20.0, more="shift_required = true\n") as rig:
        rig.write_text(rig.read_text() + KEPT)
        checked = check_shift(rig_path=rig, by=BY, hands="simulated")
    assert checked.record.passed, checked.record.parts
    standard = checked.record.standard
    assert standard is not None
    assert (standard.finding, standard.outcome) == ("lockup_rise", "pass")
    assert standard.low.value_si < standard.found.value_si < standard.high.value_si


def test_a_rig_leak_that_was_not_measured_is_kept_as_none(tmp_path: Path) -> None:
    rig = with_standard()
    (finding,) = judge(standard_run(tmp_path, rig)).findings
    wanted = wanted_of([builtin_plan("low-pressure")[0]])
    assert leak_found(replace(finding, measured=None), wanted) is None
    assert compared(replace(finding, interval=None), rig.check_standard) is None  # type: ignore[arg-type]
    assert isinstance(RefusedError("shift_check_missing"), ProofstandError)
