"""Closed and open air by another finite-element library, which shares no line, mesh or geometry with this package.

NGSolve with Netgen's own solids and meshers: elements of order 4 of an egg, and of order 5 of half a plane through
balls with a hole, curved to the arcs. They also give again the numbers that test_holes_of_balls quotes.
Left out where it is not installed: pip install ngsolve, or the dependency group `second`.
"""

import runpy
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.sparse.linalg import LinearOperator, eigsh

from simkit.body.walls.formulas import EggWall
from simkit.field import closed_modes

pytestmark = pytest.mark.slow
ng = pytest.importorskip("ngsolve", reason="a second finite-element library: pip install ngsolve")

BALLS = runpy.run_path(str(Path(__file__).with_name("test_holes_of_balls.py")))


def cents(one, other):
    return 1200 * np.log2(np.real(one) / np.real(other))


# --- closed ------------------------------------------------------------------------------------------------------


def egg_modes(width, length, height, widest_at, count, size):
    """Wave numbers, 1/m, and volume, m^3, of the air in an egg: Netgen's unit ball, its nodes moved out to the egg.

    (X, s, Z) of the ball goes to X width/2, length [(s + 1)/2 + (widest_at - 1/2)(1 - s^2)], Z height/2.
    """
    from netgen.occ import OCCGeometry, Pnt, Sphere

    mesh = ng.Mesh(OCCGeometry(Sphere(Pnt(0, 0, 0), 1)).GenerateMesh(maxh=size))
    mesh.Curve(4)
    along = length * ((ng.y + 1) / 2 + (widest_at - 0.5) * (1 - ng.y**2))
    moved = ng.GridFunction(ng.VectorH1(mesh, order=4))
    moved.Set(ng.CF((width / 2 * ng.x - ng.x, along - ng.y, height / 2 * ng.z - ng.z)))
    mesh.SetDeformation(moved)
    space = ng.H1(mesh, order=4)
    p, q = space.TnT()
    K, M = (ng.BilinearForm(form * ng.dx).Assemble().mat for form in (ng.grad(p) * ng.grad(q), p * q))
    shifted, shift = K.CreateMatrix(), -100.0
    shifted.AsVector().data = K.AsVector() - shift * M.AsVector()
    inverse = shifted.Inverse(space.FreeDofs(), inverse="sparsecholesky")
    load, field = K.CreateColVector(), K.CreateColVector()

    def times(matrix):
        def applied(x):
            load.FV().NumPy()[:] = x.ravel()
            field.data = matrix * load
            return field.FV().NumPy().copy()

        return LinearOperator((space.ndof, space.ndof), matvec=applied, dtype=float)

    start = np.cos(np.arange(space.ndof))
    k2 = eigsh(times(K), count + 1, times(M), sigma=shift, OPinv=times(inverse), v0=start, return_eigenvectors=False)
    return np.sqrt(np.sort(k2)[1:]), ng.Integrate(1.0, mesh)


@pytest.mark.parametrize("sizes", [(0.062, 0.096, 0.050, 0.38), (0.040, 0.090, 0.030, 0.60)])
def test_an_egg_rings_at_the_same_modes(sizes):
    """Six modes to 0.3 cents, which is what `closed_modes` promises of plain shapes; the volume to 1e-5."""
    k, volume = egg_modes(*sizes, 6, 0.3)
    assert volume == pytest.approx(np.pi / 6 * np.prod(sizes[:3]), rel=1e-5)
    assert cents(closed_modes(EggWall(*sizes), 6).k, k) == pytest.approx(np.zeros(6), abs=0.3)


# --- open --------------------------------------------------------------------------------------------------------


