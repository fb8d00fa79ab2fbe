"""One tube judged twice: by `resolved`, and by another finite-element library on a mesh of its own.

The other library (NGSolve, with Netgen's own geometry and mesher) shares no line with this package: it builds the
body anew from the numbers below, takes cubic elements, ends the air at a larger sphere with another radiation
condition, and closes in on the resonance with complex direct solutions.

Run: pip install ngsolve; python benchmarks/second_opinion.py (some ten minutes)
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from time import perf_counter

import numpy as np

import simkit
from simkit.sound import models

LENGTH, RADIUS, WALL = 90.0, 17.0, 4.0  # mm: a tube with round ends, sharp rims everywhere
WINDOW = (20.0, 180.0, 12.0, 5.5)  # along, around, width, cut-up; its far side upright
HOLES = {"1": (42.0, 0.0, 7.0), "2": (60.0, 40.0, 12.0)}  # along, around, diameter
FINE = 1.2, 0.6  # mm at the rims of the other library
OPEN = ((), ("1",), ("1", "2"))  # three bodies: with these holes and no others


def design(names: tuple[str, ...]) -> str:
    """The body as a design file."""
    text = f"""
[clay]
wall_mm = {WALL}
edge_radius_mm = 0
edge_inside_radius_mm = 0
[[chamber]]
name = "body"
shape = "tube"
length_mm = {LENGTH}
diameter_mm = {2 * RADIUS}
ends = "round"
[chamber.voicing]
along_mm = {WINDOW[0]}
around_deg = {WINDOW[1]}
window_width_mm = {WINDOW[2]}
cut_up_mm = {WINDOW[3]}
windway_height_mm = 1.4
windway_length_mm = 15
edge_deg = 90
edge_radius_mm = 0
"""
    for name in names:
        along, around, diameter = HOLES[name]
        text += f'[[chamber.hole]]\nname = "{name}"\nalong_mm = {along}\n'
        text += f"around_deg = {around}\ndiameter_mm = {diameter}\n"
    return text


def ours(names: tuple[str, ...]) -> tuple[complex, float, float]:
    """k in 1/m, the uncertainty in cents, and seconds."""
    start = perf_counter()
    judge = models.resonator("resolved", models.cases(simkit.loads(design(names), "tube.toml"), lossless=True)[0])
    (ring,) = judge.resonances(names)
    return ring.omega / judge.air.sound_speed, judge.evidence(names).uncertainty_cents, perf_counter() - start


def body(names: tuple[str, ...], far: float, fine: float):
    """The air as one solid of Netgen's, in mm, with short edges at the rims and its far face named."""
    from netgen.occ import Axis, Box, Cylinder, Pnt, Sphere, Vec, Y, Z

    def capsule(radius):
        low, high = Pnt(0, RADIUS, 0), Pnt(0, LENGTH - RADIUS, 0)
        return Cylinder(low, Y, r=radius, h=LENGTH - 2 * RADIUS) + Sphere(low, radius) + Sphere(high, radius)

    def placed(solid, along, around):
        """What stands upright over the origin, at its place on the tube."""
        return solid.Rotate(Axis(Pnt(0, 0, 0), Y), around).Move(Vec(0, along, 0))

    inner, height = RADIUS - 8, WALL + 12
    along, around, width, cut_up = WINDOW
    slot = Box(Pnt(-width / 2, -cut_up / 2, inner), Pnt(width / 2, cut_up / 2, inner + height))
    ducts = [placed(slot, along, around)]
    for along, around, diameter in (HOLES[name] for name in names):
        ducts.append(placed(Cylinder(Pnt(0, 0, inner), Z, r=diameter / 2, h=height), along, around))
    clay = capsule(RADIUS + WALL) - capsule(RADIUS)
    for duct in ducts:
        clay = clay - duct
    clay.faces.maxh = 9.0
    for edge in clay.edges:  # all that is left on a capsule is its seams and the rims
        middle = edge.center
        if np.hypot(middle.x, middle.z) > 0.8 * RADIUS:
            edge.maxh = fine
    ball = Sphere(Pnt(0, LENGTH / 2, 0), far)
    ball.faces.name = "far"
    return ball - clay


