"""A second signature: by another person, over the first, and by nothing else.

Outside checks: poppler's pdfsig (it exits 0 on a mismatch: its words count), pdftotext
and pdffonts, qpdf.
"""

from __future__ import annotations

import io
import json
import random
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import NoReturn

import jsonschema
import pytest
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign import fields, signers

from proofstand.commands.main import main
from proofstand.signoff import persons
from proofstand.signoff.certificate import Title
from proofstand.signoff.countersigning import countersign_page
from proofstand.signoff.issue import issue
from proofstand.signoff.keys import CERTIFICATE_NAME, PRIVATE_NAME, load_key, make_key
from proofstand.signoff.pades import SECOND_NAME
from proofstand.signoff.verify import verify
from records.errors import IntegrityError, RefusedError
from records.people import Act
from records.planfile import builtin_plan, parse_plan
from records.run import Run
from records.tomlfile import text_sha256

from .conftest import SealedRun
from .shop import HAND, LEAD, PINS, SECOND, SIGNER, knows, real

ROOT = Path(__file__).parents[2]
Lacks = Callable[[str], NoReturn]
TEXT = builtin_plan("low-pressure")[1].replace(
    'rule = "guarded"', 'rule = "guarded"\ncountersign = "quality-lead"', 1
)


def asks(run: Run) -> Run:
    """Return a run whose plan asks for a countersignature, and is approved."""
    sha256 = text_sha256(TEXT)
    assert run.header.approval is not None
    header = replace(
        run.header,
        plan=replace(run.header.plan, countersign="quality-lead"),
        plan_text=TEXT,
        plan_sha256=sha256,
        approval=replace(run.header.approval, plan_sha256=sha256),
    )
    return replace(run, header=header)


def asked_for_real(run: Run) -> Run:
    return real(asks(run))


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