def half_plane(radius, wall, hole, rims, far):
    """Netgen's geometry of half a plane (r, z) through a ball, its clay, the hole on top and the air around it, mm."""
    from netgen.geom2d import SplineGeometry

    geometry, names = SplineGeometry(), {}

    def point(at):
        key = tuple(np.round(at, 9))
        if key not in names:
            names[key] = geometry.AppendPoint(*key)
        return names[key]

    def line(*places):
        for a, b in pairwise(places):
            geometry.Append(["line", point(a), point(b)], bc="axis" if max(abs(a[0]), abs(b[0])) == 0 else "clay")

    def arc(middle, radius, start, end, pieces, bc="clay", maxh=1e9):
        """A circle's arc from angle `start` to `end` (from the axis, clockwise), as rational quadratics."""
        turns = np.linspace(start, end, pieces + 1)
        at = np.array(middle) + radius * np.stack([np.sin(turns), np.cos(turns)], axis=1)
        half = (turns[1:] + turns[:-1]) / 2
        reach = radius / np.cos((end - start) / pieces / 2)
        between = np.array(middle) + reach * np.stack([np.sin(half), np.cos(half)], axis=1)
        for a, b, c in zip(at, between, at[1:], strict=False):
            geometry.Append(["spline3", point(a), geometry.AppendPoint(*b), point(c)], bc=bc, maxh=maxh)
        return at[0], at[-1]

    inner, outer = radius, radius + wall
    low, high = (np.arcsin((hole + rims[n]) / (r + s * rims[n])) for n, r, s in ((1, inner, 1), (0, outer, -1)))
    bends = [
        (hole + rims[1], (inner + rims[1]) * np.cos(low)),
        (hole + rims[0], (outer - rims[0]) * np.cos(high)),
    ]
    origin = (0.0, 0.0)
    bottom, _ = arc(origin, inner, np.pi, low, 6)
    # From the ball's wall round the inner rim to the duct, along it, and round the outer rim to the clay outside.
    _, duct_low = arc(bends[0], rims[1], np.pi + low, 1.5 * np.pi, 3, maxh=rims[1] / 2)
    duct_high, _ = arc(bends[1], rims[0], 1.5 * np.pi, 2 * np.pi + high, 3, maxh=rims[0] / 2)
    line(duct_low, duct_high)
    _, under = arc(origin, outer, high, np.pi, 6)
    foot, top = arc(origin, far, np.pi, 0.0, 6, bc="far")
    line(under, foot)
    line(top, bottom)
    return geometry


def open_ball(radius, wall, hole, rims, start, order=5):
    """k, 1/m, of the lowest resonance near `start`; Bayliss & Turkel's second condition on a far sphere.

    dp/dn = -(ik + 1/R) p + Delta_S p / (2 (ik + 1/R)): 1980, Commun. Pure Appl. Math. 33, 707 (from memory).
    """
    far = 8.0 * (radius + wall)
    mesh = ng.Mesh(half_plane(radius, wall, hole, rims, far).GenerateMesh(maxh=far / 8, grading=0.25))
    mesh.Curve(order)
    space = ng.H1(mesh, order=order, complex=True)
    p, q = space.TnT()
    r, shell = ng.x, ng.ds("far")
    forms = (
        ng.grad(p) * ng.grad(q) * r * ng.dx,
        p * q * r * ng.dx,
        p * q * r * shell + 0 * p * q * ng.dx,
        ng.grad(p).Trace() * ng.grad(q).Trace() * r * shell + 0 * p * q * ng.dx,
    )
    parts = [ng.BilinearForm(form).Assemble().mat for form in forms]
    K, M, S, T = (part.AsVector() for part in parts)
    A, slope, field = parts[0].CreateMatrix(), parts[0].CreateMatrix(), ng.GridFunction(space).vec
    load, spare = field.CreateVector(), field.CreateVector()

    def times(matrix):
        spare.data = matrix * field
        return ng.InnerProduct(spare, field, conjugate=False)

    k = complex(start) * 1e-3
    field[:] = 1.0
    for _ in range(6):
        out = 1j * k + 1 / far
        A.AsVector().data = K - k**2 * M + out * S + 1 / (2 * out) * T
        slope.AsVector().data = -2 * k * M + 1j * S - 1j / (2 * out**2) * T
        inverse = A.Inverse(space.FreeDofs(), inverse="umfpack")
        for _ in range(3):
            load.data = slope * field
            field.data = inverse * load
            field.data = (1 / ng.Norm(field)) * field
        k -= times(A) / times(slope)
    return 1e3 * k


QUOTED = [(*sizes, rims, k) for (*sizes, rims, length), k in BALLS["SECOND"].items() if length is None]
QUOTED += [(w, wall, hole, (0.3, 0.3), k) for (w, h, wall, hole), k in BALLS["TIGHT"].items() if w == h]


@pytest.mark.parametrize(("radius", "wall", "hole", "rims", "quoted"), QUOTED)
def test_the_numbers_quoted_of_balls_come_out_again(radius, wall, hole, rims, quoted):
    assert abs(cents(open_ball(radius, wall, hole, rims, quoted * (1 + 1e-3j)), quoted)) < 0.01


@pytest.mark.parametrize("model", ["ports", "resolved"])
def test_a_thick_ball_with_a_hole_rings_at_the_same_note(model):
    """60 mm, wall 5 mm, hole 8 mm, rims of 0.3 mm: to half a cent, as test_holes_of_balls has it, Q to two in a
    thousand."""
    k, _ = BALLS["told"](model, 30.0, 5.0, 4.0, (0.3, 0.3))
    other = open_ball(30.0, 5.0, 4.0, (0.3, 0.3), k)
    assert abs(cents(k, other)) < 0.5
    assert k.real / k.imag == pytest.approx(other.real / other.imag, rel=2e-3)
