"""Concessions, rejections, a second person: what they allow, and what they never do."""

from __future__ import annotations

import json
import random
import re
import subprocess
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any, NoReturn

import jsonschema
import pytest

from proofstand.approvals import approve
from proofstand.commands.main import main
from proofstand.demo import approve_plan
from proofstand.places import approvals_dir
from proofstand.signoff import concession, persons
from proofstand.signoff.certificate import Title
from proofstand.signoff.concession import concede
from proofstand.signoff.issue import issue
from proofstand.signoff.keys import load_key, make_key
from proofstand.signoff.notes import REJECTION, common, read_note, signed
from proofstand.signoff.rejection import reject
from proofstand.signoff.second_person import confirm
from proofstand.signoff.verify import belongs, verify
from records.approval import open_limits
from records.errors import InputError, IntegrityError, RefusedError
from records.judgement import FINDINGS, Verdict
from records.people import Act, Signatory
from records.planfile import builtin_plan, parse_plan
from records.run import Run
from records.runfile import open_run

from .conftest import SealedRun
from .shop import HAND, LEAD, PINS, SECOND, SIGNER, TRAINER, Clock, knows, real

ROOT = Path(__file__).parents[2]
Lacks = Callable[[str], NoReturn]
NOTE = {
    "why": "an older model; the customer's limit is wider",
    "agreed_by": "K. Ruiz (invented), customer",
    "until": (date.today() + timedelta(days=200)).isoformat(),
}


def schema(name: str) -> dict[str, Any]:
    told: dict[str, Any] = json.loads(
        (ROOT / "docs" / "schemas" / f"{name}.json").read_text("utf-8")
    )
    return told


@pytest.fixture(scope="module")
def failed(sealed_run: SealedRun, demo_key: Path) -> tuple[Path, str]:
    """Return a run that fails, and a finding of it that can be conceded."""
    from analysis.judge import judge

    run = sealed_run("stem_friction")
    judged = judge(open_run(run))
    assert judged.verdict is Verdict.FAIL
    found = [
        f"{f.step}/{f.id}"
        for f in judged.findings
        if f.outcome in concession.FAILED and f.id in ("lockup_rise", "set_pressure")
    ]
    return run, found[0]


def granted(run: Path, finding: str, out: Path, key: Path, **more: Any) -> Path:
    concede(run, out, finding=finding, by=LEAD, key_folder=key, **{**NOTE, **more})
    return out


# --- concessions ---------------------------------------------------------------------


def test_a_concession_never_makes_a_pass(
    failed: tuple[Path, str], demo_key: Path, tmp_path: Path, lacks: Lacks
) -> None:
    run, finding = failed
    note = granted(run, finding, tmp_path / "c.json", demo_key)
    told = json.loads(note.read_text("utf-8"))
    jsonschema.validate(told, schema("concession-1"))
    assert told["run"]["sha256"] == open_run(run).sha256
    page = tmp_path / "page.pdf"
    made = issue(run, page, by=SIGNER, key_folder=demo_key, concessions=[note])
    assert made.certificate.title is Title.TEST_REPORT
    assert made.certificate.verdict is Verdict.FAIL
    found = verify(page, demo_key)
    assert found.paper is not None
    assert [n.what for n in found.paper.notes] == ["concession"]
    assert found.paper.verdict == "fail"
    try:
        done = subprocess.run(
            ["pdftotext", str(page), "-"], capture_output=True, text=True, check=True
        )
    except FileNotFoundError:
        lacks("pdftotext")
    text = " ".join(done.stdout.split())
    assert "fail, accepted by concession" in text
    assert "and still a fail" in text
    for said in (LEAD, *NOTE.values()):
        assert said in text, said
    inside = tmp_path / "certificate.json"
    detach = ["pdfdetach", "-savefile", inside.name, "-o", str(inside), str(page)]
    subprocess.run(detach, check=True)
    facts = json.loads(inside.read_text("utf-8"))
    jsonschema.validate(facts, schema("certificate-1"))


