"""The judge in a body of several chambers: the clay of its neighbours is there, and counts as much as ports says."""

from dataclasses import replace

import numpy as np
import pytest

from simkit.body import body_of
from simkit.body.meshes.all_air import whole_mesh
from simkit.sound import models
from simkit.vessel import loads

CLAY = "[clay]\nwall_mm = 5\nedge_radius_mm = 0.8\nedge_inside_radius_mm = 0.8\n"
BALL = """
[[chamber]]
name = "{name}"
shape = "sphere"
diameter_mm = {size}
offset_mm = [0, {across}, 0]
[[chamber.hole]]
name = "1"
along_mm = {along}
around_deg = {around}
diameter_mm = 12
"""
ONE = CLAY + BALL.format(name="one", size=60, across=0, along=30, around=20)
TWO = ONE + BALL.format(name="two", size=44, across=58, along=22, around=120)
SMALL = CLAY + BALL.format(name="one", size=30, across=0, along=15, around=-20).replace("= 12", "= 7")
BESIDE_LARGE = SMALL + BALL.format(name="two", size=110, across=64, along=55, around=120)


@pytest.mark.slow
@pytest.mark.parametrize(("alone", "beside"), [(ONE, TWO), (SMALL, BESIDE_LARGE)])
def test_a_neighbour_s_clay_moves_a_note_as_much_by_resolved_as_by_ports(alone, beside):
    cents = {}
    for count, text in ((1, alone), (2, beside)):
        case = models.cases(loads(text), lossless=True)[0]
        ports = models.resonator("ports", case)
        quick = (ports if count == 1 else ports.alone()).resonances(["1"])[0]
        judge = models.resonator("resolved", case)
        careful = judge.resonances(["1"])[0]
        assert ("the other chambers are closed" in " ".join(judge.evidence(["1"]).cautions)) == (count == 2)
        cents[count] = 1200 * np.log2([quick.frequency_hz, careful.frequency_hz])
        assert abs(np.diff(cents[count])[0]) < 2
        assert careful.q == pytest.approx(quick.q, rel=0.02)
    moved = cents[2] - cents[1]
    assert moved[0] < -0.5  # more clay around it: more air to push, flatter
    assert moved[1] == pytest.approx(moved[0], abs=0.4)


def test_a_large_neighbour_costs_a_small_chamber_s_mesh_little():
    """The air around the clay is as smooth as beside the neighbour: it is not filled with the small one's elements."""
    nodes = []
    for text in (SMALL, BESIDE_LARGE):
        first, *others = body_of(loads(text)).chambers
        nodes.append(len(whole_mesh(replace(first, beside=tuple(each.wall for each in others)), 2.0).mesh.points))
    assert nodes[1] < 1.5 * nodes[0]
