"""What the shop makes is in its archive from then on, by itself."""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

import jsonschema
import pytest

from proofstand.keeping.checked import Checked, check_archive
from proofstand.keeping.made import keep_note, keep_notice
from proofstand.places import archive_dir, settings_file
from proofstand.shifts import keep_check, new_check
from proofstand.signoff.issue import issue
from proofstand.signoff.keys import PUBLIC_NAME, shop_folder
from proofstand.signoff.notes import REJECTION, load_note
from proofstand.start_of_shift import check_shift
from records import runfile
from records.archive.chain import Archive
from records.archive.entry import Entry
from records.planfile import builtin_plan
from records.rebuild import Part, Rebuild
from records.run import Run
from records.runfile import read_sealed
from rig.simulator.rigtext import rig_text

from .conftest import SealedRun
from .shop import HAND, LEAD, PINS, SECOND, SIGNER, real
from .shops import Call, call
from .test_calibrate import POINTS, REFERENCE, RIG
from .test_countersign import asked_for_real

__all__ = ["call"]

IN_KPA = """format = "proofstand.calibration-points/1"
channel = "inlet"
date = 2026-11-20
unit = "kPa gauge"

[[runs]]
direction = "up"
applied = [0, 50, 100, 150]
reading = [0.01, 50.02, 100.01, 150.02]

[[runs]]
direction = "down"
applied = [150, 100, 50, 0]
reading = [150.02, 100.03, 50.01, 0.02]
"""
SCHEMAS = Path(__file__).parents[2] / "docs" / "schemas"
ACCEPT = "set by the maker's sheet (invented)"


@pytest.fixture(autouse=True)
def nobody_types(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))


@pytest.fixture
def pin(tmp_path: Path) -> Callable[[str], list[object]]:
    def of(name: str) -> list[object]:
        path = tmp_path / "pin.txt"
        path.write_text(PINS[name], "utf-8")
        return ["--by", name, "--pin-from", path]

    return of


def kept() -> list[Entry]:
    """Return what the shop's archive has, which is whole and signed by its key."""
    assert checked().troubles == ()
    return [entry for entry in Archive(archive_dir()).entries() if entry.path]


def checked() -> Checked:
    return check_archive(Archive(archive_dir()), [shop_folder() / PUBLIC_NAME])


def only(kind: str) -> bytes:
    (entry,) = (entry for entry in kept() if entry.kind == kind)
    return (archive_dir() / entry.path).read_bytes()


def approve(call: Call, plan: Path, *by: object) -> tuple[int, str, str]:
    from records.approval import open_limits

    limits = open_limits(builtin_plan("low-pressure")[0])
    accept = [part for name in limits for part in ("--accept", f"{name}={ACCEPT}")]
    return call("plan", "approve", plan, *by, *accept)


def test_an_approved_plan_is_kept_with_its_approval(call: Call, tmp_path: Path) -> None:
    plan = tmp_path / "ours.toml"
    text = builtin_plan("low-pressure")[1]
    plan.write_text(text, "utf-8")
    assert approve(call, plan, "--by", LEAD)[0] == 0
    assert only("plan").decode() == text
    assert json.loads(only("approval"))["by"] == LEAD


def test_a_calibration_is_kept_with_its_reference(call: Call, tmp_path: Path) -> None:
    for name, text in (("rig", RIG), ("ref", REFERENCE), ("points", POINTS)):
        (tmp_path / f"{name}.toml").write_text(text, "utf-8")
    given: list[object] = ["rig", "calibrate", "--rig", tmp_path / "rig.toml"]
    given += ["--channel", "inlet", "--reference", tmp_path / "ref.toml"]
    given += ["--points", tmp_path / "points.toml", "--due", "2027-11-20"]
    given += ["--by", HAND]
    assert call(*given, "--id", "C-0117")[0] == 0
    assert only("calibration") == (tmp_path / "C-0117.toml").read_bytes()
    assert only("reference") == REFERENCE.encode()
    (tmp_path / "rig.toml").write_text(rig_text("127.0.0.1", 9, 1.0), "utf-8")
    (tmp_path / "points.toml").write_text(IN_KPA, "utf-8")
    assert call(*given, "--id", "C-0118")[0] == 0
    assert len(kept()) == 2, "what a simulated rig gave is no record of the shop"


