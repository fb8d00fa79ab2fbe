"""Of all designs in tune the nearest to the start, and what asked for each move."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize

import simkit
from simkit.optimisation import InTune, Limits, Proximity, optimise
from simkit.optimisation.problem.distance import metric
from simkit.optimisation.problem.free import freedom
from simkit.optimisation.problem.trial import Setting, drawn
from simkit.optimisation.reasons import _costs, active_set
from simkit.optimisation.search.descent import Task, descend
from simkit.optimisation.search.nearest import IN_TUNE, nearest
from simkit.optimisation.search.searching import rounded

FREE = ["holes", "body.voicing.window_width_mm"]


@pytest.fixture(scope="module")
def off(whistle_text):
    """The whistle with whole tones throughout and holes that are nearly right."""
    text = whistle_text.replace('"F5"', '"F#5"').replace('"G5"', '"G#5"')
    sizes = {f"body.hole.{n}.diameter_mm": mm for n, mm in zip("1234", (3.7, 4.3, 4.6, 4.9), strict=True)}
    return simkit.loads(text, "whistle.toml").with_values(sizes)


@pytest.fixture(scope="module")
def task(off):
    may = freedom(off, FREE)
    return Task(may, (InTune(),), Limits(), Setting(), metric=metric(may))


@pytest.fixture(scope="module")
def proximity(task):
    return Proximity.near(task.freedom)


@pytest.fixture(scope="module")
def end(task, proximity):
    return nearest(descend(task, task.freedom.start).end, proximity)


def away(iterate):
    """How much farther than `nearest` lets them the notes are from their targets, cents."""
    return np.abs(iterate.trial.cents).max() - IN_TUNE


@pytest.mark.slow
def test_a_general_purpose_solver_finds_no_design_that_is_nearer(task, proximity, end):
    """SciPy's SLSQP from the same start: the way from it as objective, notes, limits and bounds as constraints."""
    may, kept = task.freedom, {}

    def at(s):
        key = s.tobytes()
        if key not in kept:
            kept[key] = task.evaluated(task.clipped(may.start + s * may.reach))
        return kept[key]

    found = minimize(
        lambda s: 0.5 * np.sum(proximity.displacement(may.start + s * may.reach) ** 2),
        np.zeros(len(may.start)),
        jac=lambda s: proximity.metric * may.reach * proximity.displacement(may.start + s * may.reach),
        method="SLSQP",
        bounds=list(zip((may.low - may.start) / may.reach, (may.high - may.start) / may.reach, strict=True)),
        constraints=[
            {"type": "ineq", "fun": lambda s: (IN_TUNE - at(s).residuals) / 30, "jac": lambda s: -at(s).jacobian / 30},
            {"type": "ineq", "fun": lambda s: (IN_TUNE + at(s).residuals) / 30, "jac": lambda s: at(s).jacobian / 30},
            {"type": "ineq", "fun": lambda s: at(s).left, "jac": lambda s: at(s).limit_jacobian},
        ],
        options={"maxiter": 40, "ftol": 1e-4},
    )
    assert away(at(found.x)) < 0.1 and away(end) < 0.2
    assert proximity.value(end.trial) < 1.05 * proximity.value(at(found.x).trial)


def test_the_way_is_a_sum_of_slopes_of_notes_and_limits(proximity, end):
    """Lagrange's conditions for the least way at which notes, limits and bounds hold."""
    per_metric = end.task.freedom.reach * proximity.metric
    slopes = np.concatenate([end.jacobian / per_metric, *(row.slopes[None] / per_metric for row in active_set(end))])
    cost = _costs(proximity.displacement(end.x), slopes, len(end.residuals))
    assert away(end) < 0.2
    assert np.linalg.norm(slopes.T @ cost - proximity.displacement(end.x)) < 0.25 * proximity.value(end.trial)
    assert (cost[len(end.residuals) :] >= 0).all()


@pytest.mark.parametrize("sharp", [13.4, *(pytest.param(s, marks=pytest.mark.slow) for s in (13.5, 17.3)), 29.7])
def test_a_design_that_has_not_moved_is_not_looked_at_again(task, proximity, sharp, monkeypatch):
    """However far off a note stays that nothing can bring nearer: what it may be is not to be missed by rounding."""
    start = task.evaluated(task.freedom.start)
    residuals = np.where(np.arange(len(start.residuals)) == 0, sharp, 0.0)
    monkeypatch.setattr(Task, "tried", lambda self, x: pytest.fail("a design was looked at"))
    assert nearest(replace(start, residuals=residuals), proximity).x is start.x


