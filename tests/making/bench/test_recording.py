"""Pitch of synthetic whistle tones whose truth is known, and what a recording must not be."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.io import wavfile

from simkit.errors import InputError
from simkit.making.bench.recording import tones

RATE = 44100


def whistle(hz, seconds, vibrato_cents=0.0, seed=0, rate=RATE):
    """A whistle tone with weak overtones, rising and falling softly: (samples,), amplitude 1."""
    t = np.arange(round(seconds * rate)) / rate
    random = np.random.default_rng(seed)
    bend = vibrato_cents * np.sin(2 * np.pi * 5.3 * t + random.uniform(0, 2 * np.pi))
    phase = 2 * np.pi * np.cumsum(hz * 2 ** (bend / 1200)) / rate
    tone = np.sin(phase) + 0.15 * np.sin(2 * phase + 1) + 0.05 * np.sin(3 * phase + 2)
    return tone * np.minimum(1, np.minimum(t, t[-1] - t) / 0.05)


def noisy(sound, snr_db, seed=0):
    power = np.mean(np.square(sound[np.abs(sound) > 1e-6]))
    return sound + np.random.default_rng(seed).normal(0, np.sqrt(power / 10 ** (snr_db / 10)), len(sound))


def written(path, sound, rate=RATE, kind=np.int16):
    sound = 0.8 * sound / np.abs(sound).max()
    scaled = sound if np.issubdtype(kind, np.floating) else sound * np.iinfo(kind).max
    wavfile.write(path, rate, scaled.astype(kind))
    return path


def silence(seconds, rate=RATE):
    return np.zeros(round(seconds * rate))


@pytest.mark.parametrize("vibrato_cents", [0, 10])
@pytest.mark.parametrize("hz", [300, 523.251, 880, 1567.98, 3000])
def test_a_noisy_whistle_tone_within_a_cent(tmp_path, hz, vibrato_cents):
    """10 dB of white noise; the mean of a vibrato in cents is its middle."""
    sound = np.concatenate([silence(0.3), whistle(hz, 1.2, vibrato_cents, seed=int(hz)), silence(0.2)])
    (tone,) = tones(written(tmp_path / "a.wav", noisy(sound, 10, seed=int(hz))))
    assert abs(1200 * np.log2(tone.hz / hz)) < 0.5
    assert tone.doubt_cents < 1


def test_notes_apart_by_silence_are_found_in_order(tmp_path):
    wanted = [587.33, 587.33, 659.26]
    parts = [part for hz in wanted for part in (whistle(hz, 0.8), silence(0.3))]
    found = tones(written(tmp_path / "take.wav", noisy(np.concatenate(parts), 30)))
    assert [tone.hz for tone in found] == pytest.approx(wanted, rel=2e-4)
    assert all(a.end < b.start for a, b in pairwise(found))


@pytest.mark.parametrize("kind", [np.uint8, np.int16, np.int32, np.float32])
def test_every_usual_kind_of_samples_is_read(tmp_path, kind):
    sound = whistle(700, 0.8)
    if kind is np.uint8:
        wavfile.write(tmp_path / "k.wav", RATE, (128 + 100 * sound / np.abs(sound).max()).astype(np.uint8))
    else:
        written(tmp_path / "k.wav", sound, kind=kind)
    (tone,) = tones(tmp_path / "k.wav")
    assert tone.hz == pytest.approx(700, rel=3e-4)


def test_two_channels_are_one_note(tmp_path):
    sound = 0.5 * whistle(990, 0.8, rate=48000)
    wavfile.write(tmp_path / "s.wav", 48000, np.column_stack([sound, 0.6 * sound]).astype(np.float32))
    (tone,) = tones(tmp_path / "s.wav")
    assert tone.hz == pytest.approx(990, rel=1e-4)


def glide():
    t = np.arange(2 * RATE) / RATE
    return np.sin(2 * np.pi * (600 * t + 25 * t**2))


@pytest.mark.parametrize(
    ("sound", "told"),
    [
        (np.random.default_rng(0).normal(0, 0.1, RATE), "at least one steady blown note of 0.4 s or more"),
        (np.zeros(RATE), "at least one steady blown note"),
        (np.zeros(100), "at least one steady blown note"),
        (whistle(600, 0.25), "at least one steady blown note"),
        (glide(), "steady notes; the one at"),
        (np.clip(1.6 * whistle(600, 1.0), -1, 1), "a recording that is not clipped; the note at"),
    ],
    ids=["noise", "silence", "no sound", "too short", "a glide", "clipped"],
)
def test_what_is_no_steady_note_is_refused(tmp_path, sound, told):
    path = tmp_path / "bad.wav"
    wavfile.write(path, RATE, (0.9 * 32767 * sound / max(np.abs(sound).max(), 1e-9)).astype(np.int16))
    with pytest.raises(InputError, match=told) as error:
        tones(path)
    assert str(error.value).startswith(f"{path}: records")


def test_a_loud_note_that_is_not_clipped_is_taken(tmp_path):
    sound = whistle(310, 0.8)
    wavfile.write(tmp_path / "loud.wav", RATE, np.round(32767 * sound / np.abs(sound).max()).astype(np.int16))
    assert len(tones(tmp_path / "loud.wav")) == 1


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("take.m4a", b"xxxx", "a .wav file; any audio program can save"),
        ("take.wav", b"RIFF", "a whole WAV file of plain samples"),
        ("take.wav", b"", "a whole WAV file of plain samples"),
        ("gone.wav", None, "a file that can be read"),
    ],
)
def test_what_is_no_wav_file_is_refused(tmp_path, name, content, told):
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match=told):
        tones(tmp_path / name)
