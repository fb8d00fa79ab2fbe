"""End of a note on raising the breath: a higher resonance that takes over, or a jet too quick to drive it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from simkit.frozen import frozen
from simkit.sound.blowing.cycle import Cycle, limit_cycle
from simkit.sound.blowing.growth import growing
from simkit.sound.blowing.loop import Loop

HIGHEST_PA = 5000.0


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


def takeover(loop: Loop, playing: Cycle, steps: int = 8) -> Takeover:
    """Follow the note from its playing pressure up to 5 kPa and watch every higher resonance's growth beside it.

    Between two of the steps, even in log pressure, growth rates are taken as straight. The note itself need not
    last: a higher resonance that grows in its silence takes over too.
    """
    loop, jet = loop.pure, loop.jet
    start = jet.pressure(np.where(playing.exists, playing.speed, jet.speed(HIGHEST_PA)))
    watches = (_Watch.empty(start), _Watch.empty(start))  # of the jet's first wave, and of its later ones
    cycle, dies = playing, np.full(len(start), np.nan)
    for step in range(steps + 1):
        here = start * (HIGHEST_PA / np.minimum(start, HIGHEST_PA)) ** (step / steps)  # even steps of log pressure
        speed = jet.speed(here)
        if step:
            cycle, dies = _raised(loop, speed, cycle, dies)
        rates, waves = _rates(loop, speed, cycle)
        for watch, mine in zip(watches, (waves == 1, waves > 1), strict=True):
            watch.look(here, np.where(mine, rates, -np.inf))
    overblown, whistled = (watch.where(playing.exists) for watch in watches)
    return Takeover(*overblown, dies, *whistled)


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


_HALVINGS = 6


@dataclass
class _Watch:
    """Looks out for the first growth above zero as the pressure rises."""

    pressure: np.ndarray
    by: np.ndarray
    before: np.ndarray | None
    at: np.ndarray

    @classmethod
    def empty(cls, start: np.ndarray) -> _Watch:
        return cls(np.full(len(start), np.nan), np.full(len(start), -1), None, start)

    def look(self, here: np.ndarray, rates: np.ndarray) -> None:
        """Take note of growth rates (F, M - 1) at pressures (F,)."""
        if not rates.shape[1]:
            return
        at = np.where(rates > 0, _crossing(rates, self.before, here, self.at), np.inf)
        new = np.isfinite(at).any(axis=1) & np.isnan(self.pressure)
        self.pressure = np.where(new, at.min(axis=1), self.pressure)
        self.by = np.where(new, at.argmin(axis=1) + 1, self.by)
        self.before, self.at = rates, here

    def where(self, mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return np.where(mask, self.pressure, np.nan), np.where(mask, self.by, -1)


def _rates(loop: Loop, speed: np.ndarray, cycle: Cycle) -> tuple[np.ndarray, np.ndarray]:
    """(growth rate, jet's wave), each (F, M - 1), of every resonance above the lowest."""
    higher = [growing(replace(loop, active=n), speed, cycle) for n in range(1, loop.motion.modes)]
    if not higher:
        empty = np.empty((len(speed), 0))
        return empty, empty
    return np.stack([g.rate for g in higher], axis=1), np.stack([g.wave for g in higher], axis=1)


def _crossing(now: np.ndarray, before: np.ndarray | None, here: np.ndarray, there: np.ndarray) -> np.ndarray:
    """Pressure between two steps at which the growth crossed zero; `here` where the step before says nothing."""
    if before is None:
        return np.broadcast_to(here[:, None], now.shape)
    known = np.isfinite(before) & (before < 0) & np.isfinite(now) & (now > 0)
    part = np.where(known, now, 0.0) / np.where(known, now - np.where(known, before, 0.0), 1.0)
    return here[:, None] * (there / here)[:, None] ** part  # part: of the way back, in log pressure
