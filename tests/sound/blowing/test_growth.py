"""Onset: roots of the loop, thresholds, and what a resonance without pressure at the window does."""

import mpmath
import numpy as np
import pytest

from simkit.sound.blowing.cycle import on_resonance
from simkit.sound.blowing.growth import growing, threshold
from simkit.sound.blowing.loop import Loop
from simkit.sound.elements.constants import JetConstants

PARALLEL = {"half_width": 0.4, "receptivity": 1.0, "growth": 1.0, "convection": 1.0}
H, W, WIDE, Q = 1.4e-3, 5.5e-3, 12e-3, 25.0  # of the jet and resonator in conftest
DROP = 4 / np.pi * np.sqrt(2 * H * W) / (W * WIDE)  # of an endless slit: Verge, Hirschberg & Causse 1997, from memory


def exact(instruments, rayleigh, speed, dipole, near):
    """omega^2 - w^2 - i omega w/Q = G K omega^2 exp(-ikW) for one resonance, G = D r h/W, k by Rayleigh's equation.

    The loop of Auvray, Fabre & Lagree 2012, J. Acoust. Soc. Am. 131, 1574, with a wave that grows; by mpmath.
    """
    b, own = 0.4 * H, 2 * np.pi * 440.0

    def equation(omega):
        omega = complex(omega)
        theta = omega * b / speed
        k = rayleigh.growing(theta) / b
        jet = dipole * DROP * H / W * instruments.window * np.exp(-1j * k * W)
        return omega**2 - own**2 * (1 + 0.25 / Q**2) - 1j * omega * own / Q - jet * omega**2

    return complex(
        mpmath.findroot(
            equation, (near * 1.01, near * 0.99, near * (1 + 0.01j)), solver="muller", tol=1e-7, verify=False
        )
    )


@pytest.mark.parametrize(("dipole", "speed"), [(0.3, 12.0), pytest.param(1.0, 18.0, marks=pytest.mark.slow)])
def test_growth_before_a_jet_solves_the_loops_equation(instruments, rayleigh, dipole, speed):
    """The table of the jet's wave is right to a thousandth of its exponent, some 5 by now."""
    jet = instruments.jet(constants=JetConstants(dipole=dipole, **PARALLEL))
    found = growing(Loop(instruments.at(440.0, q=Q), jet), np.array([speed])).omega[0]
    expected = exact(instruments, rayleigh, speed, dipole, found)
    assert abs(found - expected) < 1e-3 * abs(expected)


def test_a_weak_jet_adds_its_gain_to_the_loss(instruments, rayleigh):
    """Small g: growth -1/2Q + (g/2) sin(w tau) of w, frequency shift (g/2) cos(w tau); g sin(w tau) = 1/Q starts it."""
    own, b = 2 * np.pi * 440.0, 0.4 * H
    for speed in (10.0, 15.0, 25.0):
        k = rayleigh.growing(own * b / speed) / b
        dipole = 1e-3 / abs(DROP * H / W * instruments.window * np.exp(-1j * k * W))
        jet = instruments.jet(constants=JetConstants(dipole=dipole, **PARALLEL))
        found = growing(Loop(instruments.at(440.0, q=400.0), jet), np.array([speed])).omega[0]
        growth, shift = 5e-4 * np.sin(k.real * W), 5e-4 * np.cos(k.real * W)
        assert -found.imag / own == pytest.approx(-1 / 800 + growth, abs=1e-5)
        assert found.real / own - 1 == pytest.approx(shift, abs=1e-5)


def test_growth_turns_to_decay_at_the_threshold(instruments):
    loop = Loop(instruments.plain([3, 5, 7]), instruments.jet())
    playing = on_resonance(loop).speed
    onset = threshold(loop, playing)
    assert (onset < playing).all()
    assert (growing(loop, onset * 1.03).rate > 0).all()
    assert (growing(loop, onset * 0.97).rate < 0).all()


def test_a_resonance_without_pressure_at_the_window_only_dies_away(instruments):
    """Window in the middle chamber of three alike: the antisymmetric resonance has no pressure there."""
    necks = [(0, 1, 8e-3), (1, 2, 8e-3)]
    motion = instruments.joined([4e-5] * 3, necks, [(1, instruments.window, 66e-6)], (25, 60, 60))
    still = int(motion.drive[0].argmin())
    assert motion.drive[0, still] < 1e-12
    for speed in (10.0, 30.0, 80.0):
        found = growing(Loop(motion, instruments.jet(), still), np.array([speed]))
        assert found.omega[0] == pytest.approx(motion.omega[0, still], rel=1e-9)


def test_a_note_that_sounds_holds_the_others_down(instruments):
    motion, jet = instruments.waisted(6e-3), instruments.jet()
    note = on_resonance(Loop(motion, jet))
    speed = note.speed * 1.6
    alone, beside = (growing(Loop(motion, jet, 1), speed, each).rate[0] for each in (None, note))
    assert beside < alone


def test_the_second_wave_drives_at_lower_speed(instruments):
    """Phase of the jet five quarters of a turn in place of one: omega tau = 5 pi/2."""
    loop = Loop(instruments.at(440.0, q=60.0), instruments.jet())
    first = on_resonance(loop).speed
    omega = loop.motion.omega[:, 0].real
    second = loop.jet.speed_for(omega, np.array([5 * np.pi / 2]))
    found = growing(loop, second)
    assert found.wave[0] == 2
    assert found.rate[0] > 0
    assert second < 0.35 * first


def test_between_the_waves_the_jet_damps(instruments):
    """omega tau = 3 pi/2: the jet takes energy, if it is weak enough not to pull the resonance away."""
    loop = Loop(instruments.at(440.0, q=60.0), instruments.jet(constants=JetConstants(dipole=0.05)))
    omega = loop.motion.omega[:, 0].real
    speed = loop.jet.speed_for(omega, np.array([3 * np.pi / 2]))
    assert growing(loop, speed).rate[0] < -loop.motion.omega[0, 0].imag