def test_what_can_be_conceded_is_a_closed_list() -> None:
    never = concession._LEAKS | concession._RELIEF | concession._RIG
    assert never <= set(FINDINGS)
    assert set(FINDINGS) - never == {
        *("set_pressure", "lockup_pressure", "lockup_highest", "lockup_rise", "droop"),
        *("supply_pressure_effect", "hysteresis", "repeatability", "settling_time"),
        *("closure_coefficient", "irregularity_coefficient", "accuracy_class"),
        *("lockup_class", "hunting_amplitude", "hunting_frequency", "heard"),
        *("gauge_error_inlet", "gauge_error_outlet", "gauge_zero"),
    }


@pytest.mark.parametrize(
    ("faults", "finding"),
    [
        ("seat_nicked", "creep-hold/seat_leak"),
        ("seat_nicked", "creep-hold/lockup_highest"),
        ("diaphragm_torn", "body-hold/external_leak"),
    ],
)
def test_leaks_and_creep_are_never_accepted(
    sealed_run: SealedRun, demo_key: Path, tmp_path: Path, faults: str, finding: str
) -> None:
    run = sealed_run(faults)
    with pytest.raises(RefusedError) as refused:
        granted(run, finding, tmp_path / "c.json", demo_key)
    assert refused.value.id in ("concession_impossible", "finding_not_failed")
    if faults == "seat_nicked" and finding.endswith("seat_leak"):
        assert refused.value.id == "concession_impossible"
    assert refused.value.exit_code == 6
    assert not (tmp_path / "c.json").exists()


def test_nothing_of_an_oxygen_regulator_is_accepted(
    sealed_run: SealedRun, failed: tuple[Path, str], demo_key: Path, tmp_path: Path
) -> None:
    def for_oxygen(run: Run) -> Run:
        job = run.header.job
        regulator = replace(job.regulator, gas="Oxygen")
        job = replace(job, regulator=regulator)
        return replace(run, header=replace(run.header, job=job))

    run = sealed_run("stem_friction", change=for_oxygen)
    with pytest.raises(RefusedError, match="concession_impossible"):
        granted(run, failed[1], tmp_path / "c.json", demo_key)


@pytest.mark.parametrize(
    ("more", "id"),
    [
        ({"why": "  "}, "value_wrong"),
        ({"why": "x" * 401}, "value_wrong"),
        ({"agreed_by": ""}, "value_wrong"),
        ({"until": "tomorrow"}, "value_wrong"),
        ({"until": "2001-01-01"}, "value_wrong"),
        ({"until": "2999-03-31"}, "value_wrong"),
        ({"agreed_by": f"  {LEAD.upper()}"}, "concession_agreed_alone"),
        ({"finding": "nowhere/droop"}, "finding_unknown"),
        ({"finding": "zero/zero_offset"}, "finding_not_failed"),
        ({"by": " "}, "person_wanted"),
    ],
)
def test_what_a_concession_has_to_say(
    failed: tuple[Path, str], demo_key: Path, tmp_path: Path, more: Any, id: str
) -> None:
    run, finding = failed
    given = {"finding": finding, "by": LEAD, **NOTE, **more}
    with pytest.raises((InputError, RefusedError)) as refused:
        concede(run, tmp_path / "c.json", key_folder=demo_key, **given)
    assert refused.value.id == id
    assert not (tmp_path / "c.json").exists()


