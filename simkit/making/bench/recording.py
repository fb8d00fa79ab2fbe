"""Pitch of blown notes from a recording, to well under a cent.

Tones are found in short frames. The frequency of each is the mean slope of its phase: the sound is turned
back by a nearby frequency f0 and smoothed, which leaves exp(i phi(t)), and

    f = f0 + integral of w(t) phi'(t) dt / (2 pi),     w a Hann window over the note, of area 1,

so that noise at the ends and the swing of a vibrato, which a plain average would let in, hardly count.
"""

from __future__ import annotations

import struct
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.io import wavfile

from simkit.errors import Fault, InputError

LOWEST_HZ, HIGHEST_HZ = 150.0, 6000.0  # of notes that are looked for
LEAST_S, TRIM_S = 0.4, 0.08  # a note must last so long; so much of its start and of its end is left out
UNSTEADY_CENTS = 50.0  # a note that wanders further has no one pitch
_FRAME_S, _HOP_S = 0.06, 0.02  # nine periods of the lowest note, enough for one spectral line
_TONAL = 0.25  # of the sound in the band that is in one spectral line; else it is no whistle
_QUIET = 0.03  # of the loudest frame's amplitude
_GAP_FRAMES = 3  # frames that may drop out of a note
_JUMP_CENTS = 80.0  # between frames, a new note
_SMOOTH_S = 0.03  # of the demodulated sound: lets pass some 30 Hz around the tone, and no overtone
LEAST_DOUBT_CENTS = 0.3  # a recorder's clock is off by a hundred parts in a million [from memory]
_FLOAT_STEPS = 2.0**23  # steps to full scale of a float of 24 bits
_FINE_STEPS = 1000.0  # a sine so many steps high stays at its top for less than two samples
# Exceptions of the reader for files that are cut short or garbled.
_BROKEN = (ValueError, EOFError, LookupError, TypeError, ArithmeticError, NameError, MemoryError, struct.error)
_NOTHING = (
    f"at least one steady blown note of {LEAST_S:g} s or more between {LOWEST_HZ:g} and {HIGHEST_HZ:g} Hz; notes apart "
    "by silence"
)


@dataclass(frozen=True)
class RecordedTone:
    """One steady note of a recording: when it sounds, s, its mean frequency, Hz, how sure that is and how far the
    pitch swings to either side, cents."""

    start: float
    end: float
    hz: float
    doubt_cents: float
    swing_cents: float


def unusable(path: str | Path, allowed: str, value: object = None) -> InputError:
    """The error that a recording is none of what is `allowed`."""
    return InputError([Fault.of("records", value, allowed, file=str(path))])


def tones(path: str | Path) -> tuple[RecordedTone, ...]:
    """The steady notes of a WAV file, in order; InputError where it has none, or is clipped."""
    rate, sound, steps = _read(Path(path))
    found = []
    for start, stop in _stretches(rate, sound):
        part = sound[start:stop]
        if _is_clipped(part, rate, steps):
            allowed = f"a recording that is not clipped; the note at {start / rate:.1f} s is: record it softer"
            raise unusable(path, allowed)
        found.append(_tone(part, rate, start))
    wandering = [tone for tone in found if tone.swing_cents > UNSTEADY_CENTS]
    if wandering:
        w = wandering[0]
        allowed = f"steady notes; the one at {w.start:.1f} s wanders by {w.swing_cents:.0f} cents to either side"
        raise unusable(path, allowed)
    if not found:
        raise unusable(path, _NOTHING)
    return tuple(found)


def _read(path: Path) -> tuple[int, np.ndarray, float]:
    """Rate, the mean of all channels with full scale as 1, and how many steps of the file's numbers that is."""
    if path.suffix.lower() not in (".wav", ".wave"):
        allowed = "a .wav file; any audio program can save a recording of another kind as WAV"
        raise unusable(path, allowed)
    try:
        with warnings.catch_warnings():
            # Chunks beside the sound, a recorder's notes say, are no concern of ours.
            warnings.simplefilter("ignore", wavfile.WavFileWarning)
            rate, data = wavfile.read(path)
    except OSError as error:
        raise unusable(path, f"a file that can be read ({error.strerror})") from error
    except _BROKEN as error:
        raise unusable(path, f"a whole WAV file of plain samples ({error})") from error
    sound = np.asarray(data, float)
    exact = np.issubdtype(data.dtype, np.floating)
    full = 1.0 if exact else float(np.iinfo(data.dtype).max)
    if data.dtype == np.uint8:  # bytes of a WAV file are unsigned, their zero in the middle
        sound, full = sound - 128.0, 128.0
    sound = sound.mean(axis=1) if sound.ndim == 2 else sound
    if rate < 8000 or not np.isfinite(sound).all():
        raise unusable(path, "finite samples, at least 8000 in a second", rate)
    sound = sound - sound.mean() if len(sound) else sound
    return int(rate), sound / full, _FLOAT_STEPS if exact else full


