"""What findings do not depend on: origin of time, order of channels, unit, rate."""

from __future__ import annotations

import dataclasses
import functools
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from analysis.judge import judge
from records.judgement import Finding, Judgement
from records.run import Run, RunHeader, Samples
from tests.analysis.closed_form import Fault, Setting, run

LEAKS = ("rig_leak", "external_leak", "seat_leak", "creep_rate")


@functools.cache
def plain() -> Run:
    return run(Fault(seat=0.05), Setting(rate_hz=10.0))


@functools.cache
def found() -> Judgement:
    return judge(plain())


def alike(other: Judgement, share_of_u: float) -> None:
    """Every value and both ends of every interval, in parts of its uncertainty."""
    for a, b in zip(found().findings, other.findings, strict=True):
        assert (a.step, a.id, a.channel) == (b.step, b.id, b.channel)
        if a.measured is None or b.measured is None:
            assert a.measured is b.measured
            continue
        assert a.outcome is b.outcome, (a.step, a.id, a.why, b.why)
        for x, y in zip(_numbers(a), _numbers(b), strict=True):
            assert abs(x - y) <= share_of_u * a.measured.u, (a.step, a.id, x, y)


def _numbers(f: Finding) -> tuple[float, float, float]:
    assert f.measured is not None
    assert f.interval is not None
    return f.measured.value, *f.interval


def with_samples(change: Samples, header: RunHeader | None = None) -> Run:
    return dataclasses.replace(
        plain(),
        samples={(1, "logger"): change},
        header=header or plain().header,
    )


@pytest.mark.parametrize("shift_s", [-40.0, 12_345.6789, 1e6, 1e9])
def test_all_times_shifted(shift_s: float) -> None:
    """A clock that began long ago, marks and samples alike; 1e9 s is thirty years."""
    s = plain().samples[(1, "logger")]
    later = Samples(s.t_ns + np.int64(round(shift_s * 1e9)), s.raw, s.flags)
    marks = tuple(dataclasses.replace(m, t_s=m.t_s + shift_s) for m in plain().marks)
    alike(judge(dataclasses.replace(with_samples(later), marks=marks)), 2e-3)


@pytest.mark.parametrize("origin", [-(10**15), 10**9, 10**18])
def test_another_origin_of_the_instruments_clock(origin: int) -> None:
    s = plain().samples[(1, "logger")]
    (part,) = plain().parts
    parts = (dataclasses.replace(part, origins={"logger": origin}),)
    later = Samples(s.t_ns + np.int64(origin), s.raw, s.flags)
    assert (
        judge(dataclasses.replace(with_samples(later), parts=parts)).findings
        == found().findings
    )


def test_channels_in_another_order() -> None:
    s = plain().samples[(1, "logger")]
    order = [3, 1, 0, 2]
    used = plain().header.rig
    channels = tuple(used.channels[i] for i in order)
    header = dataclasses.replace(
        plain().header, rig=dataclasses.replace(used, channels=channels)
    )
    turned = Samples(s.t_ns, s.raw[:, order].copy(), s.flags[:, order].copy())
    other = judge(with_samples(turned, header=header))
    assert other.findings == found().findings


def test_another_unit_of_the_register() -> None:
    """The outlet's register in millibar: the same pressures, other counts."""
    s = plain().samples[(1, "logger")]
    used = plain().header.rig
    channels = tuple(
        dataclasses.replace(c, unit="mbar gauge") if c.role == "outlet" else c
        for c in used.channels
    )
    header = dataclasses.replace(
        plain().header, rig=dataclasses.replace(used, channels=channels)
    )
    raw = np.array(s.raw)
    raw[:, 1] /= 100.0
    alike(judge(with_samples(Samples(s.t_ns, raw, s.flags), header=header)), 1e-3)


def test_the_level_of_the_barometer_says_nothing_of_gauge_levels() -> None:
    s = plain().samples[(1, "logger")]
    raw = np.array(s.raw)
    raw[:, 2] += 500.0
    other = judge(with_samples(Samples(s.t_ns, raw, s.flags)))
    for a, b in zip(found().findings, other.findings, strict=True):
        if a.id in LEAKS or a.id in ("seat_transfer", "creep_total"):
            assert a.measured is not None
            assert b.measured is not None
            # the amount trapped grows by half a per cent, and heat with it
            assert abs(a.measured.value - b.measured.value) < 0.1 * a.measured.u, a.id
        else:
            assert a == b


def test_sampled_twice_as_often_the_findings_stay_within_their_uncertainty() -> None:
    slow = judge(run(Fault(seat=0.05), Setting(rate_hz=20.0)))
    fast = judge(run(Fault(seat=0.05), Setting(rate_hz=40.0, seed=2)))
    for a, b in zip(slow.findings, fast.findings, strict=True):
        assert (a.step, a.id, a.channel) == (b.step, b.id, b.channel)
        if a.id == "hunting_frequency":  # there is none to find
            assert a.measured is None
            assert b.measured is None
            continue
        assert a.measured is not None
        assert b.measured is not None
        apart = abs(a.measured.value - b.measured.value)
        assert apart < 2.0 * np.hypot(a.measured.u, b.measured.u), (a.step, a.id)


@pytest.mark.parametrize("name", ["second-stage-good", "cylinder-seat-nicked"])
def test_any_number_of_threads_gives_the_same_judgement(name: str) -> None:
    """The command works on one thread of the linear algebra, whatever is asked for."""
    told = []
    for threads in ("1", "2"):
        names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
        made = subprocess.run(
            [sys.executable, "-m", "proofstand", "judge", "--json", str(sample(name))],
            env=os.environ | dict.fromkeys(names, threads),
            capture_output=True,
            text=True,
            check=False,
        )
        told.append(made.stdout)
    assert json.loads(told[0])
    assert told[0] == told[1]


def sample(name: str) -> Path:
    return Path(__file__).parents[2] / "sample_runs" / f"{name}.h5"
