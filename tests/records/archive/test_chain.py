"""The archive's folder and chain: what is kept stays, whatever happens to a writer."""

from __future__ import annotations

import itertools
import json
import os
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from records.archive import files
from records.archive.chain import Archive, Head
from records.archive.entry import (
    CHAIN_NAME,
    Entry,
    is_safe,
    key_of,
    read_line,
    safe_name,
    shown,
)
from records.errors import InputError, IntegrityError

from .chains import KEY, PlainKey, add, begun, note, texts

ROOT = Path(__file__).parents[3]


def test_what_is_added_is_there_and_told_by_the_chain(tmp_path: Path) -> None:
    archive = begun(tmp_path / "archive")
    (first,) = add(archive, "one")
    second, third = add(archive, "two", "three")
    assert first.path == "2026/run-1/note-001.json"
    assert [k.path.rsplit("-", 1)[1] for k in (second, third)] == [
        "002.json",
        "003.json",
    ]
    assert texts(archive) == ["one", "two", "three"]
    entries = list(archive.entries())
    assert [e.n for e in entries] == [0, 1, 2, 3]
    for before, entry in itertools.pairwise(entries):
        assert entry.before == before.digest
    head = archive.head()
    assert (head.n, head.last) == (3, entries[-1].digest)
    assert head.end == archive.chain_path.stat().st_size
    assert head.is_signed_by(KEY)
    assert not any((archive.folder / files.STAGE_NAME).iterdir())


def test_the_digest_of_a_file_is_that_of_other_tools(tmp_path: Path) -> None:
    archive = begun(tmp_path / "archive")
    (kept,) = add(archive, "one")
    assert kept.entry is not None
    path = archive.folder / kept.path
    said = subprocess.run(
        ["sha256sum", path], capture_output=True, text=True, check=True
    )
    assert said.stdout.split()[0] == kept.entry.sha256
    # and that of a line is the digest of its bytes
    line = archive.chain_path.read_bytes().splitlines()[1]
    told = subprocess.run(["sha256sum"], input=line, capture_output=True, check=True)
    assert told.stdout.split()[0].decode() == kept.entry.digest == archive.head().last


def test_the_same_content_is_not_kept_twice(tmp_path: Path) -> None:
    archive = begun(tmp_path / "archive")
    add(archive, "one", "two")
    (again,) = add(archive, "two")
    assert (again.path, again.entry) == ("2026/run-1/note-002.json", None)
    assert archive.head().n == 2


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    archive = begun(tmp_path / "archive")
    archive.add([note(archive, "one", name="run.h5")], key=KEY, who="a")
    with pytest.raises(InputError, match="archive_has_another"):
        archive.add([note(archive, "other", name="run.h5")], key=KEY, who="a")
    assert texts(archive) == ["one"]
    assert not any((archive.folder / files.STAGE_NAME).iterdir())


@pytest.mark.skipif(os.name == "nt", reason="no such bits there")
def test_what_is_kept_is_read_only(tmp_path: Path) -> None:
    archive = begun(tmp_path / "archive")
    (kept,) = add(archive, "one")
    mode = (archive.folder / kept.path).stat().st_mode
    assert stat.S_IMODE(mode) == 0o444


def test_a_folder_with_other_things_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("private")
    with pytest.raises(InputError, match="archive_folder_taken"):
        begun(tmp_path)
    assert [p.name for p in tmp_path.iterdir() if p.suffix == ".txt"] == ["letter.txt"]


def test_no_archive_is_told(tmp_path: Path) -> None:
    for folder in (tmp_path, tmp_path / "none"):
        with pytest.raises(InputError, match="archive_missing"):
            Archive(folder).head()
    with pytest.raises(InputError, match="archive_missing"):
        list(Archive(tmp_path).entries())


def test_a_newer_archive_is_told(tmp_path: Path) -> None:
    archive = begun(tmp_path / "archive")
    text = archive.head_path.read_text("utf-8").replace("head/1", "head/2")
    archive.head_path.write_text(text, "utf-8")
    with pytest.raises(InputError, match="format_newer"):
        archive.head()


# --- keys ----------------------------------------------------------------------------


