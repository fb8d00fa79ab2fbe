"""Walls against closed forms and theorems of differential geometry."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.spatial.transform import Rotation

from simkit.body.places import Place, tangent_frame
from simkit.body.walls.formulas import BoxWall, EggWall, LensWall, TubeWall
from simkit.body.walls.lobes import LobesWall
from simkit.body.walls.placed import PlacedWall
from simkit.body.walls.sections import SectionsWall
from simkit.body.walls.wall import Wall, cast, clearance, curvatures, distance, normals, project


def wall_points(wall, fine=2):
    return np.concatenate([s.points[1:-1, :-1].reshape(-1, 3) for s in wall.sheets(fine) if not s.flat])


def test_derivatives_of_the_level_agree_with_differences(wall):
    """At every point; one second derivative in a hundred may have a seam of the sections between, where they jump."""
    step = 1e-6
    rng = np.random.default_rng(3)
    p = wall_points(wall)[::17] + rng.normal(0, 3e-4, (len(wall_points(wall)[::17]), 3))
    t = wall.taylor(p)
    for i, e in enumerate(np.eye(3) * step):
        slope = (wall.level(p + e) - wall.level(p - e)) / (2 * step)
        bend = (wall.taylor(p + e).slope - wall.taylor(p - e).slope) / (2 * step)
        assert np.abs(slope - t.slope[:, i]).max() < 1e-6 * np.abs(t.slope).max()
        off = np.abs(bend - t.hessian[:, i]).max(axis=1)
        assert np.quantile(off, 0.99, method="lower") < 1e-6 * np.abs(t.hessian).max() + 1e-9
        assert off.max() < 1e-2 * np.abs(t.hessian).max() + 1e-9


@pytest.mark.parametrize("name", ["egg", "round sections", "flat sections", "half round sections"])
def test_derivatives_written_out_are_those_of_the_formula(walls, name):
    """Against automatic differentiation of the same formula, in the open and beyond the ends too, turned or not."""
    wall = PlacedWall(walls[name], (0.01, -0.02, 0.03), 37.0)
    low, high = wall.box
    points = low + (high - low) * np.random.default_rng(5).uniform(-0.2, 1.2, (2000, 3))
    written, formula = wall.taylor(points), Wall.taylor(wall, points)
    for of in ("value", "slope", "hessian"):
        one, other = (np.reshape(getattr(t, of), (len(points), -1)) for t in (written, formula))
        size = np.abs(other).max(axis=1)
        assert (np.abs(one - other).max(axis=1) <= 1e-11 * size + 1e-16).all()


def test_total_curvature_is_four_pi(smooth_wall):
    """Gauss-Bonnet for a body without holes: the integral of k1 k2 over its wall is 4 pi (any textbook)."""
    total = 0.0
    for sheet in smooth_wall.sheets(8):
        p = sheet.points
        a, b, c, d = p[:-1, :-1], p[1:, :-1], p[1:, 1:], p[:-1, 1:]
        middle = project(smooth_wall, ((a + b + c + d) / 4).reshape(-1, 3))
        k1, k2, _ = curvatures(smooth_wall, middle)
        area = np.linalg.norm(np.cross(c - a, d - b), axis=-1).ravel() / 2
        total += float(np.sum(k1 * k2 * area))
    assert total == pytest.approx(4 * np.pi, rel=0.02)  # curvature jumps where a rounding ends: first order there


def test_curvatures_of_an_ellipsoid_at_its_poles(walls):
    """a/b^2 and a/c^2 at the end of the half axis a (do Carmo 1976, sec. 3.3)."""
    wall = walls["ellipsoid"]
    k1, k2, e1 = curvatures(wall, np.array([[0.031, 0.048, 0.0]]))
    assert k1[0] == pytest.approx(0.031 / 0.025**2, rel=1e-12)
    assert k2[0] == pytest.approx(0.031 / 0.048**2, rel=1e-12)
    assert np.abs(e1[0]) == pytest.approx([0, 0, 1], abs=1e-9)


def test_a_ball_curves_positively_and_a_waist_negatively():
    k1, k2, _ = curvatures(EggWall(0.06, 0.06, 0.06), np.array([[0.0, 0.03, 0.03]]))
    assert (k1[0], k2[0]) == pytest.approx((1 / 0.03, 1 / 0.03))
    waist = SectionsWall(((0, 0.05, 0.05, 0, 2), (0.04, 0.02, 0.02, 0, 2), (0.08, 0.05, 0.05, 0, 2)))
    _, k2, e1 = curvatures(waist, np.array([[0.0, 0.041, 0.01]]))
    assert k2[0] < 0 and abs(e1[0, 0]) > 0.99


def test_feet_are_the_nearest_points(wall):
    """Against the nearest of many sampled wall points: no foot lies farther from one than a triangle's circumcentre,
    1/sqrt(3) of its longest side."""
    sheets = [s.points for s in wall.sheets(6)]
    cloud = np.concatenate([points.reshape(-1, 3) for points in sheets])
    sides = [(p[1:, 1:] - p[:-1, :-1], p[1:, :-1] - p[:-1, 1:], p[1:] - p[:-1], p[:, 1:] - p[:, :-1]) for p in sheets]
    gap = max(np.linalg.norm(side, axis=-1).max() for each in sides for side in each) / np.sqrt(3)
    rng = np.random.default_rng(5)
    low, high = wall.box
    p = rng.uniform(low - 0.01, high + 0.01, (200, 3))
    p = p[wall.level(p) > 0]  # in the clay, where the foot on these walls is well defined
    foot = project(wall, p)
    sampled = np.array([np.linalg.norm(cloud - q, axis=1).min() for q in p])
    ours = np.linalg.norm(p - foot, axis=1)
    assert np.all(ours <= sampled + 1e-9)
    assert np.abs(wall.level(foot)).max() < 1e-9
    assert np.all(sampled - ours <= gap)
    assert gap < 3e-3


@pytest.mark.parametrize(
    ("wall", "volume", "area"),
    [
        (EggWall(0.06, 0.06, 0.06), np.pi / 6 * 0.06**3, np.pi * 0.06**2),
        (TubeWall(0.09, 0.03), np.pi * 0.015**2 * 0.09, 2 * np.pi * 0.015 * (0.09 + 0.015)),
        (TubeWall(0.09, 0.03, True), np.pi * 0.015**2 * 0.06 + np.pi / 6 * 0.03**3, np.pi * 0.03 * 0.09),
        (BoxWall(0.05, 0.09, 0.04), 0.05 * 0.09 * 0.04, 2 * (0.05 * 0.09 + 0.09 * 0.04 + 0.04 * 0.05)),
        (SectionsWall(((0, 0.04, 0.03, 0, 2), (0.07, 0.04, 0.03, 0, 2))), np.pi * 0.02 * 0.015 * 0.07, None),
    ],
)
def test_volumes_and_areas_by_closed_form(wall, volume, area):
    assert wall.volume == pytest.approx(volume, rel=1e-9)
    if area is not None:
        assert wall.area == pytest.approx(area, rel=1e-6)


def test_area_of_a_prolate_spheroid():
    """2 pi a^2 (1 + c/(a e) asin e), Zwillinger, CRC Standard Mathematical Tables [memory]."""
    a, c = 0.03, 0.048
    e = np.sqrt(1 - (a / c) ** 2)
    assert EggWall(2 * a, 2 * c, 2 * a).area == pytest.approx(2 * np.pi * a**2 * (1 + c / (a * e) * np.arcsin(e)))


def test_the_egg_has_its_widest_ring_where_it_says():
    wall = EggWall(0.06, 0.1, 0.05, 0.4)
    assert wall.level(np.array([[0.03, 0.04, 0.0], [0.0, 0.04, 0.025], [0, 0, 0], [0, 0.1, 0]])) == pytest.approx(
        [0] * 4
    )
    volume, _ = quad(lambda y: np.pi * 0.03 * 0.025 * max(0.0, -wall.level(np.array([[0.0, y, 0.0]]))[0]), 0, 0.1)
    assert wall.volume == pytest.approx(volume, rel=1e-7)


def test_the_lens_has_its_rim_radius():
    wall = LensWall(0.07, 0.09, 0.024, 0.004)
    k1, _, _ = curvatures(wall, np.array([[0.035, 0.045, 0.0]]))
    assert 1 / k1[0] == pytest.approx(0.004)
    assert LensWall(0.06, 0.06, 0.024, 0.0048).volume == pytest.approx(
        np.pi / 6 * 0.06 * 0.06 * 0.024
    )  # q = 0: ellipsoid


def test_section_rows_are_met(walls):
    wall = walls["round sections"]
    at = [
        [0.025, 0.04, 0.002],
        [0.0, 0.04, 0.022],
        [0.0, 0.08, 0.021],
        [-0.015, 0.08, 0.006],
        [0.0, -0.01, 0.0],
        [0, 0.1, 0.008],
    ]
    assert np.abs(wall.level(np.array(at))).max() < 1e-9
    square = [0.025 * 2 ** (-1 / 2.5), 0.04, 0.002 + 0.02 * 2 ** (-1 / 2.5)]  # the superellipse's own diagonal
    assert abs(wall.level(np.array([square]))[0]) < 1e-9


def test_holes_are_aimed_from_the_axis(walls):
    wall = walls["ellipsoid"]
    top, axis = Place(0.048, 0).on(wall)
    assert top == pytest.approx([0, 0.048, 0.025]) and axis == pytest.approx([0, 0, 1])
    right, axis = Place(0.048, 90).on(wall)
    assert right == pytest.approx([0.031, 0.048, 0]) and axis == pytest.approx([1, 0, 0])
    under, _ = Place(0.03, 180).on(wall)
    assert under[2] < 0 and under[0] == pytest.approx(0)
    with pytest.raises(ValueError, match="between 0 and 96"):
        Place(0.097, 0).on(wall)


def test_the_breath_runs_where_it_is_told(walls):
    wall = walls["ellipsoid"]
    for around, deg, way in ((180, 0, [0, 1, 0]), (180, 90, [1, 0, 0]), (0, -90, [-1, 0, 0]), (0, 180, [0, -1, 0])):
        _, axis = Place(0.048, around).on(wall)
        across = tangent_frame(wall, axis, deg)
        assert np.cross(across, axis) == pytest.approx(way, abs=1e-12)
    with pytest.raises(ValueError, match="direction"):
        tangent_frame(wall, np.array([1.0, 0, 0]), 90)


def test_a_turned_chamber_keeps_its_shape_and_moves_its_axis(walls):
    wall = PlacedWall(walls["egg"], (0.01, 0.02, 0.03), 90)
    _, along = wall.axis
    assert along == pytest.approx([1, 0, 0])  # clockwise seen from above: away becomes right
    p, _ = Place(0.0365, 0).on(wall)
    assert p == pytest.approx([0.01 + 0.0365, 0.02, 0.03 + 0.025], abs=2e-6)
    there = Rotation.from_euler("z", -90, degrees=True).apply([[0.01, 0.05, 0.02]]) + [0.01, 0.02, 0.03]
    assert distance(wall, there) == pytest.approx(distance(walls["egg"], np.array([[0.01, 0.05, 0.02]])))


def test_clearance_crosses_the_chamber(walls):
    assert clearance(walls["ellipsoid"], np.array([0, 0.048, 0.025]), np.array([0.0, 0.0, 1.0])) == pytest.approx(0.05)
    assert cast(walls["sphere"], [0, 0.07, 0], [0, 0, 1]) is None
    assert normals(walls["sharp box"], np.array([[0.025, 0.03, 0.01]]))[0] == pytest.approx([1, 0, 0])


def test_two_overlapping_balls_have_the_volume_of_the_textbook():
    """Lens common to two balls of radius r, centres d apart: pi (4 r + d)(2 r - d)^2/12 (Weisstein, MathWorld)."""
    r, d = 0.03, 0.04
    wall = LobesWall(((0.03, 0, 0, 2 * r, 2 * r, 2 * r), (0.03 + d, 0, 0, 2 * r, 2 * r, 2 * r)))
    assert wall.volume == pytest.approx(8 / 3 * np.pi * r**3 - np.pi * (4 * r + d) * (2 * r - d) ** 2 / 12, rel=1e-5)
    assert wall.area == pytest.approx(2 * 2 * np.pi * r * (r + d / 2), rel=2e-3)  # two caps of height r + d/2


@pytest.mark.parametrize(
    "tail",
    [
        ((0.025, 0.01, 0.01, 0, 2), (0.03, 0.02, 0.02, 0.002, 2.5)),
        ((0.045, 0.03, 0.03, 0, 2), (0.05, 0.02, 0.02, 0.002, 2.5)),
        ((0.05, 0.03, 0.03, 0, 2), (0.055, 0.02, 0.02, 0.002, 2.5)),
    ],
)
def test_there_is_no_air_beyond_a_tip(tail):
    """The cubics that such rows are drawn through turn again beyond the tip."""
    wall = SectionsWall(((0, 0, 0, 0, 2), (0.015, 0.045, 0.04, 0, 2), *tail, (0.06, 0, 0, 0.005, 2)))
    far = np.concatenate([[1e-6], np.linspace(1e-3, 0.15, 60)])
    for y, rise in ((0.06 + far, 0.005), (-far, 0.0)):
        for x, z in ((0.0, rise), (0.01, rise), (0.0, rise + 0.004)):
            points = np.stack([np.full_like(y, x), y, np.full_like(y, z)], axis=1)
            assert (wall.level(points) > 0).all()


@pytest.mark.parametrize("sizes", [(0.015, 0.04, 0.016), (0.03, 0.03, 0.03), (0.06, 0.02, 0.01)])
def test_feet_on_an_ellipsoid_are_those_of_any_smooth_wall(sizes):
    """Beside Newton's own search of the perpendicular: from far, close by, on it, on its planes, in its middle."""
    wall, rng = EggWall(*sizes), np.random.default_rng(3)
    middle = np.array([0.0, sizes[1] / 2, 0.0])
    away = rng.uniform(-0.05, 0.05, (300, 3))
    on = wall_points(wall, 1)[::9]
    planes = away[:60] * np.tile(np.eye(3) == 0, (20, 1))
    points = np.concatenate([middle + away, middle + away / 5, on, on + 1e-6, middle + planes, middle[None]])
    near, searched = (
        np.linalg.norm(foot - points, axis=1) for foot in (wall.nearest(points), Wall.nearest(wall, points))
    )
    assert np.abs(wall.level(wall.nearest(points))).max() < 1e-13
    assert (near < searched + 1e-14).all()


def test_a_point_right_beyond_a_tip_has_its_foot_there_though_the_other_end_is_flat():
    """On the axis every way out of the middle is as good as another: the foot is the tip, and on the flat end's side
    the point below the middle."""
    wall = SectionsWall(((0, 0.06, 0.06, 0, 2), (0.1, 0.06, 0.06, 0, 2), (0.13, 0, 0, 0, 2)))
    beyond = np.array([[0.0, 0.135, 0.0], [0.0, -0.005, 0.0]])
    assert project(wall, beyond) == pytest.approx(np.array([[0, 0.13, 0], [0, 0, 0]]), abs=1e-6)


def test_points_below_a_narrow_foot_have_their_feet_on_it():
    """The wall drawn out beyond its flat end closes somewhere: there width and height vanish together."""
    rows = ((0, 0.12), (0.05, 0.165), (0.11, 0.18), (0.19, 0))
    wall = SectionsWall(tuple((along, size, size, 0, 2) for along, size in rows))
    below = np.array([[0.0, -0.001 * depth, 0.0] for depth in range(1, 60)])
    assert project(wall, below) == pytest.approx(np.zeros_like(below), abs=1e-9)
