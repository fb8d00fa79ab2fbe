"""Onset and end of notes: growth of a small oscillation of one resonance, in silence or beside a sounding note.

The growth of a small oscillation is a root of L(omega) = 1 near the resonance; Im omega < 0 grows. A linear
threshold is known to be far too easy for a resonance with much drive, so growth rates here are for comparing
resonances with each other, and thresholds are lower bounds.

On raising the breath a note ends where a higher resonance takes over, or the jet is too quick to drive it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from simkit.frozen import frozen
from simkit.sound.blowing.cycle import Cycle, limit_cycle
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
    step = np.full(len(ring), 1e-4) * own.real  # the secant's first
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
    # The pole omega^2 - |omega_n|^2 - i omega damping at the resonance's own pitch.
    pole = around**2 - np.abs(own) ** 2 - 1j * around * damping
    rest = answer.free - drive / pole  # what all other resonances do to the window, the flow through too
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

    shares = np.geomspace(1.0, lowest, 10)  # of the playing speed, each a third lower
    grown = grows(copies(loop, len(shares)), np.outer(shares, playing).ravel()).reshape(len(shares), -1)
    down = np.logical_and.accumulate(grown, axis=0).sum(axis=0)  # steps down that it grows at without a gap
    # The last share that grew, and the first that did not: halved five times between, in logarithms.
    high, low = (playing * shares[np.clip(at, 0, len(shares) - 1)] for at in (down - 1, down))
    for _ in range(5):
        middle = np.sqrt(low * high)
        still = grows(loop, middle)
        low, high = np.where(still, low, middle), np.where(still, middle, high)
    return np.where(known & (down > 0), np.where(down == len(shares), playing * lowest, high), np.nan)


HIGHEST_PA = 5000.0
_RISES = 8  # steps up to it


@frozen
class Takeover:
    """Resonances that grow beside a note as the breath rises from its playing pressure to 5 kPa.

    pressure (F,): Pa at which a higher resonance starts to grow on the jet's first wave and the note gives way, NaN
    if it holds; by (F,): which resonance, 1 the second, -1 none. dies (F,): Pa above which the note has no steady
    swing, whatever else may sound, NaN if it has one up to 5 kPa. whistle_pressure, whistle_by: the same on the jet's
    second or a later wave, told apart: such whistles live on the jet's strongest growth, where the model is least
    sure, and are rarely heard.
    """

    pressure: np.ndarray
    by: np.ndarray
    dies: np.ndarray
    whistle_pressure: np.ndarray
    whistle_by: np.ndarray


def takeover(loop: Loop, playing: Cycle) -> Takeover:
    """Follow the note from its playing pressure up to 5 kPa and watch every higher resonance's growth beside it.

    Between two of the steps, even in log pressure, growth rates are taken as straight. The note itself need not
    last: a higher resonance that grows in its silence takes over too.
    """
    loop, jet = loop.pure, loop.jet
    start = jet.pressure(np.where(playing.exists, playing.speed, jet.speed(HIGHEST_PA)))
    here = start * (HIGHEST_PA / np.minimum(start, HIGHEST_PA)) ** (np.arange(_RISES + 1)[:, None] / _RISES)
    cycle, dies, grown = playing, np.full(len(start), np.nan), []
    for step, speed in enumerate(map(jet.speed, here)):
        if step:
            cycle, dies = _raised(loop, speed, cycle, dies)
        grown.append([growing(replace(loop, active=n), speed, cycle) for n in range(1, loop.motion.modes)])
    shape = len(here), loop.motion.modes - 1, len(start)  # also where there is but one resonance, and nothing grown
    rates, waves = (np.reshape([[getattr(g, of) for g in each] for each in grown], shape) for of in ("rate", "wave"))
    # Overblown on the jet's first wave, whistling on its later ones; what is silent at its own pressure does neither.
    overblown, whistled = (
        _first_growth(here, np.where(mine & playing.exists, rates, -np.inf)) for mine in (waves == 1, waves > 1)
    )
    return Takeover(*overblown, dies, *whistled)


def _first_growth(here: np.ndarray, rates: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pressure (F,) at which a growth rate (S, M - 1, F) first crosses zero as pressures `here` (S, F) rise, NaN where
    none does, and which resonance that is, -1 for none."""
    before, now = rates[:-1], rates[1:]
    known = np.isfinite(before) & (before < 0) & np.isfinite(now) & (now > 0)
    part = np.where(known, now, 0.0) / np.where(known, now - np.where(known, before, 0.0), 1.0)  # of the way back
    between = here[1:, None] * (here[:-1] / here[1:])[:, None] ** part  # straight in log pressure
    first = np.broadcast_to(here[0], (1, *rates.shape[1:]))  # nothing is known of what is below
    at = np.where(rates > 0, np.concatenate([first, between]), np.inf)
    at = np.concatenate([at, np.full((len(at), 1, at.shape[2]), np.inf)], axis=1)  # for one resonance alone
    at = at[
        np.isfinite(at).any(axis=1).argmax(axis=0), :, np.arange(at.shape[2])
    ]  # (F, M), at the first step that has any
    grows = np.isfinite(at).any(axis=1)
    return np.where(grows, at.min(axis=1), np.nan), np.where(grows, at.argmin(axis=1) + 1, -1)


def _raised(loop: Loop, speed: np.ndarray, cycle: Cycle, dies: np.ndarray) -> tuple[Cycle, np.ndarray]:
    """The cycles at higher jet speeds (F,), and the pressures at which those died that did not come along."""
    higher = limit_cycle(loop, speed, cycle)
    lost = np.flatnonzero(cycle.exists & ~higher.exists)
    if not len(lost):
        return higher, dies
    part, last, goal = replace(loop, motion=loop.motion.only(lost)), cycle.of(lost), speed[lost]
    low, high = last.speed, goal
    for _ in range(_HALVINGS):
        middle = np.sqrt(low * high)
        tried = limit_cycle(part, middle, last)
        last = tried.over(last, tried.exists)
        low, high = np.where(tried.exists, middle, low), np.where(tried.exists, high, middle)
    # A step may only have been too long for Newton.
    again = limit_cycle(part, goal, last)
    wide = np.full(len(speed), -1)  # place among the lost of each fingering, -1 of the others
    wide[lost] = np.arange(len(lost))
    dies = dies.copy()
    dies[lost] = np.where(again.exists, np.nan, loop.jet.pressure(low))
    return again.of(np.maximum(wide, 0)).over(higher, wide >= 0), dies


_HALVINGS = 6  # of the last step in log speed: to a 64th of it
