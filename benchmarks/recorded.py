"""What recording costs: the recorder's share of a core, the file, reading it back."""

import hashlib
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from records.jobcard import FORMAT as JOB_FORMAT
from records.jobcard import JobCard, Regulator
from records.journal import JournalWriter
from records.measure import parse_quantity
from records.planfile import builtin_plan
from records.rig import FORMAT, Channel, Instrument, Rig, Station
from records.run import Part, RunHeader, Software
from records.runfile import read_sealed, seal
from records.tomlfile import text_sha256
from records.trace import Block

from .table import Row

CHANNELS = 8
RATE_HZ = 1000
ROWS = 100  # of a block: 100 ms
PLAIN_BYTES = 8 * (1 + CHANNELS)  # of a row: a time and the raw values


def fast_rig() -> Rig:
    """Return a rig of eight channels at 1 kHz."""
    q = parse_quantity
    return Rig(
        format=FORMAT,
        id="benchmark",
        stations=(Station(id="A"),),
        instruments=(
            Instrument(id="io", protocol="log", period=q("1 ms"), timeout=q("1 s")),
        ),
        channels=tuple(
            Channel(
                id=f"c{i}",
                role=("inlet", "outlet")[i] if i < 2 else f"c{i}",
                station="A",
                instrument="io",
                unit="kPa gauge",
                span=(q("-1 kPa gauge"), q("200 kPa gauge")),
                resolution=q("1 Pa difference"),
            )
            for i in range(CHANNELS)
        ),
    )


def header(rig: Rig) -> RunHeader:
    """Return the header of a run on a rig, without limits."""
    plan, text = builtin_plan("trace-only")
    return RunHeader(
        id="benchmark",
        started_utc_ns=1,
        origin="record",
        job=JobCard(
            format=JOB_FORMAT,
            id="none",
            regulator=Regulator(serial="none", model="", family="", gas=""),
        ),
        plan=plan,
        plan_text=text,
        plan_sha256=text_sha256(text),
        rig=rig,
        software=Software(version="0", analysis_version=1),
    )


def _blocks(seconds: int) -> Iterator[Block]:
    picks = np.random.default_rng(1)
    step = round(1e9 / RATE_HZ)
    flags = np.zeros((ROWS, CHANNELS), np.uint8)
    for first in range(0, seconds * RATE_HZ, ROWS):
        t_ns = np.arange(first, first + ROWS, dtype=np.int64) * step
        yield Block(1, "io", t_ns, picks.random((ROWS, CHANNELS)), flags)


def _record(path: Path, seconds: int) -> float:
    """Record so many seconds as fast as it goes; return the CPU seconds it took."""
    blocks = list(_blocks(min(seconds, 60)))
    writer = JournalWriter(path, header(fast_rig()))
    writer.part(Part(number=1, utc_ns=1, host_ns=1, origins={"io": 0}))
    taken = 0.0
    per_second = RATE_HZ // ROWS
    for number in range(seconds * per_second):
        block = blocks[number % len(blocks)]
        began = time.process_time()
        writer.block(block)
        if number % per_second == per_second - 1:
            writer.sync()
        taken += time.process_time() - began
    writer.close("done")
    return taken


def recording_cpu(short: bool) -> Row:
    """Journal of eight channels at 1 kHz, synced every second."""
    seconds = 30 if short else 300
    with tempfile.TemporaryDirectory() as folder:
        taken = _record(Path(folder) / "run.journal", seconds)
    return Row(
        what="recording 8 channels at 1 kHz, synced each second / % of a core",
        ratio=100.0 * taken / seconds,
        goal=1.0,
        how=f"CPU time of the journal, {seconds} s of readings",
    )


def file_size(short: bool) -> Row:
    """Journal and run file against the time column and the raw values."""
    seconds = 60 if short else 600
    with tempfile.TemporaryDirectory() as folder:
        journal, out = Path(folder) / "run.journal", Path(folder) / "run.h5"
        _record(journal, seconds)
        sizes = journal.stat().st_size, seal(journal, out).length
    plain = PLAIN_BYTES * RATE_HZ * seconds
    return Row(
        what="file / time column and raw values",
        ratio=max(sizes) / plain,
        goal=1.02,
        how=f"{seconds} s; journal {sizes[0] / plain:.4f}, "
        f"run file {sizes[1] / plain:.4f}",
    )


def reading_back(short: bool) -> Row:
    """An hour of recording read back, in passes over the same memory."""
    seconds = 1200 if short else 3600
    with tempfile.TemporaryDirectory() as folder:
        journal, out = Path(folder) / "run.journal", Path(folder) / "run.h5"
        _record(journal, seconds)
        seal(journal, out)
        journal.unlink()
        run = read_sealed(out)
        raw = run.samples[(1, "io")].raw
        wholes, hashes, passes = [], [], []
        for _ in range(5):  # by turns, so that a busy moment hits all alike
            wholes.append(_timed(lambda: read_sealed(out)))
            hashes.append(_timed(lambda: hashlib.sha256(raw.data).digest()))
            passes.append(_timed(lambda: float(np.sum(raw))))
        size = out.stat().st_size
    one, checked = statistics.median(passes), statistics.median(hashes)
    checked *= size / raw.nbytes
    return Row(
        what="reading an hour back, its hash apart / memory passes",
        ratio=(statistics.median(wholes) - checked) / one,
        goal=4.0,
        how=f"{size / 1e6:.0f} MB; a pass {one * 1e3:.0f} ms; hashing every byte "
        f"takes {checked / one:.0f} more",
    )


def _timed(work: Callable[[], object]) -> float:
    """Return the processor's time, which other programs do not take part in."""
    began = time.process_time()
    work()
    return time.process_time() - began
