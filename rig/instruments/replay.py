"""A recorded instrument, played again at the pace of the rig's clock."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from records.errors import InputError, RigError
from records.rig import Channel, Instrument
from records.runfile import open_run
from rig.clock import Clock

from .ascii import LOOK_S
from .reading import Readings


class Replay:
    """Gives the samples of a stored run as if they were read now.

    Times are those on record; the pace is that of the rig's clock, from the first
    reading on. Flags on record stay.

    Args:
        declared, channels: as the rig file has them; a channel is found in the stored
            run by its id.
        folder: where the stored run's path begins. clock: the rig's clock.

    Raises:
        InputError: no such run, instrument, part or channel.
        IntegrityError: the run is damaged.
    """

    def __init__(
        self,
        declared: Instrument,
        channels: Sequence[Channel],
        folder: Path,
        clock: Clock,
    ) -> None:
        self.declared = declared
        self.channels = tuple(channels)
        self.line: object = None  # whoever plays several plays them in one line
        self.every_s = max(declared.period.value_si, LOOK_S)
        self._clock = clock
        stored = declared.stored
        if stored is None:
            raise InputError("key_missing", where=declared.id, key="instruments.stored")
        path = folder / stored.run
        run = open_run(path)
        samples = run.samples.get((stored.part, stored.instrument))
        if samples is None or not samples.t_ns.size:
            parts = sorted(f"{i} (part {p})" for p, i in run.samples)
            raise InputError(
                "replay_nothing",
                where=str(path),
                given=f"{stored.instrument} (part {stored.part})",
                known=", ".join(parts) or "none",
            )
        recorded = [c.id for c in run.header.rig.columns(stored.instrument)]
        columns = []
        for channel in channels:
            if channel.id not in recorded:
                raise InputError(
                    "replay_nothing",
                    where=str(path),
                    given=channel.id,
                    known=", ".join(recorded),
                )
            columns.append(recorded.index(channel.id))
        self._t_ns = samples.t_ns
        self._raw = samples.raw[:, columns]
        self._flags = samples.flags[:, columns]
        # A sample that does not rise above all before it is due when they are.
        self._due_ns = np.maximum.accumulate(samples.t_ns)
        # Instruments of one part keep their places to each other.
        known = next((p.origins for p in run.parts if p.number == stored.part), {})
        self._origin_ns = known.get(stored.instrument, int(samples.t_ns[0]))
        self._began_ns: int | None = None
        self._at = 0

    def read(self) -> Readings | None:
        """Return the samples that have become due.

        Raises:
            RigError: ``replay_ended``: there is no more.
        """
        now = self._clock.monotonic_ns()
        if self._began_ns is None:
            self._began_ns = now
        if self._at == self._t_ns.size:
            raise RigError(
                "replay_ended",
                where=self.declared.id,
                instrument=self.declared.id,
                at=self.declared.address,
                run=self.declared.address,
            )
        until = self._origin_ns + now - self._began_ns
        stop = int(np.searchsorted(self._due_ns, until, side="right"))
        cut = slice(self._at, stop)
        if stop <= self._at:
            return None
        self._at = stop
        t_ns = self._t_ns[cut]
        host_ns = np.asarray(
            self._began_ns + self._due_ns[cut] - self._origin_ns, dtype=np.int64
        )
        return Readings(t_ns, host_ns, self._raw[cut], self._flags[cut])

    def close(self) -> None:
        """Nothing to hang up."""
