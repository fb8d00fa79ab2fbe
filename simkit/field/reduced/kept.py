"""Results for each opening, kept for the next question about the same air.

Of a design that is asked again only the openings that were changed are solved for. Everything here lives as long as the
air (meshes and factors) that it belongs to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.sparse import csr_matrix

from simkit.body.chambers import Opening
from simkit.field.reduced.boundary import AirSurface
from simkit.field.reduced.memory import MOST, Kept, KeptPairs
from simkit.field.reduced.mouth import Mouth, averages, mouths
from simkit.field.reduced.source import Kernel

MOST_BYTES = 100e6  # of what is not light


def most_of(bytes_each: float) -> int:
    """Number of results of that size that may be kept."""
    return max(8, min(MOST, int(MOST_BYTES / bytes_each)))


class PairMeans:
    """`averages` of a kernel over and of the same mouths; from one question to the next only the new ones are taken."""

    def __init__(self, kernel: Kernel):
        self._kernel, self._kept = kernel, KeptPairs()

    def __call__(self, mouths: Sequence[Mouth]) -> np.ndarray:
        """(..., n, n), rows the receiving mouths."""

        def between(over: list[int], of: list[int]) -> np.ndarray:
            return averages(self._kernel, [mouths[n] for n in over], [mouths[n] for n in of])

        return self._kept.of(mouths, between)


class KeptMouths:
    """The mouths of openings on one surface, each made once."""

    def __init__(self, surface: AirSurface):
        self._surface, self._kept = surface, Kept[tuple[Opening, float], Mouth]()

    def of(self, openings: Sequence[Opening], reach: np.ndarray) -> tuple[Mouth, ...]:
        """Mouths of openings, as by `mouths`."""

        def make(missing: list[tuple[Opening, float]]) -> tuple[Mouth, ...]:
            return mouths([opening for opening, _ in missing], self._surface, np.array([far for _, far in missing]))

        return tuple(self._kept.of(list(zip(openings, reach.tolist(), strict=True)), make))


@dataclass(frozen=True, eq=False)
class MouthReading:
    """Average of a nodal field over a mouth: `weights` (m,) of the nodes (m,)."""

    nodes: np.ndarray
    weights: np.ndarray

    def of(self, fields: np.ndarray) -> np.ndarray:
        """Averages (n,) of fields (nodes, n)."""
        return np.asarray(self.weights @ fields[self.nodes])


def readings(rows: csr_matrix) -> list[MouthReading]:
    """Each row of a sparse matrix (n, nodes) by itself."""
    # Copies: a view would keep the rows of all mouths alive.
    return [
        MouthReading(rows.indices[low:high].copy(), rows.data[low:high].copy()) for low, high in pairwise(rows.indptr)
    ]


def together(readings: Sequence[MouthReading], nodes: int) -> csr_matrix:
    """The rows (n, nodes) of single readings: `readings` the other way."""
    indices, weights = (np.concatenate([getattr(each, of) for each in readings]) for of in ("nodes", "weights"))
    return csr_matrix(
        (weights, indices, np.cumsum([0, *(len(each.nodes) for each in readings)])), (len(readings), nodes)
    )
