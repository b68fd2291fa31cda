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


def slow_rise(t: FloatArray, at_s: float, rise: float, tau_s: float) -> FloatArray:
    """Return how an outlet rises whose regulator fills it slowly, the valve shut."""
    return np.asarray(-rise * np.expm1(-np.clip(t - at_s, 0.0, None) / tau_s))


def test_a_closing_whose_outlet_creeps_up_is_seen_in_time() -> None:
    t = np.arange(0.0, 60.0, 0.05)
    for seed in range(10):
        noise = 0.6 * np.random.default_rng(seed).standard_normal(t.size)
        y = 1740.0 + slow_rise(t, 22.0, 46.0, 5.0) + noise
        told = None
        for now_s in np.arange(20.0, 59.0, 0.5).tolist():
            found = shut_off(1.0, 5.0)(seen_until(now_s, t, y, 20.0))
            if found is not None:
                told = now_s, found
                break
        assert told is not None
        now_s, found = told
        assert found.event == "shut_off"
        assert 22.0 < found.t_s < 26.0
        assert now_s < 42.0


def test_an_outlet_that_drifts_is_no_closing() -> None:
    t = np.arange(0.0, 110.0, 0.05)
    for seed in range(6):
        noise = 0.6 * np.random.default_rng(seed).standard_normal(t.size)
        y = 1740.0 + 0.3 * t + 2.0 * np.sin(t / 9.0) + noise
        for now_s in np.arange(20.0, 109.0, 2.0).tolist():
            assert shut_off(0.0, 5.0)(seen_until(now_s, t, y, 20.0)) is None


def seen_until(now_s: float, t: FloatArray, y: FloatArray, asked_s: float) -> View:
    channel = next(c for c in simulated_rig().channels if c.role == "outlet")
    watched = Watched(channel)
    past = t <= now_s
    flags = np.zeros(int(past.sum()), np.uint8)
    watched.add(Trace(channel.id, t[past], y[past], flags))
    watched.look(now_s)
    return View({"outlet": watched}, now_s, asked_s)
