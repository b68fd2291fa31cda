"""Published data sets, read from the files kept beside the tests."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from records.trace import Trace

FOLDER = Path(__file__).parent.parent / "published"
Array = NDArray[np.float64]


def norris() -> tuple[Array, Array]:
    """Return x and y of NIST StRD Norris."""
    lines = (FOLDER / "nist-strd-norris.dat").read_text("ascii").splitlines()
    rows = np.array([line.split() for line in lines[60:] if line.strip()], float)
    return rows[:, 1], rows[:, 0]


def pontius() -> tuple[Array, Array]:
    """Return load and deflection of NIST StRD Pontius."""
    rows = np.loadtxt(
        FOLDER / "nist-strd-pontius.csv", delimiter=",", comments="#", skiprows=2
    )
    return rows[:, 1], rows[:, 0]


@dataclass(frozen=True)
class Certified:
    """A nonlinear data set of NIST StRD with what its header certifies.

    Attributes:
        starts: two sets of start values. values, errors: parameters and their
            standard deviations. rss: residual sum of squares.
    """

    x: Array
    y: Array
    starts: tuple[Array, Array]
    values: Array
    errors: Array
    rss: float


def nonlinear(name: str) -> Certified:
    """Return a nonlinear data set of NIST StRD by its name."""
    text = (FOLDER / f"nist-strd-{name.lower()}.dat").read_text("ascii")
    rows = re.findall(r"^ +b\d = +(\S+) +(\S+) +(\S+) +(\S+)", text, re.MULTILINE)
    table = np.array(rows, float).T
    rss = re.search(r"Residual Sum of Squares: +(\S+)", text)
    assert rss is not None
    data = np.array([r.split() for r in text.splitlines()[60:] if r.strip()], float)
    return Certified(
        data[:, 1],
        data[:, 0],
        (table[0], table[1]),
        table[2],
        table[3],
        float(rss[1]),
    )


def filip() -> tuple[Array, Array]:
    """Return x and y of NIST StRD Filip."""
    rows = np.loadtxt(
        FOLDER / "nist-strd-filip.csv", delimiter=",", comments="#", skiprows=2
    )
    return rows[:, 1], rows[:, 0]


def chamber() -> Trace:
    """Return the chamber's pressure as logged, Pa gauge."""
    times, values = [], []
    text = (FOLDER / "chamber-hold-7bar.csv").read_text("ascii")
    for row in text.split():
        time, _, pressure = row.split(";")
        whole, _, part = time.rpartition(".")
        times.append(float(whole.replace(".", "") + "." + part) / 1e3)
        values.append(float(pressure) * 1e5)
    t = np.array(times)
    return Trace("chamber", t, np.array(values), np.zeros(t.size, np.uint8))


def times(count: int, period: float) -> Array:
    """Return evenly spaced times from 0, seconds."""
    return np.asarray(np.arange(count) * period, dtype=np.float64)
