"""Fit what a bend of the wall adds to a windway's floor (`field.window.ledge.BEND`), and tell how right that is.

Run: python benchmarks/bends.py [--windows 24] [--size 0.2]

The floor is straight, the chamber an ellipsoid that the window sits on top of; each is meshed once, with the floor as a
part of its own, and solved with it and without. A uniform source in the chamber drives the air out. Some ten minutes;
prints the coefficients.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.stats import qmc

from simkit.body import kernel
from simkit.body.meshes.curved import AirMesh, gated
from simkit.field.fem.air_matrices import stiffness_and_mass
from simkit.field.fem.factor import factored
from simkit.field.fem.quadrature import facet_rule, wall_integrals

MM, SEED, CUT_UP = 1e3, 5, 4e-3
BACK, FAR, GROWTH = 2.0, 3.0, 0.6  # cut-ups that the floor reaches back; the outer half ball; of the mesh
FLAT = 2.0  # 1/m: as good as flat
SIDES = (0, 1, 2, 4, 5, 6), (0, 1, 3, 4, 8, 7), (0, 2, 3, 6, 9, 7), (1, 2, 3, 5, 9, 8)  # of a tetrahedron's nodes


@dataclass(frozen=True)
class StraightFloor:
    """A window on top of an ellipsoid `height` from its middle, and the floor before it: sizes, m, as of WindowCell."""

    width: float
    cut_up: float
    wall: float
    edge_deg: float
    depth: float
    beside: float
    across: float = FLAT
    along: float = FLAT
    height: float = 24e-3

    @property
    def run(self) -> float:
        """Run of the slope along the breath, m."""
        return 0.0 if self.edge_deg >= 90 else self.wall / float(np.tan(np.deg2rad(self.edge_deg)))

    @property
    def cap(self) -> tuple[np.ndarray, float]:
        """Middle (3,) and radius of the outer half ball, m."""
        middle = np.array([self.cut_up / 2 + 0.22 * self.run, 0.0, self.wall])
        return middle, FAR * max(self.width / 2, self.cut_up, (self.cut_up + self.run) / 2)


def burden(case: StraightFloor, size: float = 0.2) -> np.ndarray:
    """Additions of the floor to 1/K, 1/m, and to the friction, 1/m2: (2,). size: of the cells, in cut-ups, at rims."""
    points, tets = _meshed(case, size)
    x, y, z = points[tets[:, :4]].mean(axis=1).T
    half, back = case.width / 2 + case.beside, BACK * case.cut_up
    floor = (x < 0) & (x > -back) & (y < half) & (z > -case.depth) & (z < 1e-5)
    return np.subtract(_passage(case, points, tets[~floor]), _passage(case, points, tets))


def _meshed(case: StraightFloor, size: float) -> tuple[np.ndarray, np.ndarray]:
    """Nodes (n, 3), m, and tetrahedra (t, 10) of half the air, y >= 0, the floor's place among it."""
    with kernel.session() as gmsh:
        occ, H = gmsh.model.occ, MM * case.cut_up
        ball = [(3, occ.addSphere(0, 0, 0, 1.0, -1, -np.pi / 2, np.pi / 2, np.pi))]
        axes = np.sqrt(case.height / case.along), np.sqrt(case.height / case.across), case.height
        occ.dilate(ball, 0, 0, 0, *(MM * axis for axis in axes))
        occ.translate(ball, H / 2, 0, -MM * case.height)
        low = -MM * (case.across * case.width**2 / 6 + case.along * case.cut_up**2 / 8 + 6e-4)
        wall, run = MM * case.wall, MM * case.run
        corners = [(0, low), (H, low), *([(H, 0)] if run else []), (H + run, wall), (0, wall)]
        numbers = [occ.addPoint(x, 0, z) for x, z in corners]
        lines = [occ.addLine(a, b) for a, b in zip(numbers, numbers[1:] + numbers[:1], strict=True)]
        face = occ.addPlaneSurface([occ.addCurveLoop(lines)])
        slot = [part for part in occ.extrude([(2, face)], 0, MM * case.width / 2, 0) if part[0] == 3]
        middle, far = case.cap
        outer = occ.addSphere(*(MM * middle), MM * far, -1, 0, np.pi / 2, np.pi)
        air, _ = occ.fuse(ball, [(3, outer), *slot])
        sizes = BACK * H, MM * (case.width / 2 + case.beside), MM * case.depth + 0.01
        box = occ.addBox(-BACK * H, 0, -MM * case.depth, *sizes)
        floor, _ = occ.intersect([(3, box)], air, removeTool=False)
        occ.fragment(air, floor)
        occ.synchronize()
        _graded(gmsh, case, size)
        points, tets, _ = kernel.cells(gmsh, creased=True)
    return points, tets


def _graded(gmsh: Any, case: StraightFloor, size: float) -> None:
    """Cells fine at the window's rims and the floor's."""
    half = case.width / 2 + case.beside
    low = np.array([-0.9 * BACK * case.cut_up, -1.0, -case.depth - 0.65 * case.across * half**2 - 5e-4])
    high = np.array([case.cut_up + case.run + 5e-4, half + 3e-4, case.wall + 1e-4])
    rims = []
    for _, curve in gmsh.model.getEntities(1):
        box = np.reshape(gmsh.model.getBoundingBox(1, curve), (2, 3)) / MM
        if box[1, 1] > 1e-9 and (box[0] > low).all() and (box[1] < high).all():
            rims.append(curve)
    grow_from(gmsh, rims, MM * size * case.cut_up, GROWTH, most=0.35 * MM * case.height)


