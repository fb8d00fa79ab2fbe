"""Centre of weight, standing, thickness and undercuts: against closed forms of boxes, balls and ellipsoids."""

import math
from itertools import product

import numpy as np
import pytest

from simkit.body import body_of
from simkit.body.clay import clay_volume
from simkit.body.coat import Coat
from simkit.body.mass import clay_centre, outer_points, standing, thickest, thickest_clay, undercut
from simkit.body.mouthpiece import WINDOW_ROOF, WindwayCut, windway_clay
from simkit.body.walls.formulas import EggWall
from simkit.body.walls.placed import PlacedWall
from simkit.body.walls.union import UnionWall
from simkit.vessel import loads

LONG, WIDE, HIGH, BALL, BACK = 0.1, 0.06, 0.05, 0.036, 0.01  # m; the box begins 10 mm before the ball of air
BLOCK = f"""
clay.wall_mm = 4
[outside]
shape = "box"
length_mm = {1e3 * LONG:g}
width_mm = {1e3 * WIDE:g}
height_mm = {1e3 * HIGH:g}
offset_mm = [{-1e3 * BACK:g}, 0, 0]
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = {1e3 * BALL:g}
"""


@pytest.fixture(scope="module")
def block():
    return body_of(loads(BLOCK))


def test_the_centre_of_a_block_with_a_ball_of_air(block):
    whole, air = LONG * WIDE * HIGH, math.pi / 6 * BALL**3
    along = (whole * (LONG / 2 - BACK) - air * BALL / 2) / (whole - air)
    assert clay_centre(block) == pytest.approx([0, along, 0], abs=5e-5)
    assert clay_volume(block) == pytest.approx(whole - air, rel=5e-3)


def cap(radius, height):
    """Volume of a ball's cap and how far its centre lies from the ball's middle (mathematical handbooks)."""
    volume = math.pi * height**2 * (3 * radius - height) / 3
    return volume, 3 * (2 * radius - height) ** 2 / (4 * (3 * radius - height))


def test_the_centre_of_a_ball_on_four_feet():
    """A ball of radius R around a ball of air, each foot a ball of radius r whose middle is d from theirs: what foot
    and body share is two caps that meet in the plane of their common ring."""
    R, r, d, air = 0.03, 0.008, 0.033, 0.02
    low = d * math.sqrt(0.5)
    feet = "".join(
        f'[[part]]\nname = "{n}"\nshape = "sphere"\ndiameter_mm = {2e3 * r:g}\n'
        f"offset_mm = [{1e3 * (air - r + y * d / 2)}, {1e3 * x * d / 2}, {-1e3 * low}]\n"
        for n, (x, y) in enumerate(product((-1, 1), repeat=2))
    )
    text = f"""
clay.wall_mm = 4
[outside]
shape = "sphere"
diameter_mm = {2e3 * R:g}
offset_mm = [{1e3 * (air - R):g}, 0, 0]
{feet}
[[chamber]]
name = "body"
shape = "sphere"
diameter_mm = {2e3 * air:g}
"""
    plane = (d**2 + R**2 - r**2) / (2 * d)
    body_cap, foot_cap = cap(R, R - plane), cap(r, r - (d - plane))
    foot = 4 / 3 * math.pi * r**3
    # Foot less both caps; its moment about the body's middle, along the line to it.
    clay = foot - body_cap[0] - foot_cap[0]
    moment = foot * d - body_cap[0] * body_cap[1] - foot_cap[0] * (d - foot_cap[1])
    whole = 4 / 3 * math.pi * (R**3 - air**3) + 4 * clay
    body = body_of(loads(text))
    assert clay_volume(body) == pytest.approx(whole, rel=1e-3)
    assert clay_centre(body) == pytest.approx([0, air, -4 * moment * math.sqrt(0.5) / whole], abs=1e-4)


def test_the_centre_of_an_even_wall_around_an_ellipsoid_is_its_middle():
    body = body_of(
        loads(
            'clay.wall_mm = 5\n[[chamber]]\nname = "a"\nshape = "ellipsoid"\n'
            "length_mm = 80\nwidth_mm = 50\nheight_mm = 40"
        )
    )
    assert clay_centre(body) == pytest.approx([0, 0.04, 0], abs=5e-5)


def test_a_block_stands_until_its_weight_is_over_an_edge(block):
    stands = standing(outer_points(block.coat), clay_centre(block))
    assert stands.lean_deg == pytest.approx(0, abs=1e-6)
    assert stands.height == pytest.approx(HIGH / 2, abs=1e-4)
    assert stands.margin == pytest.approx(WIDE / 2, abs=1e-4)
    assert stands.tipping_deg == pytest.approx(math.degrees(math.atan2(WIDE, HIGH)), abs=0.2)
    assert stands.spread == pytest.approx((LONG, WIDE), abs=1e-4)


