"""Memory of a recorder over a long hold: what a rig hour adds."""

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from proofstand.procedure.engine import Command
from proofstand.session import Session
from proofstand.so_far import SoFar
from records.planfile import builtin_plan
from records.rig import Instrument, Rig
from records.trace import FlagArray
from rig.instruments.reading import Reading

from .recorded import fast_rig, header
from .table import Row

HOUR_S = 3600.0


class _Clock:
    """Rig time that passes as fast as it is slept through."""

    def __init__(self) -> None:
        self.now_ns = 1_000_000_000

    def monotonic_ns(self) -> int:
        return self.now_ns

    def utc_ns(self) -> int:
        return self.now_ns

    def wall_ns(self, elapsed_ns: int) -> int:
        """Return the same: time passes as fast here as on the wall."""
        return elapsed_ns

    def sleep_until_ns(self, until_ns: int) -> None:
        self.now_ns = max(self.now_ns, until_ns)


class _Instrument:
    """Gives readings of an even pressure."""

    def __init__(self, declared: Instrument, count: int, clock: _Clock) -> None:
        self.declared = declared
        self._clock = clock
        self._picks = np.random.default_rng(1)
        self._count = count
        self._flags: FlagArray = np.zeros(count, dtype=np.uint8)

    def read(self) -> Reading:
        now = self._clock.now_ns
        return Reading(now, now, self._picks.random(self._count), self._flags)

    def close(self) -> None:
        """Nothing is open."""


def resident_mb() -> float:
    """Return what this process holds in memory, MB."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e6


def _slow(rig: Rig, hz: float) -> Rig:
    first = rig.instruments[0]
    period = replace(first.period, value_si=1.0 / hz, typed=f"{1e3 / hz:g} ms")
    return replace(rig, instruments=(replace(first, period=period),))


def memory_slope(short: bool) -> Row:
    """A hold as long as a day, recorded, followed and judged as it goes."""
    hours, hz = (3.0 if short else 24.0), 4.0
    rig = _slow(fast_rig(), hz)
    clock = _Clock()
    seen: list[tuple[float, float]] = []
    began = clock.now_ns

    def commands() -> Iterator[Command]:
        hour = (clock.now_ns - began) * 1e-9 / HOUR_S
        if not seen or hour - seen[-1][0] > hours / 200.0:
            seen.append((hour, resident_mb()))
        if hour >= hours:
            raise KeyboardInterrupt
        yield from ()

    with tempfile.TemporaryDirectory() as folder:
        head = header(rig)
        session = Session(
            header=head,
            plan=builtin_plan("low-pressure")[0],
            rig=rig,
            journal=Path(folder) / "run.journal",
            instruments=[_Instrument(rig.instruments[0], len(rig.channels), clock)],
            clock=clock,
            tell=lambda event: None,
            so_far=SoFar(head, within_holds=True),
        )
        try:
            session.run(commands)
        except KeyboardInterrupt:
            pass
    late = np.array([each for each in seen if each[0] > hours / 2.0])
    slope = float(np.polyfit(late[:, 0], late[:, 1], 1)[0])
    return Row(
        what="memory of a recorder / MB per rig hour",
        ratio=max(slope, 0.0),
        goal=1.0,
        how=f"{hours:g} h at {hz:g} Hz, 8 channels, second half; "
        f"{seen[-1][1] - seen[0][1]:.1f} MB since the start",
    )