def grow_from(
    gmsh: Any, rims: Sequence[int], size: float, growth: float, most: float = 1e3, around: int = 10, fine: int = 80
) -> None:
    """Cells of `size` (mm) at curves, growing with the distance up to `most`; `around`: of them on a full turn; fine:
    points of each curve that distances are taken to."""
    field = gmsh.model.mesh.field
    distance, graded = field.add("Distance"), field.add("MathEval")
    field.setNumbers(distance, "CurvesList", rims)
    field.setNumber(distance, "Sampling", fine)
    field.setString(graded, "F", f"Min({size} + {growth}*F{distance}, {most})")
    field.setAsBackgroundMesh(graded)
    for source in ("ExtendFromBoundary", "FromPoints"):
        gmsh.option.setNumber(f"Mesh.MeshSize{source}", 0)
    gmsh.option.setNumber("Mesh.MeshSizeFromCurvature", around)
    gmsh.option.setNumber("Mesh.Algorithm3D", 10)


def meshed_air(points: np.ndarray, tets: np.ndarray, size: float, what: str) -> AirMesh:
    """The mesh of nodes (n, 3), m, and tetrahedra (t, 10), its facets those sides that only one of them has."""
    sides = np.concatenate([tets[:, side] for side in SIDES])
    _, first, count = np.unique(np.sort(sides[:, :3], axis=1), axis=0, return_index=True, return_counts=True)
    return gated(points, tets, sides[first[count == 1]], np.zeros((0, 6), int), size, what, None)


def _passage(case: StraightFloor, points: np.ndarray, tets: np.ndarray) -> tuple[float, float]:
    """1/K, 1/m, of the way from a uniform source in the chamber to the far outside, and its friction, 1/m2."""
    mesh = meshed_air(points, tets, case.cut_up, "the floor")
    corners, (middle, far) = mesh.points[mesh.facets[:, :3]], case.cap
    cap = (np.abs(np.linalg.norm(corners - middle, axis=2) - far) < 1e-6 * far).all(axis=1)
    mirror = (np.abs(corners[:, :, 1]) < 1e-9).all(axis=1)
    within = mesh.points[mesh.tets[:, :4], 2].mean(axis=1) < 0
    _, mass = stiffness_and_mass(replace(mesh, tets=mesh.tets[within]))
    source = np.asarray(mass.sum(axis=1)).ravel()
    source /= 2 * source.sum()  # the other half has as much
    operator = _leaving(mesh, cap, far)
    pressure = factored(operator)(source[:, None])[:, 0]
    _, viscous = wall_integrals(replace(mesh, facets=mesh.facets[~(cap | mirror)]), pressure[:, None])
    return 2 * float(pressure @ (operator @ pressure)), 2 * float(viscous[0])


def _leaving(mesh: AirMesh, cap: np.ndarray, far: float) -> Any:
    """Laplace's operator with a cap that lets through what a point source would."""
    stiffness, _ = stiffness_and_mass(mesh)
    return (stiffness + facet_rule(mesh.points, mesh.facets[cap]).mass / far).tocsr()


def cases(count: int) -> Iterator[list[StraightFloor]]:
    """Windows all over the law's range, each flat, bent across, bent along and both."""
    for n, u in enumerate(qmc.Sobol(10, seed=SEED).random(64)[:count]):
        width, depth = CUT_UP * 1.5 * (5.2 / 1.5) ** u[0], CUT_UP * 0.25 * (1.1 / 0.25) ** u[1]
        wall, beside = CUT_UP * (0.7 + 0.6 * u[3]), CUT_UP * (0.2 + 0.5 * u[2])
        flat = StraightFloor(width, CUT_UP, wall, (45.0, 60.0, 90.0)[n % 3], depth, beside)
        most = 0.55 / max(width / 2, CUT_UP)
        across, along = most * (0.2 + 0.8 * u[4]), (0.03 + 0.22 * u[5]) / CUT_UP
        both = replace(flat, across=most * (0.1 + 0.9 * u[6]), along=(0.02 + 0.2 * u[7]) / CUT_UP)
        yield [flat, replace(flat, across=across), replace(flat, along=along), both]


def terms(case: StraightFloor) -> tuple[float, float, float]:
    """The law's three, of how much more a wall is bent than the flat one."""
    across, along = case.across - FLAT, case.along - FLAT
    within = across * (case.width / 2 + case.beside) ** 2 / (2 * case.depth)
    return across * np.sqrt(case.width * case.cut_up), min(within, 2.0), along * case.cut_up**2 / case.depth


def main() -> None:
    """Solve, fit and tell."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--windows", type=int, default=24)
    parser.add_argument("--size", type=float, default=0.2)
    asked = parser.parse_args()
    rows, shares = [], []
    for flat, *bent in cases(asked.windows):
        before = burden(flat, asked.size)
        rows += [terms(case) for case in bent]
        shares += [burden(case, asked.size) / before - 1 for case in bent]
        sys.stderr.write(f"\r{len(rows)} bends")
    X, y = np.array(rows), np.array(shares)
    ordinary = X[:, 1] < 1.3  # beyond, floors hang in the middle alone
    law = np.linalg.lstsq(X[ordinary], y[ordinary])[0]
    off = y - X @ law
    sys.stdout.write(f"\nof 1/K and of the friction:\n{np.round(law.T, 2)}\n")
    sys.stdout.write(f"off by {off[ordinary].std(axis=0)}, of all {off.std(axis=0)}\n")


if __name__ == "__main__":
    main()
