"""Scans: a good one gives its shape back, a bad one is told what is wrong with it."""

import ctypes
from functools import cache

import meshio
import numpy as np
import pytest

from simkit.body import body_of, inspect
from simkit.body.kernel import session, write_step
from simkit.body.meshes.curved import air_mesh, default_size
from simkit.body.meshes.drawn import build
from simkit.body.walls import triangulated
from simkit.body.walls.formulas import EggWall
from simkit.body.walls.harmonics import harmonics, summed
from simkit.body.walls.scan import scan_wall, smooth_wall
from simkit.body.walls.triangulated import SurfaceError, checked_surface, enclosed, read_surface
from simkit.body.walls.wall import curvatures, distance, normals, on_wall, project
from simkit.child import in_own_process
from simkit.vessel import loads

EGG = EggWall(0.062, 0.096, 0.05, 0.38)


@cache
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


@pytest.mark.parametrize("degree", [1, 2, 9, 20])
def test_harmonics_are_summed_as_they_stand(degree):
    chance = np.random.default_rng(degree)
    ways = chance.normal(size=(40, 3))
    x, y, z = (ways / np.linalg.norm(ways, axis=1, keepdims=True)).T
    weights = chance.normal(size=(degree + 1) ** 2)
    plain = weights @ np.array(harmonics(x, y, z, degree))
    assert summed(x, y, z, degree, weights) == pytest.approx(plain, abs=1e-11 * np.abs(weights).sum())


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


def step(path):
    with session() as gmsh:
        build(gmsh, EGG.solid())
        gmsh.model.occ.synchronize()
        gmsh.write(str(path))
    return path


def test_a_step_file_is_read_in_millimetres(tmp_path):
    """Flat triangles, forty round a turn, lie within: of a ball they leave out 3/8 of their angle squared, 0.9 %."""
    points, cells = read_surface(step(tmp_path / "egg.step"))
    assert abs(enclosed(points, cells)) == pytest.approx(0.99 * EGG.volume, rel=0.01)


@pytest.mark.slow  # at once: its triangles, above, and a wall from triangles, here
def test_a_wall_of_a_step_file_is_that_of_its_solid(tmp_path):
    assert scan_wall(step(tmp_path / "egg.step")).volume == pytest.approx(EGG.volume, rel=1e-3)


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
        (
            lambda p, t: (p * np.where(np.arange(len(p)) == 9, -1.0, 1.0)[:, None], t),
            "does not cross itself.*smooth_mm",
        ),
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


def bow(around=24, along=40):
    """A ring of 30 mm half way round, 20 mm thick, a point at either end: points and triangles."""
    turn, t = np.linspace(0, 2 * np.pi, around, endpoint=False), np.linspace(0, np.pi, along)[:, None]
    thick = 0.01 * np.sin(np.linspace(0, np.pi, along + 2))[1:-1, None] ** 0.3
    out = 0.03 + thick * np.cos(turn)
    rings = np.stack([out * np.cos(t), out * np.sin(t), thick * np.sin(turn) + 0 * t], axis=-1)
    points = np.vstack([rings.reshape(-1, 3), [[0.03, -0.002, 0], [-0.03, -0.002, 0]]])
    here = np.arange(around)
    there, last = (here + 1) % around, (along - 1) * around
    cells = [[n * around + here, n * around + there, (n + 1) * around + here] for n in range(along - 1)]
    cells += [[n * around + there, (n + 1) * around + there, (n + 1) * around + here] for n in range(along - 1)]
    cells += [[there, here, 0 * here + len(points) - 2], [last + here, last + there, 0 * here + len(points) - 1]]
    cells = np.concatenate([np.stack(each, axis=1) for each in cells])
    a, b, c = (points[cells[:, k]] for k in range(3))
    outward = np.einsum("ij,ij->i", a, np.cross(b, c)).sum() > 0
    return points, cells if outward else cells[:, ::-1]


def test_a_bent_body_is_refused_and_a_sharp_one_cautioned(tmp_path):
    with pytest.raises(SurfaceError, match="folds behind itself"):
        scan_wall(stl(tmp_path / "bow.stl", *bow()))
    cube = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)]) * 0.05 + [-0.025, 0, -0.025]
    faces = [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1],
             [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]]  # fmt: skip
    wall = scan_wall(stl(tmp_path / "cube.stl", cube, np.array(faces)))
    assert "rounded off" in wall.caution


def rough(points, by, seed=3):
    """A scan's noise, along the wall's normals, m (standard deviation)."""
    away = np.random.default_rng(seed).normal(0.0, by, (len(points), 1))
    return points + away * normals(EGG, project(EGG, points))


def test_a_noisy_scan_is_smoothed_to_the_misfit_asked():
    points, cells = triangles(EGG)
    surface = checked_surface((rough(points, 2.9e-4), cells), crossing=False)
    wall = smooth_wall(surface, 3e-4)
    assert wall.misfit == pytest.approx(3e-4, rel=0.01)
    assert "0.30 mm (root mean square)" in wall.caution and "along" in wall.caution
    p = on_wall(EGG)
    off = distance(wall, p)
    assert np.sqrt(np.mean(off**2)) < 2.9e-4  # less than the noise that it went through
    # What noise does to a fit is told by its curvature: smoothed, the body bends as the egg does.
    bend = [curvatures(each, project(each, p))[1] for each in (EGG, wall, smooth_wall(surface))]
    errors = [np.sqrt(np.mean((k - bend[0]) ** 2)) for k in bend[1:]]
    assert errors[0] < 0.5 * errors[1]


