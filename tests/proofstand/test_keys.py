"""Keys and seals: a seal that fits, one that does not, an unsigned run: each said."""

from __future__ import annotations

import hashlib
import stat
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

import pytest

from proofstand.signoff.keys import (
    PRIVATE_NAME,
    PUBLIC_NAME,
    load_public,
    load_signer,
    make_key,
)
from proofstand.signoff.verify import verify
from records.errors import InputError, IntegrityError
from records.runfile import BLOCK_BYTES, _block, read_seal, seal
from tests.records.test_runfile import journal


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
    block = _block(forged, len(tail) - BLOCK_BYTES, made.signature)
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
