"""The air around a figure of several solids: a mesh that cuts their seams off still passes on what its sources send."""

import numpy as np
import pytest

import simkit
from simkit.body import body_of
from simkit.field import air_of

FIGURE = """
clay.wall_mm = 4
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = 40
[[part]]
name = "leg"
shape = "ellipsoid"
length_mm = 40
width_mm = 14
height_mm = 12
offset_mm = [20, 0, -8]
tilt_deg = -90
[[part]]
name = "ear"
shape = "box"
length_mm = 8
width_mm = 14
height_mm = 20
offset_mm = [12, 12, 12]
"""


@pytest.fixture(scope="module")
def boundary():
    return air_of(body_of(simkit.loads(FIGURE, "a ball on a leg, with an ear"))).outside.boundary


@pytest.mark.parametrize("up_mm", [8.0, 0.0, -10.0])
def test_all_that_a_source_in_the_clay_sends_leaves_through_the_mesh(boundary, up_mm):
    """Gauss's law: 1/(4 pi r) of a point within a closed surface has the flux 1 through it. Six points a facet sum it
    to 1e-3; what is missing is put back beside the mouth, where a thousandth is a tenth of a cent."""
    away = boundary.points - np.array([0.0, 20e-3, 1e-3 * up_mm])
    flux = np.einsum("qi,qi->q", away, boundary.normals) / (4 * np.pi * np.linalg.norm(away, axis=1) ** 3)
    assert -(boundary.rule.weights @ flux) == pytest.approx(1.0, abs=1.5e-3)
