"""Describing functions against quadrature of their definitions (mpmath)."""

import mpmath
import numpy as np
import pytest

from simkit.sound.elements.airjet import Saturation, describing, mean_slope


def by_definition(x, a):
    """(1/pi x) int tanh(x sin p - a) sin p dp, Gelb & Vander Velde 1968, Multiple-Input Describing Functions."""
    crossing = mpmath.asin(min(1, a / x))
    points = sorted({0, crossing, mpmath.pi - crossing, mpmath.pi, 1.5 * mpmath.pi, 2 * mpmath.pi})
    whole = mpmath.quad(lambda p: mpmath.tanh(x * mpmath.sin(p) - a) * mpmath.sin(p), points)
    return float(whole / (mpmath.pi * x))


@pytest.mark.parametrize(("x", "a"), [(0.5, 0), (1, 0), (2, 0), (3, 0), (5, 0), (10, 0), (1, 0.5), (2, 0.5), (4, 1.5)])
def test_the_describing_function_is_its_integral(x, a):
    assert describing(x, a) == pytest.approx(by_definition(x, a), abs=1e-7)


@pytest.mark.parametrize("a", [0.0, 0.5, 2.0])
def test_a_small_swing_gets_the_slope_at_the_labium(a):
    assert describing(1e-6, a) == pytest.approx(1 / np.cosh(a) ** 2, abs=1e-9)
    assert mean_slope(1e-6, a) == pytest.approx(1 / np.cosh(a) ** 2, abs=1e-9)


def test_a_large_swing_makes_the_jet_a_switch():
    """A square wave's fundamental is 4/pi: N -> 4/(pi x); its mean slope 2/(pi x)."""
    assert describing(80.0) * 80 == pytest.approx(4 / np.pi, rel=1e-3)
    assert mean_slope(80.0) * 80 == pytest.approx(2 / np.pi, rel=1e-3)


def test_the_mean_slope_is_the_gain_for_another_frequency():
    """Of a small second tone at an unrelated frequency, by brute force over both phases."""
    x, small = 1.7, 1e-4
    p, q = np.meshgrid(*2 * [2 * np.pi * np.arange(256) / 256])
    out = np.mean(np.tanh(x * np.sin(p) + small * np.sin(q)) * np.sin(q)) * 2
    assert mean_slope(x) == pytest.approx(out / small, rel=1e-6)


@pytest.mark.parametrize("a", [0.0, 0.5, 3.0])
def test_the_table_is_as_good_as_the_functions(a):
    saturation = Saturation(a)
    swings = np.geomspace(1e-3, 90.0, 57)
    assert saturation.same(swings) == pytest.approx([describing(x, a) for x in swings], abs=2e-6)
    assert saturation.other(swings) == pytest.approx([mean_slope(x, a) for x in swings], abs=2e-6)
    assert saturation.same(1e4) == pytest.approx(4e-4 / np.pi, rel=5e-3)
