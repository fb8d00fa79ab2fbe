"""Descent from a start to the best design near it: the Gauss-Newton method within a trust region.

Every step solves the linearised problem exactly, limits and bounds included (`step`). A limit that is broken is a
quadratic penalty until it holds. Where a long step falls short of the reduction that the linear model predicts, a
second-order correction brings residuals and limits back to what the model said (Nocedal & Wright 2006, Numerical
Optimization, section 18.3, from memory). A small proximal term keeps steps from going far for next to nothing.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from simkit.body import Body
from simkit.errors import SimkitError
from simkit.optimisation.aims.intune import Aim, InTune, broyden_update
from simkit.optimisation.problem.free import Freedom
from simkit.optimisation.problem.limits import Limits
from simkit.optimisation.problem.trial import Setting, Trial
from simkit.optimisation.search.step import Linearisation, WeakDirections
from simkit.vessel import Vessel

log = logging.getLogger(__name__)

PENALTY = 100.0  # cents that a millimetre of a broken limit counts for
FEASIBLE_MM = 1e-3  # a limit broken by less counts as held
_FIRST_RADIUS = 2.0  # steps are at most so many clear changes of any number at first
_LEAST_SHARE = 5e-3  # of the merit: less to be gained ends the descent
# Rejected steps in a row, each half as long: the merit is not smooth there, as where two chambers sound in unison.
_MOST_REJECTED = 4
_WELL_PREDICTED = 0.7  # of what a step was predicted to gain: then the walls' slopes are good for the next one too
_DAMPING_BACK = 0.3  # cents that one clear change counts for in a correction, which then stays short
_DAMPING = 0.02  # and in any step: the weight of the proximal term


@dataclass
class Effort:
    """Effort of a search so far: steps made, designs looked at. It counts along, and all its descents share it."""

    steps: int = 0
    looked_at: int = 0


@dataclass(frozen=True)
class Task:
    """A task: what may move, what is wanted, what must hold; `trial` makes the design at a point, as it sounds.

    least_gain: cents^2 of merit; less to be gained ends a descent. seen: takes every design that a descent has come
    to, for whoever wants the best of one that is cut short. most_steps: what a descent takes at most. metric (n,): what
    one unit of each number counts, see `problem.distance`. relaxation (c,): mm by which each limit is relaxed. center
    (n,): of the proximal term. tolerance: cents; a descent ends where no residual is larger. weak: combinations of
    notes that what is free hardly moves. effort: counts what this and every task made of it takes.
    """

    freedom: Freedom
    aims: tuple[Aim, ...]
    limits: Limits
    setting: Setting
    trial: Callable[[Freedom, np.ndarray, Setting], Trial] = Trial.of
    least_gain: float = 0.01
    seen: list[Iterate] | None = field(default=None, compare=False)
    most_steps: int = 25
    metric: np.ndarray | None = field(default=None, compare=False)
    relaxation: np.ndarray | None = field(default=None, compare=False)
    center: np.ndarray | None = field(default=None, compare=False)
    tolerance: float = 0.0
    weak: WeakDirections | None = field(default=None, compare=False)
    effort: Effort = field(default_factory=Effort, compare=False)

    @cached_property
    def damping(self) -> np.ndarray:
        """The proximal term's weights (n,), cents for a clear change of each number."""
        reach = self.freedom.reach
        # 4 mm or percent count as one clear change.
        return _DAMPING * (np.ones(len(reach)) if self.metric is None else self.metric * reach / 4)

    def displacement(self, x: np.ndarray) -> np.ndarray:
        """Clear changes (n,) from the proximal term's center to `x`; none without a center."""
        return np.zeros(len(x)) if self.center is None else (x - self.center) / self.freedom.reach

    def left(self, vessel: Vessel, body: Body) -> np.ndarray:
        """The room (c,) that the limits leave a design, mm, as far as they are asked to hold."""
        left = self.limits.left(vessel, body)
        return left if self.relaxation is None else left + self.relaxation

    def recorded(self, iterate: Iterate) -> Iterate:
        """The iterate, kept for whoever wants the best so far."""
        if self.seen is not None:
            self.seen.append(iterate)
        return iterate

    def evaluated(self, x: np.ndarray) -> Iterate:
        """The design at `x`, looked at; SimkitError where it is no design."""
        self.effort.looked_at += 1
        return self.iterate(self.trial(self.freedom, x, self.setting))

    def iterate(self, trial: Trial) -> Iterate:
        """A design with what is wanted and what must hold asked of it."""
        residuals = np.concatenate([np.zeros(0), *(aim.residuals(trial) for aim in self.aims)])
        return Iterate(self, trial, residuals, self.left(trial.vessel, trial.body))

    def tried(self, x: np.ndarray) -> Iterate | None:
        """The design at `x`, or None where there is none to be made."""
        try:
            return self.evaluated(x)
        except SimkitError:
            return None

    def clipped(self, x: np.ndarray) -> np.ndarray:
        """`x` (n,) moved into the bounds."""
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
        return self.left if self.task.relaxation is None else self.left - self.task.relaxation

    @cached_property
    def merit(self) -> float:
        """Merit: half the sum of squares, penalties of broken limits that anything can mend included, cents^2."""
        # A quadratic penalty, not an exact one: steps stay least squares.
        broken = PENALTY * np.minimum(self.left, 0.0)
        if self.left.min(initial=0.0) < -FEASIBLE_MM:  # slopes of limits take their time, and less counts for nothing
            broken = broken[self.movable]
        return 0.5 * float(self.deflated @ self.deflated + broken @ broken)

    @property
    def deflated(self) -> np.ndarray:
        """The residuals (m,) without what weak directions leave where it is."""
        weak = self.task.weak
        return self.residuals if weak is None else weak.deflated(self.residuals)

    @property
    def worst_cents(self) -> float:
        """Largest deviation of a note from its target, cents."""
        return float(np.abs(self.trial.cents).max())

    @property
    def is_broken(self) -> bool:
        """Whether a limit is broken that what is free can do something about."""
        broken = self.left < -FEASIBLE_MM
        return bool(broken.any() and broken[self.movable].any())

    @property
    def objective(self) -> float:
        """Objective of a descent: the merit and the proximal term, cents^2."""
        return self.merit + 0.5 * float(np.sum(np.square(self.task.damping * self.task.displacement(self.x))))

    @cached_property
    def jacobian(self) -> np.ndarray:
        """Jacobian of the residuals, per clear change of each number (m, n)."""
        reach = self.task.freedom.reach
        return np.concatenate([np.zeros((0, len(reach))), *(aim.slopes(self.trial) for aim in self.task.aims)]) * reach

    @cached_property
    def limit_jacobian(self) -> np.ndarray:
        """Jacobian of the limits' room, mm per clear change of each number (c, n)."""
        trial = self.trial
        columns = [
            (self.task.left(n.vessel, n.body) - self.left) / n.step * reach
            for n, reach in zip(trial.neighbours, trial.freedom.reach, strict=True)
        ]
        return np.stack(columns, axis=1)

    @cached_property
    def movable(self) -> np.ndarray:
        """Limits that the free numbers can do something about (c,) bool; the others are as they are."""
        return np.abs(self.limit_jacobian).max(axis=1) > 1e-6

    @property
    def holding(self) -> np.ndarray:
        """Mask (c,) of the movable limits that hold here: the others are for the descent to mend, step by step."""
        return self.movable & (self.left > -FEASIBLE_MM)

    def linearised(self, radius: float) -> Linearisation:
        """The linear model about here, for steps counted in clear changes, each at most `radius`."""
        damping, rows = self.task.damping, self.movable
        r = np.concatenate([self.deflated, damping * self.task.displacement(self.x)])
        J = np.concatenate([self.jacobian, np.diag(damping)])
        return linearised_about(self.task.freedom, self.x, r, J, self.left[rows], self.limit_jacobian[rows], radius)

    def second_order_correction(self, there: Iterate) -> Linearisation:
        """Short steps from `there` to the residuals that the linear model of here predicted, limits included."""
        step, rows = (there.x - self.x) / self.task.freedom.reach, self.holding
        # What the linear model missed; the slopes of here, not asked anew there, take it back.
        curvature = there.residuals - (self.residuals + self.jacobian @ step)
        r = np.concatenate([curvature, np.zeros(len(step))])
        J = np.concatenate([self.jacobian, _DAMPING_BACK * np.eye(len(step))])
        return linearised_about(self.task.freedom, there.x, r, J, there.left[rows], self.limit_jacobian[rows])

    def within_limits(self, x: np.ndarray) -> np.ndarray:
        """`x` (n,) moved as little as the limits that hold here need, by their slopes: no note is solved for."""
        task, rows = self.task, self.holding
        x = task.clipped(x)
        for _ in range(6):  # limits are not linear: some rounds of the same slopes
            try:
                trial = Trial.of(task.freedom, x, task.setting)
            except SimkitError:
                return x
            left = task.left(trial.vessel, trial.body)[rows]
            if left.min(initial=0.0) > -FEASIBLE_MM:
                return x
            # The shortest step to where they hold: of itself alone.
            itself = np.zeros(len(x)), np.eye(len(x))
            restoration = linearised_about(task.freedom, x, *itself, left, self.limit_jacobian[rows])
            x = task.clipped(x + restoration.best() * task.freedom.reach)
        return x


