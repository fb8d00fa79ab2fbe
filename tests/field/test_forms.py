"""What commands sum in arrays is what the forms say, and the forms say what the closed forms of a ball do."""

import numpy as np
import pytest

from simkit.body.meshes import quadratic
from simkit.body.meshes.curved import air_mesh
from simkit.body.walls.formulas import EggWall
from simkit.field.fem import forms
from simkit.field.fem.air_matrices import DEGREE, stiffness_and_mass
from simkit.field.fem.quadrature import (
    ALONG,
    IN_AIR,
    ON_FACETS,
    facet_rule,
    shape_functions,
    tetrahedron_rule,
    triangle_rule,
    volume_rule,
    wall_integrals,
    wall_matrices,
)

R = 0.03


@pytest.fixture(scope="module")
def egg():
    """Curved at the wall and straight within."""
    return air_mesh(EggWall(0.06, 0.09, 0.05, 0.4), 0.011)


@pytest.fixture(scope="module")
def ball():
    return air_mesh(EggWall(2 * R, 2 * R, 2 * R), 0.012)


def same(ours, form):
    assert abs(ours - form).max() < 1e-12 * abs(form).max()


@pytest.mark.parametrize("degree", [2, 4, 33, 44])
def test_the_reference_elements_are_those_of_scikit_fem(degree):
    """Shape functions at any points, and rules of as many points with the same integrals (33, 44: in space)."""
    space, degree = degree > 10, degree % 10
    element = forms.TETRAHEDRON if space else forms.TRIANGLE
    at = np.random.default_rng(degree).uniform(size=(7, 3 if space else 2))
    for ours, theirs in zip(shape_functions(at), forms.shapes(element, at), strict=True):
        assert np.abs(ours - theirs).max() < 1e-13
    rules = (tetrahedron_rule if space else triangle_rule)(degree), forms.quadrature(element, degree)
    assert len(rules[0][1]) == len(rules[1][1])
    for powers in np.ndindex(*(degree + 1,) * at.shape[1]):
        if sum(powers) <= degree:
            one, other = (float(weights @ np.prod(points**powers, axis=1)) for points, weights in rules)
            assert one == pytest.approx(other, abs=1e-14)


def test_stiffness_and_mass_are_their_forms(egg):
    K, M = stiffness_and_mass(egg)
    air = forms.in_air(egg, DEGREE)
    same(K, forms.assembled(forms.stiffness, air))
    same(M, forms.assembled(forms.mass, air))


def test_matrices_of_the_wall_are_their_forms(egg):
    thermal, viscous = wall_matrices(egg)
    same(thermal, forms.assembled(forms.mass, forms.on_facets(egg, egg.facets, ON_FACETS)))
    same(viscous, forms.assembled(forms.wall_stiffness, forms.on_facets(egg, egg.facets, ALONG)))


@pytest.mark.parametrize("part", ["the air", "some of the wall"])
def test_loads_are_their_form(egg, part):
    """Of a plane that slopes: numbers at the points of either quadrature, whatever their order."""
    if part == "the air":
        rule, where = volume_rule(egg), forms.in_air(egg, IN_AIR)
    else:
        facets = egg.facets[egg.points[egg.facets[:, 0], 1] > 0]
        rule, where = facet_rule(egg.points, facets), forms.on_facets(egg, facets, ON_FACETS)
        same(rule.mass, forms.assembled(forms.mass, where))
    slope = np.array([1.0, -2.0, 0.5])
    there = np.einsum("i,i...->...", slope, np.asarray(where[0].global_coordinates()))
    same(rule.spread @ (rule.points @ slope), forms.assembled(forms.load, where, f=there))


def test_forms_give_what_is_known_of_a_ball(ball):
    """For p = x: |grad p|^2 = 1, |grad_T p|^2 = 1 - (x/R)^2, mean of x^2 on the sphere R^2/3, in the ball R^2/5."""
    x, volume, area = ball.points[:, 0], 4 / 3 * np.pi * R**3, 4 * np.pi * R**2
    air, wall = forms.in_air(ball, DEGREE), forms.on_facets(ball, ball.facets, ON_FACETS)
    for form, where, value in (
        (forms.stiffness, air, volume),
        (forms.mass, air, volume * R**2 / 5),
        (forms.mass, wall, area * R**2 / 3),
        (forms.wall_stiffness, wall, area * 2 / 3),
    ):
        assert x @ (forms.assembled(form, where) @ x) == pytest.approx(value, rel=2e-3), form.form.__name__
    ones = np.ones(len(wall[0].dx.ravel())).reshape(wall[0].dx.shape)
    assert forms.assembled(forms.load, wall, f=ones).sum() == pytest.approx(area, rel=1e-3)
    thermal, viscous = wall_integrals(ball, np.stack([x, 1j * x], axis=1))
    assert thermal / (area * R**2 / 3) == pytest.approx([1, -1], rel=2e-3)  # squared, not conjugated
    assert viscous / (area * 2 / 3) == pytest.approx([1, -1], rel=2e-3)


@pytest.mark.parametrize("size", [2, 3])
def test_meshes_are_judged_by_the_elements_that_are_solved_on(size):
    """The body room has shape functions of its own, for scikit-fem has its door elsewhere."""
    at = np.random.default_rng(4).dirichlet(np.ones(size + 1), 7)[:, 1:]
    values, slopes = shape_functions(at)
    assert values == pytest.approx(np.array([quadratic.shape_values(p) for p in at]), abs=1e-14)
    assert slopes == pytest.approx(np.array([quadratic.shape_gradients(p).T for p in at]), abs=1e-14)
