"""Calibration of a channel: the curve through its points, and how well it is known.

A straight line is fitted as reading on applied value, the one that is known well, and
turned round for use (NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.6). A curve
of higher order is fitted as applied value on reading, because its inverse would be no
polynomial; with readings as good as a transducer's the two do not differ by anything
that counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import polynomial

from records.calibration import CalibrationPoint, Figures
from records.trace import FloatArray

SAME_LEVEL = 0.02  # of the range: closer values count as one level


@dataclass(frozen=True, slots=True, eq=False)
class PolynomialFit:
    """A polynomial fitted by least squares, every point weighed the same.

    Attributes:
        coefficients: shape (order + 1,), lowest power first.
        covariance: of the coefficients.
        s: standard deviation of the residuals. dof: their degrees of freedom.
        mid, half: x is turned into (x - mid) / half for fitting.
        q_inverse: shape (p, p), for the band of the curve in the turned x.
    """

    coefficients: FloatArray
    covariance: FloatArray
    s: float
    dof: int
    mid: float
    half: float
    q_inverse: FloatArray

    def u_curve(self, x: FloatArray) -> FloatArray:
        """Return the standard uncertainty of the fitted curve at x, any shape."""
        z = (np.asarray(x, dtype=np.float64) - self.mid) / self.half
        powers = polynomial.polyvander(z, len(self.coefficients) - 1)
        spread = powers @ self.q_inverse
        band = self.s * np.sqrt(np.sum(spread**2, axis=-1))
        return np.asarray(band.reshape(z.shape))


def fit_polynomial(x: FloatArray, y: FloatArray, order: int) -> PolynomialFit:
    """Fit y as a polynomial of x.

    Args:
        x: shape (n,).
        y: shape (n,).
        order: 1 or higher.

    Raises:
        ValueError: not more points than coefficients, or too few different x.
    """
    x = np.asarray(x, dtype=np.float64)
    y = np.asarray(y, dtype=np.float64)
    p = order + 1
    if x.size <= p or np.unique(x).size < p:
        raise ValueError(f"{x.size} points for {p} coefficients")
    mid = 0.5 * float(x.max() + x.min())
    half = 0.5 * float(x.max() - x.min())
    design = polynomial.polyvander((x - mid) / half, order)
    q, r = np.linalg.qr(design)
    turned = np.linalg.solve(r, q.T @ y)
    # once more on what is left: the rounding of the first pass goes
    turned = turned + np.linalg.solve(r, q.T @ (y - design @ turned))
    left = y - design @ turned
    dof = x.size - p
    s = math.sqrt(float(left @ left) / dof)
    q_inverse = np.linalg.inv(r)
    back = _back(mid, half, order)
    spread = s * (back @ q_inverse)
    return PolynomialFit(back @ turned, spread @ spread.T, s, dof, mid, half, q_inverse)


def _back(mid: float, half: float, order: int) -> FloatArray:
    """Return what turns coefficients in (x - mid) / half into those in x."""
    table = np.zeros((order + 1, order + 1))
    power = np.array([1.0])
    for k in range(order + 1):
        table[: k + 1, k] = power
        power = polynomial.polymul(power, np.array([-mid / half, 1.0 / half]))
    return table


@dataclass(frozen=True, slots=True, eq=False)
class ChannelFit:
    """A channel's curve, SI.

    Attributes:
        coefficients: value = c0 + c1 reading + ...
        u_reading: standard deviation of one reading about the curve, as a value.
        dof: degrees of freedom of that, and of the curve.
        method: how it was fitted, in words.
    """

    coefficients: tuple[float, ...]
    u_reading: float
    dof: int
    method: str
    _fit: PolynomialFit

    def value(self, reading: FloatArray) -> FloatArray:
        """Return values for readings, any shape."""
        found = polynomial.polyval(reading, np.asarray(self.coefficients))
        return np.asarray(found)

    def u_curve(self, reading: FloatArray) -> FloatArray:
        """Return how well the curve is known at readings, standard uncertainty."""
        if len(self.coefficients) == 2:
            slope = abs(float(self._fit.coefficients[1]))
            return self._fit.u_curve(self.value(reading)) / slope
        return self._fit.u_curve(np.asarray(reading))

    def u_value(self, reading: FloatArray) -> FloatArray:
        """Return the standard uncertainty of the value of one further reading.

        The reference's own uncertainty is not in it.
        """
        return np.hypot(self.u_curve(reading), self.u_reading)

    def split(self, readings: FloatArray) -> tuple[float, float]:
        """Return the curve's uncertainty as an offset and a gain that cover it.

        Args:
            readings: where it has to be covered.

        Returns:
            Standard uncertainty that is common to all readings, and relative one.
        """
        values, u = self.value(readings), self.u_curve(readings)
        away = np.abs(values) > 0.01 * float(np.ptp(values))
        at_zero = float(self.u_curve(self.reading_of_zero(readings)))
        offset = max(at_zero, float(np.max(u[~away], initial=0.0)))
        beyond = np.sqrt(np.maximum(u[away] ** 2 - offset**2, 0.0))
        share = float(np.max(beyond / np.abs(values[away]), initial=0.0))
        return offset, max(self.u_slope(readings), share)

    def u_slope(self, readings: FloatArray) -> float:
        """Return the relative standard uncertainty of the curve's slope."""
        if len(self.coefficients) == 2:
            b, u = self._fit.coefficients[1], self._fit.covariance[1, 1]
            return float(math.sqrt(u) / abs(b))
        x = np.array([float(np.min(readings)), float(np.max(readings))])
        rise = self.value(x)
        u_ends = self.u_curve(x)
        return float(math.hypot(*u_ends.tolist()) / abs(rise[1] - rise[0]))

    def reading_of_zero(self, readings: FloatArray) -> FloatArray:
        """Return the reading for a value of zero, or the nearest that was read."""
        low, high = float(np.min(readings)), float(np.max(readings))
        values = self.value(np.array([low, high]))
        if values[0] * values[1] > 0.0:
            return np.array(low if abs(values[0]) < abs(values[1]) else high)
        share = -values[0] / (values[1] - values[0])
        return np.array(low + share * (high - low))


