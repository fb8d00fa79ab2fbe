"""Jet and resonator followed through time: a delay differential equation on the resonances.

q_n'' + 2 Im(omega_n) q_n' + |omega_n|^2 q_n = (1/rho) [w_n0 dp - sum_i w_ni (rho/2) |v_i| v_i/contraction_i^2], flow in
opening i: U_i = sum_n w_ni q_n', v_i = U_i/S_i; the source dp = rho D H b U d/dt tanh(x(t) - y0/b), where
the jet's swing x(t) is made of the window's air at earlier times (`kernel_of`).

Many notes go side by side, with even steps. Each resonance crosses a step exactly, as far as it is linear (an
exponential integrator: Cox & Matthews 2002, J. Comput. Phys. 176, 430). Over a step the jet's source goes straight from
one of its values to the next, and friction at the edges goes on as it went before: both err like the square of the
step. The tests say by how much, beside a solution that holds its error.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.linalg import expm

from simkit.frozen import frozen
from simkit.sound.elements.airjet import AirJet
from simkit.sound.models.resonator import Motion

BLOCK = 0.01  # s for which the breath is held before the jet's speed follows it
SLOWEST = 1.5  # m/s: no slower jet is followed, and the past is kept as long as that one takes to the labium


@frozen
class Played:
    """A solution in time: time (T,) s, even steps within a block of breath; flow (T, O) m3/s into the chamber at each
    opening; part (T, M) of each resonance, m3/s in the window; pressure (T,) of the breath, Pa."""

    time: np.ndarray
    flow: np.ndarray
    part: np.ndarray
    pressure: np.ndarray

    def after(self, time: float) -> Played:
        """The solution later than `time`, s."""
        late = self.time > time
        return Played(self.time[late], self.flow[late], self.part[late], self.pressure[late])


def tap(motion: Motion, velocity: float, area: float) -> np.ndarray:
    """Initial state of the resonances (1 + M,) after a tap that gives the window's air `velocity`, m/s, shared out."""
    w = np.r_[motion.through[0, :1], motion.flow[0, :, 0]]
    return np.asarray(velocity * area * w / (w @ w))  # so that w . q is the flow asked for


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
        omega, contraction = motion.omega[0], jet.constants.contractions(len(motion.area))
        return cls(
            square=np.r_[0.0, np.abs(omega) ** 2],
            damping=2 * np.r_[omega[0].imag, omega.imag],
            flow=np.vstack([motion.through[0], motion.flow[0]]),
            scale=np.r_[omega[0].real, omega.real],  # of the flow straight through, at 0, the note's
            edges=1 / (2 * (contraction * motion.area) ** 2),
            density=motion.air.density,
        )

    @property
    def count(self) -> int:
        return len(self.square)


_FIRST, LAST = 0.75, 8.0  # delays, in cut-ups over the jet's speed
_SHORTEST = 1.6  # omega b/U up to which the wave is followed; beyond it is damped, and kept quiet
_CLOSENESS = 0.1  # width, in log frequency, of the bands in which the fit is closest
_ANYWHERE, _QUIET, _SMALL = 0.01, 0.03, 3e-3


@frozen
class Kernel:
    """Impulse response of the jet's wave, swing(t) = sum_j weights_j v(t - delays_j): x = eta/b from the window's air v
    (m/s); delays in s.

    The wave's spectrum exp(-i k W) is known for real frequencies; in time it is a sum of delayed copies whose weights
    are fitted to it.
    """

    delays: np.ndarray
    weights: np.ndarray

    def spectrum(self, omega: np.ndarray) -> np.ndarray:
        """x for each m/s at angular frequencies (N,)."""
        return np.exp(-1j * np.outer(omega, self.delays)) @ self.weights


def kernel_of(jet: AirJet, speed: float, rings_at: Sequence[float]) -> Kernel:
    """The jet's kernel at a speed, closest at the angular frequencies `rings_at` and at overtones of the first.

    Least squares on the relative error over all frequencies that the jet amplifies. No kernel of delays alone has
    exactly the wave's spectrum; within 5 % of the given frequencies it is right to about 1 %, elsewhere to some
    ten per cent.
    """
    top = _SHORTEST * speed / jet.half_width
    unit = jet.cut_up / speed
    delays = np.arange(_FIRST * unit, LAST * unit, np.pi / (1.3 * top))  # Nyquist's for what lies below 1.3 top
    omega = np.geomspace(0.05 / unit, top, 500)
    wanted = np.exp(jet.wave_log(omega, speed))
    first = rings_at[0]
    bands = [(1.0, each) for each in rings_at] + [(0.1, 2 * first), (0.3, 3 * first), (0.1, 5 * first)]
    # Bells about each band, in log frequency; over |wanted|, so that errors are relative.
    near = sum(a * np.exp(-0.5 * (np.log(omega / c) / _CLOSENESS) ** 2) for a, c in bands)
    weight = (_ANYWHERE + near) / np.abs(wanted)
    above = np.linspace(1.1 * top, 1.3 * top, 60)
    rows = np.vstack([
        weight[:, None] * np.exp(-1j * np.outer(omega, delays)),
        _QUIET * np.exp(-1j * np.outer(above, delays)),
    ])  # fmt: skip
    goal = np.r_[weight * wanted, np.zeros(len(above))]
    # The last rows keep the weights small (Tikhonov): many kernels fit nearly as well.
    system = np.vstack([rows.real, rows.imag, _SMALL * np.eye(len(delays))])
    fitted = np.linalg.lstsq(system, np.r_[goal.real, goal.imag, np.zeros(len(delays))], rcond=None)[0]
    bent = jet.constants.receptivity * jet.height / (speed * jet.half_width)
    return Kernel(delays, bent * fitted)