def test_a_tripod_tips_over_its_nearest_side():
    feet = np.array([[0, 0, 0], [0.06, 0, 0], [0.03, 0.05, 0]])
    top = np.array([[0.03, 0.02, 0.08]])
    stands = standing(np.concatenate([feet, top]), np.array([0.03, 0.02, 0.04]))
    # From (30, 20) to the side through (60, 0) and (30, 50): |50 * 30 - ...| by the line 50 x + 30 y = 3000.
    slanted = (3000 - 50 * 30 - 30 * 20) / math.hypot(50, 30) * 1e-3
    assert stands.margin == pytest.approx(min(slanted, 0.02), rel=1e-9)
    assert stands.tipping_deg == pytest.approx(math.degrees(math.atan(min(slanted, 0.02) / 0.04)), rel=1e-9)


def test_what_leans_too_far_falls_on_its_side():
    """A slanted prism, 10 wide, its top 20 aside at a height of 20: its middle lies beyond its base."""
    points = np.array([[x + z, y, z] for x, y, z in product((0, 10), (0, 30), (0, 20))], float) / 1e3
    stands = standing(points, points.mean(axis=0))
    assert stands.lean_deg == pytest.approx(45, abs=1e-6)
    assert stands.height == pytest.approx(5e-3 / math.sqrt(2), rel=1e-9)  # half the prism's true thickness
    assert stands.spread == pytest.approx((30e-3, 20e-3 * math.sqrt(2)), rel=1e-9)  # its slanted side, as long as it is


def test_a_ball_stands_on_no_feet():
    wall = EggWall(0.06, 0.06, 0.06)
    stands = standing(outer_points(Coat((wall,), 0.004)), np.array([0, 0.03, 0]))
    assert stands.margin < 3e-3


def test_the_largest_ball_of_clay_in_a_corner():
    """Between a ball of radius R and a corner of the cube of half side a about it: r = (a sqrt 3 - R)/(1 + sqrt 3)."""
    a, r = 0.03, 0.02

    def inner(points):
        return np.linalg.norm(points, axis=1) - r

    def outer(points):
        return np.abs(points).max(axis=1) - a

    wide, place = thickest(np.array([[-a] * 3, [a] * 3]), inner, outer)
    radius = (a * math.sqrt(3) - r) / (1 + math.sqrt(3))
    assert wide == pytest.approx(2 * radius, rel=2e-3)
    assert np.abs(place) == pytest.approx([a - radius] * 3, abs=2e-4)


def test_a_block_is_as_thick_as_the_ball_behind_its_air(block):
    wide, place = thickest_clay(block)
    assert wide == pytest.approx(HIGH, rel=0.01)
    assert place[1] > BALL / 2 + 0.02


def test_an_even_wall_is_even():
    wall = 'clay.wall_mm = 5\n[[chamber]]\nname = "a"\nshape = "sphere"\ndiameter_mm = 50'
    wide, place = thickest_clay(body_of(loads(wall)))
    assert wide == 0.005 and np.linalg.norm(place - [0, 0.025, 0]) == pytest.approx(0.0275)


def test_a_ball_parted_off_its_middle_leans_back_up_to_there():
    """Parted at R/2 over its middle, the zone below the seam leans back: sin(lean) is its height over R.

    By Archimedes' hat-box theorem a zone's area is as its height; 2 % of the size next to the seam are left out.
    """
    coat = Coat((EggWall(0.06, 0.06, 0.06),), 0.0)
    assert undercut(coat, 2, 0.0) is None
    found = undercut(coat, 2, 0.015)
    assert found.lean_deg == pytest.approx(math.degrees(math.asin(0.5 - 0.04)), abs=2.5)
    assert found.share == pytest.approx((0.5 - 0.04 - math.sin(math.radians(2))) / 2, abs=0.02)
    figure = UnionWall((EggWall(0.06, 0.06, 0.06), PlacedWall(EggWall(0.02, 0.02, 0.02), (0.0, 0.03, 0.0), 0.0)))
    same = undercut(Coat((figure,), 0.0, figure=True), 2, 0.015)  # the small one lies within
    assert (same.share, same.lean_deg) == pytest.approx((found.share, found.lean_deg), rel=1e-6)


def test_the_least_clay_beside_a_windway_that_runs_towards_the_surface():
    exit_, across, back, out = np.zeros(3), np.array([1.0, 0, 0]), np.array([0, -1.0, 0]), np.array([0, 0, 1.0])
    cut = WindwayCut(exit_, across, back, out, (0.01, 0.001), (0.012, 0.003), 0.03)

    def away(points):  # from a surface that comes nearer by 1 in 10 towards the lips
        return points[:, 2] - (0.006 + 0.1 * points[:, 1])

    clay, from_lips = windway_clay(cut, away)
    s = 0.03 - WINDOW_ROOF
    assert clay == pytest.approx(0.006 - 0.1 * s - (0.001 + 0.002 * s / 0.03) / 2, rel=1e-6)
    assert from_lips == pytest.approx(WINDOW_ROOF, rel=1e-6)
