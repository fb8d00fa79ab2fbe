"""Spherical waves that leave: against scipy's Bessel functions."""

import numpy as np
import pytest
from scipy.special import spherical_jn, spherical_yn

from simkit.field.fem.resonance_search import degrees, harmonics, leaving


def test_an_outgoing_wave_falls_as_the_hankel_function_of_the_second_kind():
    k, radius, top = 7.3, 0.4, 10
    x, order = k * radius, np.arange(top + 1)
    h = spherical_jn(order, x) - 1j * spherical_yn(order, x)
    slope = spherical_jn(order, x, derivative=True) - 1j * spherical_yn(order, x, derivative=True)
    assert leaving(k, radius, top) == pytest.approx(-k * slope / h, rel=1e-10)


def test_at_rest_a_multipole_falls_by_its_degree():
    assert leaving(0.0, 0.4, 5) == pytest.approx((np.arange(6) + 1) / 0.4)


@pytest.mark.parametrize("k", [0.01, 1.0, 30.0, 300.0])
def test_every_degree_takes_energy_away(k):
    assert np.all(leaving(k, 0.4, 8).imag >= 0)


@pytest.mark.parametrize("z", [1.0, -1.0])
def test_harmonics_at_the_poles_too(z):
    """Y_l0 = sqrt((2 l + 1)/(4 pi)) P_l(z), P_l(1) = 1, P_l(-1) = (-1)^l; all others vanish (DLMF 14.30.4)."""
    middle = np.arange(81) == degrees(8) * (degrees(8) + 1)
    Y = harmonics(np.array([[0.0, 0.0, z]]), 8)[:, 0]
    assert Y[middle] == pytest.approx(np.sqrt((2 * np.arange(9) + 1) / (4 * np.pi)) * z ** np.arange(9), rel=1e-12)
    assert np.abs(Y[~middle]).max() < 1e-12


def test_harmonics_are_orthonormal_up_to_the_last_degree():
    u, w = np.polynomial.legendre.leggauss(12)
    phi = 2 * np.pi * np.arange(24) / 24
    ring = np.sqrt(1 - u**2)
    d = np.stack([np.outer(ring, np.cos(phi)), np.outer(ring, np.sin(phi)), np.outer(u, np.ones(24))], axis=-1)
    Y = harmonics(d.reshape(-1, 3), 8)
    assert (Y * np.repeat(w, 24) * 2 * np.pi / 24) @ Y.T == pytest.approx(np.eye(81), abs=1e-12)
    assert degrees(2).tolist() == [0, 1, 1, 1, 2, 2, 2, 2, 2]
