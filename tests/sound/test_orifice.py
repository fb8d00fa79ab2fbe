"""End corrections, rounded rims and friction of openings in a flat wall: solved again here by three other methods.

Sources: Rayleigh, Theory of Sound, secs. 304-307; Norris & Sheng 1989, J. Sound Vib. 135, 85 (0.8216 of a long
flanged duct); Brandao & Schnitzer 2020, J. Fluid Mech. (a thick plate forgets its other side exponentially).
"""

import gmsh
import numpy as np
import pytest
import skfem
from hypothesis import given
from hypothesis import strategies as st
from numpy.polynomial.legendre import leggauss
from skfem.helpers import dot, grad

from simkit.sound.elements.orifice import (
    LONG,
    ellipse,
    end_of,
    fitted_rims,
    piston_end,
    plate_end,
    plate_end_slope,
    rectangle,
    rim_relief,
    rim_relief_slope,
    round_end,
)

# --- the round hole by an edge-singular Galerkin method (conftest) ---------------------------------------------


@pytest.mark.parametrize("thickness", [0.03, 0.065, 0.13, 0.31, 0.8, 1.6, 4.0])
def test_the_table_solved_again(thickness, sharp_hole):
    assert plate_end(thickness) == pytest.approx(sharp_hole.galerkin(thickness)[0], abs=3e-6)


@pytest.mark.parametrize("thickness", [0.05, 0.3, 3.0])
def test_rim_relief_from_the_corner_flow(thickness, sharp_hole):
    """Relief = pi b C^2 (2 pi) pi, b = 0.12722 from the flow round a rounded corner (see the FE test below)."""
    coarse, middle, fine = (sharp_hole.galerkin(thickness, n)[1] for n in (10, 20, 40))
    strength = fine - (fine - middle) ** 2 / ((fine - middle) - (middle - coarse))
    assert rim_relief(thickness) == pytest.approx(0.12722 * 2 * np.pi**3 * strength**2, rel=3e-3)


def test_published_limits():
    assert plate_end(0.0) == pytest.approx(np.pi / 4, abs=1e-7)  # Rayleigh: K = 2a
    assert plate_end(50.0) == pytest.approx(0.8216, abs=1e-4)  # Norris & Sheng 1989
    # Rayleigh's bounds for any thickness: h + pi a/2 <= S/K <= h + 16 a/(3 pi).
    x = np.linspace(0, 5, 200)
    assert np.all((np.pi / 4 <= plate_end(x)) & (plate_end(x) <= 8 / (3 * np.pi)))


@pytest.mark.parametrize("thickness", [0.05, 0.1, 0.2, 0.3, 0.5, 1.0, 2.0])
def test_end_corrections_and_rub_lengths(thickness, sharp_hole):
    """The viscous length by moving all walls of the hole that is solved here (Hadamard)."""
    end = round_end(1.0, thickness)
    correction, rub = sharp_hole.end_and_rub(thickness)
    assert end.correction == pytest.approx(correction, abs=3e-6)
    assert end.viscous == pytest.approx(rub, rel=1e-4)


def test_least_rubbing_thickness():
    """Resistance is least at h = 0.13 a or so, as Brandao & Schnitzer 2020 find; then h + 2r = 2.10 a."""
    x = np.linspace(0.02, 0.5, 481)
    total = x + 2 * round_end(1.0, x).viscous
    assert x[total.argmin()] == pytest.approx(0.13, abs=0.02)
    assert total.min() == pytest.approx(2.10, abs=0.01)


@given(st.floats(0.003, 5))
def test_slopes(thickness):
    step = 1e-5 * thickness
    for value, slope in ((plate_end, plate_end_slope), (rim_relief, rim_relief_slope)):
        numerical = (value(thickness + step) - value(thickness - step)) / (2 * step)
        assert slope(thickness) == pytest.approx(numerical, rel=1e-4, abs=1e-7)


@given(st.floats(0.02, 5), st.floats(0.001, 0.3))
def test_rub_length_is_hadamards_derivative(thickness, rim):
    """G = d(1/K)/dn for all walls moved into the air: a - n, h + 2n, f + n."""
    rim = min(rim, thickness / 2)

    def resistance(n):
        a, h = 1 - n, thickness + 2 * n
        return (h + 2 * round_end(a, h, rim + n).correction) / (np.pi * a**2)

    step = min(1e-4, rim / 4)
    numerical = (resistance(step) - resistance(-step)) / (2 * step)
    G = 2 * np.pi * (thickness + 2 * round_end(1.0, thickness, rim).viscous) / np.pi**2
    assert pytest.approx(numerical, rel=1e-4) == G


