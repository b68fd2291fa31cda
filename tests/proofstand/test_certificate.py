"""The certificate: what it says, what it never says, how it is checked from outside.

Outside checks: qpdf (structure), poppler's pdffonts, pdftotext, pdfdetach and pdfsig.
Published sources: ISO 19005-3:2012 (PDF/A-3: identification in the metadata, output
intent, embedded fonts); ETSI EN 319 142-1 (sub-filter of a PAdES signature).
"""

from __future__ import annotations

import datetime
import hashlib
import json
import os
import random
import re
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any, NoReturn
from xml.etree import ElementTree

import jsonschema
import pytest
import segno
from cryptography import x509
from cryptography.hazmat.primitives import serialization
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.ttGlyphPen import TTGlyphPen

from proofstand.commands.main import main
from proofstand.display import show
from proofstand.drawing import faces
from proofstand.drawing.faces import covered
from proofstand.report import role_of
from proofstand.signoff import issue as issuing
from proofstand.signoff.certificate import Title, code_text
from proofstand.signoff.copies import make_copy
from proofstand.signoff.issue import Issued, issue, page_of
from proofstand.signoff.keys import CERTIFICATE_NAME, PRIVATE_NAME, shop_folder
from proofstand.signoff.page import SCALES, code_svg
from proofstand.signoff.told import told
from proofstand.signoff.verify import belongs, verify
from proofstand.words.sentences import page_words, words
from records.errors import InputError, IntegrityError, RefusedError
from records.judgement import Verdict
from records.planfile import builtin_plan
from records.run import MarkKind, Run, RunState
from records.runfile import BLOCK_BYTES, open_run, write_once, write_run
from records.tomlfile import text_sha256

from .conftest import RunOf, SealedRun, once

ROOT = Path(__file__).parents[2]
Lacks = Callable[[str], NoReturn]
Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def tool(lacks: Lacks) -> Callable[..., str]:
    def call(*arguments: object) -> str:
        try:
            done = subprocess.run(
                [str(a) for a in arguments],
                capture_output=True,
                text=True,
                check=False,
            )
        except FileNotFoundError:
            lacks(str(arguments[0]))
        return done.stdout + done.stderr

    return call


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Call:
    def run(*arguments: object) -> tuple[int, str, str]:
        code = main([str(a) for a in arguments])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, said.out, said.err

    return run


@pytest.fixture(scope="module")
def passed(
    sealed_run: SealedRun, demo_key: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, Issued]:
    """Return a run that passes an accepted plan, and its certificate."""
    run = sealed_run()
    out = tmp_path_factory.mktemp("certificate") / "certificate.pdf"
    return run, issue(run, out, by="I. Ferrand (invented)", key_folder=demo_key)


def text_of(tool: Callable[..., str], path: Path) -> str:
    """Return a page's words in the order of reading, each line break a space."""
    return flat(tool("pdftotext", path, "-"))


def flat(text: str) -> str:
    return " ".join(text.split())


# --- what the page says --------------------------------------------------------------


def test_a_pass_of_an_accepted_plan_is_a_certificate(
    passed: tuple[Path, Issued], tool: Callable[..., str]
) -> None:
    run_path, made = passed
    run = open_run(run_path)
    assert made.certificate.title is Title.CERTIFICATE
    assert re.fullmatch(r"SIM-\d{8}-[2-9A-HJKMNP-TV-Z]{6}", made.certificate.number)
    text = text_of(tool, made.path)
    job = run.header.job
    for wanted in (
        "SIMULATED RIG, no regulator was tested",
        "Certificate",
        made.certificate.number,
        job.regulator.serial,
        job.id,
        "I. Ferrand (invented)",
        "Pass",
        run.sha256,
        run.id,
        "nitrogen; service gas is propane",
        "SIM-OUTLET-1",
        "std cm3/min: at 20 °C and 101.325 kPa",
        "water at 60 °F, 27.71 to the psi",
        made.certificate.key_id[:16],
    ):
        assert wanted in text, wanted
    for said in run.header.plan.not_shown:
        assert said in text


def test_every_required_finding_stands_with_unit_limit_and_outcome(
    passed: tuple[Path, Issued], tool: Callable[..., str]
) -> None:
    run_path, made = passed
    run = open_run(run_path)
    lines = tool("pdftotext", "-layout", made.path, "-").splitlines()
    required = [f for f in made.judgement.findings if f.required]
    assert len(required) > 12
    for finding in required:
        shown = show(finding, run.header.plan, role_of(finding, run.header.rig))
        spread = f"({shown.interval})" if shown.skew else f"± {shown.uncertainty}"
        value = f"{shown.value} {spread}".replace("-", "−")
        rows = [flat(line) for line in lines if value in line]
        tail = f"{shown.unit} {shown.reference}".strip()
        assert any(f"{value} {tail}" in row and "pass" in row for row in rows), value


