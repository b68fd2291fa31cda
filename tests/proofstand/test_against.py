"""Under review, replaced, rejected: the shop's own hands are bound by it too.

Beside the file as it was handed out lies no notice here; the archive alone has it.
"""

from __future__ import annotations

import io
import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from proofstand.places import archive_dir
from proofstand.signoff.notices import notices_of

from .conftest import SealedRun
from .shop import LEAD, PINS, SIGNER, own_key, real
from .shops import Call, call
from .test_certificate import text_of, tool
from .test_countersign import asked_for_real, asks

__all__ = ["call", "tool"]  # fixtures
Tool = Callable[..., str]


@pytest.fixture(autouse=True)
def nobody_types(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))


@pytest.fixture
def pin(tmp_path: Path, shop: Path) -> Callable[[str], list[object]]:
    def of(name: str) -> list[object]:
        path = tmp_path / f"pin-{list(PINS).index(name)}"
        path.write_text(PINS[name], "utf-8")
        return ["--by", name, "--pin-from", path]

    return of


Pin = Callable[[str], list[object]]


@pytest.fixture
def run(sealed_run: SealedRun, bench_key: Path) -> Path:
    return sealed_run(key=bench_key, change=real)


def certified(call: Call, run: Path, out: Path, pin: Pin, *more: object) -> str:
    """Certify a run and return the number."""
    code, said, err = call("certify", run, "--out", out, *pin(SIGNER), *more)
    assert code == 0, err
    return said.splitlines()[0].split(", ")[0].rsplit(" ", 1)[1]


def in_archive(page: Path) -> Path:
    (found,) = (
        each
        for each in archive_dir().glob("2*/*/certificate-*.pdf")
        if each.read_bytes() == page.read_bytes()
    )
    return found


def away(folder: Path, page: Path, call: Call, pin: Pin, says: str) -> None:
    """Say something of a page at another place; the archive alone keeps it here."""
    other = folder / f"elsewhere-{says.replace(' ', '-')}"
    other.mkdir()
    shutil.copyfile(page, other / page.name)
    words = ("notice", other / page.name, "--says", says, "--why", "channel was off")
    code, _, err = call(*words, *pin(LEAD))
    assert code == 0, err
    assert notices_of(page) == ()
    assert [n.says for n in notices_of(in_archive(page))][-1] == says


def test_a_certificate_under_review_is_neither_tagged_nor_doubled(
    run: Path, tmp_path: Path, call: Call, pin: Pin, tool: Tool
) -> None:
    page = tmp_path / "c.pdf"
    number = certified(call, run, page, pin)
    tag = ("print", "tag", run, "--certificate", page, "--out")
    assert "serviceable" in call(*tag, tmp_path / "t1.pdf")[1]
    away(tmp_path, page, call, pin, "under review")
    assert "hold" in call(*tag, tmp_path / "t2.pdf")[1]
    code, _, err = call(*tag, tmp_path / "t3.pdf", "--state", "serviceable")
    assert code == 6
    assert "under review" in err
    copy = tmp_path / "copy.pdf"
    code, _, err = call("certify", "--copy-of", page, "--out", copy, *pin(SIGNER))
    assert code == 0, err
    assert "UNDER REVIEW since" in text_of(tool, copy)
    assert "channel was off" in text_of(tool, copy)
    assert "hold" in call(*tag[:4], copy, "--out", tmp_path / "t4.pdf")[1]
    # of another title, too, as a condition report
    new = ("certify", run, "--out", tmp_path / "new.pdf", *pin(SIGNER), "--as-found")
    code, _, err = call(*new, "--no-archive")
    assert code == 6
    assert f"{number} is under review" in err
    assert not (tmp_path / "new.pdf").exists()
    away(tmp_path, page, call, pin, "review ended")
    assert "serviceable" in call(*tag, tmp_path / "t5.pdf")[1]
    assert call(*new)[0] == 0


def test_a_sister_under_review_holds_the_tag(
    run: Path, tmp_path: Path, call: Call, pin: Pin
) -> None:
    certified(call, run, tmp_path / "c.pdf", pin)
    number = certified(call, run, tmp_path / "report.pdf", pin, "--as-found")
    away(tmp_path, tmp_path / "report.pdf", call, pin, "under review")
    tag = ("print", "tag", run, "--certificate", tmp_path / "c.pdf", "--out")
    code, _, err = call(*tag, tmp_path / "t.pdf", "--state", "serviceable")
    assert code == 6
    assert f"{number} is under review" in err


def test_what_was_replaced_is_replaced_wherever_it_lies(
    run: Path, tmp_path: Path, call: Call, pin: Pin, tool: Tool
) -> None:
    page, away_page = tmp_path / "c.pdf", tmp_path / "away" / "c.pdf"
    certified(call, run, page, pin)
    away_page.parent.mkdir()
    shutil.copyfile(page, away_page)
    better = ("--replaces", page, "--why", "misspelt")
    new = certified(call, run, tmp_path / "new.pdf", pin, *better)
    (notice,) = notices_of(in_archive(page))
    assert (notice.says, notice.replaced_by) == ("replaced", new)
    tag = ("print", "tag", run, "--certificate", away_page, "--out")
    code, _, err = call(*tag, tmp_path / "t.pdf", "--state", "serviceable")
    assert code == 6
    assert "replaced" in err
    copy = tmp_path / "copy.pdf"
    assert call("certify", "--copy-of", away_page, "--out", copy, *pin(SIGNER))[0] == 0
    assert f"REPLACED by {new} on " in text_of(tool, copy)
    assert call("records", "check")[0] == 0
    tag = ("print", "tag", run, "--certificate", tmp_path / "new.pdf", "--out")
    assert "serviceable" in call(*tag, tmp_path / "t2.pdf")[1]


