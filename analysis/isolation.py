"""Whether the inlet was isolated during a hold: gas drawn off after it says so.

Behind an inlet valve that was left open the supply makes up what the regulator loses,
and both pressures stand like those of a tight one. Only where gas that is drawn off
lowers the inlet was the hold one of trapped gas.
"""

from __future__ import annotations

import numpy as np

from records.errors import Reason

from .marks import Performance
from .readings import Readings

# Of the inlet, gauge: a supply that can hold it within 2 % over a lockup's flow does
# not let it fall so far; common practice, no source.
FELL = 0.1
SUPPLIED = 0.05
HELD_UP_S = 20.0  # an inlet that stands so long while gas is drawn off is supplied
_MEAN_S = 0.5


def not_shown_isolated(readings: Readings, done: Performance) -> Reason | None:
    """Return why a hold can't count as one with the inlet isolated, or None.

    Args:
        readings: of the run.
        done: the step, whose hold and what came after it in the step are looked at.
    """
    inlet = readings.channel("inlet")
    if inlet is None or done.hold is None:
        return None  # there is nothing that it could be shown by, and nothing found
    start, _ = done.hold
    seen = readings.trace(inlet, done.part).between(start, done.end_s).good()
    first = seen.value[seen.t_s <= start + _MEAN_S]
    if first.size:
        before = float(np.mean(first))
        bins = ((seen.t_s - start) / _MEAN_S).astype(np.intp)
        sums = np.bincount(bins, seen.value)
        counts = np.bincount(bins)
        lowest = float(np.min(sums[counts > 0] / counts[counts > 0]))
        if before > 0.0 and lowest <= (1.0 - FELL) * before:
            return None
    return Reason.of("isolation_not_shown")
