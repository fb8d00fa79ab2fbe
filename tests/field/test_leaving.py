"""Where a window's flow leaves the clay, against the far field of its own cell."""

import numpy as np
import pytest

from simkit.body import Opening
from simkit.field.fem.quadrature import facet_rule
from simkit.field.reduced.mouth import outward_shift
from simkit.field.window.cell import streaming
from simkit.field.window.relief import window_cell

SLOW = pytest.mark.slow


@pytest.mark.parametrize(
    ("edge_deg", "wall"),
    [(15.0, 5.1e-3), *(pytest.param(*case, marks=SLOW) for case in ((25.0, 3e-3), (15.0, 7e-3), (60.0, 5e-3)))],
)
def test_the_flow_leaves_where_the_far_field_comes_from(edge_deg, wall):
    """A source a little off the cap's middle tilts the potential there as a dipole, half of it sent back by the cap's
    condition dp/dn = -p/R: <x p>/<p> over the half sphere is half of how far off it is. To a tenth."""
    width, cut_up, rim = 12e-3, 5e-3, 3e-4
    cell = window_cell(width, cut_up, wall, edge_deg, rim, rim)
    stream = streaming(cell)
    mesh = stream.part.mesh
    rule = facet_rule(mesh.points, mesh.facets[stream.part.far_outside])
    heard = rule.spread.T @ stream.potential
    tilt = float((rule.points[:, 0] - cell.leaves) @ heard) / float(heard.sum())
    sizes = {"width": width, "height": cut_up, "rim": rim, "inside_rim": rim, "edge_deg": edge_deg}
    window = Opening("window", np.zeros(3), np.array([0, 0, 1.0]), np.array([1.0, 0, 0]), length=wall, **sizes)
    assert outward_shift(window) == pytest.approx(cell.leaves + 2 * tilt - cut_up / 2, rel=0.1)
