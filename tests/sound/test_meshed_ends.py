"""A hole in a tube and the friction in a hole against axisymmetric elements that share nothing with the models.

Linearised Navier-Stokes flow through a hole gives the friction that the models take from surface integrals.
"""

from itertools import pairwise

import numpy as np
import pytest
from scipy.sparse import bmat
from scipy.sparse.linalg import splu

from simkit.body.kernel import session
from simkit.sound.elements.openings import _fok, round_hole


def half_plane(outline, arc, points, fine, grow, order=2, lines=()):
    """Triangles of (r, z): a polygon, closed by an arc about the origin or (arc 0) a line from last corner to first.

    Elements of `fine` at the `points` (by number) and sides `lines` (by their first corner), growing by `grow`.
    """
    from skfem import MeshTri, MeshTri2

    with session() as gmsh:
        geo, field = gmsh.model.geo, gmsh.model.mesh.field
        corners = [geo.addPoint(r, z, 0) for r, z in outline]
        sides = [geo.addLine(p, q) for p, q in pairwise(corners)]
        ends = corners[-1], corners[0]
        sides.append(geo.addCircleArc(ends[0], geo.addPoint(0, 0, 0), ends[1]) if arc else geo.addLine(*ends))
        geo.addPlaneSurface([geo.addCurveLoop(sides)])
        geo.synchronize()
        field.add("Distance", 1)
        field.setNumbers(1, "PointsList", [corners[i] for i in points])
        field.setNumbers(1, "CurvesList", [sides[i] for i in lines])
        field.setNumber(1, "Sampling", 1000)
        field.add("MathEval", 2)
        field.setString(2, "F", f"{fine} + {grow} * F1")
        field.setAsBackgroundMesh(2)
        gmsh.option.setNumber("Mesh.MeshSizeExtendFromBoundary", 0)
        gmsh.option.setNumber("Mesh.MeshSizeFromPoints", 0)
        gmsh.option.setNumber("Mesh.MeshSizeMax", (arc or max(r for r, _ in outline)) / 25)
        gmsh.model.mesh.generate(2)
        gmsh.model.mesh.setOrder(order)
        tags, xyz, _ = gmsh.model.mesh.getNodes()
        _, cells = gmsh.model.mesh.getElementsByType({1: 2, 2: 9}[order])
    order_of = np.argsort(tags)
    cells = np.searchsorted(tags[order_of], cells).reshape(-1, {1: 3, 2: 6}[order])
    used, cells = np.unique(cells, return_inverse=True)
    points = xyz.reshape(-1, 3)[order_of][used, :2].T
    return {1: MeshTri, 2: MeshTri2}[order](points, cells.reshape(-1, {1: 3, 2: 6}[order]).T)


def meshed_drop(outline, rims, inlet, outlet, fine):
    """Drop of potential for a mean gradient of 1 at the inlet, to p = 0 at the outlet; both by their (r, z)."""
    from skfem import Basis, BilinearForm, ElementTriP2, FacetBasis, LinearForm
    from skfem.helpers import dot, grad

    mesh = half_plane(outline, 0, rims, fine, 0.15)
    basis = Basis(mesh, ElementTriP2(), intorder=5)
    K = BilinearForm(lambda u, v, w: dot(grad(u), grad(v)) * w.x[0]).assemble(basis)
    entry = FacetBasis(mesh, ElementTriP2(), facets=mesh.facets_satisfying(inlet, True))
    load = LinearForm(lambda v, w: v * w.x[0]).assemble(entry)
    free = np.setdiff1d(np.arange(len(load)), basis.get_dofs(mesh.facets_satisfying(outlet, True)).all())
    return float(load[free] @ splu(K[free][:, free].tocsc()).solve(load[free]) / load.sum())


@pytest.mark.parametrize("ratio", [0.2, pytest.param(0.4, marks=pytest.mark.slow), 0.6])
def test_thin_diaphragm_in_a_tube(ratio):
    """Fok 1941, C. R. Acad. Sci. URSS 31: 1/K = (1/psi)/(2a), half of it on either side of the hole."""
    wide = 1 / ratio
    outline = [(0.0, 3 * wide), (0.0, 0.0), (1.0, 0.0), (wide, 0.0), (wide, 3 * wide)]
    hole = lambda x: (x[1] < 1e-9) & (x[0] < 1)  # noqa: E731
    drop = meshed_drop(outline, [2], lambda x: x[1] > 3 * wide - 1e-9, hole, 5e-4)
    resistance = (drop - 3 * wide) / (np.pi * wide**2)
    assert _fok(ratio) / (2 * 2.0) == pytest.approx(resistance, rel=2e-3)


