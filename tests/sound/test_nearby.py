"""What face, hands and a table send back, against images, Rayleigh's small ball, and a ball before a wall."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import binom, jv

import simkit
from simkit.body.meshes.all_air import whole_mesh
from simkit.body.meshes.obstacles import EllipsoidObstacle, SlabObstacle, around, require_clearance
from simkit.errors import OutOfReach
from simkit.field.full.resonance import WholeAir
from simkit.sound import models
from simkit.sound.elements import nearby, palms
from simkit.sound.elements.nearby import Nearby, RigidBall, RigidPlane, Scatterer, change
from simkit.sound.elements.palms import PALM, Palms
from simkit.sound.elements.returned import InHalves
from simkit.sound.models.playing import nearby_of

UP = np.array([0.0, 0.0, 1.0])
POINT = Scatterer(np.zeros(3), np.full(3, 1e-6), 1e-6)  # a piece of no size
BALL = Scatterer(np.zeros(3), np.full(3, 0.03), 0.03)

EGG = """
[clay]
wall_mm = 4
edge_radius_mm = 0.5
edge_inside_radius_mm = 0.5
[[chamber]]
name = "body"
shape = "ellipsoid"
length_mm = 64
width_mm = 44
height_mm = 40
[chamber.voicing]
along_mm = 14
around_deg = 180
window_width_mm = 11
cut_up_mm = 4.5
windway_height_mm = 1.1
windway_length_mm = 24
edge_deg = 45
[[chamber.hole]]
name = "1"
along_mm = 40
around_deg = 20
diameter_mm = 8
"""


@pytest.fixture(scope="module")
def case():
    return models.cases(simkit.loads(EGG, "egg.toml"), lossless=True)[0]


@pytest.fixture(scope="module")
def egg(case):
    return models.resonator("ports", case)


def test_a_small_source_before_a_wall_meets_its_image():
    # Pierce 1981, Acoustics, section 5.1 (from memory): the wall's wave is that of a like source as far behind it.
    for k in (0.0, 7.0, 31.0):
        found = change(RigidPlane(np.array([0, 0, -0.05]), UP), POINT, np.zeros((1, 3)), k)
        assert found[0, 0] == pytest.approx(np.exp(-0.1j * k) / (4 * np.pi * 0.1), rel=1e-6)


def free(points, k):
    way = np.linalg.norm(points[:, None] - points[None], axis=2)
    return np.exp(-1j * k * way) / (4 * np.pi * np.where(way > 0, way, 1))


@pytest.mark.parametrize("k", [0.0, 12.0, 45.0])
def test_no_air_crosses_the_ball(k):
    # The sum of a source's own wave and what the ball sends back does not change along the ball's normal.
    ball, source, way = RigidBall(np.array([0.01, 0, 0]), 0.09), np.array([0.01, 0.05, 0.11]), np.array([0.6, 0.0, 0.8])
    r = 0.09 + 1e-9 + 2e-5 * np.arange(3)  # in line: a derivative of second order at the skin
    along = np.concatenate([source[None], ball.center + r[:, None] * way])
    total = (ball.returned(along, k) + free(along, k))[0, 1:]
    plain = free(along, k)[0, 1:]
    slope, own = (np.dot(values, [-1.5, 2, -0.5]) / 2e-5 for values in (total, plain))
    assert abs(slope) < 1e-4 * abs(own)


def test_a_large_ball_is_a_wall_and_a_small_one_rayleighs():
    points = np.array([[0, 0, 0.0], [0.02, 0, 0.01]])
    wall = RigidPlane(np.array([0, 0, -0.02]), UP).returned(points, 9.0)
    balls = [
        np.abs(RigidBall(np.array([0, 0, -0.02 - R]), R).returned(points, 9.0) / wall - 1).max() for R in (0.5, 1.0)
    ]
    assert balls[1] < 0.1
    assert balls[1] == pytest.approx(balls[0] / 2, rel=0.25)  # what is left goes as the distance over the radius
    # Rayleigh: a rigid ball small against the wave sends back -(k a)^2 a/3 (1 - 3/2 cos) of a plane wave, at 180
    # degrees 5/2 of the first (Morse & Ingard 1968, Theoretical Acoustics, eq. 8.2.19, from memory).
    k, a, r = 20.0, 2e-3, 12.0
    incoming = np.exp(-1j * k * r) / (4 * np.pi * r)
    back = RigidBall(np.array([0, 0, r]), a).returned(np.zeros((1, 3)), k)[0, 0]
    assert back == pytest.approx(-((k * a) ** 2) * a / 3 * 2.5 * incoming * np.exp(-1j * k * r) / r, rel=0.02)


def test_the_lever_of_spheroids_is_lambs():
    # Lamb 1932, art. 114: along a prolate spheroid of eccentricity e, N = (1 - e^2)/e^3 (artanh e - e), across half the
    # rest of 1 (from memory).
    for ratio in (1.2, 2.0, 4.0):
        e = np.sqrt(1 - 1 / ratio**2)
        along = (1 - e**2) / e**3 * (np.arctanh(e) - e)
        lever = Scatterer(np.zeros(3), np.array([1.0, ratio, 1.0]), 1.0).lever
        assert lever == pytest.approx(1 / (1 - np.array([(1 - along) / 2, along, (1 - along) / 2])), rel=1e-12)


def before_a_wall(height, degrees=60):
    """dZ at rest of a hole in a ball of radius 1 at its point nearest to a wall, `height` from middle to wall.

    Axial multipoles and their images, A_l = (2 l + 1)/(4 pi (l + 1)) + l/(l + 1) C_l, C_n = sum over l of
    binom(l + n, n) A_l/(2 height)^(l + n + 1) (shift of solid harmonics: Hobson 1931, art. 89, from memory).
    """
    l = np.arange(degrees)  # noqa: E741 the letter of the formula
    image = binom(l[:, None] + l[None], l[None]) / (2 * height) ** (l[:, None] + l[None] + 1.0)
    own = (2 * l + 1) / (l + 1) / (4 * np.pi)
    A = np.linalg.solve(np.eye(degrees) - (l / (l + 1))[:, None] * image, own)
    return float((A - own + image @ A).sum())


@pytest.mark.parametrize(("gap", "within"), [(0.7, 0.12), (1.5, 0.03), (4.0, 0.005)])
def test_a_ball_of_clay_before_a_wall(gap, within):
    # What is left are waves that go to and fro twice; they fall with the cube of the distance and more.
    plane = RigidPlane(np.array([0, 0, -0.03 * (1 + gap)]), UP)
    found = change(plane, BALL, np.array([[0, 0, -0.03]]), 0.0)[0, 0].real * 0.03
    assert found == pytest.approx(before_a_wall(1 + gap), rel=within)


def test_a_wall_doubles_what_radiates():
    # Far below the first reflection's phase both sources send in step: -k/(4 pi) more (Pierce, as above).
    plane = RigidPlane(np.array([0, 0, -0.06]), UP)
    found = change(plane, BALL, np.array([[0, 0, -0.03], [0.03, 0, 0]]), 0.4)
    assert found.imag == pytest.approx(np.full((2, 2), -0.4 / (4 * np.pi)), rel=0.01)


def test_what_is_kept_for_many_wave_numbers_is_the_law():
    openings = 0.03 * np.array([[0, 0, -1], [0.6, 0, 0.8], [0, 1, 0.0]])
    pair = Palms(np.array([0.0, 0.0, -0.01]), 0.06, np.array(PALM))  # between such the air rings in the upper half
    for thing in (RigidPlane(np.array([0, 0, -0.18]), UP), RigidBall(np.array([0, -0.14, 0.02]), 0.09), pair):
        kept = Nearby.of([thing], BALL, openings)
        some = np.array([60.0, 11.0, 37.0])  # of both halves of the range at once
        assert kept(some) == pytest.approx(np.stack([kept(k) for k in some]), rel=1e-12)
        for k in (0.0, 11.0, 30.0, *(() if thing is pair else (37.0, 60.0))):
            exact = change(thing, BALL, openings, k)
            assert np.abs(kept(k) - exact).max() < 1e-3 * np.abs(exact).max()
            assert np.abs(exact - exact.T).max() < 1e-12
    # A damped note's k is complex: there too the image is e^{-ikD}/(4 pi D).
    piece = replace(POINT, ball=0.03)
    kept = Nearby.of([RigidPlane(np.array([0, 0, -0.18]), UP)], piece, np.zeros((1, 3)))
    for k in (14 + 0.6j, 40 + 1.5j):
        image = np.exp(-0.36j * k) / (4 * np.pi * 0.36)
        assert kept(np.array([k]))[0, 0, 0] == pytest.approx(piece.sent(k) ** 2 * image, rel=1e-3)


def test_two_series_follow_a_law_of_several_paths_and_the_upper_is_found_when_it_is_asked_for():
    """Against the law itself, three images: of e^{-iax} at most four times the sum of J_n(a) from the first n left out
    (Trefethen 2013, Approximation Theory and Approximation Practice, theorem 4.2, and Jacobi & Anger's series)."""
    paths, asked = np.array([0.1, 0.25, 0.4]), []

    def law(k):
        asked.append(k.max())
        return np.exp(-1j * k[:, None] * paths).sum(axis=1)[:, None, None] / 3

    found = InHalves.of(law, 0.1, 16, 60.0)
    bound = 4 / 3 * sum(jv(np.arange(16, 40), 15 * (path - 0.1)).sum() for path in paths)
    low, high = np.linspace(0, 30, 50), np.linspace(30.001, 60, 50)
    assert np.abs(found(low + 0j) - law(low)).max() < bound
    assert max(asked) <= 30
    assert np.abs(found(high + 0j) - law(high)).max() < bound
    assert found(np.array(61.0 + 0j)) == pytest.approx(found(np.array([60.0 + 0j]))[0], rel=1e-12)
    assert found(np.zeros((0, 2), complex)).shape == (0, 2, 1, 1)
    assert found.of_rows(np.array([True]))(np.array([45.0 + 1j])) == pytest.approx(found(np.array([45.0 + 1j])))


def test_nothing_near_is_nothing_and_within_a_thing_is_refused(egg):
    assert np.array_equal(egg.near([]).lowest(np.zeros((1, 1))), egg.lowest(np.zeros((1, 1))))
    with pytest.raises(ValueError, match="within a ball"):
        Nearby.of([RigidBall(np.zeros(3), 0.05)], BALL, np.array([[0, 0, 0.03]]))


def test_the_note_falls_by_half_the_conductivity_times_what_comes_back(case, egg):
    # d ln f = -(K/2) dZ for one opening, K = omega^2 V/c^2 (Helmholtz's formula), but for a few per cent by which the
    # pressure in the chamber is not even.
    covered = np.zeros((1, 1))
    omega = egg.lowest(covered)[0]
    near = egg.near([nearby.table(case.body, 0.012)])
    k = omega.real / case.airs.room.sound_speed
    back = near.circuit.nearby(k)[0, 0]
    shift = np.log(near.lowest(covered)[0] / omega)
    assert shift.real == pytest.approx(-(k**2) * case.chamber.volume * back.real / 2, rel=0.1)
    assert shift.real < 0 < shift.imag  # a wall nearby lowers the note, and it radiates twice as much


def test_a_real_matrix_is_as_much_longer_a_duct(egg):
    # rho dZ U and rho (l/S) U are the same pressure: an end longer by S dZ, whatever stands inside.
    back, window = 1.7, egg.circuit.ducts[0]
    longer = replace(window.aperture, outer=window.aperture.outer + back * window.aperture.area)
    with_end = replace(egg.circuit, ducts=(replace(window, aperture=longer), *egg.circuit.ducts[1:]))
    with_thing = replace(egg.circuit, nearby=Nearby((lambda k: np.full((*np.shape(k), 2, 2), back),)))
    ends, things = (replace(egg, circuit=each).lowest(np.zeros((1, 1)))[0] for each in (with_end, with_thing))
    assert things == pytest.approx(ends, rel=1e-9)
    assert things.real < egg.lowest(np.zeros((1, 1)))[0].real


def test_what_is_near_gives_no_energy(case, egg):
    window = case.chamber.window
    things = [nearby.face(window, 0.024), nearby.hands(case.body, 0.01), nearby.table(case.body, 0.05)]
    for some in ([thing] for thing in things):
        near = egg.near(some).circuit
        for k in (1.0, 8.0, 20.0, 45.0):
            total = near.field.outside(k) + near.nearby(k)
            lost = np.linalg.eigvalsh(-(total + total.T).imag / 2)
            assert lost[0] > -1e-3 * lost[-1]


def test_face_hands_and_table_stand_where_they_should(case):
    body, window = case.body, case.chamber.window
    face, palms, table = nearby.face(window, 0.024), nearby.hands(body, 0.01), nearby.table(body, 0.05)
    start = nearby.outer_middle(window) - window.height / 2 * window.forward
    assert face.gap(start[None])[0] == pytest.approx(0.024, rel=1e-9)
    assert face.center[1] < -face.radius / 2  # the player sits where along is negative
    assert nearby.clearance_from(table, body) == pytest.approx(0.05, rel=0.01)
    assert 0.0095 < nearby.clearance_from(palms, body) < 0.014  # a little below the widest place
    assert nearby.clearance_from(nearby.face(window, 0.005), body) < 0  # a windway shorter than the clay's end


@pytest.mark.parametrize("k", [1.0, 20.0, 60.0])
def test_palms_that_are_balls_far_apart_send_back_what_one_ball_does(monkeypatch, k):
    """The boundary integral against the ball's series; its points' shares leave an error of their spacing squared."""
    monkeypatch.setattr(palms, "POINTS", 128)
    radius, aside = 0.05, 3.0
    points = np.array([[aside - 0.07, 0.01, 0.0], [aside - 0.08, -0.02, 0.03], [aside - 0.1, 0.0, -0.06]])
    pair = Palms(np.zeros(3), aside, np.full(3, radius))
    alone = RigidBall(np.array([aside, 0.0, 0.0]), radius)
    expected = alone.returned(points, k)
    assert np.abs(pair.returned(points, k) - expected).max() < 0.03 * np.abs(expected).max()
    assert pair.gap(points) == pytest.approx(alone.gap(points), rel=0.02)
    assert pair.path(points) == pytest.approx(alone.path(points), rel=0.05)


def test_as_many_points_as_a_palm_has_tell_what_more_would(case, egg, monkeypatch):
    pair = nearby.hands(case.body, 0.01)
    few = egg.near([pair]).lowest(np.zeros((1, 1)))[0]
    monkeypatch.setattr(palms, "POINTS", 110)
    kept = (palms._answers, palms._between, nearby._returned, nearby_of)
    for each in kept:
        each.cache_clear()
    many = egg.near([pair]).lowest(np.zeros((1, 1)))[0]
    for each in kept:  # no other test is to find so many points
        each.cache_clear()
    alone = egg.lowest(np.zeros((1, 1)))[0]
    assert 0 < abs(few - many) < 0.05 * abs(many - alone)


def test_solids_for_the_judge():
    ball, slab = (
        EllipsoidObstacle(np.array([0, -0.14, 0]), np.full(3, 0.09)),
        SlabObstacle(np.array([0, 0, -0.1]), np.array([0.1, 0.1, 0.01])),
    )
    clay = 0.03 * np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1.0]])
    center, radius = around((ball, slab), clay)
    for solid in (ball, slab):
        assert np.linalg.norm(solid.samples() - center, axis=1).max() < radius / 1.19
        assert np.abs(solid.onto(solid.samples()) - solid.samples()).max() < 1e-12
    require_clearance((ball, slab), clay)
    for wrong in (replace(ball, center=np.zeros(3)), replace(slab, center=np.array([0, 0, -0.041]))):
        with pytest.raises(OutOfReach, match="within 2 mm"):
            require_clearance((wrong,), clay)


@pytest.mark.slow
def test_the_judge_hears_a_face_as_the_law_does(case, egg):
    """All the air meshed with a ball cut out of it; the same cells with and without leave the same."""
    window = case.chamber.window
    face = nearby.face(window, 0.024)
    solid = EllipsoidObstacle(face.center, np.full(3, face.radius))
    k = [WholeAir.of(whole_mesh(case.chamber, 1.5, obstacles=some)).lowest((window.name,)).k for some in ((), (solid,))]
    omega = [ports.lowest(np.zeros((1, 1)))[0] for ports in (egg, egg.near([face]))]
    judged, law = (1200 * np.log2(b.real / a.real) for a, b in (k, omega))
    assert judged == pytest.approx(law, abs=0.2 * abs(law) + 0.3)  # the mesh leaves some 0.3 cent of chance
    assert judged < -2