@pytest.mark.usefixtures("shop")
def test_people_are_kept_at_each_change_and_no_pin(
    call: Call, pin: Callable[[str], list[object]]
) -> None:
    given = ["people", "gases", HAND, "--gas", "oxygen", *pin(LEAD)]
    assert call(*given)[0] == 0
    assert call("people", "retire", SECOND, "--why", "left", *pin(LEAD))[0] == 0
    rolls = [entry for entry in kept() if entry.kind == "roll"]
    assert len(rolls) == 2
    first, last = (
        json.loads((archive_dir() / entry.path).read_bytes()) for entry in rolls
    )
    assert last["events"] > first["events"]
    by_name = {each["name"]: each for each in last["people"]}
    assert by_name[SECOND]["retired_ns"] is not None
    assert by_name[HAND]["gases"] == ["oxygen"]
    assert set(by_name[HAND]) == {"name", "roles", "gases", "since_ns", "retired_ns"}


def test_a_key_of_the_shop_is_kept(call: Call) -> None:
    assert call("keys", "make", "--owner", "Larkmere (invented)")[0] == 0
    assert only("key") == (shop_folder() / PUBLIC_NAME).read_bytes()


def real_rig(folder: Path) -> Path:
    text = rig_text("127.0.0.1", 9, 1.0, standard_leak=2.0)
    path = folder / "rig.toml"
    path.write_text(text.replace("simulated = true", "simulated = false", 1), "utf-8")
    return path


def test_a_shift_s_check_is_kept_passed_or_not(tmp_path: Path, call: Call) -> None:
    rig = real_rig(tmp_path)
    done = check_shift(rig_path=rig, by=HAND, seconds=0.2)
    assert not done.record.passed, "nothing answers"
    assert done.not_kept is None
    assert only("shift") == (done.folder / "shift.toml").read_bytes()
    assert only("rig") == rig.read_bytes()
    given = ("--rig", rig, "--changed", "hose to the outlet", "--by", HAND)
    assert call("rig", "shift", *given)[0] == 0
    assert b"hose to the outlet" in only("rig-change")


def test_the_runs_that_a_check_leans_on_are_kept(
    tmp_path: Path, sealed_run: SealedRun, bench_key: Path
) -> None:
    from proofstand.keeping.made import keep_shift
    from records.shift import ShiftPart
    from rig.rigfile import load_rig

    from .test_shift import record_of

    path = real_rig(tmp_path)
    run = sealed_run(key=bench_key, change=real)
    folder = new_check("simulated-1", "station-1", 10**18)
    shutil.copyfile(run, folder / "rig-hold.h5")
    sealed = read_sealed(run)
    part = ShiftPart(
        what="rig-hold",
        passed=True,
        run=sealed.id,
        sha256=sealed.sha256,
        file="rig-hold.h5",
    )
    record = replace(record_of(load_rig(path)), id=folder.name, parts=(part,))
    record = keep_check(folder, record)
    assert keep_shift(folder, record, path) is None
    assert only("shift-run") == run.read_bytes()
    assert keep_shift(folder, record, path) is None, "again is no harm"
    assert len(kept()) == 3


@pytest.mark.usefixtures("shop")
def test_a_rejection_is_kept_with_its_run(
    call: Call,
    sealed_run: SealedRun,
    bench_key: Path,
    tmp_path: Path,
    pin: Callable[[str], list[object]],
) -> None:
    run = sealed_run("stem_friction", key=bench_key, change=real)
    out = tmp_path / "rejected.json"
    given = ["records", "reject", run, "--why", "dropped", "--out", out]
    assert call(*given, *pin(SIGNER))[0] == 0
    assert only("rejection") == out.read_bytes()
    assert only("run") == run.read_bytes()
    _, said, _ = call("records", "find", "--json")
    assert json.loads(said)["runs"][0]["verdict"] == "fail"
    # by hand, where it is there already
    assert call("records", "add", out, "--by", SIGNER)[0] == 0
    assert len([entry for entry in kept() if entry.kind == "rejection"]) == 1
    other = sealed_run(key=bench_key, change=another)
    note = load_note(out, REJECTION)
    refused = keep_note(other, out, note, by=SIGNER)
    assert refused is not None
    assert refused.id == "not_kept_yet"


def another(run: Run) -> Run:
    run = real(run)
    return replace(run, header=replace(run.header, id="20260616T080000-other"))


