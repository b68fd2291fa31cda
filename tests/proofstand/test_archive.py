"""What goes into the archive, how it is found, and that every change to it is seen."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from proofstand.keeping.checked import check_archive
from proofstand.keeping.home import home, index_of
from proofstand.keeping.keep import add
from proofstand.places import keys_dir, settings_file
from proofstand.signoff.heads import TRUSTED_FOLDER, SigningKey
from proofstand.signoff.issue import issue
from proofstand.signoff.keys import PUBLIC_NAME, load_key, make_key
from records.archive.chain import Archive, Head
from records.archive.entry import Entry, Fact
from records.archive.files import LOCK_NAME
from records.errors import (
    InputError,
    IntegrityError,
    ProofstandError,
    RefusedError,
)
from records.planfile import builtin_plan
from records.run import Run
from records.runfile import read_sealed

from .conftest import RunOf, SealedRun
from .shops import WHO, Call, Shop, call, check, ids

__all__ = ["call"]

ROOT = Path(__file__).parents[2]


# --- what goes in --------------------------------------------------------------------


def test_a_run_comes_with_its_judgement_and_certificate(filled: Shop) -> None:
    checked = check(filled)
    assert checked.troubles == ()
    assert checked.signature == "fits"
    assert checked.counted == {
        "run": 2,
        "judgement": 2,
        "certificate": 2,
        "plan": 1,
        "job": 1,
        "key": 1,
    }
    assert filled.page.read_bytes() == filled.outside.read_bytes()
    names = sorted(p.name for p in filled.run.parent.iterdir())
    assert names == sorted(["judgement-001.json", filled.page.name, "run.h5"])
    run = read_sealed(filled.run)
    (entry,) = (e for e in filled.archive.entries() if e.path.endswith("first/run.h5"))
    assert entry.about["serial"] == run.header.job.regulator.serial
    assert entry.about["run_sha256"] == run.sha256


def test_what_is_kept_is_not_kept_twice(filled: Shop) -> None:
    again = add(
        filled.archive, [filled.run, filled.outside], key=filled.signing, who=WHO
    )
    assert again.new == ()
    assert [k.path.rsplit("/", 1)[1] for k in again.kept] == [
        "run.h5",
        "judgement-001.json",
        filled.page.name,
    ]


def test_a_run_without_a_certificate_is_judged(
    sealed_run: SealedRun, tmp_path: Path, demo_key: Path
) -> None:
    archive = Archive(tmp_path / "archive")
    key = SigningKey(load_key(demo_key))
    run = sealed_run("seat_nicked:0.4")
    added = add(archive, [run], key=key, who=WHO)
    judged = json.loads((archive.folder / added.kept[1].path).read_bytes())
    assert judged["judgements"][0]["verdict"] == "fail"
    assert add(archive, [run], key=key, who=WHO).new == ()


def test_another_run_of_the_same_id_is_refused(
    filled: Shop, sealed_run: SealedRun
) -> None:
    run = sealed_run(
        change=lambda r: replace(
            r, header=replace(r.header, id=read_sealed(filled.run).id)
        )
    )
    with pytest.raises(InputError, match="archive_has_another"):
        add(filled.archive, [run], key=filled.signing, who=WHO)
    assert check(filled).troubles == ()


@pytest.mark.parametrize("id", ["../../../etc", "", "a/b", ".x", "x" * 200, "ä", "a\0"])
def test_a_run_s_id_never_leads_elsewhere(
    id: str, filled: Shop, sealed_run: SealedRun, tmp_path: Path
) -> None:
    run = sealed_run(change=lambda r: replace(r, header=replace(r.header, id=id)))
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(InputError, match="run_id_unusable"):
        add(filled.archive, [run], key=filled.signing, who=WHO)
    assert set(tmp_path.rglob("*")) - set(before) <= {
        filled.archive.folder / LOCK_NAME,
        filled.archive.folder / ".incoming",
    }


@pytest.mark.parametrize(
    "serial",
    ["a/b\\c \"'`;--", "x" * 300, "\n\t", "شماره ۱۲", "*"],
    ids=ascii,
)
def test_any_serial_can_be_kept_and_found(
    serial: str,
    sealed_run: SealedRun,
    demo_key: Path,
    tmp_path: Path,
    call: Call,
) -> None:
    def named(run: Run) -> Run:
        job = run.header.job
        regulator = replace(job.regulator, serial=serial)
        header = replace(run.header, job=replace(job, regulator=regulator))
        return replace(run, header=header)

    folder = tmp_path / "archive"
    options = ("--archive", folder)
    run = sealed_run(change=named)
    assert call("records", "add", run, *options, "--key", demo_key)[0] == 0
    code, out, _ = call("records", "find", f"--serial={serial}", "--json", *options)
    assert code == 0
    assert [r["serial"] for r in json.loads(out)["runs"]] == [serial]
    if serial.strip("*").strip():
        code, out, _ = call("records", "show", "--json", *options, "--", serial)
        assert (code, len(json.loads(out)["runs"])) == (0, 1)
    assert check_archive(Archive(folder), [demo_key]).troubles == ()


@pytest.mark.parametrize(
    ("content", "error"),
    [
        (b"", "file_empty"),
        (b"hello", "file_not_ours"),
        (b"%PDF-1.7 of somebody", "certificate_cut_short"),
        (b'format = "proofstand.plan/1"\n', "key_missing"),
        (b'format = "proofstand.sim/1"\n', "file_not_ours"),
        (b'{"format": "proofstand.approval/1"}', "file_not_ours"),
        (b'{"format": "proofstand.shift/1"}', "file_not_ours"),
        (b"-----BEGIN PUBLIC KEY-----\nx", "file_not_ours"),
        (b'{"format":"proofstand.run/2"}', "file_not_ours"),
    ],
)
def test_what_is_no_record_is_refused_and_leaves_nothing(
    content: bytes, error: str, filled: Shop, tmp_path: Path
) -> None:
    path = tmp_path / "thing"
    path.write_bytes(content)
    with pytest.raises((InputError, IntegrityError)) as caught:
        add(filled.archive, [path], key=filled.signing, who=WHO)
    assert caught.value.id in (error, "run_block_changed")
    assert str(path) in caught.value.where
    assert check(filled).troubles == ()
    assert not any((filled.archive.folder / ".incoming").iterdir())


def test_a_journal_is_no_record_to_keep(filled: Shop) -> None:
    journal = ROOT / "tests" / "formats" / "journal-1.journal"
    with pytest.raises(RefusedError, match="run_not_sealed"):
        add(filled.archive, [journal], key=filled.signing, who=WHO)


def test_papers_have_to_belong_to_their_run(
    filled: Shop, kept: Shop, sealed_run: SealedRun, tmp_path: Path
) -> None:
    other = sealed_run("seat_nicked:0.4")
    with pytest.raises(IntegrityError, match="certificate_of_another_run"):
        add(filled.archive, [other, filled.outside], key=filled.signing, who=WHO)
    empty = Archive(tmp_path / "empty")
    with pytest.raises(InputError, match="certificate_run_not_kept"):
        add(empty, [filled.outside], key=filled.signing, who=WHO)
    page = tmp_path / "again.pdf"
    issue(kept.run, page, key_folder=kept.key)
    added = add(
        filled.archive, [page], key=filled.signing, who=WHO
    )  # reissued: beside it
    assert [k.entry is not None for k in added.kept] == [True, True]
    assert len(list(filled.run.parent.glob("certificate-*.pdf"))) == 2
    assert check(filled).troubles == ()


def test_two_benches_certify_the_same_run_at_once(filled: Shop, tmp_path: Path) -> None:
    """What each hands out is kept, under a number of its own; the chain is whole.

    Who comes so late that the other's page is there already is refused.
    """
    benches = [
        subprocess.Popen(
            [
                *(sys.executable, "-m", "proofstand", "certify", str(filled.run)),
                "--as-found",
                *("--out", str(tmp_path / f"{n}.pdf"), "--key", str(filled.key)),
                *("--archive", str(filled.archive.folder), "--by", f"bench {n}"),
            ],
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for n in range(2)
    ]
    codes = []
    for bench in benches:
        _, said = bench.communicate(timeout=200)
        codes.append(bench.returncode)
        assert bench.returncode == 0 or "is out already" in said, said
    made = codes.count(0)
    assert made >= 1
    assert len(list(filled.run.parent.glob("certificate-*.pdf"))) == 1 + made
    checked = check(filled)
    assert checked.troubles == ()
    assert checked.counted["judgement"] == 2 + made
    assert checked.counted["run"] == 2


# --- certify keeps what it makes -----------------------------------------------------


def test_a_real_run_s_certificate_is_kept_by_itself(
    sealed_run: SealedRun, tmp_path: Path, call: Call, own_places: Path
) -> None:
    def real(run: Run) -> Run:
        rig = replace(run.header.rig, simulated=False)
        return replace(run, header=replace(run.header, rig=rig), truth=None)

    key = keys_dir() / "shop"
    make_key(key, "a shop")
    run = sealed_run(key=key, change=real)
    out = tmp_path / "page.pdf"
    code, said, _ = call("certify", run, "--out", out, "--json")
    assert code == 0
    place = Path(json.loads(said)["kept"])
    assert place.is_relative_to(own_places / "archive")
    assert place.read_bytes() == out.read_bytes()
    again = ("certify", run, "--out", tmp_path / "2.pdf")
    code, _, said = call(*again, "--no-archive")
    assert code == 6
    assert "is out already" in said
    better = ("--replaces", out, "--why", "smudged")
    code, said, _ = call(*again, "--no-archive", *better)
    assert code == 0
    assert "kept in no archive" in said
    assert len(list(place.parent.glob("*.pdf"))) == 1
    code, said, _ = call("records", "check")
    assert code == 0
    assert "the signature fits" in said


def test_a_simulated_run_s_certificate_is_kept_where_asked_only(
    kept: Shop, tmp_path: Path, call: Call, own_places: Path
) -> None:
    out = tmp_path / "page.pdf"
    code, said, _ = call("certify", kept.run, "--out", out, "--key", kept.key)
    assert code == 0
    assert "kept in no archive" in said
    assert not (own_places / "archive").exists()


def test_a_certificate_that_can_t_be_kept_is_not_handed_out(
    kept: Shop, tmp_path: Path, call: Call
) -> None:
    taken = tmp_path / "taken"
    taken.mkdir()
    (taken / "letter.txt").write_text("private")
    out = tmp_path / "page.pdf"
    arguments = ("--out", out, "--key", kept.key, "--archive", taken)
    code, _, said = call("certify", kept.run, *arguments)
    assert code == 2
    assert "other things" in said
    assert not out.exists()


def test_a_head_of_another_bench_is_signed_over_only_where_it_is_trusted(
    filled: Shop, bench_key: Path, call: Call, tmp_path: Path
) -> None:
    options = ("--archive", filled.archive.folder, "--key", bench_key)
    plan = tmp_path / "plan.toml"
    plan.write_text(builtin_plan("line")[1], "utf-8")
    code, _, said = call("records", "add", plan, *options)
    assert code == 5
    assert "trusted" in said
    trusted = keys_dir() / TRUSTED_FOLDER
    trusted.mkdir(parents=True)
    shutil.copy(filled.key / PUBLIC_NAME, trusted / "other-bench.pem")
    assert call("records", "add", plan, *options)[0] == 0
    assert ids(check(filled)) == ["signature_wrong"]
    assert check(filled, filled.key, bench_key).troubles == ()


# --- every change is seen ------------------------------------------------------------


def flip(path: Path, at: int, bit: int = 1) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= bit
    path.write_bytes(data)


def found(filled: Shop) -> tuple[ProofstandError, ...]:
    try:
        return check(filled).troubles
    except InputError as error:  # as a head of a newer format
        return (error,)


def changed_bytes(filled: Shop, times: int, seed: int) -> None:
    """Change a byte anywhere in any file of the archive, and look for it."""
    rng = random.Random(seed)
    files = sorted(
        p for p in filled.archive.folder.rglob("*") if p.is_file() and p.stat().st_size
    )
    for _ in range(times):
        path = rng.choice(files)
        at, bit = rng.randrange(path.stat().st_size), 1 << rng.randrange(8)
        flip(path, at, bit)
        told = [trouble.where for trouble in found(filled)]
        assert any(str(path) in where for where in told), (path, at, bit)
        flip(path, at, bit)
    assert check(filled).troubles == ()


def test_a_changed_byte_is_found_and_its_file_named(filled: Shop) -> None:
    changed_bytes(filled, 6, 1)


@pytest.mark.slow
def test_three_hundred_changed_bytes_are_found(filled: Shop) -> None:
    changed_bytes(filled, 300, 2)


def test_every_line_that_the_head_repeats_is_covered(filled: Shop) -> None:
    lines = filled.archive.head().lines
    assert len(lines) == 3
    data = filled.archive.head_path.read_bytes()
    for line in lines:
        at = data.index(line[-40:-20].encode())
        flip(filled.archive.head_path, at)
        assert [t.where for t in check(filled).troubles] == [
            str(filled.archive.head_path)
        ]
        flip(filled.archive.head_path, at)
    assert check(filled).troubles == ()


def lines_of(filled: Shop) -> list[bytes]:
    return filled.archive.chain_path.read_bytes().splitlines(keepends=True)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda lines: lines[:3] + lines[4:], "chain_out_of_order"),
        (lambda lines: lines[:3] + lines[2:3] + lines[3:], "chain_out_of_order"),
        (lambda lines: [*lines[:3], lines[4], lines[3], *lines[5:]], "chain_out_of_or"),
        (lambda lines: lines[1:], "chain_out_of_order"),
        (lambda lines: lines[:-4], "chain_cut_short"),
        (lambda lines: lines[:-1], "archive_unfinished"),
        (lambda lines: [*lines, lines[-1]], "chain_out_of_order"),
        (lambda lines: [*lines, b'{"n":99'], "chain_beyond_head"),
        (lambda lines: [*lines, b"\n"], "chain_changed"),
        (lambda lines: [], "head_of_another"),
    ],
)
def test_a_record_taken_out_put_in_or_moved_is_found(
    change: Callable[[list[bytes]], list[bytes]],
    told: str,
    filled: Shop,
) -> None:
    filled.archive.chain_path.write_bytes(b"".join(change(lines_of(filled))))
    assert any(id.startswith(told) for id in ids(check(filled))), ids(check(filled))


def rewritten(filled: Shop, entries: list[Entry], key: SigningKey | None) -> None:
    """Write a chain anew that hangs together, as someone with time would."""
    lines, before = [], ""
    for n, entry in enumerate(entries):
        entry = replace(entry, n=n, before=before)
        lines.append(entry.line.decode())
        before = entry.digest
    old = filled.archive.head()
    start = sum(len(line.encode()) + 1 for line in lines[:-1])
    head = Head(
        archive=old.archive,
        start=start,
        lines=(lines[-1],),
        key=old.key,
        signature=old.signature,
    )
    if key is not None:
        head = head.signed(key)
    filled.archive.chain_path.write_text(
        "".join(f"{line}\n" for line in lines), "utf-8"
    )
    filled.archive.head_path.write_bytes(head.data)


def test_a_chain_that_was_written_anew_lacks_the_signature(
    filled: Shop, bench_key: Path
) -> None:
    entries = list(filled.archive.entries())
    gone = [e for e in entries if e.run.endswith("second")]
    for entry in gone:
        (filled.archive.folder / entry.path).unlink()
    left = [e for e in entries if e not in gone]
    rewritten(filled, left, None)
    assert ids(check(filled)) == ["head_signature_wrong"]
    rewritten(filled, left, SigningKey(load_key(bench_key)))
    assert ids(check(filled)) == ["signature_wrong"]


def test_an_archive_that_was_set_back_is_found_by_what_was_handed_out(
    filled: Shop, kept: Shop, tmp_path: Path, call: Call
) -> None:
    """Chain, head and files are an older copy's, so nothing inside can tell."""
    older = tmp_path / "older"
    shutil.copytree(filled.archive.folder, older)
    page = tmp_path / "handed-out.pdf"
    issue(kept.run, page, key_folder=kept.key)
    add(filled.archive, [page], key=filled.signing, who=WHO)
    noted = check(filled).last
    key = ("--key", kept.key)
    assert call("verify", older, *key)[0] == 0
    code, _, said = call("verify", older, page, *key)
    assert code == 5
    assert "does not keep certificate" in said
    assert call("verify", filled.archive.folder, page, *key)[0] == 0
    code, _, said = call("verify", older, *key, "--noted", noted)
    assert code == 5
    assert "noted down" in said
    assert call("verify", filled.archive.folder, *key, "--noted", noted)[0] == 0


