"""The numbers that tests quote of the thin sphere with holes, computed again."""

import runpy
from pathlib import Path

import numpy as np
import pytest

SOLVED = runpy.run_path(str(Path(__file__).with_name("thin_sphere.py")))
ratios, resonance = SOLVED["ratios"], SOLVED["resonance"]


def test_the_quoted_numbers_come_out_again(ball):
    quoted = [(degrees, k, False) for degrees, k in ball.gold.items()]
    quoted += [(10, k, False) for k in ball.gold_higher] + [(10, ball.gold_pair, True)]
    for degrees, k, pair in quoted:
        found = resonance(degrees, complex(k.real, 0.0) * 1.0005, pair)
        assert found.real == pytest.approx(k.real, abs=6e-7)
        assert found.imag == pytest.approx(k.imag, abs=6e-7 if abs(k) > 0.25 else 6e-8)


def test_a_small_hole_is_rayleighs():
    """k^2 = K/V with K = 2 a, V = 4/3 pi: Rayleigh, Theory of Sound, sec. 304, to first order in the hole's radius."""
    a = np.radians(0.1)
    k = resonance(0.1, np.sqrt(2 * a * 3 / (4 * np.pi)))
    assert k.real**2 == pytest.approx(2 * a * 3 / (4 * np.pi), rel=2 * a)
