"""Blocks of raw readings as traces in SI, one after the other."""

from __future__ import annotations

from records.rig import Channel, Rig
from records.run import channel_trace
from records.trace import Block, Trace


class Sampling:
    """Turns the blocks of one part into traces whose times rise from one to the next.

    Args:
        rig: whose channels are read.

    Attributes:
        now_s: time of the latest sample, seconds from the part's start.
    """

    def __init__(self, rig: Rig) -> None:
        self.now_s = 0.0
        self._columns: dict[str, tuple[Channel, ...]] = {
            i.id: rig.columns(i.id) for i in rig.instruments
        }
        self._last_s: dict[str, float] = {}

    def traces(self, block: Block, origin_ns: int) -> list[tuple[Channel, Trace]]:
        """Return the samples of a block, without what is not later than those before.

        Args:
            block: as recorded.
            origin_ns: the part's start on the clock of the block's instrument.
        """
        traces: list[tuple[Channel, Trace]] = []
        for column, channel in enumerate(self._columns[block.instrument]):
            trace = channel_trace(
                channel,
                block.t_ns,
                block.raw[:, column],
                block.flags[:, column],
                origin_ns,
            )
            last = self._last_s.get(channel.id)
            if last is not None and len(trace) and trace.t_s[0] <= last:
                trace = trace.after(last)
            traces.append((channel, trace))
            if len(trace):
                self._last_s[channel.id] = float(trace.t_s[-1])
                self.now_s = max(self.now_s, float(trace.t_s[-1]))
        return traces
