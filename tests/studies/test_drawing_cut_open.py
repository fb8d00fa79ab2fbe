"""A piece cut open: sizes on paper are those of the piece."""

import numpy as np
import pytest
from drawings.cut_open import cut_open
from matplotlib.patches import PathPatch

import simkit
from simkit.body import body_of
from simkit.show.look import page

PAIR = """
[clay]
wall_mm = 5
[[chamber]]
name = "one"
shape = "sphere"
diameter_mm = 50
[[chamber]]
name = "two"
shape = "sphere"
diameter_mm = 30
offset_mm = [10, 46, 0]
"""


def areas_mm2(up_mm):
    """Of each chamber's clay and air as drawn, at the piece's own size, by the shoelace formula."""
    figure = page(cut_open(simkit.loads(PAIR), body_of(simkit.loads(PAIR)), up_mm))
    (axes,) = (ax for sub in figure.subfigs for ax in _all_axes(sub))
    (bar,) = (line for line in axes.lines if (line.get_gid() or "").endswith(" mm"))
    scale = float(np.ptp(bar.get_xdata())) / float(bar.get_gid().split()[0])
    shapes = [p.get_path().vertices for p in axes.patches if isinstance(p, PathPatch)]
    return [abs(np.cross(v[:-1], v[1:]).sum()) / 2 / scale**2 if len(v) else 0.0 for v in shapes]


def _all_axes(figure):
    yield from figure.axes
    for sub in figure.subfigs:
        yield from _all_axes(sub)


@pytest.mark.parametrize("up_mm", [0.0, 12.0])
@pytest.mark.filterwarnings("ignore:Arrays of 2-dimensional vectors are deprecated")  # np.cross in the plane
def test_circles_of_two_spheres_cut_level(up_mm):
    found = areas_mm2(up_mm)
    for n, radius in enumerate((25, 15)):
        clay, air = found[3 * n], found[3 * n + 2]
        assert clay == pytest.approx(np.pi * ((radius + 5) ** 2 - up_mm**2), rel=0.01)
        assert air == pytest.approx(np.pi * (radius**2 - up_mm**2), rel=0.01)
