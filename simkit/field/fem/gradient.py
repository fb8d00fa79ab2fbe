"""The field of one resonance, and the gradient of a nodal field at the nodes of its mesh."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simkit.body.kernel import EDGES
from simkit.body.meshes.curved import AirMesh
from simkit.field.fem.reference import shape_functions

_INWARD = 0.01  # of the way to the element's middle: at a drawn-near rim the element's map has no inverse


@dataclass(frozen=True, eq=False)
class Swing:
    """The field of one resonance: k, 1/m; pressure (nodes,) and its gradient (nodes, 3) at the nodes of the mesh.

    flux: the integral of dp/dn over each opening, n out of the chamber, as the model's equations have it.
    """

    k: complex
    pressure: np.ndarray
    gradient: np.ndarray
    flux: dict[str, complex]


def nodal_gradient(mesh: AirMesh, field: np.ndarray, joined: np.ndarray | None = None) -> np.ndarray:
    """grad of a field (nodes,), real or complex, at the nodes: (nodes, 3).

    The elements' own gradients averaged over all that meet at a node, by their volumes: of second order in their size
    (Zienkiewicz & Zhu 1992, Int. J. Numer. Meth. Eng. 33:1331, nodal averaging [memory]). joined (nodes,): a number for
    each node by which those of both sides of an open cover are one.
    """
    number = np.arange(len(mesh.points)) if joined is None else joined
    total = np.zeros((int(number.max()) + 1, 3), field.dtype)
    weight = np.zeros(len(total))
    corners = np.vstack([np.zeros(3), np.eye(3)])  # of the unit element, then its edges' middles: the mesh's order
    places = np.vstack([corners, [(corners[a] + corners[b]) / 2 for a, b in EDGES]])
    for node, slopes in enumerate(shape_functions(places + _INWARD * (0.25 - places))[1]):
        maps = np.einsum("in,mnj->mij", slopes, mesh.points[mesh.tets])
        along = np.einsum("in,mn->mi", slopes, field[mesh.tets])
        # d(local) = J^T grad, so grad solves with the rows of J.
        volume = np.abs(np.linalg.det(maps))
        at = number[mesh.tets[:, node]]
        # add.at, for a node may come several times: `total[at] +=` would keep one of them.
        np.add.at(total, at, volume[:, None] * np.linalg.solve(maps, along[:, :, None])[:, :, 0])
        np.add.at(weight, at, volume)
    return (total / weight[:, None])[number]
