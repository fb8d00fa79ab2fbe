"""Ports in chambers with sharp edges against images and mode series, at imaginary wave numbers where sums converge."""

from functools import lru_cache
from itertools import product

import numpy as np
import pytest
from scipy.special import jnp_zeros

from simkit.body import Body, ChamberBody, Opening
from simkit.body.meshes.curved import air_mesh
from simkit.body.walls.formulas import BoxWall, TubeWall
from simkit.body.walls.wall import normals
from simkit.field.reduced.boundary import AirSurface
from simkit.field.reduced.inside import InsideAir
from simkit.field.reduced.mouth import averages, mouths
from simkit.field.reduced.source import source_values

KAPPA = 40.0  # k = i kappa, 1/m


def hole_at(wall, point, radius):
    center = wall.nearest(np.array([point]))
    n = normals(wall, center)[0]
    across = np.cross(n, [0.31, 0.52, 0.8])
    return Opening("hole", center[0], n, across / np.linalg.norm(across), 0.0, radius=radius)


def answered(wall, holes, size):
    """Z (n, n) at k = i KAPPA, and the holes' centres."""
    air = InsideAir.of(air_mesh(wall, size), wall, 24)
    a = air.answer(mouths(holes, air.boundary.surface, np.full(len(holes), np.inf)))
    k2, m2 = -(KAPPA**2), air.modes.k2
    Z = -1 / (wall.volume * k2) + a.matrix + k2 * a.quadratic + (a.ports * (k2**2 / (m2**2 * (m2 - k2)))) @ a.ports.T
    return Z, np.array([hole.center for hole in holes])


def images(corner, sides, source, listener, reach=4):
    """Sum of e^(-kappa r)/(4 pi r) over a box's mirror images; the source's own pole leaves -kappa/(4 pi) each."""
    shifts = np.array(list(product(range(-reach, reach + 1), repeat=3)))
    signs = np.array(list(product((1, -1), repeat=3)))
    all_images = signs[:, None] * (source - corner) + 2 * shifts * sides
    r = np.linalg.norm(listener - corner - all_images, axis=-1)
    own = r < 1e-9
    far = np.where(own, 1.0, r)
    return np.where(own, -KAPPA / (4 * np.pi), np.exp(-KAPPA * far) / (4 * np.pi * far)).sum()


@pytest.fixture(scope="module")
def box():
    wall = BoxWall(0.06, 0.1, 0.045)
    corner, far = wall.box
    top, right = far[2], far[0]
    places = [(0.0, 0.02, top), (0.01, 0.05, top), (right, 0.05, 0.0), (0.0, 0.0, 0.0), (0.022, 0.06, top)]
    Z, centers = answered(wall, [hole_at(wall, p, 2e-3) for p in places], 0.01)
    exact = np.array([[images(corner, far - corner, s, x) for s in centers] for x in centers])
    return Z, exact


def test_between_ports_of_a_sharp_box_stand_the_images(box):
    Z, exact = box
    off = ~np.eye(5, dtype=bool)
    # a hundredth of a hole's own 1/(2 a) = 250 is 9 cents of a lone hole; this is a third of a cent
    assert np.abs(Z - exact)[off].max() < 0.1


def test_a_port_of_a_sharp_box_hears_its_own_images(box):
    Z, exact = box
    mean_distance = np.pi / 3 * 2e-3  # of two points in a disc under the thin-wall flow
    own = np.diag(exact) + KAPPA**2 * mean_distance / (4 * np.pi)
    error = np.diag(Z) - own
    assert np.abs(error[:4]).max() < 0.1
    assert np.abs(error[4]) < 0.25  # 8 mm from a sharp edge, less than an element: under a cent


@lru_cache(maxsize=100)
def bessel_zeros(m):
    return np.concatenate([[0.0] if m == 0 else [], jnp_zeros(m, 50)])


def tube_series(radius, length, here, there):
    """Modes across the tube, closed form along it: sum of cos(m phi) J^2/N cosh cosh/(g sinh)."""
    low, high = sorted((here[1], there[1]))
    phi = np.arctan2(here[0], here[2]) - np.arctan2(there[0], there[2])
    total = 0.0
    for m in range(80):
        zeros = bessel_zeros(m)
        g = np.hypot(zeros / radius, KAPPA)
        share = 2 / (radius**2 * (1 - (m / np.where(zeros > 0, zeros, np.inf)) ** 2))
        along = np.exp(-g * (high - low)) * (1 + np.exp(-2 * g * low)) * (1 + np.exp(-2 * g * (length - high)))
        along /= 2 * g * (1 - np.exp(-2 * g * length))
        total += (2 if m else 1) * np.cos(m * phi) / (2 * np.pi) * (share * along).sum()
    return total