def test_a_concession_is_of_one_run_one_key_and_one_time(
    failed: tuple[Path, str],
    sealed_run: SealedRun,
    demo_key: Path,
    tmp_path: Path,
    clock: Clock,
) -> None:
    run, finding = failed
    note = granted(run, finding, tmp_path / "c.json", demo_key)
    other = sealed_run("stem_friction", change=lambda r: replace(r, marks=r.marks[:-1]))
    with pytest.raises(IntegrityError, match="note_of_another_run"):
        issue(other, tmp_path / "x.pdf", key_folder=demo_key, concessions=[note])
    clock.wait(20 * 365.25 * 86_400)
    with pytest.raises(RefusedError, match="concession_ended"):
        issue(
            run,
            tmp_path / "x.pdf",
            key_folder=demo_key,
            concessions=[note],
            utc_ns=clock,
        )
    make_key(tmp_path / "key", "Other", demo=True)
    forged = json.loads(note.read_text("utf-8"))
    facts = {
        k: v for k, v in forged.items() if k not in ("key", "certificate", "signature")
    }
    (tmp_path / "f.json").write_bytes(signed(facts, load_key(tmp_path / "key")).data)
    with pytest.raises(IntegrityError, match="note_signature_wrong"):
        issue(
            run,
            tmp_path / "x.pdf",
            key_folder=demo_key,
            concessions=[tmp_path / "f.json"],
        )
    facts["finding"] = {**facts["finding"], "step": "set"}
    (tmp_path / "g.json").write_bytes(signed(facts, load_key(demo_key)).data)
    with pytest.raises(RefusedError, match="concession_of_another"):
        issue(
            run,
            tmp_path / "x.pdf",
            key_folder=demo_key,
            concessions=[tmp_path / "g.json"],
        )
    with pytest.raises(InputError, match="file_not_ours"):
        issue(run, tmp_path / "x.pdf", key_folder=demo_key, concessions=[run])
    assert not (tmp_path / "x.pdf").exists()


def test_verify_finds_every_changed_byte_of_a_note(
    failed: tuple[Path, str], demo_key: Path, tmp_path: Path
) -> None:
    run, finding = failed
    note = granted(run, finding, tmp_path / "c.json", demo_key)
    assert verify(note, demo_key).signature == "fits"
    assert belongs([verify(note), verify(run)]) == {note: run}
    data = note.read_bytes()
    rng = random.Random(3)
    for at in [0, 1, 3, 14, 16, len(data) - 1, len(data) - 4] + [
        rng.randrange(len(data)) for _ in range(120)
    ]:
        changed = bytearray(data)
        changed[at] ^= 1 << rng.randrange(7)
        note.write_bytes(changed)
        with pytest.raises(IntegrityError, match="note_changed"):
            verify(note)
    upper = re.sub(
        rb'"signature": "([0-9a-f]+)"',
        lambda m: b'"signature": "' + m[1].upper() + b'"',
        data,
    )
    for now in (
        upper,
        data + b"\n",
        data[:-30],
        data.replace(b'\n "why"', b'\n  "why"'),
    ):
        note.write_bytes(now)
        with pytest.raises(IntegrityError, match="note_changed"):
            verify(note)
    note.write_bytes(data)
    make_key(tmp_path / "key", "Other", demo=True)
    with pytest.raises(IntegrityError, match="signature_wrong"):
        verify(note, tmp_path / "key")


def test_a_note_and_another_run_do_not_belong(
    failed: tuple[Path, str], sealed_run: SealedRun, demo_key: Path, tmp_path: Path
) -> None:
    run, finding = failed
    note = granted(run, finding, tmp_path / "c.json", demo_key)
    other = sealed_run("stem_friction", change=lambda r: replace(r, marks=r.marks[:-1]))
    with pytest.raises(IntegrityError, match="note_of_another_run"):
        belongs([verify(note), verify(other)])


@pytest.mark.parametrize(
    "name", ["山田 (invented)", 'O"Neil \\ Sons', "محمد (invented)"]
)
def test_notes_hold_any_script(
    failed: tuple[Path, str], demo_key: Path, name: str
) -> None:
    run = open_run(failed[0])
    facts = common(REJECTION, run, Signatory(name=name), f"{name} said so", "x")
    note = signed(facts, load_key(demo_key))
    assert read_note(note.data, "").by == name


# --- roles, at the commands ----------------------------------------------------------


@pytest.fixture
def pin(tmp_path: Path) -> Callable[[str], Path]:
    def of(name: str) -> Path:
        path = tmp_path / f"pin-{list(PINS).index(name)}"
        path.write_text(PINS[name] + "\n", encoding="utf-8")
        return path

    return of


