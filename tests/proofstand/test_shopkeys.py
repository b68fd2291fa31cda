"""The shop's keys over the years: made, brought, replaced, and still known.

Outside checks: openssl makes the PKCS #12 files and reads what is exported; poppler's
pdfsig reads pages signed with what was brought.
"""

from __future__ import annotations

import datetime
import json
import os
import stat
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import NoReturn

import jsonschema
import pytest
from cryptography.hazmat.primitives.asymmetric import rsa

from proofstand.commands.main import main
from proofstand.keeping.checked import check_archive
from proofstand.places import archive_dir, keys_dir
from proofstand.signoff import keys, persons, roll
from proofstand.signoff.heads import SigningKey, known_places
from proofstand.signoff.issue import issue
from proofstand.signoff.keys import (
    ENDED_NAME,
    PRIVATE_NAME,
    key_for,
    load_key,
    load_public,
    make_key,
    put_key,
    shop_folder,
    shop_key,
)
from proofstand.signoff.notes import REJECTION, common, signed
from proofstand.signoff.shopkeys import (
    OLD_FOLDER,
    KnownKey,
    export_keys,
    import_shop_key,
    keys_json,
    known_keys,
    make_shop_key,
)
from proofstand.signoff.verify import verify
from records.archive.chain import Archive, Head
from records.errors import InputError, IntegrityError, RefusedError
from records.people import Act, Signatory
from records.runfile import open_run

from .conftest import SealedRun
from .shop import LEAD, PINS, SIGNER, knows, own_key, real

ROOT = Path(__file__).parents[2]
Lacks = Callable[[str], NoReturn]
PASSWORD = "tide pool 77"


@pytest.fixture(autouse=True)
def quick_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keys, "KEY_BITS", 2048)


@pytest.fixture
def openssl(lacks: Lacks, tmp_path: Path) -> Callable[..., str]:
    def call(*arguments: object) -> str:
        try:
            done = subprocess.run(
                ["openssl", *map(str, arguments)],
                capture_output=True,
                text=True,
                check=False,
                cwd=tmp_path,
            )
        except FileNotFoundError:
            lacks("openssl")
        assert done.returncode == 0, done.stderr
        return done.stdout

    return call


def pkcs12(
    openssl: Callable[..., str],
    folder: Path,
    *,
    new: tuple[str, ...] = ("rsa:3072",),
    days: int = 400,
    usage: str = "",
    by_another: bool = False,
) -> Path:
    """Make a PKCS #12 file as any shop would, with openssl alone."""
    made = ["req", "-x509", "-newkey", *new, "-nodes", "-keyout", "k.pem"]
    made += [
        "-out",
        "c.pem",
        "-days",
        str(days),
        "-subj",
        "/CN=Tidewater Valves (invented)",
    ]
    if usage:
        made += ["-addext", f"keyUsage={usage}"]
    openssl(*made)
    more: list[object] = []
    if by_another:  # a certificate that an authority of somebody's gave
        made = ["req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "ca.key"]
        openssl(*made, "-out", "ca.pem", "-days", 900, "-subj", "/CN=Some authority")
        openssl("req", "-new", "-key", "k.pem", "-out", "c.csr",
                "-subj", "/CN=Tidewater Valves (invented)")  # fmt: skip
        openssl("x509", "-req", "-in", "c.csr", "-CA", "ca.pem", "-CAkey", "ca.key",
                "-CAcreateserial", "-days", days, "-out", "c.pem")  # fmt: skip
        more = ["-certfile", "ca.pem"]
    openssl("pkcs12", "-export", "-inkey", "k.pem", "-in", "c.pem", "-out", "k.p12",
            "-passout", f"pass:{PASSWORD}", *more)  # fmt: skip
    return folder / "k.p12"


# --- brought -------------------------------------------------------------------------


@pytest.mark.parametrize("by_another", [False, True])
def test_a_key_made_by_openssl_seals_and_signs(
    openssl: Callable[..., str],
    tmp_path: Path,
    sealed_run: SealedRun,
    by_another: bool,
    lacks: Lacks,
) -> None:
    file = pkcs12(openssl, tmp_path, by_another=by_another)
    brought = import_shop_key(file, PASSWORD, replace=False, why="", by="")
    assert brought.owner == "Tidewater Valves (invented)"
    wanted = openssl("rsa", "-in", "k.pem", "-noout", "-modulus").strip()
    assert wanted == f"Modulus={brought.public.public_numbers().n:X}"
    private = shop_folder() / PRIVATE_NAME
    assert stat.S_IMODE(private.stat().st_mode) == 0o600
    assert stat.S_IMODE(shop_folder().stat().st_mode) == 0o700
    page = tmp_path / "c.pdf"
    run = sealed_run(key=shop_folder(), change=real)
    issue(run, page, by=SIGNER)
    assert verify(page, shop_folder()).signature == "fits"
    assert verify(run, shop_folder()).signature == "fits"
    try:
        said = subprocess.run(
            ["pdfsig", "-nocert", str(page)],
            capture_output=True,
            text=True,
            check=False,
        ).stdout
    except FileNotFoundError:
        lacks("pdfsig")
    assert "Signature is Valid" in said
    assert "Total document signed" in said
    data = bytearray(page.read_bytes())
    at = data.rindex(b"/Contents <") + 1800
    data[at] = ord("1") if data[at] != ord("1") else ord("2")
    page.write_bytes(data)
    with pytest.raises(IntegrityError):
        verify(page)


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"new": ("ec", "-pkeyopt", "ec_paramgen_curve:P-256")}, "not an RSA key"),
        ({"new": ("rsa:1024",)}, "1024 bits"),
        ({"usage": "keyEncipherment"}, "does not let it sign"),
    ],
)
def test_a_key_that_won_t_do(
    openssl: Callable[..., str], tmp_path: Path, more: dict[str, object], why: str
) -> None:
    file = pkcs12(openssl, tmp_path, **more)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="key_unfit") as refused:
        import_shop_key(file, PASSWORD, replace=False, why="", by="")
    assert why in refused.value.facts["why"]
    assert known_keys() == ()
    assert list(keys_dir().glob(".incoming*")) == [] if keys_dir().exists() else True


