"""A sparse symmetric matrix factored once and used for many right-hand sides."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.linalg import splu

Solve = Callable[[np.ndarray], np.ndarray]


def factored(A: csr_matrix) -> Solve:
    """A solver for a symmetric positive definite A (n, n); right-hand sides (n,) or (n, m).

    Minimum degree on A + A^T and no pivoting keep the factor's fill that of a Cholesky factor.
    """
    solve: Solve = splu(
        A.tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
    ).solve
    return solve


def factored_floating(K: csr_matrix) -> Solve:
    """A solver for a stiffness that leaves constants free: the last node is held at zero.

    Exact for loads that sum to zero; every other solution differs from the one returned by a constant.
    """
    held = factored(K[:-1, :-1])

    def solve(load: np.ndarray) -> np.ndarray:
        field = np.zeros_like(load)
        field[:-1] = held(load[:-1])
        return field

    return solve
