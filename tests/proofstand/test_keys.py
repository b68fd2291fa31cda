"""Keys and seals: a seal that fits, one that does not, an unsigned run: each said."""

from __future__ import annotations

import hashlib
import stat
import subprocess
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NoReturn

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from proofstand.commands.main import main
from proofstand.recovery import recover
from proofstand.signoff import keys
from proofstand.signoff.keys import (
    CERTIFICATE_NAME,
    DEMO_MARK,
    PRIVATE_NAME,
    PUBLIC_NAME,
    YEARS,
    key_for,
    load_key,
    load_public,
    load_signer,
    make_key,
    shop_folder,
    shop_key,
)
from proofstand.signoff.verify import verify
from records.errors import InputError, IntegrityError, RefusedError
from records.journal import read_journal
from records.runfile import BLOCK_BYTES, Seal, _block, read_seal, seal
from tests.records.test_runfile import journal

from .conftest import OWNER


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("key")
    make_key(folder)
    return folder


def test_signed_and_checked_with_the_right_key(tmp_path: Path, key: Path) -> None:
    out = tmp_path / "run.h5"
    seal(journal(tmp_path / "run.journal"), out, load_signer(key))
    assert verify(out).signature == "not checked"
    found = verify(out, key)
    assert found.signature == "fits"
    assert found.key == load_signer(key).key_id


def test_another_key_is_found(tmp_path: Path, key: Path) -> None:
    out = tmp_path / "run.h5"
    seal(journal(tmp_path / "run.journal"), out, load_signer(key))
    make_key(tmp_path / "other")
    with pytest.raises(IntegrityError, match="signature_wrong"):
        verify(out, tmp_path / "other")


def test_an_unsigned_run_is_said(tmp_path: Path) -> None:
    out = tmp_path / "run.h5"
    seal(journal(tmp_path / "run.journal"), out)
    assert verify(out).signature == "unsigned"


def test_a_changed_run_does_not_verify(tmp_path: Path, key: Path) -> None:
    out = tmp_path / "run.h5"
    seal(journal(tmp_path / "run.journal"), out, load_signer(key))
    data = bytearray(out.read_bytes())
    data[-5] ^= 4
    out.write_bytes(data)
    with pytest.raises(IntegrityError, match="run_changed"):
        verify(out, key)


def test_a_seal_made_anew_over_changed_bytes_lacks_the_key(
    tmp_path: Path, key: Path
) -> None:
    # The forger can compute hashes, but has no key: an old signature over a new hash.
    out = tmp_path / "run.h5"
    made = seal(journal(tmp_path / "run.journal"), out, load_signer(key))
    assert made.signature is not None
    other = tmp_path / "other.h5"
    seal(tmp_path / "run.journal", other)
    tail = bytearray(other.read_bytes())
    place = tail.index(b'"id":"run-1"') + 7
    tail[place] ^= 4
    forged = hashlib.sha256(tail[BLOCK_BYTES:]).hexdigest()
    block = _block(Seal(forged, len(tail) - BLOCK_BYTES, made.signature))
    other.write_bytes(block + bytes(tail[BLOCK_BYTES:]))
    assert read_seal(other).sha256 == forged
    with pytest.raises(IntegrityError, match="signature_wrong"):
        verify(other, key)


def test_openssl_agrees(
    tmp_path: Path, key: Path, lacks: Callable[[str], NoReturn]
) -> None:
    # An independent implementation checks the signature as docs/run-file.md tells it.
    out = tmp_path / "run.h5"
    made = seal(journal(tmp_path / "run.journal"), out, load_signer(key))
    assert made.signature is not None
    (tmp_path / "data").write_bytes(made.signed_bytes)
    (tmp_path / "sig").write_bytes(bytes.fromhex(made.signature.value))
    try:
        done = subprocess.run(
            [
                "openssl",
                "dgst",
                "-sha256",
                "-verify",
                str(key / PUBLIC_NAME),
                "-signature",
                str(tmp_path / "sig"),
                str(tmp_path / "data"),
            ],
            capture_output=True,
            text=True,
            check=False,
        )
    except FileNotFoundError:
        lacks("openssl")
    assert "Verified OK" in done.stdout


