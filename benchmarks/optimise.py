"""How long optimising takes, how well it ends, from how many starts; and what general-purpose optimisers make of it.

Run: python benchmarks/optimise.py [--starts 20] [--judge] [--others]

All of the still piece. Seconds are of the processor, of this run, on this machine; a plain loop is timed beside them so
that runs can be compared. --judge asks the air meshed as a whole about three notes, --others gives the same objective,
derivatives and limits to SciPy's SLSQP and trust-region method, and to NLopt's SLSQP where `pip install nlopt` has put
it.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import hashlib
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from time import process_time
from typing import Any

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, NonlinearConstraint, minimize
from vessels import chromatic

from simkit.body.kernel import session
from simkit.optimisation import InTune, Limits, Outcome, judged, optimise
from simkit.optimisation.problem.free import freedom
from simkit.optimisation.problem.trial import Setting
from simkit.optimisation.search.descent import Iterate, Task
from simkit.sound.models import port_solutions

MOST_SECONDS = 60.0  # a general-purpose optimiser is stopped after so many


def afresh(job: Callable[[], Any]) -> tuple[Any, float]:
    """What a job returns and its processor seconds, nothing solved before."""
    port_solutions._KEPT.clear()
    port_solutions._SOLVED.clear()
    start = process_time()
    return job(), process_time() - start


def plain_loop() -> float:
    """Seconds of the processor for three million additions: how fast this machine is just now."""
    start, total = process_time(), 0
    for n in range(3_000_000):
        total += n
    return process_time() - start


def print_line(name: str, found: Outcome, seconds: float) -> None:
    """One line of an optimising."""
    before = max(abs(note.answer.cents) for note in found.before.notes)
    print(f"{name:42s}{seconds:7.1f} s   {before:5.0f} -> {found.worst_cents:.2f} cents, "
          f"{found.evidence.steps} steps, {found.evidence.looked_at} designs looked at")  # fmt: skip


def digest(found: Outcome) -> str:
    """The new design's numbers as a short hash."""
    numbers = {key: number.value for key, number in found.vessel.numbers.items()}
    return hashlib.sha256(repr(sorted(numbers.items())).encode()).hexdigest()[:12]


def random_starts(count: int) -> None:
    """From how many starts at random the same task ends within a cent of the best."""
    found, seconds = afresh(lambda: optimise(chromatic(), "holes", starts=count + 1, seed=1, state="still"))
    worst = [start.worst_cents for start in found.evidence.starts[1:]]
    near = sum(cents < min(worst) + 1 for cents in worst)
    print(f"{f'{count} random starts of it':42s}{seconds:7.1f} s   {near} of {count} end within 1 cent of the best; "
          f"worst note of each: {', '.join(f'{cents:.2f}' for cents in sorted(worst))}")  # fmt: skip


# --- the same objective in other hands ------------------------------------------------------------------


@dataclass
class Objective:
    """Half the sum of squares in cents^2 over clear changes of the numbers, limits in mm; every design kept."""

    task: Task
    began: float = field(default_factory=process_time)
    looked_at: int = 0
    kept: dict[bytes, Iterate] = field(default_factory=dict)
    last: np.ndarray = field(default_factory=lambda: np.zeros(1))

    def at(self, s: np.ndarray) -> Iterate:
        """The design at a point counted in clear changes from the start."""
        if process_time() - self.began > MOST_SECONDS:
            raise TimeoutError
        key = np.asarray(s, float).tobytes()
        if key not in self.kept:
            self.kept[key] = self._made(np.asarray(s, float))
            self.looked_at += 1
        return self.kept[key]

    def _made(self, s: np.ndarray) -> Iterate:
        """The design there; where holes meet on the way, as they may, the one as far as half, a quarter ... of it."""
        may, back = self.task.freedom, self.last
        for _ in range(8):
            iterate = self.task.tried(self.task.clipped(may.start + s * may.reach))
            if iterate is not None:
                self.last = s
                return iterate
            s = (s + back) / 2
        return self.task.evaluated(self.task.clipped(may.start + back * may.reach))

    def value(self, s: np.ndarray) -> float:
        r = self.at(s).residuals
        return 0.5 * float(r @ r)

    def gradient(self, s: np.ndarray) -> np.ndarray:
        iterate = self.at(s)
        return iterate.jacobian.T @ iterate.residuals

    @property
    def best(self) -> Iterate:
        """The best design seen in which every limit holds to a tenth of a millimetre."""
        held = [iterate for iterate in self.kept.values() if iterate.left[iterate.movable].min(initial=0.0) > -0.1]
        return min(held, key=lambda iterate: np.abs(iterate.trial.cents).max())


