"""Relief steps: led, done by simulated hands, and found as they were true."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

import proofstand.simulated as simulated
from analysis.judge import judge
from proofstand.procedure.engine import (
    Abandon,
    Acknowledge,
    Command,
    Declare,
    Engine,
    Repeat,
    Skip,
    prepared_plan,
    stages_of,
)
from proofstand.procedure.leaves import inlet_changes, leans_on_lockup, locked_before
from proofstand.procedure.stages import Ask
from proofstand.session import Marked, SessionEvent
from proofstand.simulated import demo_job, job_text, simulate
from records.errors import RefusedError
from records.jobcard import FORMAT, JobCard
from records.judgement import Finding, Judgement, Outcome, Verdict
from records.measure import parse_quantity
from records.planfile import builtin_plan, parse_plan
from records.run import Mark, MarkKind, Request, Run
from records.runfile import open_run
from records.tomlfile import load_toml
from rig.rigfile import parse_rig
from rig.simulator.families import FAMILIES
from rig.simulator.hands import Hands
from rig.simulator.regulator import INCH_WATER_60F
from rig.simulator.rigtext import rig_text

from .led import ended, marked
from .test_engine import check_restored, replay

BY = "P. Quill"
TEXT = """format = "proofstand.plan/1"
id = "short"
version = 1
title = "Short, with a relief"

[display]
outlet = "Pa"

[max_pressures]
outlet = "18 in. w.c. gauge"
inlet = "90 psi gauge"

[[steps]]
id = "zero"
kind = "zero"
hold = "6 s"

[[steps]]
id = "pressurise"
kind = "pressurise"
stages = ["20 psi gauge"]
inlet = "60 psi gauge"
outlet = "6 in. w.c. gauge"

[[steps]]
id = "set"
kind = "set"
target = "7.0 in. w.c. gauge"
inlet = "60 psi gauge"
band = "0.2 in. w.c. difference"
hold = "8 s"

[[steps]]
id = "lockup-1"
kind = "lockup"
inlet = "60 psi gauge"
hold = "15 s"

[[steps]]
id = "relief"
kind = "relief"
outlet = "17 in. w.c. gauge"
hold = "8 s"

[[steps.limits]]
finding = "relief_opening"
min = "170 % of set_pressure"
max = "235 % of set_pressure"
source = "shop default"

[[steps.limits]]
finding = "relief_reseat"
min = "150 % of set_pressure"
source = "shop default"

[[steps]]
id = "lockup-2"
kind = "lockup"
inlet = "60 psi gauge"
hold = "15 s"

[[steps.limits]]
finding = "lockup_highest"
max = "8.05 in. w.c. gauge"
source = "shop default"

[[steps]]
id = "vent-down"
kind = "vent-down"