def test_a_missing_and_a_strange_file_are_named(filled: Shop) -> None:
    filled.page.unlink()
    strange = filled.run.parent / "run-2.h5"
    strange.write_bytes(b"x")
    checked = check(filled)
    assert [(t.id, t.where) for t in checked.troubles] == [
        ("archive_file_missing", str(filled.page)),
        ("archive_file_unlisted", str(strange)),
    ]


def with_file(filled: Shop, path: Path, data: bytes, **about: Fact) -> None:
    """Change a file and all that tells of it, as only the key's holder could."""
    path.write_bytes(data)
    at = path.relative_to(filled.archive.folder).as_posix()
    digest = hashlib.sha256(data).hexdigest()
    entries = [
        replace(e, sha256=digest, size=len(data), about={**e.about, **about})
        if e.path == at
        else e
        for e in filled.archive.entries()
    ]
    rewritten(filled, entries, filled.signing)


def test_a_certificate_whose_judgement_is_another_is_found(filled: Shop) -> None:
    path = filled.run.parent / "judgement-001.json"
    text = path.read_text("utf-8").replace('"verdict": "pass"', '"verdict": "fail"')
    with_file(filled, path, text.encode(), verdict="fail")
    checked = check(filled)
    assert ids(checked) == ["certificate_of_another_judgement"]
    assert checked.troubles[0].where == str(filled.page)