def _stretches(rate: int, sound: np.ndarray) -> list[tuple[int, int]]:
    """Samples from and to of each stretch in which one tone stands out, its ends trimmed."""
    frame, hop = round(_FRAME_S * rate), round(_HOP_S * rate)
    if len(sound) < frame:
        return []
    windows = np.lib.stride_tricks.sliding_window_view(sound, frame)[::hop]  # a view: nothing is copied
    padded = 4 * frame  # so that the line's top is found between bins
    frequency = np.fft.rfftfreq(padded, 1 / rate)
    band = (frequency >= LOWEST_HZ) & (frequency <= min(HIGHEST_HZ, 0.45 * rate))
    near = 4 * padded / frame  # bins of the padded transform in the main lobe of a Hann window
    hann = np.hanning(frame)
    at, tonal, level = np.zeros(len(windows)), np.zeros(len(windows), bool), np.zeros(len(windows))
    for n, window in enumerate(windows):  # one by one: a long recording would not fit in memory at once
        power = np.square(np.abs(np.fft.rfft(window * hann, padded)))[band]
        top = int(power.argmax())
        line = power[max(0, top - int(near / 2)) : top + int(near / 2) + 1].sum()
        # Silence has power 0: not tonal.
        at[n], tonal[n] = frequency[band][top], line > _TONAL * max(power.sum(), 1e-30)
        level[n] = np.sqrt(np.mean(np.square(window)))
    tonal &= level > _QUIET * level.max(initial=0.0)
    runs = _runs(at, tonal)
    trim, least = round(TRIM_S * rate), round(LEAST_S * rate)
    found = []
    for first, last in runs:
        start, stop = first * hop + trim, last * hop + frame - trim
        if stop - start >= least - 2 * trim:  # what is trimmed counts as part of the note
            found.append((start, stop))
    return found


def _runs(at: np.ndarray, tonal: np.ndarray) -> list[tuple[int, int]]:
    """First and last frames of runs of one tone; a few frames may drop out."""
    runs: list[list[int]] = []
    for n in np.flatnonzero(tonal):
        if runs and n - runs[-1][1] <= _GAP_FRAMES and abs(1200 * np.log2(at[n] / at[runs[-1][1]])) < _JUMP_CENTS:
            runs[-1][1] = int(n)
        else:
            runs.append([int(n), int(n)])
    return [(first, last) for first, last in runs]


def _is_clipped(sound: np.ndarray, rate: int, steps: float) -> bool:
    """Whether the tops are flat: equal samples in a row at the largest value, where the file's steps are too fine for
    that to come of rounding."""
    full = np.abs(sound).max(initial=0.0)
    if full * steps < _FINE_STEPS:
        return False
    row = 3 + rate // 44100  # at higher rates more samples fit on a sine's top
    flat = 0
    for extreme in (sound.max(), sound.min()):
        # Averaging channels and taking the mean off leaves equal samples equal but for rounding.
        at_top = np.abs(sound - extreme) <= 1e-9 * full
        flat += int((np.convolve(at_top, np.ones(row), "valid") >= row - 0.5).sum())
    return flat > 5


def _tone(part: np.ndarray, rate: int, start: int) -> RecordedTone:
    """The frequency of a stretch with one tone."""
    from scipy.signal import fftconvolve  # it loads much, which who brings no recording need not wait for

    f0 = _near(part, rate)
    t = np.arange(len(part)) / rate
    width = max(8, round(_SMOOTH_S * rate))
    smooth = np.hanning(width + 2)[1:-1]
    # Demodulated by f0, low pass by a Hann kernel: a slowly turning phasor is left.
    turned = fftconvolve(part * np.exp(-2j * np.pi * f0 * t), smooth / smooth.sum(), "valid")
    phase = np.unwrap(np.angle(turned))  # less than half a turn a sample, for f0 is near
    whole = f0 + _mean_slope(phase, rate)
    thirds = [f0 + _mean_slope(third, rate) for third in np.array_split(phase, 3)]
    off_whole = 1200 * np.log2(np.array(thirds) / whole)
    # Smoothed over a tenth of a second: how far the pitch itself swings.
    step = max(1, rate // 20)
    slow = f0 + np.diff(phase[::step]) * rate / step / (2 * np.pi)
    off = 1200 * np.log2(np.maximum(slow, 1.0) / whole)
    # quantiles: a click at the ends is no vibrato.
    swing = float(np.quantile(off, 0.95) - np.quantile(off, 0.05)) / 2 if len(off) > 2 else 0.0
    doubt = float(np.hypot(LEAST_DOUBT_CENTS, off_whole.std() / np.sqrt(3)))  # by how far its thirds agree
    return RecordedTone(start / rate, (start + len(part)) / rate, float(whole), doubt, swing)


def _near(part: np.ndarray, rate: int) -> float:
    """The strongest line of a stretch, by a padded transform."""
    size = 1 << int(np.ceil(np.log2(2 * len(part))))  # a power of two, at least twice as long: bins half a line apart
    power = np.abs(np.fft.rfft(part * np.hanning(len(part)), size))
    frequency = np.fft.rfftfreq(size, 1 / rate)
    power[(frequency < LOWEST_HZ) | (frequency > HIGHEST_HZ)] = 0.0
    return float(frequency[int(power.argmax())])


def _mean_slope(phase: np.ndarray, rate: int) -> float:
    """Mean frequency, Hz, of a phase in radians, by a Hann window over it."""
    steps = np.diff(phase)
    weights = np.hanning(len(steps) + 2)[1:-1]  # without its two zeros, which would waste samples
    return float(steps @ weights / weights.sum() * rate / (2 * np.pi))