@pytest.fixture(scope="module")
def waiting(
    sealed_run: SealedRun, demo_key: Path, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """Return a page that waits for its second signature, of a simulated rig."""
    run = sealed_run(change=asks)
    out = tmp_path_factory.mktemp("waiting") / "report.pdf"
    made = issue(run, out, by=SIGNER, key_folder=demo_key)
    assert made.certificate.title is Title.TO_COUNTERSIGN
    return out


@pytest.fixture(scope="module")
def certificate(
    waiting: Path, demo_key: Path, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    out = tmp_path_factory.mktemp("countersigned") / "certificate.pdf"
    countersign_page(waiting, out, by=LEAD, key_folder=demo_key)
    return out


def test_a_plan_asks_for_it_by_a_role() -> None:
    assert parse_plan(TEXT, "plan.toml").countersign == "quality-lead"
    assert builtin_plan("low-pressure")[0].countersign is None
    with pytest.raises(Exception, match="countersign"):
        parse_plan(TEXT.replace('"quality-lead"', '"anybody"'), "plan.toml")


def test_without_it_the_page_is_no_certificate(
    waiting: Path, tool: Callable[..., str]
) -> None:
    found = verify(waiting)
    assert found.paper is not None
    assert found.paper.title == "test report to countersign"
    assert found.paper.awaits == "quality-lead"
    assert found.paper.second is None
    text = " ".join(tool("pdftotext", waiting, "-").split())
    assert "Test report" in text
    assert "without it, it is a test report and no certificate" in text.lower()
    assert "Countersigned" not in text
    said = tool("pdfsig", "-nocert", waiting)
    assert said.count("Signature is Valid") == 1
    assert "Total document signed" in said


def test_with_it_both_signatures_are_valid_for_others(
    certificate: Path, waiting: Path, tool: Callable[..., str]
) -> None:
    said = tool("pdfsig", "-nocert", certificate)
    assert said.count("Signature is Valid") == 2
    assert said.count("ETSI.CAdES.detached") == 2
    assert said.count("Not total document signed") == 1  # the first
    first, second = said.split("Signature #2")
    assert SECOND_NAME in first + second
    assert certificate.read_bytes().startswith(waiting.read_bytes())
    assert "No syntax or stream encoding errors" in tool("qpdf", "--check", certificate)
    text = " ".join(tool("pdftotext", certificate, "-").split())
    assert f"Countersigned by {LEAD}" in text
    for row in tool("pdffonts", certificate).splitlines()[2:]:
        assert row.split()[-5] == "yes", f"not embedded: {row}"
    changed = bytearray(certificate.read_bytes())
    changed[len(waiting.read_bytes()) + 400] ^= 1
    other = certificate.with_name("changed.pdf")
    other.write_bytes(changed)
    assert tool("pdfsig", "-nocert", other).count("Signature is Valid") < 2


def test_verify_knows_it(certificate: Path, demo_key: Path) -> None:
    found = verify(certificate, demo_key)
    assert found.signature == "fits"
    assert found.paper is not None
    assert found.paper.title == "certificate"
    assert found.paper.awaits == ""
    assert found.paper.second is not None
    assert found.paper.second["by"]["name"] == LEAD
    assert found.paper.second["by"]["proof"] == "typed"


@pytest.mark.parametrize("which", ["waiting", "certificate"])
def test_every_byte_counts(
    which: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    page: Path = request.getfixturevalue(which)
    data = page.read_bytes()
    first = len(request.getfixturevalue("waiting").read_bytes())
    rng = random.Random(7)
    places = [rng.randrange(len(data)) for _ in range(60)]
    places += [rng.randrange(min(first, len(data) - 1), len(data)) for _ in range(40)]
    changed = tmp_path / "changed.pdf"
    for at in places:
        now = bytearray(data)
        now[at] ^= 1 << rng.randrange(8)
        changed.write_bytes(now)
        with pytest.raises(IntegrityError):
            verify(changed)


def test_what_was_cut_off_or_added(
    certificate: Path, waiting: Path, tmp_path: Path
) -> None:
    data, first = certificate.read_bytes(), len(waiting.read_bytes())
    changed = tmp_path / "changed.pdf"
    for now in (
        data[: first + 900],
        data[:-1],
        data + b"\n",
        waiting.read_bytes() + b" ",
    ):
        changed.write_bytes(now)
        with pytest.raises(IntegrityError):
            verify(changed)


def forged(page: Path, folder: Path, field: str, out: Path) -> Path:
    """Sign a page's field, or a field of its own, with a key that is not the shop's."""
    signer = signers.SimpleSigner.load(  # type: ignore[no-untyped-call]
        str(folder / PRIVATE_NAME), str(folder / CERTIFICATE_NAME)
    )
    meta = signers.PdfSignatureMetadata(
        field_name=field,
        contact_info=json.dumps(
            {
                "schema": "proofstand.countersignature/1",
                "number": verify(page).paper.number,  # type: ignore[union-attr]
                "by": {
                    "name": LEAD,
                    "role": "quality-lead",
                    "proof": "PIN",
                    "roll": "",
                },
                "made": "2026-11-26T12:00:00Z",
            }
        ),
        subfilter=fields.SigSeedSubFilter.PADES,
        docmdp_permissions=fields.MDPPerm.NO_CHANGES,
    )
    writer = IncrementalPdfFileWriter(io.BytesIO(page.read_bytes()))
    made = signers.sign_pdf(writer, meta, signer, bytes_reserved=8192)
    out.write_bytes(made.getvalue())
    return out


@pytest.mark.parametrize("field", [SECOND_NAME, "Another"])
def test_another_key_can_t_make_it(waiting: Path, tmp_path: Path, field: str) -> None:
    make_key(tmp_path / "key", LEAD, demo=True)
    page = forged(waiting, tmp_path / "key", field, tmp_path / "forged.pdf")
    with pytest.raises(IntegrityError, match="certificate_changed"):
        verify(page)


@pytest.mark.parametrize(
    ("by", "id"), [(SIGNER.upper(), "countersign_same_person"), ("", "person_wanted")]
)
def test_it_is_another_person_s(
    waiting: Path, tmp_path: Path, demo_key: Path, by: str, id: str
) -> None:
    with pytest.raises(RefusedError, match=id) as refused:
        countersign_page(waiting, tmp_path / "x.pdf", by=by, key_folder=demo_key)
    assert refused.value.exit_code == 6
    assert not (tmp_path / "x.pdf").exists()


def test_a_name_in_any_script_stands_in_the_frame(
    waiting: Path, demo_key: Path, tmp_path: Path, tool: Callable[..., str]
) -> None:
    out = tmp_path / "c.pdf"
    name = "山田 <太郎> #strong[x] (invented)"
    countersign_page(waiting, out, by=name, key_folder=demo_key)
    found = verify(out, demo_key)
    assert found.paper is not None
    assert found.paper.second is not None
    assert found.paper.second["by"]["name"] == name
    text = " ".join(tool("pdftotext", out, "-").split())
    # what the fonts lack stands as its Unicode number, markup as it was typed
    assert "[U+5C71]" in text
    assert "#strong[x]" in text


def test_it_is_given_once_and_only_where_asked(
    certificate: Path, sealed_run: SealedRun, demo_key: Path, tmp_path: Path
) -> None:
    out = tmp_path / "x.pdf"
    with pytest.raises(RefusedError, match="countersigned_already"):
        countersign_page(certificate, out, by=SECOND, key_folder=demo_key)
    plain = tmp_path / "plain.pdf"
    made = issue(sealed_run(), plain, by=SIGNER, key_folder=demo_key)
    assert made.certificate.title is Title.CERTIFICATE
    with pytest.raises(RefusedError, match="countersign_not_asked"):
        countersign_page(plain, out, by=LEAD, key_folder=demo_key)
    failed = tmp_path / "failed.pdf"
    run = sealed_run("seat_nicked", change=asks)
    assert (
        issue(run, failed, key_folder=demo_key).certificate.title is Title.TEST_REPORT
    )
    with pytest.raises(RefusedError, match="countersign_not_asked"):
        countersign_page(failed, out, by=LEAD, key_folder=demo_key)


def test_it_is_made_with_the_key_of_the_page(waiting: Path, tmp_path: Path) -> None:
    make_key(tmp_path / "key", "Other", demo=True)
    with pytest.raises(IntegrityError, match="signature_wrong"):
        countersign_page(
            waiting, tmp_path / "x.pdf", by=LEAD, key_folder=tmp_path / "key"
        )
    with pytest.raises(RefusedError, match="simulated_needs_demo_key"):
        countersign_page(waiting, tmp_path / "x.pdf", by=LEAD)


@pytest.mark.usefixtures("shop")
def test_in_a_shop_with_a_list_it_takes_role_and_pin(
    sealed_run: SealedRun,
    bench_key: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    tool: Callable[..., str],
) -> None:
    run = sealed_run(key=bench_key, change=asked_for_real)
    page, out = tmp_path / "page.pdf", tmp_path / "certificate.pdf"
    made = issue(run, page, by=SIGNER, ask=knows)
    pins = {name: tmp_path / f"pin-{n}" for n, name in enumerate(PINS)}
    for name, path in pins.items():
        path.write_text(PINS[name], encoding="utf-8")

    def countersign(by: str, pin: Path) -> tuple[int, str]:
        code = main(
            [
                *("records", "countersign", str(page), "--out", str(out)),
                *("--by", by, "--pin-from", str(pin), "--json"),
            ]
        )
        return code, capsys.readouterr().out

    code, said = countersign(HAND, pins[HAND])
    assert (code, json.loads(said)["id"]) == (6, "role_wanted")
    code, said = countersign(LEAD, pins[HAND])
    assert (code, json.loads(said)["id"]) == (6, "pin_wrong")
    assert not out.exists()
    code, said = countersign(LEAD, pins[LEAD])
    assert code == 0, said
    schema = json.loads((ROOT / "docs/schemas/countersigned-1.json").read_text("utf-8"))
    jsonschema.validate(json.loads(said), schema)
    assert PINS[LEAD] not in said
    found = verify(out, bench_key)
    assert found.paper is not None
    assert found.paper.second is not None
    assert found.paper.second["by"]["role"] == "quality-lead"
    assert found.paper.second["by"]["proof"] == "PIN"
    (event,) = persons.done(Act.COUNTERSIGN, run=found.sha256)
    assert (event.by, event.facts["number"]) == (LEAD, made.certificate.number)
    text = " ".join(tool("pdftotext", out, "-").split())
    assert f"Countersigned by {LEAD}, quality lead, shown by PIN" in text
    assert f"{SIGNER}, signatory, PIN" in text
    assert load_key(bench_key).owner in tool("pdfsig", out)