def test_papers_of_another_run_are_found(filled: Shop) -> None:
    other = filled.run.parent.with_name("20260615T080000-second")
    with_file(filled, filled.run, (other / "run.h5").read_bytes())
    found = ids(check(filled))
    assert "entry_differs" in found
    assert "certificate_of_another_run" in found
    assert "judgement_of_another_run" in found


def test_a_record_that_says_another_thing_than_its_file_is_found(filled: Shop) -> None:
    with_file(filled, filled.run, filled.run.read_bytes(), serial="another")
    checked = check(filled)
    assert ids(checked) == ["entry_differs"]
    assert checked.troubles[0].facts["what"] == "serial"


def test_papers_without_their_run_are_found(filled: Shop) -> None:
    run = filled.run.relative_to(filled.archive.folder).as_posix()
    filled.run.unlink()
    rewritten(
        filled, [e for e in filled.archive.entries() if e.path != run], filled.signing
    )
    assert ids(check(filled)) == ["papers_without_run"]


def test_a_note_on_another_run_is_found(filled: Shop, call: Call) -> None:
    options = ("--archive", filled.archive.folder, "--key", filled.key, "--by", WHO)
    id = read_sealed(filled.run).id
    code, out, _ = call("records", "comment", id, "شکرا\nseal 17", *options, "--json")
    assert code == 0
    note = filled.archive.folder / json.loads(out)["files"][0]["path"]
    assert check(filled).troubles == ()
    with_file(filled, note, note.read_bytes().replace(b"-first", b"-secnd"))
    assert ids(check(filled)) == ["remark_of_another_run"]


