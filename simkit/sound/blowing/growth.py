"""Onset: growth of a small oscillation of one resonance before the jet, in silence or beside a sounding note.

The growth of a small oscillation is a root of L(omega) = 1 near the resonance; Im omega < 0 grows. A linear
threshold is known to be far too easy for a resonance with much drive, so growth rates here are for comparing
resonances with each other, and thresholds are lower bounds.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from simkit.sound.blowing.cycle import Cycle
from simkit.sound.blowing.loop import OTHER, Friction, Loop, copies

_STEPS = 16
_LONGEST = 0.08  # of omega in one step of Newton


class Growth(NamedTuple):
    """A small oscillation of the loop's active resonance: complex frequency (F,), and the jet's wave it rides on."""

    omega: np.ndarray
    wave: np.ndarray  # (F,) 1 for the jet's first wave: less than about half a turn on the way to the labium

    @property
    def rate(self) -> np.ndarray:
        """Rate of growth (F,), 1/s, negative where it dies away."""
        return -self.omega.imag


def growing(loop: Loop, speed: np.ndarray, beside: Cycle | None = None) -> Growth:
    """Growth of the active resonance at jet speeds (F,), m/s.

    `beside` is a note that sounds meanwhile: its swing leaves another frequency only the mean slope of the labium,
    and its flow at the edges brakes what sounds beside it 3/2 as much. Where it is NaN there is silence. Two
    frequencies in a simple ratio are not told apart from others.
    """
    ring, a = loop.motion, loop.active
    friction, left = loop.smooth, np.full(len(ring), loop.jet.saturation.other(0.0))
    if beside is not None:
        friction = loop.friction(beside.flow(loop), OTHER)
        left = np.where(beside.exists, loop.jet.saturation.other(_swing(loop, beside)), left)
    own = ring.omega[:, a]
    square = np.abs(own) ** 2

    def defect(omega: np.ndarray) -> np.ndarray:
        answer = loop.answer(omega, friction)
        jet = np.exp(loop.log_gain(omega, speed, answer.free, left))
        return answer.pole * (1 - jet - 1j * omega * friction.window * answer.free) / square

    # The pole times 1 - L, so that nothing is infinite on the resonance; scaled to numbers about 1.
    omega = _pulled(loop, own, speed, friction, left)
    step = np.full(len(ring), 1e-4) * own.real
    value = defect(omega)
    for _ in range(_STEPS):
        ahead = defect(omega + step)
        change = ahead - value
        move = -ahead * step / np.where(np.abs(change) > 1e-300, change, 1e-300)
        move *= np.minimum(1.0, _LONGEST * own.real / np.maximum(np.abs(move), 1e-300))
        omega, value = omega + step, ahead
        done = np.abs(move) < 1e-7 * own.real
        step = np.where(done, 1e-9 * own.real, move)  # the secant needs two different points
        if done.all():
            break
    # Not settled, or on another resonance: the resonance by itself, which does not grow.
    lost = ~(np.abs(move) < 1e-5 * own.real) | ~(np.abs(omega.real / own.real - 1) < 0.6)
    omega = np.where(lost, own, omega)
    turn = -loop.jet.wave_log(omega, speed).imag
    wave = np.maximum(1, 1 + np.round((turn - np.pi / 2) / (2 * np.pi))).astype(int)  # in phase at a quarter turn
    return Growth(omega, wave)


def _swing(loop: Loop, beside: Cycle) -> np.ndarray:
    """Swing x (F,) of the sounding note, 0 where none sounds."""
    live = beside.exists
    x = loop.jet.swing(np.where(live, beside.omega, 1.0), np.where(live, beside.speed, 1.0), beside.velocity)
    return np.where(live, x, 0.0)


def _pulled(loop: Loop, own: np.ndarray, speed: np.ndarray, friction: Friction, left: np.ndarray) -> np.ndarray:
    """First guess of the coupled resonance, rad/s (F,): with the jet's gain as it is at the resonance itself."""
    around = own.real
    answer = loop.answer(around, friction)
    drive = loop.motion.drive[:, loop.active]
    damping = 2 * own.imag + friction.holes[loop.active + 1, loop.active + 1]
    back = np.exp(loop.log_gain(around, speed, answer.free, left)) / answer.free + 1j * around * friction.window
    pole = around**2 - np.abs(own) ** 2 - 1j * around * damping
    rest = answer.free - drive / pole
    moved = drive * back / (1 - back * rest)
    # Where the pull is strong this is no more than a direction: keep near the resonance.
    moved *= np.minimum(1.0, 0.5 * around**2 / np.maximum(np.abs(moved), 1e-300))
    return 0.5j * damping + np.sqrt(np.abs(own) ** 2 - damping**2 / 4 + moved)


def threshold(loop: Loop, playing: np.ndarray, lowest: float = 0.03) -> np.ndarray:
    """The lowest jet speed (F,) at which the active resonance grows on the jet's first wave, from `playing` down.

    NaN where it does not grow at `playing`; `lowest` times that speed where it grows all the way down.
    """
    known = np.isfinite(playing)
    playing = np.where(known, playing, 1.0)

    def grows(asked: Loop, speed: np.ndarray) -> np.ndarray:
        found = growing(asked, speed)
        return (found.rate > 0) & (found.wave == 1)

    shares = np.geomspace(1.0, lowest, 10)
    grown = grows(copies(loop, len(shares)), np.outer(shares, playing).ravel()).reshape(len(shares), -1)
    down = np.logical_and.accumulate(grown, axis=0).sum(axis=0)  # steps down that it grows at without a gap
    # The last share that grew, and the first that did not: halved five times between, in logarithms.
    high, low = (playing * shares[np.clip(at, 0, len(shares) - 1)] for at in (down - 1, down))
    for _ in range(5):
        middle = np.sqrt(low * high)
        still = grows(loop, middle)
        low, high = np.where(still, low, middle), np.where(still, middle, high)
    return np.where(known & (down > 0), np.where(down == len(shares), playing * lowest, high), np.nan)