def by_scipy(method: str, objective: Objective, low: np.ndarray, high: np.ndarray) -> None:
    rows = objective.at(np.zeros(len(low))).movable
    limits = NonlinearConstraint(
        lambda s: objective.at(s).left[rows], 0.0, np.inf, jac=lambda s: objective.at(s).limit_jacobian[rows]
    )
    # trust-constr's own bounds are slow; straight rows are the same.
    bounds = {"bounds": Bounds(low, high)} if method == "SLSQP" else {}
    held = [limits] if bounds else [limits, LinearConstraint(np.eye(len(low)), low, high)]
    options = {"maxiter": 100, **({"ftol": 1e-3} if bounds else {"gtol": 1e-2})}
    minimize(objective.value, np.zeros(len(low)), jac=objective.gradient, method=method, constraints=held,
             options=options, **bounds)  # fmt: skip


def by_nlopt(objective: Objective, low: np.ndarray, high: np.ndarray) -> None:
    import nlopt

    rows = objective.at(np.zeros(len(low))).movable

    def value(s: np.ndarray, slope: np.ndarray) -> float:
        if slope.size:
            slope[:] = objective.gradient(s.copy())
        return objective.value(s.copy())

    def limits(result: np.ndarray, s: np.ndarray, slope: np.ndarray) -> None:
        iterate = objective.at(s.copy())
        result[:] = -iterate.left[rows]
        if slope.size:
            slope[:] = -iterate.limit_jacobian[rows]

    solver = nlopt.opt(nlopt.LD_SLSQP, len(low))
    solver.set_lower_bounds(low)
    solver.set_upper_bounds(high)
    solver.set_min_objective(value)
    solver.add_inequality_mconstraint(limits, np.full(int(rows.sum()), 1e-2))
    solver.set_ftol_abs(1e-3)
    solver.set_maxeval(150)
    with suppress(nlopt.RoundoffLimited):
        solver.optimize(np.zeros(len(low)))


def second_opinions() -> None:
    """The same start, objective, derivatives and limits for general-purpose optimisers."""
    others = {
        "scipy SLSQP": lambda *task: by_scipy("SLSQP", *task),
        "scipy trust-constr": lambda *task: by_scipy("trust-constr", *task),
        "nlopt SLSQP": by_nlopt,
    }
    for name, solver in others.items():
        may = freedom(chromatic(), "holes")
        low, high = (may.low - may.start) / may.reach, (may.high - may.start) / may.reach
        port_solutions._KEPT.clear()
        port_solutions._SOLVED.clear()
        objective = Objective(Task(may, (InTune(),), Limits(), Setting(state="still")))
        ending = ""
        try:
            solver(objective, low, high)
        except TimeoutError:
            ending = ", stopped there"
        except ImportError:
            print(f"{name:42s}        not installed")
            continue
        except (ArithmeticError, RuntimeError, ValueError) as error:
            ending = f", gave up ({type(error).__name__}: {error})"
        worst = np.abs(objective.best.trial.cents).max()
        print(f"{name:42s}{process_time() - objective.began:7.1f} s   worst note {worst:.2f} cents, "
              f"{objective.looked_at} designs looked at{ending}")  # fmt: skip


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--starts", type=int, default=0, help="random starts")
    parser.add_argument("--judge", action="store_true", help="three notes by the air meshed as a whole")
    parser.add_argument("--others", action="store_true", help="general-purpose optimisers beside it")
    asked = parser.parse_args()
    with session():  # gmsh loaded
        pass
    print(f"{'a plain loop':42s}{plain_loop():7.2f} s")
    found, seconds = afresh(lambda: optimise(chromatic(), "holes", state="still"))
    print_line("12 diameters, 24 positions, 13 notes", found, seconds)
    again, _ = afresh(lambda: optimise(chromatic(), "holes", state="still"))
    print(f"{'the same again':42s}            {digest(found)} and {digest(again)}")
    shaped, seconds = afresh(lambda: optimise(chromatic(length_mm=130.0), ["holes", "shape"], state="still"))
    print_line("and the chamber's shape", shaped, seconds)
    if asked.judge:
        for name, outcome in (("holes", found), ("holes and shape", shaped)):
            evidence, seconds = afresh(lambda outcome=outcome: judged(outcome).evidence)
            notes = ", ".join(f"{each.pitch} {each.resolved_cents:+.1f}" for each in evidence.judged)
            print(f"{f'judged, {name}':42s}{seconds:7.1f} s   cents by the air meshed as a whole: {notes}")
    if asked.starts:
        random_starts(asked.starts)
    if asked.others:
        second_opinions()
    print(f"{'a plain loop':42s}{plain_loop():7.2f} s")


if __name__ == "__main__":
    main()
