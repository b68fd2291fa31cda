"""What stands beside a certificate, and what becomes of one: letterhead, as found,
scans, reissues, notices, copies.

Outside checks: qpdf, pdffonts, pdftotext, pdfdetach and pdfsig, as in
test_certificate.py.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import segno

from proofstand.places import paper_file
from proofstand.signoff.beside import Asked
from proofstand.signoff.certificate import Title
from proofstand.signoff.copies import make_copy
from proofstand.signoff.issue import Issued, issue
from proofstand.signoff.notices import (
    Says,
    notices_of,
    put_notice,
    read_notice,
    standing,
)
from proofstand.signoff.verify import verify
from proofstand.words.sentences import page_list
from records.errors import InputError, IntegrityError, ProofstandError, RefusedError
from records.jobcard import AsFound
from records.measure import UNITS
from records.run import Mark, MarkKind, Run
from records.runfile import open_run

from .conftest import SealedRun
from .test_certificate import Call, call, flat, real, text_of, tool

__all__ = ["call", "tool"]  # fixtures
ROOT = Path(__file__).parents[2]
Tool = Callable[..., str]
HOUR_NS = 3_600 * 10**9
LOGO = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 60 40">'
    '<path d="M5 35 L30 5 L55 35 Z" fill="#1b1b1b"/></svg>'
)
PAPER = """format = "proofstand.paper/1"
name = "Larkmere Valve Works (invented)"
address = ["4 Weir Lane, Larkmere", "bench@larkmere.invalid"]
place = "the bench at Weir Lane"
"""


@pytest.fixture(scope="module")
def run(sealed_run: SealedRun) -> Path:
    return sealed_run()


def earlier(run: Run) -> Run:
    header = replace(run.header, started_utc_ns=run.header.started_utc_ns - HOUR_NS)
    return replace(run, header=replace(header, id=f"{run.id}-received"))


@pytest.fixture(scope="module")
def received(sealed_run: SealedRun) -> Path:
    """Return the run of the same regulator before its seat was replaced."""
    return sealed_run("seat_nicked", change=earlier)


def issued(run: Path, folder: Path, key: Path, **asked: Any) -> Issued:
    out = folder / f"page-{len(list(folder.iterdir()))}.pdf"
    return issue(run, out, by="I. Ferrand", key_folder=key, asked=Asked(**asked))


def paper_at(folder: Path, more: str = "") -> Path:
    path = folder / "paper.toml"
    path.write_text(PAPER + more, "utf-8")
    (folder / "logo.svg").write_text(LOGO, "utf-8")
    return path


# --- letterhead and wording ----------------------------------------------------------


def test_letterhead_and_wording_are_added_and_take_nothing_away(
    run: Path, tmp_path: Path, demo_key: Path, tool: Tool
) -> None:
    more = (
        'logo = "logo.svg"\n[[wording]]\ntext = "Kept for ten years."\n[[wording]]\n'
        'text = "Our bench is accredited."\nevidence = "certificate 17, invented"\n'
    )
    made = issued(run, tmp_path, demo_key, paper=paper_at(tmp_path, more))
    text = text_of(tool, made.path)
    for said in (
        "Larkmere Valve Works (invented)",
        "4 Weir Lane, Larkmere, bench@larkmere.invalid",
        "place of test the bench at Weir Lane",
        "in words of its own that change nothing of what stands above",
        "Kept for ten years.",
        "Our bench is accredited. (evidence: certificate 17, invented)",
        # two columns stand side by side: a line may be read on into the other
        *(" ".join(each.split()[:2]) for each in page_list("no_claims")),
        *(" ".join(each.split()[:3]) for each in page_list("installers")),
    ):
        assert said in text, said
    assert "place of test," not in text  # no longer among what is not recorded
    plain = text_of(tool, issued(run, tmp_path, demo_key).path)
    assert "words of its own" not in plain
    assert "No syntax or stream encoding errors" in tool("qpdf", "--check", made.path)
    assert "Pages: 1" in flat(tool("pdfinfo", made.path))


@pytest.mark.parametrize(
    ("more", "error", "id"),
    [
        ('[[wording]]\ntext = "We are accredited."\n', RefusedError, "wording_claims"),
        ('[[wording]]\ntext = "Complies with all."\n', RefusedError, "wording_claims"),
        (f'[[wording]]\ntext = "{"x" * 401}"\n', InputError, "value_wrong"),
        ('[[wording]]\ntext = " "\n', InputError, "value_wrong"),
        ('[[wording]]\ntext = "a"\n' * 4, InputError, "value_wrong"),
        ("no_claims = []\n", InputError, "key_unknown"),
        ('logo = "none.svg"\n', InputError, "file_missing"),
        ('logo = "paper.toml"\n', InputError, "file_not_ours"),
        ('logo = "."\n', InputError, "file_unreadable"),
        ('logo = "text.svg"\n', InputError, "value_wrong"),
        ('logo = "link.svg"\n', InputError, "value_wrong"),
        ('logo = "empty.svg"\n', InputError, "file_empty"),
        ('logo = "huge.svg"\n', InputError, "value_wrong"),
        ('logo = "broken.svg"\n', InputError, "page_unprintable"),
        ('logo = "broken.png"\n', InputError, "page_unprintable"),
    ],
)
def test_a_paper_that_can_t_be_used(
    run: Path,
    tmp_path: Path,
    demo_key: Path,
    more: str,
    error: type[ProofstandError],
    id: str,
) -> None:
    files = {
        "text.svg": LOGO.replace("<path", "<text>Works</text><path").encode(),
        "link.svg": LOGO.replace("<path", "<use href='a.svg'/><path").encode(),
        "empty.svg": b"",
        "huge.svg": LOGO.encode() + b" " * 200_000,
        "broken.svg": b"<svg",
        "broken.png": b"\x89PNG\r\n\x1a\n" + b"0" * 50,
    }
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    out = tmp_path / "page.pdf"
    asked = Asked(paper=paper_at(tmp_path, more))
    with pytest.raises(error) as caught:
        issue(run, out, key_folder=demo_key, asked=asked)
    assert caught.value.id == id
    assert not out.exists()


def test_a_png_is_a_logo_too(run: Path, tmp_path: Path, demo_key: Path) -> None:
    segno.make("x", micro=False).save(str(tmp_path / "logo.png"), scale=4)
    paper = paper_at(tmp_path, 'logo = "logo.png"\n')
    made = issued(run, tmp_path, demo_key, paper=paper)
    assert made.certificate.title is Title.CERTIFICATE


def test_the_shop_s_paper_is_for_real_rigs(
    sealed_run: SealedRun,
    run: Path,
    tmp_path: Path,
    demo_key: Path,
    bench_key: Path,
    tool: Tool,
) -> None:
    paper_file().parent.mkdir(parents=True)
    paper_file().write_text(PAPER, "utf-8")
    simulated = issued(run, tmp_path, demo_key)
    assert "4 Weir Lane" not in text_of(tool, simulated.path)
    real_run = sealed_run(key=bench_key, change=real)
    made = issued(real_run, tmp_path, bench_key)
    assert "4 Weir Lane" in text_of(tool, made.path)


# --- the scan ------------------------------------------------------------------------


def test_the_label_is_scanned_before_the_certificate(
    run: Path, tmp_path: Path, demo_key: Path, call: Call
) -> None:
    job = open_run(run).header.job
    serial = job.regulator.serial
    out = tmp_path / "page.pdf"
    words = ("certify", run, "--out", out, "--key", demo_key)
    code, _, err = call(*words, "--scanned", "LV-9/K-1")
    assert code == 6
    assert "LV-9/K-1" in err
    paper = paper_at(tmp_path, "scan_before_certificate = true\n")
    code, _, err = call(*words, "--paper", paper)
    assert code == 6
    assert f"serial {serial}" in err
    assert not out.exists()
    code, _, err = call(*words, "--paper", paper, "--scanned", job.label(serial))
    assert code == 0, err


# --- as found beside as left ---------------------------------------------------------


def test_as_found_stands_beside_as_left(
    run: Path, received: Path, tmp_path: Path, demo_key: Path, tool: Tool
) -> None:
    made = issued(run, tmp_path, demo_key, as_found_run=received)
    before = open_run(received)
    text = text_of(tool, made.path).replace("\u200b", "")
    assert "As found, beside as left" in text
    assert f"As found: run {before.id}" in text
    assert before.sha256 in text.replace(" ", "")
    assert "sealed with this key" in text
    assert "as found (not tested before)" not in text
    tool("pdfdetach", "-saveall", "-o", tmp_path, made.path)
    facts = json.loads((tmp_path / "certificate.json").read_text("utf-8"))
    assert facts["as_found"] == {"id": before.id, "sha256": before.sha256}
    schema = ROOT / "docs" / "schemas" / "certificate-1.json"
    jsonschema.validate(facts, json.loads(schema.read_text("utf-8")))


def test_each_quantity_is_compared_with_itself(
    run: Path, received: Path, demo_key: Path
) -> None:
    from analysis.judge import judge
    from proofstand.signoff.as_found import as_found_rows
    from proofstand.signoff.beside import gathered
    from proofstand.signoff.keys import load_key

    now = open_run(run)
    beside = gathered(Asked(as_found_run=received), now, load_key(demo_key))
    assert beside.as_found is not None
    judgement = judge(now)
    rows = as_found_rows(beside.as_found, now, now.header.plan, judgement)
    names = [row["name"] for row in rows]
    assert "Set pressure" in names
    assert "Lockup rise" in names
    assert not {"Zero", "Rig leak"} & set(names)
    # two inlet pressures: one row each, and the worst of repeats at one
    assert names.count("Lockup rise") == 2
    outcomes = {row["before_outcome"] for row in rows}
    assert "fail" in outcomes
    assert {row["after_outcome"] for row in rows} <= {"pass", ""}
    for row in rows:
        assert "±" in row["before"] or " to " in row["before"]
        assert re.search(r"(in\. w\.c\.|std cm3|psi)", row["before"])


@pytest.mark.parametrize(
    ("change", "id"),
    [
        (lambda run: with_serial(earlier(run), "SIM-9"), "as_found_of_another"),
        (lambda run: run, "as_found_not_before"),
    ],
)
def test_as_found_is_of_this_regulator_and_of_before(
    sealed_run: SealedRun,
    run: Path,
    tmp_path: Path,
    demo_key: Path,
    change: Callable[[Run], Run],
    id: str,
) -> None:
    other = sealed_run(change=change)
    with pytest.raises(RefusedError, match=id):
        issued(run, tmp_path, demo_key, as_found_run=other)
    assert not list(tmp_path.iterdir())


def with_serial(run: Run, serial: str) -> Run:
    job = run.header.job
    job = replace(job, regulator=replace(job.regulator, serial=serial))
    return replace(run, header=replace(run.header, job=job))


def test_the_run_that_the_card_names_is_the_one(
    sealed_run: SealedRun, received: Path, tmp_path: Path, demo_key: Path
) -> None:
    def named(run: Run) -> Run:
        job = replace(run.header.job, as_found=AsFound(done=True, run="another"))
        return replace(run, header=replace(run.header, job=job))

    with pytest.raises(RefusedError, match="as_found_of_another"):
        issued(sealed_run(change=named), tmp_path, demo_key, as_found_run=received)


def test_an_unsigned_run_as_found_is_refused(
    sealed_run: SealedRun, run: Path, tmp_path: Path, demo_key: Path
) -> None:
    unsigned = sealed_run(key=None, change=earlier)
    with pytest.raises(RefusedError, match="run_not_signed"):
        issued(run, tmp_path, demo_key, as_found_run=unsigned)


def test_what_a_person_declared_in_the_test_is_told(
    sealed_run: SealedRun, tmp_path: Path, demo_key: Path, tool: Tool
) -> None:
    def told(run: Run) -> Run:
        mark = Mark(
            part=1,
            t_s=100.4,
            kind=MarkKind.OPENED,
            step="pressurise",
            data={"act": "bonnet screws loosened", "declared": "yes"},
            by="P. Quill",
        )
        marks = sorted((*run.marks, mark), key=lambda m: (m.part, m.t_s))
        return replace(run, marks=tuple(marks))

    made = issued(sealed_run(change=told), tmp_path, demo_key)
    said = "Opened at 100 s, step pressurise: bonnet screws loosened, said P. Quill."
    assert said in text_of(tool, made.path)


# --- reissues and notices ------------------------------------------------------------


def test_a_reissue_names_the_old_one_and_the_old_one_says_so(
    run: Path, tmp_path: Path, demo_key: Path, call: Call, tool: Tool
) -> None:
    old = issued(run, tmp_path, demo_key)
    whole = old.path.read_bytes()
    out = tmp_path / "new.pdf"
    words = ("certify", run, "--out", out, "--key", demo_key, "--replaces", old.path)
    code, _, err = call(*words)
    assert code == 2
    assert "--why" in err
    assert not out.exists()
    code, _, err = call(*words, "--why", "the sender's name was misspelt")
    assert code == 0, err
    assert old.path.read_bytes() == whole
    number = old.certificate.number
    said = f"Replaces {number}: the sender's name was misspelt."
    assert said in text_of(tool, out)
    code, told, _ = call("verify", old.path, out, "--key", demo_key, "--json")
    assert code == 6
    before, after = (file["certificate"] for file in json.loads(told)["files"])
    assert [file["stands"] for file in json.loads(told)["files"]] == [False, True]
    assert after["replaces"] == number
    (notice,) = before["notices"]
    assert notice["says"] == "replaced"
    assert notice["replaced_by"] == after["number"] != number
    tool("pdfdetach", "-saveall", "-o", tmp_path, out)
    facts = json.loads((tmp_path / "certificate.json").read_text("utf-8"))
    assert facts["replaces"]["sha256"] == hashlib.sha256(whole).hexdigest()
    schema = ROOT / "docs" / "schemas" / "certificate-1.json"
    jsonschema.validate(facts, json.loads(schema.read_text("utf-8")))


def test_an_archive_keeps_the_run_as_found_and_what_was_replaced(
    run: Path, received: Path, tmp_path: Path, demo_key: Path, call: Call
) -> None:
    old, archive = tmp_path / "old.pdf", tmp_path / "archive"
    words = ("certify", run, "--key", demo_key, "--archive", archive, "--out")
    code, said, err = call(*words, old, "--as-found-run", received, "--json")
    assert code == 0, err
    first = open_run(received)
    (kept,) = archive.glob(f"2*/{first.id}/run.h5")
    assert kept.read_bytes() == received.read_bytes()
    assert (kept.parent / "judgement-001.json").exists()
    place = Path(json.loads(said)["kept"])
    better = ("--replaces", old, "--why", "misspelt")
    code, said, err = call(*words, tmp_path / "new.pdf", *better, "--json")
    assert code == 0, err
    assert "not_kept" not in err
    (notice,) = notices_of(place)
    assert (notice.says, notice.why) == ("replaced", "misspelt")
    assert notice.replaced_by == json.loads(said)["number"]
    assert call("records", "check", "--archive", archive, "--key", demo_key)[0] == 0


def test_a_reissue_is_of_the_same_run(
    sealed_run: SealedRun, run: Path, tmp_path: Path, demo_key: Path
) -> None:
    old = issued(sealed_run(change=earlier), tmp_path, demo_key)
    with pytest.raises(RefusedError, match="replaces_of_another"):
        issued(run, tmp_path, demo_key, replaces=old.path, why="x")
    with pytest.raises(InputError, match="file_not_ours"):
        issued(run, tmp_path, demo_key, replaces=run, why="x")


def test_under_review_is_shown_and_ends_by_another_notice(
    run: Path, tmp_path: Path, demo_key: Path, call: Call
) -> None:
    made = issued(run, tmp_path, demo_key)
    whole = made.path.read_bytes()
    words = ("notice", made.path, "--key", demo_key, "--by", "I. Ferrand")
    code, said, err = call(
        *words, "--says", "under review", "--why", "the outlet channel was off"
    )
    assert code == 0, err
    assert standing(notices_of(made.path)) == "under review"
    code, said, _ = call("verify", made.path, "--key", demo_key)
    assert code == 6
    assert said.startswith(f"{made.path}: UNDER REVIEW since")
    assert "the outlet channel was off" in said
    code, said, _ = call(*words, "--says", "review ended", "--why", "it was not")
    assert code == 0
    assert standing(notices_of(made.path)) == ""
    assert len(list(tmp_path.glob("*.notice-*.json"))) == 2
    assert made.path.read_bytes() == whole
    schema = ROOT / "docs" / "schemas" / "notice-1.json"
    for file in tmp_path.glob("*.notice-*.json"):
        jsonschema.validate(
            json.loads(file.read_text("utf-8")), json.loads(schema.read_text("utf-8"))
        )


def test_every_changed_byte_of_a_notice_is_found(
    run: Path, tmp_path: Path, demo_key: Path, call: Call
) -> None:
    made = issued(run, tmp_path, demo_key)
    notice = put_notice(made.path, Says.UNDER_REVIEW, "why", key_folder=demo_key)
    data = notice.read_bytes()
    for at in range(0, len(data), 7):
        changed = bytearray(data)
        changed[at] ^= (1, 32)[at % 2]
        notice.write_bytes(changed)
        with pytest.raises(IntegrityError, match="notice_changed"):
            read_notice(notice)
    notice.write_bytes(data + b" ")
    code, _, err = call("verify", made.path, "--key", demo_key)
    assert code == 5
    assert "notice" in err


def test_a_notice_is_verified_by_itself(
    run: Path, tmp_path: Path, demo_key: Path, bench_key: Path, call: Call
) -> None:
    made = issued(run, tmp_path, demo_key)
    notice = put_notice(made.path, Says.UNDER_REVIEW, "why", key_folder=demo_key)
    number = made.certificate.number
    code, said, err = call("verify", notice)
    assert code == 0, err
    assert f"notice, of certificate {number}" in said
    assert "UNDER REVIEW since" in said
    assert "give --key" in said
    assert "SIMULATED" in said
    code, said, _ = call("verify", notice, "--key", demo_key, "--json")
    assert code == 0
    told = json.loads(said)
    assert told["files"][0]["signature"] == "fits"
    schema = ROOT / "docs" / "schemas" / "verified-1.json"
    jsonschema.validate(told, json.loads(schema.read_text("utf-8")))
    code, _, err = call("verify", notice, "--key", bench_key)
    assert code == 5
    assert "signature" in err
    assert call("verify", notice, "--key", bench_key, "--key", demo_key)[0] == 0
    data = notice.read_bytes()
    for at in range(0, len(data), 97):
        changed = bytearray(data)
        changed[at] ^= 1
        notice.write_bytes(changed)
        assert call("verify", notice)[0] == 5, at


def test_a_document_without_a_signature_is_not_called_changed(
    run: Path, tmp_path: Path, demo_key: Path, call: Call
) -> None:
    archive = tmp_path / "archive"
    words = ("certify", run, "--out", tmp_path / "c.pdf", "--key", demo_key)
    assert call(*words, "--archive", archive)[0] == 0
    (judged,) = archive.glob("2*/*/judgement-001.json")
    code, _, err = call("verify", judged)
    assert code == 2
    assert "This judgement of Proofstand carries no signature" in err
    printed = tmp_path / "judged.json"
    printed.write_text(call("judge", run, "--json")[1], "utf-8")
    assert "This judgement of" in call("verify", printed)[2]
    note = put_notice(tmp_path / "c.pdf", Says.UNDER_REVIEW, "x", key_folder=demo_key)
    # what was signed once does not become another document by a changed word
    other = note.read_bytes().replace(
        b"proofstand.notice/1", b"proofstand.judgements/1"
    )
    (tmp_path / "other.json").write_bytes(other)
    code, _, err = call("verify", tmp_path / "other.json")
    assert code == 5
    assert "changed after it was signed" in err


def test_a_notice_is_its_certificate_s_and_its_key_s(
    run: Path, tmp_path: Path, demo_key: Path, bench_key: Path
) -> None:
    one, other = (issued(run, tmp_path, demo_key) for _ in range(2))
    notice = put_notice(one.path, Says.UNDER_REVIEW, "why", key_folder=demo_key)
    moved = other.path.with_name(f"{other.path.stem}.notice-001.json")
    moved.write_bytes(notice.read_bytes())
    with pytest.raises(IntegrityError, match="notice_changed"):
        notices_of(other.path)
    with pytest.raises(RefusedError, match="key_for_real_rigs"):
        put_notice(one.path, Says.UNDER_REVIEW, "why", key_folder=bench_key)
    with pytest.raises(InputError, match="value_wrong"):
        put_notice(one.path, Says.UNDER_REVIEW, " ", key_folder=demo_key)
    with pytest.raises(InputError, match="file_not_ours"):
        put_notice(run, Says.UNDER_REVIEW, "why", key_folder=demo_key)


# --- copies --------------------------------------------------------------------------


def test_a_copy_says_so_and_holds_the_certificate(
    run: Path, tmp_path: Path, demo_key: Path, call: Call, tool: Tool
) -> None:
    made = issued(run, tmp_path, demo_key)
    out = tmp_path / "copy.pdf"
    words = ("certify", "--copy-of", made.path, "--out", out, "--by", "P. Quill")
    code, _, err = call(*words, "--key", demo_key)
    assert code == 0, err
    text = text_of(tool, out)
    number = made.certificate.number
    assert text.startswith(f"COPY Copy of {number}, made ")
    assert "by P. Quill" in text
    assert text_of(tool, made.path) in text  # the page itself, whole
    assert "No syntax or stream encoding errors" in tool("qpdf", "--check", out)
    fonts = tool("pdffonts", out).splitlines()[2:]
    assert fonts
    assert all(line.split()[-5] == "yes" for line in fonts)
    assert "Total document signed" in tool("pdfsig", "-nocert", out)
    tool("pdfdetach", "-saveall", "-o", tmp_path, out)
    assert (tmp_path / "certificate.pdf").read_bytes() == made.path.read_bytes()
    facts = json.loads((tmp_path / "certificate.json").read_text("utf-8"))
    schema = ROOT / "docs" / "schemas" / "certificate-1.json"
    jsonschema.validate(facts, json.loads(schema.read_text("utf-8")))
    found = verify(out, demo_key)
    assert found.paper is not None
    assert found.paper.number == number
    digest = hashlib.sha256(made.path.read_bytes()).hexdigest()
    assert found.paper.copy_of == digest
    code, said, _ = call("verify", out, run, "--key", demo_key)
    assert code == 0
    assert f"a COPY; the certificate has sha256 {digest}" in said


def test_what_no_copy_is_made_of(
    run: Path, tmp_path: Path, demo_key: Path, bench_key: Path, call: Call
) -> None:
    made = issued(run, tmp_path, demo_key)
    copy = tmp_path / "copy.pdf"
    make_copy(made.path, copy, key_folder=demo_key)
    again = tmp_path / "again.pdf"
    with pytest.raises(RefusedError, match="copy_of_a_copy"):
        make_copy(copy, again, key_folder=demo_key)
    with pytest.raises(RefusedError, match="copy_of_a_copy"):
        issued(run, tmp_path, demo_key, replaces=copy, why="x")
    with pytest.raises(RefusedError, match="simulated_needs_demo_key"):
        make_copy(made.path, again)
    with pytest.raises(RefusedError, match="key_for_real_rigs"):
        make_copy(made.path, again, key_folder=bench_key)
    with pytest.raises(InputError, match="file_exists"):
        make_copy(made.path, copy, key_folder=demo_key)
    with pytest.raises(InputError, match="file_not_ours"):
        make_copy(run, again, key_folder=demo_key)
    changed = bytearray(made.path.read_bytes())
    changed[3000] ^= 1
    broken = tmp_path / "broken.pdf"
    broken.write_bytes(changed)
    with pytest.raises(IntegrityError):
        make_copy(broken, again, key_folder=demo_key)
    assert not again.exists()
    code, _, err = call("certify", run, "--copy-of", made.path, "--out", again)
    assert code == 2
    assert "leave the run out" in err
    assert call("certify", "--out", again)[0] == 2


# --- every number with its unit ------------------------------------------------------

NUMBER = r"[−-]?\d+(?:\.\d+)?"
LONGEST_FIRST = sorted((re.escape(u) for u in UNITS if u != "1"), key=len, reverse=True)
UNIT = "|".join(LONGEST_FIRST)
# In this order: what goes with a unit, then numbers that are no quantity.
WITH_A_UNIT = (
    rf"{NUMBER}(?: ± {NUMBER}| \({NUMBER} to {NUMBER}\)| to {NUMBER})?[ -](?:{UNIT})"
    r"(?![A-Za-z])",
    rf"(?:[<>] )?{NUMBER} %",
    # of a limit: the unit stands before it in the same row of the table
    rf"(?:at most|at least|within) ±?{NUMBER}|(?<!\S){NUMBER} to {NUMBER} [a-z](?!\S)",
)
NO_QUANTITY = (
    r"JCGM 106:2012, [78]\.\d(?: and 8\.3)?|ILAC-G8:09/2019, 4\.2",
    r"27\.71 to the psi",
    r"\d{4}-\d\d-\d\d(?: \d\d:\d\d [+-]\d\d:\d\d)?",
    r"version \d+|page \d+ of \d+|attempt \d+ of \d+|k (?:= |about )\d",
    r"Proofstand [\d.]+, analysis \d+; recorded with \d+(?:\.\d+)*",
    r"(?<!\S)\d{1,2} (?=[a-z]+(?:-[a-z0-9]+)*(?!\S))",  # of a step, before its name
    r"\b[0-9a-f]{12,}…?",
    r"\b[\w-]*[A-Za-z][\w-]*(?:\.\d+)?\b",
)


def without_unit(text: str) -> list[str]:
    """Return the numbers of a page's text that have no unit."""
    text = text.replace("\u200b", "")
    for pattern in (*WITH_A_UNIT, *NO_QUANTITY):
        text = re.sub(pattern, " ", text)
    return re.findall(rf"\S*{NUMBER}\S*", text)


def test_the_scan_finds_a_number_without_unit() -> None:
    assert without_unit("held 30 s at 10.0 ± 0.1 psi gauge, 2026-11-26") == []
    assert without_unit("Set pressure 11.0 ± 0.2") == ["11.0", "0.2"]
    assert without_unit("closed in 3") == ["3"]


def test_every_number_on_the_page_has_its_unit(
    run: Path, received: Path, tmp_path: Path, demo_key: Path, tool: Tool
) -> None:
    pages = (
        issued(run, tmp_path, demo_key),
        issued(run, tmp_path, demo_key, as_found_run=received),
        issued(received, tmp_path, demo_key),
    )
    for made in pages:
        text = text_of(tool, made.path)
        assert len(re.findall(NUMBER, text)) > 100
        assert without_unit(text) == [], made.certificate.title
