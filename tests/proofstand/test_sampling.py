"""Whatever an instrument's clock does between blocks, time rises for the engine."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from proofstand.sampling import Sampling
from records.trace import Block
from rig.rigfile import parse_rig
from rig.simulator.rigtext import rig_text

STEPS = st.lists(
    st.sampled_from((-40_000_000, 0, 1, 900, 50_000_000)), min_size=1, max_size=24
)


@given(steps=STEPS, cuts=st.sets(st.integers(1, 23)))
def test_a_clock_that_stands_or_turns_back_between_blocks_gives_rising_times(
    steps: list[int], cuts: set[int]
) -> None:
    rig = parse_rig(rig_text("127.0.0.1", 502, 1.0), "rig")
    instrument = rig.instruments[0].id
    columns = len(rig.columns(instrument))
    t_ns = np.cumsum(np.array(steps, dtype=np.int64)) + 1_000_000_000
    sampling = Sampling(rig)
    seen: list[float] = []
    edges = [0, *sorted(c for c in cuts if c < len(t_ns)), len(t_ns)]
    for first, stop in pairwise(edges):
        times = t_ns[first:stop]
        raw = np.full((times.size, columns), 2000.0)
        block = Block(0, instrument, times, raw, np.zeros(raw.shape, dtype=np.uint8))
        traces = sampling.traces(block, 0)
        seen.extend(traces[0][1].t_s)
    assert all(later > before for before, later in pairwise(seen))
    # what is new is let through: each reading later than all before it, and no other
    best = np.maximum.accumulate(t_ns)
    new = np.concatenate(([True], t_ns[1:] > best[:-1]))
    assert seen == [float(t) for t in t_ns[new] * 1e-9]
