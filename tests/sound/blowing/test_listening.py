"""The note as sound, fitted constants, and advice."""

import io

import numpy as np
import pytest
from scipy.io import wavfile

from simkit.sound.blowing.advice import Tried, levers
from simkit.sound.blowing.behaviour import at_pressure, blow_fingerings
from simkit.sound.blowing.jet_readings import fit_jet
from simkit.sound.blowing.listen import RATE, _loudest, at_ear, wav_bytes
from simkit.sound.blowing.timedomain import Played
from simkit.sound.elements.constants import JetConstants
from tests.sound.blowing.stepped import pitch_of, play, sounding


def swinging(hz, flow, seconds=0.1):
    time = np.arange(0, seconds, 1 / 60000)
    flows = np.stack([flow * np.sin(2 * np.pi * hz * time), np.zeros_like(time)], axis=1)
    return Played(time, flows, flows[:, :1], np.full(len(time), 300.0))


def test_the_sound_is_that_of_a_point_source():
    """p = rho omega U/(4 pi r) (Rayleigh 1896, Theory of Sound, sec. 280)."""
    readings = at_ear(swinging(440.0, 1e-4), density=1.2, distance=2.0)
    expected = 1.2 * 2 * np.pi * 440 * 1e-4 / (4 * np.pi * 2.0)
    assert np.abs(readings[100:-100]).max() == pytest.approx(expected, rel=1e-3)


@pytest.mark.slow  # at once: a file by the command, in cli/test_blow
def test_the_file_holds_the_note(instruments):
    motion, jet = instruments.plain([1]), instruments.jet()
    blown = instruments.blown(*range(6))
    start = sounding(motion, blown.cycle.omega[1], blown.cycle.velocity[1], jet.window_area)
    pressure = at_ear(play(motion, jet, float(blown.pressure[1]), 0.06, start), instruments.air.density)
    rate, samples = wavfile.read(io.BytesIO(wav_bytes(pressure)))
    assert rate == RATE
    assert 0.85 * 32767 < np.abs(samples).max() < 0.91 * 32767
    lines = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), 1 << 16))
    assert lines.argmax() * RATE / (1 << 16) == pytest.approx(blown.cycle.frequency[1], rel=0.005)


def test_silence_is_written_as_silence():
    _, samples = wavfile.read(io.BytesIO(wav_bytes(np.zeros(4410))))
    assert (samples == 0).all()


@pytest.mark.slow  # the quick one is in test_readings
def test_constants_come_back_from_readings(instruments):
    """Readings made with other constants and a piece 30 cents flat: the fit finds the constants, the offset too."""
    motion = instruments.plain([0, 2])
    truth = JetConstants(convection=1.35, window_contraction=0.75)
    blown = blow_fingerings(motion, instruments.jet(constants=truth))
    rows, shares = np.repeat([0, 1], 4), np.tile([0.7, 0.9, 1.1, 1.4], 2)
    pressures = shares * blown.pressure[rows]
    flat = at_pressure(blown, rows, pressures).frequency * 2 ** (-30 / 1200)
    fit = fit_jet(motion, instruments.jet(), rows, pressures, flat, ("convection", "window_contraction"))
    assert fit.constants.convection == pytest.approx(1.35, rel=0.03)
    assert fit.constants.window_contraction == pytest.approx(0.75, rel=0.05)
    assert fit.offset_cents == pytest.approx(-30, abs=2)
    assert np.abs(fit.left_cents).max() < 1
    assert all(1 <= factor < 1.2 for factor in fit.spread.values())


@pytest.fixture(scope="module")
def tried(instruments):
    """Three notes: a good one, one hard to blow, one out of phase with the jet."""
    return Tried.on(instruments.plain([0, 3, 5]), instruments.jet())


def test_a_good_note_gets_no_advice(tried):
    assert tried.advice(0) == ()


def test_levers_are_tried_on_the_notes_that_want_one_and_on_no_others(instruments, tried):
    assert tried.amiss == (1, 2)
    assert [len(blown.pressure) for blown in tried.moved.values()] == [2] * len(levers(instruments.jet()))


@pytest.mark.slow
def test_each_note_is_told_what_it_is_told_alone(instruments, tried):
    motion, jet = instruments.plain([0, 3, 5]), instruments.jet()
    good, hard = (Tried.on(motion.only(slice(i, i + 1)), jet) for i in range(2))
    assert not good.moved
    assert [tried.advice(i) for i in range(2)] == [each.advice(0) for each in (good, hard)]


@pytest.mark.slow  # at once: a wider window for a silent note, below
def test_advice_names_levers_that_were_tried(instruments):
    motion = instruments.waisted(4e-3, hole=8e-3, volumes=(0.5e-4, 0.5e-4))
    tried = Tried.on(motion, instruments.jet())
    note = tried.now.note(0)
    assert note.overblow_margin < 1.5
    said = " | ".join(tried.advice(0))
    assert "wider waist" in said
    assert f"{note.overblow_at:.0f} Pa" in said


def test_a_silent_note_is_told_what_would_help(instruments):
    motion = instruments.plain([8])
    tried = Tried.on(motion, instruments.jet(constants=JetConstants(dipole=0.3)))
    assert not tried.now.speaks[0]
    (said,) = tried.advice(0)
    assert said.startswith("does not speak below 2000 Pa")
    assert "wider window" in said


def test_a_note_hard_to_blow_is_told_the_lever_that_eases_it(tried):
    hard = next(text for text in tried.advice(1) if text.startswith("hard to blow"))
    lever = next(name for name in tried.moved if name in hard)
    assert tried.moved[lever].pressure[0] < tried.now.pressure[1]  # the good note has no row there


def test_a_lever_is_told_with_its_measure(instruments):
    """What the advice says in mm is what was tried."""
    jet = instruments.jet()
    for name, moved in levers(jet).items():
        what, way, _, by, unit = name.removeprefix("a ").split(" ")
        size, was = (1e3 * getattr(each, {"cut-up": "cut_up", "windway": "height"}[what]) for each in (moved, jet))
        assert unit == "mm" and way == {True: {"cut-up": "longer", "windway": "higher"}[what]}.get(size > was, way)
        assert float(by) == pytest.approx(abs(size - was), rel=0.25), "to one digit"


def test_a_note_out_of_phase_is_said_to_be_so(tried):
    assert not tried.now.note(2).in_phase
    assert any("in phase with the jet only above 2000 Pa" in text for text in tried.advice(2))


@pytest.mark.slow
def test_the_jets_speed_follows_a_breath_that_rises(instruments):
    """A swell to 1.4 times the playing pressure ends at the steady pitch of that pressure."""
    motion, jet = instruments.plain([0]), instruments.jet()
    blown = blow_fingerings(motion, jet)
    low, high = 0.7 * blown.pressure[0], 1.4 * blown.pressure[0]
    start = sounding(motion, blown.cycle.omega[0], blown.cycle.velocity[0], jet.window_area)
    played = play(motion, jet, lambda t: low + (high - low) * min(1.0, t / 0.15), 0.24, start).after(0.19)
    steady = at_pressure(blown, np.array([0]), np.array([high])).frequency[0]
    assert 1200 * abs(np.log2(pitch_of(played.time, played.flow[:, 0]) / steady)) < 3


def test_the_loudest_tone_of_a_sound_is_found():
    """Two tones, the higher one the stronger; to the width of a line."""
    time = np.arange(0, 0.2, 1 / RATE)
    assert _loudest(np.sin(2 * np.pi * 440 * time) + 1.5 * np.sin(2 * np.pi * 4055 * time)) == pytest.approx(
        4055, abs=5
    )
