"""Our pitch beside that of a general-purpose library for sound: Praat, through praat-parselmouth, where it is there.

Its autocorrelation method (Boersma 1993, Proc. Inst. Phonetic Sciences Amsterdam 17:97 [from memory]) interpolates
between lags of whole samples, and its frames scatter in noise: it is a few cents off itself, so the two are held to
5 cents of each other. That settles octave and gross error; the cent is held against the known truth.
"""

import numpy as np
import pytest
from scipy.io import wavfile

from simkit.making.bench.recording import tones

parselmouth = pytest.importorskip("parselmouth", reason="the second opinion is in the group dev, not in test")
RATE = 44100


def take(path, hz, vibrato_cents):
    """A whistle tone of 1.5 s with overtones and noise 10 dB below it."""
    t = np.arange(round(1.5 * RATE)) / RATE
    bend = vibrato_cents * np.sin(2 * np.pi * 5.3 * t)
    phase = 2 * np.pi * np.cumsum(hz * 2 ** (bend / 1200)) / RATE
    tone = (np.sin(phase) + 0.15 * np.sin(2 * phase + 1)) * np.minimum(1, np.minimum(t, t[-1] - t) / 0.05)
    sound = tone + np.random.default_rng(int(hz)).normal(0, np.sqrt(np.mean(tone**2) / 10), len(tone))
    wavfile.write(path, RATE, (0.7 * 32767 * sound / np.abs(sound).max()).astype(np.int16))
    return path


@pytest.mark.parametrize("vibrato_cents", [0, 10])
@pytest.mark.parametrize("hz", [300, 440, 700, 1000, 1568, 3000])
def test_two_methods_hear_the_same(tmp_path, hz, vibrato_cents):
    path = take(tmp_path / "take.wav", hz, vibrato_cents)
    (tone,) = tones(path)
    part = parselmouth.Sound(str(path)).extract_part(tone.start, tone.end)
    pitch = part.to_pitch_ac(time_step=0.01, pitch_floor=150, pitch_ceiling=4000, very_accurate=True)
    theirs = pitch.selected_array["frequency"]
    theirs = theirs[theirs > 0].mean()
    assert abs(1200 * np.log2(tone.hz / theirs)) < 5
    assert abs(1200 * np.log2(tone.hz / hz)) < 1
