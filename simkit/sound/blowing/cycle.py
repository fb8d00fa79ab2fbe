"""Limit cycles: swing, frequency and friction in balance, for many fingerings at once.

The swing grows until the saturated labium gives no more than the linear losses and the air torn off at window and
holes take. Both balances, of size and of phase, are log L = 0 (`loop`), with the describing function N of the swing
and friction in proportion to the flow.
"""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np

from simkit.frozen import frozen
from simkit.sound.blowing.loop import Friction, Loop, Response, copies

_FAINTEST, _LOUDEST = 1e-4, 300.0  # m/s of window air between which an oscillation is looked for


@frozen
class Cycle:
    """Steady oscillations of F fingerings; NaN where there is none.

    omega: rad/s. speed: of the jet, m/s. velocity: amplitude in the window, m/s. share (F, O): complex flow in each
    opening over that in the window. damping: of the resonance while playing, 1/s.
    """

    omega: np.ndarray
    speed: np.ndarray
    velocity: np.ndarray
    share: np.ndarray
    damping: np.ndarray

    @property
    def exists(self) -> np.ndarray:
        """(F,) true where there is an oscillation."""
        return np.isfinite(self.velocity)

    @property
    def frequency(self) -> np.ndarray:
        """Frequency (F,), Hz."""
        return self.omega / (2 * np.pi)

    @property
    def q(self) -> np.ndarray:
        """(F,) Q of the resonance while it sounds, the friction at edges included."""
        return self.omega / self.damping

    def flow(self, loop: Loop) -> np.ndarray:
        """(F, O): amplitude of the flow in each opening, m3/s."""
        return np.abs(self.share) * np.nan_to_num(self.velocity)[:, None] * loop.jet.window_area

    def where(self, mask: np.ndarray) -> Cycle:
        """The cycles of `mask` alone; the others become NaN."""
        blank = {
            name: np.where(mask, getattr(self, name), np.nan) for name in ("omega", "speed", "velocity", "damping")
        }
        return replace(self, **blank)

    def over(self, other: Cycle, mask: np.ndarray) -> Cycle:
        """These cycles where `mask` holds, the other ones elsewhere."""
        wide = mask[:, None]
        pairs = ((getattr(self, field.name), getattr(other, field.name)) for field in fields(Cycle))
        return Cycle(*(np.where(wide if a.ndim == 2 else mask, a, b) for a, b in pairs))

    def of(self, which: np.ndarray) -> Cycle:
        """The cycles of fingerings `which` (N,), as often as they are named."""
        return Cycle(*(getattr(self, field.name)[which] for field in fields(Cycle)))


def on_resonance(loop: Loop) -> Cycle:
    """The oscillation at the resonance's own frequency: the jet drives it in phase.

    For every swing the phase balance gives the jet's speed, so only the balance of size is left to solve: the
    largest swing at which the loop still gives 1.
    """
    omega = loop.motion.omega[:, loop.active].real
    share = _alone(loop)

    def gain(log_velocity: np.ndarray, share: np.ndarray) -> tuple[np.ndarray, np.ndarray, Response]:
        velocity = np.exp(log_velocity)
        answer = loop.answer(omega, _friction(loop, share).times(velocity), shares=True)
        turn = np.angle(answer.response) + np.angle(loop.bent_source)  # what the jet's wave must take back
        speed = loop.jet.speed_for(omega, np.maximum(turn, 1e-3))
        wave_log = loop.jet.wave_log(omega, speed)
        x = loop.jet.swing(omega, speed, velocity, wave_log)
        return loop.log_gain(omega, speed, answer.response, loop.jet.saturation.same(x), wave_log).real, speed, answer

    steps = np.linspace(np.log(_LOUDEST), np.log(_FAINTEST), 13)  # by a factor of 3.5 each
    high = np.full(len(omega), steps[0])
    # From the loudest swing down, to the first at which the loop gives more than 1.
    low, found, over = high.copy(), np.zeros(len(omega), bool), gain(high, share)[0]
    for step in steps[1:]:
        low = np.where(found, low, step)
        under, _, answer = gain(low, share)
        share = np.where(found[:, None], share, answer.share)
        above = ~found & (under <= 0)
        high, over = np.where(above, step, high), np.where(above, under, over)
        found |= under > 0
        if found.all():
            break
    # Almost straight in the logarithms: secants within the ends, which follow the flows as these change with the swing.
    # Steps so short that the flows change the gain as much tell no slope.
    before, value, middle, slope = high, over, low, np.full(len(omega), -1.0)
    for _ in range(_SECANTS):
        now, speed, answer = gain(middle, share)
        share, moved = answer.share, middle - before
        far = np.abs(moved) > 1e-3
        # The gain falls with the swing, whatever two near points say.
        slope = np.where(far, np.minimum((now - value) / np.where(far, moved, 1.0), -0.1), slope)
        if (np.abs(now) < 1e-8)[found].all():
            break
        before, value, middle = middle, now, np.clip(middle - now / slope, low, high)
    velocity = np.exp(middle)
    damping = loop.damping(_friction(loop, share).times(velocity))
    return Cycle(omega.copy(), speed, velocity, share, damping).where(found)