def test_between_ports_on_a_tube_stands_the_mode_series():
    wall = TubeWall(0.09, 0.05)
    places = [(0, 0.03, 0.025), (0, 0.04, 0.025), (0.025, 0.06, 0), (0.0177, 0.05, 0.0177), (0, 0.012, -0.025)]
    Z, centers = answered(wall, [hole_at(wall, p, 1e-3) for p in places], 0.01)
    for i, j in product(range(5), repeat=2):
        if i != j:
            assert Z[i, j] == pytest.approx(tube_series(0.025, 0.09, centers[i], centers[j]), abs=0.06)


def test_own_term_on_a_tube_does_not_depend_on_the_mesh():
    """Where the two curvatures differ, the third singular term; without it coarse meshes differ by 2 to 250 cents."""
    wall = TubeWall(0.09, 0.05)
    holes = [hole_at(wall, (0.025 * np.sin(t), 0.045, 0.025 * np.cos(t)), 3e-3) for t in range(6)]
    own = []
    for size in (0.014, 0.009):
        air = InsideAir.of(air_mesh(wall, size), wall, 1)
        own.append(np.diag(air.answer(mouths(holes, air.boundary.surface, np.full(6, np.inf))).matrix))
    assert np.ptp(own, axis=0).max() * 866 * 2 * 3e-3 < 0.4  # cents of a lone thin hole
    assert np.ptp(own[0]) * 866 * 2 * 3e-3 < 0.4  # the tube is round: one number for all


AXISYMMETRIC = {0.1: 0.886718, 0.15: 0.902578, 0.2: 0.913289, 0.3: 0.923393, 0.5: 0.911361}


@pytest.mark.parametrize("ratio", AXISYMMETRIC)
def test_a_thick_duct_into_a_ball_is_as_long_as_axisymmetric_elements_find_it(ball, ratio):
    """End correction over a, from the wall's point on the axis, of a duct 3 a long into a ball of radius a/ratio.

    The numbers: second-order axisymmetric finite elements of the ball and its duct, graded to the rim, 60,000
    unknowns, the ball's mean pressure to the duct's far end; changing the grading moved them by 3e-5.
    """
    air = ball.air.chambers[0]
    hole = ball.hole(ball.here, ratio, 3 * ratio)
    answer = air.answer(mouths([hole], air.boundary.surface, np.array([np.inf])))
    assert 0.821674 + np.pi * ratio * answer.matrix[0, 0] == pytest.approx(AXISYMMETRIC[ratio], abs=0.003)


@pytest.mark.slow  # at once: two resonators by their formula, in sound/answers/test_chords
def test_a_body_of_two_chambers_keeps_them_apart_inside():
    from simkit.body.walls.placed import PlacedWall
    from simkit.field import air_of, port_field

    wall = TubeWall(0.06, 0.03, round_ends=True)
    other = PlacedWall(wall, (0.04, 0.0, 0.0), 0.0)
    group = [[hole_at(wall, (0, 0.03, 0.015), 2e-3)], [hole_at(other, (0.04, 0.03, 0.015), 2e-3)]]
    chambers = tuple(ChamberBody(name, w, 0.004, None, ()) for name, w in (("left", wall), ("right", other)))
    field = port_field(air_of(Body(chambers, 0.004), mesh=1.2), group)
    assert field.names == (("left", "hole"), ("right", "hole"))
    k = 12.0
    assert field.inside(k)[0, 1] == 0
    assert field.inside(k)[0, 0] == pytest.approx(field.inside(k)[1, 1], rel=1e-3)
    distance = np.linalg.norm(group[0][0].center - group[1][0].center)
    between = field.outside(k)[0, 1]
    assert 1 / (4 * np.pi * distance) < between.real < 1 / (2 * np.pi * distance)  # between free air and a plane
    assert -between.imag == pytest.approx(np.sin(k * distance) / (4 * np.pi * distance), rel=0.05)


def test_near_mouths_on_a_flat_wall_hear_each_other_louder_than_points():
    """1/(2 pi s) times 1 + (a1^2 + a2^2)/(6 s^2) + ...: the mean of 1/r over two discs under the thin-wall flow.

    From 1/r = (1/s)(1 + rho^2/(4 s^2) + 9 rho^4/(64 s^4) + ...) around a ring, with mean rho^2 = 2 a^2/3 and
    rho^4 = 8 a^4/15 on each disc.
    """
    wall = BoxWall(0.06, 0.1, 0.045)
    surface = AirSurface((wall,))
    for gap in (0.5, 2.0):
        one, two = 3e-3, 2e-3
        s = one + two + gap * two
        pair = mouths(
            [hole_at(wall, (0, 0.04, 0.0225), one), hole_at(wall, (0, 0.04 + s, 0.0225), two)],
            surface,
            np.full(2, np.inf),
        )
        factor = averages(source_values, pair, pair)[0, 1] * 2 * np.pi * s
        second = (one**2 + two**2) / (6 * s**2)
        fourth = 9 / 64 * (8 / 15 * (one**4 + two**4) + 4 * 4 / 9 * one**2 * two**2) / s**4
        assert factor - 1 == pytest.approx(second + fourth, rel=0.02)
