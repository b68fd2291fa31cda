"""A backup that is taken back, a run that is handed out, a day's page."""

from __future__ import annotations

import csv
import json
import random
import shutil
import subprocess
import sys
import zipfile
from dataclasses import replace
from datetime import date
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from proofstand.keeping.bundle import LIST_NAME, check_bundle
from proofstand.keeping.copies import back_up, restore
from proofstand.keeping.keep import add
from proofstand.signoff.keys import PUBLIC_NAME, load_key
from proofstand.signoff.signed_list import list_text
from records.archive.chain import Archive
from records.errors import InputError, IntegrityError
from records.jobcard import Disposition
from records.jobfile import example_text, job_text, parse_job
from records.planfile import builtin_plan
from records.runfile import read_sealed

from .conftest import SealedRun
from .shops import WHO, Call, Shop, call, check, ids

__all__ = ["call"]

ROOT = Path(__file__).parents[2]
SCHEMAS = ROOT / "docs" / "schemas"
FIRST = "20260615T080000-first"


def trees(one: Path, other: Path) -> None:
    """Compare two folders with another program, but for lock and stage."""
    done = subprocess.run(
        ["diff", "-r", "-x", "chain.lock", "-x", ".incoming", one, other],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout) == (0, "")


# --- backup and restore --------------------------------------------------------------


def test_a_backup_takes_what_it_lacks_and_comes_back_whole(
    filled: Shop, tmp_path: Path, call: Call
) -> None:
    copy, back = tmp_path / "backup", tmp_path / "restored"
    options = ("--archive", filled.archive.folder)
    assert call("archive", "backup", "--out", copy, *options)[0] == 0
    trees(filled.archive.folder, copy)
    plan = tmp_path / "plan.toml"
    plan.write_text(builtin_plan("line")[1], "utf-8")
    add(filled.archive, [plan], key=filled.signing, who=WHO)
    code, out, _ = call("archive", "backup", "--out", copy, "--json", *options)
    made = json.loads(out)
    assert (code, made["copied"], made["records"]) == (0, 1, 10)
    code, out, _ = call("archive", "backup", "--out", copy, *options)
    assert "copied 0 of 10" in out
    key = ("--key", filled.key)
    code, out, _ = call("archive", "restore", copy, "--archive", back, *key)
    assert code == 0
    assert "every one checked" in out
    trees(filled.archive.folder, back)
    code, _, said = call("archive", "restore", copy, "--archive", back, *key)
    assert code == 2
    assert "other things" in said
    # the restored one goes on as an archive
    plan.write_text(builtin_plan("oxygen")[1], "utf-8")
    add(Archive(back), [plan], key=filled.signing, who=WHO)
    assert check(replace(filled, archive=Archive(back))).troubles == ()


def test_a_backup_that_was_broken_off_is_gone_on_with(
    filled: Shop, tmp_path: Path
) -> None:
    copy = tmp_path / "backup"

    class Died(BaseException):
        pass

    def die(done: int, of: int) -> None:
        if done == 4:
            raise Died

    with pytest.raises(Died):
        back_up(filled.archive, copy, die)
    with pytest.raises(InputError, match="archive_missing"):
        restore(Archive(copy), tmp_path / "restored")
    back_up(filled.archive, copy)
    trees(filled.archive.folder, copy)


def test_damage_is_not_copied_over_a_good_backup(filled: Shop, tmp_path: Path) -> None:
    copy = tmp_path / "backup"
    back_up(filled.archive, copy)
    other = tmp_path / "other"
    data = bytearray(filled.run.read_bytes())
    data[-1] ^= 1
    filled.run.write_bytes(data)
    back_up(filled.archive, copy)  # nothing is new
    assert (copy / filled.run.relative_to(filled.archive.folder)).read_bytes() != data
    with pytest.raises(IntegrityError, match="archive_file_changed"):
        back_up(filled.archive, other)
    # a chain with another past
    lines = filled.archive.chain_path.read_bytes().splitlines(keepends=True)
    strange = tmp_path / "strange"
    shutil.copytree(copy, strange)
    shorter = Archive(strange)
    shorter.chain_path.write_bytes(b"".join(lines[:2]).replace(b"begins", b"begims"))
    with pytest.raises(IntegrityError, match="copy_differs"):
        back_up(replace(filled, archive=Archive(copy)).archive, strange)


