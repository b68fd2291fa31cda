"""What a reviewer sees of a kept run and adds to it; a regulator's life; a glance."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from proofstand.approvals import with_approval
from proofstand.demo import approve_plan
from proofstand.keeping.acting import (
    Acted,
    Place,
    asks_pin,
    comment_on,
    concede_finding,
    countersign_kept,
    page_that_waits,
    reject_run,
)
from proofstand.keeping.checked import check_archive
from proofstand.keeping.glance import MOST_LINES, glance
from proofstand.keeping.home import home, index_of
from proofstand.keeping.keep import add
from proofstand.keeping.life import Happened, Life, life_of
from proofstand.keeping.made import keep_shift
from proofstand.keeping.reviewed import Reviewed, reviewed
from proofstand.keeping.shift_trend import rig_series
from proofstand.keeping.trend_told import chart_of
from proofstand.review.fits import Fits
from proofstand.shifts import keep_check, new_check
from proofstand.signoff import persons
from proofstand.signoff.heads import SigningKey
from proofstand.signoff.issue import issue
from proofstand.signoff.keys import load_key
from records.archive.chain import Archive
from records.archive.entry import REJECTION
from records.errors import InputError, IntegrityError, ProofstandError, RefusedError
from records.jobcard import Disposition, Intake, JobCard
from records.jobfile import job_text
from records.measure import Quantity, parse_quantity
from records.people import Act
from records.rebuild import Part, Rebuild
from records.run import Run
from records.shift import FoundStandard
from rig.rigfile import load_rig
from rig.simulator.rigtext import rig_text
from tests.kept_samples import WHO, KeptSamples, later, sample

from .shop import HAND, LEAD, PINS, SIGNER, TRAINER, knows, real, says
from .test_countersign import asks
from .test_shift import real as real_rig_text
from .test_shift import record_of

UNTIL = (date.today() + timedelta(days=100)).isoformat()


def told(kept: KeptSamples, part: str) -> Reviewed:
    """Return the run whose id holds a text, as a reviewer gets it."""
    with index_of(home(kept.folder)) as index:
        found = next(r for r in index.by_serial("sim-0001") if part in r.run)
        return reviewed(index, kept.archive, found)


def lived(kept: KeptSamples, model: str = "invented second stage") -> Life:
    with index_of(home(kept.folder)) as index:
        return life_of(index, kept.archive, "SIM-0001", model)


# --- a run ---------------------------------------------------------------------------


def test_a_kept_run_comes_with_what_was_judged_and_by_whom(
    kept_samples: KeptSamples,
) -> None:
    run = told(kept_samples, "pinhole")
    assert run.judgement.verdict.value == "fail"
    assert run.standing is not None
    assert run.standing.who == WHO
    assert run.same  # this program says what was kept
    assert run.papers == ()
    assert run.unread == ()


def test_what_is_not_as_it_was_kept_is_told_and_not_read(
    own_samples: KeptSamples,
) -> None:
    judged = next(own_samples.folder.glob("2026/*pinhole*/judgement-001.json"))
    judged.write_bytes(judged.read_bytes().replace(b'"fail"', b'"pass"'))
    run = told(own_samples, "pinhole")
    assert [trouble.id for trouble in run.unread] == ["archive_file_changed"]
    assert run.judgements == ()
    assert not run.same
    judged.unlink()
    run = told(own_samples, "pinhole")
    assert [trouble.id for trouble in run.unread] == ["archive_file_missing"]
    file = judged.with_name("run.h5")
    file.write_bytes(file.read_bytes()[:-1])
    with pytest.raises(IntegrityError) as changed:
        told(own_samples, "pinhole")
    assert changed.value.id == "archive_file_changed"


# --- what a finding was fitted to ----------------------------------------------------


def test_the_fit_of_a_leak_is_the_one_that_found_it(kept_samples: KeptSamples) -> None:
    run = told(kept_samples, "pinhole")
    fits = Fits(run.run, run.plan)
    leak = next(f for f in run.judgement.findings if f.id == "external_leak")
    fit = fits.of(leak)
    assert fit is not None
    assert fit.kind == "tail"
    assert leak.measured is not None
    # the slope of the last half of the data by another library, in std cm3/min
    late = fit.t_s > 0.5 * (fit.t_s[0] + fit.t_s[-1])
    slope = float(np.polyfit(fit.t_s[late], fit.value[late], 1)[0]) * 60.0
    found = leak.measured.value / 0.101325 * 60.0
    assert -slope == pytest.approx(found, rel=0.15)
    assert fit.residual == pytest.approx(fit.value - fit.line)
    assert abs(float(np.mean(fit.residual))) < 1e-6 * float(np.ptp(fit.value))


def test_the_samples_of_a_level_lie_about_it(kept_samples: KeptSamples) -> None:
    run = told(kept_samples, "low-pressure-1")
    fits = Fits(run.run, run.plan)
    level = next(f for f in run.judgement.findings if f.id == "set_pressure")
    fit = fits.of(level)
    assert fit is not None
    assert fit.kind == "mean"
    assert fit.unit == "in. w.c. gauge"
    window = level.evidence.window_s
    assert window is not None
    assert window[0] - 0.1 <= fit.t_s[0] < fit.t_s[-1] <= window[1] + 0.1
    assert abs(float(np.mean(fit.residual))) < 0.01
    moved = replace(level.evidence, window_s=(window[0] - 60.0, window[1] - 60.0))
    assert fits.of(replace(level, evidence=moved)) is None  # those show no such level
    difference = next(f for f in run.judgement.findings if f.id == "lockup_rise")
    assert fits.of(difference) is None


# --- a life --------------------------------------------------------------------------


def test_a_life_is_of_one_serial_and_model_newest_first(
    kept_samples: KeptSamples,
) -> None:
    life = lived(kept_samples)
    assert [(e.what, e.verdict) for e in life.events] == [
        (Happened.RETESTED, "fail"),
        (Happened.RETESTED, "fail"),
        (Happened.RETESTED, "fail"),
        (Happened.TESTED, "pass"),
    ]
    other = lived(kept_samples, "INVENTED CYLINDER REGULATOR, one stage")
    assert [e.what for e in other.events] == [Happened.TESTED]
    assert lived(kept_samples, "none").events == ()


def test_a_life_tells_what_the_card_says_and_how_the_job_ended(
    own_samples: KeptSamples, tmp_path: Path
) -> None:
    day = date(2026, 6, 1)

    def card(job: JobCard, **more: object) -> JobCard:
        parts = (
            Part(name="diaphragm", done="replaced"),
            Part(name="body", done="reused"),
        )
        return replace(
            job,
            id="J-9",
            intake=Intake(sender="Quay Gas (invented)", received=day, reason="creeps"),
            rebuild=Rebuild(kit="RK-1", lot="L-7", date=day, by=HAND, parts=parts),
            **more,  # type: ignore[arg-type]
        )

    def rebuilt(run: Run) -> Run:
        run = later(40)(run)
        header = replace(run.header, id="after", job=card(run.header.job))
        return replace(run, header=header)

    path = sample("second-stage-good", tmp_path / "a.h5", own_samples.key, rebuilt)
    add(own_samples.archive, [path], key=own_samples.signing, who=WHO)
    life = lived(own_samples)
    kinds = [event.what for event in life.events]
    assert kinds[0] is Happened.TESTED  # the first of its job
    assert kinds[-2:] == [Happened.REBUILT, Happened.RECEIVED]
    words = [event.words for event in life.events]
    assert "RK-1 L-7; diaphragm" in words
    assert "Quay Gas (invented), creeps" in words
    ended = Disposition(ending="returned to service", date=date(2026, 8, 1), by=LEAD)
    kept_later = tmp_path / "card.toml"
    job = told(own_samples, "after").run.header.job
    kept_later.write_text(job_text(replace(job, disposition=(ended,))), "utf-8")
    add(own_samples.archive, [kept_later], key=own_samples.signing, who=WHO)
    newest = lived(own_samples).events[0]
    assert (newest.what, newest.words) == (Happened.ENDED, "returned to service")


# --- a glance ------------------------------------------------------------------------


def test_a_glance_sees_what_is_missing_cut_or_foreign(own_samples: KeptSamples) -> None:
    archive = own_samples.archive
    assert glance(archive) == ()
    runs = sorted(archive.folder.glob("2026/*/run.h5"))
    runs[0].write_bytes(runs[0].read_bytes()[:100])
    runs[1].unlink()
    foreign = archive.folder / "2026" / "notes of mine.txt"
    foreign.write_text("none of ours")
    (archive.folder / ".incoming").mkdir(exist_ok=True)
    (archive.folder / ".incoming" / "half.part").write_bytes(b"half")
    found = glance(archive)
    assert found is not None
    assert {(trouble.id, trouble.where) for trouble in found} == {
        ("archive_file_changed", str(runs[0])),
        ("archive_file_missing", str(runs[1])),
        ("archive_file_unlisted", str(foreign)),
    }
    ids = [trouble.id for trouble in check_archive(archive).troubles]
    assert ids.count("archive_file_unlisted") == 1  # the whole check says the same


def test_a_glance_is_let_go_and_leaves_a_long_archive_alone(
    kept_samples: KeptSamples, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Enough(Exception):
        pass

    def enough() -> None:
        raise Enough

    with pytest.raises(Enough):
        glance(kept_samples.archive, enough)
    monkeypatch.setattr("proofstand.keeping.glance.MOST_LINES", 2)
    assert MOST_LINES > 2
    assert glance(kept_samples.archive) is None


# --- a rig, shift by shift -----------------------------------------------------------


@pytest.mark.usefixtures("shop")
def test_a_rig_s_leak_and_its_check_standard_are_charted_shift_by_shift(
    tmp_path: Path,
) -> None:
    def quantity(text: str) -> Quantity:
        return parse_quantity(text)

    path = tmp_path / "rig.toml"
    path.write_text(real_rig_text(rig_text("127.0.0.1", 502, 1.0, date(2026, 6, 1))))
    rig = load_rig(path)
    for day, found in enumerate((0.151, 0.149, 0.15)):
        standard = FoundStandard(
            id="RL-1",
            kind="reference leak",
            certificate="C-1",
            finding="reference_leak",
            stated=quantity("0.15 std cm3/min"),
            u_stated=quantity("0.001 std cm3/min"),
            limit=quantity("0.01 std cm3/min"),
            found=quantity(f"{found} std cm3/min"),
            u_found=quantity("0.002 std cm3/min"),
            low=quantity("0.146 std cm3/min"),
            high=quantity("0.156 std cm3/min"),
            apart=0.1,
            outcome="pass",
        )
        folder = new_check(rig.id, "station-1", (day + 1) * 10**18)
        at = 1_780_000_000 * 10**9 + day * 86_400 * 10**9
        record = replace(record_of(rig), id=folder.name, utc_ns=at, standard=standard)
        assert keep_shift(folder, keep_check(folder, record), path) is None
    where = home()
    with index_of(where) as index:
        rigs = rig_series(index, where.archive)
        assert rigs.unread == ()
        leak, checked = rigs.series
        assert len(leak.points) == len(checked.points) == 3
        assert leak.label == "Rig leak"
        assert checked.unit_shown == "std cm3/min"
        values = [point.value / 0.101325 * 60.0 for point in checked.points]
        assert values == pytest.approx([0.151, 0.149, 0.15])
        limits = checked.points[0].least, checked.points[0].most
        shown = [(each or 0.0) / 0.101325 * 60.0 for each in limits]
        assert shown == pytest.approx([0.14, 0.16])
        assert chart_of(checked, "svg").startswith(b"<?xml")
        kept = next(where.archive.folder.glob("shop/shift/*/shift-*.toml"))
        kept.chmod(0o644)
        kept.write_bytes(kept.read_bytes() + b" ")
        rigs = rig_series(index, where.archive)
    assert rigs.unread == (str(kept),)
    assert len(rigs.series[0].points) == 2


# --- what is added -------------------------------------------------------------------


@pytest.fixture
def shop_run(shop: Path, bench_key: Path, tmp_path: Path) -> Callable[..., Path]:
    """Return a function that keeps a run of a real rig in the shop's own archive."""

    def kept(name: str, id: str) -> Path:
        def changed(run: Run) -> Run:
            run = real(run)
            return replace(run, header=replace(run.header, id=id), truth=None)

        path = sample(name, tmp_path / f"{id}.h5", bench_key, changed)
        archive = home().archive
        add(archive, [path], key=SigningKey(load_key(bench_key)), who=SIGNER)
        return archive.folder / "2026" / id / "run.h5"

    return kept


