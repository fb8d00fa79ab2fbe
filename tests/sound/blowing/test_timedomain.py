"""The same jet and resonator followed through time: onset, pitch, takeover, and a jet's regimes."""

import numpy as np
import pytest

from simkit.sound.blowing.behaviour import at_pressure, blow_fingerings
from simkit.sound.blowing.cycle import on_resonance
from simkit.sound.blowing.growth import threshold
from simkit.sound.blowing.loop import Loop
from simkit.sound.blowing.timedomain import kernel_of
from simkit.sound.elements.constants import JetConstants
from tests.sound.blowing.stepped import pitch_of, play, sounding, tap


def off_in_cents(instruments, motion, share, seconds=0.14):
    """How far the pitch in time is above that of the frequency domain, at a share of the playing pressure."""
    jet = instruments.jet()
    blown = blow_fingerings(motion, jet, careful=False)
    pressure = share * blown.pressure[0]
    cycle = at_pressure(blown, np.array([0]), np.array([pressure]))
    start = sounding(motion, cycle.omega[0], cycle.velocity[0], jet.window_area)
    late = play(motion, jet, pressure, seconds, start).after(seconds - 0.04)
    return 1200 * np.log2(pitch_of(late.time, late.flow[:, 0]) / cycle.frequency[0])


def strength(played, hz, start, length):
    """Amplitude of the window's flow near `hz` in a stretch of time (Hann)."""
    inside = (played.time > start) & (played.time < start + length)
    time, flow = played.time[inside], played.flow[inside, 0]
    window = np.hanning(len(time))
    near = hz * np.linspace(0.93, 1.07, 57)
    return np.abs(np.exp(-2j * np.pi * np.outer(near, time)) @ (flow * window)).max() * 2 / window.sum()


def test_the_kernel_has_the_waves_spectrum_where_the_instrument_rings(instruments):
    jet = instruments.jet()
    rings = 2 * np.pi * np.array([440.0, 2100.0])
    kernel = kernel_of(jet, 22.0, rings)
    for omega, limit in ((rings[:1], 0.005), (rings[:1] * 1.04, 0.01), (rings[:1] * 0.96, 0.01), (rings[1:], 0.02)):
        wanted = jet.swing(omega, 22.0, 1.0) * np.exp(1j * jet.wave_log(omega, 22.0).imag)
        assert np.abs(kernel.spectrum(omega) / wanted - 1).max() < limit


def test_the_kernel_only_looks_back(instruments):
    kernel = kernel_of(instruments.jet(), 22.0, [2 * np.pi * 440])
    assert (kernel.delays > 0.7 * 5.5e-3 / 22.0).all()


@pytest.mark.slow  # at once in test_together, and as a file in test_listening
def test_a_steady_note_has_the_same_pitch_in_time(instruments):
    assert abs(off_in_cents(instruments, instruments.plain([1]), 1.0, 0.1)) < 3


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.75, 1.0, 1.4])
@pytest.mark.parametrize("open_holes", [0, 2, 5])
def test_pitch_in_time_is_that_of_the_frequency_domain(instruments, open_holes, share):
    """Within 3 cents, in phase and bent."""
    assert abs(off_in_cents(instruments, instruments.plain([open_holes]), share)) < 3


@pytest.mark.slow
def test_pitch_agrees_with_a_second_resonance_ringing_along(instruments):
    assert abs(off_in_cents(instruments, instruments.waisted(12e-3), 1.0)) < 3


@pytest.mark.slow
@pytest.mark.parametrize("open_holes", [0, 2])
def test_the_onset_in_time_is_that_of_the_frequency_domain(instruments, open_holes):
    """Within 5 %: a tap dies away at 0.95 of the threshold and grows at 1.05. A weak source, so nothing else starts."""
    jet = instruments.jet(constants=JetConstants(dipole=0.35))
    motion = instruments.plain([open_holes])
    loop = Loop(motion, jet)
    onset = jet.pressure(threshold(loop, on_resonance(loop).speed))[0]
    hz = motion.frequency[0, 0]
    grown = []
    for share in (0.95, 1.05):
        played = play(motion, jet, share * onset, 0.3, tap(motion, 1e-4, jet.window_area))
        grown.append(strength(played, hz, 0.2, 0.08) / strength(played, hz, 0.1, 0.08))
    assert grown[0] < 1 < grown[1]


@pytest.mark.slow
@pytest.mark.parametrize(("neck", "hole"), [(8e-3, 4e-3), (8e-3, 0.0)])
def test_the_takeover_in_time_is_that_of_the_frequency_domain(instruments, neck, hole):
    """Within 10 %: beside the sounding note the higher resonance dies away at 0.9 of it and takes over at 1.1."""
    motion, jet = instruments.waisted(neck, hole), instruments.jet()
    blown = blow_fingerings(motion, jet)
    at, hz = blown.note(0).overblow_at, motion.frequency[0, 1]
    notes, higher = [], []
    for share in (0.9, 1.1):
        cycle = at_pressure(blown, np.array([0]), np.array([share * at]))
        start = sounding(motion, cycle.omega[0], cycle.velocity[0], jet.window_area)
        start.moving[2] = 0.05 * jet.window_area / motion.flow[0, 1, 0]
        played = play(motion, jet, share * at, 0.25, start)
        notes.append(strength(played, cycle.frequency[0], 0.18, 0.06))
        higher.append(strength(played, hz, 0.18, 0.06))
    assert notes[0] > 10 * higher[0]
    assert higher[1] > 10 * notes[1]


@pytest.mark.slow
def test_a_resonator_before_a_jet_sounds_in_domains_of_one_frequency_with_narrow_transitions(instruments):
    """Khosropour & Millet 1990, J. Acoust. Soc. Am. 88, 1211 (abstract): domains of jet speed, one frequency in each.

    Between two waves of the jet, where the resonator does not help, sounds the edge tone of the bare jet: f W/U =
    0.466 (Brown 1937, Proc. Phys. Soc. 49, 493: his leading factor, from memory).
    """
    from scipy.signal import find_peaks  # it loads much, which the quick tests need not wait for

    motion, jet = instruments.at(400.0, q=30.0), instruments.jet()
    speeds = np.geomspace(4.5, 30.0, 9)
    heard, pure = [], []
    for speed in speeds:
        late = play(motion, jet, float(jet.pressure(speed)), 0.2, tap(motion, 0.05, jet.window_area)).after(0.13)
        time = np.linspace(late.time[0], late.time[-1], 4096)
        flow = np.interp(time, late.time, late.flow[:, 0]) * np.hanning(4096)
        lines = 20 * np.log10(np.abs(np.fft.rfft(flow, 16384)) + 1e-30)
        hz = np.fft.rfftfreq(16384, time[1] - time[0])
        heard.append(hz[lines.argmax()])
        peaks, _ = find_peaks(lines, height=lines.max() - 30)
        multiples = hz[peaks] / heard[-1]
        pure.append(bool(np.all(np.abs(multiples - np.round(multiples)) < 0.08)))
    steps = np.diff(np.log(heard))
    # One frequency, and its overtones, at every speed but at most one; it rises with speed but for one jump down.
    assert np.sum(pure) >= len(speeds) - 1
    assert (steps < -0.2).sum() == 1
    assert ((steps > 0) | (steps < -0.2)).all()
    edge = int(steps.argmin())
    assert heard[edge] * jet.cut_up / speeds[edge] == pytest.approx(0.466, rel=0.1)
