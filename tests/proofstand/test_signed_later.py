"""Copies, reissues and notices of pages with a second signature, and with a list."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

import pytest

from proofstand.signoff import persons
from proofstand.signoff.beside import Asked
from proofstand.signoff.certificate import DATA_NAME, Title
from proofstand.signoff.copies import make_copy
from proofstand.signoff.countersigning import countersign_page
from proofstand.signoff.issue import issue
from proofstand.signoff.notices import Says, notices_of, put_notice, read_notice
from proofstand.signoff.pades import check
from proofstand.signoff.pagefacts import facts_of, original_of
from proofstand.signoff.verify import verify
from records.errors import IntegrityError, RefusedError
from records.people import Act

from .conftest import SealedRun
from .shop import HAND, LEAD, SIGNER, knows, real
from .test_countersign import asks

Lacks = Callable[[str], NoReturn]


@pytest.fixture(scope="module")
def run(sealed_run: SealedRun) -> Path:
    return sealed_run(change=asks)


@pytest.fixture(scope="module")
def waiting(
    run: Path, demo_key: Path, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    out = tmp_path_factory.mktemp("later") / "report.pdf"
    issue(run, out, by=SIGNER, key_folder=demo_key)
    return out


@pytest.fixture(scope="module")
def certificate(waiting: Path, demo_key: Path) -> Path:
    out = waiting.with_name("certificate.pdf")
    countersign_page(waiting, out, by=LEAD, key_folder=demo_key)
    return out


def shown_in(path: Path, lacks: Lacks) -> str:
    try:
        done = subprocess.run(
            ["pdftotext", path, "-"], capture_output=True, text=True, check=True
        )
    except FileNotFoundError:
        lacks("pdftotext")
    return " ".join(done.stdout.split())


def test_a_copy_has_the_countersignature_of_its_certificate(
    certificate: Path, waiting: Path, demo_key: Path, tmp_path: Path, lacks: Lacks
) -> None:
    copy, early = tmp_path / "copy.pdf", tmp_path / "early.pdf"
    make_copy(certificate, copy, by=SIGNER, key_folder=demo_key)
    make_copy(waiting, early, by=SIGNER, key_folder=demo_key)
    found, original = verify(copy, demo_key).paper, verify(certificate).paper
    assert found is not None
    assert original is not None
    assert found.title == Title.CERTIFICATE.value
    assert found.second is not None
    assert (found.second, found.judgement) == (original.second, original.judgement)
    for each in (copy, early):
        done = subprocess.run(["qpdf", "--check", each], capture_output=True, text=True)
        assert "No syntax or stream encoding errors" in done.stdout, done.stderr
    text = shown_in(copy, lacks)
    assert f"Countersigned by {LEAD}" in text
    assert f"by {SIGNER}, not proven" in text
    paper = verify(early, demo_key).paper
    assert paper is not None
    assert (paper.awaits, paper.second) == ("quality-lead", None)
    assert f"Countersigned by {LEAD}" not in shown_in(early, lacks)
    with pytest.raises(RefusedError, match="countersign_not_asked"):
        countersign_page(early, tmp_path / "x.pdf", by=LEAD, key_folder=demo_key)


def test_a_copy_that_says_other_than_its_certificate_is_found(
    certificate: Path, waiting: Path, demo_key: Path, tmp_path: Path
) -> None:
    from dataclasses import replace

    copy = tmp_path / "copy.pdf"
    make_copy(certificate, copy, key_folder=demo_key)
    signed = check(copy.read_bytes(), "")
    assert signed is not None
    facts = facts_of(signed, "")
    assert original_of(signed, facts, "").second is not None
    attached = signed.attached
    other = {**attached, "certificate.pdf": waiting.read_bytes()}
    for forged, told in (
        (replace(signed, attached=other), facts),
        (replace(signed, attached={DATA_NAME: attached[DATA_NAME]}), facts),
        (signed, {**facts, "verdict": "fail"}),
    ):
        with pytest.raises(IntegrityError, match="certificate_changed"):
            original_of(forged, told, "")


def test_a_reissue_asks_for_its_own_countersignature(
    run: Path, certificate: Path, demo_key: Path, tmp_path: Path
) -> None:
    out = tmp_path / "new.pdf"
    asked = Asked(replaces=certificate, why="the address was wrong")
    made = issue(run, out, by=SIGNER, key_folder=demo_key, asked=asked)
    paper = verify(out, demo_key).paper
    assert paper is not None
    assert (paper.awaits, paper.second) == ("quality-lead", None)
    (notice,) = notices_of(certificate)
    assert (notice.replaced_by, notice.proof) == (made.certificate.number, "typed")
    countersign_page(out, tmp_path / "signed.pdf", by=LEAD, key_folder=demo_key)
    paper = verify(tmp_path / "signed.pdf", demo_key).paper
    assert paper is not None
    assert paper.replaces == made.certificate.replaces.number  # type: ignore[union-attr]


@pytest.mark.usefixtures("shop")
def test_in_a_shop_with_a_list_it_takes_role_and_pin(
    sealed_run: SealedRun, bench_key: Path, tmp_path: Path
) -> None:
    run = sealed_run(key=bench_key, change=real)
    page, copy = tmp_path / "page.pdf", tmp_path / "copy.pdf"
    issue(run, page, by=SIGNER, ask=knows)
    asked = Asked(replaces=page, why="why")
    for by, ask, id in (
        ("", knows, "person_wanted"),
        (HAND, knows, "role_wanted"),
        (SIGNER, persons.no_pin, "pin_wanted"),
    ):
        with pytest.raises(RefusedError, match=id):
            put_notice(page, Says.UNDER_REVIEW, "why", by=by, ask=ask)
        with pytest.raises(RefusedError, match=id):
            make_copy(page, copy, by=by, ask=ask)
        with pytest.raises(RefusedError, match=id):
            issue(run, tmp_path / "new.pdf", by=by, ask=ask, asked=asked)
    assert [p.name for p in tmp_path.glob("*.pdf")] == ["page.pdf"]
    assert notices_of(page) == ()
    notice = put_notice(page, Says.UNDER_REVIEW, "why", by=SIGNER, ask=knows)
    said = read_notice(notice)
    assert (said.by, said.role, said.proof) == (SIGNER, "signatory", "PIN")
    make_copy(page, copy, by=SIGNER, ask=knows)
    signed = check(copy.read_bytes(), "")
    assert signed is not None
    told = json.loads(signed.attached[DATA_NAME])["copy_of"]
    assert (told["by"], told["proof"]) == (SIGNER, "PIN")
    made = issue(run, tmp_path / "new.pdf", by=SIGNER, ask=knows, asked=asked)
    replaced = notices_of(page)[-1]
    assert replaced.replaced_by == made.certificate.number
    assert (replaced.role, replaced.proof) == ("signatory", "PIN")
    says = [event.facts["says"] for event in persons.done(Act.NOTICE)]
    assert says == ["under review", "replaced"]
    assert len(persons.done(Act.COPY)) == 1
