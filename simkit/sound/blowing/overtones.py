"""The overtones of a steady oscillation, and its shift by them: harmonic balance around `cycle`.

The labium's source is nearly a square wave, so the window's air has overtones of some per cent. The jet's wave makes
more of them than of the fundamental, and there they shift the moment at which the jet crosses the labium: up to some
ten cents. Waveforms are followed in time, resonator and jet in frequency, in turn. Where an overtone falls on a higher
resonance that the jet all but sets going by itself the balance is not to be trusted: there the resonance may whistle.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from simkit.sound.blowing.cycle import Cycle
from simkit.sound.blowing.loop import OTHER, Friction, Loop

HARMONICS = 7  # the note and six overtones
_SAMPLES = 48  # of a period: seven for the highest overtone
_PASSES, _KEEP = 10, 0.3  # rounds of a waveform, and the share of the last one that stays in each
_ROUNDS = 4  # of waveform and cycle, in turn


def with_overtones(loop: Loop, solve: Callable[[Loop], Cycle], rounds: int = _ROUNDS) -> tuple[Loop, Cycle]:
    """The loop and its cycle with overtones in balance; `solve` finds the cycle of a loop."""
    cycle = solve(loop)
    for _ in range(rounds):
        source, friction = overtones(loop, cycle)
        loop = replace(loop, bent_source=source, bent_friction=friction)
        cycle = solve(loop)
    return loop, cycle


def overtones(loop: Loop, cycle: Cycle) -> tuple[np.ndarray, np.ndarray]:
    """(source, friction): complex factors (F,) of the two describing functions by the overtones."""
    found = np.flatnonzero(cycle.exists)
    source, friction = np.ones(len(cycle.omega), complex), np.ones(len(cycle.omega), complex)
    if len(found):
        part = replace(loop.pure, motion=loop.motion.only(found))
        source[found], friction[found], _ = _factors(part, cycle, found)
    return source, friction


def _factors(loop: Loop, cycle: Cycle, found: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Both factors (F,), and the window's air at the note and its multiples (F, HARMONICS), m/s."""
    jet, order = loop.jet, np.arange(1, HARMONICS + 1)
    omega, speed, velocity = cycle.omega[found], cycle.speed[found], cycle.velocity[found]
    turn = np.exp(2j * np.pi * np.outer(np.arange(_SAMPLES), order) / _SAMPLES)
    many = omega[:, None] * order
    bent = jet.constants.receptivity * jet.height / (speed * jet.half_width)
    swing = bent[:, None] * np.exp(jet.wave_log(many, speed[:, None]))  # x per m/s of window air
    push = 1j * many * (jet.breath.density * jet.dipole * jet.width * jet.half_width * speed)[:, None]
    lost = loop.motion.air.density / (2 * jet.constants.window_contraction**2)
    admittance = _admittances(loop, cycle, found, order)
    x = swing[:, 0] * velocity  # the note's own swing, what `cycle` has taken it for
    # What an overtone brings about itself is taken out of the iteration: beside a resonance that nearly takes over it
    # comes back almost whole, and turn by turn would not settle.
    again = admittance * (push * swing * jet.saturation.other(np.abs(x))[:, None] - lost * OTHER * velocity[:, None])
    v = np.zeros(many.shape, complex)
    v[:, 0] = velocity  # real: all phases are the fundamental's
    for _ in range(_PASSES):
        cut, drag = _spectra(loop, v, swing, turn)
        new = (admittance * (push * cut - lost * drag) - again * v) / (1 - again)
        v[:, 1:] = _KEEP * v[:, 1:] + (1 - _KEEP) * new[:, 1:]
        # An overtone as strong as the note is no overtone: the balance by harmonics does not hold there.
        v[:, 1:] *= np.minimum(1.0, 0.5 * velocity[:, None] / np.maximum(np.abs(v[:, 1:]), 1e-30))
    cut, drag = _spectra(loop, v, swing, turn)
    pure = loop.jet.saturation.same(np.abs(x))  # describing function of a pure tone
    # Against what `cycle` takes for a pure tone: x N(x), and 8/(3 pi) V^2 of |v| v.
    return cut[:, 0] / (x * pure), drag[:, 0] / (8 / (3 * np.pi) * velocity**2), v


def harmonics(loop: Loop, cycle: Cycle) -> np.ndarray:
    """Amplitudes (F, HARMONICS) of all openings' flow into the chamber at each multiple of the note, complex, m3/s.

    The sum of the flows is what the room gets of a piece small against the wave. NaN where nothing sounds.
    """
    found = np.flatnonzero(cycle.exists)
    flow = np.full((len(cycle.omega), HARMONICS), np.nan, complex)
    if len(found):
        part, order = replace(loop.pure, motion=loop.motion.only(found)), np.arange(1, HARMONICS + 1)
        window = _factors(part, cycle, found)[2] * loop.jet.window_area
        friction = _hole_friction(part, cycle, found)
        shares = [part.answer(n * cycle.omega[found], friction, shares=True).share.sum(axis=1) for n in order]
        flow[found] = window * np.stack(shares, axis=1)
    return flow


def _spectra(loop: Loop, v: np.ndarray, swing: np.ndarray, turn: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Harmonics of the jet's cut and of |v| v for harmonics v (F, K) of the window's air."""
    air, jet = (v @ turn.T).real, ((v * swing) @ turn.T).real
    back = 2 / _SAMPLES * turn.conj()  # Fourier's sums; 2, as amplitudes are of real waves
    return np.tanh(jet - loop.jet.saturation.offset) @ back, (np.abs(air) * air) @ back


def _admittances(loop: Loop, cycle: Cycle, found: np.ndarray, order: np.ndarray) -> np.ndarray:
    """(F, K): window velocity for a pressure across the window at each harmonic, m/s per Pa; holes with friction."""
    area, friction = loop.jet.window_area, _hole_friction(loop, cycle, found)
    omega = cycle.omega[found]
    answers = [-1j * n * omega * loop.answer(n * omega, friction).response for n in order]
    return np.stack(answers, axis=1) / (loop.motion.air.density * area)


def _hole_friction(loop: Loop, cycle: Cycle, found: np.ndarray) -> Friction:
    """Friction of the holes' edges alone: the window's own is followed in time."""
    flow = cycle.share[found] * cycle.velocity[found, None] * loop.jet.window_area
    flow[:, 0] = 0.0
    return loop.friction(flow)