def test_it_never_claims_what_nobody_showed(
    passed: tuple[Path, Issued], tool: Callable[..., str]
) -> None:
    said = [text_of(tool, passed[1].path), *page_words().values()]
    for text in said:
        for word in ("accredited", "certified to", "approved", "guarantee", "warrant"):
            assert word not in text.lower(), word


def test_the_installer_is_reminded(
    passed: tuple[Path, Issued], tool: Callable[..., str]
) -> None:
    text = text_of(tool, passed[1].path)
    for word in ("leak solution", "strainer", "vent", "setting", "Local rules"):
        assert word in text


@pytest.mark.parametrize(
    ("faults", "approved", "as_found", "title", "words"),
    [
        ((), False, False, Title.TEST_REPORT, ["Pass against draft limits", "draft"]),
        ((), True, True, Title.CONDITION_REPORT, ["As found: pass", "as received"]),
        (
            ("seat_nicked",),
            True,
            False,
            Title.TEST_REPORT,
            ["Fail", "Likely group of causes", "Look first at", "nicked"],
        ),
    ],
)
def test_other_titles(
    sealed_run: SealedRun,
    demo_key: Path,
    tmp_path: Path,
    tool: Callable[..., str],
    faults: tuple[str, ...],
    approved: bool,
    as_found: bool,
    title: Title,
    words: list[str],
) -> None:
    run = sealed_run(*faults, approved=approved)
    out = tmp_path / "page.pdf"
    made = issue(run, out, key_folder=demo_key, as_found=as_found)
    assert made.certificate.title is title
    text = text_of(tool, out)
    assert title.said in text
    assert "not a certificate" in text
    for word in words:
        assert word in text, word
    # a page is signed, and how likely a cause is is a guess
    tool("pdfdetach", "-saveall", "-o", tmp_path, out)
    inside = json.loads((tmp_path / "judgement.json").read_text("utf-8"))
    for suspect in inside["judgements"][0]["suspects"]:
        assert suspect["probability"] is None
        assert suspect["separate_by"] == []
    assert "To tell apart" not in text


def test_an_as_found_plan_gives_a_condition_report_and_no_pass(
    sealed_run: SealedRun, demo_key: Path, tmp_path: Path
) -> None:
    plan, text = builtin_plan("as-found")

    def as_received(run: Run) -> Run:
        header = replace(
            run.header, plan=plan, plan_text=text, plan_sha256=text_sha256(text)
        )
        return replace(run, header=header)

    run = sealed_run(approved=False, change=as_received)
    made = issue(run, tmp_path / "page.pdf", key_folder=demo_key)
    assert made.certificate.title is Title.CONDITION_REPORT
    assert made.judgement.verdict is Verdict.NO_LIMIT


def test_an_import_without_limits_is_a_test_report(
    call: Call, tmp_path: Path, tool: Callable[..., str], bench_key: Path
) -> None:
    log = tmp_path / "log.csv"
    rows = "".join(f"{n / 10},{700 - n * 0.001}\n" for n in range(600))
    log.write_text("time s,chamber kPa gauge\n" + rows)
    map_path = tmp_path / "map.toml"
    map_path.write_text(
        'format = "proofstand.map/1"\ndelimiter = ","\n[time]\ncolumn = 1\n'
        'unit = "s"\n[[channels]]\ncolumn = 2\nid = "chamber"\nrole = "pressure"\n'
        'unit = "kPa gauge"\n'
    )
    run, out = tmp_path / "run.h5", tmp_path / "page.pdf"
    code, _, err = call(
        "import", log, "--map", map_path, "--out", run, "--key", bench_key
    )
    assert code == 0, err
    code, said, err = call("certify", run, "--out", out, "--key", bench_key)
    assert code == 0, err
    assert "Test report" in said
    text = text_of(tool, out)
    assert "SIMULATED" not in text
    for word in ("No limits", "no calibration", "not stated", "log.csv"):
        assert word in text, word
    assert not re.search(r"number SIM-", text)


# --- the file ------------------------------------------------------------------------


def test_structure_fonts_and_one_page(
    passed: tuple[Path, Issued], tool: Callable[..., str]
) -> None:
    path = passed[1].path
    assert "No syntax or stream encoding errors" in tool("qpdf", "--check", path)
    rows = tool("pdffonts", path).splitlines()[2:]
    assert rows
    for row in rows:
        assert "B612" in row
        assert row.split()[-5] == "yes", f"not embedded: {row}"
    assert re.search(r"^Pages: +1$", tool("pdfinfo", path), re.MULTILINE)
    assert re.search(r"Page size: +595.* A4|\(A4\)", tool("pdfinfo", path))


