"""A window a little larger or smaller, where the law of windows does not hold: beside it against its own small mesh."""

from dataclasses import replace

import numpy as np
import pytest

from simkit.body import Opening
from simkit.optimisation.problem.perturbations import aperture_beside
from simkit.sound.elements.openings import aperture_of

FLAT = Opening(
    "window", np.zeros(3), np.array([0, 0, 1.0]), np.array([1.0, 0, 0]), length=4e-3, width=11e-3, height=5.5e-3,
    rim=3e-4, inside_rim=3e-4, edge_deg=28.0, curvatures=(20.0, 12.0),
)  # fmt: skip


@pytest.mark.slow  # at once: beside a window, in this file
def test_a_window_itself_is_what_it_is():
    assert aperture_beside(FLAT, FLAT) == aperture_of(FLAT)


SLOW = pytest.mark.slow


@pytest.mark.parametrize(
    ("size", "factor"),
    [
        ("length", 1.1),
        pytest.param("edge_deg", 0.95, marks=SLOW),
        pytest.param("width", 1.1, marks=SLOW),
        pytest.param("height", 1.1, marks=SLOW),
    ],
)
def test_beside_a_window_the_law_follows_the_mesh(size, factor):
    """Over such a step the change of 1/K comes out to two percent of the edge's relief: what two cells are good for."""
    other = replace(FLAT, **{size: factor * getattr(FLAT, size)})
    law, mesh, upright = (
        1 / a.conductivity
        for a in (aperture_beside(FLAT, other), aperture_of(other), aperture_of(replace(other, edge_deg=90.0)))
    )
    assert law - upright == pytest.approx(mesh - upright, rel=0.02)


def test_it_is_smooth():
    sizes = np.linspace(5.5e-3, 5.6e-3, 21)
    found = [aperture_beside(FLAT, replace(FLAT, height=size)).conductivity for size in sizes]
    assert np.abs(np.diff(found, 3)).max() < 1e-3 * np.abs(np.diff(found)).max()
