"""The time-domain note as sound: pressure in the room from all openings together, as a WAV file."""

from __future__ import annotations

import io
import math
import struct
from collections.abc import Callable, Sequence

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.io import wavfile

from simkit.files import MARK
from simkit.sound.blowing.table import BlowTable
from simkit.sound.blowing.timedomain import Played, play_together
from simkit.sound.elements.airjet import AirJet
from simkit.sound.models.resonator import Motion

RATE = 44100
_RISE = 0.05  # s; 95 % of the breath after three of them. A quicker attack lets a high whistle in before the note
_SQUEAL = 1.5  # times its own pitch, from which on the loudest tone of a note is another one
_GAP = 0.2  # s of silence after each note
_FADE = 0.01  # s at both ends, so that a loudspeaker does not click


def at_ear(played: Played, density: float, distance: float = 1.0) -> np.ndarray:
    """Sound pressure in Pa at `distance`, in free space, a piece small against the wave: rho/(4 pi r) d(sum U)/dt.

    Frequencies above half the rate are not filtered out: the model has none worth the name there.
    """
    # Flow is counted into the chamber: outward is minus.
    out = CubicSpline(played.time, -played.flow.sum(axis=1)).derivative()
    times = np.arange(played.time[0], played.time[-1], 1 / RATE)
    return density / (4 * np.pi * distance) * out(times)


def phrase(
    motion: Motion, jet: AirJet, pressures: Sequence[float], seconds: float
) -> tuple[np.ndarray, tuple[float, ...]]:
    """The fingerings of `motion` one after the other, each from silence with its breath rising in 0.15 s, and a gap: Pa
    at 1 m, and the pitch in Hz of the loudest tone in each.

    All are followed side by side: seven notes take some four times as long as one of them sounds.
    """
    played = play_together(motion, jet, [_rising(pressure) for pressure in pressures], seconds)
    heard = [at_ear(each, motion.air.density) for each in played]
    silence = np.zeros(int(_GAP * RATE))
    parts = [part for each in heard for part in (_faded(each), silence)]
    return np.concatenate(parts), tuple(_loudest(each) for each in heard)


def _loudest(pressure: np.ndarray) -> float:
    """Hz of the strongest line in the later half of a sound."""
    late = pressure[len(pressure) // 2 :]  # past the attack
    lines = np.abs(np.fft.rfft(late * np.hanning(len(late)), 8 * len(late)))  # padded: lines an eighth as far apart
    return float(np.fft.rfftfreq(8 * len(late), 1 / RATE)[lines.argmax()])


def scale(table: BlowTable, seconds: float = 1.0) -> tuple[bytes | None, tuple[str, ...]]:
    """The notes that speak, in the design's order and each at its playing pressure, as a WAV; None if none does.

    And what is to be said of the notes in which a whistle drowns the note.
    """
    heard, squeals = [], []
    for chamber in table.chambers:
        speaking = np.flatnonzero(chamber.blown.speaks)
        loop, pressures = chamber.blown.loop, chamber.blown.pressure[speaking].tolist()
        if len(speaking):
            sound, loudest = phrase(loop.motion.only(speaking), loop.jet, pressures, seconds)
            heard.append(sound)
            for i, hz in zip(speaking, loudest, strict=True):
                if hz > _SQUEAL * chamber.blown.cycle.frequency[i]:
                    name = chamber.notes[i].pitch or "the note"
                    squeals.append(f"{name} is drowned by a whistle at {hz:.0f} Hz, of which the model is least sure")
    return wav_bytes(np.concatenate(heard)) if heard else None, tuple(squeals)


def _rising(pressure: float) -> Callable[[float], float]:
    return lambda time: pressure * (1 - math.exp(-time / _RISE))


def _faded(pressure: np.ndarray) -> np.ndarray:
    ramp = np.linspace(0, 1, min(len(pressure), int(_FADE * RATE)))
    faded = np.array(pressure, float)
    faded[: len(ramp)] *= ramp
    faded[len(faded) - len(ramp) :] *= ramp[::-1]
    return faded


def wav_bytes(pressure: np.ndarray) -> bytes:
    """A WAV file (16 bit, one channel) of a sound pressure, its loudest moment at 0.9 of full scale."""
    faded = _faded(pressure)
    loudest = np.abs(faded).max(initial=0.0)
    scaled = faded * (0.9 * 32767 / loudest) if loudest > 0 else faded  # 32767: full scale of 16 bit
    file = io.BytesIO()
    wavfile.write(file, RATE, np.round(scaled).astype(np.int16))
    return _signed(file.getvalue())


def _signed(wav: bytes) -> bytes:
    """The same sound with our mark behind it: a chunk ISFT in a LIST of INFO (RIFF, Microsoft and IBM 1991)."""
    mark = MARK.encode("ascii") + b"\0"
    mark += b"\0" * (len(mark) % 2)  # chunks begin at even places
    chunk = b"INFO" + b"ISFT" + struct.pack("<I", len(mark)) + mark
    chunk = b"LIST" + struct.pack("<I", len(chunk)) + chunk
    # The length at byte 4 counts all that follows it.
    return wav[:4] + struct.pack("<I", len(wav) + len(chunk) - 8) + wav[8:] + chunk
