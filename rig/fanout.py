"""One loop reads the rig; each station gets the columns of its own channels."""

from __future__ import annotations

from collections.abc import Sequence

from records.rig import Rig
from records.trace import Block


class FanOut:
    """Hands what was read from the whole rig on to its stations.

    Args:
        rig: the whole rig, as its instruments are read.
        stations: ids of those that want readings.

    Raises:
        InputError: ``rig_station_unknown``.
    """

    def __init__(self, rig: Rig, stations: Sequence[str]) -> None:
        self._columns: dict[str, list[tuple[str, list[int]]]] = {}
        for station in stations:
            for instrument in rig.for_station(station).instruments:
                channels = rig.columns(instrument.id)
                ours = [i for i, c in enumerate(channels) if station in c.serves]
                self._columns.setdefault(instrument.id, []).append((station, ours))

    def blocks(self, block: Block) -> list[tuple[str, Block]]:
        """Return per station that wants it the block with its channels only."""
        return [
            (
                station,
                Block(
                    block.part,
                    block.instrument,
                    block.t_ns,
                    block.raw[:, columns],
                    block.flags[:, columns],
                ),
            )
            for station, columns in self._columns.get(block.instrument, [])
        ]