def test_two_certificates_of_one_number_are_found(filled: Shop) -> None:
    again = filled.page.with_name("certificate-copy.pdf")
    shutil.copy(filled.page, again)
    at = filled.page.relative_to(filled.archive.folder).as_posix()
    entries = list(filled.archive.entries())
    (page,) = (e for e in entries if e.path == at)
    copied = replace(page, path=at.replace(filled.page.name, again.name))
    rewritten(filled, [*entries, copied], filled.signing)
    assert ids(check(filled)) == ["certificate_number_twice"]


def test_a_head_of_another_archive_is_found(filled: Shop, tmp_path: Path) -> None:
    other = Archive(tmp_path / "other")
    other.make(filled.signing, WHO)
    shutil.copy(other.head_path, filled.archive.head_path)
    assert "head_of_another" in ids(check(filled))


def test_a_head_that_names_another_last_record_is_found(filled: Shop) -> None:
    head = filled.archive.head()
    *others, last = head.lines
    # as long as the true one
    forged = replace(head, lines=(*others, last.replace('"key ', '"kez ', 1)))
    assert forged.end == head.end
    filled.archive.head_path.write_bytes(forged.data)
    assert ids(check(filled)) == ["chain_not_of_head", "head_signature_wrong"]


def test_verify_needs_the_folder_and_the_key_alone(kept: Shop, tmp_path: Path) -> None:
    """On a computer that never saw the shop: a read-only copy, an empty home."""
    folder, key = tmp_path / "stick", tmp_path / "key.pem"
    shutil.copytree(kept.archive.folder, folder)
    shutil.copy(kept.key / PUBLIC_NAME, key)
    (folder / LOCK_NAME).unlink()
    before = sorted(folder.rglob("*"))
    empty = tmp_path / "empty"
    done = subprocess.run(
        [sys.executable, "-m", "proofstand", "verify", folder, "--key", key, "--json"],
        env={**os.environ, "PYTHONPATH": str(ROOT), "PROOFSTAND_HOME": str(empty)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    (told,) = json.loads(done.stdout)["files"]
    assert (told["what"], told["fits"], told["signature"]) == ("archive", True, "fits")
    assert sorted(folder.rglob("*")) == before
    assert not empty.exists()


# --- finding -------------------------------------------------------------------------


def test_records_are_found_and_shown(filled: Shop, call: Call) -> None:
    options = ("--archive", filled.archive.folder)
    code, out, _ = call("records", "find", "--most", 1, *options)
    assert code == 0
    first, more = out.splitlines()
    assert "first" in first or "second" in first
    assert "SIMULATED RIG" in first
    after = more.split("--after ")[1]
    code, out, _ = call("records", "find", "--after", after, *options)
    assert len(out.splitlines()) == 1
    code, out, _ = call("records", "find", "--summary", "--simulated", *options)
    assert out.split()[0] == "2026-06"
    assert out.split()[-1] == "2"
    number = json.loads(call("verify", filled.page, "--json")[1])["files"][0]
    code, out, _ = call("records", "show", number["certificate"]["number"], *options)
    assert "first 1/2 'x'" in out
    assert str(filled.page) in out
    code, out, _ = call("records", "find", "--real", *options)
    assert "No run was found" in out
    for wrong in (("--most", 0), ("--after", "x"), ("--from", "yesterday")):
        assert call("records", "find", *wrong, *options)[0] == 2
    assert call("records", "show", "nothing", *options)[0] == 2


def test_the_settings_name_archive_and_database(
    filled: Shop, call: Call, tmp_path: Path
) -> None:
    file = settings_file()
    file.parent.mkdir(parents=True)
    database = tmp_path / "own.sqlite"
    file.write_text(
        'format = "proofstand.settings/1"\n'
        f"archive_folder = '{filled.archive.folder}'\n"
        f"archive_url = 'sqlite:///{database}'\n",
        "utf-8",
    )
    code, out, _ = call("records", "find", "--json")
    assert len(json.loads(out)["runs"]) == 2
    assert database.exists()
    file.write_text('format = "proofstand.settings/1"\narchiv = "x"\n', "utf-8")
    code, _, said = call("records", "find")
    assert code == 2
    assert "archive_url" in said or "archive_folder" in said


def test_a_damaged_index_is_put_right_by_itself(filled: Shop, call: Call) -> None:
    where = home(filled.archive.folder)
    index_of(where).close()
    assert where.file is not None
    where.file.write_bytes(b"no database" * 1000)
    code, out, _ = call("records", "find", "--archive", filled.archive.folder, "--json")
    assert code == 0
    assert len(json.loads(out)["runs"]) == 2
    code, out, _ = call("archive", "rebuild", "--archive", filled.archive.folder)
    assert code == 0
    assert "9 records" in out


def test_a_run_is_the_same_after_it_was_kept(kept: Shop, run_of: RunOf) -> None:
    samples = read_sealed(run_of()).samples
    for name, found in read_sealed(kept.run).samples.items():
        assert (found.raw == samples[name].raw).all()
