"""The splines that walls are drawn with for the mesher."""

import numpy as np
import pytest
from scipy.interpolate import BSpline, make_interp_spline

from simkit.body.meshes.drawn import clamped, ring_spline


@pytest.mark.parametrize("count", [5, 24, 33, 48])
def test_a_ring_drawn_in_parts_is_the_periodic_spline(count):
    """Whole and in two parts, against SciPy's periodic interpolation (`make_interp_spline`)."""
    values = np.random.default_rng(count).normal(size=(count + 1, 6, 3))
    values[-1] = values[0]
    wanted = make_interp_spline(np.arange(count + 1.0), values, k=3, bc_type="periodic")
    c = ring_spline(values)
    for start, stop in ((0, count), (0, count // 2), (count // 2, count)):
        knots, control = clamped(values, c, start, stop)
        at = np.linspace(start, stop, 101)
        assert np.abs(BSpline(knots, control, 3)(at) - wanted(at)).max() < 1e-13