def limit_cycle(loop: Loop, speed: np.ndarray, start: Cycle) -> Cycle:
    """The oscillation at given jet speeds (F,), found from one near it by Newton on (log omega, log velocity).

    NaN where `start` has none, and where the swing dies away or leaves the jet's first wave.
    """
    known = start.exists & np.isfinite(speed)
    first = np.where(known, start.omega, loop.motion.omega[:, loop.active].real)
    at = np.log(np.array([first, np.where(known, start.velocity, 1.0)]))
    lowest, highest = (
        np.array([np.log(first) + aside, np.full(len(first), np.log(swing))])
        # Half an e-fold of frequency to either side: farther off is another resonance.
        for aside, swing in ((-0.5, _FAINTEST), (0.5, _LOUDEST))
    )
    speed = np.where(known, speed, first * loop.jet.cut_up)  # where nothing is known, any that can be computed
    share = np.where(known[:, None], start.share, _alone(loop))
    # A step to either side beside the point itself, all in one go: a few notes cost little more than one.
    three = copies(loop, 3)
    aside = np.kron(np.array([[0.0, _STEP, 0.0], [0.0, 0.0, _STEP]]), np.ones(len(speed)))
    for _ in range(_NEWTON_STEPS):
        friction = _friction(three, np.tile(share, (3, 1)))
        values, answer = _balance(three, np.tile(at, 3) + aside, np.tile(speed, 3), friction, shares=True)
        value, *beside = values.reshape(3, -1)
        # Complex value = 0 is two real equations for two unknowns: Cramer's rule on real and imaginary parts.
        by = [(each - value) / _STEP for each in beside]
        det = by[0].real * by[1].imag - by[1].real * by[0].imag
        det = np.where(np.abs(det) > 1e-12, det, 1e-12)  # no slope to go by: the step is bounded below
        move = np.array([
            by[1].real * value.imag - by[1].imag * value.real,
            by[0].imag * value.real - by[0].real * value.imag,
        ]) / det  # fmt: skip
        share = answer.share[: len(speed)]  # of the point itself, the first of the three
        at = np.clip(at + np.clip(move, -_LONGEST, _LONGEST), lowest, highest)
        if (np.abs(move).max(axis=0) < 1e-8)[known].all():
            break
    friction = _friction(loop, share)
    value, _ = _balance(loop, at, speed, friction)
    omega, velocity = np.exp(at)
    # At the faint end of the search it has died away.
    good = known & (np.abs(value) < 1e-4) & (velocity > 2 * _FAINTEST)
    return Cycle(omega, speed, velocity, share, loop.damping(friction.times(velocity))).where(good)


_SECANTS = 24
_NEWTON_STEPS, _STEP = 12, 1e-6  # the latter of both logarithms, for the slopes
_LONGEST = np.array([[0.03], [0.7]])  # one step, of log omega and of log velocity


def _balance(
    loop: Loop, at: np.ndarray, speed: np.ndarray, friction: Friction, shares: bool = False
) -> tuple[np.ndarray, Response]:
    omega, velocity = np.exp(at)
    answer = loop.answer(omega, friction.times(velocity), shares)
    wave_log = loop.jet.wave_log(omega, speed)
    x = loop.jet.swing(omega, speed, velocity, wave_log)
    return loop.log_gain(omega, speed, answer.response, loop.jet.saturation.same(x), wave_log), answer


def _friction(loop: Loop, share: np.ndarray) -> Friction:
    """Friction for every m/s of window air when the openings' flows stand to each other as `share` says."""
    return loop.friction(share * loop.jet.window_area)


def _alone(loop: Loop) -> np.ndarray:
    """(F, O) flows of the resonance alone over its flow in the window, to start from."""
    flow = loop.motion.flow[:, loop.active]
    window = flow[:, :1]
    return flow / np.where(np.abs(window) > 1e-12, window, np.inf)