def test_a_notice_is_kept_beside_the_certificate_that_is_kept(
    call: Call,
    sealed_run: SealedRun,
    bench_key: Path,
    tmp_path: Path,
    own_places: Path,
) -> None:
    shop_folder().parent.mkdir(parents=True, mode=0o700)
    shop_folder().symlink_to(bench_key)
    run, page = sealed_run(key=bench_key, change=real), tmp_path / "page.pdf"
    assert call("certify", run, "--out", page, "--by", SIGNER)[0] == 0
    given = ("--says", "under review", "--why", "gauge dropped", "--by", LEAD)
    assert call("notice", page, *given)[0] == 0
    assert only("notice") == page.with_name("page.notice-001.json").read_bytes()
    (copy,) = archive_dir().glob("2026/*/certificate-*.pdf")
    assert "UNDER REVIEW" in call("verify", copy)[1]
    lone = tmp_path / "lone.pdf"
    issue(run, lone, by=SIGNER)
    assert call("notice", lone, *given)[0] == 0
    assert len([entry for entry in kept() if entry.kind == "notice"]) == 1
    assert keep_notice(lone.with_name("lone.notice-001.json"), by=LEAD) is None
    added = call("records", "add", lone.with_name("lone.notice-001.json"), "--json")
    assert (added[0], json.loads(added[1])["id"]) == (2, "record_unknown")


def test_what_can_t_be_kept_now_counts_and_is_told(
    call: Call, tmp_path: Path, own_places: Path
) -> None:
    (tmp_path / "taken").write_text("no folder", "utf-8")
    file = settings_file()
    file.parent.mkdir(parents=True)
    file.write_text(
        'format = "proofstand.settings/1"\n'
        f"archive_folder = '{tmp_path / 'taken' / 'archive'}'\n",
        "utf-8",
    )
    plan = tmp_path / "ours.toml"
    plan.write_text(builtin_plan("low-pressure")[1], "utf-8")
    code, out, said = approve(call, plan, "--by", LEAD)
    assert code == 0
    assert "approved by" in out
    assert "not in the archive yet" in said
    assert "records add" in said
    file.unlink()
    (record,) = (own_places / "approvals").iterdir()
    assert call("records", "add", plan, record, "--by", LEAD)[0] == 0
    assert {entry.kind for entry in kept()} == {"plan", "approval"}


def test_a_certificate_tells_every_test_of_its_serial_before_it(
    call: Call,
    sealed_run: SealedRun,
    bench_key: Path,
    tmp_path: Path,
    lacks: Callable[[str], NoReturn],
) -> None:
    shop_folder().parent.mkdir(parents=True, mode=0o700)
    shop_folder().symlink_to(bench_key)

    def test_of(
        number: int, job: str, *faults: str, rebuild: Rebuild | None = None
    ) -> Path:
        def named(run: Run) -> Run:
            run = real(run)
            header = run.header
            card = replace(header.job, id=job, rebuild=rebuild)
            started = header.started_utc_ns + number * 3_600 * 10**9
            header = replace(header, id=f"r-{number}", job=card, started_utc_ns=started)
            return replace(run, header=header, truth=None)

        return sealed_run(*faults, key=bench_key, change=named)

    def certified(run: Path, name: str, *more: object) -> tuple[str, dict[str, Any]]:
        page = tmp_path / f"{name}.pdf"
        given = ("certify", run, "--out", page, "--by", SIGNER, "--json", *more)
        code, out, said = call(*given)
        assert code == 0, said
        schema = json.loads((SCHEMAS / "certificate-1.json").read_text("utf-8"))
        told: dict[str, Any] = json.loads(out)
        jsonschema.validate(
            {k: told[k] for k in told.keys() & schema["properties"]}, schema
        )
        try:
            done = subprocess.run(
                ["pdftotext", str(page), "-"],
                capture_output=True,
                text=True,
                check=True,
            )
        except FileNotFoundError:
            lacks("pdftotext")
        return " ".join(done.stdout.split()), told

    failed, other = test_of(1, "J-1", "stem_friction"), test_of(2, "J-2")
    said, first = certified(failed, "first")
    assert first["earlier"] == []
    assert "the archive knows none" in said
    certified(other, "other")
    seat = Part(name="seat disc", done="replaced")
    mended = Rebuild(by="M. Okafor (invented)", parts=(seat,))
    said, told = certified(test_of(3, "J-1", rebuild=mended), "second", "--no-archive")
    assert told["kept"] is None  # and it is looked into all the same
    before = {
        "run": "r-1",
        "sha256": read_sealed(failed).sha256,
        "day": "2026-06-15",
        "verdict": "fail",
        "job": "J-1",
        "same_job": True,
        "as_received": False,
        "rejected": False,
        "work": "",
    }
    second = before | {
        "run": "r-2",
        "sha256": read_sealed(other).sha256,
        "verdict": "pass",
        "job": "J-2",
        "same_job": False,
        "work": "seat disc; by M. Okafor (invented)",
    }
    assert told["earlier"] == [before, second]
    assert "2, listed below" in said
    assert (
        "2026-06-15 fail, this job, run r-1. What was done then is not recorded. "
        "2026-06-15 pass, J-2, run r-2. Then replaced: seat disc; by M. Okafor "
        "(invented)."
    ) in said
    assert "not tested before" not in said
    # the first one again: what came after it is no test before it
    reissue = ("--replaces", tmp_path / "first.pdf", "--why", "smudged")
    _, again = certified(failed, "first-again", *reissue)
    assert again["earlier"] == []
    # an archive that can't be looked into is told, not passed over
    (run,) = archive_dir().glob("2026/r-1/run.h5")
    run.chmod(0o644)
    run.write_bytes(run.read_bytes()[:-1])
    said, unknown = certified(test_of(4, "J-1"), "third")
    assert unknown["earlier"] is None
    assert "not looked up" in said


