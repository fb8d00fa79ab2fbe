"""The same jet and resonator followed through time: a delay differential equation on the resonances.

q_n'' + 2 Im(omega_n) q_n' + |omega_n|^2 q_n = (1/rho) [w_n0 dp - sum_i w_ni (rho/2) |v_i| v_i/contraction_i^2], flow in
opening i: U_i = sum_n w_ni q_n', v_i = U_i/S_i; the source dp = rho D H b U d/dt tanh(x(t) - y0/b), where
the jet's swing x(t) is made of the window's air at earlier times (`kernel`). By the method of steps: over less than the
shortest delay the swing is known beforehand, and scipy's `solve_ivp` takes the resonators across.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicSpline

from simkit.frozen import frozen
from simkit.sound.blowing.impulse import LAST, Kernel, kernel_of
from simkit.sound.elements.airjet import AirJet
from simkit.sound.models.motion import Motion

_SAMPLES = 16  # of each step
BLOCK = 0.01  # s for which the breath is held before the jet's speed follows it
SLOWEST = 1.5  # m/s: no slower jet is followed, and the past is kept as long as that one takes to the labium


@frozen
class Played:
    """What was followed: time (T,) s, even steps within a block of breath; flow (T, O) m3/s into the chamber at each
    opening; part (T, M) how each resonance moves, m3/s in the window; pressure (T,) of the breath, Pa."""

    time: np.ndarray
    flow: np.ndarray
    part: np.ndarray
    pressure: np.ndarray

    def after(self, time: float) -> Played:
        """What came later than `time`."""
        late = self.time > time
        return Played(self.time[late], self.flow[late], self.part[late], self.pressure[late])


@frozen
class Start:
    """How it was before: window air velocity(t) in m/s for t <= 0, resonance velocities q' (1 + M,) and places q."""

    velocity: Callable[[np.ndarray], np.ndarray]
    moving: np.ndarray
    place: np.ndarray


def tap(motion: Motion, velocity: float, area: float) -> Start:
    """All still but for a tap that sets the window's air in motion, velocity in m/s shared by all resonances."""
    w = np.r_[motion.through[0, :1], motion.flow[0, :, 0]]
    return Start(lambda t: np.zeros_like(t), velocity * area * w / (w @ w), np.zeros(len(w)))


def sounding(motion: Motion, omega: float, velocity: float, area: float) -> Start:
    """The lowest resonance swinging at omega with `velocity` in the window."""
    w = np.r_[motion.through[0, :1], motion.flow[0, :, 0]]
    moving = np.zeros(len(w))
    moving[1] = velocity * area / w[1]
    return Start(lambda t: velocity * np.cos(omega * t), moving, np.zeros(len(w)))


def play(
    motion: Motion, jet: AirJet, pressure: float | Callable[[float], float], seconds: float, start: Start | None = None
) -> Played:
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


@dataclass(frozen=True, eq=False)
class Oscillators:
    """The flow straight through and the resonances, as the equation needs them."""

    square: np.ndarray
    damping: np.ndarray
    flow: np.ndarray  # (1 + M, O)
    scale: np.ndarray  # rad/s by which places are multiplied, so that all of the state is a velocity
    edges: np.ndarray  # (O,) (1/2)/(contraction S)^2, pressure over rho for flow^2
    density: float

    @classmethod
    def of(cls, motion: Motion, jet: AirJet) -> Oscillators:
        if len(motion) != 1:
            raise ValueError(f"{len(motion)} fingerings: allowed: one at a time")
        omega = motion.omega[0]
        constants = jet.constants
        contraction = np.full(len(motion.area), constants.hole_contraction)
        contraction[0] = constants.window_contraction
        return cls(
            square=np.r_[0.0, np.abs(omega) ** 2],
            damping=2 * np.r_[omega[0].imag, omega.imag],
            flow=np.vstack([motion.through[0], motion.flow[0]]),
            scale=np.r_[omega[0].real, omega.real],
            edges=1 / (2 * (contraction * motion.area) ** 2),
            density=motion.air.density,
        )

    @property
    def count(self) -> int:
        return len(self.square)


class _Past:
    """The window's air as it was, m/s: samples joined by a spline."""

    def __init__(self, time: np.ndarray, velocity: np.ndarray):
        self._time, self._velocity = time, velocity
        self.reach = float(time[-1] - time[0])

    @classmethod
    def before(cls, velocity: Callable[[np.ndarray], np.ndarray], cut_up: float) -> _Past:
        time = np.linspace(-LAST * cut_up / SLOWEST, 0.0, 4000)
        return cls(time, velocity(time))

    def add(self, time: np.ndarray, velocity: np.ndarray) -> None:
        self._time = np.r_[self._time, time]
        self._velocity = np.r_[self._velocity, velocity]

    def forget(self, before: float) -> None:
        first = max(0, int(np.searchsorted(self._time, before)) - 2)
        self._time, self._velocity = self._time[first:], self._velocity[first:]

    def since(self, time: float) -> CubicSpline:
        first = max(0, int(np.searchsorted(self._time, time)) - 4)
        return CubicSpline(self._time[first:], self._velocity[first:])


def _step(modes, jet, kernel: Kernel, speed, past: _Past, now, step, state):  # type: ignore[no-untyped-def]
    """One step of less than the shortest delay: (times, last state, states at the times)."""
    at = np.linspace(now, now + step, _SAMPLES + 1)
    swing = past.since(now - kernel.delays[-1])(at[:, None] - kernel.delays) @ kernel.weights
    cut = CubicSpline(at, np.tanh(swing - jet.saturation.offset)).derivative()
    source = jet.breath.density * jet.dipole * jet.width * jet.half_width * speed / modes.density
    n = modes.count

    def change(t: float, state: np.ndarray) -> np.ndarray:
        place, moving = state[:n], state[n:]
        flow = moving @ modes.flow
        push = -modes.edges * flow * np.abs(flow)
        push[0] += source * cut(t)
        pushed = modes.flow @ push - modes.damping * moving - modes.square / modes.scale * place
        return np.concatenate([modes.scale * moving, pushed])

    size = max(1e-9, float(np.abs(state[n:]).max()))
    solved = solve_ivp(change, (at[0], at[-1]), state, t_eval=at[1:], rtol=1e-6, atol=1e-7 * size)
    return at[1:], solved.y[:, -1], solved.y.T


def pitch_of(time: np.ndarray, signal: np.ndarray) -> float:
    """Frequency in Hz of a steady signal: mean period between rising zeros, by a spline."""
    roots = CubicSpline(time, signal).roots(extrapolate=False)
    rising = np.searchsorted(time, roots)
    rising = np.clip(rising, 1, len(time) - 1)
    up = roots[signal[rising] > signal[rising - 1]]
    if len(up) < 3:
        raise ValueError(f"{len(up)} periods: allowed: at least two whole periods of a steady tone")
    return float((len(up) - 1) / (up[-1] - up[0]))