log = logging.getLogger(__name__)

_STEPS = 7  # least steps in the shortest delay
_NODES = np.arange(-3, 3)  # samples from which the past is interpolated, about the one before
_SAME = 1e-3  # of the jet's speed: a kernel serves until it has changed by so much


def play_together(
    motion: Motion, jet: AirJet, breaths: Sequence[Callable[[float], float]], seconds: float, rate: int = 44100
) -> tuple[Played, ...]:
    """Follow every fingering of a `Motion`, each from a tap and under its own breath, Pa of time in s.

    Steps are a half of 1/rate or a smaller whole part of it. In a steady note pitch is within half a cent and amplitude
    within a percent of a solution that holds its error.
    """
    notes = [motion.only(slice(i, i + 1)) for i in range(len(motion))]
    fastest = _speeds(jet, [breath(t) for breath in breaths for t in np.linspace(0.0, seconds, 50)]).max()
    # The quickest jet has the shortest delay, which the steps must divide.
    shortest = kernel_of(jet, float(fastest), motion.omega[0].real).delays[0]
    dt = 1 / (rate * max(2, math.ceil(_STEPS / (rate * shortest))))  # a whole part of a step of the sound
    follow = _Followed.of(notes, jet, seconds, dt)
    kernels: list[tuple[float, Kernel] | None] = [None] * len(notes)
    block, pressures = round(BLOCK / dt), []
    while follow.now < follow.count:
        here = [float(breath(follow.now * dt)) for breath in breaths]
        for i, (note, speed) in enumerate(zip(notes, _speeds(jet, here).tolist(), strict=True)):
            had = kernels[i]
            if had is None or abs(speed / had[0] - 1) > _SAME:
                kernels[i] = speed, kernel_of(jet, speed, note.omega[0].real)
        follow.cross(min(block, follow.count - follow.now), [each for each in kernels if each])
        pressures.append(here)
        log.info("sounding %d notes, %.1f of %.1f s", len(notes), follow.now * dt, seconds)
    held = np.repeat(np.array(pressures).T, block, axis=1)[:, : follow.count]
    time = dt * np.arange(1, follow.count + 1)
    return tuple(
        Played(time, moving @ modes.flow, moving[:, 1:] * note.flow[0, :, 0], breath)
        for moving, modes, note, breath in zip(follow.moving, follow.modes, notes, held, strict=True)
    )


def _speeds(jet: AirJet, pressures: Sequence[float]) -> np.ndarray:
    return np.maximum(jet.speed(np.array(pressures)), SLOWEST)


