"""What a search over many designs leaves behind: nothing but the best of them, or memory grows with every step."""

import gc
import weakref
from functools import partial

import numpy as np
import pytest

from simkit.body.inspection import body_of
from simkit.field import air_of
from simkit.optimisation.aims import intune
from simkit.optimisation.problem import morphing
from simkit.optimisation.problem.free import Freedom
from simkit.optimisation.problem.trial import Trial
from simkit.sound.models import port_solutions
from simkit.vessel import loads

BALL = 'clay.wall_mm = 4\n[[chamber]]\nname = "body"\nshape = "sphere"\ndiameter_mm = {}\n'


@pytest.mark.parametrize(("room", "asked"), [(intune, "quick_slopes"), (morphing, "perturbed_trials")])
def test_a_design_on_trial_is_gone_when_nobody_holds_it(monkeypatch, room, asked):
    """It holds meshes and their factors, some hundred megabytes where several chambers make one body."""
    monkeypatch.setattr(intune, "cents_slopes", lambda trial, exact: np.zeros((1, 1)))
    monkeypatch.setattr(morphing, "_perturbed", lambda trial: ())
    trial = Trial.of(Freedom(loads(BALL.format(40)), ()), np.zeros(0))
    assert getattr(room, asked)(trial) is getattr(room, asked)(trial)  # kept as long as it is there
    gone = weakref.ref(trial)
    del trial
    gc.collect()
    assert gone() is None


def test_a_solution_goes_with_the_air_that_it_was_solved_on(monkeypatch):
    """No more airs are alive than are kept, whichever were asked last; of large ones two."""
    monkeypatch.setattr(port_solutions, "_KEPT", type(port_solutions._KEPT)())
    monkeypatch.setattr(port_solutions, "_SOLVED", type(port_solutions._SOLVED)())
    monkeypatch.setattr(port_solutions, "air_of", partial(air_of, size=0.016, outside_size=0.024, modes=1))
    monkeypatch.setattr(port_solutions, "_KEEP", 2)
    bodies = [body_of(loads(BALL.format(size))) for size in (30, 31, 32)]
    airs = []
    for body in bodies:
        airs.append(weakref.ref(port_solutions.solved(body).air.outside))
        port_solutions.solved(bodies[0])  # asked again and again: its air is used, so it stays
    gc.collect()
    assert [air() is not None for air in airs] == [True, False, True]
    monkeypatch.setattr(port_solutions, "_KEEP", 9)
    monkeypatch.setattr(port_solutions, "_KEEP_NODES", 1)
    port_solutions.solved(body_of(loads(BALL.format(33))))
    assert len(port_solutions._KEPT) == 2
