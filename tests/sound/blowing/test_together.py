"""Many notes followed side by side, against closed forms, the frequency domain and `play`, which holds its error."""

import numpy as np
import pytest

from simkit.sound.blowing.behaviour import blow_fingerings
from simkit.sound.blowing.timedomain import Kernel, Oscillators, _across, _taps, play_together
from tests.sound.blowing.stepped import pitch_of, play


def steady(pressure):
    return lambda time: pressure


def test_a_step_is_the_closed_form_of_a_damped_swing(instruments):
    """x'' + d x' + s x = f with f going straight from f0 to f1, from the roots of its characteristic equation."""
    modes = Oscillators.of(instruments.plain([0]), instruments.jet())
    dt, k = 2e-4, 1
    before = np.array([0.3, -0.7, 2e3, 0.5e3])  # place times scale, motion, force, its change over the step
    after = np.array([row[:, k] @ before for row in _across(modes, dt)])
    s, d, scale = modes.square[k], modes.damping[k], modes.scale[k]
    slope = before[3] / dt  # a straight force has the straight answer a + b t: s b = slope, s a + d b = force
    b = slope / s
    a = (before[2] - d * b) / s
    roots = np.roots([1.0, d, s])
    free = np.linalg.solve(np.array([[1, 1], roots]), np.array([before[0] / scale - a, before[1] - b]))
    place = (free * np.exp(roots * dt)).sum().real + a + b * dt
    moving = (free * roots * np.exp(roots * dt)).sum().real + b
    np.testing.assert_allclose(after, [place * scale, moving], rtol=1e-9)


def test_the_past_between_samples_is_exact_for_fifth_powers():
    """Six points carry a polynomial of the fifth degree (Lagrange)."""
    dt = 1e-5
    kernels = [
        Kernel(np.array([7.3, 12.0, 30.85]) * dt, np.array([0.5, -2.0, 1.5])),
        Kernel(np.array([9.5 * dt]), np.ones(1)),
    ]
    taps = _taps(kernels, dt)
    samples = np.arange(1 - taps.shape[1], 1.0)
    for power in range(6):
        for row, kernel in zip(taps, kernels, strict=True):
            wanted = kernel.weights @ (-kernel.delays / dt) ** power
            assert row @ samples**power == pytest.approx(wanted, rel=1e-9, abs=1e-9)


def test_a_note_sounds_alike_alone_and_beside_others_and_at_the_pitch_of_the_frequency_domain(instruments):
    """Within 3 cents, as `play` is held to."""
    motion, jet = instruments.plain([0, 3]), instruments.jet()
    every = instruments.blown(*range(6))
    breaths = [steady(float(every.pressure[i])) for i in (0, 3)]
    both = play_together(motion, jet, breaths, 0.25)
    for played, hz in zip(both, every.cycle.frequency[[0, 3]], strict=True):
        late = played.after(0.2)
        assert abs(1200 * np.log2(pitch_of(late.time, late.flow[:, 0]) / hz)) < 3
    alone = play_together(motion.only(slice(1, 2)), jet, breaths[1:], 0.02)[0]
    count = min(len(alone.time), 500)
    assert alone.time[1] - alone.time[0] == pytest.approx(both[1].time[1] - both[1].time[0])
    np.testing.assert_allclose(both[1].flow[:count], alone.flow[:count], rtol=1e-6, atol=1e-15)


@pytest.mark.slow
@pytest.mark.parametrize("open_holes", [0, 3])
def test_it_is_the_note_of_the_integrator_that_holds_its_error(instruments, open_holes):
    """Half a cent and a percent, as the docstring says."""
    motion, jet = instruments.plain([open_holes]), instruments.jet()
    breath = steady(float(blow_fingerings(motion, jet).pressure[0]))
    even, held = (
        each.after(0.2) for each in (play_together(motion, jet, [breath], 0.25)[0], play(motion, jet, breath, 0.25))
    )
    assert abs(1200 * np.log2(pitch_of(even.time, even.flow[:, 0]) / pitch_of(held.time, held.flow[:, 0]))) < 0.5
    time = np.linspace(0.21, 0.24, 2000)
    strengths = [np.std(np.interp(time, each.time, each.flow[:, 0])) for each in (even, held)]
    assert strengths[0] == pytest.approx(strengths[1], rel=0.01)