def test_it_claims_pdf_a_3b_and_says_how_colours_are_meant(
    passed: tuple[Path, Issued],
) -> None:
    # ISO 19005-3, 6.6.4 (identification) and 6.2.3 (output intent)
    from pyhanko.pdf_utils.reader import PdfFileReader

    with passed[1].path.open("rb") as file:
        root = PdfFileReader(file).root
        metadata = ElementTree.fromstring(root["/Metadata"].data)
        intents = [each.get_object()["/S"] for each in root["/OutputIntents"]]
    space = "{http://www.aiim.org/pdfa/ns/id/}"
    found = {
        name.removeprefix(space): value
        for element in metadata.iter()
        for name, value in element.attrib.items()
        if name.startswith(space)
    }
    assert found == {"part": "3", "conformance": "B"}
    assert "/GTS_PDFA1" in intents


def test_the_judgement_and_the_facts_are_inside(
    passed: tuple[Path, Issued], tool: Callable[..., str], tmp_path: Path
) -> None:
    run_path, made = passed
    tool("pdfdetach", "-saveall", "-o", tmp_path, made.path)
    judged = json.loads((tmp_path / "judgement.json").read_text("utf-8"))
    facts = json.loads((tmp_path / "certificate.json").read_text("utf-8"))
    for name, document in (("judgements", judged), ("certificate", facts)):
        schema = json.loads(
            (ROOT / "docs" / "schemas" / f"{name}-1.json").read_text("utf-8")
        )
        jsonschema.validate(document, schema)
    assert facts["number"] == made.certificate.number
    tail = run_path.read_bytes()[BLOCK_BYTES:]
    assert facts["run"]["sha256"] == hashlib.sha256(tail).hexdigest()
    assert judged["judgements"][0]["run"]["sha256"] == facts["run"]["sha256"]
    assert judged["judgements"][0]["verdict"] == facts["verdict"] == "pass"


def test_a_reader_of_signatures_agrees(
    passed: tuple[Path, Issued], tool: Callable[..., str], tmp_path: Path
) -> None:
    data = passed[1].path.read_bytes()
    said = tool("pdfsig", "-nocert", passed[1].path)
    assert "Signature is Valid" in said
    assert "Error" not in said
    assert "Total document signed" in said
    assert "ETSI.CAdES.detached" in said  # EN 319 142-1
    # It exits 0 on a mismatch too: only its words count.
    changed = bytearray(data)
    changed[data.index(b"stream") + 200] ^= 1
    (tmp_path / "changed.pdf").write_bytes(changed)
    assert "Signature is Valid" not in tool(
        "pdfsig", "-nocert", tmp_path / "changed.pdf"
    )


def test_the_code_holds_number_and_hash(passed: tuple[Path, Issued]) -> None:
    # No reader of such codes is at hand: the page's is compared with the library's
    # matrix of the same text, drawn from its runs of dark modules.
    facts = passed[1].certificate
    text = code_text(facts.number, facts.run_sha256)
    assert text.split("\n") == [facts.number, facts.run_sha256]
    svg = code_svg(text)
    wanted = segno.make(text, error="m", micro=False)
    match = re.search(r'class="qrline"[^>]* d="([^"]+)"', svg)
    assert match is not None
    assert matrix_of(match[1], int(wanted.symbol_size(border=0)[0])) == [
        [bool(module) for module in row] for row in wanted.matrix
    ]


def matrix_of(path: str, size: int) -> list[list[bool]]:
    """Draw the lines of a code's path into a matrix; the margin is two modules."""
    rows = [[False] * size for _ in range(size)]
    x, y = 0.0, 0.0
    for kind, numbers in re.findall(r"([Mmh])([^Mmh]*)", path):
        given = [float(n) for n in re.findall(r"-?[\d.]+", numbers)]
        if kind == "M":
            x, y = given
        elif kind == "m":
            x, y = x + given[0], y + given[1]
        else:
            for n in range(int(given[0])):
                rows[int(y) - 2][int(x) - 2 + n] = True
            x += given[0]
    return rows


def test_the_same_input_gives_the_same_unsigned_bytes(
    passed: tuple[Path, Issued],
) -> None:
    run_path, made = passed
    run = open_run(run_path)
    pages = {
        hashlib.sha256(
            page_of(made.certificate, run, run.header.plan, made.judgement)
        ).hexdigest()
        for _ in range(2)
    }
    assert len(pages) == 1