@pytest.mark.usefixtures("shop")
def test_a_wrong_role_is_refused_by_every_command(
    sealed_run: SealedRun,
    bench_key: Path,
    tmp_path: Path,
    pin: Callable[[str], Path],
    capsys: pytest.CaptureFixture[str],
) -> None:
    run = sealed_run("stem_friction", key=bench_key, change=real)
    out = str(tmp_path / "out")
    note = ["--why", "because", "--out", out]
    finding = ["--finding", "lockup-1/lockup_rise", "--agreed-by", "K", "--until"]
    for name, command in (
        (HAND, ["certify", str(run), "--out", out]),
        (TRAINER, ["certify", str(run), "--out", out]),
        (HAND, ["records", "reject", str(run), *note]),
        (SIGNER, ["records", "concede", str(run), *note, *finding, NOTE["until"]]),
        (SIGNER, ["plan", "approve", "line"]),
        (SIGNER, ["keys", "make", "--owner", "X", "--replace", "--why", "y"]),
        (SIGNER, ["people", "retire", HAND, "--why", "x"]),
    ):
        given = [*command, "--by", name, "--pin-from", str(pin(name)), "--json"]
        code = main(given)
        told = json.loads(capsys.readouterr().out)
        if told["id"] == "finding_not_failed":
            continue
        assert (code, told["id"]) == (6, "role_wanted"), command
        assert name in told["what"]
        assert not Path(out).exists()


@pytest.mark.usefixtures("shop")
def test_a_page_says_who_issued_it_and_how_that_was_shown(
    sealed_run: SealedRun, bench_key: Path, tmp_path: Path, clock: Clock
) -> None:
    run = sealed_run(key=bench_key, change=real)
    with pytest.raises(RefusedError, match="person_wanted"):
        issue(run, tmp_path / "x.pdf", ask=knows)
    with pytest.raises(RefusedError, match="pin_wanted"):
        issue(run, tmp_path / "x.pdf", by=SIGNER)
    made = issue(run, tmp_path / "c.pdf", by=SIGNER.upper(), ask=knows)
    found = verify(tmp_path / "c.pdf", bench_key)
    assert found.paper is not None
    assert found.paper.issuer == {
        "name": SIGNER,
        "role": "signatory",
        "proof": "PIN",
        "roll": made.certificate.issuer.roll,
    }
    (event,) = persons.done(Act.CERTIFY, run=made.certificate.run_sha256)
    assert event.facts["number"] == made.certificate.number
    assert event.facts["verdict"] == "pass"


def test_without_a_list_names_go_on_to_count_as_typed(
    sealed_run: SealedRun, demo_key: Path, tmp_path: Path
) -> None:
    made = issue(sealed_run(), tmp_path / "c.pdf", by=SIGNER, key_folder=demo_key)
    assert made.certificate.issuer == Signatory(name=SIGNER)
    found = verify(tmp_path / "c.pdf", demo_key)
    assert found.paper is not None
    assert found.paper.issuer is not None
    assert found.paper.issuer["proof"] == "typed"


@pytest.mark.usefixtures("shop")
def test_an_approval_past_the_record_counts_for_no_page(
    sealed_run: SealedRun, bench_key: Path, tmp_path: Path, clock: Clock
) -> None:
    later = clock.now_ns + 10**12

    def slipped_in(run: Run) -> Run:
        run = real(run)
        assert run.header.approval is not None
        approval = replace(run.header.approval, utc_ns=later)
        return replace(run, header=replace(run.header, approval=approval))

    run = sealed_run(key=bench_key, change=slipped_in)
    with pytest.raises(RefusedError, match="approval_not_on_record"):
        issue(run, tmp_path / "c.pdf", by=SIGNER, ask=knows)


@pytest.mark.usefixtures("shop")
def test_a_plan_is_approved_with_role_and_pin(
    pin: Callable[[str], Path],
    capsys: pytest.CaptureFixture[str],
    sealed_run: SealedRun,
    bench_key: Path,
    tmp_path: Path,
) -> None:
    plan, _ = builtin_plan("low-pressure")
    accept = [f"--accept={limit}=ours" for limit in open_limits(plan)]
    given = ["plan", "approve", "low-pressure", "--by", LEAD, *accept, "--json"]
    assert main(given) == 6  # no PIN, and nobody to ask
    assert json.loads(capsys.readouterr().out)["id"] == "pin_wanted"
    assert main([*given, "--pin-from", str(pin(LEAD))]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["role"], told["proof"], told["by"]) == ("quality-lead", "PIN", LEAD)
    assert len(persons.done(Act.APPROVE_PLAN, plan="low-pressure")) == 1
    run = sealed_run(key=bench_key, approved=False, change=real)
    made = issue(run, tmp_path / "c.pdf", by=SIGNER, ask=knows)
    assert made.certificate.title is Title.CERTIFICATE
    assert re.fullmatch(r"[0-9a-f]{64}", made.certificate.plan_sha256)


