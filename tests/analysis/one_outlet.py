"""One outlet's readings as a run, for findings that read a run; noise for it."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from analysis.marks import Performance
from analysis.readings import Readings
from records.measure import parse_quantity
from records.plan import Step
from records.rig import Channel
from records.run import Samples
from tests.analysis.closed_form import Setting, rig, run

Array = NDArray[np.float64]


def ar1(n: int, phi: float, rng: np.random.Generator) -> Array:
    """Return correlated noise of unit variance, shape (n,)."""
    white = rng.standard_normal(n + 400)
    out = lfilter([math.sqrt(1.0 - phi**2)], [1.0, -phi], white)[400:]
    return np.asarray(out, dtype=np.float64)


def outlet_of(
    t: Array,
    y: Array,
    kind: str = "lockup",
    hold: tuple[float, float] | None = None,
    **more: str,
) -> tuple[Readings, Channel, Performance]:
    """Return readings of an outlet alone, its channel and a step that was done.

    Args:
        t: shape (n,), seconds. y: shape (n,), Pa gauge.
        kind: of the step. hold: its hold; the whole where None.
        more: quantities of the step, as typed.
    """
    column = rig().channel("outlet")
    assert column is not None
    channel = dataclasses.replace(
        column,
        resolution=parse_quantity("0.001 Pa difference"),
        span=(parse_quantity("-1e10 Pa gauge"), parse_quantity("1e10 Pa gauge")),
        calibration=None,
    )
    made = run(setting=Setting(rate_hz=1.0))
    header = dataclasses.replace(
        made.header, rig=dataclasses.replace(made.header.rig, channels=(channel,))
    )
    samples = Samples(
        t_ns=np.round(t * 1e9).astype(np.int64),
        raw=np.asarray(y, dtype=np.float64)[:, None],
        flags=np.zeros((t.size, 1), np.uint8),
    )
    made = dataclasses.replace(
        made, header=header, samples={(1, "logger"): samples}, marks=()
    )
    step = Step(
        id=kind,
        kind=kind,  # type: ignore[arg-type]
        **{name: parse_quantity(text) for name, text in more.items()},  # type: ignore[arg-type]
    )
    ends = (float(t[0]), float(t[-1])) if t.size else (0.0, 1.0)
    done = Performance(step, 1, *ends, hold or ends, "done", (), (), 1)
    return Readings(made), channel, done
