"""A sparse symmetric matrix factored once and used for many right-hand sides."""

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
    held = factored(K[:-1, :-1])

    def solve(load: np.ndarray) -> np.ndarray:
        field = np.zeros_like(load)
        field[:-1] = held(load[:-1])
        return field

    return solve