def test_nobody_signs_over_a_head_of_a_stranger(tmp_path: Path) -> None:
    archive = begun(tmp_path / "archive")
    other = PlainKey("another bench")
    item = note(archive, "two")
    with pytest.raises(IntegrityError, match="head_not_signed"):
        archive.add([item], key=other, who="b")
    archive.add([note(archive, "two")], key=other, who="b", trusted=[KEY])
    assert archive.head().is_signed_by(other)
    assert not archive.head().is_signed_by(KEY)


def test_a_head_with_another_end_loses_its_signature(tmp_path: Path) -> None:
    archive = begun(tmp_path / "archive")
    add(archive, "one")
    old = archive.head()
    add(archive, "two")
    new = archive.head()
    forged = Head(
        archive=new.archive,
        start=old.start,
        lines=old.lines,
        key=new.key,
        signature=new.signature,
    )
    assert not forged.is_signed_by(KEY)


# --- lines ---------------------------------------------------------------------------

_TEXT = st.text(max_size=40)


@given(
    who=_TEXT,
    what=_TEXT,
    about=st.dictionaries(
        _TEXT, st.one_of(_TEXT, st.booleans(), st.none(), st.integers(-9, 9))
    ),
)
def test_any_text_stands_in_a_line(
    who: str, what: str, about: dict[str, str | int | bool | None]
) -> None:
    entry = Entry(
        n=4,
        path="2026/a/b.json",
        kind="note",
        sha256="0" * 64,
        size=3,
        utc_ns=5,
        who=shown(who),
        what=shown(what),
        about={
            shown(k): shown(v) if isinstance(v, str) else v for k, v in about.items()
        },
        before="ab",
    )
    assert b"\n" not in entry.line
    assert read_line(entry.line, 4, "ab", "here") == entry


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("../outside.json", "note"),
        ("/etc/passwd", "note"),
        ("2026/../../x", "note"),
        ("2026/.hidden", "note"),
        ("chain.jsonl", "note"),
        ("C:/x/y", "note"),
        ("2026\\x", "note"),
        ("", "note"),
        ("2026/a/b", "nothing"),
    ],
)
def test_a_line_never_leads_out_of_the_folder(path: str, kind: str) -> None:
    entry = Entry(
        n=1,
        path=path,
        kind=kind,
        sha256="",
        size=0,
        utc_ns=0,
        who="",
        what="",
    )
    with pytest.raises(IntegrityError, match="chain_changed"):
        read_line(entry.line, 1, "", "here")


def test_every_byte_of_a_line_counts(tmp_path: Path) -> None:
    archive = begun(tmp_path / "archive")
    add(archive, "one")
    line = archive.chain_path.read_bytes().splitlines()[1]
    before = next(archive.entries()).digest
    digest = read_line(line, 1, before, "here").digest
    for at in range(len(line)):
        for bit in (1, 32):
            changed = bytearray(line)
            changed[at] ^= bit
            try:
                found = read_line(bytes(changed), 1, before, "here")
            except IntegrityError:
                continue
            assert found.digest != digest  # the head, or the next line, tells it


@given(st.text(max_size=400))
def test_any_text_gives_a_safe_name(text: str) -> None:
    name = safe_name(text)
    assert is_safe(name)
    assert len(name) <= 60


def test_names_that_differ_only_in_unsafe_signs_stay_apart() -> None:
    assert len({safe_name(t) for t in ("a/b", "a\\b", "a:b", "a_b", "a b", "")}) == 6


@given(st.text(max_size=400))
def test_any_text_has_a_key_that_a_database_takes(text: str) -> None:
    key = key_of(text)
    assert "\0" not in key
    assert len(key) <= 217
    key.encode("utf-8")
    assert key_of(text.upper()) == key or text.upper().casefold() != text.casefold()


# --- a writer that dies --------------------------------------------------------------

_DIES = """
import os, sys
from pathlib import Path
from tests.records.archive.chains import add, begun

def dies_at(folder, at):
    archive = begun(folder)
    add(archive, "one")
    calls = 0
    def dying(real):
        def call(*given, **more):
            nonlocal calls
            calls += 1
            if calls == at:
                os._exit(9)
            return real(*given, **more)
        return call
    for name in ("fsync", "link", "rename", "replace", "open", "mkdir"):
        setattr(os, name, dying(getattr(os, name)))
    add(archive, "two", "three")
    os._exit(0)

for at in range(1, 100):
    child = os.fork()
    if child == 0:
        dies_at(Path(sys.argv[1]) / str(at), at)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    print(code, flush=True)
    if code == 0:
        break
"""


