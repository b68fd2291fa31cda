"""The live channel: what is told, to whom, and what is refused. And its notes."""

from __future__ import annotations

import os
import stat
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from multiprocessing.connection import Client
from pathlib import Path

import pytest

from analysis.judge import judge
from proofstand import at_work
from proofstand.at_work import (
    FORMAT,
    Note,
    Order,
    Standing,
    found_at_work,
    led_at_terminal,
    note_path,
    notes,
    read_note,
    refuse_taken,
    remove_note,
    write_note,
)
from proofstand.live_channel import HOST, Door, Watch, Watched, connected
from proofstand.procedure.engine import (
    Abandon,
    Acknowledge,
    Answer,
    Command,
    Declare,
    Hear,
    Repeat,
    Skip,
)
from proofstand.session import Asked, Closed, Judged, Started, Troubled
from proofstand.session_text import (
    Ended,
    Sealed,
    Told,
    Written,
    command_text,
    event_text,
    read_command,
    read_event,
)
from records.errors import RefusedError, RigError
from records.measure import parse_quantity
from records.run import Request
from records.runfile import open_run
from rig.simulator.rigtext import rig_text
from tests.records import samples
from tests.simulated_runs import RunOf

REQUEST = Request(
    id="set.3",
    step="set",
    act="set_outlet",
    aim=parse_quantity("11 in. w.c. gauge"),
    confirm=True,
)
COMMANDS: list[Command] = [
    Acknowledge("set.3", "P. Quill"),
    Answer("look.1", "0", "P. Quill"),
    Skip("no meter", "P. Quill"),
    Repeat("a door", "P. Quill", "set", of_rig=True),
    Declare("adjusted", "a turn", "P. Quill"),
    Hear((("over_pressure", "outlet"),), "P. Quill"),
    Abandon("enough", "P. Quill"),
]


@pytest.fixture
def door() -> Iterator[Door]:
    made = Door()
    yield made
    made.close()


def heard(watch: Watch, seconds: float = 5.0) -> list[Told]:
    """Return what is told until nothing came for a moment."""
    found: list[Told] = []
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        told = watch.take(0.2)
        if not told:
            return found
        found += [event for event, _ in told]
    return found


# --- text ----------------------------------------------------------------------------


@pytest.mark.parametrize("command", COMMANDS, ids=lambda c: type(c).__name__)
def test_every_command_is_read_as_it_was_said(command: Command) -> None:
    assert read_command(command_text(command)) == command


def test_events_are_read_as_they_were_told(run_of: RunOf) -> None:
    judgement = judge(open_run(run_of()))
    for event in (
        Asked(REQUEST),
        Closed("done", 12.5),
        Sealed(Path("/a/run.h5"), "ab", "", judgement, Path("/a/key")),
        Ended(),
        Written(),
    ):
        assert read_event(event_text(event, 77)) == (event, 77)
    told, _ = read_event(event_text(Judged(judgement, "set"), 0))
    assert isinstance(told, Judged)
    assert (told.judgement, told.on) == (judgement, "set")
    error = RigError("instrument_silent", where="COM3", instrument="io", seconds=3)
    told, _ = read_event(event_text(Troubled(error), 0))
    assert isinstance(told, Troubled)
    assert (type(told.error), told.error.id) == (RigError, "instrument_silent")
    assert (told.error.where, told.error.facts) == (error.where, error.facts)


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"\x80\x04\x95",
        b"[]\n{}",
        b'{"kind": "asked"}\n{}',
        b'{"kind": "what"}\n{}',
        b'{"kind": "troubled"}\n{"class": "SystemExit", "id": "x"}',
    ],
)
def test_what_is_none_of_ours_is_no_message(text: bytes) -> None:
    with pytest.raises(ValueError):  # noqa: PT011
        read_event(text)
    with pytest.raises(ValueError):  # noqa: PT011
        read_command(text)


# --- the channel ---------------------------------------------------------------------