def fit_channel(
    points: Sequence[CalibrationPoint], order: int, curve_limit: float = 0.2
) -> ChannelFit:
    """Fit a channel's curve to its points.

    Args:
        points: of one set, all runs together.
        order: of the polynomial.
        curve_limit: how much the slope may differ from its mean, as a share of it.

    Raises:
        ValueError: too few points, or readings that do not rise and fall with what was
            applied; its text says which.
    """
    applied = np.array([p.applied for p in points])
    reading = np.array([p.reading for p in points])
    levels = _levels(applied)
    if len(levels) < order + 2:
        raise ValueError(f"{len(levels)} levels for a curve of order {order}")
    if not float(np.ptp(reading)) > 0.0:
        raise ValueError("the reading is the same at every level")
    line = fit_polynomial(applied, reading, 1)
    slope = float(line.coefficients[1])
    if slope < 0.0:
        raise ValueError("the reading falls while what was applied rises")
    if abs(slope) * float(np.ptp(applied)) < 10.0 * line.s:
        raise ValueError("the reading does not follow what was applied")
    if order == 1:
        a, b = line.coefficients.tolist()
        method = (
            "straight line by least squares, reading on applied value, turned round"
        )
        return ChannelFit((-a / b, 1.0 / b), line.s / abs(b), line.dof, method, line)
    curve = fit_polynomial(reading, applied, order)
    steepness = polynomial.polyval(
        np.linspace(reading.min(), reading.max(), 101),
        polynomial.polyder(curve.coefficients),
    )
    if not float(np.max(np.abs(steepness * slope - 1.0))) < curve_limit:
        raise ValueError(f"the curve of order {order} turns between the points")
    method = f"polynomial of order {order} by least squares, applied value on reading"
    found = tuple(curve.coefficients.tolist())
    return ChannelFit(found, curve.s, curve.dof, method, curve)


def figures(
    points: Sequence[CalibrationPoint], fit: ChannelFit, span: float
) -> Figures:
    """Return non-linearity, hysteresis, repeatability and largest error, per span.

    The terms are used as in ANSI/ISA-51.1 and IEC 61298-2 (both from memory): linearity
    is judged on the mean of going up and coming down, so that hysteresis is not in it;
    hysteresis is the largest difference of coming down from going up at one level,
    repeatability the largest spread at one level coming from the same side.

    Args:
        points: of one set.
        fit: their curve.
        span: of the channel, as a value, SI.
    """
    off = [float(fit.value(np.array(p.reading))) - p.applied for p in points]
    levels = _levels(np.array([p.applied for p in points]))
    spreads: list[float] = []
    gaps: list[float] = []
    middle: list[tuple[float, float]] = []
    for level in range(len(levels)):
        ours = [
            (p, error)
            for p, error in zip(points, off, strict=True)
            if _level_of(p.applied, levels) == level
        ]
        sides: list[tuple[float, float]] = []
        for direction in ("up", "down"):
            same = [(p.applied, error) for p, error in ours if p.direction == direction]
            if same:
                sides.append(_mean(same))
            if len(same) > 1:
                spreads.append(float(np.ptp([error for _, error in same])))
        middle.append(_mean(sides))
        for run in {p.run for p, _ in ours}:
            up = [e for p, e in ours if (p.run, p.direction) == (run, "up")]
            down = [e for p, e in ours if (p.run, p.direction) == (run, "down")]
            gaps += [abs(x - y) for x in up for y in down]
    return Figures(
        non_linearity=max(abs(error) for _, error in middle) / span,
        terminal_non_linearity=_terminal(middle) / span,
        hysteresis=max(gaps, default=0.0) / span,
        repeatability=max(spreads) / span if spreads else None,
        largest_error=max(map(abs, off)) / span,
    )


def _mean(pairs: Sequence[tuple[float, float]]) -> tuple[float, float]:
    x, y = np.mean(np.array(pairs), axis=0).tolist()
    return x, y


def _terminal(middle: Sequence[tuple[float, float]]) -> float:
    """Return the largest distance of a curve from the line through its ends."""
    x, y = np.array(middle).T
    between = y[0] + (y[-1] - y[0]) * (x - x[0]) / (x[-1] - x[0])
    return float(np.max(np.abs(y - between)))


def _levels(applied: FloatArray) -> list[float]:
    """Return the different levels that were applied, lowest first."""
    near = SAME_LEVEL * float(np.ptp(applied))
    levels: list[float] = []
    for value in np.sort(applied).tolist():
        if not levels or value - levels[-1] > near:
            levels.append(value)
    return levels


def _level_of(applied: float, levels: Sequence[float]) -> int:
    return max(k for k, level in enumerate(levels) if k == 0 or applied >= level)
