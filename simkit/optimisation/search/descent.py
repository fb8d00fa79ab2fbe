"""From a start downhill to the best design near it: Gauss and Newton's method within a region of trust.

Every step solves the straightened problem exactly, limits and bounds included (`step`). A limit that is broken is a
stiff spring until it holds. What a long step does not do as straight as hoped, a short second one takes back.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from simkit.body import Body
from simkit.errors import SimkitError
from simkit.optimisation.aims.carried import carry_slopes
from simkit.optimisation.aims.intune import Aim, InTune
from simkit.optimisation.problem.free import Freedom
from simkit.optimisation.problem.limits import Limits
from simkit.optimisation.problem.trial import Setting, Trial
from simkit.optimisation.search.step import Linearisation
from simkit.optimisation.search.weak_directions import WeakDirections
from simkit.vessel import Vessel

log = logging.getLogger(__name__)

SPRING = 100.0  # cents that a millimetre of a broken limit counts for
HOLDS_MM = 1e-3  # a limit broken by less counts as held
_FIRST_TRUST = 2.0  # steps are at most so many clear changes of any number at first
_LEAST_SHARE = 5e-3  # of the merit: less to be gained ends the descent
# Steps in a row, each half as long, that gain nothing: there is a kink, as where two notes are in unison.
_MOST_MISSES = 4
_WELL_FORESEEN = 0.7  # of what a step was hoped to gain: then the walls' slopes are good for the next one too
_CALM = 0.3  # cents that one clear change counts for where a step only takes back: it then stays short
_CALM_ONWARD = 0.02  # and in any step, so that none goes far for next to nothing


@dataclass
class Effort:
    """What a search has taken so far: steps made, designs looked at. It counts along, and all its descents share it."""

    steps: int = 0
    looked_at: int = 0


@dataclass(frozen=True)
class Task:
    """What may move, what is wanted, what must hold; `trial` makes the design at a point, as it sounds.

    least_gain: cents^2 of merit; less to be gained ends a descent. seen: takes every design that a descent has come
    to, for whoever wants the best of one that is cut short. most_steps: what a descent takes at most. home: where steps
    are drawn to (n,) as far as that costs nothing. enough: cents; a descent ends where no residual is larger.
    weak: what of the notes is not worth its way. effort: counts what this and every task made of it takes.
    """

    freedom: Freedom
    aims: tuple[Aim, ...]
    limits: Limits
    setting: Setting
    trial: Callable[[Freedom, np.ndarray, Setting], Trial] = Trial.of
    least_gain: float = 0.01
    seen: list[Iterate] | None = field(default=None, compare=False)
    most_steps: int = 25
    felt: np.ndarray | None = field(default=None, compare=False)
    let_go: np.ndarray | None = field(default=None, compare=False)
    home: np.ndarray | None = field(default=None, compare=False)
    enough: float = 0.0
    weak: WeakDirections | None = field(default=None, compare=False)
    effort: Effort = field(default_factory=Effort, compare=False)

    @cached_property
    def calm(self) -> np.ndarray:
        """Cents that one clear change of each number (n,) counts for in any step, so that none goes far for little."""
        reach = self.freedom.reach
        return _CALM_ONWARD * (np.ones(len(reach)) if self.felt is None else self.felt * reach / 4)

    def away(self, x: np.ndarray) -> np.ndarray:
        """Clear changes (n,) from home to `x`; none without a home."""
        return np.zeros(len(x)) if self.home is None else (x - self.home) / self.freedom.reach

    def left(self, vessel: Vessel, body: Body) -> np.ndarray:
        """The room (c,) that the limits leave a design, mm, as far as they are asked to hold."""
        left = self.limits.left(vessel, body)
        return left if self.let_go is None else left + self.let_go

    def come_to(self, iterate: Iterate) -> Iterate:
        """The iterate, noted."""
        if self.seen is not None:
            self.seen.append(iterate)
        return iterate

    def stand(self, x: np.ndarray) -> Iterate:
        """The design at `x`, looked at; SimkitError where it is no design."""
        self.effort.looked_at += 1
        trial = self.trial(self.freedom, x, self.setting)
        residuals = np.concatenate([np.zeros(0), *(aim.residuals(trial) for aim in self.aims)])
        return Iterate(self, trial, residuals, self.left(trial.vessel, trial.body))

    def tried(self, x: np.ndarray) -> Iterate | None:
        """The design at `x`, or None where there is none to be made."""
        try:
            return self.stand(x)
        except SimkitError:
            return None

    def clipped(self, x: np.ndarray) -> np.ndarray:
        """`x` moved into the bounds."""
        return np.clip(x, self.freedom.low, self.freedom.high)


@dataclass(frozen=True, eq=False)
class Iterate:
    """A design on trial with its residuals (m,) and the room that every limit leaves (c,), mm."""

    task: Task
    trial: Trial
    residuals: np.ndarray
    left: np.ndarray

    @property
    def x(self) -> np.ndarray:
        """The free numbers (n,)."""
        return self.trial.x

    @property
    def room(self) -> np.ndarray:
        """The room (c,) that every limit leaves, mm, asked to hold or not."""
        return self.left if self.task.let_go is None else self.left - self.task.let_go

    @cached_property
    def merit(self) -> float:
        """Half the sum of squares, springs of broken limits that anything can mend included: cents^2."""
        broken = SPRING * np.minimum(self.left, 0.0)
        if broken.any():
            broken = broken[self.movable]
        return 0.5 * float(self.sought @ self.sought + broken @ broken)

    @property
    def sought(self) -> np.ndarray:
        """What of the residuals (m,) is worth its way."""
        weak = self.task.weak
        return self.residuals if weak is None else weak.sought(self.residuals)

    @property
    def cost(self) -> float:
        """The merit, and the pull of home: what a descent makes least, cents^2."""
        return self.merit + 0.5 * float(np.sum(np.square(self.task.calm * self.task.away(self.x))))

    @cached_property
    def slopes(self) -> np.ndarray:
        """Of the residuals, per clear change of each number (m, n)."""
        reach = self.task.freedom.reach
        return np.concatenate([np.zeros((0, len(reach))), *(aim.slopes(self.trial) for aim in self.task.aims)]) * reach

    @cached_property
    def limit_slopes(self) -> np.ndarray:
        """Of the limits' room, mm per clear change of each number (c, n)."""
        trial = self.trial
        columns = [
            (self.task.left(n.vessel, n.body) - self.left) / n.step * reach
            for n, reach in zip(trial.neighbours, trial.freedom.reach, strict=True)
        ]
        return np.stack(columns, axis=1)

    @cached_property
    def movable(self) -> np.ndarray:
        """Limits that the free numbers can do something about (c,) bool; the others are as they are."""
        return np.abs(self.limit_slopes).max(axis=1) > 1e-6

    @property
    def holding(self) -> np.ndarray:
        """Those of them that hold here (c,) bool: the others are for the descent to mend, step by step."""
        return self.movable & (self.left > -HOLDS_MM)

    def straight(self, trust: float) -> Linearisation:
        """The problem about here as if straight, for steps counted in clear changes, each at most `trust`."""
        calm = self.task.calm
        r, J = (
            np.concatenate([self.sought, calm * self.task.away(self.x)]),
            np.concatenate([self.slopes, np.diag(calm)]),
        )
        return self._held(self.x, self.left, r, J, trust)

    def taking_back(self, there: Iterate) -> Linearisation:
        """Short steps from `there` that take back what was not straight on the way from here, limits included."""
        step = (there.x - self.x) / self.task.freedom.reach
        missed = there.residuals - (self.residuals + self.slopes @ step)
        calm = np.eye(len(step))
        return self._held(
            there.x,
            there.left,
            np.concatenate([missed, np.zeros(len(step))]),
            np.concatenate([self.slopes, _CALM * calm]),
            rows=self.holding,
        )

    def making_room(self, x: np.ndarray, left: np.ndarray) -> Linearisation:
        """The shortest steps from `x`, where limits leave the room `left`, to where they hold."""
        return self._held(x, left, np.zeros(len(x)), np.eye(len(x)), rows=self.holding)

    def _held(
        self,
        x: np.ndarray,
        left: np.ndarray,
        r: np.ndarray,
        J: np.ndarray,
        trust: float = np.inf,
        rows: np.ndarray | None = None,
    ) -> Linearisation:
        """Residuals with the limits' slopes of here: those that hold as rows, those broken as springs."""
        rows = self.movable if rows is None else rows
        g, G = left[rows], self.limit_slopes[rows]
        return straight_within(self.task.freedom, x, r, J, g, G, trust)

    def within_limits(self, x: np.ndarray) -> np.ndarray:
        """`x` moved as little as it takes to hold what holds here, by the limits' slopes: cheap, as nothing sounds."""
        task, reach = self.task, self.task.freedom.reach
        x = task.clipped(x)
        for _ in range(6):
            try:
                trial = Trial.of(task.freedom, x, task.setting)
            except SimkitError:
                return x
            left = task.left(trial.vessel, trial.body)
            if left[self.holding].min(initial=0.0) > -HOLDS_MM:
                return x
            x = task.clipped(x + self.making_room(x, left).best() * reach)
        return x