def theirs(names: tuple[str, ...], start: complex, fine: float, order: int = 3) -> tuple[complex, int, float]:
    """k in 1/m from `start`, unknowns and seconds.

    The far sphere lets waves out by Bayliss & Turkel's second condition (1980, Commun. Pure Appl. Math. 33:707
    [memory]): dp/dn = -(ik + 1/R) p + Delta_S p / (2 (ik + 1/R)).
    """
    import ngsolve as ng
    from netgen.occ import OCCGeometry

    began, far = perf_counter(), 2.2 * LENGTH / 2
    with ng.TaskManager():
        mesh = ng.Mesh(OCCGeometry(body(names, far, fine)).GenerateMesh(maxh=30.0, grading=0.5))
        mesh.Curve(order)
        space = ng.H1(mesh, order=order, complex=True)
        p, q = space.TnT()
        shell, none = ng.ds("far"), 0 * p * q * ng.dx  # one pattern for all matrices
        forms = (
            ng.grad(p) * ng.grad(q) * ng.dx,
            p * q * ng.dx,
            p * q * shell + none,
            ng.grad(p).Trace() * ng.grad(q).Trace() * shell + none,
        )
        matrices = [ng.BilinearForm(form).Assemble().mat for form in forms]
        K, M, S, T = (matrix.AsVector() for matrix in matrices)

        def times(A, x, y):
            spare = x.CreateVector()
            spare.data = A * x
            return ng.InnerProduct(spare, y, conjugate=False)

        k, field = start * 1e-3, ng.GridFunction(space).vec
        A, slope, load = matrices[0].CreateMatrix(), matrices[0].CreateMatrix(), field.CreateVector()
        field[:] = 1.0
        for _ in range(8):  # inverse iteration, k by Newton's step on Rayleigh's quotient
            out = 1j * k + 1 / far
            A.AsVector().data = K - k**2 * M + out * S + 1 / (2 * out) * T
            slope.AsVector().data = -2 * k * M + 1j * S - 1j / (2 * out**2) * T
            inverse = A.Inverse(space.FreeDofs(), inverse="umfpack")
            for _ in range(3):
                load.data = slope * field
                field.data = inverse * load
            field.data = (1 / ng.Norm(field)) * field
            step = times(A, field, field) / times(slope, field, field)
            k -= step
            if abs(step) < 1e-9 * abs(k):
                break
    return 1e3 * k, space.ndof, perf_counter() - began


def main() -> None:
    """Print both numbers side by side."""
    try:
        import ngsolve  # noqa: F401
    except ImportError:
        print("not run: it needs a second finite-element library, pip install ngsolve")
        return
    for names in OPEN:
        k, doubt, seconds = ours(names)
        print(f"window and holes {', '.join(names) or 'none'}")
        print(
            f"  resolved             k = {k:.5f} 1/m, Q {k.real / k.imag / 2:6.2f}, +-{doubt:.1f} cents, {seconds:.0f}s"
        )
        found = []
        for fine in FINE:
            other, unknowns, taken = theirs(names, k, fine)
            found.append(other)
            print(f"  NGSolve, {fine:.1f} mm      {beside(other, k)}, {unknowns} unknowns, {taken:.0f} s", flush=True)
        # At right-angled rims k^2 errs like the size at the rim to the power 4/3.
        coarse, fine = (other**2 for other in found)
        last = np.sqrt(fine + (fine - coarse) / ((FINE[0] / FINE[1]) ** (4 / 3) - 1))
        print(f"  NGSolve, extrapolated {beside(last, k)}", flush=True)


def beside(other: complex, k: complex) -> str:
    """Another k with its distance from ours."""
    apart = 1200 * np.log2(other.real / k.real)
    return f"k = {other:.5f} 1/m, Q {other.real / other.imag / 2:6.2f}, {apart:+.2f} cents"


if __name__ == "__main__":
    main()
