"""One note through time with its error held: what `simkit.sound.blowing.timedomain` is measured by.

By the method of steps: over less than the shortest delay the swing is known beforehand, and scipy's `solve_ivp` takes
the resonators across.
"""

from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicSpline

from simkit.sound.blowing.timedomain import BLOCK, LAST, SLOWEST, Oscillators, Played, kernel_of
from simkit.sound.blowing.timedomain import tap as moved

_SAMPLES = 16  # of each step


@dataclass(frozen=True, eq=False)
class Start:
    """How it was before: window air velocity(t) in m/s for t <= 0, resonance velocities q' (1 + M,) and places q."""

    velocity: object
    moving: np.ndarray
    place: np.ndarray


def tap(motion, velocity, area):
    """All still but for a tap that sets the window's air in motion, velocity in m/s shared by all resonances."""
    moving = moved(motion, velocity, area)
    return Start(lambda t: np.zeros_like(t), moving, np.zeros(len(moving)))


def sounding(motion, omega, velocity, area):
    """The lowest resonance swinging at omega with `velocity` in the window."""
    w = np.r_[motion.through[0, :1], motion.flow[0, :, 0]]
    moving = np.zeros(len(w))
    moving[1] = velocity * area / w[1]
    return Start(lambda t: velocity * np.cos(omega * t), moving, np.zeros(len(w)))


def play(motion, jet, pressure, seconds, start=None):
    """Follow one fingering (a `Motion` of one) for some seconds, breath pressure constant or of time, in Pa."""
    breath = pressure if callable(pressure) else lambda t: pressure
    modes = Oscillators.of(motion, jet)
    start = start or tap(motion, 1e-2, jet.window_area)
    state = np.r_[start.place * modes.scale, start.moving]
    times, states, pressures = [], [], []
    past = _Past.before(start.velocity, jet.cut_up)
    now = 0.0
    while now < seconds:
        here = float(breath(now))
        speed = max(float(jet.speed(here)), SLOWEST)
        kernel = kernel_of(jet, speed, motion.omega[0].real)
        step = kernel.delays[0]
        for _ in range(max(1, round(BLOCK / step))):
            at, state, passed = _step(modes, jet, kernel, speed, past, now, step, state)
            past.add(at, passed[:, modes.count :] @ modes.flow[:, 0] / jet.window_area)
            times.append(at)
            states.append(passed[:, modes.count :])
            pressures.append(np.full(len(at), here))
            now = float(at[-1])
        past.forget(now - past.reach)
    moving = np.concatenate(states)
    part = moving[:, 1:] * motion.flow[0, :, 0]
    return Played(np.concatenate(times), moving @ modes.flow, part, np.concatenate(pressures))


class _Past:
    """The window's air as it was, m/s: samples joined by a spline."""

    def __init__(self, time, velocity):
        self._time, self._velocity = time, velocity
        self.reach = float(time[-1] - time[0])

    @classmethod
    def before(cls, velocity, cut_up):
        time = np.linspace(-LAST * cut_up / SLOWEST, 0.0, 4000)
        return cls(time, velocity(time))

    def add(self, time, velocity):
        self._time = np.r_[self._time, time]
        self._velocity = np.r_[self._velocity, velocity]

    def forget(self, before):
        first = max(0, int(np.searchsorted(self._time, before)) - 2)
        self._time, self._velocity = self._time[first:], self._velocity[first:]

    def since(self, time):
        first = max(0, int(np.searchsorted(self._time, time)) - 4)
        return CubicSpline(self._time[first:], self._velocity[first:])


def _step(modes, jet, kernel, speed, past, now, step, state):
    """One step of less than the shortest delay: (times, last state, states at the times)."""
    at = np.linspace(now, now + step, _SAMPLES + 1)
    swing = past.since(now - kernel.delays[-1])(at[:, None] - kernel.delays) @ kernel.weights
    cut = CubicSpline(at, np.tanh(swing - jet.saturation.offset)).derivative()
    source = jet.breath.density * jet.dipole * jet.width * jet.half_width * speed / modes.density
    n = modes.count

    def change(t, state):
        place, moving = state[:n], state[n:]
        flow = moving @ modes.flow
        push = -modes.edges * flow * np.abs(flow)
        push[0] += source * cut(t)
        pushed = modes.flow @ push - modes.damping * moving - modes.square / modes.scale * place
        return np.concatenate([modes.scale * moving, pushed])

    size = max(1e-9, float(np.abs(state[n:]).max()))
    solved = solve_ivp(change, (at[0], at[-1]), state, t_eval=at[1:], rtol=1e-6, atol=1e-7 * size)
    return at[1:], solved.y[:, -1], solved.y.T


def pitch_of(time, signal):
    """Frequency in Hz of a steady signal: mean period between rising zeros, by a spline."""
    roots = CubicSpline(time, signal).roots(extrapolate=False)
    rising = np.searchsorted(time, roots)
    rising = np.clip(rising, 1, len(time) - 1)
    up = roots[signal[rising] > signal[rising - 1]]
    if len(up) < 3:
        raise ValueError(f"{len(up)} periods: allowed: at least two whole periods of a steady tone")
    return float((len(up) - 1) / (up[-1] - up[0]))
