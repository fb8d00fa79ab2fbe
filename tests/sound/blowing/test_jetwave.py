"""The jet's wave against Rayleigh's equation, solved again by shooting (conftest)."""

import numpy as np
import pytest

from simkit.sound.elements.airjet import theta_for, wave


# Also between the table's points.
@pytest.mark.parametrize("theta", [0.05, 0.137, 0.225, 0.28, 0.42, 0.7, 1.06, 1.29, 1.7])
def test_speed_and_growth_of_the_wave_follow_rayleighs_equation(theta, rayleigh):
    """Rayleigh 1880, Proc. Lond. Math. Soc. 11, 57; the profile of Bickley 1937, Phil. Mag. 23, 727."""
    turn, growth = wave(theta)
    k = rayleigh.wavenumber(theta, complex(turn, -growth) * (1.003 + 0.004j))
    assert turn == pytest.approx(k.real, rel=1e-3)
    assert growth == pytest.approx(-k.imag, abs=1e-3 * abs(k))


def test_the_neutral_wave_is_the_exact_one(rayleigh):
    """omega = 4/3, k = 2, c = 2/3: Drazin & Howard 1966, Adv. Appl. Mech. 9, 1 (from memory)."""
    turn, growth = wave(4 / 3)
    assert turn == pytest.approx(2.0, abs=1e-6)
    assert growth == pytest.approx(0.0, abs=1e-6)
    assert abs(rayleigh.end_slope(2.0 + 0j, 4 / 3)) < 1e-6


def test_long_waves_are_those_of_a_sheet_that_carries_momentum():
    """Still air on both sides, 2 omega^2/k, moved by a sheet of momentum flux J = 4/3 U^2 b that is bent, J k^2.

    (kb)^3 = (3/2) theta^2 up to a third root of -1: the one that grows.
    """
    theta = 1e-7
    turn, growth = wave(theta)
    expected = np.cbrt(1.5 * theta**2) * np.exp(-1j * np.pi / 3)
    assert complex(turn, -growth) == pytest.approx(expected, rel=0.03)


def test_growth_is_strongest_near_a_frequency_of_one_eighth_of_speed_over_height():
    """Peak of the sinuous mode's spatial growth at omega b/U about 0.25 (b = 0.4 h)."""
    theta = np.linspace(0.05, 1.3, 500)
    assert theta[wave(theta)[1].argmax()] == pytest.approx(0.25, abs=0.03)


def test_turn_and_frequency_invert_each_other():
    theta = np.geomspace(1e-4, 3.0, 40)
    assert theta_for(wave(theta)[0]) == pytest.approx(theta, rel=1e-9)


def test_a_growing_oscillation_sees_the_same_function_continued():
    """Cauchy-Riemann: the derivative along the imaginary axis is i times that along the real one."""
    for theta in (0.07, 0.3, 0.9):
        for part in (0, 1):
            real = (wave(theta + 1e-5)[part] - wave(theta - 1e-5)[part]) / 2e-5
            imaginary = (wave(theta + 1e-5j)[part] - wave(theta - 1e-5j)[part]) / 2e-5
            assert imaginary == pytest.approx(1j * real, rel=1e-4, abs=1e-6)