def kinds_of(run: Path) -> list[str]:
    return [
        entry.kind
        for entry in home().archive.entries()
        if run.parent.name in entry.path
    ]


def test_a_remark_takes_a_name_that_counts(shop_run: Callable[..., Path]) -> None:
    run = shop_run("second-stage-good", "r-1")
    assert asks_pin(simulated=False)
    place = Place()
    for name, pin, id in (
        (HAND, "wrong-77", "pin_wrong"),
        (TRAINER, PINS[TRAINER], "role_wanted"),
        ("Nobody (invented)", "x", "person_unknown"),
        ("", "x", "person_wanted"),
    ):
        with pytest.raises(RefusedError) as refused:
            comment_on(place, run, "a remark", by=name, ask=says(pin))
        assert refused.value.id == id
    assert "note" not in kinds_of(run)
    done = comment_on(place, run, "The disc is kept.", by=HAND, ask=knows)
    assert (done.by.name, done.by.role) == (HAND, "technician")
    assert kinds_of(run).count("note") == 1
    (event,) = persons.done(Act.COMMENT)
    assert event.by == HAND
    with pytest.raises(InputError):
        comment_on(place, run, "  ", by=HAND, ask=knows)


def test_a_rejection_is_kept_and_refused_to_who_may_not(
    shop_run: Callable[..., Path],
) -> None:
    run = shop_run("second-stage-good", "r-2")
    with pytest.raises(RefusedError) as refused:
        reject_run(Place(), run, "dropped", by=HAND, ask=knows)
    assert refused.value.id == "role_wanted"
    done = reject_run(Place(), run, "It was dropped.", by=LEAD, ask=knows)
    assert done.left is None
    assert kinds_of(run).count(REJECTION) == 1


