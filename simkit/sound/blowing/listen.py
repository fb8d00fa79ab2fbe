"""The time-domain note as sound: what a listener in the room gets from all openings together, as a WAV file."""

from __future__ import annotations

import io
import logging
import math
from collections.abc import Callable, Sequence

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.io import wavfile

from simkit.sound.blowing.airjet import AirJet
from simkit.sound.blowing.motion import Motion
from simkit.sound.blowing.table import BlowTable
from simkit.sound.blowing.timedomain import Played, play

log = logging.getLogger(__name__)

RATE = 44100
_RISE = 0.013  # s; 95 % of the breath after three of them
_FADE = 0.01  # s at both ends, so that a loudspeaker does not click


def at_ear(played: Played, density: float, distance: float = 1.0, rate: int = RATE) -> np.ndarray:
    """Sound pressure in Pa at `distance`, in free space, a piece small against the wave: rho/(4 pi r) d(sum U)/dt.

    Frequencies above half the rate are not filtered out: the model has none worth the name there.
    """
    out = CubicSpline(played.time, -played.flow.sum(axis=1)).derivative()
    times = np.arange(played.time[0], played.time[-1], 1 / rate)
    return density / (4 * np.pi * distance) * out(times)


def phrase(motion: Motion, jet: AirJet, pressures: Sequence[float], seconds: float = 0.5) -> np.ndarray:
    """The fingerings of `motion` one after the other, each from silence with its breath rising in 40 ms; Pa at 1 m.

    The time domain is followed some ten to forty times slower than it sounds.
    """
    heard = []
    for i, pressure in enumerate(pressures):
        log.info("following note %d of %d through time", i + 1, len(pressures))
        part = motion.only(slice(i, i + 1))
        played = play(part, jet, _rising(pressure), seconds)
        heard.append(_faded(at_ear(played, motion.air.density)))
    return np.concatenate(heard)


def scale(table: BlowTable, seconds: float = 0.4) -> bytes | None:
    """The notes that speak, in the design's order and each at its playing pressure, as a WAV; None if none does."""
    heard = []
    for chamber in table.chambers:
        speaking = np.flatnonzero(chamber.blown.speaks)
        loop, pressures = chamber.blown.loop, chamber.blown.pressure[speaking].tolist()
        if len(speaking):
            heard.append(phrase(loop.motion.only(speaking), loop.jet, pressures, seconds))
    return wav_bytes(np.concatenate(heard)) if heard else None


def _rising(pressure: float) -> Callable[[float], float]:
    return lambda time: pressure * (1 - math.exp(-time / _RISE))


def _faded(pressure: np.ndarray, rate: int = RATE) -> np.ndarray:
    ramp = np.linspace(0, 1, min(len(pressure), int(_FADE * rate)))
    faded = np.array(pressure, float)
    faded[: len(ramp)] *= ramp
    faded[len(faded) - len(ramp) :] *= ramp[::-1]
    return faded


def wav_bytes(pressure: np.ndarray, rate: int = RATE) -> bytes:
    """A WAV file (16 bit, one channel) of a sound pressure, its loudest moment at 0.9 of full scale."""
    faded = _faded(pressure, rate)
    loudest = np.abs(faded).max(initial=0.0)
    scaled = faded * (0.9 * 32767 / loudest) if loudest > 0 else faded
    file = io.BytesIO()
    wavfile.write(file, rate, np.round(scaled).astype(np.int16))
    return file.getvalue()