def test_a_damaged_copy_is_not_taken_back(filled: Shop, tmp_path: Path) -> None:
    copy, into = tmp_path / "backup", tmp_path / "restored"
    back_up(filled.archive, copy)
    page = copy / filled.page.relative_to(filled.archive.folder)
    page.unlink()
    with pytest.raises(IntegrityError, match="copy_damaged") as caught:
        restore(Archive(copy), into)
    assert caught.value.facts["first"] == str(page)
    assert not into.exists()


def test_a_disk_that_reads_back_otherwise_is_told(
    filled: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from records.archive import files

    monkeypatch.setattr(files, "sha256_of", lambda path: ("0" * 64, 0))
    with pytest.raises(IntegrityError, match="copy_misread"):
        back_up(filled.archive, tmp_path / "backup")


def test_a_backup_leaves_other_folders_alone(filled: Shop, tmp_path: Path) -> None:
    other = tmp_path / "letters"
    other.mkdir()
    (other / "letter.txt").write_text("private")
    for out in (other, filled.archive.folder, filled.archive.folder / "copy"):
        with pytest.raises(InputError, match="archive_folder_taken"):
            back_up(filled.archive, out)
    with pytest.raises(InputError, match="archive_missing"):
        back_up(Archive(tmp_path / "none"), tmp_path / "backup")


# --- a run that is handed out --------------------------------------------------------


@pytest.fixture
def bundle(filled: Shop, tmp_path: Path, call: Call) -> Path:
    out = tmp_path / "first.zip"
    options = ("--archive", filled.archive.folder, "--key", filled.key)
    assert call("records", "export", FIRST, "--out", out, *options)[0] == 0
    return out


def test_a_bundle_holds_all_and_is_checked_anywhere(
    bundle: Path, filled: Shop, bench_key: Path, call: Call, tmp_path: Path
) -> None:
    unpack = [sys.executable, "-m", "zipfile", "-e", str(bundle), str(tmp_path / "out")]
    subprocess.run(unpack, check=True)
    inside = tmp_path / "out"
    names = {p.name for p in inside.iterdir()}
    assert names == {
        LIST_NAME,
        "run.h5",
        "judgement-001.json",
        filled.page.name,
        "plan.toml",
        PUBLIC_NAME,
    }
    for each in json.loads((inside / LIST_NAME).read_bytes())["files"]:
        said = subprocess.run(
            ["sha256sum", inside / each["name"]], capture_output=True, check=True
        )
        assert said.stdout.split()[0].decode() == each["sha256"]
    assert (inside / "run.h5").read_bytes() == filled.run.read_bytes()
    listed = json.loads((inside / LIST_NAME).read_bytes())
    schema = SCHEMAS / "bundle-1.json"
    jsonschema.validate(listed, json.loads(schema.read_text("utf-8")))
    code, out, _ = call("verify", bundle)
    assert code == 0
    assert "the key that lies beside it" in out
    assert "signed by a key that signed what lies in it" in out
    code, out, _ = call("verify", bundle, "--key", filled.key)
    assert code == 0
    assert "fits the key given" in out
    assert "the list is signed, and the signature fits a key given" in out
    assert call("verify", bundle, "--key", bench_key)[0] == 5


def changed_bundle(bundle: Path, times: int, seed: int) -> int:
    """Change bytes of what the bundle holds; return how many were looked at."""
    rng = random.Random(seed)
    whole = bundle.read_bytes()
    with zipfile.ZipFile(bundle) as file:
        spans = [(i.header_offset + 30 + len(i.filename), i) for i in file.infolist()]
    for _ in range(times):
        at, about = rng.choice(spans)
        data = bytearray(whole)
        data[at + rng.randrange(about.compress_size)] ^= 1 << rng.randrange(8)
        bundle.write_bytes(data)
        with pytest.raises(IntegrityError):
            check_bundle(bundle)
    bundle.write_bytes(whole)
    check_bundle(bundle)
    return times


def test_a_changed_byte_in_a_bundle_is_found(bundle: Path) -> None:
    assert changed_bundle(bundle, 12, 1) == 12


def anew(
    bundle: Path,
    change: dict[str, bytes | None],
    *,
    listed: bool = True,
    signed: bool = True,
) -> None:
    """Write the bundle again with other files, the list fitting or not."""
    import hashlib

    with zipfile.ZipFile(bundle) as file:
        members = {name: file.read(name) for name in file.namelist()}
    told = json.loads(members.pop(LIST_NAME))
    for name, data in change.items():
        if data is None:
            members.pop(name)
        else:
            members[name] = data
    if listed:
        told["files"] = [
            {"name": n, "sha256": hashlib.sha256(d).hexdigest(), "bytes": len(d)}
            for n, d in members.items()
        ]
    if not signed:
        for name in ("key", "certificate", "signature"):
            del told[name]
    with zipfile.ZipFile(bundle, "w") as file:
        for name, data in {LIST_NAME: json.dumps(told).encode(), **members}.items():
            file.writestr(name, data)


def test_what_speaks_against_a_run_is_not_taken_out_of_its_bundle_unseen(
    filled: Shop, tmp_path: Path, call: Call, bench_key: Path
) -> None:
    options = ("--archive", filled.archive.folder, "--key", filled.key)
    note = tmp_path / "r.json"
    by = ("--by", WHO, "--why", "the wrong regulator", "--key", filled.key)
    assert call("records", "reject", filled.run, "--out", note, *by)[0] == 0
    assert call("records", "add", note, *options)[0] == 0
    out = tmp_path / "rejected.zip"
    assert call("records", "export", FIRST, "--out", out, *options)[0] == 0
    code, said, _ = call("verify", out, "--key", filled.key)
    assert code == 6
    assert f"{out}: REJECTED by {WHO} on " in said.splitlines()[0]
    assert "Otherwise every file is as listed" in said
    code, said, _ = call("verify", out, "--json")
    (told,) = json.loads(said)["files"]
    assert (code, told["stands"], told["rejected"]) == (6, False, True)
    whole = out.read_bytes()
    # out of the signed list it can't be taken
    anew(out, {"rejection-001.json": None})
    assert call("verify", out)[0] == 5
    # of a list without a signature it is said that it is nobody's
    out.write_bytes(whole)
    anew(out, {"rejection-001.json": None}, signed=False)
    code, said, _ = call("verify", out)
    assert code == 0
    assert "nobody signed the list" in said.splitlines()[1]
    # a stranger who signs it anew is seen, with the shop's key or without
    with zipfile.ZipFile(out) as file:
        members = {name: file.read(name) for name in file.namelist()}
    listed = list_text(json.loads(members.pop(LIST_NAME)), load_key(bench_key))
    with zipfile.ZipFile(out, "w") as file:
        for name, data in {LIST_NAME: listed, **members}.items():
            file.writestr(name, data)
    assert call("verify", out, "--key", filled.key)[0] == 5
    assert "signed nothing else here" in call("verify", out)[1].splitlines()[1]
    # the archive's own lists say it too
    where = ("--archive", filled.archive.folder)
    assert "REJECTED" in call("records", "find", *where, "--simulated")[1]
    found = json.loads(call("records", "find", *where, "--json")[1])["runs"]
    assert {run["run"]: run["rejected"] for run in found}[FIRST] is True
    assert sum(run["rejected"] for run in found) == 1
    assert "REJECTED" in call("records", "show", FIRST, *where)[1].splitlines()[0]
    day = call("records", "day", "--date", "2026-06-15", "--simulated", *where)[1]
    assert "Rejected:\n" in day
    # and so does verify of the run or its page where the note is given or lies beside
    for given in ([filled.page, note], [filled.run, note]):
        code, said, _ = call("verify", *given)
        assert code == 6
        assert "REJECTED by" in said.splitlines()[0]
    (beside,) = filled.page.parent.glob("rejection-*.json")
    assert call("verify", filled.page)[0] == 6
    beside.unlink()
    assert call("verify", filled.page)[0] == 0


def test_a_bundle_is_taken_back_by_another_archive(
    filled: Shop, tmp_path: Path, call: Call
) -> None:
    options = ("--archive", filled.archive.folder, "--key", filled.key)
    by = ("--by", WHO, "--why", "the wrong regulator", "--key", filled.key)
    note, out = tmp_path / "r.json", tmp_path / "whole.zip"
    assert call("records", "reject", filled.run, "--out", note, *by)[0] == 0
    assert call("records", "add", note, *options)[0] == 0
    remark = ("records", "comment", FIRST, "dropped on the floor", "--by", WHO)
    assert call(*remark, *options)[0] == 0
    by = ("--by", WHO, "--why", "channel was off", "--key", filled.key)
    page = tmp_path / filled.page.name
    page.write_bytes(filled.page.read_bytes())
    assert call("notice", page, "--says", "under review", *by)[0] == 0
    (notice,) = tmp_path.glob("*.notice-001.json")
    assert call("records", "add", notice, *options)[0] == 0
    assert call("records", "export", FIRST, "--out", out, *options)[0] == 0
    back = tmp_path / "back"
    other = ("--archive", back, "--key", filled.key)
    code, _, said = call("records", "add", out, *other)
    assert code == 0, said
    inside = filled.run.parent.relative_to(filled.archive.folder)
    trees(filled.run.parent, back / inside)
    assert check(replace(filled, archive=Archive(back))).troubles == ()
    code, said, _ = call("records", "add", out, *other)
    assert code == 0
    assert said.count("kept already") == len(said.splitlines())
    # one that was changed is not taken, and nothing of it
    anew(out, {"run.h5": b"x"})
    third = ("--archive", tmp_path / "third", "--key", filled.key)
    assert call("records", "add", out, *third)[0] == 5
    assert not (tmp_path / "third").exists()
    assert call("records", "add", out, note, *third)[0] == 2


def test_a_bundle_tells_what_its_notices_say(
    filled: Shop, tmp_path: Path, call: Call
) -> None:
    options = ("--archive", filled.archive.folder, "--key", filled.key)
    by = ("--by", WHO, "--why", "channel was off", "--key", filled.key)
    page = filled.outside
    copy = tmp_path / page.name
    copy.write_bytes(page.read_bytes())
    out = tmp_path / "review.zip"
    assert call("notice", copy, "--says", "under review", *by)[0] == 0
    code, said, _ = call("verify", copy)
    assert code == 6
    assert f"{copy}: UNDER REVIEW since " in said.splitlines()[0]
    (notice,) = copy.parent.glob("*.notice-001.json")
    assert call("records", "add", notice, *options)[0] == 0
    assert call("records", "export", FIRST, "--out", out, *options)[0] == 0
    code, said, _ = call("verify", out)
    assert code == 6
    assert f"{out}: UNDER REVIEW since " in said.splitlines()[0]
    assert "channel was off" in said
    (told,) = json.loads(call("verify", out, "--json")[1])["files"]
    assert [n["says"] for n in told["notices"]] == ["under review"]


def test_a_bundle_of_what_does_not_belong_together_is_refused(
    bundle: Path, filled: Shop
) -> None:
    other = filled.run.parent.with_name("20260615T080000-second")
    (other_page,) = other.glob("*.pdf")
    whole = bundle.read_bytes()
    judged = "judgement-001.json"
    cases: list[tuple[dict[str, bytes | None], str, bool]] = [
        ({"run.h5": (other / "run.h5").read_bytes()}, "bundle_changed", True),
        ({"run.h5": None}, "bundle_changed", True),
        ({"plan.toml": b"other"}, "bundle_changed", True),
        ({judged: (other / judged).read_bytes()}, "bundle_changed", True),
        ({judged: None}, "certificate_of_another_judgement", True),
        ({"a.pdf": other_page.read_bytes()}, "certificate_of_another_run", True),
        ({"note.txt": b"more"}, "bundle_changed", False),
        ({"../out.txt": b"more"}, "bundle_changed", True),
    ]
    for change, told, listed in cases:
        bundle.write_bytes(whole)
        anew(bundle, change, listed=listed, signed=False)
        with pytest.raises(IntegrityError, match=told):
            check_bundle(bundle, [filled.key])
    bundle.write_bytes(whole[:-40])
    with pytest.raises(IntegrityError, match="bundle_changed"):
        check_bundle(bundle)
    with zipfile.ZipFile(bundle, "w") as file:
        file.writestr("x", "y")
    with pytest.raises(InputError, match="file_not_ours"):
        check_bundle(bundle)


def test_a_trace_goes_out_and_comes_in_again(
    filled: Shop, tmp_path: Path, call: Call
) -> None:
    out, again = tmp_path / "trace.csv", tmp_path / "again.h5"
    options = ("--archive", filled.archive.folder)
    code, _, _ = call("records", "export", "first 1/2 'x'", "--out", out, *options)
    assert code == 0
    run = read_sealed(filled.run)
    with out.open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file, delimiter=";"))
    outlet = run.header.rig.channel("outlet")
    assert outlet is not None
    assert rows[0][0] == "time s"
    assert f"outlet {outlet.unit}" in rows[0]
    code, _, said = call("import", out, "--out", again, "--unsigned")
    assert code == 0, said
    back = read_sealed(again)
    for channel in run.header.rig.channels:
        (found,) = [c for c in back.header.rig.channels if c.id == channel.id]
        one, other = run.trace(channel, 1), back.trace(found, 1)
        assert other.t_s.size == one.t_s.size
        np.testing.assert_allclose(other.t_s - other.t_s[0], one.t_s - one.t_s[0])
        good = other.flags == 0
        assert good.sum() == (one.flags == 0).sum()
        np.testing.assert_allclose(
            other.values[good] if hasattr(other, "values") else other.value[good],
            one.value[one.flags == 0],
            rtol=1e-9,
            atol=1e-9,
        )