@pytest.mark.skipif(os.name == "nt", reason="there no process can be copied")
def test_a_writer_that_dies_at_any_instant_leaves_all_or_nothing(
    tmp_path: Path,
) -> None:
    """Dies before each call that changes the disk, in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", _DIES, tmp_path],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=True,
    )
    codes = done.stdout.split()
    assert len(codes) > 15
    assert codes == ["9"] * (len(codes) - 1) + ["0"], done.stderr
    outcomes = set()
    for at in range(1, len(codes) + 1):
        folder = tmp_path / str(at)
        archive = Archive(folder)
        settled = archive.settle()
        assert archive.is_settled()
        found = texts(archive)
        assert found in (["one"], ["one", "two", "three"]), at
        outcomes.add((len(found), settled))
        add(archive, "four")
        assert texts(archive)[-1] == "four"
        told = {entry.path for entry in archive.entries() if entry.path}
        there = {
            p.relative_to(folder).as_posix()
            for p in folder.glob("2026/**/*")
            if p.is_file()
        }
        assert there == told
    assert outcomes == {(1, False), (3, True), (3, False)}


@pytest.mark.parametrize("error", [KeyboardInterrupt, OSError])
def test_a_writer_that_is_stopped_and_clears_up_leaves_all_or_nothing(
    error: type[BaseException], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C, or a disk that fails once, before each call that changes the disk."""
    outcomes = set()
    for at in range(1, 100):
        archive = begun(tmp_path / str(at))
        add(archive, "one")
        calls = 0

        def stopping(real: Callable[..., object], at: int = at) -> object:
            def call(*given: object, **more: object) -> object:
                nonlocal calls
                calls += 1
                if calls == at:
                    raise error
                return real(*given, **more)

            return call

        stopped = False
        with monkeypatch.context() as patched:
            for name in ("fsync", "link", "rename", "replace", "open", "mkdir"):
                patched.setattr(os, name, stopping(getattr(os, name)))
            try:
                add(archive, "two", "three")
            except (KeyboardInterrupt, InputError):
                stopped = True
        archive.settle()
        found = texts(archive)
        assert found in (["one"], ["one", "two", "three"]), at
        outcomes.add((len(found), stopped))
        add(archive, "four")
        assert texts(archive)[-1] == "four"
        if calls < at:
            break
    assert {(1, True), (3, True), (3, False)} <= outcomes


@pytest.mark.parametrize("cut", [1, 30, 400])
def test_a_line_that_was_torn_is_put_back_from_the_head(
    cut: int, tmp_path: Path
) -> None:
    archive = begun(tmp_path / "archive")
    add(archive, "one")
    add(archive, "two", "three")
    whole = archive.chain_path.read_bytes()
    assert len(archive.head().added) > 400
    archive.chain_path.write_bytes(whole[:-cut])
    assert not archive.is_settled()
    assert archive.settle()
    assert archive.chain_path.read_bytes() == whole


def test_a_file_that_died_with_its_writer_is_put_back_from_the_stage(
    tmp_path: Path,
) -> None:
    archive = begun(tmp_path / "archive")
    staged = archive.stage(b"two")
    (kept,) = add(archive, "two")
    (archive.folder / kept.path).unlink()
    archive.chain_path.write_bytes(
        archive.chain_path.read_bytes()[: archive.head().start]
    )
    assert archive.settle()
    assert texts(archive) == ["two"]
    staged.path.unlink()
    (archive.folder / kept.path).unlink()
    archive.chain_path.write_bytes(
        archive.chain_path.read_bytes()[: archive.head().start]
    )
    with pytest.raises(IntegrityError, match="archive_file_missing"):
        archive.settle()


def test_more_than_a_writer_could_have_torn_is_told(tmp_path: Path) -> None:
    archive = begun(tmp_path / "archive")
    add(archive, "one")
    add(archive, "two")
    whole = archive.chain_path.read_bytes()
    archive.chain_path.write_bytes(whole[: archive.head().start - 1])
    with pytest.raises(IntegrityError, match="chain_cut_short"):
        add(archive, "three")
    archive.chain_path.write_bytes(whole + whole)
    with pytest.raises(IntegrityError, match="chain_beyond_head"):
        add(archive, "three")
    archive.chain_path.unlink()
    with pytest.raises(IntegrityError, match="chain_missing"):
        list(archive.entries())
    archive.chain_path.write_bytes(whole)
    archive.head_path.unlink()
    with pytest.raises(IntegrityError, match="head_missing"):
        archive.head()


