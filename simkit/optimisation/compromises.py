"""Two aims against each other: a row of best designs from all for the one to all for the other."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simkit.columns import cell, text_table
from simkit.errors import Fault, InputError
from simkit.optimisation.aims.intune import Aim, InTune, Stretched
from simkit.optimisation.problem.free import freedom
from simkit.optimisation.problem.limits import Limits
from simkit.optimisation.problem.trial import Setting, check_notes
from simkit.optimisation.search.descent import Task, descend
from simkit.optimisation.search.searching import rounded, threshold
from simkit.vessel import Vessel

log = logging.getLogger(__name__)

_MOST_STEPS = 8  # for each design, as it starts from the last
_SPAN = 10.0  # the aims' weights go from one over this to this, and back for the other


@dataclass(frozen=True)
class Compromise:
    """A best design for one balance of two aims: what each comes to, how far the worst note is off, cents.

    Where the range is one of the aims, off the scale stretched to it.
    balance: by what the first aim's weight was multiplied and the second's divided.
    """

    balance: float
    one: float
    other: float
    worst_cents: float
    vessel: Vessel


@dataclass(frozen=True)
class TradeOff:
    """Compromises between two aims, named by what they measure, from all for the other to all for the one."""

    one: str
    other: str
    points: tuple[Compromise, ...]

    def __repr__(self) -> str:
        return f"TradeOff({self.one} against {self.other}, {len(self.points)} designs)"

    def __str__(self) -> str:
        rows = ((cell(p.balance, 2), cell(p.one, 3), cell(p.other, 3), cell(p.worst_cents)) for p in self.points)
        return text_table(("balance", self.one, self.other, "worst cents"), rows)

    @property
    def middle(self) -> Compromise:
        """The one that weighs both aims as they are, or nearly."""
        return min(self.points, key=lambda point: abs(np.log(point.balance)))  # balance 1 is as it was asked

    @property
    def alike(self) -> bool:
        """Whether every balance comes to the same within a hundredth: what is free does not weigh these aims."""
        measured = np.array([(point.one, point.other) for point in self.points])
        return bool((np.ptp(measured, axis=0) <= 0.01 * np.abs(measured).max(axis=0)).all())

    @property
    def moving(self) -> tuple[str, ...]:
        """Dotted keys of the numbers that differ along the curve."""
        every = [point.vessel.numbers for point in self.points]
        return tuple(key for key in every[0] if len({numbers[key].value for numbers in every}) > 1)

    def as_dict(self) -> dict[str, Any]:
        """The curve as plain data; numbers: what makes each design another."""
        names = ("balance", "one", "other", "worst_cents")
        rows = [
            {name: getattr(point, name) for name in names}
            | {"numbers": {k: point.vessel.value(k) for k in self.moving}}
            for point in self.points
        ]
        return {"one": self.one, "other": self.other, "points": rows}


def trade_off(
    vessel: Vessel,
    free: str | Iterable[str] | None,
    one: Aim,
    other: Aim,
    *,
    always: Sequence[Aim] = (InTune(),),
    limits: Limits | None = None,
    count: int = 7,
    lossless: bool = False,
    state: str = "played",
) -> TradeOff:
    """Weigh one aim against another: `count` designs, each from where the last one ended.

    always: aims that keep their weight all along, in tune unless said otherwise.
    """
    if count < 2:
        raise InputError([Fault.of("count", count, "2 or more")])
    check_notes(vessel)
    freed = freedom(vessel, free)
    x = freed.start
    points: list[Compromise] = []
    # Evenly by factors, from all but one aim to all but the other.
    for balance in np.geomspace(1 / _SPAN, _SPAN, count):
        log.info("weighing one aim against the other: design %d of %d", len(points) + 1, count)
        aims = (*always, _weighed(one, balance), _weighed(other, 1 / balance))
        # Each from where the last ended: one curve instead of points in separate valleys, and a few steps each.
        task = Task(freed, aims, limits or Limits(), Setting(lossless, state), most_steps=_MOST_STEPS)
        end = descend(replace(task, least_gain=threshold(task)), x).end
        x, trial = end.x, rounded(end).trial
        # Off the scale that is asked for, stretched or not.
        tune = next((aim for aim in always if isinstance(aim, Stretched)), InTune())
        worst = tune.value(trial)
        points.append(Compromise(float(balance), one.value(trial), other.value(trial), worst, trial.vessel))
    return TradeOff(one.measures, other.measures, tuple(points))


def _weighed(aim: Aim, factor: float) -> Any:
    return replace(aim, weight=factor * aim.weight)  # type: ignore[type-var]