def test_a_wrong_password_and_files_that_are_none(
    openssl: Callable[..., str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    file = pkcs12(openssl, tmp_path)
    with pytest.raises(InputError, match="key_password_wrong"):
        import_shop_key(file, "wrong", replace=False, why="", by="")
    (tmp_path / "none.p12").write_bytes(b"hello")
    with pytest.raises(InputError, match="file_not_ours"):
        import_shop_key(tmp_path / "none.p12", "", replace=False, why="", by="")
    (tmp_path / "word").write_text(PASSWORD + "\n")
    given = ["keys", "import", str(file), "--password-from", str(tmp_path / "word")]
    assert main(given) == 0
    said = capsys.readouterr().out
    assert "Tidewater Valves (invented)" in said
    assert PASSWORD not in said


def test_a_demonstration_key_is_never_the_shop_s(
    openssl: Callable[..., str], tmp_path: Path
) -> None:
    make_key(tmp_path / "demo", "Demo", demo=True)
    packed = ["pkcs12", "-export", "-inkey", "demo/key.pem", "-out", "k.p12"]
    openssl(*packed, "-in", "demo/certificate.pem", "-passout", f"pass:{PASSWORD}")
    with pytest.raises(RefusedError, match="key_for_demonstration"):
        import_shop_key(tmp_path / "k.p12", PASSWORD, replace=False, why="", by="")


# --- replaced ------------------------------------------------------------------------


def test_a_replaced_key_signs_nothing_and_is_still_known(
    tmp_path: Path, sealed_run: SealedRun
) -> None:
    first = make_shop_key("First", replace=False, why="", by="")
    with pytest.raises(RefusedError, match="key_there_already"):
        make_shop_key("Second", replace=False, why="", by="")
    run = sealed_run(key=shop_folder(), change=real)
    early = tmp_path / "early.pdf"
    issue(run, early, by=SIGNER)
    second = make_shop_key("Second", replace=True, why="the computer was lost", by="X")
    assert shop_key().id == second.id != first.id
    now, before = known_keys()
    assert (now.id, now.until) == (second.id, "")
    assert (before.id, before.why, before.by) == (
        first.id,
        "the computer was lost",
        "X",
    )
    assert before.until
    (old,) = (keys_dir() / OLD_FOLDER).iterdir()
    with pytest.raises(RefusedError, match="key_ended"):
        key_for(simulated=False, folder=old)
    # what the old one sealed can still be certified, by the new one
    late = tmp_path / "late.pdf"
    assert issue(run, late, by=SIGNER).certificate.key_id == second.id
    listed = tmp_path / "keys.json"
    export_keys(listed, known_keys(), whole=True)
    for file in (run, early, late):
        assert verify(file, listed).signature == "fits"
    with pytest.raises(IntegrityError, match="signature_wrong"):
        verify(early, shop_folder())


def test_a_replaced_key_does_not_lock_the_shop_out_of_its_archive(
    sealed_run: SealedRun, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def call(*words: object) -> int:
        code = main([str(word) for word in words])
        told = capsys.readouterr()
        assert "Traceback" not in told.err
        return code

    make_shop_key("First (invented)", replace=False, why="", by="")
    run = sealed_run(key=shop_folder(), change=real)
    by = ("--by", SIGNER)
    assert call("certify", run, "--out", tmp_path / "a.pdf", *by) == 0
    make_shop_key("Second (invented)", replace=True, why="stolen", by=SIGNER)
    assert call("records", "check") == 0
    again = ("certify", run, "--as-found", "--out", tmp_path / "b.pdf", *by)
    assert call(*again) == 0
    assert call("records", "check") == 0
    keys = tmp_path / "keys.json"
    export_keys(keys, known_keys(), whole=True)
    assert call("verify", archive_dir(), "--key", keys) == 0
    assert call("verify", archive_dir(), "--key", shop_folder()) == 5
    (old,) = (keys_dir() / OLD_FOLDER).iterdir()
    assert call("verify", tmp_path / "a.pdf", "--key", old) == 0
    # with the stolen key a head can still be written, and that is seen by its time
    archive = Archive(archive_dir())
    now = archive.head()
    late = Head(archive=now.archive, start=now.start, lines=now.lines)
    archive.head_path.chmod(0o644)
    archive.head_path.write_bytes(late.signed(SigningKey(load_key(old))).data)
    ended = json.loads((old / ENDED_NAME).read_text("utf-8"))
    ended["until"] = "2020-01-01T00:00:00Z"
    (old / ENDED_NAME).chmod(0o644)
    (old / ENDED_NAME).write_text(json.dumps(ended), "utf-8")
    found = check_archive(archive, known_places())
    heads = [t.id for t in found.troubles if t.where == str(archive.head_path)]
    assert heads == ["signature_after_end"]


def test_a_demonstration_key_is_made_in_a_folder_of_its_own(
    tmp_path: Path, sealed_run: SealedRun, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "demo"
    words = ["keys", "make", "--demo", str(folder), "--owner", "Try (invented)"]
    before = datetime.datetime.now(datetime.UTC).replace(microsecond=0)
    assert main([*words, "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)["keys"]
    assert told["owner"] == "Try (invented)"
    since = datetime.datetime.fromisoformat(told["since"])
    assert before <= since <= datetime.datetime.now(datetime.UTC)
    assert load_key(folder).demo
    assert not shop_folder().exists()
    page = tmp_path / "c.pdf"
    issue(sealed_run(key=folder), page, by=SIGNER, key_folder=folder)
    assert verify(page, folder).simulated
    assert main(words) == 2
    assert main([*words, "--replace", "--why", "x"]) == 2


def test_what_is_signed_after_a_key_s_end_is_refused(
    tmp_path: Path, sealed_run: SealedRun
) -> None:
    key = make_shop_key("First", replace=False, why="", by="")
    run = sealed_run(key=shop_folder(), change=real)
    make_shop_key("Second", replace=True, why="stolen", by="X")
    known = [
        replace(k, until="2020-01-01T00:00:00Z") if k.until else k for k in known_keys()
    ]
    listed = tmp_path / "keys.json"
    export_keys(listed, known, whole=True)
    facts = common(
        REJECTION, open_run(run), Signatory(name="Thief"), "x", "2026-01-01T00:00:00Z"
    )
    note = tmp_path / "n.json"
    note.write_bytes(signed(facts, key).data)
    for file in (note, run):
        with pytest.raises(IntegrityError, match="signature_after_end"):
            verify(file, listed)


@pytest.mark.usefixtures("shop")
def test_a_lead_replaces_it_and_that_is_on_record(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # the shop's folder of the tests is a link to a key that others use too
    target = shop_folder().resolve()
    shop_folder().unlink()
    private = load_key(target)
    assert isinstance(private.public, rsa.RSAPublicKey)
    from cryptography import x509
    from cryptography.hazmat.primitives import serialization

    loaded = serialization.load_der_private_key(private.private_der, None)
    assert isinstance(loaded, rsa.RSAPrivateKey)
    put_key(
        shop_folder(), loaded, x509.load_der_x509_certificate(private.certificate_der)
    )
    pin = tmp_path / "pin"
    pin.write_text(PINS[LEAD], encoding="utf-8")
    given = ["keys", "make", "--owner", "Later (invented)", "--replace", "--json"]
    by = ["--by", LEAD, "--pin-from", str(pin)]
    assert main([*given, *by]) == 2  # no reason
    assert json.loads(capsys.readouterr().out)["id"] == "value_wrong"
    assert main([*given, *by, "--why", "a new computer"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["keys"][0]["owner"] == "Later (invented)"
    (event,) = persons.done(Act.KEYS)
    assert event.facts["key"] == shop_key().id
    # the roll, signed by the old key up to then, goes on with the new one
    assert persons.prove(SIGNER, Act.CERTIFY, knows).name == SIGNER
    assert json.loads(roll.head_path().read_text())["key"] == shop_key().id


# --- told and exported ---------------------------------------------------------------


def test_what_is_exported_is_public(
    tmp_path: Path,
    bench_key: Path,
    openssl: Callable[..., str],
    capsys: pytest.CaptureFixture[str],
) -> None:
    own_key(bench_key)
    pem, listed = tmp_path / "shop.pem", tmp_path / "keys.json"
    assert main(["keys", "export", "--out", str(pem)]) == 0
    assert main(["keys", "export", "--all", "--out", str(listed)]) == 0
    assert main(["keys", "show", load_key(bench_key).id[:8].upper()]) == 0
    capsys.readouterr()
    assert "Public-Key: (3072 bit)" in openssl(
        "pkey", "-pubin", "-in", pem, "-text", "-noout"
    )
    assert load_public(pem).public_numbers() == load_public(bench_key).public_numbers()
    for text in (pem.read_text(), listed.read_text()):
        assert "PRIVATE" not in text
    schema = json.loads((ROOT / "docs/schemas/keys-1.json").read_text("utf-8"))
    jsonschema.validate(json.loads(listed.read_text("utf-8")), schema)
    assert main(["keys", "list", "--json"]) == 0
    jsonschema.validate(json.loads(capsys.readouterr().out), schema)
    assert main(["keys", "export", "--out", str(pem)]) == 2
    assert main(["keys", "show", "zz"]) == 2


def test_without_a_key_nothing_is_made_by_asking(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["keys", "list"]) == 0
    assert "No key yet" in capsys.readouterr().out
    assert main(["keys", "export", "--out", str(tmp_path / "x.pem")]) == 2
    assert not keys_dir().exists()
    jsonschema.validate(
        keys_json([]),
        json.loads((ROOT / "docs/schemas/keys-1.json").read_text("utf-8")),
    )


@pytest.mark.parametrize(
    "text",
    ["{", "{}", '{"schema": "proofstand.keys/1"}', '{"schema": "x", "keys": []}',
     '{"schema": "proofstand.keys/1", "keys": []}',
     '{"schema": "proofstand.keys/1", "keys": [{"id": "x"}]}'],
)  # fmt: skip
def test_a_list_of_keys_that_is_none(
    text: str, tmp_path: Path, sealed_run: SealedRun
) -> None:
    listed = tmp_path / "keys.json"
    listed.write_text(text)
    with pytest.raises(InputError, match="file_not_ours"):
        verify(sealed_run(), listed)


def test_a_list_with_a_key_under_another_id(
    tmp_path: Path, bench_key: Path, sealed_run: SealedRun
) -> None:
    own_key(bench_key)
    (known,) = known_keys()
    assert isinstance(known, KnownKey)
    listed = tmp_path / "keys.json"
    export_keys(listed, [replace(known, id="0" * 64)], whole=True)
    with pytest.raises(InputError, match="file_not_ours"):
        verify(sealed_run(), listed)


def test_a_key_s_folder_that_holds_something_else(bench_key: Path) -> None:
    own_key(bench_key)
    odd = keys_dir() / OLD_FOLDER / "odd"
    odd.mkdir(parents=True)
    with pytest.raises(InputError, match="file_missing"):
        known_keys()
    (odd / "certificate.pem").write_bytes(os.urandom(40))
    with pytest.raises(InputError, match="file_not_ours"):
        known_keys()
