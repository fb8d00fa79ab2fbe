"""A thick-walled ball with one hole: ports, a duct and nothing else against axisymmetric finite elements of it all."""

import numpy as np
import pytest
from scipy.optimize import newton
from scipy.sparse.linalg import splu
from scipy.special import eval_legendre

from simkit.body import Body, ChamberBody, Opening
from simkit.body.kernel import session
from simkit.body.walls.formulas import EggWall
from simkit.field import air_of, port_field
from simkit.field.fem.resonance_search import leaving
from simkit.field.full.graded import graded_air

MM = 1e-3
# Radius, wall, radius of the hole (mm); k in 1/m and Q without losses by the elements below, extrapolated with the
# power 4/3 of the size at the rim; end correction over a of a flat plate as thick (physics of a rim: h/a 0.5 to 2).
CASES = [
    (30.0, 5.0, 4.0, 6.24929, 459.3, 0.82148),
    (30.0, 5.0, 2.5, 4.38274, None, 0.82167),
    (30.0, 3.0, 6.0, 9.01443, 154.1, 0.81884),
    (20.0, 5.0, 4.0, 11.51824, 248.1, 0.82148),
]


def port_resonance(radius, thickness, hole, end):
    """k of the lowest resonance: p1 = -Z_in q1 and p2 = Z_out q2 at the ends of a lossless duct, q = i omega rho U."""
    ball, a, h = radius * MM, hole * MM, thickness * MM
    wall = EggWall(2 * ball, 2 * ball, 2 * ball)
    body = Body((ChamberBody("ball", wall, h, None, ()),), h)
    top = np.array([0.0, ball, ball])
    opening = Opening("hole", top, np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0]), h, radius=a)
    field = port_field(air_of(body), [[opening]])
    area = np.pi * a**2
    flat = end * a / area

    def mismatch(k):
        out, inside = field.outside(k)[0, 0] + flat, field.inside(k)[0, 0] + flat
        p1 = out * np.cos(k * h) + np.sin(k * h) / (k * area)
        q1 = np.cos(k * h) - out * k * area * np.sin(k * h)
        return (p1 + inside * q1) * k**2

    return newton(mismatch, np.sqrt(area / (h + 1.6 * a) / wall.volume) * (1 + 1e-3j), tol=1e-12)


@pytest.mark.parametrize(
    ("radius", "thickness", "hole", "k", "q", "end"),
    [CASES[2], *(pytest.param(*case, marks=pytest.mark.slow) for case in (*CASES[:2], CASES[3]))],
)
def test_ports_with_a_duct_find_the_resonance_of_the_meshed_whole(radius, thickness, hole, k, q, end):
    found = port_resonance(radius, thickness, hole, end)
    assert 1200 * np.log2(found.real / k) == pytest.approx(0, abs=1.0)
    if q:
        assert found.real / (2 * found.imag) == pytest.approx(q, rel=0.005)


def rounded(occ, ball, hole, rim, way):
    """A rim's contact with a ball, its contact with the duct, and the conic between that touches both there."""
    on_ball, corner = (np.array([x, np.sqrt(ball**2 - x**2)]) for x in (hole + rim, hole))
    on_duct = corner + [0, way * np.linalg.norm(on_ball - corner)]
    a, c = on_ball - corner, on_duct - corner
    weight = np.sqrt((1 - a @ c / (np.linalg.norm(a) * np.linalg.norm(c))) / 2)
    t = np.linspace(0, 1, 33)[:, None]
    shares = (1 - t) ** 2, 2 * t * (1 - t) * weight, t**2
    curve = (shares[0] * on_ball + shares[1] * corner + shares[2] * on_duct) / sum(shares)
    points = [occ.addPoint(x, y, 0) for x, y in curve]
    return points[0], points[-1], occ.addSpline(points)


def meshed(radius, thickness, hole, far, fine, rim=0.0):
    """Quadratic triangles of half a plane through ball, hole and air to `far`; `fine` per radius at the rims."""
    from skfem import MeshTri2

    outer = radius + thickness
    rims = (hole, np.sqrt(radius**2 - hole**2)), (hole, np.sqrt(outer**2 - hole**2))
    with session() as gmsh:
        occ = gmsh.model.occ
        places = [(0, -radius), (radius, 0), rims[0], rims[1], (outer, 0), (0, -outer)]
        places += [(0, -far), (far, 0), (0, far), (0, 0)]
        a, b, c, d, e, f, g, h, i, o = (occ.addPoint(x, y, 0) for x, y in places)
        low, high, bends = c, d, []
        if rim:
            c, low, inner = rounded(occ, radius, hole, rim, 1)
            d, high, outside = rounded(occ, outer, hole, rim, -1)
            bends = [inner, outside]
        arcs = [occ.addCircleArc(p, o, q) for p, q in ((a, b), (b, c), (d, e), (e, f), (g, h), (h, i))]
        lines = [occ.addLine(p, q) for p, q in ((low, high), (f, g), (i, a))]
        passage = [*bends[:1], lines[0], *bends[1:]]
        occ.addPlaneSurface([occ.addCurveLoop([*arcs[:2], *passage, *arcs[2:4], lines[1], *arcs[4:], lines[2]])])
        occ.synchronize()
        field = gmsh.model.mesh.field
        field.add("Distance", 1)
        field.setNumbers(1, "PointsList", [c, d])
        field.setNumbers(1, "CurvesList", bends)
        field.setNumber(1, "Sampling", 100)
        field.add("MathEval", 2)
        field.setString(2, "F", f"{hole / fine} + 0.15 * F1")
        field.setAsBackgroundMesh(2)
        gmsh.option.setNumber("Mesh.MeshSizeExtendFromBoundary", 0)
        gmsh.option.setNumber("Mesh.MeshSizeFromPoints", 0)
        gmsh.option.setNumber("Mesh.MeshSizeMax", far / 8)
        gmsh.model.mesh.generate(2)
        gmsh.model.mesh.setOrder(2)
        tags, xyz, _ = gmsh.model.mesh.getNodes()
        _, cells = gmsh.model.mesh.getElementsByType(9)
    order = np.argsort(tags)
    return MeshTri2(xyz.reshape(-1, 3)[order, :2].T, np.searchsorted(tags[order], cells).reshape(-1, 6).T)


