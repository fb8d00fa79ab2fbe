"""The best straight step against a general-purpose solver of the same library."""

import numpy as np
import pytest
from scipy.optimize import minimize

from simkit.optimisation.search.step import Linearisation, multipliers


def problem(seed, n=8, m=5, c=12):
    random = np.random.default_rng(seed)
    J = np.concatenate([30 * random.normal(size=(m, n)), 0.1 * np.eye(n)])
    r = np.concatenate([50 * random.normal(size=m), np.zeros(n)])
    G = random.normal(size=(c, n))
    one = np.eye(n)
    return Linearisation(
        r, J, np.concatenate([random.uniform(0, 1, c), np.full(2 * n, 0.7)]), np.concatenate([G, one, -one])
    )


@pytest.mark.parametrize("seed", range(6))
def test_the_step_is_the_one_that_slsqp_finds(seed):
    p = problem(seed)
    ours = p.best()
    theirs = minimize(
        lambda s: (p.after(s) / 100, p.J.T @ (p.r + p.J @ s) / 100),
        np.zeros(len(ours)),
        jac=True,
        method="SLSQP",
        constraints=[{"type": "ineq", "fun": lambda s: p.g + p.G @ s, "jac": lambda s: p.G}],
        options={"maxiter": 500, "ftol": 1e-14},
    ).x
    assert (p.g + p.G @ ours).min() > -1e-7
    assert p.after(ours) <= p.after(theirs) * (1 + 1e-6)
    assert np.abs(ours - theirs).max() < 1e-3


def test_without_limits_in_the_way_it_is_plain_least_squares():
    p = problem(1)
    free = Linearisation(p.r, p.J, p.g + 1e6, p.G)
    assert np.allclose(free.best(), np.linalg.lstsq(p.J, -p.r, rcond=None)[0], atol=1e-9)


def test_prices_say_what_a_limit_costs():
    """Giving way by a little must lower the half sum of squares by the price of it (Lagrange)."""
    p = problem(2)
    s = p.best()
    at = np.flatnonzero(p.g + p.G @ s < 1e-7)
    cost = multipliers(p.J.T @ (p.r + p.J @ s), p.G[at])
    for row, price in zip(at, cost, strict=True):
        given = p.g.copy()
        given[row] += 1e-5
        gain = p.after(s) - p.after(Linearisation(p.r, p.J, given, p.G).best())
        assert gain == pytest.approx(1e-5 * price, rel=1e-2, abs=1e-6)