def test_the_private_key_is_its_owner_s_alone(key: Path) -> None:
    assert stat.S_IMODE((key / PRIVATE_NAME).stat().st_mode) == 0o600


def test_a_key_is_never_overwritten(key: Path) -> None:
    before = (key / PRIVATE_NAME).read_bytes()
    with pytest.raises(InputError, match="file_exists"):
        make_key(key)
    assert (key / PRIVATE_NAME).read_bytes() == before


def test_files_that_are_no_key(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="file_missing"):
        load_public(tmp_path / "none.pem")
    wrong = tmp_path / "wrong.pem"
    wrong.write_text("hello")
    with pytest.raises(InputError, match="file_not_ours"):
        load_public(wrong)


# --- the key's certificate, and who signs what ---------------------------------------


def openssl(lacks: Callable[[str], NoReturn], *arguments: object) -> str:
    try:
        done = subprocess.run(
            ["openssl", *map(str, arguments)],
            capture_output=True,
            text=True,
            check=False,
        )
    except FileNotFoundError:
        lacks("openssl")
    return done.stdout + done.stderr


def test_the_certificate_says_whose_key_and_for_what(
    demo_key: Path, bench_key: Path, lacks: Callable[[str], NoReturn]
) -> None:
    for folder, marked in ((demo_key, True), (bench_key, False)):
        path = folder / CERTIFICATE_NAME
        text = openssl(lacks, "x509", "-in", path, "-noout", "-text")
        assert OWNER in text
        assert (DEMO_MARK in text) is marked
        assert "Digital Signature, Non Repudiation" in text
        assert "CA:FALSE" in text
        shown = load_key(folder)
        assert (shown.owner, shown.demo) == (OWNER, marked)
        later = f"{365 * YEARS * 86_400}"
        assert "will not expire" in openssl(
            lacks, "x509", "-in", path, "-noout", "-checkend", later
        )
        # signed by the key itself
        assert "OK" in openssl(
            lacks, "verify", "-check_ss_sig", "-CAfile", path, "-partial_chain", path
        )


def test_the_shop_s_key_is_made_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keys, "KEY_BITS", 2048)
    assert not shop_folder().exists()
    with ThreadPoolExecutor(4) as pool:
        made = {key.id for key in pool.map(lambda _: shop_key(), range(4))}
    assert len(made) == 1
    assert {path.name for path in shop_folder().iterdir()} == {
        *(PRIVATE_NAME, PUBLIC_NAME, CERTIFICATE_NAME)
    }
    assert [path.name for path in shop_folder().parent.iterdir()] == ["shop"]
    assert stat.S_IMODE(shop_folder().stat().st_mode) == 0o700
    assert stat.S_IMODE(shop_folder().parent.stat().st_mode) == 0o700
    assert not shop_key().demo


def test_a_shop_s_key_that_can_t_be_made(own_places: Path) -> None:
    own_places.write_text("not a folder")
    with pytest.raises(InputError, match="file_unwritable"):
        shop_key()


def test_the_one_rule(demo_key: Path, bench_key: Path) -> None:
    assert key_for(simulated=True, folder=None) is None
    found = key_for(simulated=True, folder=demo_key)
    assert found is not None
    assert found.demo
    found = key_for(simulated=False, folder=bench_key)
    assert found is not None
    assert not found.demo
    with pytest.raises(RefusedError, match="key_for_real_rigs") as refused:
        key_for(simulated=True, folder=bench_key)
    assert refused.value.exit_code == 6
    with pytest.raises(RefusedError, match="key_for_demonstration"):
        key_for(simulated=False, folder=demo_key)


def broken(folder: Path, whole: Path, name: str, data: bytes | None) -> Path:
    """Return a copy of a key's folder with one file exchanged or missing."""
    folder.mkdir()
    for each in (PRIVATE_NAME, PUBLIC_NAME, CERTIFICATE_NAME):
        if each != name:
            (folder / each).write_bytes((whole / each).read_bytes())
        elif data is not None:
            (folder / each).write_bytes(data)
    return folder