def test_sizes_scale():
    one, ten = round_end(0.4, 0.3, 0.05), round_end(4.0, 3.0, 0.5)
    assert ten.correction == pytest.approx(10 * one.correction)
    assert ten.viscous == pytest.approx(10 * one.viscous)


def test_rims_share_the_wall():
    assert fitted_rims(4.0, 0.3, 0.5) == (0.3, 0.5)
    assert fitted_rims(1.0, 1.5, 0.5) == pytest.approx((0.75, 0.25))
    assert fitted_rims(0.0, 0.3, 0.3) == (0, 0)


# --- rounded rims by finite elements --------------------------------------------------------------------------


def rounded_mesh(half, rim, far):
    """Half of a round hole of radius 1 in a wall of thickness 2 half, and a half-ball of air: (r, z), curved."""
    gmsh.initialize(readConfigFiles=False, interruptible=False)
    try:
        gmsh.option.restoreDefaults()  # gmsh keeps the options of earlier sessions in the process
        gmsh.option.setNumber("General.Terminal", 0)
        gmsh.option.setNumber("General.NumThreads", 1)
        geo, point, line = gmsh.model.geo, gmsh.model.geo.addPoint, gmsh.model.geo.addLine
        corners = [(0, 0), (1, 0), (1, half - rim), (1 + rim, half), (far, half), (0, half + far)]
        p = [point(r, z, 0) for r, z in corners]
        bend, middle = point(1 + rim, half - rim, 0), point(0, half, 0)
        arc = geo.addCircleArc(p[2], bend, p[3])
        outline = [
            line(p[0], p[1]), line(p[1], p[2]), arc, line(p[3], p[4]),
            geo.addCircleArc(p[4], middle, p[5]), line(p[5], p[0]),
        ]  # fmt: skip
        geo.addPlaneSurface([geo.addCurveLoop(outline)])
        geo.synchronize()
        field = gmsh.model.mesh.field
        distance, size = field.add("Distance"), field.add("MathEval")
        field.setNumbers(distance, "CurvesList", [arc])
        field.setNumber(distance, "Sampling", 200)
        field.setString(size, "F", f"{rim / 24} + 0.1 * F{distance}")
        field.setAsBackgroundMesh(size)
        for name in ("MeshSizeExtendFromBoundary", "MeshSizeFromPoints"):
            gmsh.option.setNumber(f"Mesh.{name}", 0)
        gmsh.model.mesh.generate(2)
        gmsh.model.mesh.setOrder(2)
        tags, points, _ = gmsh.model.mesh.getNodes()
        _, nodes = gmsh.model.mesh.getElementsByType(9)
    finally:
        gmsh.finalize()
    place = np.zeros(int(tags.max()) + 1, int)
    place[tags] = np.arange(len(tags))
    triangles = place[nodes].reshape(-1, 6)
    used = np.r_[np.unique(triangles[:, :3]), np.unique(triangles[:, 3:])]
    place[used] = np.arange(len(used))
    return skfem.MeshTri2(points.reshape(-1, 3)[used, :2].T.copy(), place[triangles].T.copy())


def by_finite_elements(thickness, rim, far=10.0):
    """(end correction, viscous length) of one end: potential 0 half way down, 1 far away."""
    half = thickness / 2
    mesh = rounded_mesh(half, rim, far)

    def outer(x):
        return (abs(np.hypot(x[0], x[1] - half) - far) < 1e-2 * far) & (x[1] >= half)

    def clay(x):
        return ~outer(x) & (x[0] > 1e-6) & (x[1] > 1e-9)

    element = skfem.ElementTriP2()
    inside = skfem.Basis(mesh, element, intorder=6)
    around, wall = (
        skfem.FacetBasis(mesh, element, facets=mesh.facets_satisfying(where, boundaries_only=True), intorder=6)
        for where in (outer, clay)
    )
    K = skfem.BilinearForm(lambda u, v, w: w.x[0] * dot(grad(u), grad(v))).assemble(inside)
    K += skfem.BilinearForm(lambda u, v, w: w.x[0] * u * v / far).assemble(around)
    load = skfem.LinearForm(lambda v, w: w.x[0] * v / far).assemble(around)
    zero = inside.get_dofs(lambda x: abs(x[1]) < 1e-9).all()
    u = skfem.solve(*skfem.condense(K, load, D=zero))
    flux = skfem.Functional(lambda w: w.x[0] * (1 - w["u"]) / far)
    flow = 2 * np.pi * flux.assemble(around, u=around.interpolate(u))
    slip = skfem.Functional(lambda w: w.x[0] * (dot(grad(w["u"]), grad(w["u"])) - dot(grad(w["u"]), w.n) ** 2))
    rubbed = 2 * np.pi * slip.assemble(wall, u=wall.interpolate(u)) / flow**2
    rubbed += 1 / (4 * np.pi * far**2)  # the wall beyond
    return np.pi / flow - half, np.pi / 2 * rubbed - half


