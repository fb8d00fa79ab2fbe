"""Onset: roots of the loop, thresholds, and what a resonance without pressure at the window does."""

import mpmath
import numpy as np
import pytest

from simkit.sound.blowing.constants import JetConstants
from simkit.sound.blowing.cycle import on_resonance
from simkit.sound.blowing.growth import growing, mode_root, threshold
from simkit.sound.blowing.loop import Loop


def test_the_root_of_one_resonance_before_a_jet():
    """s^2 + s w/Q + w^2 = g s^2 exp(-s tau), Auvray, Fabre & Lagree 2012, J. Acoust. Soc. Am. 131, 1574; by mpmath."""

    def equation(s):
        return s * s + s / 25 + 1 - mpmath.mpf("0.2") * s * s * mpmath.exp(-s * mpmath.pi / 2)

    exact = complex(mpmath.findroot(equation, mpmath.mpc(0.07, 0.99)))
    found = mode_root(1.0, 25.0, 0.2, np.pi / 2)
    assert found == pytest.approx(exact, abs=1e-9)
    assert found.real == pytest.approx(0.068795, abs=1e-6)
    assert found.imag - 1 == pytest.approx(-0.007505, abs=1e-6)


def test_a_weak_jet_starts_where_its_gain_makes_up_for_the_loss():
    """Small g: growth -1/2Q + (g/2) sin(w tau), so g sin(w tau) = 1/Q at the threshold."""
    for turn in (0.6, 1.2, 2.2):
        gain = 1 / (400 * np.sin(turn))
        assert mode_root(1.0, 400.0, gain, turn).real == pytest.approx(0.0, abs=2e-5)


def test_growth_before_the_real_jet_solves_the_loops_equation(instruments):
    """Written out for one resonance, the wave at complex frequency included, and solved by mpmath."""
    motion, jet = instruments.at(440.0), instruments.jet()
    speed = np.array([18.0])
    found = growing(Loop(motion, jet), speed).omega[0]
    own, drive = motion.omega[0, 0], motion.drive[0, 0]

    def equation(omega):
        omega = complex(omega)
        wave = complex(np.exp(jet.wave_log(np.array([omega]), speed))[0])
        pole = omega**2 - abs(own) ** 2 - 2j * omega * own.imag
        return pole - jet.coupling() * omega**2 * wave * drive

    exact = complex(
        mpmath.findroot(equation, (found * 1.01, found * 0.99, found * (1 + 0.01j)), solver="muller", verify=False)
    )
    assert found == pytest.approx(exact, rel=1e-6)
    assert found.imag < 0


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
