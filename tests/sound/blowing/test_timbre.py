"""What a note sounds like in numbers, beside the same note followed through time and a point source's power."""

import numpy as np
import pytest

from simkit.sound.blowing.behaviour import blow_fingerings
from simkit.sound.blowing.growth import growing
from simkit.sound.blowing.listen import RATE, at_ear
from simkit.sound.blowing.timbre import timbre
from tests.sound.blowing.stepped import play, sounding


@pytest.mark.slow
def test_level_and_partials_are_those_of_the_note_in_time(instruments):
    """Amplitudes by Goertzel's sums under Hann's window, over whole periods of a steady tenth of a second."""
    motion, jet, blown = instruments.plain([1]), instruments.jet(), instruments.blown(1)
    (tone,) = timbre(blown)
    start = sounding(motion, blown.cycle.omega[0], blown.cycle.velocity[0], jet.window_area)
    heard = at_ear(play(motion, jet, float(blown.pressure[0]), 0.25, start).after(0.1), instruments.air.density)
    t, window = np.arange(len(heard)) / RATE, np.hanning(len(heard))
    lines = np.abs(np.fft.rfft(heard * window, 1 << 17))
    hz = np.fft.rfftfreq(1 << 17, 1 / RATE)
    note = hz[np.where(hz < 1.5 * blown.cycle.frequency[0], lines, 0).argmax()]
    level = [2 * np.abs((heard * window) @ np.exp(-2j * np.pi * n * note * t)) / window.sum() for n in (1, 3)]
    assert level[0] == pytest.approx(tone.level_pa, rel=0.05)
    assert level[1] / level[0] == pytest.approx(tone.partials[2], rel=0.25)  # the kernel in time is right to a tenth


def test_the_level_is_that_of_the_power_sent_into_the_room(instruments):
    """W = 2 pi r^2 p^2/(rho c) of a point source in free space."""
    blown, air = instruments.blown(0, 1, 3), instruments.air
    levels = np.array([tone.level_pa for tone in timbre(blown)])
    np.testing.assert_allclose(2 * np.pi * levels**2 / (air.density * air.sound_speed), blown.radiated_power, rtol=1e-6)


def test_a_stronger_jet_starts_sooner_and_what_is_silent_has_no_tone(instruments):
    blown = instruments.blown(0, 1, 3)
    rates = growing(blown.loop.pure, blown.cycle.speed).rate
    assert [tone.growth_per_s for tone in timbre(blown)] == pytest.approx(np.maximum(rates, 3.0).tolist())
    mute = blow_fingerings(instruments.plain([0, 8], q=2.0), instruments.jet(), careful=False)
    assert [tone is not None for tone in timbre(mute)] == (mute.speaks & mute.cycle.exists).tolist()
    assert not mute.speaks.all()