@pytest.mark.parametrize(
    ("thickness", "rim", "relief_error", "rub_error"),
    [
        (1.0, 0.05, 2e-3, 3e-3),
        pytest.param(0.2, 0.05, 0.02, 0.01, marks=pytest.mark.slow),
        pytest.param(1.0, 0.1, 4e-3, 3e-3, marks=pytest.mark.slow),
        pytest.param(1.0, 0.3, 0.01, 0.015, marks=pytest.mark.slow),
        pytest.param(2.0, 0.2, 0.01, 0.01, marks=pytest.mark.slow),
    ],
)
def test_rounded_rims_against_finite_elements(thickness, rim, relief_error, rub_error):
    """A rounded rim shortens the end correction by relief (f/a)^(4/3) a, and rubs less: Laplace's equation solved."""
    correction, rub = by_finite_elements(thickness, rim)
    end = round_end(1.0, thickness, rim)
    assert plate_end(thickness) - end.correction == pytest.approx(plate_end(thickness) - correction, rel=relief_error)
    assert end.viscous == pytest.approx(rub, rel=rub_error)


# --- rectangles and ellipses ----------------------------------------------------------------------------------


def overlap(count, side, shift):
    """int cos(2 m pi x/side) cos(2 n pi (x + shift)/side) dx over the overlap, made even in shift: (shifts, m, n)."""
    a = 2 * np.pi * np.arange(count) / side
    s = shift[:, None, None]
    total = 0
    for sign in (1, -1):
        k, phase = (a[:, None] + sign * a[None, :])[None], sign * a[None, None, :] * s
        safe = np.where(abs(k) < 1e-9, 1, k)
        running = (np.sin(k * (side - s) + phase) - np.sin(phase)) / safe
        total = total + np.where(abs(k) < 1e-9, np.cos(phase) * (side - s), running) / 2
    return (total + total.transpose(0, 2, 1)) / 2


def duct_modes(aspect, thicknesses, counts):
    """End correction of a rectangle of area 1 with its duct's modes against Rayleigh's integral outside."""
    a, b = np.sqrt(aspect), 1 / np.sqrt(aspect)
    m, n = counts
    t, w = leggauss(8 * max(counts) + 40)
    t, w = (t + 1) / 2, w / 2
    outside = np.zeros((m, m, n, n))
    for v, weight in zip(t, w, strict=True):
        for x, y in ((a * t, b * t * v), (a * t * v, b * t)):  # the two triangles of Duffy's rule
            near = (w * weight * a * b * t / np.hypot(x, y))[:, None]
            product = (overlap(m, a, x).reshape(len(t), -1) * near).T @ overlap(n, b, y).reshape(len(t), -1)
            outside += product.reshape(m, m, n, n)
    outside = outside.transpose(0, 2, 1, 3).reshape(m * n, m * n) * 4 / (2 * np.pi)
    kappa = np.hypot(*np.meshgrid(2 * np.pi * np.arange(m) / a, 2 * np.pi * np.arange(n) / b, indexing="ij")).ravel()
    norm = np.outer(np.r_[1, np.full(m - 1, 0.5)], np.r_[1, np.full(n - 1, 0.5)]).ravel()
    first = np.eye(m * n)[0]
    safe = np.where(kappa > 0, kappa, 1)
    return np.array(
        [1 / np.linalg.solve(outside + np.diag(np.tanh(kappa * h / 2) / safe * norm), first)[0] for h in thicknesses]
    )


@pytest.mark.parametrize(
    ("aspect", "coarse", "fine"),
    [
        pytest.param(1, (6, 6), (9, 9), marks=pytest.mark.slow),
        (2, (8, 6), (12, 9)),
        pytest.param(4, (12, 6), (18, 9), marks=pytest.mark.slow),
    ],
)
def test_rectangles_against_duct_modes(aspect, coarse, fine):
    """To 0.02 %: a slender window's two ends feel each other through thicker clay than those of a disc as large."""
    thicknesses = np.array([0.1, 0.3, 0.5, 1.0, 10.0])
    growth = (fine[0] / coarse[0]) ** (4 / 3)
    few, many = duct_modes(aspect, thicknesses, coarse), duct_modes(aspect, thicknesses, fine)
    extrapolated = (growth * many - few) / (growth - 1)
    width, height = np.sqrt(aspect), 1 / np.sqrt(aspect)
    found = [end_of(rectangle, width, height, h, 0.0).correction for h in thicknesses]
    assert found == pytest.approx(extrapolated, rel=2e-4)