def linearised_about(
    freedom: Freedom,
    x: np.ndarray,
    r: np.ndarray,
    J: np.ndarray,
    g: np.ndarray,
    G: np.ndarray,
    radius: float = np.inf,
) -> Linearisation:
    """Residuals and rows g + G s >= 0 about `x`, bounds and trust radius beside them; broken rows become penalties."""
    broken = g < -FEASIBLE_MM  # a row that does not hold has no step of nothing to begin with
    low = np.maximum((freedom.low - x) / freedom.reach, -radius)
    high = np.minimum((freedom.high - x) / freedom.reach, radius)
    one = np.eye(len(x))
    return Linearisation(
        np.concatenate([r, PENALTY * g[broken]]),
        np.concatenate([J, PENALTY * G[broken]]),
        # A step of nothing must hold every row: 1e-3 mm short counts as none.
        np.concatenate([np.maximum(g[~broken], 0.0), -low, high]),
        np.concatenate([G[~broken], one, -one]),
    )


@dataclass(frozen=True)
class Descent:
    """End and course of a descent: merits along the way, designs looked at."""

    end: Iterate
    merits: tuple[float, ...]
    looked_at: int = 0


def descend(task: Task, start: np.ndarray) -> Descent:
    """Go downhill from `start` (n,) until no step gains anything worth having, or for as many steps as are allowed."""
    here = _without_weak(task.evaluated(task.clipped(start)))
    task = here.task
    task.recorded(here)
    merits, looked_at, rejected, radius = [here.merit], 1, 0, _FIRST_RADIUS
    # Accept, enlarge or shrink by the actual over the predicted reduction.
    while len(merits) <= task.most_steps and rejected < _MOST_REJECTED and not _converged(here):
        model = here.linearised(radius)
        step = model.best()
        predicted = here.objective - model.after(step)
        if predicted < task.least_gain + _LEAST_SHARE * here.merit:
            break
        first = task.tried(here.within_limits(here.x + step * task.freedom.reach))
        second = None
        # It fell short by three tenths: the notes' curvature shows.
        if first and here.objective - first.objective < 0.7 * predicted and not _converged(first):
            back = here.second_order_correction(first).best()
            second = task.tried(here.within_limits(first.x + back * task.freedom.reach))
        looked_at += 1 + (second is not None)
        there = min(first, second, key=_objective)  # of what could be made; none counts as infinite
        actual = here.objective - _objective(there)
        # Shrink below a quarter of what was predicted, as is usual (Nocedal & Wright 2006, algorithm 4.1).
        if actual < 0.25 * predicted:
            radius = min(radius, float(np.abs(step).max())) / 2
        elif here.objective - _objective(first) > 0.5 * predicted or actual > 0.9 * predicted:
            radius *= 2
        rejected += 1  # until it is accepted, below
        # Less is noise from mesh to mesh, and no step.
        if there and actual > 0.05 * predicted:
            rejected = 0
            # Else slopes have changed too much on the way to be mended by one step.
            if here.objective - _objective(first) > _WELL_PREDICTED * predicted:
                broyden_update(here.trial, there.trial)
            here = task.recorded(there)
            task.effort.steps += 1
            merits.append(here.merit)
            worst = np.abs(here.residuals).max(initial=0.0)
            log.info("moving what is free: step %d, still %.1f off", len(merits) - 1, worst)
    return Descent(here, tuple(merits), looked_at)


def _without_weak(start: Iterate) -> Iterate:
    """The start of a descent, its weak directions deflated."""
    start = replace(start, task=replace(start.task, weak=None))
    task = start.task
    if _converged(start) or task.metric is None or not task.aims or not isinstance(task.aims[0], InTune):
        return start
    notes = len(start.trial.cents)
    weak = WeakDirections.of(
        start.residuals[:notes], start.jacobian[:notes] / (task.metric * task.freedom.reach), len(start.residuals)
    )
    return replace(start, task=replace(task, weak=weak))


def _converged(iterate: Iterate) -> bool:
    """Whether everything is as near as it need be, and no limit broken."""
    if np.abs(iterate.deflated).max(initial=0.0) >= iterate.task.tolerance:
        return False
    return not iterate.is_broken


def _objective(iterate: Iterate | None) -> float:
    return iterate.objective if iterate else np.inf