def locked() -> bytes:
    return ec.generate_private_key(ec.SECP256R1()).private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.BestAvailableEncryption(b"secret"),
    )


def other_kind() -> bytes:
    return ec.generate_private_key(ec.SECP256R1()).private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )


@pytest.mark.parametrize(
    ("name", "data", "id"),
    [
        (PRIVATE_NAME, b"hello", "file_not_ours"),
        (PRIVATE_NAME, locked(), "file_not_ours"),
        (PRIVATE_NAME, other_kind(), "file_not_ours"),
        (PRIVATE_NAME, None, "file_missing"),
        (CERTIFICATE_NAME, None, "file_missing"),
        (CERTIFICATE_NAME, b"hello", "file_not_ours"),
    ],
)
def test_a_key_s_folder_that_lacks_something(
    tmp_path: Path, bench_key: Path, name: str, data: bytes | None, id: str
) -> None:
    folder = broken(tmp_path / "key", bench_key, name, data)
    with pytest.raises(InputError, match=id) as raised:
        load_key(folder)
    assert name in raised.value.where


def test_a_key_that_is_a_folder(tmp_path: Path) -> None:
    (tmp_path / "key" / PRIVATE_NAME).mkdir(parents=True)
    with pytest.raises(InputError, match="file_unreadable"):
        load_key(tmp_path / "key")


def test_no_key_is_put_where_something_else_lies(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(InputError, match="file_exists"):
        make_key(tmp_path)
    assert [p.name for p in tmp_path.iterdir() if p.name != "proofstand-home"] == [
        "notes.txt"
    ]


def test_simulate_takes_a_demonstration_key_only(
    tmp_path: Path, demo_key: Path, bench_key: Path
) -> None:
    out = tmp_path / "run.h5"
    code = main(["simulate", "--out", str(out), "--key", str(bench_key)])
    assert code == 6
    assert not out.exists()
    assert main(["simulate", "--out", str(out), "--key", str(tmp_path)]) == 2
    assert not out.exists()


def test_an_import_is_sealed_by_the_shop_unless_refused(
    tmp_path: Path, bench_key: Path
) -> None:
    shop_folder().parent.mkdir(parents=True)
    shop_folder().symlink_to(bench_key)
    log = tmp_path / "log.csv"
    log.write_text("t,p\n" + "".join(f"{n / 10},{700 + n % 2}\n" for n in range(90)))
    map_path = tmp_path / "map.toml"
    map_path.write_text(
        'format = "proofstand.map/1"\ndelimiter = ","\n[time]\ncolumn = 1\n'
        'unit = "s"\n[[channels]]\ncolumn = 2\nid = "p"\nrole = "pressure"\n'
        'unit = "kPa gauge"\n'
    )
    for name, more in (("shop", []), ("none", ["--unsigned"])):
        out = tmp_path / f"{name}.h5"
        given = ["import", str(log), "--map", str(map_path), "--out", str(out), *more]
        assert main(given) == 0
        if name == "shop":
            assert verify(out, bench_key).signature == "fits"
            continue
        assert verify(out).signature == "unsigned"
        with pytest.raises(IntegrityError, match="signature_missing"):
            verify(out, bench_key)
    given = ["import", str(log), "--out", "x.h5", "--unsigned", "--key", "k"]
    assert main(given) == 2


def test_a_recovered_run_is_sealed_by_the_same_rule(
    tmp_path: Path, demo_key: Path, bench_key: Path
) -> None:
    path = journal(tmp_path / "run.journal")
    simulated = read_journal(path).run.header.rig.simulated
    right, wrong = (demo_key, bench_key) if simulated else (bench_key, demo_key)
    recover(path, tmp_path / "run.h5", right)
    assert verify(tmp_path / "run.h5", right).signature == "fits"
    with pytest.raises(RefusedError):
        recover(path, tmp_path / "other.h5", wrong)
    recover(path, tmp_path / "unsigned.h5", unsigned=True)
    assert verify(tmp_path / "unsigned.h5").signature == "unsigned"
    assert not (tmp_path / "other.h5").exists()
