"""A sparse symmetric matrix factored once and used for many right-hand sides; an approximate inverse, `TwoLevel`."""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from functools import cache
from multiprocessing import parent_process
from threading import Thread

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.linalg import splu

Solve = Callable[[np.ndarray], np.ndarray]

_MAPPED = 1 << 23  # bytes: a larger block is mapped by itself; from 1 MB on, arrays too, whose pages take long to clear


def factored(A: csr_matrix) -> Solve:
    """A solver for a symmetric positive definite A (n, n); right-hand sides (n,) or (n, m).

    Minimum degree on A + A^T and no pivoting keep the factor's fill that of a Cholesky factor. Many right-hand sides
    are shared out among `threads`.
    """
    _map_large_blocks()
    # Every pivot of a positive definite matrix is safe, so the order may go by fill alone.
    columns = A.tocsc()

    def factor() -> Solve:
        by_one: Solve = splu(
            columns, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
        ).solve
        return by_one

    by_one = factor() if columns.shape[0] < LARGE else _beside(factor)

    def solve(load: np.ndarray) -> np.ndarray:
        count = threads()
        if count == 1 or load.ndim == 1 or load.shape[1] < MANY:
            return by_one(load)
        with ThreadPoolExecutor(count) as pool:  # SuperLU lets go of the interpreter's lock
            return np.hstack(list(pool.map(by_one, np.array_split(load, count, axis=1))))

    return solve


def _beside(work: Callable[[], Solve]) -> Solve:
    """Factor in a thread of its own: SuperLU hears no signal, but who waits for it does."""
    answer: Future[Solve] = Future()

    def run() -> None:
        try:
            answer.set_result(work())
        except Exception as failure:  # noqa: BLE001  whatever it is, it is raised where the answer is asked
            answer.set_exception(failure)

    Thread(target=run, name=FACTORING).start()
    return answer.result()


@cache
def _map_large_blocks() -> None:
    """Let the C library map every large block by itself, and hand it back to the system when it is freed.

    SuperLU reserves some three times what its factors take. A block mapped anew costs only the pages that are written
    to; from a heap of used memory, where glibc seeks blocks of up to 32 MB once one as large was freed, it costs all of
    itself, and the heap keeps what lies between. Other C libraries have no such setting and need none.
    """
    try:  # no mallopt on macOS, no library without a name on Windows
        set_option = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):
        return
    for option in (_MMAP_THRESHOLD, _TRIM_THRESHOLD):
        set_option(option, _MAPPED)


_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # of mallopt, <malloc.h>

MANY = 16  # right-hand sides: fewer are not worth a thread
LARGE = 20_000  # unknowns, whose factor takes seconds
FACTORING = "factoring"  # by this name a command that ends knows a thread that it need not wait for


def threads() -> int:
    """Number of threads for numerics: one in a process among many, as of a sweep, else two."""
    return 1 if parent_process() else 2


def factored_floating(K: csr_matrix) -> Solve:
    """A solver for a stiffness that leaves constants free: the last node is held at zero.

    Exact for loads that sum to zero; every other solution differs from the one returned by a constant.
    """
    held = factored(K[:-1, :-1])  # without the last node, whose value is set to 0

    def solve(load: np.ndarray) -> np.ndarray:
        field = np.zeros_like(load)
        field[:-1] = held(load[:-1])
        return field

    return solve


# Degree of the smoothing polynomial, and the part of the spectrum that it smooths: from 1/SPREAD of the largest value.
# Of degrees 2 to 6 and spreads 5 to 20 those with which the judge is quickest, by little.
DEGREE, SPREAD = 4, 12.0
MARGIN = 1.1  # on the largest value, found by a dozen power iterations


class TwoLevel:
    """Approximately A^-1, quick, symmetric and positive, for a stiffness A (n, n) on quadratic tetrahedra and `spread`
    (n, corners) from linear elements.

    Corners alone, with linear elements, are few enough to be factored; Chebyshev's polynomial in the diagonal smooths
    what they cannot see, before and after (two-grid method with the p-coarsening of the elements; Adams et al. 2003,
    J. Comput. Phys. 188:593 for the smoother [memory]). In single precision, which halves what is read and is far more
    than an approximate inverse is worth.

    coarse: spread^T A spread, if it is known; largest: of the eigenvalues of A over its diagonal, about, likewise.
    """

    def __init__(
        self, A: csr_matrix, spread: csr_matrix, coarse: csr_matrix | None = None, largest: float | None = None
    ):
        self.spread = single(spread)  # from corners to all nodes, and its transpose back
        self.gather = self.spread.T.tocsr()
        self.coarse = factored(single((spread.T.tocsr() @ A @ spread) if coarse is None else coarse))
        self.A, self.inverse_diagonal = single(A), (1 / A.diagonal()).astype(np.float32)
        # Chebyshev's interval, over the diagonal, is [high/SPREAD, high]: its middle and half its width.
        high = MARGIN * (largest_over_diagonal(A) if largest is None else largest)
        self.middle, self.half = high * (1 + 1 / SPREAD) / 2, high * (1 - 1 / SPREAD) / 2

    def __call__(self, load: np.ndarray) -> np.ndarray:
        """Approximate solution for loads (n, m) by one cycle."""
        return each_column(self._cycle, load)

    def _cycle(self, load: np.ndarray) -> np.ndarray:
        load = load.astype(np.float32)
        x = self._smoothed(load)
        x = x + self.spread @ self.coarse(self.gather @ (load - self.A @ x))
        return x + self._smoothed(load - self.A @ x)  # after as before: only so is it symmetric

    def _smoothed(self, rest: np.ndarray) -> np.ndarray:
        """Correction (n,) of a residual by Chebyshev's iteration from zero (Saad 2003 [Saad2003], alg. 12.1)."""
        ratio = self.middle / self.half
        rho = 1 / ratio
        step = self.inverse_diagonal * rest / np.float32(self.middle)
        x = step.copy()
        for _ in range(DEGREE - 1):
            rest = rest - self.A @ step
            new = 1 / (2 * ratio - rho)
            step *= np.float32(new * rho)
            step += np.float32(2 * new / self.half) * (self.inverse_diagonal * rest)
            x += step
            rho = new
        return x


def largest_over_diagonal(A: csr_matrix) -> float:
    """Largest eigenvalue of A over its diagonal, approximately."""
    A, inverse_diagonal = single(A), (1 / A.diagonal()).astype(np.float32)
    v = np.cos(1.7 * np.arange(A.shape[0])).astype(np.float32)  # any vector with a part along every other
    for _ in range(12):
        v = inverse_diagonal * (A @ v)
        largest = float(np.linalg.norm(v))
        v /= np.float32(largest)
    return largest


def single(A: csr_matrix) -> csr_matrix:
    """The matrix in single precision; the places of its entries are shared."""
    return csr_matrix((A.data.astype(np.float32), A.indices, A.indptr), A.shape)


def each_column(what: Callable[[np.ndarray], np.ndarray], fields: np.ndarray) -> np.ndarray:
    """Apply a map to each column of fields (n, m) by itself: SciPy's sparse matrices take two at once more slowly."""
    found = [what(np.ascontiguousarray(field)) for field in fields.T]
    return np.array(found, float).T if found else np.zeros_like(fields)


def through(A: csr_matrix, fields: np.ndarray) -> np.ndarray:
    """A @ fields for fields (n, m)."""
    return each_column(A.__matmul__, fields)
