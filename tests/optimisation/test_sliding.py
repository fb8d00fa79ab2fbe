"""A hole that slides along a body of sections: its pitch follows without a step, and its slope says how."""

import numpy as np
import pytest

import simkit
from simkit.optimisation.aims.slopes import cents_slopes
from simkit.optimisation.problem.free import freedom
from simkit.optimisation.problem.trial import Setting, Trial

GOURD = """
title = "gourd"
[clay]
wall_mm = 5
[[chamber]]
name = "body"
shape = "sections"
sections = [[0, 0, 0, 0, 2], [8, 26, 26, 0, 2], [16, 36, 36, 0, 2], [28, 40, 40, 0, 2], [42, 36, 36, 0, 2],
            [54, 34, 34, 0, 2], [68, 46, 46, 0, 2], [84, 56, 56, 0, 2], [110, 0, 0, 0, 2]]
[chamber.voicing]
along_mm = 88
around_deg = 180
window_width_mm = 12
cut_up_mm = 5
windway_height_mm = 1.2
windway_length_mm = 30
edge_deg = 45
[[chamber.hole]]
name = "1"
along_mm = 30
around_deg = 0
diameter_mm = 7
[[chamber.note]]
pitch = "C5"
open = ["1"]
"""


def gourd(along_mm: float) -> simkit.Vessel:
    return simkit.loads(GOURD.replace("along_mm = 30", f"along_mm = {along_mm!r}"), "gourd.toml")


def cents_at(along_mm: float) -> float:
    (note,) = simkit.predict(gourd(along_mm), model="ports").chambers[0].notes
    return note.answers[0].cents


@pytest.mark.slow
@pytest.mark.parametrize("row_mm", [42.0, 54.0, 68.0])
def test_pitch_follows_a_sliding_hole_without_a_step(row_mm):
    """Steps of 0.07 mm over a row: where curvature jumped there, one of them was 0.2 to 4.9 cents for 0.05."""
    cents = np.array([cents_at(round(row_mm + 0.07 * n, 4)) for n in range(-4, 5)])
    steps = np.diff(cents)
    assert np.abs(steps - np.median(steps)).max() < 0.05


@pytest.mark.slow
@pytest.mark.parametrize("along_mm", [42.0, 53.95, 54.0])
def test_exact_slopes_are_those_of_the_numbers_at_a_row_too(along_mm):
    """To a thousandth of its size; where curvature jumped the slope took the step for a fall, 60 times too large.

    Of the still piece, where no air is held that a step would change.
    """
    may, still = freedom(gourd(along_mm), ["body.hole.1.along_mm"]), Setting(state="still")
    slope = cents_slopes(Trial.of(may, may.start, still))[0, 0]
    onward, back = (Trial.of(may, may.start + side, still).cents[0] for side in (4e-3, -4e-3))
    assert slope == pytest.approx((onward - back) / 8e-3, rel=1e-3)
