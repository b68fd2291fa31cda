"""Troubles beside a test: the disk, clocks, gaps, calibration."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from proofstand.live_troubles import SHOWN_S, LiveTroubles
from proofstand.procedure.engine import Command
from proofstand.room import FREE, LASTS_S, LOOK_S, SPARE_BYTES, Room
from records.errors import LIVE_IDS
from records.journal import read_journal
from records.run import Mark, MarkKind, RunHeader
from records.runfile import open_run
from tests.simulated_runs import RunOf

from .test_resuming import Bench


class Now:
    def __init__(self) -> None:
        self.s = 100.0

    def __call__(self) -> float:
        return self.s


class Disk:
    """A journal that grows by so much a second, on a disk of so much room."""

    def __init__(self, folder: Path, free: int, rate: float) -> None:
        self.journal, self.now, self.free, self.rate = folder / "j", Now(), free, rate
        self.journal.touch()
        self.room = Room(self.journal, lambda folder: self.free, self.now)

    def after(self, seconds: float) -> dict[str, str] | None:
        self.now.s += seconds
        grown = round(seconds * self.rate)
        self.free -= grown
        with self.journal.open("ab") as file:
            file.truncate(self.journal.stat().st_size + grown)
        return self.room.look()


def test_room_for_hours_is_no_trouble(tmp_path: Path) -> None:
    disk = Disk(tmp_path, 10**9, 5000.0)
    assert [disk.after(60.0) for _ in range(20)] == [None] * 20


def test_room_for_less_than_an_hour_is_told_and_again_when_it_has_halved(
    tmp_path: Path,
) -> None:
    rate = 80_000.0
    # journal and run file both grow: this lasts for 50 minutes
    disk = Disk(tmp_path, round(SPARE_BYTES + 3000.0 * 2.0 * rate), rate)
    disk.room.look()
    told = [(s, note) for s in range(30, 3200, 30) if (note := disk.after(30.0))]
    lasts = [float(note[LASTS_S]) for _, note in told]
    assert lasts[0] == pytest.approx(3000.0 - 30.0, abs=60.0)
    # each line halves what was left; the last one says that there is none
    for before, after in pairwise(lasts):
        assert after <= 0.5 * before
    assert lasts[-1] == 0.0
    assert 4 < len(lasts) < 14
    disk.free += 10**12
    note = disk.after(30.0)
    assert note is not None
    assert note[LASTS_S] == ""
    assert disk.after(30.0) is None


def test_the_disk_is_not_looked_at_all_the_time(tmp_path: Path) -> None:
    looks: list[Path] = []
    now = Now()
    (tmp_path / "j").touch()
    room = Room(tmp_path / "j", lambda f: looks.append(f) or 10**12, now)  # type: ignore[func-returns-value]
    for _ in range(100):
        room.look()
        now.s += LOOK_S / 10.0
    assert len(looks) <= 12


def test_a_disk_that_can_t_be_looked_at_is_none(tmp_path: Path) -> None:
    def gone(folder: Path) -> int:
        raise OSError("gone")

    assert Room(tmp_path / "none", gone, Now()).look() is None


def note(**data: str) -> Mark:
    return Mark(part=1, t_s=10.0, kind=MarkKind.NOTE, data=data, by="recorder")


MARKS = {
    "disk_nearly_full": note(**{FREE: "250000000", LASTS_S: "1800"}),
    "clock_moved": note(wall_clock_moved_s="-3600.0"),
    "instrument_clock": note(instrument="io", instrument_note="clock_set"),
    "readings_missed": note(instrument="io", instrument_note="back", after_s="3.250"),
}


@pytest.mark.parametrize("id", MARKS)
def test_what_a_mark_tells(id: str) -> None:
    (told,) = LiveTroubles().after(MARKS[id]).shown(20.0)
    assert (told.id, told.at_s) == (id, 10.0)
    assert told.where
    assert told.what
    assert told.does
    assert told.do
    assert "?" not in f"{told.where} {told.what} {told.does} {told.do}"


def test_every_one_of_them_is_told_by_something() -> None:
    assert {*MARKS, "calibration_expired"} == LIVE_IDS


def test_what_is_past_goes_and_what_stands_stays() -> None:
    troubles = LiveTroubles()
    for mark in MARKS.values():
        troubles = troubles.after(mark)
    assert {one.id for one in troubles.shown(11.0)} == set(MARKS)
    assert [one.id for one in troubles.shown(11.0 + SHOWN_S)] == ["disk_nearly_full"]
    enough = troubles.after(note(**{FREE: "9", LASTS_S: ""}))
    assert enough.shown(11.0 + SHOWN_S) == ()


def test_other_marks_tell_nothing() -> None:
    turned = note(instrument="io", instrument_note="clock_turned")
    begun = Mark(part=1, t_s=0.0, kind=MarkKind.STEP_BEGIN, step="zero")
    assert LiveTroubles().after(turned).after(begun).all == ()


@pytest.fixture
def header(run_of: RunOf) -> RunHeader:
    return open_run(run_of()).header


def test_an_expired_calibration_stands_from_the_beginning(header: RunHeader) -> None:
    assert LiveTroubles.at_begin(header).all == ()
    day = date.fromtimestamp(header.started_utc_ns / 1e9)
    first = next(c for c in header.rig.channels if c.calibration is not None)
    assert first.calibration is not None
    over = replace(first.calibration, due=day - timedelta(days=3))
    channels = tuple(
        replace(c, calibration=over) if c is first else c for c in header.rig.channels
    )
    late = replace(header, rig=replace(header.rig, channels=channels))
    (told,) = LiveTroubles.at_begin(late).shown(5000.0)
    assert (told.id, told.where) == ("calibration_expired", first.id)
    assert (day - timedelta(days=3)).isoformat() in told.what


def test_a_session_marks_a_disk_that_is_nearly_full(tmp_path: Path) -> None:
    bench, journal, looks = Bench(), tmp_path / "run.journal", 0
    session = bench.session(journal)
    session._room = Room(journal, lambda folder: 1000, time.monotonic)

    def stop() -> tuple[Command, ...]:
        nonlocal looks
        looks += 1
        if looks > 60:
            raise KeyboardInterrupt
        return ()

    with pytest.raises(KeyboardInterrupt):
        session.run(stop)
    marks = [m for m in read_journal(journal).run.marks if LASTS_S in m.data]
    assert [(m.kind, m.by, m.data[LASTS_S]) for m in marks] == [
        (MarkKind.NOTE, "recorder", "0")
    ]