def test_a_run_goes_out_as_json(filled: Shop, tmp_path: Path, call: Call) -> None:
    out = tmp_path / "run.json"
    options = ("--archive", filled.archive.folder)
    assert call("records", "export", FIRST, "--out", out, *options)[0] == 0
    told = json.loads(out.read_bytes())
    assert told["schema"] == "proofstand.run-exported/1"
    assert told["judgement"]["verdict"] == told["verdict"] == "pass"
    assert told["job_card"]["regulator"]["serial"] == "first 1/2 'x'"
    for wrong in (("--out", tmp_path / "x.txt"), ("--out", out)):
        assert call("records", "export", FIRST, *wrong, *options)[0] == 2
    several = ("--out", tmp_path / "x.csv", "--part", 7)
    assert call("records", "export", FIRST, *several, *options)[0] == 2


# --- a day's page --------------------------------------------------------------------


def test_the_day_s_page_tells_what_the_records_hold(
    filled: Shop, sealed_run: SealedRun, tmp_path: Path, call: Call
) -> None:
    card = parse_job(example_text(), "job.toml")
    assert card.intake is not None
    intake = replace(card.intake, received=date(2026, 5, 2))
    old = replace(card, id="J-old", intake=intake, disposition=())
    path = tmp_path / "old.toml"
    path.write_text(job_text(old), "utf-8")
    failed = sealed_run("seat_nicked:0.4")
    add(filled.archive, [failed], key=filled.signing, who=WHO)
    add(filled.archive, [path], key=filled.signing, who=WHO)
    options = ("--archive", filled.archive.folder, "--date", "2026-06-15")
    code, out, _ = call("records", "day", "--simulated", "--json", *options)
    assert code == 0
    told = json.loads(out)
    assert told["verdicts"] == {"pass": 2, "fail": 1}
    assert told["without_certificate"] == [read_sealed(failed).id]
    assert [each["job"] for each in told["open_jobs"]] == ["J-old"]
    assert any("Rig leak" in line for line in told["rig_movement"])
    assert told["unread"] == []
    code, out, _ = call("records", "day", "--simulated", *options)
    assert "Runs: 3 (1 fail, 2 pass)" in out
    assert "J-old" in out
    assert "SIMULATED RIGS" in out
    code, out, _ = call("records", "day", *options)
    assert "Runs: 0" in out
    assert "3 runs of simulated rigs are not counted" in out


