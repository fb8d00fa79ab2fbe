"""Openings joined and covered on one mesh: what fingerings share must come out as if each were set up by itself."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.sparse import csr_matrix, random

from simkit.body.meshes import all_air
from simkit.body.meshes.curved import air_mesh
from simkit.body.meshes.soundness import Unsettled
from simkit.body.walls.formulas import EggWall
from simkit.errors import MeshError, OutOfReach
from simkit.field.fem.factor import DEGREE, SPREAD, TwoLevel, largest_over_diagonal, through
from simkit.field.full import graded
from simkit.field.full.resonance import Linear, merged


def test_merged_rows_and_columns_are_the_triple_product():
    rng = np.random.default_rng(4)
    A = random(60, 60, 0.2, "csr", random_state=4) + 1j * random(60, 60, 0.2, "csr", random_state=5)
    number = np.unique(rng.integers(0, 40, 60), return_inverse=True)[1]
    join = csr_matrix((np.ones(60), (np.arange(60), number)))
    got = merged(csr_matrix(A), number)
    assert got.has_canonical_format
    np.testing.assert_allclose(got.toarray(), (join.T @ A @ join).toarray(), rtol=1e-14, atol=1e-14)


@pytest.fixture(scope="module")
def two():
    """Two balls of air apart, as inside and outside are, and a numbering that joins some corners and their edges.

    The second is the first once more: so corner meets corner, and an edge's middle its like.
    """
    one = air_mesh(EggWall(0.06, 0.06, 0.06), 0.025)
    n = len(one.points)
    mesh = SimpleNamespace(points=np.tile(one.points, (2, 1)), tets=np.concatenate([one.tets, one.tets + n]))
    same = np.arange(2 * n)
    some = np.unique(one.tets[one.points[one.tets][:, :, 2].min(axis=1) > 0.0])
    same[some + n] = some
    return mesh, np.unique(same, return_inverse=True)[1]


def test_linear_elements_between_joined_corners_give_a_linear_field(two):
    """x + 2 y - z at every node that lies in the middle of its edge, from its values at the corners."""
    mesh, number = two
    linear = Linear.of(mesh)
    spread, corner = linear.joined(number)
    field = mesh.points @ [1.0, 2.0, -1.0]
    joined, at_corners = np.empty(number.max() + 1), np.empty(corner.max() + 1)
    joined[number], at_corners[corner] = field, field[linear.corners]
    middles = np.zeros(len(mesh.points))
    for edge, (a, b) in enumerate(all_air.kernel.EDGES):
        ends = (mesh.points[mesh.tets[:, a]] + mesh.points[mesh.tets[:, b]]) / 2
        middles[mesh.tets[:, 4 + edge]] = np.linalg.norm(mesh.points[mesh.tets[:, 4 + edge]] - ends, axis=1)
    straight = np.zeros(len(joined), bool)
    straight[number] = middles < 1e-12
    assert straight.sum() > len(straight) / 5
    np.testing.assert_allclose((spread @ at_corners)[straight], joined[straight], atol=1e-14)
    assert spread.shape == (len(joined), len(at_corners)) and len(joined) < len(mesh.points)


def test_single_precision_and_a_shared_coarse_matrix_change_the_inverse_little(two):
    """Against the same cycle in double precision written out (Saad 2003, alg. 12.1, for the smoother)."""
    mesh, number = two
    spread, _ = Linear.of(mesh).joined(number)
    rng = np.random.default_rng(0)
    n = spread.shape[0]
    L = random(n, n, 4 / n, "csr", random_state=1)
    A = csr_matrix(L @ L.T + csr_matrix(np.diag(1 + rng.random(n))))
    inverse = TwoLevel(A, spread, (spread.T @ A @ spread).tocsr(), largest_over_diagonal(A))
    load = rng.standard_normal((n, 2))
    high = 1.1 * largest_over_diagonal(A)
    middle, half, D = high * (1 + 1 / SPREAD) / 2, high * (1 - 1 / SPREAD) / 2, A.diagonal()[:, None]

    def smoothed(rest):
        rho = half / middle
        step = rest / D / middle
        x = step
        for _ in range(DEGREE - 1):
            rest = rest - A @ step
            new = 1 / (2 * middle / half - rho)
            step = new * rho * step + 2 * new / half * rest / D
            x, rho = x + step, new
        return x

    x = smoothed(load)
    small = (spread.T @ A @ spread).toarray()
    x = x + spread @ np.linalg.solve(small, spread.T @ (load - A @ x))
    x = x + smoothed(load - A @ x)
    np.testing.assert_allclose(inverse(load), x, atol=1e-4 * np.abs(x).max())


def test_fields_go_through_a_matrix_one_by_one():
    A = random(30, 20, 0.3, "csr", random_state=3)
    x = np.random.default_rng(3).standard_normal((20, 3))
    np.testing.assert_allclose(through(A, x), A @ x, rtol=1e-14, atol=1e-14)
    assert through(A, x[:, :0]).shape[1] == 0


def test_a_size_that_gmsh_fails_at_gives_way_to_the_next(monkeypatch):
    """For each grading by itself; the last one's failure is told."""

    def meshed(chamber, size, shell, obstacles, ducts):
        if size in (1.0, 0.6):
            raise MeshError("the air", 1.0, "no luck")
        return f"{chamber} at {size}"

    monkeypatch.setattr(all_air, "whole_mesh", meshed)
    monkeypatch.setattr(all_air, "_ducts", lambda chamber: [])
    found = all_air.graded_meshes("egg", ((1.0, 0.9), (0.8, 0.7)))
    assert found == ((0.9, "egg at 0.9"), (0.8, "egg at 0.8"))
    with pytest.raises(MeshError, match="no luck"):
        all_air.graded_meshes("egg", ((1.0, 0.9), (1.0, 0.6)))


def test_a_mesh_far_larger_than_expected_is_not_solved(monkeypatch):
    """The estimate before it is meshed is right within a third."""
    wholes = [SimpleNamespace(mesh=SimpleNamespace(points=np.zeros((count, 0)))) for count in (1000, 700_000)]
    monkeypatch.setattr(graded, "in_own_process", lambda *given, **further: [(1.0, whole) for whole in wholes])
    for name, answer in (("_gradings", (((1.0,), (1.0,)), 2.5)), ("checked", (None,)), ("unknowns", 1000)):
        monkeypatch.setattr(graded, name, lambda *given, answer=answer: answer)
    with pytest.raises(OutOfReach, match=r"700,000 unknowns, which want 3\.3 GiB"):
        graded.graded_air(SimpleNamespace(name="egg"))


def test_what_would_be_divided_without_end_is_tried_at_the_last_sizes_at_once(monkeypatch):
    """Each size nearby would take as long to fail."""
    tried = []

    def meshes(work, chamber, gradings, **further):
        tried.append(gradings)
        raise Unsettled("the air", 1.0, f"no end to {gradings}")

    monkeypatch.setattr(graded, "in_own_process", meshes)
    for name, answer in (("_gradings", (((1.2, 1.3), (0.8, 1.0, 1.1)), 2.5)), ("checked", (None,)), ("unknowns", 1000)):
        monkeypatch.setattr(graded, name, lambda *given, answer=answer: answer)
    with pytest.raises(MeshError, match=r"no end to \(\(1\.3,\), \(1\.0, 1\.1\)\)"):
        graded.graded_air(SimpleNamespace(name="egg"))
    assert tried == [((1.2, 1.3), (0.8, 1.0, 1.1)), ((1.3,), (1.0, 1.1))]