@dataclass
class _Followed:
    """All notes at once: what they were, moving (N, T, 1 + M), and the window's air, past (N, P + 1 + T), m/s."""

    jet: AirJet
    modes: list[Oscillators]
    dt: float
    count: int
    across: np.ndarray  # (N, 2 (1 + M), 2 (1 + M) + 2 O + 1): place and motion after a step, from `state`
    through: np.ndarray  # (N, O, 1 + M): the flow through the openings, from motion
    state: np.ndarray  # (N, 2 (1 + M) + 2 O + 1, 1): place, motion, U |U| of the openings now and before, source
    moving: np.ndarray
    past: np.ndarray
    now: int = 0

    @classmethod
    def of(cls, notes: Sequence[Motion], jet: AirJet, seconds: float, dt: float) -> _Followed:
        """Initial state: at rest but for a tap."""
        modes = [Oscillators.of(note, jet) for note in notes]
        # The past reaches back over the slowest jet's longest delay.
        count, before = math.ceil(seconds / dt), math.ceil(LAST * jet.cut_up / SLOWEST / dt) + len(_NODES)
        kicks = [tap(note, 1e-2, jet.window_area) for note in notes]
        past = np.zeros((len(notes), before + 1 + count))
        past[:, before] = [m @ mode.flow[:, 0] / jet.window_area for m, mode in zip(kicks, modes, strict=True)]
        across, through = np.stack([_from_state(mode, dt) for mode in modes]), np.stack([m.flow.T for m in modes])
        n, openings = modes[0].count, len(modes[0].edges)
        state = np.zeros((len(notes), across.shape[2], 1))
        state[:, n : 2 * n, 0] = kicks
        flow = through @ state[:, n : 2 * n]
        state[:, 2 * n + openings : -1] = flow * np.abs(flow)  # the drag a step ago, taken as that of now
        moving = np.zeros((len(notes), count, n))
        return cls(jet, modes, dt, count, across, through, state, moving, past)

    def cross(self, steps: int, kernels: Sequence[tuple[float, Kernel]]) -> None:
        """Go on by some steps with the notes' jets as they are: speeds and kernels."""
        taps = _taps([kernel for _, kernel in kernels], self.dt)
        jet, first = self.jet, self.past.shape[1] - self.count - 1
        ahead = min(int(kernel.delays[0] / self.dt) for _, kernel in kernels) - _NODES[-1]
        source = jet.source_strength(np.array([speed for speed, _ in kernels])) / self.modes[0].density / self.dt
        end = self.now + steps
        while self.now < end:
            span = min(ahead, end - self.now)  # so far the jet's root has been seen already
            at = first + self.now
            windows = sliding_window_view(self.past[:, at + 1 - taps.shape[1] : at + span + 1], taps.shape[1], axis=1)
            # x at each step from the window's air before it, then its change in the jet's share inside.
            cut = np.tanh(np.einsum("ntl,nl->nt", windows, taps) - jet.saturation.offset)
            self._steps(source[:, None] * np.diff(cut, axis=1))  # rho D H b U d/dt tanh, over the step and rho

    def _steps(self, push: np.ndarray) -> None:
        """Advance by as many steps as the source's pushes (N, s), pressure over rho, are known for."""
        n, openings = self.modes[0].count, self.through.shape[1]
        state, across, through, moving = self.state, self.across, self.through, self.moving
        swing, motion, source = state[:, : 2 * n], state[:, n : 2 * n], state[:, -1, 0]
        drag, drag_before = state[:, 2 * n : 2 * n + openings], state[:, 2 * n + openings : -1]
        flow, size, after = np.empty_like(drag), np.empty_like(drag), np.empty_like(swing)
        began = self.now
        for driven in push.T:  # tens of thousands of times for a second: each call counts
            np.matmul(through, motion, out=flow)
            np.multiply(flow, np.abs(flow, out=size), out=drag)
            source[:] = driven
            np.matmul(across, state, out=after)
            swing[:] = after
            drag_before[:] = drag
            moving[:, self.now] = after[:, n:, 0]
            self.now += 1
        out = self.past.shape[1] - self.count
        into = np.einsum("ntk,nk->nt", moving[:, began : self.now], through[:, 0])
        self.past[:, out + began : out + self.now] = into / self.jet.window_area


def _across(modes: Oscillators, dt: float) -> np.ndarray:
    """Place and motion after a step from those before, the force at its start and the force's change: (2, 4, 1 + M)."""
    rates = np.zeros((modes.count, 4, 4))
    rates[:, 0, 1] = modes.scale
    rates[:, 1, 0], rates[:, 1, 1], rates[:, 1, 2] = -modes.square / modes.scale, -modes.damping, 1.0
    rates[:, 2, 3] = 1 / dt  # force and its change as two more states: the force then goes straight over the step
    return np.moveaxis(expm(rates * dt)[:, :2], 0, -1)


def _from_state(modes: Oscillators, dt: float) -> np.ndarray:
    """Matrix of a step from all that `_Followed.state` has of a note."""
    place, motion, force, change = np.moveaxis(_across(modes, dt), 1, 0)  # (2, 1 + M) each
    friction = -modes.edges * modes.flow  # (1 + M, O)
    blocks = [
        [np.diag(row) for row in place],
        [np.diag(row) for row in motion],
        [row[:, None] * friction for row in force + change],
        [-row[:, None] * friction for row in change],
        [(row * modes.flow[:, 0])[:, None] for row in force],
    ]
    return np.hstack([np.vstack(each) for each in blocks])


def _taps(kernels: Sequence[Kernel], dt: float) -> np.ndarray:
    """The kernels on even samples, the latest last: (N, l); delays between samples by six-point interpolation."""
    back = [np.floor(kernel.delays / dt).astype(int) for kernel in kernels]
    # As long as the slowest of the jets needs.
    taps = np.zeros((len(kernels), max(int(b.max()) for b in back) - _NODES[0] + 1))
    for row, kernel, whole in zip(taps, kernels, back, strict=True):
        share = -(kernel.delays / dt - whole)
        for node in _NODES:
            others = _NODES[node != _NODES]
            weight = np.prod((share[:, None] - others) / (node - others), axis=1)
            np.add.at(row, len(row) - 1 - whole + node, weight * kernel.weights)
    return taps