def test_more_smoothness_than_a_scan_allows_is_refused_with_the_least_that_does():
    points, cells = triangles(EGG)
    with pytest.raises(SurfaceError, match=r"smooth_mm of 0\.\d+ or more"):
        smooth_wall(checked_surface((rough(points, 2.5e-4), cells), crossing=False), 1e-5)


@pytest.mark.slow
def test_clay_fills_a_groove_that_is_too_tight_for_it(tmp_path):
    """The outside of a body is what lies one thickness from the nearest air: a ball of that radius rolls over it."""
    points, cells = triangles(EGG)
    middle = np.array([0.0, 0.04, 0.0])
    way = (points - middle) / np.linalg.norm(points - middle, axis=1, keepdims=True)
    dent = 1 - 0.25 * np.exp(-((np.arcsin(way[:, 1]) / 0.35) ** 2))
    path = stl(tmp_path / "waist.stl", middle + (points - middle) * dent[:, None], cells)
    wall, clay = scan_wall(path), 0.012
    over, place = wall.filled(clay)
    assert over > 5e-4 and place[1] == pytest.approx(0.04, abs=4e-3)
    assert wall.filled(1e-3) is None
    (sheet,) = wall.solid(clay).sheets
    drawn = sheet.points[1:-1, :-1].reshape(-1, 3)
    assert np.abs(distance(wall, drawn) - clay).max() < 1e-4  # the balls stand a millimetre apart
    out = np.einsum("ni,ni->n", normals(wall, project(wall, drawn)), sheet.normals[1:-1, :-1].reshape(-1, 3))
    assert np.median(out) == pytest.approx(1.0, abs=1e-3)
    text = f'[clay]\nwall_mm = 12\n[[chamber]]\nname = "cast"\nshape = "scan"\nfile = "{path.name}"\n'
    body = body_of(loads(text, str(tmp_path / "cast.toml")))
    assert any("clay fills a groove" in said and f"{1e3 * over:.1f} mm" in said for said in body.cautions)


def test_a_text_stl_cut_short_anywhere_is_a_fault_and_never_ends_the_process(tmp_path, capsys):
    """At every tenth of the file, and within each kind of its lines: what was copied by half is common."""
    cube = [[x, y, z] for x in (0, 30) for y in (0, 30) for z in (0, 30)]
    faces = [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1],
             [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]]  # fmt: skip
    corners = ["\n".join(f"vertex {x} {y} {z}" for x, y, z in (cube[n] for n in face)) for face in faces]
    body = [f"facet normal 0 0 1\nouter loop\n{three}\nendloop\nendfacet\n" for three in corners]
    text = "solid cube\n" + "".join(body) + "endsolid cube\n"
    path = tmp_path / "cut.stl"
    path.write_text(text)
    checked_surface(read_surface(path))  # whole, it is a body
    first = len("solid cube\n")
    for end in [*range(0, len(text) - 20, len(text) // 10), *range(first, first + len(body[0]), 7)]:
        path.write_text(text[:end])
        with pytest.raises(SurfaceError):
            checked_surface(read_surface(path))
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize("content", [b"solid " + b"\xff" * 300, b"\0" * 84, b"\0" * 80 + b"\xff" * 4, b"\0" * 200])
def test_a_spoilt_stl_is_a_fault(tmp_path, content):
    (tmp_path / "spoilt.stl").write_bytes(content)
    with pytest.raises(SurfaceError):
        read_surface(tmp_path / "spoilt.stl")


@pytest.mark.slow
def test_a_step_file_on_which_its_reader_hangs_is_a_fault(tmp_path, monkeypatch):
    """Numbers that are none fold a face, which gmsh meshes without end, and never hears that it should stop."""
    path = tmp_path / "egg.step"
    with session() as gmsh:
        build(gmsh, EGG.solid())
        gmsh.model.occ.synchronize()
        write_step(gmsh, path)
    path.write_bytes(path.read_bytes().replace(b"0.0", b"nan"))
    monkeypatch.setattr(triangulated, "STEP_S", 3.0)
    with pytest.raises(SurfaceError, match="a STEP file"):
        read_surface(path)


def test_a_reader_of_step_files_that_dies_is_a_fault(tmp_path, monkeypatch):
    """As gmsh's does on some: a file with one wrong number can make it touch memory that is none."""
    (tmp_path / "egg.step").write_text("ISO-10303-21;\n")
    monkeypatch.setattr(
        triangulated, "in_own_process", lambda work, path, **how: in_own_process(ctypes.string_at, 0, **how)
    )
    with pytest.raises(SurfaceError, match="ended without a word"):
        read_surface(tmp_path / "egg.step")
