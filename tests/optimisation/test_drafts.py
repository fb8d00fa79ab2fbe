"""A draft tuned by the coarse model: how many meshes that takes, and that its last design is what a file holds.

All slow; that a draft ends in tune is asked at once in test_wish.
"""

import numpy as np
import pytest

from simkit import dumps, loads, predict
from simkit.field import air_of
from simkit.optimisation import optimise
from simkit.sound.models import port_solutions


@pytest.mark.slow
def test_a_draft_is_in_tune_by_three_meshes(whistle, monkeypatch):
    """From 180 cents off: where it is, where the coarse model leads, and once more; then its openings alone move. As a
    file writes it, by the port model asked anew."""
    made = []

    def counted(body, **sizes):
        made.append(body)
        return air_of(body, **sizes)

    monkeypatch.setattr(port_solutions, "air_of", counted)
    outcome = optimise(whistle, ["diameters", "size"], near=False)
    assert outcome.reached and len(made) <= 3
    vessel = loads(dumps(outcome.vessel))
    assert np.abs(predict(vessel, "ports").cents).max() < 0.5


@pytest.mark.slow
def test_a_draft_that_limits_hold_off_says_which(whistle):
    """Much clay, and nothing free but the window, which may be no more than 1.6 times as wide: the notes stay flat."""
    low = whistle.with_value("clay.wall_mm", 9.0)
    outcome = optimise(low, "voicing", near=False)
    assert not outcome.reached and "in the way: window" in outcome.verdict