# --- checked to the last byte --------------------------------------------------------


def test_verify_says_what_it_is(
    passed: tuple[Path, Issued], call: Call, demo_key: Path
) -> None:
    run, made = passed
    code, said, _ = call("verify", made.path, run, "--key", demo_key)
    assert code == 0
    for word in (
        made.certificate.number,
        "certificate",
        "pass",
        "Larkmere",
        f"belongs to {run}",
        "fits the key given",
        "SIMULATED RIG",
    ):
        assert word in said, word
    code, said, _ = call("verify", "--json", made.path)
    document = json.loads(said)["files"][0]
    assert code == 0
    assert document["what"] == "certificate"
    assert document["certificate"]["number"] == made.certificate.number
    assert document["certificate"]["belongs_to"] is None
    assert document["sha256"] == made.certificate.run_sha256


def test_one_changed_byte_is_found_wherever_it_is(
    passed: tuple[Path, Issued], tmp_path: Path
) -> None:
    data = passed[1].path.read_bytes()
    picks = random.Random(11)
    value = data.rindex(b"/Contents <")
    places = [picks.randrange(len(data)) for _ in range(40)]
    places += [value + 11 + picks.randrange(8_190) for _ in range(30)]
    places += [0, 1, 2, 3, 4, 5, value + 10, len(data) - 1, len(data) - 5]
    places += [data.index(b"proofstand.certificate/1"), data.rindex(b"startxref")]
    path = tmp_path / "changed.pdf"
    for place in places:
        changed = bytearray(data)
        changed[place] ^= 1 << picks.randrange(8)
        path.write_bytes(changed)
        with pytest.raises(IntegrityError) as raised:
            verify(path)
        assert raised.value.id in ("certificate_changed", "certificate_cut_short")


@pytest.mark.parametrize("tail", [b"\n", b"\0", b"x", b"\n%%EOF\n"])
def test_an_appended_byte_is_found(
    passed: tuple[Path, Issued], tmp_path: Path, call: Call, tail: bytes
) -> None:
    path = tmp_path / "longer.pdf"
    path.write_bytes(passed[1].path.read_bytes() + tail)
    assert call("verify", path)[0] == 5


