"""How the trace shows that the inlet valve was shut: gas drawn off lowers the inlet.

A hold with the inlet isolated shows nothing where the valve was left open: the supply
makes up whatever is lost. So a little gas is drawn off behind it, and the inlet falls.
"""

from __future__ import annotations

import numpy as np

from analysis.isolation import FELL, HELD_UP_S, SUPPLIED

from .stages import See, Seen
from .view import View

INLET_FELL = "inlet_fell"
INLET_SUPPLIED = "inlet_supplied"
_MEAN_S = 0.5


def drawn_off(held_s: float) -> See:
    """Gas is drawn off behind the regulator.

    Gives ``inlet_fell`` once the inlet has fallen, by this or over the hold before, and
    ``inlet_supplied`` where the outlet went down a while ago and the inlet still
    stands: its valve is not shut.

    Args:
        held_s: how long the hold before was to last.
    """

    def see(view: View) -> Seen | None:
        _, held = view.last("inlet", view.now_s - view.since_s + held_s)
        now = view.mean("inlet", _MEAN_S)
        if not held.size or now is None:
            return None
        before = float(np.max(held))
        facts = (("before", repr(round(before, 1))), ("now", repr(round(now, 1))))
        if now <= (1.0 - FELL) * before:
            return Seen(INLET_FELL, view.now_s, facts)
        falls = [e for e in view.events("outlet") if e.kind == "fall"]
        flows = bool(falls) and view.now_s - falls[0].t_s > HELD_UP_S
        if flows and now > (1.0 - SUPPLIED) * before:
            return Seen(INLET_SUPPLIED, view.now_s, facts)
        return None

    return see
