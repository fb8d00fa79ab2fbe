"""Rims of a rolling ball in the walls of balls, where its path is known in closed form; covers over flat slopes."""

from functools import lru_cache

import numpy as np
import pytest

from simkit.body import Opening, kernel
from simkit.body.meshes.bands import strip_between
from simkit.body.meshes.outlines import Footprint
from simkit.body.meshes.panels import disc
from simkit.body.meshes.rims import duct_of
from simkit.body.meshes.soundness import uncrossed
from simkit.body.walls.formulas import EggWall

R, WALL, RIM = 20e-3, 4e-3, 0.5e-3
BALL = EggWall(2 * R, 2 * R, 2 * R)
PLACE = {
    "center": np.array([0.0, R, R]),
    "axis": np.array([0.0, 0.0, 1.0]),
    "across": np.array([1.0, 0.0, 0.0]),
    "length": WALL,
    "rim": RIM,
    "inside_rim": RIM,
}
HALF, CUT_UP = 5.5e-3, 4e-3


@lru_cache
def duct_at(edge_deg):
    return duct_of(BALL, WALL, window(edge_deg))


def window(edge_deg, **other):
    return Opening("window", **(PLACE | {"width": 2 * HALF, "height": CUT_UP, "edge_deg": edge_deg} | other))


def on_rims(duct, turns):
    """Points halfway round the inner and the outer rim, from the ball's centre: (2, n, 3) in the opening's frame."""
    points = [duct.frame(duct.points(turns, np.full(len(turns), depth))) for depth in (0.5, 2.5)]
    return np.stack(points) + [0, 0, R]


def paths(fixed):
    """How high over the middle of the wall's ball the rolling ball's centre is, (2,): it is `fixed` from the axis."""
    return [np.sqrt((R + RIM) ** 2 - fixed**2), np.sqrt((R + WALL - RIM) ** 2 - fixed**2)]


def test_a_holes_rims_are_a_rolling_balls():
    """Its centre runs on a circle `radius + rim` about the hole's axis, `rim` under either face."""
    radius = 6e-3
    for points, high in zip(
        on_rims(duct_of(BALL, WALL, Opening("hole", radius=radius, **PLACE)), np.linspace(0, 1, 9)),
        paths(radius + RIM),
        strict=True,
    ):
        away = np.hypot(np.hypot(points[:, 0], points[:, 1]) - radius - RIM, points[:, 2] - high)
        assert away == pytest.approx(RIM, rel=1e-6)


@pytest.mark.parametrize("edge_deg", [pytest.param(90.0, marks=pytest.mark.slow), 45.0])
def test_a_windows_rims_are_a_rolling_balls_along_sides_and_exit(edge_deg):
    """Where a side falls away by 16 degrees, as where it hardly does. The ball's centre keeps `rim` behind the side.

    A setback square to the axis would make the rim half as sharp again outside as inside.
    """
    for turn, across in ((0.125, False), (0.34, True), (0.91, True)):
        fixed = HALF + RIM if across else CUT_UP / 2 + RIM
        for points, high in zip(on_rims(duct_at(edge_deg), np.array([turn])), paths(0.0), strict=True):
            x, y, z = points[0]
            aside, along = (abs(x), y) if across else (-y, x)
            reach = np.hypot(along, z)  # the centre's circle lies in the plane `fixed` behind the axis
            away = np.hypot(aside - fixed, reach - np.sqrt(high**2 - fixed**2))
            assert away == pytest.approx(RIM, rel=0.03)


@pytest.mark.parametrize("edge_deg", [*(pytest.param(deg, marks=pytest.mark.slow) for deg in (60.0, 30.0)), 15.0])
def test_a_nose_is_as_round_in_the_middle_as_beside_it_and_ends_the_cut_up(edge_deg):
    """Three points of it lie on a circle of the rim's radius, seen along the edge there."""
    turns = 0.5 + np.array([0.03, 0.125, 0.2])
    duct = duct_at(edge_deg)
    edge = duct.points(turns + 1e-3, np.ones(3)) - duct.points(turns - 1e-3, np.ones(3))
    edge /= np.linalg.norm(edge, axis=1)[:, None]
    a, b, c = (duct.points(turns, np.full(3, depth)) for depth in (0.3, 0.5, 0.7))
    sides = [v - np.einsum("ni,ni->n", v, edge)[:, None] * edge for v in (b - a, c - b, c - a)]
    area = np.linalg.norm(np.cross(sides[0], sides[2]), axis=1) / 2
    radius = np.prod([np.linalg.norm(v, axis=1) for v in sides], axis=0) / (4 * area)
    assert radius == pytest.approx(RIM, rel=0.05)
    middle = duct.frame(duct.points(np.full(201, 0.625), np.linspace(0, 1, 201)))
    assert middle[:, 1].min() == pytest.approx(CUT_UP / 2, abs=1e-6)


@pytest.mark.parametrize("edge_deg", [90.0, pytest.param(45.0, marks=pytest.mark.slow), 15.0])
def test_an_outline_knows_its_points_turns_and_area(edge_deg):
    """By Green's formula for the area; a slope's outline outside is no box."""
    duct = duct_at(edge_deg)
    turns = np.linspace(0, 1, 50)[:-1] + 0.004
    for foot, row in ((duct.inside, 0), (duct.outside, 5)):
        at = duct.frame(duct.exact(turns)[:, row])
        assert np.abs(foot.beyond(at)).max() < 1e-8
        assert np.abs((foot.turn(at) - turns + 0.5) % 1 - 0.5).max() < 1e-6
        assert (foot.beyond(0.99 * at) < 0).all()
        x, y = np.concatenate(list(foot.plan)).T
        area = np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) / 2
        assert foot.rule()[1].sum() == pytest.approx(area, rel=1e-4)


def test_a_round_outlines_area():
    turns = np.linspace(0, 1, 97)[None]
    ring = 3e-3 * np.stack([np.cos(2 * np.pi * turns), np.sin(2 * np.pi * turns)], axis=2)
    assert Footprint(turns, ring).rule()[1].sum() == pytest.approx(np.pi * 9e-6, rel=1e-7)


@pytest.mark.parametrize("edge_deg", [45.0, pytest.param(20.0, marks=pytest.mark.slow), 15.0])
@pytest.mark.parametrize("size", [0.35e-3, 0.5e-3])
def test_a_cover_stays_clear_of_a_flat_slope(edge_deg, size):
    """Its middle once lay below the slope: then the air has no inside, and gmsh fills nothing without a word."""
    duct = duct_at(edge_deg)
    turns = np.concatenate([(k + np.linspace(0, 1, n + 1)[:-1]) / 4 for k, n in enumerate((28, 20) * 2)])
    points = np.concatenate([duct.points(turns, np.full(len(turns), depth)) for depth in (0.0, 3.0)])
    n = len(turns)
    strip, ends = strip_between(duct, points, (np.arange(n), n + np.arange(n)), size, 0.45)
    points = np.concatenate([*ends, strip.inner_points()])
    strip.ids[1:-1] = 2 * n + np.arange(len(points) - 2 * n).reshape(strip.ids[1:-1].shape)
    loop = strip.ids[strip.cover]
    with kernel.session() as gmsh:
        extra, triangles = disc(gmsh, duct, points[loop])
    number = np.concatenate([loop, len(points) + np.arange(len(extra))])
    uncrossed(
        np.concatenate([points, extra]), np.concatenate([number[triangles], strip.triangles(0, strip.cover, points)])
    )