@pytest.mark.parametrize(
    "text",
    ["", "{}", "[]", "null", '{"format":', "\udcff", '{"lines":[1]}'],
)
def test_a_head_that_is_none_is_told(text: str, tmp_path: Path) -> None:
    archive = begun(tmp_path / "archive")
    archive.head_path.write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(IntegrityError, match="head_changed"):
        archive.head()


def test_what_dead_writers_left_is_swept_after_a_day(tmp_path: Path) -> None:
    archive = begun(tmp_path / "archive")
    old, new = archive.stage(b"old"), archive.stage(b"new")
    os.utime(old.path, (1.0, 1.0))
    add(archive, "one")
    assert not old.path.exists()
    assert new.path.exists()


# --- several writers -----------------------------------------------------------------

_WRITES = """
import sys
from pathlib import Path
from tests.records.archive.chains import add, begun
archive = begun(Path(sys.argv[1]))
for i in range(int(sys.argv[3])):
    add(archive, f"{sys.argv[2]}-{i}", run="run-1")
"""


def test_several_writers_at_once_lose_nothing(tmp_path: Path) -> None:
    folder, writers, each = tmp_path / "archive", 4, 12
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", _WRITES, str(folder), str(w), str(each)],
            env=environment,
            stderr=subprocess.PIPE,
            text=True,
        )
        for w in range(writers)
    ]
    for process in processes:
        _, said = process.communicate(timeout=120)
        assert process.returncode == 0, said
    archive = Archive(folder)
    found = texts(archive)
    assert sorted(found) == sorted(
        f"{w}-{i}" for w in range(writers) for i in range(each)
    )
    for w in range(writers):  # each one's own in its order
        own = [t for t in found if t.startswith(f"{w}-")]
        assert own == [f"{w}-{i}" for i in range(each)]
    assert archive.is_settled()


_HOLDS = """
import sys
from pathlib import Path
from records.archive.files import locked
with locked(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.readline()
"""


def test_a_held_lock_is_told_and_a_dead_holder_shuts_nobody_out(
    tmp_path: Path,
) -> None:
    archive = begun(tmp_path / "archive")
    holder = subprocess.Popen(
        [sys.executable, "-c", _HOLDS, str(archive.folder)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    item = note(archive, "one")
    with pytest.raises(InputError, match="archive_busy") as caught:
        archive.add([item], key=KEY, who="a", wait_s=0.2)
    assert f"process {holder.pid} " in caught.value.facts["holder"]
    holder.kill()
    holder.communicate()
    add(archive, "one")
    assert texts(archive) == ["one"]


def test_where_the_system_has_no_locks_a_file_is_the_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import errno

    def none(file: object) -> None:
        raise OSError(errno.ENOLCK, "no locks")

    monkeypatch.setattr(files, "_take", none)
    monkeypatch.setattr(files, "_POLL_S", 0.001)
    archive = begun(tmp_path / "archive")
    held = archive.folder / f"{files.LOCK_NAME}.held"
    add(archive, "one")
    assert not held.exists()
    held.write_text("0123456789abcdef process 1 on nowhere since long ago")
    now = [0.0]

    def clock() -> float:
        now[0] += 1.0
        return now[0]

    with files.locked(archive.folder, clock=clock):  # its holder is dead
        assert now[0] >= files.DEAD_S
        assert held.exists()
    assert not held.exists()

    def renewed() -> float:  # by holders that live
        held.write_text(f"{now[0]:016.0f} process 1 on nowhere since long ago")
        return clock()

    with (
        pytest.raises(InputError, match="archive_busy") as caught,
        files.locked(archive.folder, 0.0, clock=renewed),
    ):
        pass
    assert caught.value.facts["holder"].startswith("process 1 on nowhere")


def test_a_file_system_without_links_keeps_files_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none(*_: object) -> None:
        raise OSError(38, "no links")

    monkeypatch.setattr(os, "link", none)
    archive = begun(tmp_path / "archive")
    add(archive, "one", "two")
    assert texts(archive) == ["one", "two"]
    assert json.loads(archive.chain_path.read_bytes().splitlines()[0])["n"] == 0
    assert (archive.folder / CHAIN_NAME).exists()
