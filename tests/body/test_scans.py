"""Scans: a good one gives its shape back, a bad one is told what is wrong with it."""

import meshio
import numpy as np
import pytest

from simkit.body import body_of, inspect
from simkit.body.drawn import build
from simkit.body.harmonics import harmonics
from simkit.body.kernel import session
from simkit.body.lobes import LobesWall
from simkit.body.mesh import air_mesh, default_size
from simkit.body.scan import scan_wall
from simkit.body.shapes import EggWall
from simkit.body.surface import SurfaceError, checked_surface
from simkit.body.wall import curvatures, distance, on_wall, project
from simkit.vessel import loads

EGG = EggWall(0.062, 0.096, 0.05, 0.38)


def triangles(wall):
    mesh = air_mesh(wall, default_size(wall) / 2)
    f = mesh.facets
    cells = np.concatenate([f[:, [0, 3, 5]], f[:, [3, 1, 4]], f[:, [5, 4, 2]], f[:, [3, 4, 5]]])
    used, number = np.unique(cells, return_inverse=True)
    return mesh.points[used], number.reshape(-1, 3)


def stl(path, points, cells):
    meshio.write(path, meshio.Mesh(1e3 * points, [("triangle", cells)]), file_format="stl", binary=True)
    return path


def test_harmonics_are_orthonormal_on_the_sphere():
    u, w = np.polynomial.legendre.leggauss(12)
    phi = np.arange(24) * np.pi / 12
    s = np.sqrt(1 - u[:, None] ** 2)
    x, y, z = (s * np.cos(phi)).ravel(), (s * np.sin(phi)).ravel(), (u[:, None] + 0 * phi).ravel()
    basis = np.array(harmonics(x, y, z, 8))
    weights = np.repeat(w, 24) / 48
    assert np.allclose((basis * weights) @ basis.T, np.eye(81), atol=1e-12)


def test_a_scanned_egg_is_that_egg(tmp_path):
    """A lopsided body (thick end near the mouth) read back, neither mirrored nor shifted."""
    wall = scan_wall(stl(tmp_path / "egg.stl", *triangles(EGG)))
    p = on_wall(EGG)
    assert np.abs(distance(wall, p)).max() < 1e-5
    assert wall.volume == pytest.approx(EGG.volume, rel=1e-5)
    k1, _, _ = curvatures(EGG, p)
    k1_scan, _, _ = curvatures(wall, project(wall, p))
    assert np.median(np.abs(k1_scan / k1 - 1)) < 1e-3
    assert air_mesh(wall).volume == pytest.approx(EGG.volume, rel=1e-3)


def test_a_step_file_is_read_in_millimetres(tmp_path):
    path = tmp_path / "egg.step"
    with session() as gmsh:
        build(gmsh, EGG.solid())
        gmsh.model.occ.synchronize()
        gmsh.write(str(path))
    assert scan_wall(path).volume == pytest.approx(EGG.volume, rel=1e-3)


def test_triangles_inside_out_throughout_are_still_that_body(tmp_path):
    points, cells = triangles(EGG)
    wall = scan_wall(stl(tmp_path / "in.stl", points, cells[:, ::-1]))
    assert wall.volume == pytest.approx(EGG.volume, rel=1e-4)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda p, t: (p, t[1:]), "open along 3 edges"),
        (lambda p, t: (p, np.concatenate([t[:1, ::-1], t[1:]])), "flipped along"),
        (lambda p, t: (1e-3 * p, t), "is it in mm"),
        (lambda p, t: (1e3 * p, t), "is it in mm"),
        (lambda p, t: (p * np.where(np.arange(len(p)) == 9, -1.0, 1.0)[:, None], t), "does not cross itself"),
    ],
)
def test_a_spoilt_surface_is_told_what_is_wrong(spoil, said):
    with pytest.raises(SurfaceError, match=said):
        checked_surface(spoil(*triangles(EGG)))


def test_a_design_names_its_scan_beside_it(tmp_path):
    stl(tmp_path / "inside.stl", *triangles(EGG))
    text = '[clay]\nwall_mm = 4\n[[chamber]]\nname = "cast"\nshape = "scan"\nfile = "{}"\n'
    vessel = loads(text.format("inside.stl"), str(tmp_path / "cast.toml"))
    assert body_of(vessel).chamber("cast").volume == pytest.approx(EGG.volume, rel=1e-4)
    (fault,) = inspect(loads(text.format("gone.stl"), str(tmp_path / "cast.toml")))
    assert "cast.file = 'gone.stl'" in str(fault) and "exists" in str(fault)
    (tmp_path / "junk.stl").write_bytes(b"solid nothing at all")
    (fault,) = inspect(loads(text.format("junk.stl"), str(tmp_path / "cast.toml")))
    assert "can be read" in str(fault) or "triangles" in str(fault)


def test_a_bent_body_is_refused_and_a_sharp_one_cautioned(tmp_path):
    bow = LobesWall(tuple((0.03 * np.cos(t), 0.03 * np.sin(t), 0, 0.02, 0.02, 0.02) for t in np.linspace(0, np.pi, 9)))
    with pytest.raises(SurfaceError, match="folds behind itself"):
        scan_wall(stl(tmp_path / "bow.stl", *triangles(bow)))
    cube = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)]) * 0.05 + [-0.025, 0, -0.025]
    faces = [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1],
             [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]]  # fmt: skip
    wall = scan_wall(stl(tmp_path / "cube.stl", cube, np.array(faces)))
    assert "rounded off" in wall.caution
