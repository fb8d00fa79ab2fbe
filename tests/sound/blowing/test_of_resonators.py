"""Motion read off the real models."""

import numpy as np
import pytest

from simkit.sound import models
from simkit.sound.blowing.loop import Loop
from simkit.vessel import loads

DESIGN = """
clay = { wall_mm = 5 }
[[chamber]]
name = "body"
shape = "ellipsoid"
length_mm = 90
width_mm = 50
height_mm = 42
[chamber.voicing]
along_mm = 20
around_deg = 180
window_width_mm = 11
cut_up_mm = 5
windway_height_mm = 1.2
windway_length_mm = 28
[[chamber.hole]]
name = "1"
along_mm = 45
around_deg = 0
diameter_mm = 7
[[chamber.hole]]
name = "2"
along_mm = 65
around_deg = 30
diameter_mm = 6
"""
OPENNESS = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]])


@pytest.fixture(scope="module")
def resonators():
    (case,) = models.cases(loads(DESIGN, "test"))
    return models.resonator("lumped", case), models.resonator("ports", case)


def test_both_models_tell_much_the_same(resonators):
    lumped, ports = resonators
    one, other = lumped.motion(OPENNESS, 1), ports.motion(OPENNESS, 3)
    assert other.drive[:, 0] == pytest.approx(one.drive[:, 0], rel=0.12)
    assert other.through[:, 0] ** 2 == pytest.approx(one.through[:, 0] ** 2, rel=0.12, abs=1e-6)
    share, single = (np.abs(m.flow[2, 0, 1:] / m.flow[2, 0, 0]) for m in (other, one))
    assert share == pytest.approx(single, rel=0.12)


def test_higher_resonances_are_those_of_the_port_model(resonators):
    """The same number as `simkit resonances` tells, which solves them one by one among all modes of the chamber."""
    _, ports = resonators
    motion = ports.motion(OPENNESS, 4)
    for i, fingering in enumerate(([], ["1"], ["1", "2"])):
        exact = ports.resonances(fingering, 4)
        assert motion.omega[i] == pytest.approx([r.omega for r in exact], rel=1e-7)


def test_the_lowest_resonance_is_exactly_the_models(resonators):
    for resonator, motion in zip(
        resonators,
        (resonators[0].motion(OPENNESS, 1), resonators[1].motion(OPENNESS, 2)),
        strict=True,
    ):
        assert motion.omega[:, 0] == pytest.approx(resonator.lowest(OPENNESS), rel=1e-12)


@pytest.mark.parametrize("which", [0, 2])
def test_motion_and_the_models_own_admittance_agree_at_the_window(resonators, which):
    """Beside and on the lowest resonance, and beside the second; in parts of what the window's mass alone would pass.

    What is left is the spring of all the resonances that are not carried.
    """
    _, ports = resonators
    motion = ports.motion(OPENNESS[which : which + 1], 6)
    f1, f2 = motion.frequency[0, :2]
    frequency = np.array([0.8 * f1, f1, 1.25 * f1, 0.97 * f2])
    fingering = [name for name, open_ in zip(ports.holes, OPENNESS[which], strict=True) if open_]
    exact = ports.admittance(fingering, frequency)
    omega = 2 * np.pi * frequency
    loop = Loop(motion.only(np.zeros(4, int)), jet=None)
    ours = -1j * omega / motion.air.density * loop.answer(omega).response
    scale = (motion.drive.sum() + motion.through[0, 0] ** 2) / (motion.air.density * omega)
    assert (np.abs(ours - exact) < 0.15 * scale + 0.03 * np.abs(exact)).all()