def straight_within(
    freedom: Freedom, x: np.ndarray, r: np.ndarray, J: np.ndarray, g: np.ndarray, G: np.ndarray, trust: float
) -> Linearisation:
    """Residuals and rows g + G s >= 0 about `x`, bounds and trust beside them; rows that are broken become springs."""
    broken = g < -HOLDS_MM
    low = np.maximum((freedom.low - x) / freedom.reach, -trust)
    high = np.minimum((freedom.high - x) / freedom.reach, trust)
    one = np.eye(len(x))
    return Linearisation(
        np.concatenate([r, SPRING * g[broken]]),
        np.concatenate([J, SPRING * G[broken]]),
        np.concatenate([np.maximum(g[~broken], 0.0), -low, high]),
        np.concatenate([G[~broken], one, -one]),
    )


@dataclass(frozen=True)
class Descent:
    """Where a descent ended and what it took: merits along the way, designs looked at."""

    end: Iterate
    merits: tuple[float, ...]
    looked_at: int = field(default=0)


def descend(task: Task, start: np.ndarray) -> Descent:
    """Go downhill from `start` (n,) until no step gains anything worth having, or for as many steps as are allowed."""
    here = _weighed(task.stand(task.clipped(start)))
    task = here.task
    task.come_to(here)
    merits, looked_at, misses, trust = [here.merit], 1, 0, _FIRST_TRUST
    while len(merits) <= task.most_steps and misses < _MOST_MISSES and not _is_enough(here):
        straight = here.straight(trust)
        step = straight.best()
        hoped = here.cost - straight.after(step)
        if hoped < task.least_gain + _LEAST_SHARE * here.merit:
            break
        first = task.tried(here.within_limits(here.x + step * task.freedom.reach))
        second = None
        if first and here.cost - first.cost < 0.7 * hoped and not _is_enough(first):
            back = here.taking_back(first).best()
            second = task.tried(here.within_limits(first.x + back * task.freedom.reach))
        looked_at += 1 + (second is not None)
        there = min(first, second, key=_cost)
        gained = here.cost - _cost(there)
        if gained < 0.25 * hoped:
            trust = min(trust, float(np.abs(step).max())) / 2
        elif here.cost - _cost(first) > 0.5 * hoped or gained > 0.9 * hoped:
            trust *= 2
        misses += 1
        if there and gained > 0.05 * hoped:
            misses = 0
            if here.cost - _cost(first) > _WELL_FORESEEN * hoped:
                carry_slopes(here.trial, there.trial)
            here = task.come_to(there)
            task.effort.steps += 1
            merits.append(here.merit)
            worst = np.abs(here.residuals).max(initial=0.0)
            log.info("moving what is free: step %d, still %.1f off", len(merits) - 1, worst)
    return Descent(here, tuple(merits), looked_at)


def _weighed(start: Iterate) -> Iterate:
    """The start of a descent, with what of its notes is not worth its way left out."""
    start = replace(start, task=replace(start.task, weak=None))
    task = start.task
    if _is_enough(start) or task.felt is None or not task.aims or not isinstance(task.aims[0], InTune):
        return start
    notes = len(start.trial.cents)
    weak = WeakDirections.of(
        start.residuals[:notes], start.slopes[:notes] / (task.felt * task.freedom.reach), len(start.residuals)
    )
    return replace(start, task=replace(task, weak=weak))


def _is_enough(iterate: Iterate) -> bool:
    """Whether everything is as near as it need be, and no limit broken."""
    if np.abs(iterate.sought).max(initial=0.0) >= iterate.task.enough:
        return False
    broken = iterate.left < -HOLDS_MM
    return not (broken.any() and broken[iterate.movable].any())


def _cost(iterate: Iterate | None) -> float:
    return iterate.cost if iterate else np.inf