@pytest.mark.slow
def test_from_a_design_in_tune_far_away_it_goes_back(task, proximity, end):
    may = task.freedom
    start = may.start + np.array([4.0 if n.name.endswith("along_mm") else 0.0 for n in may.numbers])
    far = descend(task, start).end
    assert proximity.value(far.trial) > 1.5 * proximity.value(end.trial)
    back = nearest(far, proximity)
    assert away(back) < 0.2
    assert proximity.value(back.trial) < 1.1 * proximity.value(end.trial)


def test_slopes_are_right_where_a_design_is_as_a_file_writes_it(end):
    """Its numbers are rounded by more than the steps that slopes are read from."""
    written = rounded(end)
    for here, there in ((end.jacobian, written.jacobian), (end.limit_jacobian, written.limit_jacobian)):
        assert np.abs(here - there).max() < 0.01 * np.abs(here).max()


def test_a_millimetre_is_one_wherever_it_is(whistle):
    """On a ball of radius R a degree around is R pi/180, and a millimetre along is 1/sin of the angle to the axis."""
    text = """
    clay.wall_mm = 4
    [[chamber]]
    name = "ball"
    shape = "sphere"
    diameter_mm = 60
    [[chamber.hole]]
    name = "a"
    along_mm = 45
    around_deg = 20
    diameter_mm = 6
    """
    ball = simkit.loads(text, "ball.toml")
    may = freedom(ball, ["holes", "size", "ball.diameter_mm"])
    found = dict(zip([n.name for n in may.numbers], metric(may), strict=True))
    # Aimed from the axis straight out at 15 mm from the middle: R sin t = sqrt(30^2 - 15^2).
    assert found["ball.hole.a.around_deg"] == pytest.approx(np.sqrt(30**2 - 15**2) * np.pi / 180, rel=1e-3)
    assert found["ball.hole.a.along_mm"] == pytest.approx(30 / np.sqrt(30**2 - 15**2), rel=1e-3)
    assert found["ball.hole.a.diameter_mm"] == pytest.approx(1)
    assert found["ball.diameter_mm"] == pytest.approx(100 / 60)
    assert may.numbers[0].step < 1e-3 and drawn(ball)


def test_costs_of_what_is_held_sum_up_to_the_way():
    """Least |u|^2 with A u = b, G u >= h by SLSQP: u is A'l + G'm with m >= 0, as Lagrange's conditions have it."""
    random = np.random.default_rng(3)
    A, G = random.normal(size=(3, 8)), random.normal(size=(5, 8))
    b, h = random.normal(size=3), np.full(5, 0.4)
    rows = [
        {"type": "eq", "fun": lambda u: A @ u - b, "jac": lambda u: A},
        {"type": "ineq", "fun": lambda u: G @ u - h, "jac": lambda u: G},
    ]
    way = {"fun": lambda u: u @ u / 2, "jac": lambda u: u, "x0": np.zeros(8)}
    u = minimize(**way, method="SLSQP", options={"ftol": 1e-14}, constraints=rows).x
    at = G @ u - h < 1e-6
    assert 0 < at.sum() < 5
    cost = _costs(u, np.concatenate([A, G[at]]), 3)
    assert np.concatenate([A, G[at]]).T @ cost == pytest.approx(u, abs=1e-5)
    assert (cost[3:] > 0).all()


@pytest.mark.slow
def test_what_moved_says_how_far_and_why(off):
    """Holes 1 and 2 too near each other for fingers, in tune otherwise: that alone moves them along."""
    near = off.with_values({"hand.spacing_mm": 16.0, "hand.fingertip_mm": 17.0})
    found = optimise(near, FREE)
    assert found.reached
    along = {change.key: change for change in found.moved}["body.hole.1.along_mm"]
    assert along.said == "hole 1, along" and along.unit == "mm" and along.by > 0
    assert along.because[0].startswith("hole 1 to hole 2, middle to middle")
    wide = {change.key: change for change in found.moved}["body.hole.1.diameter_mm"]
    assert wide.by == pytest.approx(wide.after - wide.before) and wide.because