def test_no_second_signature_while_a_page_is_under_review(
    sealed_run: SealedRun, bench_key: Path, tmp_path: Path, call: Call, pin: Pin
) -> None:
    run = sealed_run(key=bench_key, change=asked_for_real)
    page, out = tmp_path / "page.pdf", tmp_path / "c.pdf"
    number = certified(call, run, page, pin)
    sign = ("records", "countersign", page, "--out", out, *pin(LEAD))
    away(tmp_path, page, call, pin, "under review")
    code, _, err = call(*sign)
    assert code == 6
    assert f"{number} is under review" in err
    away(tmp_path, page, call, pin, "review ended")
    second = tmp_path / "page2.pdf"
    certified(call, run, second, pin, "--replaces", page, "--why", "misspelt")
    code, _, err = call(*sign)
    assert code == 6
    assert "was replaced by" in err
    assert not out.exists()
    assert call(*sign[:2], second, *sign[3:])[0] == 0


def test_a_rejected_run_has_no_copy_and_no_second_signature(
    sealed_run: SealedRun, bench_key: Path, tmp_path: Path, call: Call, pin: Pin
) -> None:
    run = sealed_run(key=bench_key, change=asked_for_real)
    page = tmp_path / "page.pdf"
    certified(call, run, page, pin)
    rejection = ("records", "reject", run, "--why", "wrong gas", *pin(LEAD))
    assert call(*rejection, "--out", tmp_path / "r.json")[0] == 0
    for words in (
        ("records", "countersign", page, *pin(LEAD)),
        ("certify", "--copy-of", page, *pin(SIGNER)),
    ):
        code, _, err = call(*words, "--out", tmp_path / "out.pdf")
        assert code == 6
        assert "wrong gas" in err
        assert not (tmp_path / "out.pdf").exists()


def test_the_archive_s_rejection_counts_where_no_list_of_people_has_it(
    sealed_run: SealedRun,
    bench_key: Path,
    tmp_path: Path,
    call: Call,
    own_places: Path,
) -> None:
    own_key(bench_key)
    run, page = sealed_run(key=bench_key, change=real), tmp_path / "c.pdf"
    words = ("certify", run, "--by", SIGNER, "--out")
    assert call(*words, page)[0] == 0
    rejection = ("records", "reject", run, "--why", "wrong gas", "--by", LEAD)
    assert call(*rejection, "--out", tmp_path / "r.json")[0] == 0
    tag = ("print", "tag", run, "--certificate", page, "--state", "serviceable")
    for refused in (
        (*words, tmp_path / "x.pdf", "--replaces", page, "--why", "x"),
        ("certify", "--copy-of", page, "--by", SIGNER, "--out", tmp_path / "x.pdf"),
        (*tag, "--out", tmp_path / "x.pdf"),
    ):
        code, _, err = call(*refused)
        assert code == 6, refused
        assert "rejected" in err


def test_a_simulated_page_is_asked_after_in_the_archive_that_is_named(
    sealed_run: SealedRun, demo_key: Path, tmp_path: Path, call: Call
) -> None:
    run, page = sealed_run(change=asks), tmp_path / "page.pdf"
    home = ("--archive", tmp_path / "archive")
    key = ("--key", demo_key)
    by = ("--by", SIGNER)
    assert call("certify", run, "--out", page, *by, *key, *home)[0] == 0
    done = tmp_path / "c.pdf"
    sign = ("records", "countersign", page, "--by", LEAD, *key, *home, "--out")
    assert call(*sign, done)[0] == 0
    kept = sorted(p.name for p in (tmp_path / "archive").glob("2*/*/certificate-*"))
    assert len(kept) == 2
    assert kept[0].endswith("-countersigned.pdf")
    tag = ("print", "tag", run, "--certificate", done, "--out")
    assert "serviceable" in call(*tag, tmp_path / "t1.pdf", *home)[1]
    other = tmp_path / "elsewhere"
    other.mkdir()
    shutil.copyfile(done, other / done.name)
    words = ("notice", other / done.name, "--says", "under review", "--why", "off")
    assert call(*words, *by, *key)[0] == 0
    (note,) = other.glob("*.notice-001.json")
    assert call("records", "add", note, *home, *key)[0] == 0
    assert "hold" in call(*tag, tmp_path / "t2.pdf", *home)[1]
    code, _, err = call(*sign, tmp_path / "again.pdf")
    assert code == 6
    assert "under review" in err


def test_a_name_without_a_pin_is_kept_as_typed(
    run: Path, tmp_path: Path, call: Call, pin: Pin
) -> None:
    certified(call, run, tmp_path / "c.pdf", pin)
    run_id = next(archive_dir().glob("2*/*/run.h5")).parent.name
    remark = ("records", "comment", run_id, "dropped", "--by", "Nobody at all")
    assert call(*remark)[0] == 0
    chain = (archive_dir() / "chain.jsonl").read_text("utf-8")
    lines = [json.loads(line) for line in chain.splitlines()]
    assert lines[-1]["who"] == "Nobody at all (as typed)"
    assert lines[-2]["who"] == SIGNER  # shown by PIN