def element_resonance(radius, thickness, hole, fine, start, top=12, rim=0.0):
    """k by Newton on the axisymmetric Helmholtz equation, waves of degree 0 to `top` leaving the far sphere exactly."""
    from skfem import Basis, BilinearForm, ElementTriP2, FacetBasis, LinearForm
    from skfem.helpers import dot, grad

    far = 3 * (radius + thickness)
    mesh = meshed(radius, thickness, hole, far, fine, rim)
    basis = Basis(mesh, ElementTriP2(), intorder=5)
    K = BilinearForm(lambda u, v, w: dot(grad(u), grad(v)) * w.x[0] * 2 * np.pi).assemble(basis).astype(complex)
    M = BilinearForm(lambda u, v, w: u * v * w.x[0] * 2 * np.pi).assemble(basis)
    edge = mesh.facets_satisfying(lambda x: np.hypot(*x) > 0.995 * far, boundaries_only=True)
    rim = FacetBasis(mesh, ElementTriP2(), facets=edge)

    def load(degree):
        norm = np.sqrt((2 * degree + 1) / (4 * np.pi)) * 2 * np.pi
        form = LinearForm(lambda v, w: v * norm * eval_legendre(degree, w.x[1] / np.hypot(*w.x)) * w.x[0])
        return form.assemble(rim)

    Y = np.array([load(degree) for degree in range(top + 1)]).T
    k, p = complex(start), np.ones(K.shape[0], complex)
    for _ in range(7):
        step = 1e-6 * abs(k)
        D, D_high, D_low = (leaving(x, far, top) / far**2 for x in (k, k + step, k - step))
        solve = splu((K - k**2 * M).tocsc()).solve
        spread = solve(Y.astype(complex))

        def pull(p, k=k, slope=(D_high - D_low) / (2 * step)):
            return -2 * k * (M @ p) + Y @ (slope * (Y.T @ p))

        p = solve(pull(p))
        p = p - spread @ np.linalg.solve(np.diag(1 / D) + Y.T @ spread, Y.T @ p)
        k = k - (p @ (K @ p - k**2 * (M @ p) + Y @ (D * (Y.T @ p)))) / (p @ pull(p))
    return k


@pytest.mark.slow
def test_the_elements_give_the_numbers_above():
    radius, thickness, hole, k, q, _ = CASES[0]
    coarse, fine = (element_resonance(radius, thickness, hole, n, k * MM * (1 + 1e-3j)) for n in (100, 400))
    extrapolated = fine + (fine - coarse) / (4 ** (4 / 3) - 1)
    assert abs(extrapolated.real) / MM == pytest.approx(k, rel=2e-5)
    assert abs(extrapolated.real) / (2 * extrapolated.imag) == pytest.approx(q, rel=2e-3)


@pytest.mark.slow
@pytest.mark.parametrize(("thickness", "hole", "rim"), [(5.0, 4.0, 0.5), (4.0, 2.5, 0.3)])
def test_the_whole_meshed_in_space_is_the_whole_meshed_in_a_half_plane(thickness, hole, rim):
    radius = 30.0
    wall = EggWall(2 * radius * MM, 2 * radius * MM, 2 * radius * MM)
    up, across = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
    top = np.array([0.0, radius, radius]) * MM
    sizes = {"radius": hole * MM, "rim": rim * MM, "inside_rim": rim * MM}
    opening = Opening("hole", top, up, across, thickness * MM, **sizes)
    air = graded_air(ChamberBody("ball", wall, thickness * MM, None, (opening,)))
    coarse, fine = (mode.k for mode in air.lowest(("hole",)))
    found = np.sqrt(air.extrapolated(coarse**2, fine**2))
    flat = element_resonance(radius, thickness, hole, 60, fine * MM, rim=rim) / MM
    flat = flat if flat.real > 0 else -flat
    step = abs(1200 * np.log2(found.real / fine.real))
    assert abs(1200 * np.log2(found.real / flat.real)) < step + 0.3  # the uncertainty that `resolved` states
    assert found.imag / found.real == pytest.approx(flat.imag / flat.real, rel=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("case", [CASES[0], CASES[2], CASES[3]])
def test_sharp_rims_in_space_are_those_in_a_half_plane(case):
    radius, thickness, hole, k, q, _ = case
    wall = EggWall(2 * radius * MM, 2 * radius * MM, 2 * radius * MM)
    top = np.array([0.0, radius, radius]) * MM
    opening = Opening("hole", top, np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0]), thickness * MM, hole * MM)
    air = graded_air(ChamberBody("ball", wall, thickness * MM, None, (opening,)))
    found = np.sqrt(air.extrapolated(*(mode.k**2 for mode in air.lowest(("hole",)))))
    assert abs(1200 * np.log2(found.real / k)) < 0.5
    assert found.real / (2 * found.imag) == pytest.approx(q, rel=0.005)
