"""The posterior of a rate against plain summation over every time constant."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import stdtr

from analysis.noise_models import noise_models
from analysis.tail_posterior import P_TAILS, likeliest, posterior
from analysis.tail_shapes import shapes

Array = NDArray[np.float64]
N = 40  # fewer blocks than three exponentials are tried with
U = (np.arange(N) + 0.5) / N


def summed(y: Array, lo: float, hi: float, nodes: int) -> tuple[float, float, float]:
    """Return 2.5 %, 50 % and 97.5 % of the rate by least squares at every node.

    Generalised least squares with the prior of the amplitudes as further readings:
    nothing is projected and no point is drawn.
    """
    ln = np.linspace(math.log(lo), math.log(hi), nodes + 1)
    ln = 0.5 * (ln[1:] + ln[:-1])
    table = shapes(U, ln)
    nu = N - 2
    log_w: list[float] = []
    rate: list[float] = []
    sd: list[float] = []
    p = [x / sum(P_TAILS[:2]) for x in P_TAILS[:2]]
    noise = None
    for model in noise_models():
        v = model.correlation(N)
        w = np.linalg.inv(np.linalg.cholesky(v))
        _, log_v = np.linalg.slogdet(v)
        line = w @ np.column_stack([np.ones(N), U - 0.5])
        wy, wt = w @ y, w @ table
        q, _ = np.linalg.qr(line)
        if noise is None:
            rest = wy - q @ (q.T @ wy)
            noise = min(
                _left(wt[:, list(pair)], q, rest) / nu
                for pair in itertools.combinations(range(0, nodes, 2), 2)
            )
        for k in (1, 2):
            places = list(itertools.combinations(range(nodes), k))
            for place in places:
                design = np.column_stack([line, wt[:, list(place)]])
                normal = design.T @ design
                normal[2:, 2:] += noise * np.eye(k)
                inverse = np.linalg.inv(normal)
                found = inverse @ (design.T @ wy)
                rss = float(wy @ wy - found @ (design.T @ wy))
                _, log_d = np.linalg.slogdet(normal)
                log_w.append(
                    math.log(model.prior * p[k - 1] / len(places))
                    - 0.5 * (log_v + log_d - k * math.log(noise))
                    - 0.5 * nu * math.log(rss)
                )
                rate.append(float(found[1]))
                sd.append(math.sqrt(rss / nu * inverse[1, 1]))
    w_all = np.exp(np.array(log_w) - max(log_w))
    w_all /= w_all.sum()
    r, s = np.array(rate), np.array(sd)

    def quantile(target: float) -> float:
        low, high = float(r.min() - 9 * s.max()), float(r.max() + 9 * s.max())
        for _ in range(60):
            middle = 0.5 * (low + high)
            if float(w_all @ stdtr(nu, (middle - r) / s)) < target:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)

    return quantile(0.025), quantile(0.5), quantile(0.975)


def _left(z: Array, q: Array, rest: Array) -> float:
    z = z - q @ (q.T @ z)
    found, *_ = np.linalg.lstsq(z, rest, rcond=None)
    left = rest - z @ found
    return float(left @ left)


@pytest.mark.parametrize(
    "tails",
    [((0.5, 0.08),), ((0.4, 0.3),), ((0.3, 0.05), (-0.4, 0.35)), ((0.002, 0.1),)],
)
def test_drawn_points_sum_to_the_same_posterior(
    tails: tuple[tuple[float, float], ...],
) -> None:
    rng = np.random.default_rng(7)
    y = 0.1 * U + 0.004 * rng.standard_normal(N)
    for size, tau in tails:
        y = y + size * np.exp(-U / tau)
    y = y - np.median(y)
    found = posterior(y, 0.02, 0.6)
    low, middle, high = summed(y, 0.02, 0.6, 36)
    width = high - low
    assert found.rate.quantile(0.025) == pytest.approx(low, abs=0.12 * width)
    assert found.rate.quantile(0.5) == pytest.approx(middle, abs=0.12 * width)
    assert found.rate.quantile(0.975) == pytest.approx(high, abs=0.12 * width)


def test_a_block_mean_is_the_mean_over_its_block() -> None:
    fine = (np.arange(N * 200) + 0.5) / (N * 200)
    for tau in (0.01, 0.1, 3.0):
        mean = np.exp(-fine / tau).reshape(N, -1).mean(axis=1)
        assert shapes(U, np.array([math.log(tau)]))[:, 0] == pytest.approx(
            mean, rel=1e-3, abs=1e-12
        )


def test_three_settlings_are_found_where_there_is_no_noise() -> None:
    u = (np.arange(128) + 0.5) / 128
    true = (0.02, 0.11, 0.5)
    ln = np.log(true)
    y = 0.3 * u + shapes(u, ln) @ np.array([0.4, -0.7, 0.5])
    assert np.exp(likeliest(y, 0.01, 0.9)[-1]) == pytest.approx(true, rel=0.02)
