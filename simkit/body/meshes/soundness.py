"""Checks of skins before they are filled, and of the tetrahedra before anything is solved with them."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence

import numpy as np
from scipy.spatial import cKDTree

from simkit.body.kernel import edge_keys
from simkit.body.walls.triangulated import pierced
from simkit.child import give_up
from simkit.errors import MeshError

SAME_VOLUME = 2e-3  # curved elements of the coarsest meshes come within a tenth of that


REMEDY = "move openings away from seams, tight corners and each other, or ask the model ports"


class Unsettled(MeshError):
    """A volume whose cells gmsh would divide again and again."""


class Bounded:
    """A size (mm) at a point (mm) that is asked a bounded number of times, once for each node that gmsh adds.

    Beside a skin's needles gmsh tries nearly to no end, and takes no word to stop: in a process of its own that ends at
    once, in ours the failure is told when it is done.
    """

    # Nodes within a volume for each of its skin; bodies of all kinds take 0.3 to 0.7, those with few cells more.
    OFTEN, ANYWAY = 1.25, 1000
    LAST = 200

    def __init__(self, size: Callable[[float, float, float], float], nodes: int):
        self.size, self.most, self.asked = size, int(self.OFTEN * nodes) + self.ANYWAY, 0
        self.last: deque[tuple[float, float, float]] = deque(maxlen=self.LAST)
        self.least = np.inf

    def __call__(self, x: float, y: float, z: float) -> float:
        self.asked += 1
        self.last.append((x, y, z))
        if self.asked == self.most + 1:
            give_up(self._failure())
        size = self.size(x, y, z)
        self.least = min(self.least, size)
        return size

    def check(self) -> None:
        """Unsettled, with the place, where it was asked too often."""
        if self.asked > self.most:
            raise self._failure()

    def _failure(self) -> Unsettled:
        where = f"its cells would be divided without end {place(np.median(self.last, axis=0) / 1e3)}"
        return Unsettled("the air in and around the piece", self.least, f"{where}; {REMEDY}")


def closed(triangles: np.ndarray) -> None:
    """ValueError where a skin of triangles (t, 3) is not closed: gmsh would search its volume without end."""
    if (np.unique(edge_keys(triangles, 1 + triangles.max()), return_counts=True)[1] != 2).any():
        raise ValueError("its surface did not close")


def open_nodes(triangles: np.ndarray) -> np.ndarray:
    """Numbers of the nodes on edges that only one of the triangles (t, 3) has, ascending."""
    count = 1 + int(triangles.max())
    each, times = np.unique(edge_keys(triangles, count), return_counts=True)
    return np.unique(divmod(each[times == 1], count))


def uncrossed(points: np.ndarray, triangles: np.ndarray) -> None:
    """ValueError, with the place, where an edge of a skin pierces one of its triangles: such a skin has no inside.

    points (n, 3), m; triangles (t, 3).
    """
    edges = np.stack(divmod(np.unique(edge_keys(triangles, len(points))), len(points)), axis=1)
    for e, t in _near(points, edges, triangles):
        # Those that share an end always touch.
        apart = (triangles[t][:, :, None] != edges[e][:, None, :]).all(axis=(1, 2))
        e, t = e[apart], t[apart]
        start, stop = points[edges[e, 0]], points[edges[e, 1]]
        hit = pierced(start, stop - start, points[triangles[t]])
        if hit.any():
            middles = (start[hit] + stop[hit]) / 2
            raise ValueError(f"its surface crosses itself {place(middles[0])}")  # the mean of several is none of them


def _near(points: np.ndarray, edges: np.ndarray, triangles: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Pairs of edges and triangles that may meet, by their numbers; what is alike in size is looked at together."""
    middle, center = points[edges].mean(axis=1), points[triangles].mean(axis=1)
    half = np.linalg.norm(points[edges[:, 1]] - points[edges[:, 0]], axis=1) / 2
    reach = np.linalg.norm(points[triangles] - center[:, None], axis=2).max(axis=1)
    # By powers of two: a tree's search radius is that of the largest in it.
    size_e, size_t = (np.floor(np.log2(np.maximum(size, 1e-12))) for size in (half, reach))
    parts = [np.flatnonzero(size_t == size) for size in np.unique(size_t)]
    trees = [cKDTree(center[part]) for part in parts]
    for size in np.unique(size_e):
        some = np.flatnonzero(size_e == size)
        tree = cKDTree(middle[some])
        for part, other in zip(parts, trees, strict=True):
            found = tree.sparse_distance_matrix(other, half[some].max() + reach[part].max(), output_type="ndarray")
            e, t = some[found["i"]], part[found["j"]]
            near = found["v"] < half[e] + reach[t]
            yield e[near], t[near]


def filled(points: np.ndarray, tets: np.ndarray, skins: Sequence[np.ndarray]) -> None:
    """ValueError, with the place, where tetrahedra (m, 4) do not fill what `skins` (t, 3) enclose.

    No node (n, 3) may hang loose, and the faces that only one tetrahedron has must be the skins' triangles, one for
    one: then the volume is theirs too.
    """
    loose = np.setdiff1d(np.arange(len(points)), tets)
    if len(loose):
        raise ValueError(f"{len(loose):,} of its nodes hang loose, about {place(points[loose].mean(axis=0))}")
    count = len(points)
    faces = [face_keys(np.delete(tets, corner, axis=1), count) for corner in range(4)]
    # A face between two tetrahedra counts twice; what counts once is the boundary.
    kinds, times = np.unique(np.concatenate(faces), return_counts=True)
    ends, skin = kinds[times == 1], np.unique(face_keys(np.concatenate(skins), count))
    if len(ends) != len(skin) or (ends != skin).any():
        odd = np.setxor1d(ends, skin)
        # Back from a key to its three nodes.
        where = points[np.stack([odd // count**2, odd // count % count, odd % count])].mean(axis=(0, 1))
        raise ValueError(f"its elements do not end at its surface, about {place(where)}")


def face_keys(triangles: np.ndarray, count: int) -> np.ndarray:
    """One number for each triangle (t, 3) of nodes below `count`, whatever their order; up to two million nodes."""
    low, middle, high = np.sort(triangles.astype(np.int64), axis=1).T
    return np.asarray((low * count + middle) * count + high)


def unfolded(points: np.ndarray, tets: np.ndarray, least: np.ndarray) -> None:
    """ValueError, with the place, where an element's map is turned inside out: `least` (m,) of its determinants."""
    bad = least <= 0
    if bad.any():
        raise ValueError(f"an element folds over, {place(points[tets[np.argmin(least), :4]].mean(axis=0))}")


def as_large(measured: float, exact: float) -> None:
    """ValueError where the volume within the meshed wall is not the shape's: a face was lost, or a cut went wrong."""
    if abs(measured / exact - 1) > SAME_VOLUME:
        raise ValueError(f"the volume within its wall came out {100 * (measured / exact - 1):+.2f} % off")


def place(at: np.ndarray) -> str:
    """A place (3,), m, in the words of the design file."""
    x, y, z = 1e3 * at
    return f"{y:.0f} mm along, {abs(x):.0f} mm to the {'right' if x >= 0 else 'left'}, {z:+.0f} mm up"