def test_a_countersigned_page_is_kept_beside_the_one_that_waited(
    call: Call, sealed_run: SealedRun, bench_key: Path, tmp_path: Path
) -> None:
    shop_folder().parent.mkdir(parents=True, mode=0o700)
    shop_folder().symlink_to(bench_key)
    run, page = sealed_run(key=bench_key, change=asked_for_real), tmp_path / "page.pdf"
    code, out, _ = call("certify", run, "--out", page, "--by", SIGNER, "--json")
    assert code == 0
    number = json.loads(out)["number"]
    done = tmp_path / "certificate.pdf"
    given = ("records", "countersign", page, "--out", done, "--by", LEAD)
    code, _, said = call(*given)
    assert (code, said) == (0, "")
    pages = sorted(entry.path for entry in kept() if entry.kind == "certificate")
    assert [path.rsplit("/", 1)[1] for path in pages] == [
        f"certificate-{number}-countersigned.pdf",
        f"certificate-{number}.pdf",
    ]
    assert (archive_dir() / pages[0]).read_bytes() == done.read_bytes()
    _, out, _ = call("records", "find", "--json")
    (found,) = json.loads(out)["runs"]
    assert found["title"] == "certificate"
    assert call("verify", archive_dir(), done)[0] == 0
    # again is no harm, and nor is the index made anew
    assert call("records", "add", done)[0] == 0
    assert call("archive", "rebuild")[0] == 0
    _, out, _ = call("records", "show", number, "--json")
    assert json.loads(out)["runs"][0]["title"] == "certificate"
    lone = tmp_path / "lone"
    lone.mkdir()
    shutil.rmtree(archive_dir())
    made = call("certify", run, "--out", lone / "r.pdf", "--by", SIGNER, "--no-archive")
    assert made[0] == 0
    out_ = lone / "c.pdf"
    given = ("records", "countersign", lone / "r.pdf", "--out", out_, "--by", LEAD)
    code, _, said = call(*given)
    assert code == 0
    assert "not in the archive yet" in said


def test_a_page_that_finds_no_room_is_not_kept_as_issued(
    call: Call,
    sealed_run: SealedRun,
    bench_key: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shop_folder().parent.mkdir(parents=True, mode=0o700)
    shop_folder().symlink_to(bench_key)
    run, page = sealed_run(key=bench_key, change=real), tmp_path / "c.pdf"
    words = ("certify", run, "--out", page, "--by", SIGNER)
    with monkeypatch.context() as patched:
        real_write = runfile._write_synced

        def full(file: Any, data: bytes) -> None:
            if data.startswith(b"%PDF"):
                raise OSError(28, "No space left on device")
            real_write(file, data)

        patched.setattr(runfile, "_write_synced", full)
        code, _, said = call(*words)
    assert code == 2
    assert "No space left" in said
    assert not archive_dir().exists()
    assert not page.exists()
    # it is there whole, and its name can't be given any more: said with its number
    with monkeypatch.context() as patched:

        def taken(beside: Path, out: Path) -> None:
            raise OSError(5, "Input/output error")

        patched.setattr(runfile, "_put", taken)
        code, _, said = call(*words)
    assert code == 2
    (kept_page,) = archive_dir().glob("2*/*/certificate-*.pdf")
    number = kept_page.stem.removeprefix("certificate-")
    assert f"issued as {number} and lies in the archive" in said
    code, _, said = call(*words)
    assert code == 6
    assert f"{number} is out already" in said
    assert f"records show {number}" in said
    assert call("records", "check")[0] == 0
