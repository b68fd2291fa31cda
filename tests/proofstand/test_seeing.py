"""How the trace shows that something was done, on traces by formula."""

from __future__ import annotations

import numpy as np

from proofstand.procedure.seeing import shut_off
from proofstand.procedure.view import View, Watched
from records.trace import FloatArray, Trace
from tests.proofstand.test_engine import simulated_rig


def outlet(at: FloatArray, *rises: tuple[float, float]) -> Watched:
    """Return the outlet as it was watched: each rise takes half a second."""
    channel = next(c for c in simulated_rig().channels if c.role == "outlet")
    level = sum(size * np.clip(2.0 * (at - t_s), 0.0, 1.0) for t_s, size in rises)
    noise = 0.4 * np.random.default_rng(1).standard_normal(at.size)
    watched = Watched(channel)
    flags = np.zeros(at.size, np.uint8)
    watched.add(Trace(channel.id, at, 2740.0 + level + noise, flags))
    watched.look(float(at[-1]))
    return watched


def test_a_flow_made_smaller_before_is_not_the_closing_that_was_asked_for() -> None:
    t = np.arange(0.0, 30.0, 0.05)
    asked_s = 20.0
    flow_made_smaller, nudge, closing = (14.0, 80.0), (21.0, 12.0), (25.0, 150.0)

    def seen(now_s: float, *rises: tuple[float, float]) -> float | None:
        view = View({"outlet": outlet(t[t <= now_s], *rises)}, now_s, asked_s)
        found = shut_off(1.0, 5.0)(view)
        return None if found is None else found.t_s

    assert seen(24.5, flow_made_smaller, nudge) is None
    at = seen(29.0, flow_made_smaller, nudge, closing)
    assert at is not None
    assert abs(at - 25.25) < 0.2