def test_a_concession_keeps_to_its_rules(shop_run: Callable[..., Path]) -> None:
    run = shop_run("second-stage-stem-sticks", "r-3")

    def conceded(finding: str, **more: str) -> Acted:
        facts = {"why": "spare", "agreed_by": "K. Ruiz (invented)", "until": UNTIL}
        return concede_finding(
            Place(), run, finding, by=LEAD, ask=knows, **{**facts, **more}
        )

    for finding, more, id in (
        ("lockup-1/lockup_rise", {"agreed_by": LEAD}, "concession_agreed_alone"),
        ("lockup-1/lockup_rise", {"until": "2020-01-01"}, "value_wrong"),
    ):
        with pytest.raises(ProofstandError) as refused:
            conceded(finding, **more)
        assert refused.value.id == id
    assert "concession" not in kinds_of(run)
    assert conceded("lockup-1/lockup_rise").what == "concession"
    assert kinds_of(run).count("concession") == 1


def test_what_can_t_be_kept_lies_where_it_is_said(
    shop_run: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    run = shop_run("second-stage-good", "r-4")

    def busy(*_: object, **__: object) -> None:
        raise InputError("archive_busy", where="there")

    monkeypatch.setattr("proofstand.keeping.made.put_items", busy)
    done = reject_run(Place(), run, "It was dropped.", by=LEAD, ask=knows)
    assert done.left is not None
    assert done.left.is_file()
    assert done.why is not None
    monkeypatch.undo()


def test_a_page_that_waits_is_countersigned_beside_itself(
    own_samples: KeptSamples, tmp_path: Path
) -> None:
    def asked(run: Run) -> Run:
        approval = approve_plan(tmp_path / "approvals", 1)
        header = run.header
        plan = with_approval(header.plan, approval, header.plan_sha256)
        header = replace(header, id="waits", plan=plan, approval=approval)
        return asks(replace(run, header=header))

    run = sample("second-stage-good", tmp_path / "w.h5", own_samples.key, asked)
    page = tmp_path / "page.pdf"
    issue(run, page, by=SIGNER, key_folder=own_samples.key)
    add(own_samples.archive, [run, page], key=own_samples.signing, who=SIGNER)

    def waiting() -> Path | None:
        with index_of(home(own_samples.folder)) as index:
            return page_that_waits(own_samples.archive, index.entries(run="waits"))

    found = waiting()
    assert found is not None
    before = found.read_bytes()
    place = Place(folder=own_samples.folder, key=own_samples.key)
    with pytest.raises(RefusedError) as refused:
        countersign_kept(place, found, by=SIGNER, ask=persons.no_pin)
    assert refused.value.id == "countersign_same_person"
    done = countersign_kept(place, found, by=LEAD, ask=persons.no_pin)
    assert done.left is None
    assert found.read_bytes() == before
    assert len(list(found.parent.glob("*-countersigned.pdf"))) == 1
    assert waiting() is None


def test_no_page_waits_where_none_was_made(kept_samples: KeptSamples) -> None:
    with index_of(home(kept_samples.folder)) as index:
        run = index.by_serial("SIM-0001")[0].run
        entries = index.entries(run=run)
    assert page_that_waits(kept_samples.archive, entries) is None


def test_a_demonstration_s_notes_are_kept_where_its_archive_is_named(
    own_samples: KeptSamples,
) -> None:
    assert not asks_pin(simulated=True)
    run = next(own_samples.folder.glob("2026/*pinhole*/run.h5"))
    place = Place(folder=own_samples.folder, key=own_samples.key)
    done = reject_run(place, run, "a trial", by=LEAD, ask=persons.no_pin)
    assert done.left is None
    archive = Archive(own_samples.folder)
    assert sum(entry.kind == REJECTION for entry in archive.entries()) == 1
