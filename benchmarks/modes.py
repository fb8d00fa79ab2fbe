"""The modes of a closed spheroid, by this package and by NGSolve: seconds to the same accuracy.

Both solve K p = k^2 M p with curved elements of second order, each on meshes of its own (gmsh, Netgen), from the
shape's sizes to the lowest six modes that are not uniform, by Lanczos iteration on a matrix that each factors itself.
What is right is known: the zeros of the radial spheroidal function's slope, by SciPy. A series of third order stands
beside, since the other library has it.

Run: pip install ngsolve; python benchmarks/modes.py. Times are of the processor, of this run, one thread; quote ratios.
Netgen's mesher waits busily: on a machine that is shared its meshes take up to ten times as long, so the modes' own
times stand beside.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from time import process_time

import numpy as np
from scipy.optimize import brentq
from scipy.sparse.linalg import LinearOperator, eigsh
from scipy.special import pro_rad1

from simkit.body.kernel import session
from simkit.body.walls.formulas import EggWall
from simkit.field import closed_modes

ALONG, ACROSS = 0.090, 0.060  # m: a spheroid half as long again as wide
COUNT = 6
SIZES = (0.0125, 0.010, 0.008, 0.0065, 0.005)  # of elements, m
WANTED = (0.3, 0.1, 0.03)  # cents, the worst of the six modes


@dataclass(frozen=True)
class Solved:
    """One solution: unknowns, worst mode against the exact one in cents, seconds to mesh and to solve."""

    unknowns: int
    cents: float
    meshing: float
    solving: float

    @property
    def seconds(self) -> float:
        return self.meshing + self.solving

    def __str__(self) -> str:
        return (
            f"{self.unknowns:8,d} unknowns {self.cents:8.4f} cents   mesh {self.meshing:6.3f} s, "
            f"matrices and modes {self.solving:6.3f} s"
        )


def exact() -> np.ndarray:
    """The lowest wave numbers, 1/m: the radial function of order m has no slope at the wall; m > 0 counts twice."""
    focus = np.sqrt(ALONG**2 - ACROSS**2) / 2
    found: list[float] = []
    for m in range(4):
        for n in range(m, m + 4):

            def slope(c: float, m: int = m, n: int = n) -> float:
                return float(pro_rad1(m, n, c, ALONG / 2 / focus)[1])

            grid = np.linspace(0.05, 4.5 * focus / (ACROSS / 2), 300)
            signs = np.sign([slope(c) for c in grid])
            for i in np.flatnonzero(signs[:-1] * signs[1:] < 0):
                found += [brentq(slope, grid[i], grid[i + 1]) / focus] * (1 if m == 0 else 2)
    return np.array(sorted(found))[:COUNT]


def worst(k: np.ndarray, right: np.ndarray) -> float:
    return float(np.abs(1200 * np.log2(k / right)).max())


def ours(size: float, right: np.ndarray) -> Solved:
    """This package, from the shape's sizes."""
    from simkit.body.meshes.curved import air_mesh

    wall = EggWall(ACROSS, ALONG, ACROSS)
    start = process_time()
    air_mesh(wall, size)
    meshing = process_time() - start
    start = process_time()
    found = closed_modes(wall, COUNT, size)
    return Solved(found.unknowns, worst(found.k, right), meshing, process_time() - start - meshing)


def theirs(size: float, right: np.ndarray, order: int = 2) -> Solved:
    """NGSolve, on its own mesh, curved to the elements' order, with its own Cholesky factor."""
    import ngsolve as ng
    from netgen.occ import Axes, Ellipsoid, OCCGeometry, X, Y

    start = process_time()
    spheroid = Ellipsoid(Axes((0, 0, 0), X, Y), ALONG / 2, ACROSS / 2, ACROSS / 2)
    mesh = ng.Mesh(OCCGeometry(spheroid).GenerateMesh(maxh=size))
    mesh.Curve(order)
    meshing = process_time() - start
    start = process_time()
    space = ng.H1(mesh, order=order)
    p, q = space.TnT()
    K, M = (ng.BilinearForm(form * ng.dx, symmetric=True).Assemble().mat for form in (ng.grad(p) * ng.grad(q), p * q))
    shift = -0.2 * float(right[0]) ** 2  # below zero, where the matrix is definite
    shifted = K.CreateMatrix()
    shifted.AsVector().data = K.AsVector() - shift * M.AsVector()
    inverse = shifted.Inverse(space.FreeDofs(), inverse="sparsecholesky")
    load, field = K.CreateColVector(), K.CreateColVector()

    def times(matrix) -> LinearOperator:
        def applied(x: np.ndarray) -> np.ndarray:
            load.FV().NumPy()[:] = x.ravel()
            field.data = matrix * load
            return field.FV().NumPy().copy()

        return LinearOperator((space.ndof, space.ndof), matvec=applied, dtype=float)

    start_field = np.cos(np.arange(space.ndof))
    k2 = eigsh(
        times(K), COUNT + 1, times(M), sigma=shift, OPinv=times(inverse), v0=start_field, return_eigenvectors=False
    )
    k = np.sqrt(np.sort(k2)[1:])
    return Solved(space.ndof, worst(k, right), meshing, process_time() - start)


def best(job: Callable[[], Solved], times: int = 3) -> Solved:
    """The quickest of a few runs."""
    return min((job() for _ in range(times)), key=lambda solved: solved.seconds)


def seconds_to(cents: float, series: Sequence[Solved], meshed: bool) -> float:
    """Seconds that an accuracy takes, meshing counted or not: the straight line through a series in both logarithms."""
    taken = [each.seconds if meshed else each.solving for each in series]
    slope, start = np.polyfit(np.log([each.cents for each in series]), np.log(taken), 1)
    return float(np.exp(start + slope * np.log(cents)))


def main() -> None:
    """Print the table."""
    right = exact()
    print(f"a spheroid {1e3 * ALONG:.0f} mm long and {1e3 * ACROSS:.0f} mm wide: k = "
          f"{', '.join(f'{k:.4f}' for k in right)} 1/m")  # fmt: skip
    with session():  # gmsh loaded
        pass
    ways: dict[str, Callable[[float], Solved]] = {"simkit, order 2": lambda size: ours(size, right)}
    try:
        import ngsolve  # noqa: F401

        ways["NGSolve, order 2"] = lambda size: theirs(size, right)
        ways["NGSolve, order 3"] = lambda size: theirs(1.8 * size, right, 3)
    except ImportError:
        print("the other library's lines are left out: it is not installed (pip install ngsolve)")
    every: dict[str, list[Solved]] = {}
    for name, way in ways.items():
        way(SIZES[0])  # what is loaded and tabled once
        every[name] = []
        for size in SIZES:
            every[name].append(best(lambda way=way, size=size: way(size)))
            print(f"{name:18s}{every[name][-1]}", flush=True)
    for name, series in every.items():
        growth, _ = np.polyfit(np.log([each.unknowns for each in series]), np.log([each.solving for each in series]), 1)
        print(f"{name}: matrices and modes grow as unknowns^{growth:.2f}")
    mine = every.pop("simkit, order 2")
    for cents in WANTED:
        for meshed, what in ((True, "mesh and modes"), (False, "modes alone")):
            own = seconds_to(cents, mine, meshed)
            told = f"to {cents:4.2f} cents, {what + ':':15s} simkit {own:.3f} s"
            for name, series in every.items():
                told += f"; {name} {seconds_to(cents, series, meshed) / own:.1f} times that"
            print(told)


if __name__ == "__main__":
    main()
