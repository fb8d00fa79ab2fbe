"""Every integral that the package's physics is made of, as a weak form: the page to check it on, and scikit-fem's door.

p is the unknown pressure, q any test function, both quadratic on curved tetrahedra; n the unit normal out of the air.
From laplace(p) + k^2 p = 0, times q and integrated by parts,

    stiffness(p, q) - k^2 mass(p, q) = flux(q), the integral of q dp/dn over the air's surface.

Clay is rigid: dp/dn = 0 there, but for the layers in which friction and heat act (Berggren et al. 2018
[Berggren2018]), with e = (1 - i)/2 and their thicknesses d_v, d_t:

    flux(q) = e (gamma - 1) k^2 d_t mass_on(walls) + e d_v wall_stiffness.

On the far sphere dp/dn = -D p, degree by degree of spherical harmonics (`resonance_search`): D mass_on(sphere), and for
each harmonic Y the load of Y. What a source in closed form leaves for the mesh (`reduced.source`) enters as the load of
its slopes on the wall and of its residual in the air. A pressure averaged over a mouth or a windway's exit is a load
too.

The commands sum the same integrals in arrays, all elements at once (`air_matrices`, `quadrature`), on reference
elements of their own: scikit-fem's way makes `predict` of a ten-hole piece slower by half a
second, loading it by a quarter more, and takes 17 s for 5 over all the air of `resolved`. `tests/field/test_forms.py`
holds them to these forms.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from skfem import Basis, BilinearForm, ElementTetP2, ElementTriP2, FacetBasis, LinearForm, MeshTet2
from skfem.helpers import dot, grad
from skfem.quadrature import get_quadrature

from simkit.body.meshes.curved import AirMesh

# The elements. scikit-fem counts their nodes as our meshes do: corners, then edges 01, 12, 02, 03, 13, 23.
TETRAHEDRON, TRIANGLE = ElementTetP2(), ElementTriP2()


@BilinearForm
def stiffness(p: Any, q: Any, _: Any) -> Any:
    """grad p . grad q, over the air: m for p and q without unit."""
    return dot(grad(p), grad(q))


@BilinearForm
def mass(p: Any, q: Any, _: Any) -> Any:
    """p q, over the air, m^3; over walls or the far sphere, m^2."""
    return p * q


@BilinearForm
def wall_stiffness(p: Any, q: Any, w: Any) -> Any:
    """grad_T p . grad_T q, along the wall: grad p without what stands on it; no unit."""
    return dot(grad(p), grad(q)) - dot(grad(p), w.n) * dot(grad(q), w.n)


@LinearForm
def load(q: Any, w: Any) -> Any:
    """f q for given values f at the points of the quadrature, in the air or on facets."""
    return w.f * q


def in_air(mesh: AirMesh, degree: int) -> tuple[Basis, np.ndarray]:
    """The basis of a mesh's air, its quadrature exact to `degree`, and its number of each of the mesh's nodes (n,)."""
    # Unsorted: the corners' order is what the middles of the edges hang on.
    tetrahedra = MeshTet2(np.ascontiguousarray(mesh.points.T), np.ascontiguousarray(mesh.tets.T), sort_t=False)
    basis = Basis(tetrahedra, TETRAHEDRON, intorder=degree)
    return basis, _numbers(mesh, basis)


def on_facets(mesh: AirMesh, facets: np.ndarray, degree: int) -> tuple[FacetBasis, np.ndarray]:
    """Basis of quadratic elements on some curved facets (f, 6) of the mesh: walls, covers or far sphere."""
    tetrahedra, number = in_air(mesh, degree)
    count = len(mesh.points)
    # A facet is known by its three corners, whatever their order: their sorted numbers as one.
    keys, wanted = (
        np.ravel_multi_index(tuple(np.sort(corners, axis=0)), (count,) * 3)
        for corners in (tetrahedra.mesh.facets, number[facets[:, :3]].T)
    )
    order = np.argsort(keys)
    found = order[np.searchsorted(keys[order], wanted)]
    return FacetBasis(tetrahedra.mesh, TETRAHEDRON, facets=found, intorder=degree), number


def _numbers(mesh: AirMesh, basis: Basis) -> np.ndarray:
    """Number (nodes,) of each node in scikit-fem's basis: corners first, then edges, however the mesh does."""
    number = np.empty(len(mesh.points), int)
    number[mesh.tets.T] = basis.element_dofs
    return number


def assembled(form: BilinearForm | LinearForm, where: tuple[Basis, np.ndarray], **data: np.ndarray) -> Any:
    """A form's matrix (n, n) or load (n,) in the numbering of the mesh; data: values at the quadrature's points."""
    basis, number = where
    whole = form.assemble(basis, **data)
    return whole[number] if whole.ndim == 1 else whole.tocsr()[number][:, number]


def quadrature(element: ElementTetP2 | ElementTriP2, degree: int) -> tuple[np.ndarray, np.ndarray]:
    """Points (q, dim) of the unit element and weights (q,) of the rule that is exact to `degree`."""
    points, weights = get_quadrature(element.refdom, degree)
    return points.T, weights


def shapes(element: ElementTetP2 | ElementTriP2, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The element's shape functions at local points `at` (q, dim): values (q, nodes) and slopes (q, dim, nodes)."""
    each = [element.lbasis(at.T, i) for i in range(len(element.doflocs))]
    values, slopes = (np.stack(np.broadcast_arrays(*part), axis=-1) for part in zip(*each, strict=True))
    return values, np.moveaxis(slopes, 0, 1)
