"""Names are labels: what holes and chambers are called moves no frequency and no doubt, and comes back as written."""

from dataclasses import replace

import numpy as np
import pytest

import simkit
from simkit.body import body_of
from simkit.body.meshes.all_air import Grading
from simkit.sound.models import cases, resonator
from simkit.sound.models.port_solutions import solved

EGG = """
clay.wall_mm = 5
[[chamber]]
name = "body"
shape = "egg"
length_mm = 90
width_mm = 60
height_mm = 50
widest_at = 0.42
[chamber.voicing]
along_mm = 16
around_deg = 180
window_width_mm = 12
cut_up_mm = 5.5
windway_height_mm = 1.4
windway_length_mm = 32
edge_deg = 45
[[chamber.hole]]
name = "1"
along_mm = 40
around_deg = -25
diameter_mm = 9.0
[[chamber.hole]]
name = "2"
along_mm = 50
around_deg = 40
diameter_mm = 4.0
"""
STATES = np.array([[0.0, 0.0], [0.0, 1.0], [1.0, 1.0]])


def called(name: str) -> str:
    return EGG.replace('name = "1"', f'name = "{name}"')


@pytest.mark.parametrize("name", ["window", "the window", "windway", "body"])
def test_a_hole_is_a_hole_whatever_it_is_called(name):
    plain, other = (resonator("ports", cases(simkit.loads(text))[0]) for text in (EGG, called(name)))
    np.testing.assert_allclose(other.lowest(STATES), plain.lowest(STATES), rtol=1e-9)
    for opened in ((), ("2",)):
        assert other.evidence(opened).uncertainty_cents == pytest.approx(plain.evidence(opened).uncertainty_cents)
    assert other.evidence((name,)).uncertainty_cents == pytest.approx(plain.evidence(("1",)).uncertainty_cents)
    assert other.windowed and list(other.field.windows) == [True, False, False]


@pytest.mark.slow
def test_what_is_kept_by_name_keeps_a_hole_apart_from_the_window():
    """The judge's sizes, covers and air under fingers."""
    chamber = body_of(simkit.loads(called("window"))).chambers[0]
    assert len(Grading.of(chamber, 0.1).rims) == 3
    assert resonator("resolved", cases(simkit.loads(called("window")))[0])._opened(np.array([0.0, 0.0])) != ("window",)


def test_the_windows_share_of_doubt_follows_the_window():
    """With a window all but closed by its size a big hole carries the flow, and with it goes the window's doubt."""
    small = called("window").replace("width_mm = 12", "width_mm = 4").replace("cut_up_mm = 5.5", "cut_up_mm = 1.2")
    model = resonator("ports", cases(simkit.loads(small))[0])
    assert model.evidence(("window",)).uncertainty_cents < model.evidence(()).uncertainty_cents


def test_a_renamed_chamber_and_hole_have_their_own_names():
    first = body_of(simkit.loads(EGG))
    assert solved(first).field.names[0][0] == "body"
    for name in ("head", "body"):
        text = EGG.replace('name = "body"', f'name = "{name}"').replace('name = "2"', f'name = "{name} 2"')
        solution = solved(body_of(simkit.loads(text)))
        assert {chamber for chamber, _ in solution.field.names} == {name}
        assert solution.field.names[-1] == (name, f"{name} 2")
        assert solution.air.body.chambers[0].name == name
    assert solved(replace(first, cautions=())).air.chambers[0] is solved(first).air.chambers[0]