@pytest.mark.serial
def test_who_comes_late_is_told_all_in_its_order(door: Door, tmp_path: Path) -> None:
    journal = tmp_path / "run.journal"
    journal.write_bytes(b"12345")
    door.tell(Started("run", journal, samples.header()))
    door.tell(Asked(REQUEST))
    journal.write_bytes(b"1234567")
    door.tell(Closed("done", 1.0))
    watch = connected(door.port, door.token, 5.0)
    assert watch is not None
    first = watch.take(5.0)
    while len(first) < 3:
        first += watch.take(5.0)
    assert first == [(Written(), 5), (Asked(REQUEST), 5), (Closed("done", 1.0), 7)]
    for command in COMMANDS:
        watch.say(command)
    said: list[Command] = []
    until = time.monotonic() + 5.0
    while len(said) < len(COMMANDS) and time.monotonic() < until:
        said += door.commands()
    assert said == COMMANDS
    door.tell(Ended())
    assert heard(watch) == [Ended()]
    watch.heard()
    assert door.wait_until_heard(5.0)
    watch.close()


@pytest.mark.serial
def test_one_watches_at_a_time(door: Door) -> None:
    first = connected(door.port, door.token, 5.0)
    assert first is not None
    with pytest.raises(Watched):
        connected(door.port, door.token, 0.0)
    first.close()
    until, again = time.monotonic() + 5.0, None
    while again is None and time.monotonic() < until:
        try:
            again = connected(door.port, door.token, 0.0)
        except Watched:
            time.sleep(0.02)
    assert again is not None
    again.close()


@pytest.mark.serial
def test_without_the_token_nothing_is_told_and_nothing_taken(door: Door) -> None:
    door.tell(Asked(REQUEST))
    assert connected(door.port, b"x" * 32, 0.0) is None
    stranger = Client((HOST, door.port))
    stranger.recv_bytes()
    stranger.send_bytes(b"0" * 64)
    with pytest.raises(EOFError):
        stranger.recv_bytes()
    stranger.close()
    assert list(door.commands()) == []


@pytest.mark.serial
def test_junk_from_a_watcher_ends_nothing(door: Door) -> None:
    watch = connected(door.port, door.token, 5.0)
    assert watch is not None
    watch._connection.send_bytes(b"\x80\x04junk")
    watch.say(COMMANDS[0])
    until, said = time.monotonic() + 5.0, list[Command]()
    while not said and time.monotonic() < until:
        said += list(door.commands())
    assert said == COMMANDS[:1]
    watch.close()


@pytest.mark.serial
def test_a_watcher_that_takes_nothing_holds_nothing_up(door: Door) -> None:
    watch = connected(door.port, door.token, 5.0)
    assert watch is not None
    began = time.process_time()
    for _ in range(30_000):
        door.tell(Asked(REQUEST))
    assert time.process_time() - began < 60.0  # it came to its end at all
    watch.close()


# --- notes ---------------------------------------------------------------------------


def note_of(folder: Path, port: int = 1) -> Note:
    order = Order(out=folder / "run.h5", by="P. Quill")
    return Note(format=FORMAT, order=order, pid=1, port=port, token="00")


@pytest.mark.skipif(sys.platform == "win32", reason="modes of files")
def test_a_note_is_for_its_user_alone(tmp_path: Path) -> None:
    note = note_of(tmp_path)
    write_note(note)
    path = note_path(note.order.journal)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert read_note(note.order.journal) == note
    remove_note(note.order.journal)
    assert read_note(note.order.journal) is None


def test_what_can_t_be_read_is_no_note(tmp_path: Path) -> None:
    note = note_of(tmp_path)
    write_note(note)
    note_path(note.order.journal).write_text('{"format": "proofstand.recorder/1"}')
    assert found_at_work() == []