def test_cut_short_is_found(
    passed: tuple[Path, Issued], tmp_path: Path, call: Call
) -> None:
    data = passed[1].path.read_bytes()
    unsigned = data.index(b"%%EOF") + 6  # whole as a PDF, without the signature
    for length in (20, 5_000, len(data) // 2, unsigned, len(data) - 300, len(data) - 2):
        path = tmp_path / f"{length}.pdf"
        path.write_bytes(data[:length])
        code, _, err = call("verify", path)
        assert code == 5, (length, err)


def test_the_signature_s_own_bytes_can_t_be_exchanged(
    passed: tuple[Path, Issued], tmp_path: Path, sealed_run: SealedRun, demo_key: Path
) -> None:
    # A whole and valid signature of another page by the same key.
    other = issue(sealed_run("seat_nicked"), tmp_path / "o.pdf", key_folder=demo_key)
    ours, theirs = passed[1].path.read_bytes(), other.path.read_bytes()
    at, from_ = ours.rindex(b"/Contents <"), theirs.rindex(b"/Contents <")
    length = ours.index(b">", at) - at
    mixed = ours[:at] + theirs[from_ : from_ + length] + ours[at + length :]
    assert len(mixed) == len(ours)
    (tmp_path / "mixed.pdf").write_bytes(mixed)
    with pytest.raises(IntegrityError, match="certificate_changed"):
        verify(tmp_path / "mixed.pdf")


def test_another_key_is_found(
    passed: tuple[Path, Issued], call: Call, bench_key: Path
) -> None:
    code, _, err = call("verify", passed[1].path, "--key", bench_key)
    assert code == 5
    assert "key" in err


def test_a_run_of_the_same_name_with_another_hash_is_found(
    passed: tuple[Path, Issued], call: Call, sealed_run: SealedRun, demo_key: Path
) -> None:
    def renamed(run: Run) -> Run:
        return replace(run, header=replace(run.header, by="someone else"))

    other = sealed_run(change=renamed)
    code, _, err = call("verify", passed[1].path, other, "--key", demo_key)
    assert code == 5
    assert passed[1].certificate.number in err
    with pytest.raises(IntegrityError, match="certificate_of_another_run"):
        belongs([verify(passed[1].path), verify(other)])
    assert belongs([verify(passed[1].path)]) == {}


def test_a_pdf_that_is_not_ours(tmp_path: Path, call: Call) -> None:
    import typst

    (tmp_path / "other.pdf").write_bytes(typst.compile(b"Hello", format="pdf"))
    code, _, err = call("verify", tmp_path / "other.pdf")
    assert code == 2
    assert "not a certificate" in err


# --- refusals ------------------------------------------------------------------------


def with_rig(run: Run, **changes: object) -> Run:
    rig = replace(run.header.rig, **changes)  # type: ignore[arg-type]
    return replace(run, header=replace(run.header, rig=rig))


def real(run: Run) -> Run:
    return with_rig(run, simulated=False)


def refused(id: str, run: Path, tmp_path: Path, key: Path | None) -> None:
    before = set(tmp_path.iterdir())
    with pytest.raises(RefusedError, match=id) as raised:
        issue(run, tmp_path / "page.pdf", key_folder=key)
    assert raised.value.exit_code == 6
    assert set(tmp_path.iterdir()) == before


def test_an_unsealed_run_is_refused(tmp_path: Path, demo_key: Path) -> None:
    from tests.records.test_runfile import journal

    path = journal(tmp_path / "run.journal")
    refused("run_not_sealed", path, tmp_path, demo_key)


def test_an_unsigned_run_is_refused(
    run_of: RunOf, tmp_path: Path, demo_key: Path
) -> None:
    refused("run_not_signed", run_of(), tmp_path, demo_key)


def test_a_simulated_run_needs_its_demonstration_key(
    passed: tuple[Path, Issued], tmp_path: Path, bench_key: Path
) -> None:
    refused("simulated_needs_demo_key", passed[0], tmp_path, None)
    refused("key_for_real_rigs", passed[0], tmp_path, bench_key)


def test_a_demonstration_key_signs_nothing_real(
    sealed_run: SealedRun, tmp_path: Path, demo_key: Path, bench_key: Path
) -> None:
    run = sealed_run(key=bench_key, change=real)
    refused("key_for_demonstration", run, tmp_path, demo_key)
    with pytest.raises(InputError, match="file_missing"):  # the shop has no key yet
        issue(run, tmp_path / "page.pdf")
    assert not shop_folder().exists()


def test_the_shop_s_key_signs_a_real_run(
    sealed_run: SealedRun, tmp_path: Path, bench_key: Path, call: Call
) -> None:
    shop_folder().parent.mkdir(parents=True)
    shop_folder().symlink_to(bench_key)
    run = sealed_run(key=bench_key, change=real)
    code, said, err = call("certify", run, "--out", tmp_path / "page.pdf", "--json")
    assert code == 0, err
    document = json.loads(said)
    assert document["simulated"] is False
    assert not document["number"].startswith("SIM-")


def test_a_run_that_another_key_sealed(
    sealed_run: SealedRun, tmp_path: Path, shared: Path, demo_key: Path
) -> None:
    from proofstand.signoff.keys import make_key

    other = shared / "other-demo-key"
    once(other, lambda: make_key(other, "Someone else (invented)", demo=True))
    with pytest.raises(IntegrityError, match="signature_wrong"):
        issue(sealed_run(), tmp_path / "page.pdf", key_folder=other)
    assert not (tmp_path / "page.pdf").exists()


def interrupted(run: Run) -> Run:
    return replace(run, state=RunState.INTERRUPTED)


def test_an_interrupted_run_is_refused(
    sealed_run: SealedRun, tmp_path: Path, demo_key: Path
) -> None:
    def cut(run: Run) -> Run:
        # killed in the creep hold: begun, never ended
        stop = next(
            m.t_s
            for m in run.marks
            if m.kind is MarkKind.STEP_BEGIN and m.step == "creep-hold"
        )
        return interrupted(
            replace(run, marks=tuple(m for m in run.marks if m.t_s <= stop))
        )

    refused("run_not_whole", sealed_run(change=cut), tmp_path, demo_key)


def test_interrupted_after_the_last_step_is_whole(
    sealed_run: SealedRun, tmp_path: Path, demo_key: Path, tool: Callable[..., str]
) -> None:
    made = issue(
        sealed_run(change=interrupted), tmp_path / "page.pdf", key_folder=demo_key
    )
    assert made.certificate.verdict is Verdict.PASS
    assert "interrupted" in text_of(tool, made.path)


@pytest.mark.parametrize("channel", ["outlet", "ambient"])
def test_an_expired_calibration_is_refused(
    sealed_run: SealedRun, tmp_path: Path, demo_key: Path, channel: str
) -> None:
    def expire(run: Run) -> Run:
        day = datetime.datetime.fromtimestamp(
            run.header.started_utc_ns / 1e9, tz=datetime.UTC
        ).date()
        yesterday = day - datetime.timedelta(days=1)
        channels = []
        for each in run.header.rig.channels:
            if each.id == channel and each.calibration is not None:
                late = replace(each.calibration, due=yesterday)
                channels.append(replace(each, calibration=late))
            else:
                channels.append(each)
        return with_rig(run, channels=tuple(channels))

    refused("calibration_was_expired", sealed_run(change=expire), tmp_path, demo_key)


def test_a_damaged_run(
    passed: tuple[Path, Issued], tmp_path: Path, demo_key: Path, call: Call
) -> None:
    data = bytearray(passed[0].read_bytes())
    data[BLOCK_BYTES + 4_000] ^= 1
    (tmp_path / "run.h5").write_bytes(data)
    code, _, _ = call(
        *("certify", tmp_path / "run.h5", "--out", tmp_path / "page.pdf"),
        *("--key", demo_key),
    )
    assert code == 5
    assert not (tmp_path / "page.pdf").exists()


# --- where it is written -------------------------------------------------------------


def test_an_output_that_can_t_be_written_is_told_before_any_work(
    passed: tuple[Path, Issued],
    tmp_path: Path,
    demo_key: Path,
    call: Call,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def never(path: Path) -> NoReturn:
        raise AssertionError("the run was read")

    taken = tmp_path / "taken.pdf"
    taken.write_text("mine")
    folder = tmp_path / "folder.pdf"
    folder.mkdir()
    with monkeypatch.context() as patched:
        patched.setattr(issuing, "signed_run", never)
        for out in (taken, folder, tmp_path / "no" / "x.pdf", taken / "x.pdf"):
            code, _, err = call("certify", passed[0], "--out", out, "--key", demo_key)
            assert code == 2, err
            assert out.name in err
    assert taken.read_text() == "mine"
    left = {p.name for p in tmp_path.iterdir()} - {"proofstand-home"}
    assert left == {"folder.pdf", "taken.pdf"}


def test_a_read_only_folder_is_told(
    passed: tuple[Path, Issued], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # As root a folder can only be read-only by its mount; the system's answer is what
    # counts.
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(InputError, match="read-only"):
        issue(passed[0], tmp_path / "page.pdf")


def test_a_full_disk_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left"):
        write_once(tmp_path / "page.pdf", b"x" * 1000, "certificate")
    # a file system without links, full just then
    monkeypatch.setattr(os, "link", full)
    with pytest.raises(InputError, match="No space left"):
        write_once(tmp_path / "page.pdf", b"x" * 1000, "certificate")
    assert list(tmp_path.iterdir()) == []


def test_two_that_issue_at_once_never_overwrite(tmp_path: Path) -> None:
    write_once(tmp_path / "page.pdf", b"first", "certificate")
    with pytest.raises(InputError, match="file_exists"):
        write_once(tmp_path / "page.pdf", b"second", "certificate")
    assert (tmp_path / "page.pdf").read_bytes() == b"first"


def test_each_issue_has_its_own_number(
    passed: tuple[Path, Issued], tmp_path: Path, demo_key: Path
) -> None:
    frozen = 1_795_000_000_000_000_000
    numbers = {passed[1].certificate.number}
    for n in range(2):
        made = issue(
            *(passed[0], tmp_path / f"{n}.pdf"),
            key_folder=demo_key,
            utc_ns=lambda: frozen,
        )
        numbers.add(made.certificate.number)
    assert len(numbers) == 3


# --- text given by people ------------------------------------------------------------

NASTY = '#panic("x") $a$ *b* <c> `d` \\ @e // f "g" &h; {i} [j]'


def test_text_is_data_and_any_length_or_script_still_prints(
    sealed_run: SealedRun, tmp_path: Path, demo_key: Path, tool: Callable[..., str]
) -> None:
    def written(run: Run) -> Run:
        job = run.header.job
        regulator = replace(
            job.regulator, serial="S" * 300, model=NASTY, family="Wałęsa Жуков"
        )
        card = replace(
            job,
            regulator=regulator,
            technician="山田 \u202eevil",
            notes="long " * 400,
            mounting="two\nlines",
        )
        return replace(run, header=replace(run.header, job=card))

    out = tmp_path / "page.pdf"
    issue(sealed_run(change=written), out, by=NASTY, key_folder=demo_key)
    text = text_of(tool, out)
    assert 'panic("x")' in text
    assert "Wałęsa Жуков" in text
    assert "[U+5C71][U+7530] evil" in text
    assert "fonts lack" in text
    assert "\u202e" not in text
    assert "…" in text
    rows = tool("pdffonts", out).splitlines()[2:]
    assert all(row.split()[-5] == "yes" for row in rows)
    # the serial is whole, however long
    assert re.search(r"^Pages: +2$", tool("pdfinfo", out), re.MULTILINE)


@pytest.fixture
def own_font(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Callable[[str], None]]:
    """Give what puts a font with some letters on this computer."""
    folder = tmp_path / "fonts"
    folder.mkdir()

    def forget() -> None:
        for kept in (faces._files, faces._signs_of, faces.stepping_in):
            kept.cache_clear()

    def make(letters: str) -> None:
        names = {ord(letter): f"u{ord(letter):04X}" for letter in letters}
        order = [".notdef", *names.values()]
        pen = TTGlyphPen(None)
        for step in ((100, 0), (100, 800), (900, 800), (900, 0)):
            (pen.lineTo if pen.points else pen.moveTo)(step)
        pen.closePath()
        box = pen.glyph()
        made = FontBuilder(1000, isTTF=True)
        made.setupGlyphOrder(order)
        made.setupCharacterMap(names)
        made.setupGlyf(dict.fromkeys(order, box))
        made.setupHorizontalMetrics(dict.fromkeys(order, (1000, 100)))
        made.setupHorizontalHeader(ascent=800, descent=-200)
        name = "Invented Hand"
        made.setupNameTable(
            {
                "familyName": name,
                "styleName": "Regular",
                "fullName": name,
                "psName": "InventedHand-Regular",
            }
        )
        made.setupOS2()
        made.setupPost()
        made.save(folder / "hand.ttf")
        forget()

    monkeypatch.setattr(faces, "system_folders", lambda: [folder])
    forget()
    yield make
    forget()


def test_a_name_in_any_script_stands_as_it_was_given(
    sealed_run: SealedRun,
    tmp_path: Path,
    demo_key: Path,
    tool: Callable[..., str],
    own_font: Callable[[str], None],
) -> None:
    own_font("山田太郎製作所")

    def written(run: Run) -> Run:
        regulator = replace(run.header.job.regulator, model="山田製作所")
        card = replace(run.header.job, regulator=regulator)
        return replace(run, header=replace(run.header, job=card))

    out = tmp_path / "page.pdf"
    issue(sealed_run(change=written), out, by="山田 太郎 ☃", key_folder=demo_key)
    text = text_of(tool, out)
    assert "山田 太郎" in text
    assert "山田製作所" in text
    assert "[U+" not in text
    rows = tool("pdffonts", out).splitlines()[2:]
    (row,) = [row for row in rows if "Invented" in row]
    assert row.split()[-5] == "yes"
    assert "山田製作所" in text_of(tool, make_copy(out, tmp_path / "copy.pdf",
        by="太郎", key_folder=demo_key).path)  # fmt: skip


def test_a_long_word_is_copied_as_it_is(
    sealed_run: SealedRun, tmp_path: Path, demo_key: Path, tool: Callable[..., str]
) -> None:
    serial = "".join(f"{n:03d}-AB." for n in range(43))[:300]

    def written(run: Run) -> Run:
        regulator = replace(run.header.job.regulator, serial=serial)
        card = replace(run.header.job, regulator=regulator)
        return replace(run, header=replace(run.header, job=card))

    out = tmp_path / "page.pdf"
    issue(sealed_run(change=written), out, by="x", key_folder=demo_key)
    text = tool("pdftotext", "-raw", out, "-")
    assert "\u200b" not in text
    assert serial in re.sub(r"\s", "", text)
    box = tool("pdftotext", "-bbox", out, "-")
    assert max(map(float, re.findall(r'xMax="([\d.]+)"', box))) < 210.0 * 72.0 / 25.4


def test_told() -> None:
    signs = covered()
    assert told("a\tb\n c", signs) == "a b c"
    assert told("x" * 50, signs, 10) == "x" * 9 + "…"
    shown = told("\u4e2d" * 40, signs).replace("\u200b", "")
    assert shown == "[U+4E2D]" * 5 + "[+35]"
    assert told("\u202eabc\x07", signs) == "abc"
    assert told("\u4e00", signs) == "[U+4E00]"
    assert "\u200b" in told("y" * 60, signs)


def test_more_than_a_page_goes_on_and_says_so(
    sealed_run: SealedRun, tmp_path: Path, demo_key: Path, tool: Callable[..., str]
) -> None:
    def longer(run: Run) -> Run:
        plan = replace(
            run.header.plan,
            not_shown=tuple(f"matter number {n} of many" for n in range(60)),
        )
        return replace(run, header=replace(run.header, plan=plan))

    out = tmp_path / "page.pdf"
    issue(sealed_run(change=longer), out, key_folder=demo_key)
    text = text_of(tool, out)
    assert re.search(r"^Pages: +2$", tool("pdfinfo", out), re.MULTILINE)
    assert "page 1 of 2" in text
    assert "page 2 of 2" in text
    for n in range(60):
        # two columns stand side by side: a line may be read on into the other
        assert re.search(rf"\b{n} of\b", text), n


def test_no_letter_is_too_small_to_read() -> None:
    # as installed: the template has to come with the package
    signoff = resources.files("proofstand.signoff")
    template = (signoff / "templates" / "certificate.typ").read_text("utf-8")
    sizes = [float(s) for s in re.findall(r"size: ([\d.]+)pt", template)]
    assert min(sizes) >= 6.5
    assert "calc.max(6.5, size * d.scale)" in template
    assert all(scale <= 1.0 for scale in SCALES)


@pytest.mark.tree
def test_every_word_of_the_page_is_used() -> None:
    report = ROOT / "proofstand" / "report.py"  # says the same beside the findings
    code = "".join(
        path.read_text("utf-8")
        for path in (report, *(ROOT / "proofstand" / "signoff").rglob("*"))
        if path.suffix in (".py", ".typ")
    )
    made = ("title_", "subtitle_", "verdict_", "means_", "rule_", "declared_", "tag_")
    for id in words()["page"]:
        used = f'"{id}"' in code or f"w.{id}" in code or id.startswith(made)
        assert used, id


# --- as the document tells it --------------------------------------------------------


def test_the_key_is_found_by_standard_tools(
    passed: tuple[Path, Issued], tool: Callable[..., str], tmp_path: Path
) -> None:
    # docs/certificate.md, "Checking it"
    (tmp_path / "c.pdf").write_bytes(passed[1].path.read_bytes())
    subprocess.run(["pdfsig", "-dump", "c.pdf"], cwd=tmp_path, capture_output=True)
    signer = tmp_path / "signer.pem"
    tool(
        *("openssl", "pkcs7", "-inform", "DER", "-in", tmp_path / "c.pdf.sig0"),
        *("-print_certs", "-out", signer),
    )
    certificate = x509.load_pem_x509_certificate(signer.read_bytes())
    public = certificate.public_key().public_bytes(
        serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    assert hashlib.sha256(public).hexdigest() == passed[1].certificate.key_id


# --- its own key ---------------------------------------------------------------------


def test_the_certificate_of_another_key_beside_it(
    tmp_path: Path, demo_key: Path, bench_key: Path, passed: tuple[Path, Issued]
) -> None:
    mixed = tmp_path / "mixed"
    mixed.mkdir()
    (mixed / PRIVATE_NAME).write_bytes((bench_key / PRIVATE_NAME).read_bytes())
    (mixed / CERTIFICATE_NAME).write_bytes((demo_key / CERTIFICATE_NAME).read_bytes())
    with pytest.raises(InputError, match="key_certificate_wrong"):
        issue(passed[0], tmp_path / "page.pdf", key_folder=mixed)


def test_what_can_t_be_set_is_told(
    passed: tuple[Path, Issued], monkeypatch: pytest.MonkeyPatch
) -> None:
    run_path, made = passed
    run = open_run(run_path)
    everything = frozenset(range(0x110000))
    named = "proofstand.signoff.content.covered_for"
    monkeypatch.setattr(named, lambda text: everything)
    job = replace(run.header.job, technician="山田")
    run = replace(run, header=replace(run.header, job=job))
    with pytest.raises(InputError, match="page_unprintable"):
        page_of(made.certificate, run, run.header.plan, made.judgement)


def test_the_key_s_private_part_is_not_in_the_page(
    passed: tuple[Path, Issued], demo_key: Path
) -> None:
    private = serialization.load_pem_private_key(
        (demo_key / PRIVATE_NAME).read_bytes(), None
    )
    numbers: Any = private.private_numbers()  # type: ignore[union-attr]
    secret = numbers.p.to_bytes((numbers.p.bit_length() + 7) // 8)
    data = passed[1].path.read_bytes()
    assert secret not in data
    assert secret.hex().upper().encode() not in data


def test_the_run_that_was_written_is_the_one_that_was_sealed(
    sealed_run: SealedRun, tmp_path: Path
) -> None:
    run = open_run(sealed_run())
    again = tmp_path / "again.h5"
    write_run(replace(run, state=RunState.CLOSED), again)
    assert open_run(again).sha256 == run.sha256