def test_thin_square_from_the_capacitance_of_a_square_plate():
    """C = 0.3667896 * 4 pi eps0 L (Read 1997; from memory), and K = C / (4 eps0)."""
    assert 1 / (2 * rectangle(1.0, 1.0).thin) == pytest.approx(0.3667896 * np.pi, rel=2e-4)


def corner_potential(u, v):
    """int int 1/r over the rectangle from the origin to (u, v): u asinh(v/|u|) + v asinh(u/|v|)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(u == 0, 0, u * np.arcsinh(v / abs(u))) + np.where(v == 0, 0, v * np.arcsinh(u / abs(v)))


def plate_capacity(width, height, panels):
    """C/(4 eps0) of a charged plate: collocation on a quarter, even charge on panels that get narrower to the edges."""
    steps = np.sin(np.pi / 2 * np.linspace(0, 1, panels + 1)) / 2
    x, y = width * steps, height * steps
    low, high = (np.meshgrid(x[n : panels + n], y[n : panels + n], indexing="ij") for n in (0, 1))
    (left, below), (right, above) = ([each.ravel() for each in grid] for grid in (low, high))
    X, Y = (left + right)[:, None] / 2, (below + above)[:, None] / 2
    potential = np.zeros((len(X), len(X)))
    for side in (1, -1):
        for turn in (1, -1):
            u, v = (side * X - left, side * X - right), (turn * Y - below, turn * Y - above)
            potential += sum((-1) ** (m + n) * corner_potential(u[m], v[n]) for m in (0, 1) for n in (0, 1))
    charge = np.linalg.solve(potential / (4 * np.pi), np.ones(len(X)))
    return charge @ ((right - left) * (above - below))


@pytest.mark.parametrize("aspect", [1, 2, 4, 10, 20])
def test_thin_rectangles(aspect):
    """K / sqrt(S) = C/(4 eps0 sqrt(S)) of a plate like the hole (Rayleigh, sec. 304): panels, their error as 1/n^2."""
    width, height = np.sqrt(aspect), 1 / np.sqrt(aspect)
    coarse, fine = (plate_capacity(width, height, panels) for panels in (8, 16))
    shape = rectangle(width, height)
    assert shape.area / (2 * shape.thin) == pytest.approx(fine + (fine - coarse) / 3, abs=3e-4)


@pytest.mark.parametrize(("aspect", "piston"), [(1, 0.4732), (2, 0.4598), (4, 0.4234), (10, 0.3552), (20, 0.2993)])
def test_rectangular_piston(aspect, piston):
    """Rayleigh's integral over a uniform rectangular piston, in closed form."""
    width, height = np.sqrt(aspect), 1 / np.sqrt(aspect)
    assert piston_end(width, height) == pytest.approx(piston, abs=6e-5)
    shape = rectangle(width, height)
    assert shape.thin < shape.long < piston_end(width, height)


@pytest.mark.parametrize(
    ("ratio", "conductivity"), [(1, 2.0), (0.8, 1.794423), (0.5, 1.456791), (1 / 3, 1.242411), (0.2, 1.041603)]
)
def test_thin_ellipses(ratio, conductivity):
    """K = pi A / K(m), half axes 1 and ratio: Rayleigh, Theory of Sound, sec. 306; elliptic integral tables."""
    shape = ellipse(2.0, 2 * ratio)
    assert shape.area / (2 * shape.thin) == pytest.approx(conductivity, abs=1e-6)


@given(st.floats(0.02, 4), st.floats(0, 0.2))
def test_a_round_ellipse_is_a_round_hole(thickness, rim):
    rim = 0.0 if rim < 0.005 else min(rim, thickness / 2)
    one, other = round_end(1.0, thickness, rim), end_of(ellipse, 2.0, 2.0, thickness, rim)
    assert other.correction == pytest.approx(one.correction, rel=1e-6)
    assert other.viscous == pytest.approx(one.viscous, rel=2e-4)


def test_a_long_slot_with_rounded_rims():
    """Conformal map of a flanged slot of width w: corner strength 0.71012 w^(-2/3), relief 2 pi b 0.5043 = 0.400."""
    shape = rectangle(1000.0, 1.0)
    assert shape.relief == pytest.approx(2 * np.pi * 0.12722 * 0.71012**2, rel=0.01)


def test_long_limit_is_shared():
    assert ellipse(2.0, 2.0).long == pytest.approx(LONG, rel=1e-6)