def test_how_a_test_stands_that_an_earlier_window_began(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_note(note_of(tmp_path))
    (found,) = found_at_work()
    assert found.how is Standing.ON  # it is being opened
    journal = tmp_path / "run.journal"
    journal.touch()
    assert found_at_work()[0].how is Standing.ON
    with monkeypatch.context() as later:
        later.setattr(at_work, "LATELY_S", -1.0)
        assert found_at_work()[0].how is Standing.LONG_DEAD
        journal.unlink()
        (tmp_path / "run.h5").touch()
        assert found_at_work()[0].how is Standing.SEALED
        (tmp_path / "run.h5").unlink()
        assert found_at_work() == []
    assert read_note(journal) is None


# --- one rig, one test ---------------------------------------------------------------


SERVED = rig_text("127.0.0.1", 1502, 1.0)


def other_rig(folder: Path, how: str) -> Path:
    """Return another way to a rig file, or to what is at its other end."""
    path, beside = folder / "rig.toml", folder / "other.toml"
    text = path.read_text("utf-8")
    match how:
        case "same":
            return path
        case "by its folder":
            (folder / "shop").mkdir()
            return folder / "shop" / ".." / "rig.toml"
        case "linked":
            beside.symlink_to(path)
        case "copied":
            beside.write_text(text, "utf-8")
        case "other names":
            renamed = text.replace("station-1", "bench").replace(
                "127.0.0.1", "LocalHost"
            )
            beside.write_text(renamed, "utf-8")
        case "other port":
            beside.write_text(text.replace("1502", "1503"), "utf-8")
        case "not to be read":
            beside.write_text("format = 1", "utf-8")
    return beside


@pytest.mark.parametrize(
    ("how", "taken"),
    [
        ("same", True),
        ("by its folder", True),
        pytest.param(
            "linked",
            True,
            marks=pytest.mark.skipif(sys.platform == "win32", reason="links"),
        ),
        ("copied", True),
        ("other names", True),
        ("other port", False),
        ("not to be read", False),
    ],
)
def test_a_rig_is_taken_under_whatever_name(
    tmp_path: Path, how: str, taken: bool
) -> None:
    (tmp_path / "rig.toml").write_text(SERVED, "utf-8")
    first = Order(out=tmp_path / "run.h5", rig=tmp_path / "rig.toml")
    write_note(replace(note_of(tmp_path), order=first))
    first.journal.touch()
    second = replace(first, out=tmp_path / "two.h5", rig=other_rig(tmp_path, how))
    if taken:
        with pytest.raises(RefusedError) as refused:
            refuse_taken(second)
        assert refused.value.id == "rig_in_use"
    else:
        refuse_taken(second)


def two_outlets() -> str:
    """Return a rig file with two stations at one device, each with its registers."""
    outlet = SERVED.split("\n[[channels]]\n")[1]
    assert 'role = "outlet"' in outlet
    block = outlet.replace('id = "outlet"', 'id = "outlet-2"', 1)
    block = block.replace("station-1", "station-2")
    block = block.replace("address = 10\n", "address = 110\n")
    station = '[[stations]]\nid = "station-2"\n\n'
    stations = SERVED.replace("[[stations]]", station + "[[stations]]", 1)
    return f"{stations}\n[[channels]]\n{block}\n"


def test_stations_of_one_rig_are_no_hindrance_to_each_other(tmp_path: Path) -> None:
    rig, copy = tmp_path / "rig.toml", tmp_path / "copy.toml"
    for path in (rig, copy):
        path.write_text(two_outlets(), "utf-8")
    first = Order(out=tmp_path / "run.h5", rig=rig, station="station-1")
    write_note(replace(note_of(tmp_path), order=first))
    first.journal.touch()
    for path in (rig, copy):
        second = replace(first, out=tmp_path / "two.h5", rig=path)
        refuse_taken(replace(second, station="station-2"))
        with pytest.raises(RefusedError):
            refuse_taken(second)


def test_a_terminal_s_test_is_told_to_windows_and_no_window_joins_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(SERVED, "utf-8")
    first = Order(out=tmp_path / "run.h5", rig=rig)
    second = replace(first, out=tmp_path / "two.h5")
    with led_at_terminal(first):
        first.journal.touch()
        with pytest.raises(RefusedError, match="rig_in_use"):
            refuse_taken(second)
        with pytest.raises(RefusedError, match="rig_in_use"), led_at_terminal(second):
            raise AssertionError("two tests at one rig")
        assert found_at_work() == []
        assert len(notes()) == 1
    assert notes() == []
    refuse_taken(second)
    # one that was closed hard is forgotten once nobody can be at it any more
    with monkeypatch.context() as patched:
        patched.setattr("proofstand.at_work.remove_note", lambda journal: None)
        with led_at_terminal(first):
            pass
    assert len(notes()) == 1
    assert found_at_work() == []
    assert len(notes()) == 1
    ago = time.time() - 3600.0
    os.utime(first.journal, (ago, ago))
    assert found_at_work() == []
    assert notes() == []
