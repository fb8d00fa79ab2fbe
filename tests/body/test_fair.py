"""The curve that sections are drawn through."""

from functools import cache

import numpy as np
import pytest
from scipy.interpolate import BPoly, CubicSpline
from scipy.optimize import minimize

from simkit.body.walls.fair import fair
from simkit.body.walls.sections import SectionsWall
from simkit.body.walls.wall import curvatures, project

RNG = np.random.default_rng(11)


def random_rows():
    for _ in range(80):
        n = int(RNG.integers(3, 13))
        values = RNG.uniform(0, 1, n) ** 2
        if RNG.random() < 0.4:
            k = int(RNG.integers(n - 1))
            values[k + 1] = values[k]
        yield np.cumsum(RNG.uniform(0.2, 3, n)), values


@cache
def curves():
    return [(x, values, fair(x, values)) for x, values in random_rows()]


GOURD = np.array([[0, 0], [8, 26], [16, 36], [28, 40], [42, 36], [54, 34], [68, 46], [84, 56], [110, 0]]) / 1e3


def test_rows_of_a_parabola_give_the_parabola():
    """The squares of an ellipsoid's half widths are one: a closed form."""
    x = np.array([0.0, 0.02, 0.05, 0.06, 0.1])
    p = fair(x, x * (0.1 - x))
    y = np.linspace(0, 0.1, 101)
    assert p(y) == pytest.approx(y * (0.1 - y), abs=1e-14)


def test_rows_that_do_not_ripple_give_the_cubic_spline():
    """SciPy's own (not-a-knot: de Boor 1978, A Practical Guide to Splines, ch. IV)."""
    x = np.array([0.0, 14.0, 46.0, 92.0, 122.0, 139.0])
    values = np.array([0.0, 34.0, 46.5, 39.5, 26.0, 0.0]) ** 2
    y = np.linspace(0, 139, 500)
    assert fair(x, values)(y) == pytest.approx(CubicSpline(x, values)(y), rel=1e-12, abs=1e-9)


@pytest.mark.parametrize("derivative", [0, 1, 2])
def test_curves_are_continuous_through_rows_to_the_second_derivative(derivative):
    step = 1e-9
    for x, _, p in curves():
        before, after = p(x[1:-1] - step, derivative), p(x[1:-1] + step, derivative)
        size = np.abs(p(np.linspace(x[0], x[-1], 300), derivative + 1)).max()
        assert np.abs(after - before).max() <= 4 * step * size + 1e-9


def test_curves_turn_only_where_the_rows_do():
    for x, values, p in curves():
        rise = np.diff(values)
        assert p(x) == pytest.approx(values, abs=1e-12)
        for j in range(len(rise)):
            steps = np.diff(p(np.linspace(x[j], x[j + 1], 300)))
            signs = np.sign(steps[np.abs(steps) > 1e-8])
            greatest = (j > 0 and rise[j - 1] > 0 > rise[j]) or (j + 1 < len(rise) and rise[j] > 0 > rise[j + 1])
            assert np.count_nonzero(np.diff(signs)) <= greatest


def test_equal_rows_stay_straight_and_a_waist_is_where_it_was_written():
    x = np.array([0.0, 1.0, 2.0, 3.5, 5.0])
    p = fair(x, np.array([2.0, 2.0, 2.0, 1.0, 3.0]))
    assert p(np.linspace(0, 2, 50)) == pytest.approx(2.0, abs=1e-12)
    assert p(3.5, 1) == pytest.approx(0.0, abs=1e-12) and p(3.5, 2) > 0


def test_no_curve_of_another_minimiser_is_nearer_to_the_cubic_spline():
    """SciPy's SLSQP on the same distance, held to the rises at many points instead of by Bernstein's coefficients."""
    x, values = GOURD[:6, 0] * 1e2, (GOURD[:6, 1] * 1e2) ** 2
    ours, plain, n = fair(x, values), CubicSpline(x, values), len(x)
    u, w = np.polynomial.legendre.leggauss(3)
    middle, half = (x[:-1] + x[1:]) / 2, np.diff(x) / 2
    points = (middle[:, None] + half[:, None] * u).ravel()
    weights = (half[:, None] * w).ravel()

    def curve(q):
        return BPoly.from_derivatives(x, np.stack([values, q[:n], q[n:]], axis=1))

    def distance(p):
        return float(weights @ (p.derivative(3)(points) - plain(points, 3)) ** 2)

    inside = np.linspace(x[0], x[-1], 201)
    signs = np.sign(np.diff(values))[np.clip(np.searchsorted(x, inside) - 1, 0, n - 2)]
    greatest = int(np.argmax(values))
    falls = (inside < x[greatest - 1]) | (inside > x[greatest + 1])  # beside the greatest row the curve may go over
    start = np.concatenate([ours(x, 1), ours(x, 2)])
    held = [{"type": "ineq", "fun": lambda q: (signs * curve(q).derivative()(inside))[falls]}]
    held += [{"type": "eq", "fun": lambda q: q[n - 1] - start[n - 1]}]
    far = np.zeros(2 * n)
    other = minimize(lambda q: distance(curve(q)), far, constraints=held, method="SLSQP", options={"maxiter": 200})
    assert other.success and other.fun > 1.0  # the rows do ripple: the cubic spline itself will not do
    assert distance(ours) == pytest.approx(other.fun, rel=1e-3)


def test_curvature_runs_on_through_the_rows_of_a_gourd():
    """What a port sees of a wall is its curvature: a jump there would be a step in pitch as a hole slides by."""
    rows = tuple((along, wide, wide, 0.0, 2.0) for along, wide in GOURD)
    wall = SectionsWall(rows)
    for along, wide in GOURD[1:-1]:
        beside = np.array([[0.0, along + side, wide / 2] for side in (-1e-6, 1e-6)])
        k1, k2, _ = curvatures(wall, project(wall, beside))
        assert np.ptp(k1) < 0.1 and np.ptp(k2) < 0.1  # 1/m; jumps of 10 to 120 before
