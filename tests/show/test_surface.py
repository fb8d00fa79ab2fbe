"""A coloured wall: fine triangles on the true surface, and what an eye sees of it."""

import numpy as np
import pytest

from simkit.body import air_mesh
from simkit.body.walls.formulas import EggWall
from simkit.show import look
from simkit.show.pressure import EYES, ModePicture, pressure
from simkit.show.shading import Eye, SurfaceView, TriangleSurface, fine_surface

R = 0.03


@pytest.fixture(scope="module")
def ball():
    mesh = air_mesh(EggWall(2 * R, 2 * R, 2 * R))
    return mesh, mesh.points - [0, R, 0]


def surface_of(ball, values):
    mesh, centred = ball
    return fine_surface(centred, mesh.facets, values(centred))


def test_fine_triangles_lie_on_the_ball_and_cover_it(ball):
    """Area 4 pi R^2, elementary geometry."""
    surface = surface_of(ball, lambda p: p[:, 2])
    assert np.linalg.norm(surface.points, axis=1) == pytest.approx(R, rel=2e-3)
    a, b, c = (surface.points[surface.triangles[:, i]] for i in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2
    assert area == pytest.approx(4 * np.pi * R**2, rel=5e-3)


def test_neighbours_share_their_points(ball):
    """Euler's formula for a closed surface without handles: points - edges + triangles = 2, edges = 3/2 triangles."""
    surface = surface_of(ball, lambda p: p[:, 2])
    assert len(surface.points) - len(surface.triangles) / 2 == 2


def test_normals_leave_the_air(ball):
    surface = surface_of(ball, lambda p: p[:, 2])
    out = surface.points / np.linalg.norm(surface.points, axis=1)[:, None]
    assert (surface.normals * out).sum(axis=1).min() > 0.99


@pytest.mark.parametrize("eye", EYES, ids=lambda eye: eye.name)
def test_the_line_of_zero_is_half_a_great_circle(ball, eye):
    """Pressure ~ z on a ball is zero on the equator; an eye sees the half of it that is turned to it."""
    sight = SurfaceView(surface_of(ball, lambda p: p[:, 2]), eye)
    segments = sight.level_line()
    # The equator seen at the elevation h is an ellipse of semi-axes R and R sin h.
    sin_h = abs(eye.frame[2, 2])
    x, y = segments.reshape(-1, 2).T
    assert np.hypot(x / R, y / (R * sin_h)) == pytest.approx(1, abs=0.02)
    # The near half: below the middle if seen from above.
    assert (np.sign(y[np.abs(x) < 0.9 * R]) == -np.sign(eye.frame[2, 2])).all()
    assert np.ptp(x) > 1.9 * R


def test_a_line_behind_something_nearer_is_not_drawn():
    """Two square plates, one behind the other; the line of zero runs up through the middle of both."""
    plate = np.array([[-1.0, 0, -1], [1, 0, -1], [1, 0, 1], [-1, 0, 1]])
    points = np.concatenate([0.5 * plate, plate + [0, 1, 0]])  # the small one nearer to an eye at y < 0
    triangles = np.array([[0, 1, 2], [0, 2, 3], [4, 5, 6], [4, 6, 7]])
    values = np.array([-1.0, 1.0, 1.0, -1.0] * 2)
    eye = Eye("from the mouth end", (0, -1, 0))
    surface = TriangleSurface(points, triangles, values)
    segments = SurfaceView(surface, eye).level_line()
    assert len(SurfaceView(surface, eye).triangles) == 4
    length = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1)
    # Of the large plate's line, two segments with their middles at +-1/2: both stand behind the edge of the small one.
    assert length.sum() == pytest.approx(1.0)


def test_the_sign_of_a_mode_does_not_change_its_picture(ball, tmp_path):
    mesh, centred = ball
    for name, sign in (("plus", 1), ("minus", -1)):
        figure = look.page(pressure(mesh, [ModePicture(sign * (centred[:, 1] + 0.1 * R), "mode 1")], "Ball"))
        figure.savefig(tmp_path / f"{name}.png", dpi=50)
    assert (tmp_path / "plus.png").read_bytes() == (tmp_path / "minus.png").read_bytes()
