"""A served simulated rig and a recorder, each in a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from proofstand.simulated import JOB_TEXT
from rig.rigfile import load_rig
from rig.wire.modbus import TcpLink, decode

SIM = """format = "proofstand.sim/1"
seed = {seed}
time_multiple = {multiple}
{more}"""


def command(*arguments: object) -> list[str]:
    return [sys.executable, "-m", "proofstand", *map(str, arguments)]


@contextmanager
def served(
    folder: Path, multiple: float, seed: int = 1, more: str = ""
) -> Iterator[Path]:
    """Serve a rig; gives its rig file."""
    sim, rig = folder / "sim.toml", folder / "rig.toml"
    sim.write_text(SIM.format(seed=seed, multiple=multiple, more=more))
    (folder / "job.toml").write_text(JOB_TEXT)
    process = subprocess.Popen(
        command("serve", sim, "--write-rig", rig),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        assert process.stdout is not None
        said = []
        for line in process.stdout:
            said.append(line)
            if line.startswith("rig file:"):
                break
        else:
            raise AssertionError("".join(said))
        yield rig
    finally:
        process.terminate()
        process.wait(20)
        if process.stdout is not None:
            process.stdout.close()


def recorder(
    folder: Path, rig: Path, out: Path, *more: object
) -> subprocess.Popen[str]:
    """Start `record` with simulated hands."""
    return subprocess.Popen(
        command(
            "record",
            "--rig",
            rig,
            "--job",
            folder / "job.toml",
            "--out",
            out,
            "--hands",
            "simulated",
            *more,
        ),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )


def rig_clock_s(rig_path: Path) -> float:
    """Read the rig's own clock over the socket, seconds."""
    rig = load_rig(rig_path)
    declared = rig.instruments[0]
    clock = declared.clock
    assert clock is not None
    link = TcpLink(declared.host, declared.port, 5.0, "test")
    try:
        register = clock.register
        words = link.read(
            register.table, register.address, register.count, declared.device
        )
    finally:
        link.close()
    return float(decode(words, register.type, register.order)) * clock.tick.value_si
