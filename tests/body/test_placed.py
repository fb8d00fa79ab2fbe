"""A wall at its place in the body is the same wall, turned and shifted."""

import numpy as np
import pytest

from simkit.body.places import Place
from simkit.body.walls.formulas import EggWall
from simkit.body.walls.placed import PlacedWall
from simkit.body.walls.sections import SectionsWall
from simkit.body.walls.wall import curvatures, feet, normals, project


@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
def test_a_placed_wall_answers_as_the_wall_does_at_home(wall, turn_deg):
    placed = PlacedWall(wall, (0.1, 0.02, -0.03), turn_deg)
    box = wall.box
    points = np.random.default_rng(0).uniform(box[0] - 0.01, box[1] + 0.01, (60, 3))

    def there(x):
        return x @ placed.turn.T + placed.shift

    near = project(wall, points)
    assert project(placed, there(points)) == pytest.approx(there(near), abs=1e-9)
    assert placed.level(there(points)) == pytest.approx(wall.level(points), abs=1e-9)
    corners = np.array(np.meshgrid(*box.T)).reshape(3, -1).T
    assert (placed.box[0] >= there(corners).min(axis=0) - 1e-9).all()
    assert (placed.box[1] <= there(corners).max(axis=0) + 1e-9).all()
    # On an edge there is no normal: only where the nearest point lies square below.
    away = (points - near) / np.linalg.norm(points - near, axis=1, keepdims=True)
    smooth = near[np.abs(np.einsum("ij,ij->i", away, normals(wall, near))) > 1 - 1e-9][:20]
    assert len(smooth) > 5
    assert normals(placed, there(smooth)) @ placed.turn == pytest.approx(normals(wall, smooth), abs=1e-7)
    assert np.nan_to_num(curvatures(placed, there(smooth))[0]) == pytest.approx(
        np.nan_to_num(curvatures(wall, smooth)[0]), rel=1e-5, abs=1e-3
    )


def test_the_nearest_of_several_walls_is_the_nearest_foot_on_any():
    """Against asking every wall about every point."""
    egg = EggWall(0.05, 0.09, 0.045, 0.42)
    walls = (
        egg,
        PlacedWall(egg, (0.06, 0.01, 0.0), 35.0),
        PlacedWall(EggWall(0.03, 0.05, 0.02), (0.1, 0.0, 0.01), 90.0),
    )
    points = np.random.default_rng(2).uniform(-0.06, 0.16, (400, 3))
    every = np.stack([project(wall, points) for wall in walls])
    owner = np.linalg.norm(every - points, axis=2).argmin(axis=0)
    found, mine = feet(walls, points)
    assert (mine == owner).all()
    assert found == pytest.approx(every[owner, np.arange(len(points))], abs=1e-12)


def test_holes_of_a_drooping_nose_are_aimed_from_the_middle_of_its_sections():
    """A straight axis would leave the air 20 mm before the tip; the wall is met where the section says."""
    rows = ((0, 0, 0, 0, 2), (0.02, 0.04, 0.04, 0, 2), (0.06, 0.03, 0.03, -0.01, 2), (0.09, 0.014, 0.014, -0.03, 2))
    wall = SectionsWall((*rows, (0.1, 0, 0, -0.035, 2)))
    assert wall.level(np.array([[0.0, 0.09, 0.0]]))[0] > 0
    for around_deg, off in ((0.0, (0, 0.007)), (90.0, (0.007, 0)), (180.0, (0, -0.007))):
        point, _ = Place(0.09, around_deg).on(wall)
        assert point == pytest.approx([off[0], 0.09, -0.03 + off[1]], abs=1e-9)
    moved = PlacedWall(wall, (0.01, 0.02, 0.03), 90.0)  # clockwise seen from above: along runs to the right
    assert moved.middle(np.array([0.09]))[0] == pytest.approx([0.01 + 0.09, 0.02, 0.0], abs=1e-12)