def viscous_hole(thickness, layer, far=10.0, fine=6, grow=0.2, sticky=4.0):
    """Z/(omega rho) of a hole of radius 1 through a plate, by linearised Navier-Stokes flow; boundary layer `layer`.

    i u + grad p = (layer^2/2) Laplace u, div u = 0, in units of the hole's radius: P2/P1 elements of the quarter plane
    above the plate's middle, where p = 0 and u runs along the axis. The far half ball is pushed by p = 1; beyond it
    the flow is a point source's. From the radius `sticky` on the plate does not hold the flow back.
    """
    from skfem import Basis, BilinearForm, ElementTriP1, ElementTriP2, ElementVector, FacetBasis, LinearForm
    from skfem.helpers import ddot, div, dot, grad

    half = thickness / 2
    outline = [(0.0, far), (0.0, -half), (1.0, -half), (1.0, 0.0), (sticky, 0.0), (far, 0.0)]
    mesh = half_plane(outline, far, [3], layer / fine, grow, 1, lines=[2, 3])
    flow = Basis(mesh, ElementVector(ElementTriP2()), intorder=5)
    push = flow.with_element(ElementTriP1())

    def rubbing(u, v, w):
        turning = u[0] * v[0] / w.x[0] ** 2
        return (1j * dot(u, v) + layer**2 / 2 * (ddot(grad(u), grad(v)) + turning)) * w.x[0]

    A = BilinearForm(rubbing, dtype=complex).assemble(flow)
    B = BilinearForm(lambda u, q, w: -q * (div(u) + u[0] / w.x[0]) * w.x[0]).assemble(flow, push)
    outer = FacetBasis(mesh, flow.elem, facets=mesh.facets_satisfying(lambda x: np.hypot(*x) > 0.98 * far, True))
    load = LinearForm(lambda v, w: -dot(v, w.n) * w.x[0]).assemble(outer)
    axis = flow.get_dofs(mesh.facets_satisfying(lambda x: x[0] < 1e-9, True)).all("u^1")
    floor = mesh.facets_satisfying(lambda x: x[1] < 1e-9 - half, True)
    clay = mesh.facets_satisfying(lambda x: (x[0] > 1 - 1e-9) & (x[0] < sticky) & (x[1] < 1e-9), True)
    smooth = mesh.facets_satisfying(lambda x: (x[0] > sticky) & (x[1] < 1e-9), True)
    held = [axis, flow.get_dofs(floor).all("u^1"), flow.get_dofs(clay).all(), flow.get_dofs(smooth).all("u^2")]
    held = np.concatenate(held)
    free = np.setdiff1d(np.arange(A.shape[0]), held)
    S = bmat([[A[free][:, free], B[:, free].T], [B[:, free], None]], "csc")
    u = np.zeros(A.shape[0], complex)
    u[free] = splu(S).solve(np.concatenate([load[free], np.zeros(B.shape[0])]).astype(complex))[: len(free)]
    through = LinearForm(lambda v, w: -2 * np.pi * v[1] * w.x[0]).assemble(FacetBasis(mesh, flow.elem, facets=floor))
    return 2 * (1 / (through @ u) + 1j / (2 * np.pi * far))


@pytest.mark.slow
@pytest.mark.parametrize(("thickness", "layer", "share"), [(1.0, 0.025, 0.03), (1.0, 0.05, 0.03), (0.5, 0.025, 0.04)])
def test_friction_in_a_hole_is_that_of_navier_stokes(thickness, layer, share):
    """To first order in the layers Z = i omega rho [1/K + (1 - i)/2 delta_v G]; the flow itself knows all orders.

    At sharp rims the first order is too much, in a short duct by 3.4 %: not the reference's error, which moves by 0.2 %
    at most with elements half as large, a far ball of 16 or the plate held up to 6. What is missing goes like the cube
    root of the layer, for walls that move in by (1 - i)/2 delta_v round a sharp corner by about so much, and a corner
    rounded by f lets through 0.35 (f/a)^(4/3) more: 0.17 (delta_v/a)^(1/3) of the friction.
    """
    hole = round_hole(1.0, thickness)
    found = viscous_hole(thickness, layer)
    added = found - 1j / hole.conductivity
    beyond = 2 / (4 * np.pi * 4.0**2)  # of the integral of |u|^2 over both faces of the plate, from the radius 4 on
    assert added.real == pytest.approx(layer / 2 * (hole.friction - beyond), rel=share)
    assert added.imag == pytest.approx(layer / 2 * (hole.friction - beyond), rel=0.05)
