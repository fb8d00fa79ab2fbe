"""The natural modes of closed air: resonances of the chamber with no opening."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.linalg import LinearOperator, eigsh

from simkit.body.meshes.curved import AirMesh, air_mesh, default_size
from simkit.body.walls.wall import Wall
from simkit.field.fem.air_matrices import stiffness_and_mass
from simkit.field.fem.factor import Solve, factored_floating

CLOSED_SHARE = 0.18  # of the radius of a ball of the chamber's volume: six modes of plain shapes within 0.3 cent


@dataclass(frozen=True, eq=False)
class Eigenpairs:
    """Lossless modes of closed air, ascending, multiplicity counted, the uniform one left out.

    k2 (m,): eigenvalues k^2, 1/m^2; shapes (n, m): pressure at the mesh's nodes, integral of its square over the
    air = 1, so in m^(-3/2).
    """

    k2: np.ndarray
    shapes: np.ndarray


@dataclass(frozen=True)
class ClosedModes:
    """The modes of a closed chamber with the mesh they live on, and as evidence the eigen-equation's residual."""

    mesh: AirMesh
    modes: Eigenpairs
    residual: float

    @property
    def unknowns(self) -> int:
        """Number of nodal pressures."""
        return len(self.mesh.points)

    @property
    def k(self) -> np.ndarray:
        """Wave numbers of the modes, 1/m: (m,)."""
        return np.sqrt(self.modes.k2)


def closed_modes(wall: Wall, count: int = 6, size: float | None = None, mesh: float = 1.0) -> ClosedModes:
    """The lowest `count` modes of the air inside a closed wall; `size` of the elements in m, else `mesh` standard ones.

    Solves K p = k^2 M p. At the default size, finer the more modes are asked, the first six of plain shapes are
    within 0.3 cent; errors fall as the fourth power of the size.
    """
    if size is None:
        ball = (3 * wall.volume / (4 * np.pi)) ** (1 / 3)
        # By Weyl's law the k of the highest mode grows as the cube root of their number, and the elements shrink alike.
        size = mesh * min(CLOSED_SHARE * ball * min(1.0, (6 / count) ** (1 / 3)), default_size(wall))
    air = air_mesh(wall, size)
    K, M = stiffness_and_mass(air)
    modes = floating_modes(K, M, factored_floating(K), count)
    inertia = (M @ modes.shapes) * modes.k2  # k^2 M p, which K p should be
    residual = np.linalg.norm(K @ modes.shapes - inertia, axis=0) / np.linalg.norm(inertia, axis=0)
    return ClosedModes(air, modes, float(residual.max()))


def floating_modes(K: csr_matrix, M: csr_matrix, solve: Solve, count: int, near: float = 1e-8) -> Eigenpairs:
    """The lowest `count` modes but the uniform one, by Lanczos on the inverse of K among fields of zero mean.

    Without the constant the inverse exists at shift zero, so the factor that the port fields need serves here too.
    near: relative error of the shapes; k^2 is right to its square.
    """
    weight = np.asarray(M.sum(axis=1)).ravel()
    volume = weight.sum()

    def inverse(load: np.ndarray) -> np.ndarray:
        # A load of zero sum has an answer; it is right to a constant, which zero mean settles.
        field = solve(load - weight * (load.sum() / volume))
        return field - (weight @ field) / volume

    start = np.cos(np.arange(K.shape[0]))  # fixed, and like no symmetry of any shape
    # Shift and invert at zero: ARPACK never asks for K itself, and finds the largest of 1/k^2.
    k2, shapes = eigsh(
        K,
        k=count,
        M=M,
        sigma=0.0,
        v0=start - (weight @ start) / volume,
        OPinv=LinearOperator(K.shape, matvec=inverse, dtype=float),
        tol=near,
    )
    order = np.argsort(k2)
    return Eigenpairs(k2[order], shapes[:, order])