def test_the_day_s_page_counts_what_came_in_and_left(
    filled: Shop, tmp_path: Path, call: Call
) -> None:
    card = parse_job(example_text(), "job.toml")
    assert card.intake is not None
    assert card.rebuild is not None
    arrived, left = date(2027, 3, 1), date(2027, 3, 4)
    ended = Disposition(ending="returned to service", by="P. Quill", date=left)
    card = replace(
        card,
        id="J-ended",
        intake=replace(card.intake, received=arrived),
        rebuild=replace(card.rebuild, lot="L-1", keep_until=date(2027, 3, 20)),
        disposition=(replace(ended, ending="on hold", date=arrived), ended),
    )
    path = tmp_path / "ended.toml"
    path.write_text(job_text(card), "utf-8")
    add(filled.archive, [path], key=filled.signing, who=WHO)
    options = ("--archive", filled.archive.folder, "--json")
    told = json.loads(call("records", "day", "--date", arrived, *options)[1])
    assert told["received"] == list(card.known_serials)
    assert told["endings"] == {}
    assert any("L-1" in each["what"] for each in told["due"])
    told = json.loads(call("records", "day", "--date", left, *options)[1])
    assert told["endings"] == {"returned to service": 1}
    late = json.loads(call("records", "day", "--date", "2027-12-31", *options)[1])
    assert "J-ended" not in [each["job"] for each in late["open_jobs"]]


# --- what is printed for programs ----------------------------------------------------


def test_what_is_printed_for_programs_keeps_its_schema(
    filled: Shop, call: Call, tmp_path: Path
) -> None:
    options = ("--archive", filled.archive.folder, "--json")
    for name, command in (
        ("records-found-1", ("records", "find")),
        ("records-shown-1", ("records", "show", FIRST)),
        ("records-summary-1", ("records", "find", "--summary")),
        ("day-1", ("records", "day")),
        ("verified-1", ("records", "check")),
    ):
        code, out, _ = call(*command, *options)
        assert code == 0
        schema = json.loads((SCHEMAS / f"{name}.json").read_text("utf-8"))
        jsonschema.validate(json.loads(out), schema)
    line = json.loads((SCHEMAS / "archive-1.json").read_text("utf-8"))
    for text in filled.archive.chain_path.read_text("utf-8").splitlines():
        jsonschema.validate(json.loads(text), line)
    head = json.loads((SCHEMAS / "archive-head-1.json").read_text("utf-8"))
    jsonschema.validate(json.loads(filled.archive.head_path.read_bytes()), head)
    assert ids(check(filled)) == []
