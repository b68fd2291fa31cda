"""A search for the parameters that a model is not linear in (variable projection).

The linear coefficients are the best ones at every place, so that only the others are
searched for; each step is that of Gauss, Newton, Levenberg and Marquardt with the
derivatives of Kaufman's simplification.

Source: G. H. Golub, V. Pereyra, "Separable nonlinear least squares: the variable
projection method and its applications", Inverse Problems 19 (2003) R1; L. Kaufman,
"A variable projection method for solving separable nonlinear least squares problems",
BIT 15 (1975) 49.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, TypeVar

import numpy as np
from scipy.linalg.lapack import dposv

from records.trace import FloatArray

_TRIES = 6
_LARGEST_STEP = 1.0


class Projected(Protocol):
    """What the best linear coefficients leave over at one place."""

    @property
    def left(self) -> FloatArray:
        """Residuals, shape (n,)."""
        ...

    @property
    def rss(self) -> float:
        """What the search makes least: their squares, and a penalty where there is."""
        ...

    def jacobian(self) -> FloatArray:
        """Return the residuals' derivatives, coefficients following, shape (n, k)."""
        ...


Found = TypeVar("Found", bound=Projected)


def searched(
    at: Callable[[FloatArray], Found],
    start: FloatArray,
    lo: float,
    hi: float,
    *,
    least_gain: float,
    beside: float = 0.0,
    most_steps: int = 25,
    damping: float = 1e-2,
) -> tuple[FloatArray, Found, FloatArray]:
    """Return the parameters near a start that leave least, the fit, its derivatives.

    Args:
        at: gives the fit for parameters, shape (k,).
        start: shape (k,).
        lo: least that a parameter may be.
        hi: most that it may be.
        least_gain: a step that lowers what is left by no more of it is the last.
        beside: of what is left and no parameter can change.
        most_steps: steps at most.
        damping: how wary the first step is; much where the start may be far off.
    """
    x = np.clip(start, lo, hi)
    k = x.size
    here = at(x)
    jacobian = here.jacobian()
    for _ in range(most_steps):
        normal = jacobian.T @ jacobian
        gradient = jacobian.T @ here.left
        gained = 0.0
        for _ in range(_TRIES):
            scaled = normal.copy()
            scaled.flat[:: k + 1] += damping * (normal.flat[:: k + 1] + 1e-30)
            step = np.clip(solved(scaled, -gradient), -_LARGEST_STEP, _LARGEST_STEP)
            trial = np.clip(x + step, lo, hi)
            there = at(trial)
            if there.rss < here.rss:
                gained = (here.rss - there.rss) / max(here.rss + beside, 1e-280)
                x, here = trial, there
                damping = max(damping * 0.2, 1e-9)
                break
            damping *= 6.0
        if gained > 0.0:
            jacobian = here.jacobian()
        if gained <= least_gain:
            break
    return x, here, jacobian


def solved(matrix: FloatArray, right: FloatArray) -> FloatArray:
    """Return the solution for a small symmetric matrix; LAPACK without the checks."""
    _, x, failed = dposv(matrix, right)
    if failed:  # equal shapes: any of their coefficients does
        x = np.linalg.lstsq(matrix, right, rcond=1e-14)[0]
    return np.asarray(x, dtype=np.float64)
