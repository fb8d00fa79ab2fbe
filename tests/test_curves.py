"""Curves and roots against SciPy's, which are slow to load and otherwise the same."""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline, PchipInterpolator, make_interp_spline
from scipy.optimize import brentq

from simkit.curves import b_spline, cubic, monotone, root

PLACES = np.linspace(-0.3, 1.4, 200)  # beyond both ends too


def drawn(count, *shape, seed=0):
    random = np.random.default_rng(seed)
    x = np.cumsum(random.uniform(0.2, 1, count))
    return (x - x[0]) / (x[-1] - x[0]), random.standard_normal((count, *shape))


@pytest.mark.parametrize("count", [3, 4, 5, 30])
@pytest.mark.parametrize("shape", [(), (3,), (2, 3)])
@pytest.mark.parametrize("order", [0, 1, 2, 3])
def test_a_cubic_spline_is_scipys(count, shape, order):
    x, y = drawn(count, *shape)
    expected = CubicSpline(x, y)(PLACES, order)
    np.testing.assert_allclose(cubic(x, y)(PLACES, order), expected, rtol=1e-9, atol=1e-9 * np.abs(expected).max())


def test_a_cubic_spline_ends_in_a_slope_that_is_told():
    x, y = drawn(12)
    spline = cubic(x, y, last_slope=0.25)
    assert float(spline(1.0, 1)) == pytest.approx(0.25)
    np.testing.assert_allclose(spline(PLACES), CubicSpline(x, y, bc_type=("not-a-knot", (1, 0.25)))(PLACES), rtol=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_a_curve_that_goes_over_nowhere_is_scipys(seed):
    x, y = drawn(9, seed=seed)
    np.testing.assert_allclose(monotone(x, np.round(y))(PLACES), PchipInterpolator(x, np.round(y))(PLACES), atol=1e-10)


@pytest.mark.parametrize("shape", [(), (5, 3)])
@pytest.mark.parametrize("count", [4, 5, 20])
def test_b_splines_coefficients_are_scipys(count, shape):
    x, y = drawn(count, *shape)
    knots, coefficients = b_spline(x, y)
    expected = make_interp_spline(x, y, k=3)
    np.testing.assert_array_equal(knots, expected.t)
    np.testing.assert_allclose(coefficients, expected.c, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize(
    ("f", "low", "high"),
    [
        (lambda x: np.cos(x) - x, 0, 1),
        (lambda x: np.expm1(x) - 1e-9, -4, 9),
        (lambda x: np.tanh(50 * (x - 0.9)), 0, 1),
        (lambda x: np.sign(x - 0.3) * abs(x - 0.3) ** 0.3, 0, 1),  # steep without end at its root
        (lambda x: x - 1, 1, 2),
        (lambda x: x - 2, 1, 2),
    ],
)
def test_a_root_is_found_to_the_last_digits(f, low, high):
    found = root(f, low, high)
    assert found == pytest.approx(brentq(f, low, high, xtol=1e-16, rtol=1e-15), rel=1e-14, abs=1e-15)
    assert low <= found <= high


def test_a_root_is_sought_as_near_as_is_asked():
    asked = []
    assert root(lambda x: asked.append(x) or np.cos(x) - x, 0, 1, near=0.01) == pytest.approx(0.739, abs=0.01)
    assert len(asked) <= 6


def test_a_root_wants_two_signs():
    with pytest.raises(ValueError, match="different signs"):
        root(lambda x: x * x + 1, 0, 1)