[[steps]]
id = "closing-zero"
kind = "closing-zero"
hold = "6 s"
"""
SERVICE = FAMILIES["service"]


def with_relief(**changes: float | None) -> Mapping[str, object]:
    regulator = replace(SERVICE.regulator, **changes)  # type: ignore[arg-type]
    return {**FAMILIES, "service": replace(SERVICE, regulator=regulator)}


def led(folder: Path, *faults: str, seed: int = 1, text: str = TEXT, **more: object):  # type: ignore[no-untyped-def]
    plan, out = folder / "short.toml", folder / f"run-{seed}.h5"
    plan.write_text(text, "utf-8")
    simulate(
        family="service",
        plan_name=str(plan),
        faults=faults,
        seed=seed,
        out=out,
        **more,  # type: ignore[arg-type]
    )
    return open_run(out)


def found(run: Run, id: str) -> Finding:
    return next(f for f in judge(run).findings if f.id == id)


def true(run: Run, id: str) -> float:
    assert run.truth is not None
    return next(float(f["value"]) for f in run.truth["findings"] if f["id"] == id)


def reasons(finding: Finding) -> set[str]:
    return {why.id for why in finding.why}


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Run:
    return led(tmp_path_factory.mktemp("plain"))  # type: ignore[no-any-return]


# --- led -----------------------------------------------------------------------------


def test_a_relief_step_leads_from_the_isolated_inlet_to_the_inlet_back(
    plain: Run,
) -> None:
    assert set(ended(plain).values()) == {"done"}
    acts = [m.data["act"] for m in marked(plain, "relief", MarkKind.ASKED)]
    assert acts == ["isolate_inlet", "raise_outlet", "shut_source", "let_down_outlet"]
    after = [m.data["act"] for m in marked(plain, "lockup-2", MarkKind.ASKED)]
    assert after[0] == "set_inlet", "the next lockup brings the inlet back"
    assert judge(plain).verdict is Verdict.PASS


def test_nothing_is_raised_before_a_person_confirmed_the_isolated_inlet() -> None:
    plan = parse_plan(TEXT, "p")
    step = plan.step("relief")
    assert step is not None
    asks = [s for s in stages_of(step, plan) if isinstance(s, Ask)]
    assert [a.act for a in asks][:2] == ["isolate_inlet", "raise_outlet"]
    assert asks[0].confirm
    assert asks[0].see is None
    assert not asks[0].either
    assert all(a.confirm and a.caution for a in asks)


def test_what_a_relief_leaves_behind() -> None:
    plan = parse_plan(TEXT, "p")
    relief, after = plan.step("relief"), plan.step("lockup-2")
    assert relief is not None
    assert after is not None
    assert leans_on_lockup(relief, plan)
    assert not locked_before(after, plan)
    assert inlet_changes(after, plan), "the inlet was isolated"
    fitted_not = tuple(
        replace(s, left_out="no_relief_fitted") if s is relief else s
        for s in plan.steps
    )
    without = replace(plan, steps=fitted_not)
    assert locked_before(without.steps[5], without)
    assert not inlet_changes(without.steps[5], without)


def test_the_same_trace_gives_the_same_marks(plain: Run) -> None:
    answers = {m.t_s for m in plain.marks if m.kind is MarkKind.CONFIRMED}
    halves = {n / 2.0 for n in range(700)}
    for cuts in (answers, answers | halves):
        assert replay(plain, sorted(cuts)) == list(plain.marks)


def test_an_engine_restored_at_every_mark_of_a_relief(plain: Run) -> None:
    first = next(i for i, m in enumerate(plain.marks) if m.step == "relief")
    check_restored(plain, every=1, first=first)


# --- found ---------------------------------------------------------------------------


def holds_true(run: Run, id: str) -> None:
    finding, value = found(run, id), true(run, id)
    assert finding.measured is not None
    assert finding.interval is not None
    assert abs(finding.measured.value - value) < 3.0 * finding.measured.u, id
    assert finding.measured.u < 0.003 * value


def test_opening_and_reseat_are_those_of_the_simulated_relief(plain: Run) -> None:
    for id in ("relief_opening", "relief_reseat"):
        holds_true(plain, id)
        finding = found(plain, id)
        assert finding.outcome is Outcome.PASS
        sources = {line.source for line in finding.budget}
        assert {"noise", "vent_time", "calibration_offset", "resolution"} <= sources
        assert "vent_told_by_channel" in {n.id for n in finding.evidence.notes}
    opened, shut = true(plain, "relief_opening"), true(plain, "relief_reseat")
    assert opened - shut == pytest.approx(0.5 * INCH_WATER_60F)


# Of these regulators the outlet creeps up for ten seconds after the valve is shut.
SLOW_TO_LOCK_UP = (9, 14)


@pytest.mark.parametrize(
    "vent_meter", [pytest.param(True, marks=pytest.mark.slow), False]
)
@pytest.mark.parametrize(
    "seed",
    [
        2,
        *SLOW_TO_LOCK_UP,
        *(
            pytest.param(n, marks=pytest.mark.slow)
            for n in range(3, 20)
            if n not in SLOW_TO_LOCK_UP
        ),
    ],
)
def test_what_was_true_lies_near_over_seeds(
    tmp_path: Path, seed: int, vent_meter: bool
) -> None:
    run = led(tmp_path, seed=seed, vent_meter=vent_meter)
    for id in ("relief_opening", "relief_reseat"):
        holds_true(run, id)
        told = {n.id for n in found(run, id).evidence.notes}
        by = "vent_told_by_channel" if vent_meter else "vent_told_by_person"
        assert by in told
    assert judge(run).verdict is Verdict.PASS


@pytest.mark.slow
def test_a_slow_relief_without_blowdown_is_read_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    small = with_relief(relief_blowdown_pa=0.0, relief_m2=2e-8)
    monkeypatch.setattr(simulated, "FAMILIES", small)
    run = led(tmp_path)
    opening = found(run, "relief_opening")
    assert opening.measured is not None
    # the outlet creeps on above the first gas; the vent tells the moment
    off = opening.measured.value - true(run, "relief_opening")
    assert abs(off) < 3.0 * opening.measured.u
    assert opening.outcome is Outcome.PASS


# --- faults --------------------------------------------------------------------------


def test_a_relief_that_opens_too_early_fails_and_is_suspected(tmp_path: Path) -> None:
    judged = judge(led(tmp_path, "relief_low:0.5", seed=3))
    assert judged.verdict is Verdict.FAIL
    failed = {f.id for f in judged.findings if f.outcome is Outcome.FAIL}
    assert failed == {"relief_opening", "relief_reseat"}
    assert [s.fault_group for s in judged.suspects] == [("relief_low",)]


@pytest.mark.slow
def test_a_weeping_relief_is_no_discharge(tmp_path: Path) -> None:
    run = led(tmp_path, "relief_weeping", seed=4)
    holds_true(run, "relief_opening")


@pytest.mark.slow
@pytest.mark.parametrize("vent_meter", [True, False])
def test_a_relief_that_never_opens_is_no_pass(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, vent_meter: bool
) -> None:
    stiff = with_relief(relief_over_pa=20.0 * INCH_WATER_60F)
    monkeypatch.setattr(simulated, "FAMILIES", stiff)
    run = led(tmp_path, vent_meter=vent_meter)
    seen = [m.data["event"] for m in marked(run, "relief", MarkKind.SEEN)]
    assert "not_opened" in seen
    opening, reseat = found(run, "relief_opening"), found(run, "relief_reseat")
    assert opening.outcome is Outcome.FAIL, "raised beyond the limit, and still shut"
    assert "relief_not_opened" in reasons(opening)
    assert opening.p_conform is None
    assert reseat.outcome is Outcome.NOT_MEASURED
    assert "relief_not_opened_here" in reasons(reseat)
    assert judge(run).verdict is Verdict.FAIL
    assert ended(run)["lockup-2"] == "done"


@pytest.mark.parametrize(
    ("limit", "outcome"),
    [
        ('max = "235 % of set_pressure"', Outcome.FAIL),
        ('max = "242 % of set_pressure"', Outcome.INCONCLUSIVE),
        ('min = "170 % of set_pressure"', Outcome.INCONCLUSIVE),
        ('min = "250 % of set_pressure"', Outcome.INCONCLUSIVE),
    ],
)
def test_what_is_only_known_to_lie_above_decides_no_more_than_that(
    tmp_path_factory: pytest.TempPathFactory, limit: str, outcome: Outcome
) -> None:
    run = never_opened(tmp_path_factory)
    wide = TEXT.replace("17 in.", "17.9 in.").replace(
        'min = "170 % of set_pressure"\nmax = "235 % of set_pressure"', limit
    )
    plan = prepared_plan(parse_plan(wide, "p"), demo_job("service"))
    opening = next(f for f in judge(run, plan).findings if f.id == "relief_opening")
    assert opening.outcome is outcome
    assert "relief_not_opened" in reasons(opening)
    assert judge(run, plan).verdict is not Verdict.PASS


_NEVER: list[Run] = []


def never_opened(factory: pytest.TempPathFactory) -> Run:
    if not _NEVER:
        with pytest.MonkeyPatch.context() as patch:
            stiff = with_relief(relief_over_pa=20.0 * INCH_WATER_60F)
            patch.setattr(simulated, "FAMILIES", stiff)
            _NEVER.append(led(factory.mktemp("never")))
    return _NEVER[0]


@pytest.mark.slow
@pytest.mark.parametrize("vent_meter", [True, False])
def test_a_relief_that_never_shuts_again_is_no_pass(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, vent_meter: bool
) -> None:
    stuck = with_relief(relief_blowdown_pa=14.0 * INCH_WATER_60F, relief_m2=2e-7)
    monkeypatch.setattr(simulated, "FAMILIES", stuck)
    run = led(tmp_path, vent_meter=vent_meter)
    stood = [m for m in run.marks if m.kind is MarkKind.ABANDONED]
    assert not stood, "never stuck"
    reseat = found(run, "relief_reseat")
    assert reseat.outcome is Outcome.FAIL
    assert "relief_not_reseated" in reasons(reseat)
    assert judge(run).verdict is not Verdict.PASS


# --- none fitted ---------------------------------------------------------------------


def card(relief: str) -> JobCard:
    text = job_text("service").replace('relief = "internal"', f'relief = "{relief}"')
    return load_toml(text, JobCard, "job.toml", FORMAT)


@pytest.mark.slow
def test_none_fitted_is_skipped_with_that_reason_and_leaves_the_run_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(simulated, "demo_job", lambda family: card("none fitted"))
    run = led(tmp_path)
    assert ended(run)["relief"] == "no_relief_fitted"
    assert not marked(run, "relief", MarkKind.ASKED)
    judged = judge(run)
    assert judged.verdict is Verdict.PASS
    opening = found(run, "relief_opening")
    assert opening.outcome is Outcome.NOT_MEASURED
    assert not opening.required
    # and the plan's own text, judged by that card, says the same
    assert judge(run, parse_plan(TEXT, "p")).verdict is Verdict.PASS


def test_left_out_by_hand_where_one_is_fitted_leaves_the_run_incomplete(
    plain: Run,
) -> None:
    marks = tuple(m for m in plain.marks if m.step != "relief")
    skip = Mark(
        part=1,
        t_s=1.0,
        kind=MarkKind.STEP_SKIP,
        step="relief",
        data={"why": "no_relief_fitted"},
        by=BY,
    )
    assert judge(replace(plain, marks=(*marks, skip))).verdict is Verdict.INCOMPLETE


# --- ratings -------------------------------------------------------------------------


def test_the_outlet_s_rating_bounds_how_far_it_is_raised() -> None:
    plan = builtin_plan("service")[0]
    prepared_plan(plan, demo_job("service"))
    job = demo_job("service")

    def rated(text: str) -> JobCard:
        rating = None if not text else parse_quantity(text)
        plate = replace(job.regulator.nameplate, outlet_rating=rating)
        return replace(job, regulator=replace(job.regulator, nameplate=plate))

    # without a rating the most that it may be set to counts
    for text in ("16 in. w.c. gauge", ""):
        with pytest.raises(RefusedError, match="outlet_above_rating") as caught:
            prepared_plan(plan, rated(text))
        assert caught.value.facts["step"] == "relief"
    plate = replace(job.regulator.nameplate, outlet_rating=None, relief="none fitted")
    prepared_plan(plan, replace(job, regulator=replace(job.regulator, nameplate=plate)))


# --- what can go wrong ---------------------------------------------------------------


class _Careless(Hands):
    """Hands that open the limited source wide and forget it."""

    def _raise_outlet(self, _: float):  # type: ignore[no-untyped-def]
        yield from self._turn("fill", 1.0, 0.5)
        while True:
            yield


def test_an_outlet_raised_beyond_the_most_stops_the_test(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    high = with_relief(relief_over_pa=40.0 * INCH_WATER_60F)
    rig = replace(SERVICE.rig, fill_pa=30.0 * INCH_WATER_60F, fill=5e-10)
    family = replace(high["service"], rig=rig)  # type: ignore[type-var]
    monkeypatch.setattr(simulated, "FAMILIES", {**FAMILIES, "service": family})
    monkeypatch.setattr(simulated, "Hands", _Careless)
    run = led(tmp_path)
    steps = ended(run)
    assert steps["relief"] == "over_pressure"
    assert steps["lockup-2"] == "over_pressure"
    assert steps["closing-zero"] == "done"
    judged: Judgement = judge(run)
    opening = next(f for f in judged.findings if f.id == "relief_opening")
    assert opening.outcome is not Outcome.PASS
    assert judged.verdict not in (Verdict.PASS, Verdict.NO_LIMIT)


class _Early(Hands):
    """Hands that say at once that the vent discharges."""

    def _discharges(self, past: object, low: float, aim: float) -> bool:
        return self._read("outlet") > 1.3 * low


@pytest.mark.slow
def test_a_vent_that_shows_nothing_is_believed_more_than_a_person(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(simulated, "Hands", _Early)
    run = led(tmp_path)
    opening = found(run, "relief_opening")
    assert opening.outcome is Outcome.INCONCLUSIVE
    assert "vent_shows_nothing" in reasons(opening)


@dataclass(frozen=True)
class Prank:
    """So long after the relief step began: a valve is moved, or something is said."""

    after_s: float
    valve: str = ""
    to: float = 0.0
    lasting_s: float = 2.0
    said: Command | None = None


class _Meddled(simulated._Worker):
    """Hands that somebody meddles with."""

    pranks: Sequence[Prank]
    begun: list[float]

    def __init__(self, hands: Hands, move: object) -> None:
        super().__init__(hands, move)  # type: ignore[arg-type]
        self._left = list(self.pranks)
        self._back: tuple[float, str] | None = None

    def work(
        self, t_s: float, request: Request | None, seen: Mapping[str, float]
    ) -> Command | None:
        if self._back is not None and t_s >= self._back[0]:
            valve = self._back[1]
            self._move({valve: self._hands._at[valve]})
            self._back = None
        for prank in self._left if self.begun and self._back is None else ():
            if t_s < self.begun[0] + prank.after_s:
                continue
            self._left.remove(prank)
            if prank.said is not None:
                return prank.said
            self._move({prank.valve: prank.to})
            self._back = (t_s + prank.lasting_s, prank.valve)
            break
        return super().work(t_s, request, seen)


def meddled(folder: Path, pranks: Sequence[Prank], seed: int, vent_meter: bool) -> Run:
    begun: list[float] = []

    def listen(event: SessionEvent) -> None:
        if isinstance(event, Marked) and event.mark.kind is MarkKind.STEP_BEGIN:
            if event.mark.step == "relief":
                begun.append(event.mark.t_s)

    kind = type("Meddled", (_Meddled,), {"pranks": pranks, "begun": begun})
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(simulated, "_Worker", kind)
        return led(folder, seed=seed, vent_meter=vent_meter, tell=listen)  # type: ignore[no-any-return]


pranks = st.one_of(
    st.builds(
        lambda after, valve, long: Prank(after, valve[0], valve[1], long),
        st.floats(2.0, 110.0),
        st.sampled_from(
            [
                *(("bleed", 0.1), ("bleed", 1.0), ("vent_inlet", 0.1)),
                *(("inlet", 1.0), ("fill", 1.0), ("fill", 0.0)),
            ]
        ),
        st.floats(1.0, 8.0),
    ),
    st.builds(
        lambda after, said: Prank(after, said=said),
        st.floats(0.0, 110.0),
        st.sampled_from(
            [
                Skip("no time", BY),
                Repeat("hand slipped", BY),
                Repeat("too high", BY, "set"),
                Declare("adjusted", "cap knocked", BY),
                Declare("opened", "bonnet tapped", BY),
                Abandon("fire bell", BY),
                Acknowledge("relief.11", BY),
            ]
        ),
    ),
)


# The source is opened once more after the relief has shut.
AT_THE_HOLDS_END = [
    Prank(97.1210169620594, "fill", 1.0, 1.7869111937514421),
    Prank(81.61363615444525, "inlet", 1.0, 5.47297532771785),
]
IN_THE_HOLD = [Prank(96.5, "fill", 1.0, 6.0)]


@pytest.mark.slow
@settings(
    max_examples=8,
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
)
@given(
    played=st.lists(pranks, min_size=1, max_size=2),
    seed=st.integers(1, 50),
    vent_meter=st.booleans(),
)
@example(played=AT_THE_HOLDS_END, seed=29, vent_meter=False)
@example(played=IN_THE_HOLD, seed=29, vent_meter=False)
def test_a_relief_meddled_with_is_never_stuck_and_passes_by_no_accident(
    tmp_path_factory: pytest.TempPathFactory,
    played: list[Prank],
    seed: int,
    vent_meter: bool,
) -> None:
    run = meddled(tmp_path_factory.mktemp("meddled"), played, seed, vent_meter)
    stuck = [m for m in run.marks if m.kind is MarkKind.ABANDONED and m.by != BY]
    assert not stuck
    assert ended(run)["closing-zero"] in ("done", "abandoned")
    assert run.truth is not None
    truths = {f["id"]: f["value"] for f in run.truth["findings"]}
    for finding in judge(run).findings:
        if not finding.id.startswith("relief") or finding.measured is None:
            continue
        if finding.outcome not in (Outcome.PASS, Outcome.FAIL):
            continue
        if reasons(finding) & {"relief_not_opened", "relief_not_reseated"}:
            continue
        off = finding.measured.value - truths[finding.id]
        assert abs(off) < 4.0 * finding.measured.u, (finding.id, played)


class _WrongValve(Hands):
    """Hands that crack the downstream valve while the outlet is to be held."""

    def _shut_source(self, aim: float):  # type: ignore[no-untyped-def]
        yield from super()._shut_source(aim)
        self._spoil = getattr(self, "_spoil", 0) + 1

    def act(self, t_s, request, seen):  # type: ignore[no-untyped-def]
        if request is None and getattr(self, "_spoil", 0) == 1:
            self._since = getattr(self, "_since", t_s)
            if t_s > self._since + 5.5:
                self._spoil = 2
                self._put("bleed", 0.05)
        return super().act(t_s, request, seen)


@pytest.mark.slow
def test_a_hold_that_is_spoilt_is_built_up_again_from_the_lockup(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(simulated, "Hands", _WrongValve)
    run = led(
        tmp_path,
        text=TEXT.replace('hold = "8 s"\n\n[[steps.l', 'hold = "20 s"\n\n[[steps.l'),
    )
    again = [
        (m.step, m.data["why"]) for m in run.marks if m.kind is MarkKind.STEP_REPEAT
    ]
    assert again == [("lockup-1", "disturbed")]
    assert set(ended(run).values()) == {"done"}
    holds_true(run, "relief_opening")


def test_a_person_who_skips_in_the_middle_gets_the_inlet_back() -> None:
    plan = prepared_plan(parse_plan(TEXT, "p"), demo_job("service"))
    rig = parse_rig(rig_text("127.0.0.1", 502, 1.0, family=SERVICE), "rig")
    engine = Engine(plan, rig)
    from .test_engine import feed

    feed(engine, 0.0, 1.0)
    while engine.step is not None and engine.step.id != "lockup-1":
        engine.command(Skip("try", BY))
    engine.command(Skip("no lockup", BY))
    assert engine.step is not None
    # nothing was locked up, so the relief is not begun, and the inlet is asked for
    assert engine.step.id == "lockup-2"
    request = engine.request
    assert request is not None
    assert request.act == "set_inlet"
    engine.command(Acknowledge("old", BY))


# --- the hands without eyes ----------------------------------------------------------


@pytest.mark.slow
def test_hands_that_see_no_vent_go_by_the_outlet_that_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Blind(Hands):
        def __init__(self, *args: object, **more: object) -> None:
            more["vents"] = None
            super().__init__(*args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(simulated, "Hands", Blind)
    run = led(tmp_path, vent_meter=False)
    assert set(ended(run).values()) == {"done"}
    # they say so late, and nobody can know that they do
    opening = found(run, "relief_opening")
    assert opening.measured is not None
