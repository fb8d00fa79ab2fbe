"""Reading a nodal field along the wall: exact where the field is one that elements hold, and smooth across facets."""

import numpy as np
import pytest

from simkit.body.meshes.curved import air_mesh
from simkit.body.walls.formulas import BoxWall, EggWall
from simkit.body.walls.wall import project
from simkit.field.fem.probes import WallReader


def quadratic(p):
    x, y, z = p.T
    return 1 + 3 * x - y + 20 * x * y - 30 * z * z + 10 * y * z


def test_a_quadratic_field_is_read_exactly_on_flat_faces_up_to_their_edges():
    wall = BoxWall(0.05, 0.09, 0.04)
    mesh = air_mesh(wall, 0.015)
    u = np.linspace(0, 0.025, 60)
    at = np.concatenate([np.stack([u, 0.045 + 0.03 * np.cos(9 * u), 0 * u + 0.02], axis=1), [[0.025, 0.0, 0.02]]])
    reader = WallReader.of(mesh.points, mesh.facets)
    assert reader.rows(at) @ quadratic(mesh.points) == pytest.approx(quadratic(at), rel=1e-9)


@pytest.mark.slow  # at once: a pitch that is smooth as a hole moves, in test_port_field
@pytest.mark.parametrize("size", [0.008, *(pytest.param(size, marks=pytest.mark.slow) for size in (0.0075, 0.0077))])
def test_what_is_read_along_a_curved_wall_has_no_kinks(size):
    """A field with a continuous slope: over steps eight times as short, slopes of neighbouring steps differ by an
    eighth. Across the kinks of quadratic elements they would differ as much as before."""
    wall = EggWall(0.06, 0.09, 0.05, 0.4)
    mesh = air_mesh(wall, size)
    field = np.cos(100 * mesh.points @ [0.6, 0.64, 0.48])
    reader = WallReader.of(mesh.points, mesh.facets)

    t = np.linspace(0, 1.5, 8001)
    path = np.stack([0.03 * np.sin(3 * t), 0.02 + 0.03 * t, 0.03 * np.cos(3 * t)], axis=1)
    read = reader.rows(project(wall, path)) @ field
    coarse, fine = (np.abs(np.diff(read[::step], 2)).max() / step for step in (8, 1))
    assert fine < 0.2 * coarse


def test_what_is_missed_of_a_cubic_field_falls_as_the_third_power_of_the_size_not_as_the_second():
    wall = EggWall(0.06, 0.06, 0.06)
    at = project(wall, np.random.default_rng(3).normal(0, 0.03, (2000, 3)) + [0, 0.03, 0])
    spans, misses = [], []
    for size in np.geomspace(0.012, 0.006, 4):
        mesh = air_mesh(wall, size)
        x, y, z = mesh.points.T / 0.03
        read = WallReader.of(mesh.points, mesh.facets).rows(at) @ (x**3 - 2 * x * y * z)
        x, y, z = at.T / 0.03
        misses.append(np.sqrt(np.mean((read - (x**3 - 2 * x * y * z)) ** 2)))
        spans.append(len(mesh.facets) ** -0.5)
    assert np.polyfit(np.log(spans), np.log(misses), 1)[0] > 2.5


def test_beside_a_crease_the_facet_is_read_that_the_point_is_on():
    """Two facets that meet at 60 degrees, one five times as long: the foot of a point of that one lies farther within
    the other, and off it."""
    side, short = [[0.0, -1, 0], [0, 1, 0]], 0.4 * np.array([np.cos(np.pi / 3), 0, np.sin(np.pi / 3)])
    corners = np.array([[*side, [2.0, 0, 0]], [*side, short]])
    points = np.concatenate([corners, (corners[:, [0, 1, 0]] + corners[:, [1, 2, 2]]) / 2], axis=1).reshape(-1, 3)
    reader = WallReader.of(points, np.arange(12).reshape(2, 6))
    at = np.array([[0.3, 0.1, 0], [0.05, 0, 0], 0.5 * short])
    assert reader.rows(at) @ quadratic(points) == pytest.approx(quadratic(at), rel=1e-9)