# --- rejections ----------------------------------------------------------------------


@pytest.mark.usefixtures("shop")
def test_no_page_is_made_of_a_rejected_run(
    sealed_run: SealedRun, bench_key: Path, tmp_path: Path
) -> None:
    run = sealed_run(key=bench_key, change=real)
    note = reject(
        run, tmp_path / "r.json", why="the wrong regulator", by=SIGNER, ask=knows
    )
    jsonschema.validate(dict(note.facts), schema("rejection-1"))
    assert verify(tmp_path / "r.json", bench_key).what == "rejection"
    with pytest.raises(RefusedError, match="run_rejected") as refused:
        issue(run, tmp_path / "c.pdf", by=LEAD, ask=knows)
    assert refused.value.facts["why"] == "the wrong regulator"
    assert not (tmp_path / "c.pdf").exists()


@pytest.mark.usefixtures("shop")
def test_a_rejected_run_s_regulator_is_not_tagged_serviceable(
    sealed_run: SealedRun,
    bench_key: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    run = sealed_run(key=bench_key, change=real)
    made = issue(run, tmp_path / "c.pdf", by=SIGNER, ask=knows)
    words = ["print", "tag", str(run), "--certificate", str(made.path), "--out"]
    assert main([*words, str(tmp_path / "t1.pdf"), "--state", "serviceable"]) == 0
    reject(run, tmp_path / "r.json", why="the wrong regulator", by=SIGNER, ask=knows)
    capsys.readouterr()
    assert main([*words, str(tmp_path / "t2.pdf"), "--state", "serviceable"]) == 6
    assert "rejected" in capsys.readouterr().err
    assert main([*words, str(tmp_path / "t3.pdf")]) == 0
    assert "hold" in capsys.readouterr().out


# --- a second person -----------------------------------------------------------------


def wider_plan(folder: Path) -> tuple[Path, str]:
    """Return a later version of the plan, with limits that the run keeps."""
    text = builtin_plan("low-pressure")[1].replace("version = 1", "version = 2", 1)
    text = re.sub(
        r'max = "\d+ % of set_pressure"', 'max = "60 % of set_pressure"', text
    )
    text = re.sub(
        r'"12\.65 in\. w\.c\. gauge"\nsource', r'"19 in. w.c. gauge"\nsource', text
    )
    path = folder / "wider.toml"
    path.write_text(text, encoding="utf-8")
    return path, text


@pytest.fixture
def turned(
    sealed_run: SealedRun, bench_key: Path, tmp_path: Path, shop: Path, clock: Clock
) -> tuple[Path, Path]:
    """Return a run that fails, and an approved plan version by which it passes."""
    from analysis.judge import judge

    approve_plan(approvals_dir(), 1)
    run = sealed_run(TURNED, key=bench_key, change=real)
    path, text = wider_plan(tmp_path)
    plan = parse_plan(text, str(path))
    accept = dict.fromkeys(open_limits(plan), "ours")
    approve(plan, text, by=LEAD, accept=accept, utc_ns=2)
    opened = open_run(run)
    assert judge(opened).verdict is Verdict.FAIL
    assert judge(opened, plan).verdict is Verdict.PASS
    return run, path


TURNED = "stem_friction"


def test_a_fail_that_became_a_pass_takes_a_second_person(
    turned: tuple[Path, Path], tmp_path: Path, bench_key: Path, lacks: Lacks
) -> None:
    run, plan = turned
    page = tmp_path / "c.pdf"
    by_plan: dict[str, Any] = {"plan_name": str(plan), "by": SIGNER, "ask": knows}
    with pytest.raises(RefusedError, match="second_person_wanted") as refused:
        issue(run, page, **by_plan)
    assert refused.value.exit_code == 6
    mine, theirs = tmp_path / "mine.json", tmp_path / "theirs.json"
    confirming: dict[str, Any] = {
        "plan_name": str(plan),
        "why": "the order allows it",
        "ask": knows,
    }
    # who approved the version that makes it a pass is no second person
    with pytest.raises(RefusedError, match="second_person_approved"):
        confirm(run, mine, by=LEAD, **confirming)
    note = confirm(run, theirs, by=SECOND, **confirming)
    jsonschema.validate(dict(note.facts), schema("confirmation-1"))
    # who confirmed it can't be who issues it
    with pytest.raises(RefusedError, match="second_person_wanted"):
        issue(run, page, confirmation=theirs, **{**by_plan, "by": SECOND})
    made = issue(run, page, confirmation=theirs, **by_plan)
    assert made.certificate.title is Title.CERTIFICATE
    assert made.certificate.plan_version == 2
    found = verify(page, bench_key)
    assert found.paper is not None
    assert [n.what for n in found.paper.notes] == ["confirmation"]
    try:
        said = subprocess.run(
            ["pdftotext", str(page), "-"], capture_output=True, text=True, check=True
        ).stdout
    except FileNotFoundError:
        lacks("pdftotext")
    text = " ".join(said.split())
    assert "Judged by version 2 of the plan; tested by version 1 of it." in text
    assert "Judged again by version 2 of the plan; by version 1 it failed." in text
    assert SECOND in text
    with pytest.raises(RefusedError, match="role_wanted"):
        confirm(run, mine, by=SIGNER, **confirming)


def test_who_made_the_first_is_not_the_second(
    turned: tuple[Path, Path], tmp_path: Path, sealed_run: SealedRun, bench_key: Path
) -> None:
    run, plan = turned
    issue(run, tmp_path / "fail.pdf", by=LEAD, ask=knows)  # the page of the fail
    out = tmp_path / "c.json"
    confirming: dict[str, Any] = {"plan_name": str(plan), "why": "x", "ask": knows}
    with pytest.raises(RefusedError, match="second_person_same"):
        confirm(run, out, by=LEAD, **confirming)
    confirm(run, out, by=SECOND, **confirming)

    def by_the_second(made: Run) -> Run:
        made = real(made)
        return replace(made, header=replace(made.header, by=SECOND))

    own = sealed_run(TURNED, key=bench_key, change=by_the_second)
    with pytest.raises(RefusedError, match="second_person_same"):
        confirm(own, tmp_path / "d.json", by=SECOND, **confirming)


def test_a_page_on_record_that_failed_counts_too(
    sealed_run: SealedRun,
    bench_key: Path,
    tmp_path: Path,
    shop: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # as when an earlier analysis found otherwise
    run = sealed_run(key=bench_key, change=real)
    sha256 = open_run(run).sha256
    persons.did(
        persons.prove(LEAD, Act.CERTIFY, knows),
        Act.CERTIFY,
        run=sha256,
        verdict="fail",
        plan="low-pressure",
        version="1",
        plan_sha256="0" * 64,
        number="x",
        title="test report",
    )
    page, note = tmp_path / "c.pdf", tmp_path / "c.json"
    with pytest.raises(RefusedError, match="second_person_wanted"):
        issue(run, page, by=SIGNER, ask=knows)
    confirm(run, note, plan_name="", why="a bend was fixed", by=SECOND, ask=knows)
    made = issue(run, page, by=SIGNER, ask=knows, confirmation=note)
    assert made.certificate.title is Title.CERTIFICATE


def test_where_nothing_turned_nothing_is_confirmed(
    sealed_run: SealedRun, demo_key: Path, tmp_path: Path
) -> None:
    with pytest.raises(RefusedError, match="nothing_to_confirm"):
        confirm(
            sealed_run(),
            tmp_path / "c.json",
            plan_name="",
            why="x",
            by=LEAD,
            key_folder=demo_key,
        )
    with pytest.raises(InputError, match="plan_not_a_version"):
        issue(sealed_run(), tmp_path / "c.pdf", key_folder=demo_key, plan_name="line")
