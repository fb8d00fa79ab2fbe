"""What no mesh may have: skins that cross or do not close, nodes that hang loose, elements that fold or are missing."""

import numpy as np
import pytest

import simkit
from simkit.body import body_of, kernel
from simkit.body.meshes import panels as panels_module
from simkit.body.meshes.all_air import whole_mesh
from simkit.body.meshes.panels import fill, sphere
from simkit.body.meshes.soundness import Unsettled, as_large, closed, filled, uncrossed, unfolded
from simkit.errors import MeshError

POINTS = 1e-3 * np.array([[0, 0, 0], [10, 0, 0], [0, 10, 0], [0, 0, 10], [8, 8, 8.0]])
TWO = np.array([[0, 1, 2, 3], [1, 2, 3, 4]])
SKIN = np.array([[0, 1, 2], [0, 1, 3], [0, 2, 3], [1, 2, 4], [1, 3, 4], [2, 3, 4]])


def test_two_tetrahedra_and_their_skin_are_sound():
    closed(SKIN)
    uncrossed(POINTS, SKIN)
    filled(POINTS, TWO, [SKIN])


def test_a_skin_with_a_hole_is_not_closed():
    with pytest.raises(ValueError, match="did not close"):
        closed(SKIN[1:])


def test_a_skin_that_crosses_itself_is_told_with_its_place():
    """The far corner pushed through the first tetrahedron's face behind it."""
    points = POINTS.copy()
    points[4] = 1e-3 * np.array([2.0, 2.0, -4.0])
    with pytest.raises(ValueError, match=r"crosses itself \d mm along, \d mm to the right"):
        uncrossed(points, SKIN)
    with kernel.session() as gmsh, pytest.raises(ValueError, match="crosses itself"):
        fill(gmsh, points, [SKIN], lambda x, y, z: 5.0)


def test_skins_apart_and_far_from_each_other_in_size_do_not_cross():
    small = 0.01 * POINTS + [0.002, 0.002, 0.002]
    both = np.concatenate([SKIN[[0, 1, 2]], [[1, 2, 3]], SKIN + 5])
    uncrossed(np.concatenate([POINTS, small]), both)
    with pytest.raises(ValueError, match="crosses itself"):
        uncrossed(np.concatenate([POINTS, small - [0.00204, 0, 0]]), both)


def test_loose_nodes_are_counted_and_placed():
    """As where gmsh leaves a whole side of the wall empty."""
    with pytest.raises(ValueError, match=r"1 of its nodes hang loose, about 8 mm along, 8 mm to the right, \+8 mm up"):
        filled(POINTS, TWO[:1], [SKIN])


def test_a_missing_element_is_found_though_all_nodes_have_others():
    nodes = np.concatenate([POINTS, [[0.004, 0.004, 0.004]]])
    faces = [[1, 2, 3], [1, 2, 4], [1, 3, 4], [2, 3, 4]]
    tets = np.array([TWO[0], *([*face, 5] for face in faces)])
    filled(nodes, tets, [SKIN])
    with pytest.raises(ValueError, match="do not end at its surface"):
        filled(nodes, tets[:-1], [SKIN])


def test_an_element_inside_out_is_placed():
    with pytest.raises(ValueError, match=r"folds over, \d mm along"):
        unfolded(POINTS, TWO, np.array([1.0, -1e-9]))
    unfolded(POINTS, TWO, np.array([1.0, 1e-9]))


def test_a_wall_that_lost_a_part_is_refused():
    as_large(1.001e-4, 1e-4)
    with pytest.raises(ValueError, match=r"came out -1.00 % off"):
        as_large(0.99e-4, 1e-4)


BALL = """
[clay]
wall_mm = 5
edge_radius_mm = 0.6
edge_inside_radius_mm = 0.6
[[chamber]]
name = "ball"
shape = "sphere"
diameter_mm = 40
[[chamber.hole]]
name = "1"
along_mm = 20
around_deg = 0
diameter_mm = 8
"""


def test_what_gmsh_left_out_is_one_sentence_with_its_place(monkeypatch):
    """A mesh of it all from which some elements are gone."""
    chamber = body_of(simkit.loads(BALL, "ball.toml")).chambers[0]

    def torn(points, tets, skins):
        gone = np.linalg.norm(points[tets].mean(axis=1) - [0.0, 0.02, 0.02], axis=1) < 4e-3
        filled(points, tets[~gone], skins)

    monkeypatch.setattr(panels_module, "filled", torn)
    with pytest.raises(MeshError, match=r"mm along, .* mm up") as said:
        whole_mesh(chamber, 2.0)
    assert "ask the model ports" in str(said.value)


def test_cells_that_are_divided_far_more_often_than_the_skin_asks_for_are_told_with_their_place():
    """A ball of 20 mm, 30 mm along, whose cells near the middle would be of 0.5 mm, some thousands."""

    def size(x, y, z):
        return 0.5 + np.sqrt((x - 2) ** 2 + (y - 30) ** 2 + z**2) / 20

    with kernel.session() as gmsh:
        points, triangles = sphere(gmsh, np.array([0.002, 0.03, 0.0]), 0.01, 0.004)
        with pytest.raises(Unsettled, match=r"without end \d+ mm along, \d mm to the right"):
            fill(gmsh, points, [triangles], size)
