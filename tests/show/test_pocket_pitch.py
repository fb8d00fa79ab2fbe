"""The page's tuner, run by node on tones whose pitch is known, and beside the bench's reader of recordings."""

import numpy as np
import pytest
from scipy.io import wavfile

from simkit.making.bench.recording import tones
from tests.show.node import answered, needs_node

RATE = 44100
READ = """
    const { FRAME_S, Held, frequencyOf } = await load("pitch");
    return asked.sounds.map((sound) => {
        const held = new Held(), length = Math.round(FRAME_S * asked.rate), hop = Math.round(0.05 * asked.rate);
        let last = null;
        for (let at = 0; at + length <= sound.length; at += hop) {
            const frame = frequencyOf(Float32Array.from(sound.slice(at, at + length)), asked.rate);
            last = held.take(frame, at / asked.rate) ?? last;
        }
        return last;
    });
"""


def blown(hz, rng, noise=0.03, vibrato_cents=0.0, overtones=(0.1, 0.15), seconds=1.2):
    """A tone of that mean pitch: overtones, white noise of `noise` rms, vibrato of 5 Hz in whole swings."""
    t = np.arange(int(seconds * RATE)) / RATE
    swing = vibrato_cents / 1200 * np.log(2)
    phase = 2 * np.pi * hz * (t + swing / (2 * np.pi * 5) * (1 - np.cos(2 * np.pi * 5 * t)))
    sound = np.sin(phase) + sum(a * np.sin(n * phase) for n, a in enumerate(overtones, 2))
    return 0.2 * (sound + noise * rng.standard_normal(len(t)))


def cents_off(hz, of):
    return 1200 * np.log2(hz / of)


@needs_node
def test_a_held_note_is_read_within_a_cent_and_as_the_bench_reads_it(tmp_path):
    rng = np.random.default_rng(2)
    asked = [
        (261.6, {}), (440.0, {"noise": 0.3}), (587.33, {"vibrato_cents": 20.0}), (933.1, {"overtones": (0.6, 0.4)}),
        (1567.98, {"noise": 0.7}), (2093.0, {"vibrato_cents": 10.0, "noise": 0.2}),
    ]  # fmt: skip
    sounds = [blown(hz, rng, **kinds) for hz, kinds in asked]
    found = answered(READ, {"rate": RATE, "sounds": [np.round(s, 6).tolist() for s in sounds]}, tmp_path)
    for (hz, kinds), sound, reading in zip(asked, sounds, found, strict=True):
        assert reading["steady"], (hz, reading)
        assert abs(cents_off(reading["hz"], hz)) < 1, (hz, kinds, reading)
        path = tmp_path / "take.wav"
        wavfile.write(path, RATE, sound.astype(np.float32))
        (tone,) = tones(path)
        assert abs(cents_off(reading["hz"], tone.hz)) < 1


@needs_node
def test_noise_and_silence_are_no_note_and_a_glide_is_not_steady(tmp_path):
    rng = np.random.default_rng(3)
    t = np.arange(2 * RATE) / RATE
    glide = np.sin(2 * np.pi * 500 * (t + 0.05 * t * t))  # a third up
    sounds = [0.1 * rng.standard_normal(RATE), np.zeros(RATE), 0.2 * glide]
    found = answered(READ, {"rate": RATE, "sounds": [np.round(s, 6).tolist() for s in sounds]}, tmp_path)
    assert found[0] is None and found[1] is None
    assert not found[2]["steady"]


@needs_node
@pytest.mark.parametrize("size", [8, 1024])
def test_the_transform_is_numpys(size, tmp_path):
    rng = np.random.default_rng(4)
    values = rng.standard_normal((2, size))
    script = """
        const { transform } = await load("pitch");
        const re = Float64Array.from(asked[0]), im = Float64Array.from(asked[1]);
        transform(re, im);
        return [[...re], [...im]];
    """
    re, im = answered(script, values.tolist(), tmp_path)
    np.testing.assert_allclose(np.array(re) + 1j * np.array(im), np.fft.fft(values[0] + 1j * values[1]), atol=1e-10)
